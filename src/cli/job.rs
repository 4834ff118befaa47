//! `asleft job`: opens job folders, lists and shows them.

mod described;

use super::{CommandResult, Ending, Streams};
use crate::error::{Error, Kind, Result};
use crate::job::{BenchKind, Job, Moment, Record, Writer, list};
use crate::{rig, unit};
use clap::{ArgGroup, Subcommand};
use described::{bench_words, equipment, equipment_json};
use serde_json::json;
use std::path::{Path, PathBuf};

/// Opens and finds job folders
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  asleft job new --unit tarnbeck-60.toml --serial 0042 \
    --owner \"Demo Customer\" --workshop \"Example Bench\" --simulated\n  asleft job list\n  asleft job show 2026-03-14"
)]
pub struct Args {
    /// Folder that holds the jobs; without it ASLEFT_JOBS, else the user's data folder
    #[arg(long, global = true, value_name = "DIR")]
    jobs: Option<PathBuf>,
    /// Print JSON
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Opens a job
    #[command(
        after_help = "Example:\n  asleft job new --simulated --unit tarnbeck-60.unit.toml --owner \"Demo Customer\" --serial 0042"
    )]
    New(Box<New>),
    /// Lists the jobs
    #[command(after_help = "Example:\n  asleft job list")]
    List,
    /// Shows a job: its record, its stages, the state of its captures
    #[command(after_help = "Example:\n  asleft job show 2026-03-14-tarnbeck-60-0042")]
    Show {
        /// Folder of the job, or the beginning of its name
        job: String,
    },
}

/// A job has one bench, fixed now.
#[derive(Debug, clap::Args)]
#[command(group(ArgGroup::new("bench").required(true).args(["rig", "simulated"])))]
struct New {
    /// File with the rated specification
    #[arg(long, value_name = "FILE")]
    unit: PathBuf,
    /// Serial number of the unit
    #[arg(long, default_value = "")]
    serial: String,
    /// Whose unit it is
    #[arg(long)]
    owner: String,
    /// Who does the work
    #[arg(long, default_value = "")]
    workshop: String,
    /// The complaint, in the owner's words
    #[arg(long, default_value = "")]
    complaint: String,
    /// Rig file of a live bench
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Measure the simulated amplifier; everything the job yields says so
    #[arg(long)]
    simulated: bool,
}

/// Runs the command.
///
/// # Errors
/// Where a file cannot be read or the job's folder cannot be made.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let root = jobs_root(args.jobs.as_deref())?;
    match &args.action {
        Action::New(new) => open_new(new, &root, args.json, io),
        Action::List => list_jobs(&root, args.json, io),
        Action::Show { job } => show(&Job::find(job, &root)?, args.json, io),
    }
}

/// The folder of jobs: as asked, else `ASLEFT_JOBS`, else in the user's data folder.
///
/// # Errors
/// Where the system names no data folder.
pub fn jobs_root(asked: Option<&Path>) -> Result<PathBuf> {
    if let Some(folder) = asked {
        return Ok(folder.to_owned());
    }
    if let Some(folder) = std::env::var_os("ASLEFT_JOBS").filter(|f| !f.is_empty()) {
        return Ok(PathBuf::from(folder));
    }
    directories::ProjectDirs::from("", "", "asleft")
        .map(|dirs| dirs.data_dir().join("jobs"))
        .ok_or_else(|| {
            Error::new(Kind::Unavailable, "this system names no folder for a user's data")
                .next("name one with --jobs DIR")
        })
}

fn open_new(new: &New, root: &Path, as_json: bool, io: &mut Streams<'_>) -> CommandResult {
    let unit = unit::file::read(&new.unit)?;
    let opened = Moment::from(&jiff::ZonedDateTime::now());
    let bench = if new.simulated {
        BenchKind::Simulated
    } else {
        BenchKind::Live
    };
    let mut record = Record {
        workshop: new.workshop.clone(),
        owner: new.owner.clone(),
        serial: new.serial.clone(),
        complaint: new.complaint.clone(),
        ..Record::new(opened, unit, &new.serial, bench)
    };
    if let Some(path) = &new.rig {
        record.keep_rig(&rig::file::read(path)?)?;
    }
    let writer = Writer::create(root, record)?;
    let job = writer.job();
    if as_json {
        print_json(io, &summary(job.folder(), job.record()))?;
    } else {
        let bench = bench_words(job.record().bench);
        print(
            io,
            &format!(
                "opened {} ({bench})\n{}\n{}",
                job.record().id,
                job.folder().display(),
                equipment(job.record())
            ),
        )?;
    }
    Ok(Ending::Done)
}

fn list_jobs(root: &Path, as_json: bool, io: &mut Streams<'_>) -> CommandResult {
    let jobs = list(root)?;
    let mut ending = Ending::Done;
    let mut entries = Vec::new();
    for job in &jobs {
        match &job.record {
            Ok(record) if as_json => entries.push(summary(&job.folder, record)),
            Ok(record) => print(io, &line(record))?,
            Err(error) => {
                ending = Ending::Incomplete;
                warn(io, &format!("{error}\n"))?;
            }
        }
    }
    if as_json {
        print_json(io, &json!({ "schema": "asleft.jobs.v1", "jobs": entries }))?;
    } else if jobs.is_empty() {
        warn(io, &format!("no jobs in {}\n", root.display()))?;
    }
    Ok(ending)
}

