//! `asleft compare`: two captures, two jobs, or two modes, channels or stages of one job, side by side.

use super::job::jobs_root;
use super::{CommandResult, Ending, Streams};
use crate::error::{Error, Kind, Result};
use crate::figure::{Channel, Figure, Findings};
use crate::figures::difference::differences;
use crate::figures::{self, Context, compare};
use crate::job::{Job, results};
use crate::report::comparison::{self, Comparison};
use crate::rig::{self, Rig};
use crate::signal::{take::Take, wav_read};
use crate::take::{self, Examined};
use std::path::{Path, PathBuf};

/// Arguments of `compare`.
#[derive(clap::Args)]
#[command(
    after_help = "Examples:\n  asleft compare quiet-class-ab.wav quiet-class-a.wav\n  \
                        asleft compare 2026-03-14-tarnbeck-60-0042 --by mode\n  \
                        asleft compare 2026-03-14-tarnbeck-60-0042 2025-11-02-tarnbeck-60-0017\n\n\
                        A change is called real where its interval does not hold zero."
)]
pub struct Args {
    /// Capture, or job.
    first: String,
    /// Capture or job to set beside it.
    second: Option<String>,
    /// What to compare inside one job.
    #[arg(long, conflicts_with = "second")]
    by: Option<By>,
    /// Calibration of the bench, for captures.
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Folder that holds the jobs; without it ASLEFT_JOBS, else the user's data folder.
    #[arg(long, value_name = "DIR")]
    jobs: Option<PathBuf>,
    /// One JSON document.
    #[arg(long)]
    json: bool,
}

/// What differs inside one job.
#[derive(Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum By {
    /// The unit's first two modes.
    Mode,
    /// Left and right.
    Channel,
    /// As found and as left.
    Stage,
}

/// Runs the command.
///
/// # Errors
/// Where a capture or a job cannot be read, or there are no two sides to compare.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let sides = match (&args.second, args.by) {
        (Some(second), _) if is_capture(&args.first) || is_capture(second) => captures(args, second)?,
        (Some(second), _) => jobs(args, second)?,
        (None, Some(by)) => inside(args, by)?,
        (None, None) => {
            return Err(Error::new(Kind::Value, "there is only one thing to compare")
                .next("name a second capture or job, or say --by mode, --by channel or --by stage"));
        }
    };
    if sides.differences.is_empty() && sides.of_the_pair.figures.is_empty() {
        return Err(Error::new(
            Kind::Mismatch,
            "the two have no figure in common under equal conditions",
        )
        .next("compare captures of the same signal, level, input and volume"));
    }
    let text = if args.json {
        format!("{}\n", comparison::json(&sides)?)
    } else {
        comparison::table(&sides)
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))?;
    Ok(Ending::Done)
}

/// A file, or the name of one that is missing.
fn is_capture(name: &str) -> bool {
    let path = Path::new(name);
    let audio = path.extension().is_some_and(|e| {
        ["wav", "flac", "aif", "aiff", "aifc"]
            .iter()
            .any(|known| e.eq_ignore_ascii_case(known))
    });
    path.is_file() || audio
}

fn captures(args: &Args, second: &str) -> Result<Comparison> {
    let rig: Option<Rig> = args.rig.as_deref().map(rig::file::read).transpose()?;
    let examine = |name: &str| -> Result<Examined> {
        let path = Path::new(name);
        take::examine(Take::of(wav_read::open(path)?), None).map_err(|e| e.in_file(path))
    };
    let (a, b) = (examine(&args.first)?, examine(second)?);
    let context = Context {
        rig: rig.as_ref(),
        ..Context::default()
    };
    let (of_a, of_b) = (figures::of_take(&a, &context), figures::of_take(&b, &context));
    Ok(Comparison {
        names: [args.first.clone(), second.to_owned()],
        differences: differences(&of_a.figures, &of_b.figures),
        of_the_pair: change_of_noise(&a, &b, rig.as_ref()),
        simulated: a.take.simulated || b.take.simulated,
    })
}

/// The change of noise, where both captures are of silence.
fn change_of_noise(a: &Examined, b: &Examined, rig: Option<&Rig>) -> Findings {
    match (&a.content, &b.content) {
        (take::Content::Silence(_), take::Content::Silence(_)) => compare::noise_change(a, b, rig).0,
        _ => Findings::default(),
    }
}

fn job_results(args: &Args, name: &str) -> Result<results::Results> {
    results::of(&Job::find(name, &jobs_root(args.jobs.as_deref())?)?)
}

fn figures_of(stage: Option<&results::StageResults>) -> Vec<Figure> {
    stage
        .into_iter()
        .flat_map(|s| &s.measurements)
        .flat_map(|m| m.findings.figures.clone())
        .collect()
}

fn jobs(args: &Args, second: &str) -> Result<Comparison> {
    let (a, b) = (job_results(args, &args.first)?, job_results(args, second)?);
    let last = |r: &results::Results| figures_of(r.after().or(r.before()));
    Ok(Comparison {
        names: [a.record.id.clone(), b.record.id.clone()],
        differences: differences(&last(&a), &last(&b)),
        of_the_pair: Findings::default(),
        simulated: a.simulated() || b.simulated(),
    })
}

fn inside(args: &Args, by: By) -> Result<Comparison> {
    let job = job_results(args, &args.first)?;
    let simulated = job.simulated();
    let last = figures_of(job.after().or(job.before()));
    let (names, first, second) = match by {
        By::Stage => (
            ["as found", "as left"].map(str::to_owned),
            figures_of(job.before()),
            figures_of(job.after()),
        ),
        By::Channel => {
            let of = |channel| {
                last.iter()
                    .filter(|f| f.channel == channel)
                    .cloned()
                    .collect::<Vec<_>>()
            };
            let right = of(Channel::Right)
                .into_iter()
                .map(|f| Figure {
                    channel: Channel::Left,
                    ..f
                })
                .collect();
            (["left", "right"].map(str::to_owned), of(Channel::Left), right)
        }
        By::Mode => {
            let [a, b, ..] = job.record.unit.modes.as_slice() else {
                return Err(Error::new(Kind::Mismatch, "this unit has only one mode")
                    .at(job.record.id)
                    .next("compare by channel or by stage"));
            };
            let of = |mode: &str| {
                last.iter()
                    .filter(|f| f.conditions.mode.as_deref() == Some(mode))
                    .cloned()
                    .collect::<Vec<_>>()
            };
            ([a.name.clone(), b.name.clone()], of(&a.name), of(&b.name))
        }
    };
    // `noise_change` is of the second mode and has no partner; it stands by itself.
    let of_the_pair = if by == By::Mode {
        let changes = last
            .iter()
            .filter(|f| f.id == crate::figure::FigureId::NoiseChange)
            .cloned()
            .collect();
        Findings {
            figures: changes,
            ..Findings::default()
        }
    } else {
        Findings::default()
    };
    Ok(Comparison {
        names,
        differences: differences(&first, &second),
        of_the_pair,
        simulated,
    })
}
