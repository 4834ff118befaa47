//! `asleft demo`: the whole job on the simulated amplifier.

use super::session::{self, SimulatedStage};
use super::{CommandResult, Streams, measure, report, style};
use crate::bench::simulated::{Fault, Side, demo_rig};
use crate::error::Result;
use crate::job::{BenchKind, Record, StageKind, Writer, results};
use crate::procedure::plan;
use crate::report::letterhead::Letterhead;
use crate::report::summary;
use crate::unit;
use std::path::PathBuf;

/// Rated specification of the simulated amplifier.
pub(super) const UNIT: &str = include_str!("../../units/tarnbeck-60.unit.toml");

/// Arguments of `demo`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  asleft demo\n  asleft demo --fault dry-reservoir-capacitors\n\n\
                        The exit code judges the readings after the repair."
)]
pub struct Args {
    /// What the simulated amplifier arrives with.
    #[arg(long, value_name = "NAME", default_value = "under-bias", value_parser = measure::fault_names())]
    fault: String,
    /// Folder that the job's folder is made in.
    #[arg(long, value_name = "DIR", default_value = "asleft-demo")]
    out: PathBuf,
}

/// Runs the command.
///
/// # Errors
/// Where the disk refuses.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let fault: Fault = args.fault.parse()?;
    let mut writer = Writer::create(&args.out, record(fault)?)?;
    let rig = demo_rig();
    let steps = plan::full(&writer.job().record().unit, "power", "noise")?;
    for (kind, fault, seed) in [(StageKind::AsFound, Some(fault), 1), (StageKind::AsLeft, None, 2)] {
        let stage = SimulatedStage {
            kind,
            fault,
            seed,
            rig: &rig,
        };
        session::run_simulated(&mut writer, &stage, &steps, io)?;
    }
    let input = results::of(writer.job())?;
    let letterhead = Letterhead::default();
    let (path, ending) = report::write(&writer, &input, &letterhead)?;
    let mut answer = format!(
        "{}\nreport: {}\n",
        summary::table(&input, style(false)),
        path.display()
    );
    if cfg!(feature = "pdf") {
        let pdf = report::write_pdf(&writer, &input, &letterhead, report::Paper::A4)?;
        answer.push_str(&format!("on paper: {}\n", pdf.display()));
    }
    io.out
        .write_all(answer.as_bytes())
        .map_err(|e| super::output_error(&e))?;
    Ok(ending)
}

fn record(fault: Fault) -> Result<Record> {
    let unit = unit::file::parse(UNIT, "the demo's unit file")?;
    let opened = measure::now();
    let story = Story::of(fault);
    Ok(Record {
        workshop: "Example Bench".to_owned(),
        owner: "Demo Customer".to_owned(),
        serial: "0042".to_owned(),
        complaint: story.complaint,
        found: story.found,
        work: story.work.into_iter().map(str::to_owned).collect(),
        ..Record::new(opened, unit, "demo", BenchKind::Simulated)
    })
}

/// What an owner would have said of a fault, and what the workshop would have written.
struct Story {
    complaint: String,
    found: String,
    work: Vec<&'static str>,
}

impl Story {
    fn of(fault: Fault) -> Self {
        let (complaint, found, work) = match fault {
            Fault::DryReservoirCapacitors => (
                "It distorts when played loud, long before it used to.".to_owned(),
                "The large capacitors of the power supply had dried out, so that the supply collapsed under load."
                    .to_owned(),
                vec!["Both reservoir capacitors were replaced."],
            ),
            Fault::UnderBias(side) => (
                format!("The {} side sounds harsh when played softly.", name(side)),
                format!(
                    "The output stage of the {} channel had almost no idle current, which distorts soft music most.",
                    name(side)
                ),
                vec!["The trimmer of the idle current was replaced.", "The idle current was set in both modes."],
            ),
            Fault::WornRelayContact(side) => (
                format!("The {} side sounds rough, and at times it is missing.", name(side)),
                format!("A contact of the speaker relay was worn and filmed over in the {} channel.", name(side)),
                vec!["The speaker relay was replaced."],
            ),
            Fault::DriedCouplingCapacitor(side) => (
                format!("There is hardly any bass from the {} speaker.", name(side)),
                format!("A coupling capacitor of the {} channel had lost nearly all of its capacitance.", name(side)),
                vec!["The coupling capacitors of both channels were replaced."],
            ),
            Fault::VolumeTrackMismatch => (
                "At low volume one side is quieter than the other.".to_owned(),
                "The two tracks of the volume control no longer agreed. At full volume, where the specification is \
                 stated, this does not show."
                    .to_owned(),
                vec!["The volume control was replaced."],
            ),
            Fault::LiftedGround => (
                "It hums, and the more so the further the volume is turned up.".to_owned(),
                "The ground of an input socket no longer touched the chassis.".to_owned(),
                vec!["The ground connection was renewed."],
            ),
            Fault::MissingLoad => (
                "None: the unit came for inspection.".to_owned(),
                "While the readings as found were taken, the bench's dummy load was not connected: they hold without \
                 a load only."
                    .to_owned(),
                vec!["The load was connected; nothing was done to the unit."],
            ),
        };
        Self {
            complaint,
            found,
            work,
        }
    }
}

fn name(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}
