//! `asleft rig plan`: attenuator, load, input pad and wiring for an amplifier and an interface, before anything is built.

use crate::atomic::{self, Existing};
use crate::cli::{CommandResult, Ending, Streams};
use crate::error::{Error, Kind, Result};
use crate::quantity::entered;
use crate::report::wiring;
use crate::rig::planner::interface::{Class, InterfaceFigures, Known, noise_of_dynamic_range};
use crate::rig::planner::{self, CABLE_FARAD, Coupling, HEADROOM_DB, InputRequest, Negative, Request};
use crate::rig::{self, wiring::Wiring};
use crate::unit::{self, OutputStage, UnitSpec};
use std::path::PathBuf;

/// Arguments of `rig plan`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  asleft rig plan --power 50 --load 8 --phono 2.5mV --noise-tap --svg wiring.svg\n  \
                  asleft rig plan --unit model.unit.toml --rig bench.rig.toml\n\n\
                  Values may have units: 2.45V, 150mV, 10k, 300pF. What the interface's sheet does not say is taken\n\
                  as typical of its kind and marked so.\n\n\
                  Exit code 0: the plan can be built; 1: not with this interface (and what would do)."
)]
pub(super) struct Args {
    /// Rated power of one channel, W.
    #[arg(long, value_name = "W", required_unless_present = "unit")]
    power: Option<f64>,
    /// Load of the rated power, Ω; again for other loads that will be connected.
    #[arg(long, value_name = "OHM", value_parser = ohms, required_unless_present = "unit")]
    load: Vec<f64>,
    /// Continuous rating of the load you have, W; without it the plan says what to buy.
    #[arg(long, value_name = "W")]
    load_rating: Option<f64>,
    /// What the speaker terminals are.
    #[arg(long, value_enum)]
    output: Option<Stage>,
    /// Sensitivity of the line input that will be driven, V rms for rated power.
    #[arg(long, value_name = "V", value_parser = volts)]
    sensitivity: Option<f64>,
    /// Sensitivity of a phono input, V rms for rated power: plans its input pad.
    #[arg(long, value_name = "V", value_parser = volts)]
    phono: Option<f64>,
    /// How far clipping may lie above rated power, dB.
    #[arg(long, value_name = "DB", default_value_t = HEADROOM_DB)]
    headroom: f64,
    /// Plans a second tap for noise and hum.
    #[arg(long)]
    noise_tap: bool,
    /// Kind of audio interface; gives what is not stated below.
    #[arg(long, value_enum, default_value_t = Kinds::Usb)]
    interface: Kinds,
    /// V rms of the sine that reads 0 dBFS at its input.
    #[arg(long, value_name = "V", value_parser = volts)]
    input_full_scale: Option<f64>,
    /// Its input impedance, Ω.
    #[arg(long, value_name = "OHM", value_parser = ohms)]
    input_impedance: Option<f64>,
    /// Its dynamic range, A-weighted, dB.
    #[arg(long, value_name = "DB", value_parser = range_db)]
    dynamic_range: Option<f64>,
    /// V rms at its output at 0 dBFS.
    #[arg(long, value_name = "V", value_parser = volts)]
    output_full_scale: Option<f64>,
    /// Its output impedance, Ω.
    #[arg(long, value_name = "OHM", value_parser = ohms)]
    output_impedance: Option<f64>,
    /// Capacitance of the cable between attenuator and interface, in pF where no unit is given; without it that of some three metres.
    #[arg(long, value_name = "PF", value_parser = farads)]
    cable: Option<f64>,
    /// Rated specification of the model: power, loads, output, inputs.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["power", "output"])]
    unit: Option<PathBuf>,
    /// Calibration of the bench: the interface's figures and the load's rating.
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Writes the wiring as a picture.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Replaces a picture that is there already.
    #[arg(long, requires = "svg")]
    force: bool,
    /// One JSON document.
    #[arg(long)]
    json: bool,
}

