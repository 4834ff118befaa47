//! The versioned record of a job, `job.json`.

use super::connection::{Circuit, Connection};
use super::json;
use super::moment::Moment;
use crate::error::{Error, Kind, Result};
use crate::figure::FigureId;
use crate::rig::Rig;
use crate::signal::fingerprint;
use crate::unit::UnitSpec;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// Version tag of `job.json`.
pub const SCHEMA: &str = "asleft.job.v1";

/// All that is known of one unit's visit, but the samples.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Record {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Name of the job's folder: date, model, serial.
    pub id: String,
    /// When it was opened.
    pub opened: Moment,
    /// Who does the work.
    pub workshop: String,
    /// Whose unit it is.
    pub owner: String,
    /// Serial number of the unit; empty where it has none.
    #[serde(default)]
    pub serial: String,
    /// The complaint, in the owner's words.
    #[serde(default)]
    pub complaint: String,
    /// What was found, in plain words for the owner.
    #[serde(default)]
    pub found: String,
    /// What was done, one piece of work an entry.
    #[serde(default)]
    pub work: Vec<String>,
    /// Remarks for the trade.
    #[serde(default)]
    pub notes: Vec<String>,
    /// The rated specification as it was when the job was opened.
    pub unit: UnitSpec,
    /// What the job is measured on, fixed when it is opened.
    pub bench: BenchKind,
    /// Every rig that captures of this job were made with, by the SHA-256 of its data.
    #[serde(default)]
    pub rigs: BTreeMap<String, Rig>,
    /// The one of them that was kept last, by the same name; `None` in records of earlier versions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rig_in_use: Option<String>,
    /// Stages, in the order they were begun.
    #[serde(default)]
    pub stages: Vec<Stage>,
    /// Every time the unit was to be connected to a live bench, in order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub connections: Vec<Connection>,
}

/// What a job is measured on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BenchKind {
    /// The simulated amplifier: nothing in the job is real, and every page says so.
    Simulated,
    /// An interface with its rig.
    Live,
}

/// A set of readings of the unit in one condition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stage {
    /// Before, after, both, or none.
    pub kind: StageKind,
    /// When it was begun.
    pub begun: Moment,
    /// Why the unit could not be measured; only with [`StageKind::Inoperable`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// In the order they were made.
    #[serde(default)]
    pub measurements: Vec<Measurement>,
}

/// The trade's words for when readings were taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StageKind {
    /// Before any repair or adjustment.
    AsFound,
    /// After the work.
    AsLeft,
    /// The unit passed untouched: one set of readings is both.
    FoundLeft,
    /// The unit could not be powered or measured as it came: there are no as-found readings.
    Inoperable,
}

impl StageKind {
    /// The name for people.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::AsFound => "as found",
            Self::AsLeft => "as left",
            Self::FoundLeft => "found-left",
            Self::Inoperable => "inoperable",
        }
    }

    /// Whether the readings tell the unit's condition before the work.
    pub fn tells_before(self) -> bool {
        matches!(self, Self::AsFound | Self::FoundLeft)
    }

    /// Whether the readings tell the unit's condition after the work.
    pub fn tells_after(self) -> bool {
        matches!(self, Self::AsLeft | Self::FoundLeft)
    }
}

/// One measurement: what was asked, and the captures that answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measurement {
    /// Name, as in the names of its captures.
    pub name: String,
    /// Figures that were asked for.
    pub figures: Vec<FigureId>,
    /// Its captures, in order.
    #[serde(default)]
    pub takes: Vec<TakeRef>,
}

/// A capture that belongs to a measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TakeRef {
    /// `NNN-figure`: the common name of the WAV file and its sidecar.
    pub capture: String,
    /// SHA-256 of the sidecar, which in turn holds that of the WAV file.
    pub sidecar_sha256: String,
}

impl Record {
    /// The record of a job that is opened at `opened` for `unit`, with nothing done yet. Its name is made of the date, the
    /// model and `last`: the serial number, or what tells the job from others of the day.
    pub fn new(opened: Moment, unit: UnitSpec, last: &str, bench: BenchKind) -> Self {
        Self {
            schema: SCHEMA.to_owned(),
            id: plain_name(&format!("{} {} {last}", opened.date(), unit.model)),
            opened,
            workshop: String::new(),
            owner: String::new(),
            serial: String::new(),
            complaint: String::new(),
            found: String::new(),
            work: Vec::new(),
            notes: Vec::new(),
            unit,
            bench,
            rigs: BTreeMap::new(),
            rig_in_use: None,
            stages: Vec::new(),
            connections: Vec::new(),
        }
    }

