//! `asleft measure`: single measurements, on the bench that the job was opened with.

use super::job::jobs_root;
pub(super) use super::session::now;
use super::session::{self, SimulatedStage};
use super::{CommandResult, Ending, Streams, style};
use crate::bench::simulated::{Fault, demo_rig};
use crate::error::{Error, Kind, Result};
use crate::figure::{FigureId, Findings};
use crate::job::results::{self, StageResults};
use crate::job::{BenchKind, Job, Record, StageKind, Writer};
use crate::procedure::connect::Taps;
use crate::procedure::guided::Visit;
use crate::procedure::plan::{self, Means, Plan, Step};
use crate::report::contract::FigureEntry;
use crate::report::number::setting;
use crate::report::table;
use crate::rig::{self, Rig};
use crate::unit::{self, UnitSpec};
use clap::builder::PossibleValuesParser;
use std::path::{Path, PathBuf};

/// Arguments of `measure`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  asleft measure thd power\n  asleft measure noise --mode \"class A\"\n  \
                        asleft measure response --job 2026-03-14-tarnbeck-60-0042 --stage as-left\n  \
                        asleft measure thd --rig bench.rig.toml --unit tarnbeck-60.unit.toml\n\n\
                        On a live bench the questions before the first sound are asked for each new connection, stage and day. \
                        Each mode ends with the tone that it began with; noise alone plays no tone, so that a gain that moved \
                        is not found."
)]
pub struct Args {
    /// Figures to measure.
    #[arg(required = true, value_parser = figure_names())]
    figures: Vec<String>,
    /// Job that the captures go to, and whose bench is used; without one, a scratch job is opened: for the simulated
    /// amplifier, or with --rig and --unit for a unit on the bench.
    #[arg(long)]
    job: Option<String>,
    /// Rig file of the live bench: of a scratch job, or a newer calibration for a live one.
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Rated specification of the unit of a scratch job on a live bench.
    #[arg(long, value_name = "FILE", requires = "rig", conflicts_with = "job")]
    unit: Option<PathBuf>,
    /// Output of the unit that the load goes to; asked for where the unit has several.
    #[arg(long, value_name = "NAME")]
    output: Option<String>,
    /// Highest sample rate to use; without it the best that the interface offers, up to 192 kHz.
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(44_100..=384_000))]
    rate: Option<u32>,
    /// Before or after the work.
    #[arg(long, default_value = "as-left")]
    stage: StageArg,
    /// Only in this mode of the unit.
    #[arg(long)]
    mode: Option<String>,
    /// Fault of the simulated amplifier.
    #[arg(long, value_name = "NAME", value_parser = fault_names())]
    fault: Option<String>,
    /// Folder that holds the jobs; without it ASLEFT_JOBS, else the user's data folder.
    #[arg(long, value_name = "DIR")]
    jobs: Option<PathBuf>,
    /// One JSON document.
    #[arg(long)]
    json: bool,
}

/// Stages on the command line.
#[derive(Clone, Copy, clap::ValueEnum)]
pub(super) enum StageArg {
    AsFound,
    AsLeft,
    FoundLeft,
}

impl From<StageArg> for StageKind {
    fn from(stage: StageArg) -> Self {
        match stage {
            StageArg::AsFound => Self::AsFound,
            StageArg::AsLeft => Self::AsLeft,
            StageArg::FoundLeft => Self::FoundLeft,
        }
    }
}

/// Names of the figures.
fn figure_names() -> PossibleValuesParser {
    PossibleValuesParser::new(FigureId::ALL.map(FigureId::name))
}

/// Names of the simulated faults.
pub(super) fn fault_names() -> PossibleValuesParser {
    PossibleValuesParser::new(Fault::ALL.map(Fault::name))
}