/// Output stages, as unit files name them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Stage {
    /// Negative terminal is ground
    Grounded,
    /// Both terminals are driven
    Bridged,
    /// Negative terminal is neither driven nor ground
    Floating,
    /// Through a capacitor, negative terminal is ground
    #[value(alias = "capacitor")]
    CapacitorCoupled,
    /// Through a transformer, negative terminal is ground
    #[value(alias = "transformer")]
    TransformerCoupled,
}

/// Kinds of interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Kinds {
    /// USB interface with line inputs
    Usb,
    /// Line input of a computer's main board
    OnBoard,
    /// Simple USB stereo codec
    Codec,
    /// Sound card set to +4 dBu
    Card,
}

/// From a telephone's to that of the best converters.
fn range_db(text: &str) -> Result<f64> {
    let db = entered(text, "dB", 1.0)?;
    if (40.0..=140.0).contains(&db) {
        return Ok(db);
    }
    Err(Error::new(
        Kind::Value,
        format!("no interface has a dynamic range of {db} dB"),
    )
    .next("give 40 to 140 dB, as its sheet states it"))
}

fn ohms(text: &str) -> Result<f64> {
    entered(text, "Ω", 1.0)
}

fn volts(text: &str) -> Result<f64> {
    entered(text, "V", 1.0)
}

fn farads(text: &str) -> Result<f64> {
    entered(text, "F", 1e-12)
}

/// Runs the command.
///
/// # Errors
/// Where a file cannot be read or written, or a value is impossible. A plan that this interface cannot do is said on
/// standard error and ends as [`Ending::Doubtful`].
pub(super) fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let request = request(args)?;
    let plan = match planner::plan(&request) {
        Ok(plan) => plan,
        Err(cannot) if cannot.kind() == Kind::Mismatch => {
            let said = crate::cli::complaint::said(&cannot);
            writeln!(io.err, "{said}").map_err(|e| crate::cli::output_error(&e))?;
            return Ok(Ending::Doubtful);
        }
        Err(wrong) => return Err(wrong),
    };
    if let Some(path) = &args.svg {
        let existing = if args.force {
            Existing::Replace
        } else {
            Existing::Keep
        };
        let picture = wiring::svg(&Wiring::of(&plan));
        atomic::write(path, "write the picture", existing, |file| {
            std::io::Write::write_all(file, picture.as_bytes())
                .map_err(|e| Error::io("write the picture", path, &e))
        })?;
        let written = format!("{} is written", path.display());
        writeln!(io.err, "{written}").map_err(|e| crate::cli::output_error(&e))?;
    }
    let text = if args.json {
        format!("{}\n", wiring::plan::json(&plan)?)
    } else {
        wiring::plan::words(&plan)
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| crate::cli::output_error(&e))?;
    Ok(Ending::Done)
}

fn request(args: &Args) -> Result<Request> {
    let spec = args.unit.as_deref().map(unit::file::read).transpose()?;
    let rig = args.rig.as_deref().map(rig::file::read).transpose()?;
    let class = args.interface.into();
    let mut interface = match &rig {
        Some(rig) => InterfaceFigures::of_rig(rig, class)?,
        None => InterfaceFigures::typical(class),
    };
    stated(args, class, &mut interface);
    let rated = Rated::of(args, spec.as_ref())?;
    let of_rig = rig.as_ref().and_then(|r| r.channels.first());
    let mut inputs: Vec<InputRequest> = spec
        .iter()
        .flat_map(|s| &s.inputs)
        .map(InputRequest::from)
        .collect();
    for (name, sensitivity) in [("line", args.sensitivity), ("phono", args.phono)] {
        inputs.extend(sensitivity.map(|sensitivity_v| InputRequest {
            name: name.to_owned(),
            sensitivity_v,
        }));
    }
    Ok(Request {
        rated_w: rated.watts,
        load_ohm: rated.load_ohm,
        other_loads_ohm: rated.other_loads_ohm,
        load_rating_w: args.load_rating.or(of_rig.map(|c| c.load_rating_w)),
        headroom_db: args.headroom,
        negative: rated.stage.into(),
        coupling: rated.stage.into(),
        inputs,
        interface,
        cable_farad: args.cable.unwrap_or(CABLE_FARAD),
        noise_tap: args.noise_tap,
    })
}

