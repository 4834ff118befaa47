//! The rated specification of a job as a table for terminals: rated, as found, as left, verdict.

use super::input::{Judgement, ReportInput, StageResults};
use super::number::Shown;
use super::table::{self, Style};
use super::words::{self, RatedLine};
use crate::figure::Channel;
use crate::verdict::Outcome;

/// Columns: channel, limit, as found, as left, verdict.
const COLUMNS: usize = 5;

/// One channel of a line of the specification.
struct Row {
    cells: [String; COLUMNS],
    outcome: Outcome,
    /// Why it did not pass.
    reason: String,
}

/// The table, with a line feed after each line: each line of the specification with its conditions, below it a row a
/// channel, and why it did not pass where it did not. Judged on the readings after the work where there are any.
pub fn table(input: &ReportInput, style: Style) -> String {
    let head = ["", "rated", "as found", "as left", "verdict"].map(str::to_owned);
    let groups: Vec<(RatedLine, Vec<Row>)> = words::rated_lines(&input.record.unit)
        .into_iter()
        .map(|line| {
            let rows = rows_of(&line, input);
            (line, rows)
        })
        .collect();
    let mut widths = head.each_ref().map(|cell| cell.chars().count());
    for row in groups.iter().flat_map(|(_, rows)| rows) {
        for (width, cell) in widths.iter_mut().zip(&row.cells) {
            *width = (*width).max(cell.chars().count());
        }
    }
    let mut out = String::new();
    if input.simulated() {
        out.push_str("SIMULATED: no real amplifier was measured\n");
    }
    put(&mut out, &head, &widths, None, style);
    for (line, rows) in &groups {
        out.push_str(&format!("{}: {}\n", words::name(line.figure), line.conditions));
        for row in rows {
            put(&mut out, &row.cells, &widths, Some(row.outcome), style);
            if row.outcome != Outcome::Pass && !row.reason.is_empty() {
                out.push_str(&table::wrapped(&row.reason, "      ", style.width));
            }
        }
    }
    out.push_str(&counted(&groups));
    out
}

/// "12 of 15 rated figures pass; fail: THD (1 kHz, 1 W, class AB)": what did not pass is named.
fn counted(groups: &[(RatedLine, Vec<Row>)]) -> String {
    let gravest = |rows: &[Row]| rows.iter().map(|r| r.outcome).max_by_key(|o| words::gravity(*o));
    let outcomes: Vec<Outcome> = groups
        .iter()
        .map(|(_, rows)| gravest(rows).unwrap_or(Outcome::NotMeasured))
        .collect();
    let count = |outcome| outcomes.iter().filter(|o| **o == outcome).count();
    let mut out = format!(
        "{} of {} rated figures pass",
        count(Outcome::Pass),
        outcomes.len()
    );
    for outcome in [Outcome::Fail, Outcome::CannotTell, Outcome::NotMeasured] {
        if count(outcome) > 0 {
            out.push_str(&format!("; {} {}", count(outcome), words::outcome(outcome)));
        }
    }
    out.push('\n');
    out
}

fn rows_of(line: &RatedLine, input: &ReportInput) -> Vec<Row> {
    let (before, after) = (input.before(), input.after());
    let Some(deciding) = after.or(before) else {
        return Vec::new();
    };
    let answers = deciding.judgements.iter().filter(|j| line.is_answered_by(j));
    answers
        .map(|judgement| {
            let verdict = &judgement.verdict;
            Row {
                cells: [
                    format!("  {}", who(judgement.channel)),
                    line.limit.clone(),
                    value(before.and_then(|stage| same(stage, line, judgement.channel))),
                    value(after.map(|_| judgement)),
                    format!(
                        "{} {}",
                        words::mark(verdict.outcome),
                        words::outcome(verdict.outcome)
                    ),
                ],
                outcome: verdict.outcome,
                reason: verdict.reason.clone(),
            }
        })
        .collect()
}

fn who(channel: Channel) -> String {
    match channel {
        Channel::Pair => "left − right".to_owned(),
        channel => channel.to_string(),
    }
}

fn same<'a>(stage: &'a StageResults, line: &RatedLine, channel: Channel) -> Option<&'a Judgement> {
    stage
        .judgements
        .iter()
        .find(|j| line.is_answered_by(j) && j.channel == channel)
}

fn value(judgement: Option<&Judgement>) -> String {
    match judgement.and_then(|j| Some((j.figure.as_ref()?, j.verdict.outcome))) {
        Some((figure, outcome)) => format!("{} {}", Shown::figure(figure).line(), words::mark(outcome)),
        None => "not measured".to_owned(),
    }
}

/// Channel, limit and verdict to the left, values to the right.
fn put(
    out: &mut String,
    cells: &[String; COLUMNS],
    widths: &[usize; COLUMNS],
    outcome: Option<Outcome>,
    style: Style,
) {
    let mut line = String::new();
    for (column, (cell, width)) in cells.iter().zip(widths).enumerate() {
        let padding = " ".repeat(width - cell.chars().count());
        match (column, outcome) {
            (4, Some(outcome)) => line.push_str(&table::in_colour(cell, outcome, style)),
            (2 | 3, _) => line.push_str(&format!("{padding}{cell}  ")),
            _ => line.push_str(&format!("{cell}{padding}  ")),
        }
    }
    out.push_str(line.trim_end());
    out.push('\n');
}