/// Runs the command.
///
/// # Errors
/// Where the job's bench is not there, the gates refuse, the figure is in no step, or the disk refuses.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let wanted: Vec<FigureId> = FigureId::ALL
        .into_iter()
        .filter(|id| args.figures.iter().any(|f| f == id.name()))
        .collect();
    let root = jobs_root(args.jobs.as_deref())?;
    let Measured { writer, steps, left } = match &args.job {
        Some(name) => in_job(args, Writer::open(Job::find(name, &root)?.folder())?, &wanted, io)?,
        None => in_scratch_job(args, &root, &wanted, io)?,
    };
    let found = results::of(writer.job())?;
    let kind = StageKind::from(args.stage);
    let stage = found.stages.iter().find(|s| s.kind == kind);
    let findings = stage.map(|s| only(s, &wanted, &steps)).unwrap_or_default();
    let is_simulated = writer.job().record().bench == BenchKind::Simulated;
    print(&findings, stage, is_simulated, args.json, io)?;
    writeln!(io.err, "captures: {}", writer.job().folder().display()).map_err(|e| super::output_error(&e))?;
    if left.is_empty() {
        return Ok(Ending::Done);
    }
    writeln!(io.err, "not measured: {}; the record says why", left.join(", "))
        .map_err(|e| super::output_error(&e))?;
    Ok(Ending::Incomplete)
}

/// What was measured.
struct Measured {
    writer: Writer,
    steps: Vec<Step>,
    /// Names of steps that were left out.
    left: Vec<String>,
}

/// Measures on the bench that the job was opened with.
fn in_job(args: &Args, writer: Writer, wanted: &[FigureId], io: &mut Streams<'_>) -> Result<Measured> {
    let record = writer.job().record();
    if record.bench == BenchKind::Simulated {
        return simulated(args, writer, wanted, io);
    }
    let rig = match &args.rig {
        Some(path) => rig::file::read(path)?,
        None => session::rig_of(record)?,
    };
    live(args, &rig, wanted, io, |_| Ok(writer))
}

/// Measures in a job that is opened for it: live with a rig and a unit, simulated without both.
fn in_scratch_job(args: &Args, root: &Path, wanted: &[FigureId], io: &mut Streams<'_>) -> Result<Measured> {
    match (&args.rig, &args.unit) {
        (Some(rig), Some(unit)) => {
            let (rig, unit) = (rig::file::read(rig)?, unit::file::read(unit)?);
            live(args, &rig, wanted, io, |rig| {
                let mut record = scratch(unit, BenchKind::Live);
                record.keep_rig(rig)?;
                Writer::create(root, record)
            })
        }
        (Some(_), None) => Err(Error::new(
            Kind::Mismatch,
            "a rig file alone does not say which unit is on the bench",
        )
        .next("name the unit's file with --unit for a scratch job, or a job with --job")),
        (None, _) => {
            let unit = unit::file::parse(super::demo::UNIT, "the demo's unit file")?;
            let writer = Writer::create(root, scratch(unit, BenchKind::Simulated))?;
            simulated(args, writer, wanted, io)
        }
    }
}

/// Measures on the simulated amplifier.
fn simulated(args: &Args, mut writer: Writer, wanted: &[FigureId], io: &mut Streams<'_>) -> Result<Measured> {
    let record = writer.job().record();
    if args.rig.is_some() || args.output.is_some() {
        return Err(Error::new(
            Kind::Mismatch,
            "this job is simulated, as was fixed when it was opened: it takes no rig file and has no outputs to choose from",
        )
        .at(record.id.clone())
        .next("leave out --rig and --output, or open a live job with `asleft job new --rig FILE`"));
    }
    let rig = record.rig().cloned().unwrap_or_else(demo_rig);
    // The simulated bench runs at any rate.
    let rates_hz: Vec<u32> = args.rate.into_iter().collect();
    let Plan { steps, notes } = planned(args, &record.unit, &rig, wanted, &rates_hz)?;
    say(&notes, io)?;
    let stage = SimulatedStage {
        kind: args.stage.into(),
        fault: args.fault.as_deref().map(str::parse).transpose()?,
        seed: 1,
        rig: &rig,
    };
    let left = session::run_simulated(&mut writer, &stage, &steps, io)?;
    Ok(Measured { writer, steps, left })
}

