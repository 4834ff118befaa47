//! `asleft report`: analyses a job's captures again and writes the report into its folder.

use super::job::jobs_root;
use super::{CommandResult, Ending, Streams};
use crate::error::Result;
use crate::job::{Job, Writer, results};
use crate::report::ReportInput;
use crate::report::html::html;
use crate::report::words::rated_lines;
use crate::verdict::Outcome;
use std::path::PathBuf;

/// Writes the report of a job
///
/// Every figure is computed again from the captures in the job's folder.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  asleft report 2026-03-14-tarnbeck-60-0042")]
pub struct Args {
    /// Folder of the job, or the beginning of its name
    job: String,
    /// Write report.html (the default)
    #[arg(long)]
    html: bool,
    /// Folder that holds the jobs; without it ASLEFT_JOBS, else the user's data folder
    #[arg(long, value_name = "DIR")]
    jobs: Option<PathBuf>,
    /// Print what was written as JSON
    #[arg(long)]
    json: bool,
}

/// Name of the report in the job's folder.
pub const HTML: &str = "report.html";

/// Runs the command.
///
/// # Errors
/// Where the job cannot be read, is being written to, or the disk refuses.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let job = Job::find(&args.job, &jobs_root(args.jobs.as_deref())?)?;
    let writer = Writer::open(job.folder())?;
    let (path, ending) = write(&writer, &results::of(writer.job())?)?;
    let text = if args.json {
        let value = serde_json::json!({ "schema": "asleft.report.v1", "html": path.display().to_string() });
        format!("{value:#}\n")
    } else {
        format!("{}\n", path.display())
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))?;
    Ok(ending)
}

/// Writes the report of a job that is open for writing; returns its path and how the judgement ended.
///
/// # Errors
/// The disk's refusal.
pub fn write(writer: &Writer, input: &ReportInput) -> Result<(PathBuf, Ending)> {
    let path = writer.write_report(HTML, html(input)?.as_bytes())?;
    Ok((path, ending(input)))
}

/// A job is judged on its readings after the work; before those, on the ones it has. What is rated and was not judged
/// has not passed.
fn ending(input: &ReportInput) -> Ending {
    let stage = input.after().or(input.before());
    let judgements = || stage.into_iter().flat_map(|s| &s.judgements);
    let all_pass = judgements().all(|j| j.verdict.outcome == Outcome::Pass);
    let all_judged = rated_lines(&input.record.unit)
        .iter()
        .all(|line| judgements().any(|j| line.is_answered_by(j)));
    let damaged = input.captures.iter().any(|(state, _)| state.health.is_damage());
    if all_pass && all_judged && !damaged {
        Ending::Done
    } else {
        Ending::Doubtful
    }
}
