//! Two sides of a comparison as a table for terminals and as JSON.

use super::number::{Scale, Shown, honest};
use super::table::{alike, shared_conditions, wrapped};
use super::words;
use crate::error::{Error, Kind, Result};
use crate::figure::{Figure, Findings, Unit};
use crate::figures::difference::Difference;
use crate::verdict::is_real;

/// Version tag of the JSON document.
pub const SCHEMA: &str = "asleft.comparison.v1";

/// Two sides with their names, and what they have in common.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// What each side is called.
    pub names: [String; 2],
    /// Every figure that both have.
    pub differences: Vec<Difference>,
    /// Figures of the pair itself, such as `noise_change`.
    pub of_the_pair: Findings,
    /// Something on either side is not of a real amplifier.
    pub simulated: bool,
}

/// Columns: figure, channel, first, second, change, whether it is real.
const COLUMNS: usize = 6;

/// Width that notes are wrapped at.
const WIDTH: usize = 100;

/// A group of rows under the conditions that they share.
struct Group {
    /// Its first figure: the conditions of all.
    first: Figure,
    rows: Vec<[String; COLUMNS]>,
}

/// The table, with a line feed after each line. A level that is known in volts is not said again in decibels, and what
/// is only an upper limit on both sides is left out, with a line that says so; the JSON document has all.
pub fn table(comparison: &Comparison) -> String {
    let Comparison {
        names,
        differences,
        of_the_pair,
        simulated,
    } = comparison;
    let mut groups: Vec<Group> = Vec::new();
    let bounded = |d: &&Difference| d.first.upper_limit && d.second.upper_limit;
    for d in differences
        .iter()
        .filter(|d| !bounded(d) && !is_said_in_volts(&d.first, differences))
    {
        add(&mut groups, &shared(d), of_difference(d));
    }
    for figure in &of_the_pair.figures {
        add(&mut groups, figure, of_pair(figure));
    }
    let head = ["", "", names[0].as_str(), names[1].as_str(), "change", "real?"].map(str::to_owned);
    let mut out = String::new();
    if *simulated {
        out.push_str("SIMULATED: no real amplifier was measured\n");
    }
    out.push_str(&aligned(&head, &groups));
    match differences.iter().filter(bounded).count() {
        0 => {}
        count => out.push_str(&format!(
            "{count} more {} only upper limits on both sides: nothing can be said of their change\n",
            if count == 1 { "figure is" } else { "figures are" }
        )),
    }
    for note in &of_the_pair.notes {
        out.push_str(&wrapped(note, "", WIDTH));
    }
    for missing in &of_the_pair.not_measured {
        let text = format!(
            "– {}, {}: not measured: {}",
            words::name(missing.id),
            missing.channel,
            missing.reason
        );
        out.push_str(&wrapped(&text, "", WIDTH));
    }
    out
}

/// The first side without the mode where that is what is compared.
fn shared(d: &Difference) -> Figure {
    let mut figure = d.first.clone();
    if figure.conditions.mode != d.second.conditions.mode {
        figure.conditions.mode = None;
    }
    figure
}

/// Whether the same figure is among the differences in volts.
fn is_said_in_volts(figure: &Figure, differences: &[Difference]) -> bool {
    let same = |other: &Figure| {
        other.unit == Unit::Volts
            && other.id == figure.id
            && other.channel == figure.channel
            && other.order == figure.order
            && other.weighting == figure.weighting
            && other.band == figure.band
            && other.conditions == figure.conditions
    };
    matches!(figure.unit, Unit::Dbfs | Unit::Dbv) && differences.iter().any(|d| same(&d.first))
}

fn add(groups: &mut Vec<Group>, figure: &Figure, row: [String; COLUMNS]) {
    match groups.iter_mut().find(|g| alike(&g.first, figure)) {
        Some(group) => group.rows.push(row),
        None => groups.push(Group {
            first: figure.clone(),
            rows: vec![row],
        }),
    }
}