/// Measures on the audio interface that `rig` names; `open` opens the job once the interface is there.
fn live(
    args: &Args,
    rig: &Rig,
    wanted: &[FigureId],
    io: &mut Streams<'_>,
    open: impl FnOnce(&Rig) -> Result<Writer>,
) -> Result<Measured> {
    if args.fault.is_some() {
        return Err(Error::new(Kind::Mismatch, "a real unit brings its own faults").next("leave out --fault"));
    }
    let taps = Taps::of(rig)?;
    let mut bench = session::open_live(rig)?;
    let rates_hz = plan::up_to(&bench.rates_hz(), args.rate)?;
    let mut writer = open(rig)?;
    let Plan { steps, notes } = planned(args, &writer.job().record().unit, rig, wanted, &rates_hz)?;
    say(&notes, io)?;
    if taps.are_one() {
        writeln!(io.err, "{ONE_TAP}").map_err(|e| super::output_error(&e))?;
    }
    let visit = Visit {
        stage: args.stage.into(),
        rig,
        output: args.output.as_deref(),
        rates_hz: &rates_hz,
        now: &now,
    };
    let left = session::run_live(&mut writer, &mut bench, &visit, &steps, io)?;
    Ok(Measured { writer, steps, left })
}

/// Says what the sample rates cost, before anything is connected.
fn say(notes: &[String], io: &mut Streams<'_>) -> Result<()> {
    notes
        .iter()
        .try_for_each(|note| writeln!(io.err, "{note}").map_err(|e| super::output_error(&e)))
}

/// What a single tap costs.
const ONE_TAP: &str = "The rig has one attenuator, which serves for power and for noise: the interface's own noise then \
                       hides that of a quiet unit.";

/// The steps of the plan with this rig's taps and pads, at rates that the bench offers (all where none is named), that give
/// the wanted figures.
fn planned(args: &Args, unit: &UnitSpec, rig: &Rig, wanted: &[FigureId], rates_hz: &[u32]) -> Result<Plan> {
    let taps = Taps::of(rig)?;
    let means = Means {
        power_tap: taps.power,
        noise_tap: taps.noise,
        pads: &rig.pads,
        rates_hz,
    };
    plan::for_figures(
        plan::with(&plan::asking(unit, wanted), &means)?,
        wanted,
        args.mode.as_deref(),
    )
}

/// What the steps just made say of the wanted figures.
fn only(stage: &StageResults, wanted: &[FigureId], steps: &[Step]) -> Findings {
    let mut out = Findings::default();
    for m in stage
        .measurements
        .iter()
        .filter(|m| steps.iter().any(|s| s.name == m.name && !s.finds_gain()))
    {
        out.extend(m.findings.clone());
    }
    out.figures.retain(|f| wanted.contains(&f.id));
    out.not_measured.retain(|f| wanted.contains(&f.id));
    out.curves.retain(|c| wanted.contains(&c.id));
    out
}

fn print(
    findings: &Findings,
    stage: Option<&StageResults>,
    simulated: bool,
    json: bool,
    io: &mut Streams<'_>,
) -> Result<()> {
    let verdict = |figure| stage.and_then(|s| s.verdict_on(figure));
    let text = if json {
        let figures: Vec<FigureEntry> = findings
            .figures
            .iter()
            .filter_map(|f| FigureEntry::new(f, verdict(f).cloned()))
            .collect();
        let document = serde_json::json!({
            "schema": "asleft.measure.v1", "simulated": simulated, "figures": figures,
            "not_measured": findings.not_measured,
        });
        format!("{document:#}\n")
    } else {
        let lines: Vec<table::Line<'_>> = findings
            .figures
            .iter()
            .map(|figure| table::Line {
                figure,
                rated: verdict(figure).and_then(|v| Some(setting(v.limit?, figure.unit))),
                verdict: verdict(figure),
            })
            .collect();
        table::figures(&lines, &findings.not_measured, style(simulated))
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))
}

/// The record of a job that nobody opened: single measurements.
fn scratch(unit: UnitSpec, bench: BenchKind) -> Record {
    let opened = now();
    let workshop = match bench {
        BenchKind::Simulated => "Example Bench".to_owned(),
        BenchKind::Live => String::new(),
    };
    Record {
        workshop,
        owner: "nobody".to_owned(),
        notes: vec!["Scratch job of single measurements".to_owned()],
        ..Record::new(opened, unit, "scratch", bench)
    }
}
