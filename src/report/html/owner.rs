//! Page one: what was found, what was done, and whether the unit meets its rating, in plain words.

use super::Picture;
use super::pictures;
use crate::error::Result;
use crate::figure::Channel;
use crate::job::{Record, StageKind};
use crate::report::input::{Judgement, ReportInput, StageResults};
use crate::report::number::Shown;
use crate::report::words::{self, RatedLine};
use crate::verdict::Outcome;
use serde::Serialize;
use std::collections::BTreeSet;

/// The page.
#[derive(Serialize)]
pub(super) struct Page<'a> {
    pub(super) record: &'a Record,
    /// Date of each stage: "as found 2026-03-14".
    pub(super) dates: Vec<String>,
    /// Why there are no readings before the work, if so.
    pub(super) inoperable: Option<&'a str>,
    /// One sentence, then the counts.
    pub(super) summary: &'static str,
    pub(super) counts: String,
    pub(super) items: Vec<Item>,
    pub(super) picture: Option<Picture>,
    /// Captures that are not what was recorded: what rests on them proves nothing.
    pub(super) damaged: Vec<&'a str>,
    /// Rated figures without a value, and adjustments without a reading.
    pub(super) missing: Vec<String>,
}

/// A line of the specification: one row a channel.
#[derive(Serialize)]
pub(super) struct Item {
    pub(super) what: &'static str,
    pub(super) conditions: String,
    pub(super) limit: String,
    pub(super) lines: Vec<Line>,
    #[serde(skip)]
    outcome: Outcome,
}

/// One channel.
#[derive(Serialize)]
pub(super) struct Line {
    pub(super) who: String,
    pub(super) before: Cell,
    pub(super) after: Cell,
}

/// A value with its verdict.
#[derive(Serialize)]
pub(super) struct Cell {
    pub(super) text: String,
    pub(super) mark: char,
    pub(super) word: &'static str,
    #[serde(skip)]
    outcome: Outcome,
}

impl<'a> Page<'a> {
    pub(super) fn of(input: &'a ReportInput) -> Result<Self> {
        let record = &input.record;
        let items: Vec<Item> = words::rated_lines(&record.unit)
            .iter()
            .map(|line| Item::of(line, input))
            .collect();
        let count = |outcome| items.iter().filter(|i| i.outcome == outcome).count();
        let (pass, fail) = (count(Outcome::Pass), count(Outcome::Fail));
        let (unclear, missing) = (count(Outcome::CannotTell), count(Outcome::NotMeasured));
        Ok(Self {
            record,
            dates: record
                .stages
                .iter()
                .map(|s| format!("{} {}", s.kind.in_words(), s.begun.date()))
                .collect(),
            inoperable: inoperable(record),
            summary: summary(items.len(), pass, fail),
            counts: format!(
                "Of {} rated figures, as left: {pass} pass, {fail} fail, {unclear} cannot be told, {missing} not \
                 measured.",
                items.len()
            ),
            missing: missing_items(&items, record),
            items,
            damaged: input
                .captures
                .iter()
                .filter(|(state, _)| state.health.is_damage())
                .map(|(state, _)| state.capture.as_str())
                .collect(),
            picture: pictures::for_owner(input)?,
        })
    }
}

fn summary(all: usize, pass: usize, fail: usize) -> &'static str {
    if fail > 0 {
        "As left, the unit does not meet its rating in every figure."
    } else if pass == all {
        "As left, every rated figure meets its rating."
    } else {
        "As left, nothing was found outside its rating, but not all was shown to meet it."
    }
}

fn inoperable(record: &Record) -> Option<&str> {
    let stage = record.stages.iter().find(|s| s.kind == StageKind::Inoperable)?;
    stage.reason.as_deref()
}

fn missing_items(items: &[Item], record: &Record) -> Vec<String> {
    let figures = items.iter().filter(|i| i.outcome == Outcome::NotMeasured);
    let figures = figures.map(|i| match i.conditions.as_str() {
        "" => i.what.to_owned(),
        conditions => format!("{} ({conditions})", i.what),
    });
    let readings = record.unit.adjustments.iter();
    let readings = readings.map(|a| match &a.mode {
        Some(mode) => format!("{}, {mode} (a meter reading; none is in this record)", a.name),
        None => format!("{} (a meter reading; none is in this record)", a.name),
    });
    figures.chain(readings).collect()
}

impl Item {
    fn of(rated: &RatedLine, input: &ReportInput) -> Self {
        let (before, after) = (input.before(), input.after());
        let inoperable = inoperable(&input.record).is_some();
        let lines: Vec<Line> = channels(rated, before, after)
            .into_iter()
            .map(|channel| Line {
                who: channel.map(words::channel).unwrap_or_default(),
                before: cell(find(before, rated, channel), inoperable),
                after: cell(find(after, rated, channel), false),
            })
            .collect();
        let outcomes = lines.iter().map(|l| l.after.outcome);
        let gravest = outcomes.max_by_key(|o| words::gravity(*o));
        Self {
            what: words::plain(rated.figure),
            conditions: rated.conditions.clone(),
            limit: rated.limit.clone(),
            lines,
            outcome: gravest.unwrap_or(Outcome::NotMeasured),
        }
    }
}

/// Every channel the line was judged on, in either stage. Where any other line was judged of a channel, this one has a
/// row for it too: a channel left out must not look like a channel that passed.
fn channels(
    rated: &RatedLine,
    before: Option<&StageResults>,
    after: Option<&StageResults>,
) -> BTreeSet<Option<Channel>> {
    let judgements = || [before, after].into_iter().flatten().flat_map(|s| &s.judgements);
    let of_line: BTreeSet<Option<Channel>> = judgements()
        .filter(|j| rated.is_answered_by(j))
        .map(|j| Some(j.channel))
        .collect();
    if of_line.contains(&Some(Channel::Pair)) {
        return of_line;
    }
    let others = judgements()
        .map(|j| j.channel)
        .filter(|c| *c != Channel::Pair)
        .map(Some);
    let all: BTreeSet<Option<Channel>> = of_line.into_iter().chain(others).collect();
    if all.is_empty() {
        BTreeSet::from([None])
    } else {
        all
    }
}

fn find<'a>(
    stage: Option<&'a StageResults>,
    rated: &RatedLine,
    channel: Option<Channel>,
) -> Option<&'a Judgement> {
    let answers = stage?
        .judgements
        .iter()
        .filter(|j| rated.is_answered_by(j) && Some(j.channel) == channel);
    answers.min_by_key(|j| j.mode.is_none())
}

fn cell(judgement: Option<&Judgement>, inoperable: bool) -> Cell {
    let outcome = match judgement {
        Some(Judgement {
            figure: Some(_),
            verdict,
            ..
        }) => verdict.outcome,
        _ => Outcome::NotMeasured,
    };
    let text = match judgement.and_then(|j| j.figure.as_ref()) {
        Some(figure) => Shown::figure(figure).line(),
        None if inoperable => "inoperable".to_owned(),
        None => "not measured".to_owned(),
    };
    Cell {
        text,
        mark: words::mark(outcome),
        word: words::outcome(outcome),
        outcome,
    }
}
