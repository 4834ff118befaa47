//! `asleft analyse`: figures from captures.

use super::channels::Channels;
use super::{CommandResult, Ending, Streams, progress, style};
use crate::error::{Error, Kind, Result};
use crate::figure::{Driven, Findings};
use crate::figures::{self, Context};
use crate::report::contract::{AnalysedFile, Document, FileFacts};
use crate::report::number::setting;
use crate::report::{csv, table, words};
use crate::rig::{self, Rig};
use crate::signal::{fingerprint, stimulus_file, take::Take, wav_read};
use crate::take::recognise::Wanted;
use crate::take::{self, Content, Examined};
use crate::unit::{self, UnitSpec};
use crate::verdict::{self, Outcome, Verdict};
use std::path::{Path, PathBuf};

/// Arguments of `analyse`.
#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    asleft analyse capture.wav\n  \
    asleft analyse sweep-capture.wav --stimulus s.stimulus.toml\n  \
    asleft analyse quiet.wav --reference rated-output.wav --json\n\n\
    A steady tone, two tones, silence and noise are recognised; a sweep needs its stimulus file. Without a rig file all \
    levels are in dBFS (a full-scale sine is 0 dBFS), and nothing is given in volts or watts.")]
pub struct Args {
    /// Captures: WAV, FLAC, AIFF.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Take the captures for this, whatever they look like.
    #[arg(long = "as", value_name = "KIND")]
    wanted: Option<WantedKind>,
    /// Description of what was played (written by `asleft generate` beside its WAV).
    #[arg(long, value_name = "FILE")]
    stimulus: Option<PathBuf>,
    /// Channels of the unit that were driven.
    #[arg(long)]
    driven: Option<Channels>,
    /// Capture that S/N refers to: a tone, say at rated output.
    #[arg(long, value_name = "FILE")]
    reference: Option<PathBuf>,
    /// Calibration of the bench: gives volts and watts.
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Rated specification: gives verdicts.
    #[arg(long, value_name = "FILE")]
    unit: Option<PathBuf>,
    #[command(flatten)]
    form: Form,
}

/// Form of the result.
#[derive(clap::Args)]
#[group(multiple = false)]
pub struct Form {
    /// One JSON document.
    #[arg(long)]
    json: bool,
    /// One JSON object a line for each file.
    #[arg(long)]
    json_lines: bool,
    /// One line a figure.
    #[arg(long)]
    csv: bool,
}

/// What captures can be taken for.
#[derive(Clone, Copy, clap::ValueEnum)]
enum WantedKind {
    Tone,
    TwoTone,
    Silence,
    Sweep,
    Noise,
}

/// What all files of one call share.
struct Shared {
    rig: Option<Rig>,
    unit: Option<UnitSpec>,
    reference: Option<Examined>,
}

/// What one file gave.
struct Analysed {
    entry: AnalysedFile,
    findings: Findings,
    verdicts: Vec<Option<Verdict>>,
}

/// Runs the command.
///
/// # Errors
/// Where rig, unit, stimulus or reference cannot be read; captures that cannot be read are reported and passed over.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let shared = Shared {
        rig: args.rig.as_deref().map(rig::file::read).transpose()?,
        unit: args.unit.as_deref().map(unit::file::read).transpose()?,
        reference: match &args.reference {
            Some(path) => Some(examine(path, args, Some(Wanted::Tone))?),
            None => None,
        },
    };
    let bar = progress::bar(args.files.len() as u64, io.interactive);
    let mut analysed = Vec::new();
    let mut unreadable = false;
    for path in &args.files {
        bar.set_message(path.display().to_string());
        match analyse(path, args, &shared) {
            Ok(one) => analysed.push(one),
            Err(error) => {
                unreadable = true;
                bar.suspend(|| writeln!(io.err, "{}", super::complaint::said(&error)))
                    .map_err(|e| super::output_error(&e))?;
            }
        }
        bar.inc(1);
    }
    bar.finish_and_clear();
    print(args, &analysed, io)?;
    Ok(if unreadable {
        Ending::Incomplete
    } else {
        ending(&analysed)
    })
}

fn examine(path: &Path, args: &Args, wanted: Option<Wanted>) -> Result<Examined> {
    let mut take = Take::of(wav_read::open(path)?);
    take.stimulus = match &args.stimulus {
        Some(file) => Some(stimulus_file::read(file)?),
        None => None,
    };
    take.setup.driven = args.driven.map(Driven::from);
    let alone = Take {
        stimulus: None,
        ..take.clone()
    };
    let examined = take::examine(take, wanted).or_else(|error| {
        // One call may bring a sweep and a tone; the sweep's description is none of the tone's.
        let apart = (args.files.len() > 1 && wanted.is_none() && error.kind() == Kind::Mismatch)
            .then(|| take::examine(alone, None).ok())
            .flatten()
            .filter(|e| matches!(e.content, Content::Tone(_) | Content::TwoTone(_)));
        let mut examined = apart.ok_or(error)?;
        examined
            .integrity
            .notes
            .push("the stimulus file is of another capture and was set aside".to_owned());
        Ok(examined)
    });
    examined.map_err(|e: Error| e.in_file(path))
}

