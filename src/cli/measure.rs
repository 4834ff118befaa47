//! `asleft measure`: single measurements, on the simulated amplifier.

use super::job::jobs_root;
use super::{CommandResult, Ending, Streams, progress, style};
use crate::bench::simulated::{Fault, SimulatedBench, bench_interface, demo_rig, tarnbeck_60};
use crate::error::{Error, Kind, Result};
use crate::figure::{FigureId, Findings};
use crate::job::record::{SCHEMA, plain_name};
use crate::job::results::{self, StageResults};
use crate::job::{BenchKind, Job, Moment, Record, StageKind, Writer};
use crate::procedure::operator::Unattended;
use crate::procedure::plan::{self, Step};
use crate::procedure::run::{GAIN_OFF, HIGH_FREQUENCY, Session};
use crate::report::contract::FigureEntry;
use crate::report::number::setting;
use crate::report::table;
use crate::rig::Rig;
use crate::unit;
use clap::builder::PossibleValuesParser;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Arguments of `measure`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  asleft measure thd power\n  asleft measure noise --mode \"class A\"\n  \
                        asleft measure response --job 2026-03-14-tarnbeck-60-0042 --stage as-left"
)]
pub struct Args {
    /// Figures to measure.
    #[arg(required = true, value_parser = figure_names())]
    figures: Vec<String>,
    /// Job that the captures go to; without one, a scratch job is opened for the simulated amplifier.
    #[arg(long)]
    job: Option<String>,
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

/// The simulated bench of one stage.
pub(super) struct SimulatedStage<'a> {
    pub(super) kind: StageKind,
    pub(super) fault: Option<Fault>,
    pub(super) seed: u64,
    pub(super) rig: &'a Rig,
}

/// Names of the figures.
fn figure_names() -> PossibleValuesParser {
    PossibleValuesParser::new(FigureId::ALL.map(FigureId::name))
}

/// Names of the simulated faults.
pub(super) fn fault_names() -> PossibleValuesParser {
    PossibleValuesParser::new(Fault::ALL.map(Fault::name))
}

/// The moment by the system's clock.
pub(super) fn now() -> Moment {
    Moment::from(&jiff::ZonedDateTime::now())
}

/// Runs the command.
///
/// # Errors
/// Where the job is measured on another bench, the figure is in no step, or the disk refuses.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let wanted: Vec<FigureId> = FigureId::ALL
        .into_iter()
        .filter(|id| args.figures.iter().any(|f| f == id.name()))
        .collect();
    let root = jobs_root(args.jobs.as_deref())?;
    let mut writer = match &args.job {
        Some(name) => Writer::open(Job::find(name, &root)?.folder())?,
        None => Writer::create(&root, scratch()?)?,
    };
    let record = writer.job().record();
    if record.bench != BenchKind::Simulated {
        return Err(Error::new(
            Kind::Unavailable,
            "this job is measured on an audio interface, which this version cannot drive",
        )
        .at(record.id.clone())
        .next("analyse captures made by other means with asleft analyse, or open a job with --simulated"));
    }
    let steps = chosen(
        plan::full(&record.unit, "power", "noise")?,
        &wanted,
        args.mode.as_deref(),
    )?;
    let rig = record.rigs.values().next().cloned().unwrap_or_else(demo_rig);
    let fault = args.fault.as_deref().map(str::parse).transpose()?;
    let stage = SimulatedStage {
        kind: args.stage.into(),
        fault,
        seed: 1,
        rig: &rig,
    };
    run_steps(&mut writer, &stage, &steps, io)?;
    let found = results::of(writer.job())?;
    let kind = StageKind::from(args.stage);
    let stage = found.stages.iter().find(|s| s.kind == kind);
    let findings = stage.map(|s| only(s, &wanted, &steps)).unwrap_or_default();
    print(&findings, stage, args.json, io)?;
    writeln!(io.err, "captures: {}", writer.job().folder().display()).map_err(|e| super::output_error(&e))?;
    Ok(Ending::Done)
}

/// Plays steps on the simulated bench, with a progress bar.
///
/// # Errors
/// As [`Session::run`].
pub(super) fn run_steps(
    writer: &mut Writer,
    stage: &SimulatedStage<'_>,
    steps: &[Step],
    io: &Streams<'_>,
) -> Result<()> {
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), stage.seed);
    if let Some(fault) = stage.fault {
        bench = bench.with_fault(fault);
    }
    let bar = progress::bar(steps.len() as u64, io.interactive);
    // Nothing here can be harmed, and a simulated fault is meant to be measured as found.
    let mut operator = Unattended::yes_to(&[HIGH_FREQUENCY, GAIN_OFF]);
    let mut session = Session::new(writer, &mut bench, stage.rig, stage.kind, &now, &mut operator);
    for step in steps {
        bar.set_message(step.name.clone());
        session.run(step)?;
        bar.inc(1);
    }
    bar.finish_and_clear();
    Ok(())
}

/// The steps that prove the wanted figures, each mode's gain first.
fn chosen(steps: Vec<Step>, wanted: &[FigureId], mode: Option<&str>) -> Result<Vec<Step>> {
    let in_mode = |s: &Step| {
        mode.is_none_or(|m| {
            s.setup
                .mode
                .as_deref()
                .is_some_and(|own| own.eq_ignore_ascii_case(m))
        })
    };
    let proves = |s: &Step| in_mode(s) && s.figures.iter().any(|f| wanted.contains(f));
    let modes: Vec<Option<String>> = steps
        .iter()
        .filter(|s| proves(s))
        .map(|s| s.setup.mode.clone())
        .collect();
    let out: Vec<Step> = steps
        .into_iter()
        .filter(|s| proves(s) || (s.finds_gain() && modes.contains(&s.setup.mode)))
        .collect();
    if modes.is_empty() {
        return Err(Error::new(
            Kind::Value,
            "no step of the plan gives these figures in this mode",
        )
        .next("check the name of the mode in the unit file"));
    }
    Ok(out)
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

fn print(findings: &Findings, stage: Option<&StageResults>, json: bool, io: &mut Streams<'_>) -> Result<()> {
    let verdict = |figure| stage.and_then(|s| s.verdict_on(figure));
    let text = if json {
        let figures: Vec<FigureEntry> = findings
            .figures
            .iter()
            .filter_map(|f| FigureEntry::new(f, verdict(f).cloned()))
            .collect();
        let document = serde_json::json!({
            "schema": "asleft.measure.v1", "simulated": true, "figures": figures,
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
        table::figures(&lines, &findings.not_measured, style(true))
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))
}

fn scratch() -> Result<Record> {
    let unit = unit::file::parse(super::demo::UNIT, "the demo's unit file")?;
    let opened = now();
    Ok(Record {
        schema: SCHEMA.to_owned(),
        id: plain_name(&format!("{} {} scratch", opened.date(), unit.model)),
        opened,
        workshop: "Example Bench".to_owned(),
        owner: "nobody".to_owned(),
        serial: String::new(),
        complaint: String::new(),
        found: String::new(),
        work: Vec::new(),
        notes: vec!["Scratch job of single measurements".to_owned()],
        unit,
        bench: BenchKind::Simulated,
        rigs: BTreeMap::new(),
        rig_in_use: None,
        stages: Vec::new(),
        connections: Vec::new(),
    })
}
