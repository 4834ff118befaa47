//! The JSON document that `analyse --json` and its like print: `asleft.figures.v1`.
//!
//! Every key is always there, `null` where nothing is known. A number that is not finite never reaches it: a figure
//! that has one stands in `not_measured` instead, a point of a curve is left out, a condition is `null`.

use crate::error::{Error, Kind, Result};
use crate::figure::{
    Band, Channel, Conditions, Curve, Figure, FigureId, Findings, LimitedBy, NotMeasured, Unit, Weighting,
};
use crate::signal::source::Format;
use crate::take::alignment::Alignment;
use crate::take::integrity::Integrity;
use crate::verdict::Verdict;
use serde::Serialize;

/// Version tag of the document.
pub const SCHEMA: &str = "asleft.figures.v1";

/// The document.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Document {
    /// Always [`SCHEMA`].
    pub schema: &'static str,
    /// One entry a file that could be read.
    pub files: Vec<AnalysedFile>,
}

impl Document {
    /// The document of these files.
    pub fn of(files: Vec<AnalysedFile>) -> Self {
        Self {
            schema: SCHEMA,
            files,
        }
    }

    /// The text on standard output.
    ///
    /// # Errors
    /// Never for what [`AnalysedFile::new`] made.
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string_pretty(self).map_err(|e| unwritable(&e))
    }
}

/// What is known of a file before its findings.
#[derive(Debug, Clone, PartialEq)]
pub struct FileFacts {
    /// Name as it was given.
    pub file: String,
    /// SHA-256 in hexadecimal.
    pub sha256: String,
    /// Shape.
    pub format: Format,
    /// Made by the simulated bench.
    pub simulated: bool,
    /// `tone`, `two_tone`, `silence`, `sweep`, `noise` or `unknown`.
    pub recognised_as: &'static str,
    /// Where it lies against its stimulus; `None` where that is not known.
    pub alignment: Option<Alignment>,
    /// Damage.
    pub integrity: Integrity,
}

/// One file of the document.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the contract in DEVELOPERS.md defines each key once")]
pub struct AnalysedFile {
    pub file: String,
    pub sha256: String,
    pub sample_rate_hz: u32,
    pub channels: usize,
    pub duration_s: f64,
    pub simulated: bool,
    pub recognised_as: &'static str,
    pub alignment: Option<Alignment>,
    pub integrity: Integrity,
    pub figures: Vec<FigureEntry>,
    pub not_measured: Vec<NotMeasured>,
    pub curves: Vec<CurveEntry>,
}

/// One figure of the document.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the contract in DEVELOPERS.md defines each key once")]
pub struct FigureEntry {
    pub id: FigureId,
    pub channel: Channel,
    pub value: f64,
    pub unit: Unit,
    pub db: Option<f64>,
    pub uncertainty: f64,
    pub k: f64,
    pub interval: [f64; 2],
    pub order: Option<u32>,
    pub weighting: Option<Weighting>,
    pub bandwidth_hz: Option<Band>,
    pub conditions: Conditions,
    pub limited_by: Option<LimitedBy>,
    pub verdict: Option<Verdict>,
}

/// One curve of the document.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the contract in DEVELOPERS.md defines each key once")]
pub struct CurveEntry {
    pub id: FigureId,
    pub channel: Channel,
    pub order: Option<u32>,
    pub x: Vec<f64>,
    pub x_unit: Unit,
    pub y: Vec<f64>,
    pub y_unit: Unit,
    pub corrected_for_rig: bool,
}