fn of_difference(d: &Difference) -> [String; COLUMNS] {
    let scale = Scale::for_value(d.first.estimate.value, d.first.unit);
    let (change, real) = if d.first.upper_limit || d.second.upper_limit {
        (String::new(), "one is an upper limit")
    } else {
        (change(d, &scale), is_it(is_real(&d.change)))
    };
    [
        format!("  {}", words::full_name(&d.first)),
        d.first.channel.to_string(),
        Shown::figure_in(&d.first, &scale).line(),
        Shown::figure_in(&d.second, &scale).line(),
        change,
        real.to_owned(),
    ]
}

fn of_pair(figure: &Figure) -> [String; COLUMNS] {
    [
        format!("  {}", words::full_name(figure)),
        figure.channel.to_string(),
        String::new(),
        String::new(),
        Shown::figure(figure).line(),
        is_it(is_real(&figure.estimate)).to_owned(),
    ]
}

fn is_it(real: bool) -> &'static str {
    if real { "yes" } else { "not shown" }
}

fn change(d: &Difference, scale: &Scale) -> String {
    let (value, u) = honest(
        d.change.value * scale.factor,
        d.change.expanded() * scale.factor,
        &scale.symbol,
    );
    // The difference of two levels is a ratio: decibels, whatever both refer to.
    let unit = match d.first.unit {
        Unit::Dbfs | Unit::Dbv => Unit::Decibels.symbol(),
        _ => &scale.symbol,
    };
    let sign = if d.change.value > 0.0 { "+" } else { "" };
    format!("{sign}{value} ± {u} {unit}")
}

/// Names and words to the left, values to the right.
fn aligned(head: &[String; COLUMNS], groups: &[Group]) -> String {
    let mut widths = head.each_ref().map(|cell| cell.chars().count());
    for row in groups.iter().flat_map(|g| &g.rows) {
        for (width, cell) in widths.iter_mut().zip(row) {
            *width = (*width).max(cell.chars().count());
        }
    }
    let line = |row: &[String; COLUMNS]| {
        let mut line = String::new();
        for (column, (cell, width)) in row.iter().zip(widths).enumerate() {
            let padding = " ".repeat(width - cell.chars().count());
            line.push_str(&if (2..5).contains(&column) {
                format!("{padding}{cell}  ")
            } else {
                format!("{cell}{padding}  ")
            });
        }
        format!("{}\n", line.trim_end())
    };
    let mut out = line(head);
    for group in groups {
        let conditions = shared_conditions(&group.first);
        if !conditions.is_empty() {
            out.push_str(&wrapped(&conditions, "", WIDTH));
        }
        group.rows.iter().for_each(|row| out.push_str(&line(row)));
    }
    out
}

/// The JSON document.
///
/// # Errors
/// Where a number is not finite.
pub fn json(comparison: &Comparison) -> Result<String> {
    let Comparison {
        names,
        differences,
        of_the_pair,
        simulated,
    } = comparison;
    let entries: Vec<serde_json::Value> = differences
        .iter()
        .map(|d| {
            let (low, high) = d.change.interval();
            serde_json::json!({
                "id": d.first.id, "channel": d.first.channel, "unit": d.first.unit, "order": d.first.order,
                "weighting": d.first.weighting, "bandwidth_hz": d.first.band,
                "first": d.first.estimate.value, "second": d.second.estimate.value,
                "change": d.change.value, "uncertainty": d.change.expanded(), "interval": [low, high],
                "real": is_real(&d.change) && !d.first.upper_limit && !d.second.upper_limit,
            })
        })
        .collect();
    let pair: Vec<_> = of_the_pair
        .figures
        .iter()
        .filter_map(|f| super::contract::FigureEntry::new(f, None))
        .collect();
    let document = serde_json::json!({
        "schema": SCHEMA, "simulated": simulated, "first": names[0], "second": names[1], "differences": entries, "figures": pair,
        "not_measured": of_the_pair.not_measured, "notes": of_the_pair.notes,
    });
    serde_json::to_string_pretty(&document)
        .map_err(|e| Error::new(Kind::Value, format!("the result cannot be written: {e}")))
}