/// One job a line: its name, its unit, its owner, its stages.
fn line(record: &Record) -> String {
    let stages: Vec<&str> = record.stages.iter().map(|s| s.kind.in_words()).collect();
    format!(
        "{}  {}  {}  {}  {}\n",
        record.id,
        record.unit.model,
        record.owner,
        if stages.is_empty() {
            "no stage yet".to_owned()
        } else {
            stages.join(", ")
        },
        bench_words(record.bench)
    )
}

fn summary(folder: &Path, record: &Record) -> serde_json::Value {
    let mut out = json!({
        "id": record.id,
        "folder": folder.display().to_string(),
        "opened": record.opened,
        "unit": record.unit.model,
        "serial": record.serial,
        "owner": record.owner,
        "simulated": record.bench == BenchKind::Simulated,
        "stages": record.stages.iter().map(|s| s.kind).collect::<Vec<_>>(),
    });
    if let (Some(out), Some(equipment)) = (out.as_object_mut(), equipment_json(record).as_object()) {
        out.extend(equipment.clone());
    }
    out
}

fn show(job: &Job, as_json: bool, io: &mut Streams<'_>) -> CommandResult {
    let states = job.verify()?;
    let damaged = states.iter().any(|s| s.health.is_damage());
    let ending = if damaged { Ending::Doubtful } else { Ending::Done };
    if as_json {
        let captures: Vec<_> = states
            .iter()
            .map(|s| json!({ "capture": s.capture, "intact": !s.health.is_damage(), "state": s.health.in_words() }))
            .collect();
        let folder = job.folder().display().to_string();
        print_json(
            io,
            &json!({ "schema": "asleft.jobshow.v1", "folder": folder, "record": job.record(), "captures": captures }),
        )?;
        return Ok(ending);
    }
    print(io, &described::job(job))?;
    for state in states {
        print(io, &format!("  {}  {}\n", state.capture, state.health.in_words()))?;
    }
    Ok(ending)
}

fn print_json(io: &mut Streams<'_>, value: &serde_json::Value) -> Result<()> {
    print(io, &format!("{value:#}\n"))
}

fn print(io: &mut Streams<'_>, text: &str) -> Result<()> {
    written(io.out.write_all(text.as_bytes()))
}

fn warn(io: &mut Streams<'_>, text: &str) -> Result<()> {
    written(io.err.write_all(text.as_bytes()))
}

fn written(done: std::io::Result<()>) -> Result<()> {
    done.map_err(|e| super::output_error(&e))
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Cli {
        #[command(flatten)]
        args: Args,
    }

    fn run_with(words: &[&str]) -> (CommandResult, String, String) {
        let cli = Cli::try_parse_from(std::iter::once(&"job").chain(words)).unwrap();
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let mut io = Streams {
            out: &mut out,
            err: &mut err,
            interactive: false,
        };
        let ending = run(&cli.args, &mut io);
        let text = |bytes| String::from_utf8(bytes).unwrap();
        (ending, text(out), text(err))
    }

    const UNIT: &str = r#"
schema = "asleft.unit.v1"
model = "Tarnbeck 60"
outputs = [{ name = "A", loads_ohm = [8.0], stage = "grounded" }]
inputs = [{ name = "AUX", sensitivity_v = 0.15 }]
power = { watts = 60.0, load_ohm = 8.0, driven = "both", band_hz = [20.0, 20000.0], thd_percent = 0.05 }
"#;

    #[test]
    fn a_job_is_opened_listed_and_shown() {
        let root = tempfile::TempDir::new().unwrap();
        let (unit, jobs) = (root.path().join("unit.toml"), root.path().join("jobs"));
        std::fs::write(&unit, UNIT).unwrap();
        let (unit, jobs) = (unit.to_str().unwrap(), jobs.to_str().unwrap());
        let (ending, out, _) = run_with(&[
            "new",
            "--unit",
            unit,
            "--serial",
            "0042",
            "--owner",
            "Demo Customer",
            "--simulated",
            "--jobs",
            jobs,
            "--json",
        ]);
        assert_eq!(ending.unwrap(), Ending::Done);
        let opened: serde_json::Value = serde_json::from_str(&out).unwrap();
        assert_eq!(opened["simulated"], true);
        let id = opened["id"].as_str().unwrap();
        assert!(id.ends_with("-tarnbeck-60-0042"), "{id}");
        let (_, out, _) = run_with(&["list", "--jobs", jobs]);
        assert!(out.contains(id) && out.contains("SIMULATED"), "{out}");
        let (ending, out, _) = run_with(&["show", id, "--jobs", jobs]);
        assert_eq!(ending.unwrap(), Ending::Done);
        assert!(out.starts_with("SIMULATED") && out.contains("Demo Customer"));
        std::fs::write(format!("{jobs}/{id}/job.json"), "{").unwrap();
        let (ending, _, err) = run_with(&["list", "--jobs", jobs]);
        assert_eq!(ending.unwrap(), Ending::Incomplete);
        assert!(err.contains("cut off"), "{err}");
    }

    #[test]
    fn a_bench_must_be_named_and_only_one() {
        let parse = |words: &[&str]| {
            Cli::try_parse_from([&["job", "new", "--unit", "u", "--owner", "o"], words].concat())
        };
        assert!(parse(&[]).is_err());
        assert!(parse(&["--simulated", "--rig", "r.toml"]).is_err());
        assert!(parse(&["--rig", "r.toml"]).is_ok());
    }
}