/// What was stated replaces what is typical or was read from a file.
fn stated(args: &Args, class: Class, interface: &mut InterfaceFigures) {
    if let Some(volts) = args.input_full_scale {
        interface.restate_input_full_scale(volts, class);
    }
    if let Some(db) = args.dynamic_range {
        let noise = noise_of_dynamic_range(interface.input_full_scale_v.value, db);
        interface.input_noise_v = Known::stated(noise);
    }
    for (given, field) in [
        (args.input_impedance, &mut interface.input_ohm),
        (args.output_full_scale, &mut interface.output_full_scale_v),
        (args.output_impedance, &mut interface.output_ohm),
    ] {
        if let Some(value) = given {
            *field = Known::stated(value);
        }
    }
}

/// Rated power and the terminals it comes from.
struct Rated {
    watts: f64,
    load_ohm: f64,
    other_loads_ohm: Vec<f64>,
    stage: OutputStage,
}

impl Rated {
    fn of(args: &Args, spec: Option<&UnitSpec>) -> Result<Self> {
        let Some(spec) = spec else {
            let (Some(watts), Some((load, others))) = (args.power, args.load.split_first()) else {
                return Err(
                    Error::new(Kind::Value, "the amplifier's rated power is not known")
                        .next("give --power and --load, or --unit"),
                );
            };
            return Ok(Self {
                watts,
                load_ohm: *load,
                other_loads_ohm: others.to_vec(),
                stage: args.output.unwrap_or(Stage::Grounded).into(),
            });
        };
        let power = spec.highest_power();
        let output = spec.outputs.first().ok_or_else(|| {
            Error::new(Kind::Value, "the unit file has no output")
                .next("describe the speaker terminals in it")
        })?;
        let mut other_loads_ohm = output.loads_ohm.clone();
        other_loads_ohm.extend(&args.load);
        other_loads_ohm.retain(|ohm| (ohm - power.load_ohm).abs() > f64::EPSILON);
        Ok(Self {
            watts: power.watts,
            load_ohm: power.load_ohm,
            other_loads_ohm,
            stage: output.stage,
        })
    }
}

impl From<&unit::Input> for InputRequest {
    fn from(input: &unit::Input) -> Self {
        Self {
            name: input.name.clone(),
            sensitivity_v: input.sensitivity_v,
        }
    }
}

impl From<Stage> for OutputStage {
    fn from(stage: Stage) -> Self {
        match stage {
            Stage::Grounded => Self::Grounded,
            Stage::Bridged => Self::Bridged,
            Stage::Floating => Self::Floating,
            Stage::CapacitorCoupled => Self::CapacitorCoupled,
            Stage::TransformerCoupled => Self::TransformerCoupled,
        }
    }
}

impl From<OutputStage> for Negative {
    fn from(stage: OutputStage) -> Self {
        match stage {
            OutputStage::Bridged => Self::Driven,
            OutputStage::Floating => Self::Floating,
            OutputStage::Grounded | OutputStage::CapacitorCoupled | OutputStage::TransformerCoupled => {
                Self::Grounded
            }
        }
    }
}

impl From<OutputStage> for Coupling {
    fn from(stage: OutputStage) -> Self {
        match stage {
            OutputStage::CapacitorCoupled => Self::Capacitor,
            OutputStage::TransformerCoupled => Self::Transformer,
            OutputStage::Grounded | OutputStage::Bridged | OutputStage::Floating => Self::Direct,
        }
    }
}

impl From<Kinds> for Class {
    fn from(kind: Kinds) -> Self {
        match kind {
            Kinds::Usb => Self::Usb,
            Kinds::OnBoard => Self::OnBoard,
            Kinds::Codec => Self::Codec,
            Kinds::Card => Self::Card,
        }
    }
}