fn analyse(path: &Path, args: &Args, shared: &Shared) -> Result<Analysed> {
    let wanted = args.wanted.map(|w| match w {
        WantedKind::Tone => Wanted::Tone,
        WantedKind::TwoTone => Wanted::TwoTone,
        WantedKind::Silence => Wanted::Silence,
        WantedKind::Sweep => Wanted::Sweep,
        WantedKind::Noise => Wanted::Noise,
    });
    if matches!(wanted, Some(Wanted::Sweep)) && args.stimulus.is_none() {
        return Err(Error::new(
            Kind::Mismatch,
            "a sweep cannot be analysed without the description of what was played",
        )
        .at_path(path)
        .next("name it with --stimulus FILE; asleft generate writes it beside its WAV"));
    }
    let (sha256, examined) = rayon::join(|| fingerprint::sha256_of(path), || examine(path, args, wanted));
    let (sha256, examined) = (sha256?, examined?);
    let context = Context {
        rig: shared.rig.as_ref(),
        unit: shared.unit.as_ref(),
        reference: shared.reference.as_ref(),
    };
    let findings = figures::of_take(&examined, &context);
    let verdicts = match &shared.unit {
        Some(unit) => verdict::judge_each(unit, findings.figures.clone())
            .into_iter()
            .map(|j| j.verdict)
            .collect(),
        None => vec![None; findings.figures.len()],
    };
    let facts = FileFacts {
        file: path.display().to_string(),
        sha256,
        format: examined.take.source.format(),
        simulated: examined.take.simulated,
        recognised_as: examined.content.name(),
        alignment: examined.alignment.clone(),
        integrity: examined.integrity.clone(),
    };
    Ok(Analysed {
        entry: AnalysedFile::new(facts, &findings, &verdicts),
        findings,
        verdicts,
    })
}

fn print(args: &Args, analysed: &[Analysed], io: &mut Streams<'_>) -> Result<()> {
    let entries = || analysed.iter().map(|a| a.entry.clone()).collect::<Vec<_>>();
    let text = if args.form.json {
        format!("{}\n", Document::of(entries()).to_json()?)
    } else if args.form.json_lines {
        analysed
            .iter()
            .map(|a| a.entry.to_json_line().map(|l| l + "\n"))
            .collect::<Result<String>>()?
    } else if args.form.csv {
        csv::figures(&entries())
    } else {
        analysed
            .iter()
            .map(|a| for_people(a, style(a.entry.simulated)))
            .collect::<Vec<_>>()
            .join("\n")
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))?;
    if args.form.json || args.form.json_lines || args.form.csv {
        for a in analysed {
            for note in &a.findings.notes {
                writeln!(io.err, "{}: {note}", a.entry.file).map_err(|e| super::output_error(&e))?;
            }
        }
    }
    Ok(())
}

/// One file as a technician reads it.
fn for_people(analysed: &Analysed, style: table::Style) -> String {
    let entry = &analysed.entry;
    let mut out = format!(
        "{}: {}, {} s, {} Hz, {} channel{}\n",
        entry.file,
        words::recognised(entry.recognised_as),
        entry.duration_s.round(),
        entry.sample_rate_hz,
        entry.channels,
        if entry.channels == 1 { "" } else { "s" }
    );
    for note in entry.integrity.notes.iter().chain(&analysed.findings.notes) {
        out.push_str(&table::wrapped(&format!("note: {note}"), "  ", style.width));
    }
    let lines: Vec<table::Line<'_>> = analysed
        .findings
        .figures
        .iter()
        .zip(&analysed.verdicts)
        .map(|(figure, verdict)| table::Line {
            figure,
            rated: verdict
                .as_ref()
                .and_then(|v| Some(setting(v.limit?, figure.unit))),
            verdict: verdict.as_ref(),
        })
        .collect();
    out.push_str(&table::figures(&lines, &analysed.findings.not_measured, style));
    out
}

fn ending(analysed: &[Analysed]) -> Ending {
    let damaged = analysed.iter().any(|a| a.entry.integrity.is_damaged());
    let doubtful = analysed
        .iter()
        .flat_map(|a| a.verdicts.iter().flatten())
        .any(|v| v.outcome != Outcome::Pass);
    if damaged || doubtful {
        Ending::Doubtful
    } else {
        Ending::Done
    }
}
