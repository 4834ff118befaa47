//! `asleft rig new`: the guided calibration, or a commented file to fill in.

use super::print;
use crate::bench::Bench;
use crate::bench::live::{self, LiveBench};
use crate::bench::simulated::{MultimeterModel, bench_interface, tarnbeck_60};
use crate::cli::operator::Terminal;
use crate::cli::{CommandResult, Ending, Streams, measure, unit};
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::procedure::calibration::{
    Answers, Calibration, Calibrator, Device, Devices, Opening, Rehearsal, Rehearsing,
};
use crate::procedure::operator::{Notice, Operator};
use crate::quantity::with_uncertainty;
use crate::rig::{Calibrated, Rig, file, meter};
use std::cell::RefCell;
use std::io::BufRead;
use std::path::{Path, PathBuf};

/// How long a tone lasts while somebody reads a meter, s: long enough for its display to settle twice.
const READING_S: f64 = 20.0;

/// The same where nobody has to look up, s.
const REHEARSED_S: f64 = 2.0;

/// Class of the simulated multimeter among [`meter::classes`]: the good handheld.
const REHEARSED_CLASS: usize = 1;

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  asleft rig new bench.rig.toml\n  asleft rig new --simulated practice.rig.toml\n  asleft rig new --template bench.rig.toml\n\n\
                  Each answer is kept in a draft beside the file (bench.rig.draft.toml): after an interruption the same \
                  command goes on where it stopped. An existing file is never overwritten. Answers may come from a pipe, \
                  one a line."
)]
pub(super) struct Args {
    /// The file to write.
    #[arg(required_unless_present = "template")]
    file: Option<PathBuf>,
    /// Asks nothing: writes a commented file to fill in (without FILE: prints it).
    #[arg(long)]
    template: bool,
    /// Practises on a simulated bench, whose multimeter proposes its readings.
    #[arg(long, conflicts_with = "template")]
    simulated: bool,
}

/// Runs the action.
///
/// # Errors
/// Where the file exists already or cannot be written, the calibration is stopped, or the answers end. What was
/// answered is kept.
pub(super) fn run(args: &Args, io: &mut Streams<'_>, input: &mut dyn BufRead) -> CommandResult {
    match &args.file {
        Some(path) if !args.template => calibrate(path, args.simulated, io, input),
        file => {
            let text = template(file.as_deref())?;
            print(io, &text)?;
            Ok(Ending::Done)
        }
    }
}

/// Writes the template to `path` and says so, or gives it.
fn template(path: Option<&Path>) -> Result<String> {
    let Some(path) = path else {
        return Ok(file::template().to_owned());
    };
    file::write_text(path, file::template())?;
    let name = path.display();
    Ok(format!(
        "{name} is written: fill it in, then run `asleft rig show {name}`\n"
    ))
}

fn calibrate(path: &Path, simulated: bool, io: &mut Streams<'_>, input: &mut dyn BufRead) -> CommandResult {
    unit::refuse_existing(path)?;
    let devices = if simulated { None } else { Some(devices()?) };
    let calibration = Calibration {
        name: bench_name(path),
        devices,
        reading_s: if simulated { REHEARSED_S } else { READING_S },
    };
    let draft = draft_of(path);
    let answers = Answers::read(&draft)?;
    let rig = {
        let mut terminal = Terminal::new(input, &mut *io.err, io.interactive)?;
        tell_kept(&answers, &draft, &mut terminal)?;
        let mut keep = |answers: &Answers| answers.keep(&draft);
        let done = if simulated {
            rehearse(&calibration, answers, &mut terminal, &mut keep)
        } else {
            let today = measure::now().date();
            Calibrator::new(&mut terminal, &mut open, &mut keep, &today).run(&calibration, answers)
        };
        done.map_err(|error| with_draft(error, &draft))?
    };
    file::write_text(path, &text_of(&rig, simulated)?)?;
    // The file is there: a draft that stays behind would only begin the next calibration with old answers.
    std::fs::remove_file(&draft).map_err(|e| Error::io("remove the draft of the calibration", &draft, &e))?;
    print(io, &summary(&rig))?;
    let name = path.display();
    print(
        io,
        &format!("{name} is written; look at it with `asleft rig show {name}`\n"),
    )?;
    Ok(Ending::Done)
}

fn rehearse(
    calibration: &Calibration,
    answers: Answers,
    terminal: &mut Terminal<'_>,
    keep: &mut dyn FnMut(&Answers) -> Result<()>,
) -> Result<Rig> {
    let classes = meter::classes();
    let stated = classes[REHEARSED_CLASS].meter.clone();
    let multimeter = MultimeterModel::new(stated, 1);
    let rehearsal = RefCell::new(Rehearsal::new(bench_interface(), tarnbeck_60(), multimeter, 1));
    let mut operator = Rehearsing::new(&rehearsal, Some(terminal));
    operator.tell(&Notice::step(
        "SIMULATED: nothing is real. Press Enter to take what the simulated multimeter shows, and type yes where it asks \
         yes or no.",
        "",
    ))?;
    let mut open = |opening: &Opening| Ok(rehearsal.borrow().bench(opening));
    let today = measure::now().date();
    Calibrator::new(&mut operator, &mut open, keep, &today).run(calibration, answers)
}

