//! `asleft report`: analyses a job's captures again and writes the report into its folder.

use super::job::jobs_root;
use super::{CommandResult, Ending, Streams, letterhead};
use crate::error::Result;
use crate::job::{Job, Writer, results};
use crate::report::ReportInput;
use crate::report::html::html;
use crate::report::letterhead::Letterhead;
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
    /// Write report.html (with neither --html nor --pdf, both are written)
    #[arg(long)]
    html: bool,
    /// Write report.pdf
    #[arg(long)]
    pdf: bool,
    /// Paper of the PDF
    #[arg(long, value_enum, default_value = "a4")]
    paper: Paper,
    /// Workshop file with address, closing words and logo; without it ASLEFT_WORKSHOP, else workshop.toml in the user's
    /// configuration folder
    #[arg(long, value_name = "FILE")]
    workshop: Option<PathBuf>,
    /// Folder that holds the jobs; without it ASLEFT_JOBS, else the user's data folder
    #[arg(long, value_name = "DIR")]
    jobs: Option<PathBuf>,
    /// Print what was written as JSON
    #[arg(long)]
    json: bool,
}

/// Sizes of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum Paper {
    /// 210 × 297 mm
    #[default]
    A4,
    /// 8.5 × 11 in
    Letter,
}

/// Name of the report in the job's folder.
pub const HTML: &str = "report.html";

/// Name of the PDF in the job's folder.
pub const PDF: &str = "report.pdf";

/// Runs the command.
///
/// # Errors
/// Where the job cannot be read, is being written to, or the disk refuses.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let job = Job::find(&args.job, &jobs_root(args.jobs.as_deref())?)?;
    let writer = Writer::open(job.folder())?;
    let input = results::of(writer.job())?;
    let letterhead = letterhead::find(args.workshop.as_deref())?;
    let both = !args.html && !args.pdf;
    let mut written = Vec::new();
    if args.html || both {
        written.push(("html", write(&writer, &input, &letterhead)?.0));
    }
    if args.pdf || (both && cfg!(feature = "pdf")) {
        written.push(("pdf", write_pdf(&writer, &input, &letterhead, args.paper)?));
    }
    let text = if args.json {
        let mut value = serde_json::json!({ "schema": "asleft.report.v1" });
        for (kind, path) in &written {
            value[*kind] = path.display().to_string().into();
        }
        format!("{value:#}\n")
    } else {
        written
            .iter()
            .map(|(_, path)| format!("{}\n", path.display()))
            .collect()
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))?;
    Ok(ending(&input))
}

/// Writes the report of a job that is open for writing; returns its path and how the judgement ended.
///
/// # Errors
/// The disk's refusal.
pub fn write(writer: &Writer, input: &ReportInput, letterhead: &Letterhead) -> Result<(PathBuf, Ending)> {
    let path = writer.write_report(HTML, html(input, letterhead)?.as_bytes())?;
    Ok((path, ending(input)))
}

/// Writes the PDF of a job that is open for writing.
///
/// # Errors
/// The disk's refusal, or a character that no font has.
#[cfg(feature = "pdf")]
pub fn write_pdf(
    writer: &Writer,
    input: &ReportInput,
    letterhead: &Letterhead,
    paper: Paper,
) -> Result<PathBuf> {
    use crate::report::pdf;
    let paper = match paper {
        Paper::A4 => pdf::Paper::A4,
        Paper::Letter => pdf::Paper::Letter,
    };
    writer.write_report(PDF, &pdf::pdf(input, letterhead, paper)?)
}

/// This build has no PDF.
///
/// # Errors
/// Always.
#[cfg(not(feature = "pdf"))]
pub fn write_pdf(_: &Writer, _: &ReportInput, _: &Letterhead, _: Paper) -> Result<PathBuf> {
    use crate::error::{Error, Kind};
    Err(
        Error::new(Kind::Unavailable, "this program was built without PDF")
            .next("write report.html with --html, and print it from a browser"),
    )
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
