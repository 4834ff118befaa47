//! Figures as a table for terminals: what | left | right | ± U and unit | rated | verdict. Conditions head the rows that
//! share them; limit and verdict stand only where something was judged.

use super::number::{Scale, Shown, honest};
use super::words;
use crate::figure::{Channel, Figure, FigureId, NotMeasured};
use crate::quantity::significant;
use crate::verdict::{Outcome, Verdict};

/// One figure with its limit and verdict, if it was judged.
#[derive(Debug, Clone)]
pub struct Line<'a> {
    /// The figure.
    pub figure: &'a Figure,
    /// The limit in words, from [`words::limit`].
    pub rated: Option<String>,
    /// The verdict.
    pub verdict: Option<&'a Verdict>,
}

/// How to write.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Style {
    /// Columns of the terminal.
    pub width: usize,
    /// Whether escape sequences may colour the verdicts; their words and marks are always there.
    pub colour: bool,
    /// Whether nothing was real; the first line then says so.
    pub simulated: bool,
}

/// Spaces between two columns.
const GAP: usize = 2;

/// A row: the same figure of several channels under the same conditions.
struct Row<'a> {
    name: String,
    conditions: String,
    lines: Vec<&'a Line<'a>>,
}

/// The table, with a line feed after each line; figures keep their order, those of the same name and conditions share
/// a row. What could not be measured follows with its reason.
pub fn figures(lines: &[Line<'_>], not_measured: &[NotMeasured], style: Style) -> String {
    let mut out = String::new();
    if style.simulated {
        out.push_str("SIMULATED: no real amplifier was measured\n");
    }
    let rows = rows(lines);
    let channels = channels(lines);
    let cells: Vec<Vec<String>> = rows.iter().map(|row| cells(row, &channels)).collect();
    let mut head = vec![String::new()];
    head.extend(channels.iter().map(Channel::to_string));
    head.extend(["± U", "rated", "verdict"].map(str::to_owned));
    let widths = widths(&head, &cells);
    let whole: usize = widths.iter().map(|w| w + GAP).sum();
    // Where nothing was judged there is nothing to say of limits; a terminal too narrow for all columns has them on a
    // line of their own.
    let judged = lines.iter().any(|l| l.verdict.is_some() || l.rated.is_some());
    let columns = if judged && whole <= style.width {
        head.len()
    } else {
        head.len() - 2
    };
    if !rows.is_empty() {
        put(&mut out, &head[..columns], &widths);
    }
    let mut last = None;
    for (row, cells) in rows.iter().zip(&cells) {
        if last != Some(&row.conditions) {
            let conditions = if row.conditions.is_empty() {
                "without a band"
            } else {
                &row.conditions
            };
            let needless = last.is_none() && row.conditions.is_empty();
            out.push_str(&if needless {
                String::new()
            } else {
                wrapped(conditions, "", style.width)
            });
        }
        last = Some(&row.conditions);
        put(&mut out, &coloured(&cells[..columns], row, style), &widths);
        let rest = cells[columns..].join("  ");
        if !rest.trim().is_empty() {
            out.push_str(&format!("    {}\n", rest.trim()));
        }
        reasons(&mut out, row, style);
    }
    for missing in not_measured {
        let text = format!(
            "– {}, {}: not measured: {}",
            words::name(missing.id),
            missing.channel,
            missing.reason
        );
        out.push_str(&wrapped(&text, "  ", style.width));
    }
    out
}

fn rows<'a>(lines: &'a [Line<'a>]) -> Vec<Row<'a>> {
    let mut rows: Vec<Row<'a>> = Vec::new();
    for line in lines {
        let name = name(line.figure);
        let fits = |row: &&mut Row<'_>| {
            row.name == name
                && alike(row.lines[0].figure, line.figure)
                && row
                    .lines
                    .iter()
                    .all(|l| l.figure.unit == line.figure.unit && l.figure.channel != line.figure.channel)
        };
        match rows.iter_mut().rev().find(fits) {
            Some(row) => row.lines.push(line),
            None => rows.push(Row {
                name,
                conditions: shared_conditions(line.figure),
                lines: vec![line],
            }),
        }
    }
    rows
}

/// Levels and loads of two channels of one take are nearer than this, dB; those that were meant to differ are further
/// apart.
const ONE_LEVEL_DB: f64 = 1.0;

/// Whether two figures may share the line of conditions above them: only phases and a little of level and load
/// differ.
pub(super) fn alike(a: &Figure, b: &Figure) -> bool {
    let near = |x: Option<f64>, y: Option<f64>| match (x, y) {
        (Some(x), Some(y)) => (x - y).abs() < ONE_LEVEL_DB,
        (x, y) => x.is_none() && y.is_none(),
    };
    let volts = |f: &Figure| f.conditions.level_v.map(|v| 20.0 * v.log10());
    let rest = |f: &Figure| {
        let mut f = f.clone();
        (
            f.conditions.level_v,
            f.conditions.level_dbfs,
            f.conditions.load_ohm,
        ) = (None, None, None);
        shared_conditions(&f)
    };
    let ohms = |f: &Figure| f.conditions.load_ohm.map(|ohm| 20.0 * ohm.log10());
    near(a.conditions.level_dbfs, b.conditions.level_dbfs)
        && near(volts(a), volts(b))
        && near(ohms(a), ohms(b))
        && rest(a) == rest(b)
}

/// Conditions as they stand above the rows that share them. A mains line has its frequency in its name.
pub(super) fn shared_conditions(figure: &Figure) -> String {
    let mut conditions = figure.conditions.clone();
    conditions.level_dbfs = conditions.level_dbfs.map(f64::round);
    conditions.level_v = conditions.level_v.and_then(|v| significant(v, 2).parse().ok());
    conditions.load_ohm = conditions
        .load_ohm
        .and_then(|ohm| significant(ohm, 2).parse().ok());
    conditions.phase_deg = None;
    conditions.harmonics = None;
    let of_mains = matches!(figure.id, FigureId::Hum | FigureId::HumLine);
    conditions.frequency_hz = conditions.frequency_hz.map(f64::round).filter(|_| !of_mains);
    words::conditions(&conditions, figure.band)
}

/// The figure's name; of a mains line with its frequency.
fn name(figure: &Figure) -> String {
    let name = words::full_name(figure);
    match figure
        .conditions
        .frequency_hz
        .filter(|_| figure.id == FigureId::HumLine)
    {
        Some(hz) => format!("{name}, {hz:.0} Hz"),
        None => name,
    }
}

fn channels(lines: &[Line<'_>]) -> Vec<Channel> {
    let mut channels: Vec<Channel> = lines.iter().map(|l| l.figure.channel).collect();
    channels.sort();
    channels.dedup();
    channels
}

/// Name, one value a channel, U with the unit, limit, verdict.
fn cells(row: &Row<'_>, channels: &[Channel]) -> Vec<String> {
    let unit = row.lines[0].figure.unit;
    let size = row
        .lines
        .iter()
        .map(|l| l.figure.estimate.value.abs())
        .fold(0.0, f64::max);
    let scale = Scale::for_value(size, unit);
    let spread = Spread::of(row, &scale);
    let mut cells = vec![format!("  {}", row.name)];
    for channel in channels {
        let line = row.lines.iter().find(|l| l.figure.channel == *channel);
        cells.push(line.map_or_else(String::new, |l| value(l.figure, &scale, spread.above)));
    }
    cells.push(spread.in_words(size * scale.factor, &scale.symbol));
    let rated = row.lines.iter().find_map(|l| l.rated.clone());
    cells.push(rated.unwrap_or_default());
    cells.push(worst(row).map_or_else(String::new, |v| {
        format!("{} {}", words::mark(v), words::outcome(v))
    }));
    cells
}

/// How far the intervals of a row reach, the widest of its channels; upper limits have no interval to show.
struct Spread {
    below: f64,
    above: f64,
}

/// An interval that reaches this much further down than up is not shown by one number.
const LOPSIDED: f64 = 1.5;

impl Spread {
    fn of(row: &Row<'_>, scale: &Scale) -> Self {
        let mut spread = Self {
            below: 0.0,
            above: 0.0,
        };
        for figure in row.lines.iter().map(|l| l.figure).filter(|f| !f.upper_limit) {
            let (low, high) = figure.estimate.interval();
            spread.below = spread.below.max((figure.estimate.value - low) * scale.factor);
            spread.above = spread.above.max((high - figure.estimate.value) * scale.factor);
        }
        spread
    }

    fn in_words(&self, value: f64, symbol: &str) -> String {
        let (below, above) = (
            honest(value, self.below, symbol).1,
            honest(value, self.above, symbol).1,
        );
        match (below.as_str(), above.as_str()) {
            ("0", "0") => symbol.to_owned(),
            _ if self.below > LOPSIDED * self.above || self.above > LOPSIDED * self.below => {
                format!("+ {above} − {below} {symbol}")
            }
            _ => format!(
                "± {} {symbol}",
                if self.below > self.above { below } else { above }
            ),
        }
    }
}

fn value(figure: &Figure, scale: &Scale, u: f64) -> String {
    if figure.upper_limit {
        return Shown::figure_in(figure, scale).value;
    }
    honest(figure.estimate.value * scale.factor, u, &scale.symbol).0
}

/// The outcome of a row: its gravest.
fn worst(row: &Row<'_>) -> Option<Outcome> {
    let outcomes = row.lines.iter().filter_map(|l| l.verdict.map(|v| v.outcome));
    outcomes.max_by_key(|o| words::gravity(*o))
}

fn widths(head: &[String], cells: &[Vec<String>]) -> Vec<usize> {
    let width = |i: usize| cells.iter().map(|row| row[i].chars().count()).max().unwrap_or(0);
    head.iter()
        .enumerate()
        .map(|(i, h)| h.chars().count().max(width(i)))
        .collect()
}

/// Names to the left, values to the right, the rest to the left.
fn put(out: &mut String, cells: &[String], widths: &[usize]) {
    let values = 1..widths.len() - 3;
    let mut line = String::new();
    for (i, cell) in cells.iter().enumerate() {
        let shown = cell.chars().filter(|c| *c != '\u{1b}').count();
        let pad = " ".repeat(widths[i].saturating_sub(shown));
        let gap = if i == 0 { "" } else { "  " };
        line.push_str(gap);
        line.push_str(&if values.contains(&i) {
            format!("{pad}{cell}")
        } else {
            format!("{cell}{pad}")
        });
    }
    out.push_str(line.trim_end());
    out.push('\n');
}

/// The verdict's cell in colour, where that is wanted. It is the last one, so that escapes cost no alignment.
fn coloured(cells: &[String], row: &Row<'_>, style: Style) -> Vec<String> {
    let mut cells = cells.to_vec();
    let all_columns = cells.len() > 1 && style.colour;
    if let (true, Some(outcome), Some(last)) = (all_columns, worst(row), cells.last_mut())
        && last.ends_with(words::outcome(outcome))
    {
        *last = in_colour(last, outcome, style);
    }
    cells
}

/// `text` in the colour of `outcome`, where colour is wanted.
pub(super) fn in_colour(text: &str, outcome: Outcome, style: Style) -> String {
    let code = match outcome {
        Outcome::Pass => "32",
        Outcome::Fail => "1;31",
        Outcome::CannotTell | Outcome::NotMeasured => "1;33",
    };
    if style.colour {
        format!("\u{1b}[{code}m{text}\u{1b}[0m")
    } else {
        text.to_owned()
    }
}

/// Why something failed or cannot be told, channel by channel.
fn reasons(out: &mut String, row: &Row<'_>, style: Style) {
    for line in &row.lines {
        let Some(verdict) = line.verdict.filter(|v| v.outcome != Outcome::Pass) else {
            continue;
        };
        if !verdict.reason.is_empty() {
            let text = format!(
                "{} {}: {}",
                words::mark(verdict.outcome),
                line.figure.channel,
                verdict.reason
            );
            out.push_str(&wrapped(&text, "      ", style.width));
        }
    }
}

/// `text` in lines of at most `width` characters, each after `indent`.
pub fn wrapped(text: &str, indent: &str, width: usize) -> String {
    let room = width.saturating_sub(indent.len()).max(20);
    let mut out = String::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > room {
            out.push_str(&format!("{indent}{line}\n"));
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    out.push_str(&format!("{indent}{line}\n"));
    out
}