/// The audio devices to choose from: those that can be measured with.
fn devices() -> Result<Devices> {
    let found = live::interfaces()?;
    let fit = |ends: fn(&live::InterfaceInfo) -> Option<&live::Ends>| {
        let fit = found.iter().filter(|i| i.is_usable());
        let device = |i: &live::InterfaceInfo| {
            ends(i).map(|ends| Device {
                name: i.id.clone(),
                rates_hz: ends.rates_hz.clone(),
            })
        };
        fit.filter_map(device).collect::<Vec<_>>()
    };
    let devices = Devices {
        outputs: fit(|i| i.outputs.as_ref()),
        inputs: fit(|i| i.inputs.as_ref()),
    };
    if devices.outputs.is_empty() || devices.inputs.is_empty() {
        return Err(Error::new(
            Kind::Unavailable,
            "no audio interface that plays and records was found",
        )
        .next("plug one in and look with asleft interfaces; asleft rig new --simulated FILE needs none"));
    }
    Ok(devices)
}

/// Opens the audio interface that was chosen.
fn open(opening: &Opening) -> Result<Box<dyn Bench>> {
    let interface = opening
        .interface
        .as_ref()
        .ok_or_else(|| Error::new(Kind::Unavailable, "no audio interface was chosen"))?;
    Ok(Box::new(LiveBench::open(interface)?))
}

/// The draft beside a rig file: `bench.rig.draft.toml` of `bench.rig.toml`.
fn draft_of(path: &Path) -> PathBuf {
    path.with_extension("draft.toml")
}

/// A bench's name from its file's.
fn bench_name(path: &Path) -> String {
    let name = path
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    name.split('.')
        .next()
        .filter(|n| !n.is_empty())
        .unwrap_or("bench")
        .to_owned()
}

fn tell_kept(answers: &Answers, draft: &Path, terminal: &mut Terminal<'_>) -> Result<()> {
    if answers.is_empty() {
        return Ok(());
    }
    let kept = answers
        .in_words()
        .iter()
        .map(|line| format!("  {line}\n"))
        .collect::<String>();
    let kept = format!(
        "Kept from {} (delete it to begin again):\n{kept}",
        draft.display()
    );
    terminal.tell(&Notice::step(kept, ""))
}

fn with_draft(error: Error, draft: &Path) -> Error {
    if error.kind() != Kind::Unavailable || !draft.exists() {
        return error;
    }
    let also = match error.next_step() {
        Some(step) if !step.contains("nothing was written") => format!("{step}; "),
        _ => "run the same command again to go on; ".to_owned(),
    };
    error.next(format!("{also}what was answered is kept in {}", draft.display()))
}

/// The file's text, with what it was made by.
fn text_of(rig: &Rig, simulated: bool) -> Result<String> {
    let real = if simulated {
        "SIMULATED: nothing here was measured on a real bench.\n# "
    } else {
        ""
    };
    Ok(format!(
        "# {real}Written by asleft rig new from readings of a multimeter. u_percent is the standard uncertainty (1 sigma).\n\
         # After the next power test the loads' resistance, read while they are hot, may be added as load_hot_ohm.\n{}",
        file::to_text(rig)?
    ))
}

/// What was found, with its expanded uncertainty.
fn summary(rig: &Rig) -> String {
    let mut out = String::from("\nCalibrated (95 % intervals)\n");
    let mut line = |what: String, value: &Calibrated, unit: &str| {
        let (shown, u) = with_uncertainty(value.value, value.estimate().expanded());
        let unit = if unit.is_empty() {
            String::new()
        } else {
            format!(" {unit}")
        };
        out.push_str(&format!("  {what:26} {shown}{unit} ± {u}{unit}\n"));
    };
    for (index, channel) in rig.channels.iter().enumerate() {
        let side = Channel::at(index);
        line(
            format!("{side} output, 0 dBFS"),
            &channel.output_full_scale_v,
            "V",
        );
        line(
            format!("{side} output impedance"),
            &channel.output_impedance_ohm,
            "Ω",
        );
        line(format!("{side} input, 0 dBFS"), &channel.input_full_scale_v, "V");
        line(
            format!("{side} input impedance"),
            &channel.input_impedance_ohm,
            "Ω",
        );
        line(format!("{side} load"), &channel.load_ohm, "Ω");
    }
    let taps = rig.taps.iter().map(|t| ("tap", &t.name, &t.ratio));
    for (kind, name, ratio) in taps.chain(rig.pads.iter().map(|p| ("pad", &p.name, &p.ratio))) {
        for (index, value) in ratio.iter().enumerate() {
            line(format!("{} {kind} \"{name}\"", Channel::at(index)), value, "");
        }
    }
    out
}