    /// Reads a record of any version.
    ///
    /// # Errors
    /// Where the text is damaged, newer than this program, or contradicts itself.
    pub fn read(text: &str, path: &Path) -> Result<Self> {
        let record: Self = json::read(text, SCHEMA, path)?;
        record.check().map_err(|e| e.at_path(path))?;
        Ok(record)
    }

    /// The text of `job.json`.
    ///
    /// # Errors
    /// Where a number in it is not finite.
    pub fn to_text(&self) -> Result<String> {
        to_text(self)
    }

    /// What holds of every record.
    ///
    /// # Errors
    /// Names the first contradiction.
    pub fn check(&self) -> Result<()> {
        let refuse = |what: String, next: &str| Err(Error::new(Kind::Value, what).next(next.to_owned()));
        if !is_plain_name(&self.id) {
            return refuse(
                format!("\"{}\" cannot name a job's folder", self.id),
                "use small letters, digits and hyphens",
            );
        }
        if self.bench == BenchKind::Live && self.rigs.is_empty() {
            return refuse("a live job needs a rig".to_owned(), "name its rig file");
        }
        for stage in &self.stages {
            if (stage.kind == StageKind::Inoperable) != stage.reason.is_some() {
                return refuse(
                    format!("the stage {} and its reason do not fit", stage.kind.in_words()),
                    "give a reason where the unit was inoperable, and only there",
                );
            }
        }
        match self.takes().find(|take| !is_plain_name(&take.capture)) {
            Some(take) => refuse(
                format!("\"{}\" cannot name a capture", take.capture),
                "restore the record from a copy",
            ),
            None => Ok(()),
        }
    }

    /// Every capture of the record, in order.
    pub fn takes(&self) -> impl Iterator<Item = &TakeRef> {
        self.stages
            .iter()
            .flat_map(|stage| &stage.measurements)
            .flat_map(|measurement| &measurement.takes)
    }

    /// Keeps a snapshot of `rig` and returns the SHA-256 that captures refer to it by.
    ///
    /// # Errors
    /// Where a number in it is not finite.
    pub fn keep_rig(&mut self, rig: &Rig) -> Result<String> {
        let sha256 = fingerprint::of_bytes(to_text(rig)?.as_bytes());
        self.rigs.entry(sha256.clone()).or_insert_with(|| rig.clone());
        self.rig_in_use = Some(sha256.clone());
        Ok(sha256)
    }

    /// The rig that the job is measured with: the one that was kept last; in records of earlier versions, the only one.
    pub fn rig(&self) -> Option<&Rig> {
        match &self.rig_in_use {
            Some(sha256) => self.rigs.get(sha256),
            None => self.rigs.values().next(),
        }
    }

    /// The connection that was made last, if it is `circuit` and was made for `stage` on the day of `now`.
    pub fn standing(&self, circuit: &Circuit, stage: StageKind, now: Moment) -> Option<&Connection> {
        self.connections.last().filter(|c| c.holds(circuit, stage, now))
    }

    /// The stage of this kind, begun at `at` if it is not there yet.
    pub fn stage_mut(&mut self, kind: StageKind, at: Moment) -> &mut Stage {
        let index = match self.stages.iter().position(|stage| stage.kind == kind) {
            Some(index) => index,
            None => {
                self.stages.push(Stage {
                    kind,
                    begun: at,
                    reason: None,
                    measurements: Vec::new(),
                });
                self.stages.len() - 1
            }
        };
        &mut self.stages[index]
    }
}

impl Stage {
    /// The measurement of this name, added if it is not there yet.
    pub fn measurement_mut(&mut self, name: &str, figures: &[FigureId]) -> &mut Measurement {
        let index = match self.measurements.iter().position(|m| m.name == name) {
            Some(index) => index,
            None => {
                self.measurements.push(Measurement {
                    name: name.to_owned(),
                    figures: figures.to_vec(),
                    takes: Vec::new(),
                });
                self.measurements.len() - 1
            }
        };
        &mut self.measurements[index]
    }
}

/// Small letters, digits and single hyphens of `text`, so that it can name a file on every system.
pub fn plain_name(text: &str) -> String {
    let mut name = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() {
            name.push(c.to_ascii_lowercase());
        } else if !name.is_empty() && !name.ends_with('-') {
            name.push('-');
        }
    }
    name.trim_end_matches('-').to_owned()
}

/// Whether `name` can be a file's name and cannot lead out of its folder.
fn is_plain_name(name: &str) -> bool {
    !name.is_empty() && name == plain_name(name)
}

/// The text that is written and hashed.
pub(super) fn to_text<T: Serialize>(value: &T) -> Result<String> {
    let mut text = serde_json::to_string_pretty(value).map_err(|e| {
        Error::new(Kind::Value, format!("this cannot be written as JSON: {e}"))
            .next("please report this: the program made a value that it cannot write")
    })?;
    text.push('\n');
    Ok(text)
}
