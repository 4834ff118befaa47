//! The technical tables: the judged figures with their budgets, every figure with its interval, and what could not be told.

use crate::figure::{Figure, NotMeasured};
use crate::quantity::{Estimate, significant, with_uncertainty};
use crate::report::input::{MeasurementResults, ReportInput, StageResults};
use crate::report::number::{Scale, Shown, signed};
use crate::report::words;
use crate::verdict::{Outcome, Verdict};
use serde::Serialize;

/// All figures of a stage.
#[derive(Serialize)]
pub(super) struct StageTable {
    pub(super) name: &'static str,
    pub(super) rows: Vec<Row>,
    pub(super) missing: Vec<Remark>,
    pub(super) notes: Vec<String>,
}

/// One figure.
#[derive(Serialize)]
pub(super) struct Row {
    pub(super) name: String,
    pub(super) channel: String,
    pub(super) value: String,
    pub(super) db: String,
    pub(super) k: String,
    pub(super) interval: String,
    pub(super) conditions: String,
    pub(super) limited_by: &'static str,
    pub(super) verdict: String,
}

/// One judged figure with the largest sources of its uncertainty.
#[derive(Serialize)]
pub(super) struct JudgedRow {
    pub(super) figure: Row,
    pub(super) limit: String,
    pub(super) sources: Vec<String>,
}

/// Something to be read beside the tables.
#[derive(Serialize)]
pub(super) struct Remark {
    pub(super) subject: String,
    pub(super) text: String,
}

/// Sources of error that a budget lists; the rest is summed up.
const LISTED_SOURCES: usize = 3;

pub(super) fn stages(input: &ReportInput) -> Vec<StageTable> {
    input.stages.iter().map(stage).collect()
}

fn stage(results: &StageResults) -> StageTable {
    let all = || results.measurements.iter();
    StageTable {
        name: results.kind.in_words(),
        rows: all()
            .flat_map(|m| &m.findings.figures)
            .map(|f| row(f, results.verdict_on(f)))
            .collect(),
        missing: all().flat_map(missing).collect(),
        notes: notes(results),
    }
}

fn missing(measurement: &MeasurementResults) -> impl Iterator<Item = Remark> {
    let remark = |n: &NotMeasured| Remark {
        subject: format!("{}, {}", words::name(n.id), n.channel),
        text: n.reason.clone(),
    };
    measurement.findings.not_measured.iter().map(remark)
}

/// Each remark once, with the measurements it was made on.
fn notes(results: &StageResults) -> Vec<String> {
    let mut notes: Vec<(&str, Vec<&str>)> = Vec::new();
    for measurement in &results.measurements {
        for note in &measurement.findings.notes {
            match notes.iter_mut().find(|(text, _)| text == note) {
                Some((_, names)) if names.contains(&measurement.name.as_str()) => {}
                Some((_, names)) => names.push(&measurement.name),
                None => notes.push((note, vec![&measurement.name])),
            }
        }
    }
    notes
        .into_iter()
        .map(|(text, names)| format!("{text} ({})", names.join(", ")))
        .collect()
}

fn row(figure: &Figure, verdict: Option<&Verdict>) -> Row {
    let scale = Scale::for_value(figure.estimate.value, figure.unit);
    let (low, high) = figure.estimate.interval();
    let half = (high - low) / 2.0 * scale.factor;
    let end = |x: f64| signed(&with_uncertainty(x * scale.factor, half).0);
    let exact = figure.estimate.budget().is_empty();
    let one_sided = exact || figure.upper_limit;
    Row {
        name: words::full_name(figure),
        channel: figure.channel.to_string(),
        value: Shown::figure_in(figure, &scale).line(),
        db: figure
            .db
            .filter(|db| db.is_finite())
            .map(|db| format!("{} dB", signed(&format!("{db:.1}"))))
            .unwrap_or_default(),
        k: if exact {
            String::new()
        } else {
            format!("{:.2}", figure.estimate.k())
        },
        interval: if one_sided {
            String::new()
        } else {
            format!("{} … {}", end(low), end(high))
        },
        conditions: words::conditions(&figure.conditions, figure.band),
        limited_by: figure.limited_by.map(words::limited_by).unwrap_or_default(),
        verdict: verdict.map_or_else(String::new, |v| {
            format!("{} {}", words::mark(v.outcome), words::outcome(v.outcome))
        }),
    }
}

/// The stage that the report judges: after the work, or before it where there is no other.
pub(super) fn judged_stage(input: &ReportInput) -> Option<&'static str> {
    input.after().or(input.before()).map(|s| s.kind.in_words())
}

/// The judged figures of that stage, in the order of the specification.
pub(super) fn judged(input: &ReportInput) -> Vec<JudgedRow> {
    let Some(stage) = input.after().or(input.before()) else {
        return Vec::new();
    };
    let mut rows = Vec::new();
    for line in words::rated_lines(&input.record.unit) {
        let answers = stage.judgements.iter().filter(|j| line.is_answered_by(j));
        rows.extend(answers.filter_map(|j| {
            let figure = j.figure.as_ref()?;
            Some(JudgedRow {
                figure: row(figure, Some(&j.verdict)),
                limit: line.limit.clone(),
                sources: sources(&figure.estimate),
            })
        }));
    }
    rows
}

/// "meter volts 62 %": each source's share of the variance, largest first.
fn sources(estimate: &Estimate) -> Vec<String> {
    let variance = estimate.standard_uncertainty().powi(2);
    if variance <= 0.0 {
        return Vec::new();
    }
    let mut shares: Vec<(f64, &str)> = estimate
        .budget()
        .iter()
        .map(|c| (100.0 * c.u * c.u / variance, c.source.name()))
        .collect();
    shares.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(b.1)));
    let rest: f64 = shares.iter().skip(LISTED_SOURCES).map(|s| s.0).sum();
    let listed = shares.iter().take(LISTED_SOURCES);
    let mut texts: Vec<String> = listed.map(|(share, name)| share_of(name, *share)).collect();
    if shares.len() > LISTED_SOURCES {
        texts.push(share_of("others", rest));
    }
    texts
}

fn share_of(name: &str, share: f64) -> String {
    if share < 1.0 {
        format!("{name} < 1 %")
    } else {
        format!("{name} {} %", significant(share, 2))
    }
}

/// Every verdict that is no pass, with its reason, stage by stage; and what is rated but was not judged at all.
pub(super) fn undecided(input: &ReportInput) -> Vec<Remark> {
    let unit = &input.record.unit;
    let mut remarks = Vec::new();
    for stage in &input.stages {
        for line in words::rated_lines(unit) {
            let what = format!(
                "{} {} ({})",
                words::name(line.figure),
                line.limit,
                line.conditions
            );
            let answers = || stage.judgements.iter().filter(|j| line.is_answered_by(j));
            remarks.extend(
                answers()
                    .filter(|j| j.verdict.outcome != Outcome::Pass)
                    .map(|j| Remark {
                        subject: subject(stage, &j.channel.to_string(), &what, j.verdict.outcome),
                        text: j.verdict.reason.clone(),
                    }),
            );
            if answers().next().is_none() {
                remarks.push(Remark {
                    subject: subject(stage, "both channels", &what, Outcome::NotMeasured),
                    text: "no measurement of this stage gives the figure".to_owned(),
                });
            }
        }
    }
    remarks
}

fn subject(stage: &StageResults, channel: &str, what: &str, outcome: Outcome) -> String {
    format!(
        "{}, {channel}, {what}: {} {}",
        stage.kind.in_words(),
        words::mark(outcome),
        words::outcome(outcome)
    )
}