impl AnalysedFile {
    /// Puts together what was found in a file. `verdicts` goes with `findings.figures`, entry by entry; what it lacks
    /// was not judged. `findings.notes` are for people: the command prints them on standard error.
    pub fn new(facts: FileFacts, findings: &Findings, verdicts: &[Option<Verdict>]) -> Self {
        let mut not_measured = findings.not_measured.clone();
        let mut figures = Vec::with_capacity(findings.figures.len());
        for (index, figure) in findings.figures.iter().enumerate() {
            let verdict = verdicts.get(index).cloned().flatten();
            match FigureEntry::new(figure, verdict) {
                Some(entry) => figures.push(entry),
                None => not_measured.push(not_a_number(figure)),
            }
        }
        Self {
            file: facts.file,
            sha256: facts.sha256,
            sample_rate_hz: facts.format.sample_rate_hz,
            channels: facts.format.channels,
            duration_s: finite(facts.format.seconds()).unwrap_or(0.0),
            simulated: facts.simulated,
            recognised_as: facts.recognised_as,
            alignment: facts
                .alignment
                .filter(|a| a.delay_s.is_finite() && a.clock_ppm.is_finite()),
            integrity: without_infinite_times(facts.integrity),
            figures,
            not_measured,
            curves: findings.curves.iter().map(CurveEntry::new).collect(),
        }
    }

    /// One line of `--json-lines`, without its line feed.
    ///
    /// # Errors
    /// Never for what [`AnalysedFile::new`] made.
    pub fn to_json_line(&self) -> Result<String> {
        serde_json::to_string(self).map_err(|e| unwritable(&e))
    }
}

impl FigureEntry {
    /// `None` where the value or its uncertainty is not a number.
    pub fn new(figure: &Figure, verdict: Option<Verdict>) -> Option<Self> {
        let (low, high) = figure.estimate.interval();
        Some(Self {
            id: figure.id,
            channel: figure.channel,
            value: finite(figure.estimate.value)?,
            unit: figure.unit,
            db: figure.db.and_then(finite),
            uncertainty: finite(figure.estimate.expanded())?,
            k: finite(figure.estimate.k())?,
            interval: [finite(low)?, finite(high)?],
            order: figure.order,
            weighting: figure.weighting,
            bandwidth_hz: figure
                .band
                .filter(|b| b.low_hz.is_finite() && b.high_hz.is_finite()),
            conditions: finite_conditions(&figure.conditions),
            limited_by: figure.limited_by,
            verdict: verdict.map(|v| Verdict {
                limit: v.limit.and_then(finite),
                ..v
            }),
        })
    }
}

impl CurveEntry {
    /// The curve without the points that are not numbers.
    pub fn new(curve: &Curve) -> Self {
        let (x, y) = curve
            .x
            .iter()
            .zip(&curve.y)
            .filter(|(x, y)| x.is_finite() && y.is_finite())
            .unzip();
        Self {
            id: curve.id,
            channel: curve.channel,
            order: curve.order,
            x,
            x_unit: curve.x_unit,
            y,
            y_unit: curve.y_unit,
            corrected_for_rig: curve.corrected_for_rig,
        }
    }
}

fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

fn finite_conditions(conditions: &Conditions) -> Conditions {
    Conditions {
        frequency_hz: conditions.frequency_hz.and_then(finite),
        level_dbfs: conditions.level_dbfs.and_then(finite),
        level_v: conditions.level_v.and_then(finite),
        load_ohm: conditions.load_ohm.and_then(finite),
        phase_deg: conditions.phase_deg.and_then(finite),
        ..conditions.clone()
    }
}

fn without_infinite_times(mut integrity: Integrity) -> Integrity {
    integrity.discontinuities.retain(|d| d.at_s.is_finite());
    integrity
}

fn not_a_number(figure: &Figure) -> NotMeasured {
    NotMeasured {
        id: figure.id,
        channel: figure.channel,
        code: "not_a_number".to_owned(),
        reason: "the value or its uncertainty has no finite size: there is no signal, or the capture holds samples \
                 that are not numbers; record it again"
            .to_owned(),
    }
}

fn unwritable(cause: &serde_json::Error) -> Error {
    Error::new(
        Kind::Value,
        format!("the figures cannot be written as JSON: {cause}"),
    )
    .next("please report this with the file that was analysed")
}
