//! Figures as comma-separated values (RFC 4180): a header, then one line a figure; what could not be measured has a
//! line without a value.

use super::contract::{AnalysedFile, FigureEntry};
use crate::figure::NotMeasured;
use crate::verdict::Outcome;
use serde::Serialize;

/// Names of the columns.
const HEADER: [&str; 31] = [
    "file",
    "simulated",
    "id",
    "channel",
    "value",
    "unit",
    "db",
    "uncertainty",
    "k",
    "low",
    "high",
    "order",
    "weighting",
    "band_low_hz",
    "band_high_hz",
    "frequency_hz",
    "level_dbfs",
    "level_v",
    "load_ohm",
    "driven",
    "mode",
    "input",
    "volume",
    "termination",
    "harmonics",
    "reference",
    "phase_deg",
    "limited_by",
    "verdict",
    "limit",
    "reason",
];

/// The figures of all files in one table.
pub fn figures(files: &[AnalysedFile]) -> String {
    let mut text = line(&HEADER.map(str::to_owned));
    for file in files {
        for figure in &file.figures {
            text.push_str(&line(&measured(file, figure)));
        }
        for missing in &file.not_measured {
            text.push_str(&line(&not_measured(file, missing)));
        }
    }
    text
}

fn measured(file: &AnalysedFile, f: &FigureEntry) -> [String; 31] {
    let c = &f.conditions;
    let verdict = f.verdict.as_ref();
    let harmonics = c.harmonics.as_ref().map(|orders| {
        let orders: Vec<String> = orders.iter().map(u32::to_string).collect();
        orders.join(" ")
    });
    [
        file.file.clone(),
        file.simulated.to_string(),
        f.id.name().to_owned(),
        f.channel.to_string(),
        f.value.to_string(),
        f.unit.symbol().to_owned(),
        text_of(f.db),
        f.uncertainty.to_string(),
        f.k.to_string(),
        f.interval[0].to_string(),
        f.interval[1].to_string(),
        text_of(f.order),
        word_of(&f.weighting),
        text_of(f.bandwidth_hz.map(|b| b.low_hz)),
        text_of(f.bandwidth_hz.map(|b| b.high_hz)),
        text_of(c.frequency_hz),
        text_of(c.level_dbfs),
        text_of(c.level_v),
        text_of(c.load_ohm),
        word_of(&c.driven),
        text_of(c.mode.as_ref()),
        text_of(c.input.as_ref()),
        text_of(c.volume.as_ref()),
        text_of(c.termination.as_ref()),
        text_of(harmonics),
        text_of(c.reference.as_ref()),
        text_of(c.phase_deg),
        word_of(&f.limited_by),
        word_of(&verdict.map(|v| v.outcome)),
        text_of(verdict.and_then(|v| v.limit)),
        text_of(verdict.map(|v| &v.reason)),
    ]
}

fn not_measured(file: &AnalysedFile, missing: &NotMeasured) -> [String; 31] {
    let mut fields: [String; 31] = Default::default();
    fields[0] = file.file.clone();
    fields[1] = file.simulated.to_string();
    fields[2] = missing.id.name().to_owned();
    fields[3] = missing.channel.to_string();
    fields[28] = word_of(&Some(Outcome::NotMeasured));
    fields[30].clone_from(&missing.reason);
    fields
}

fn text_of<T: ToString>(value: Option<T>) -> String {
    value.map(|v| v.to_string()).unwrap_or_default()
}

/// The word that JSON uses for a value that is written as a word there.
fn word_of<T: Serialize>(value: &Option<T>) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        _ => String::new(),
    }
}

/// Fields with commas, quotes or line breaks are quoted, quotes doubled (RFC 4180 section 2).
fn line(fields: &[String; 31]) -> String {
    let quoted: Vec<String> = fields
        .iter()
        .map(|field| {
            if field.contains([',', '"', '\n', '\r']) {
                format!("\"{}\"", field.replace('"', "\"\""))
            } else {
                field.clone()
            }
        })
        .collect();
    format!("{}\r\n", quoted.join(","))
}
