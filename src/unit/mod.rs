//! The rated specification of a model: what the maker stated, and under which conditions.
//!
//! A unit file describes a model, never one specimen of it: serial number, owner and readings belong to the job.
//! [`mod@file`] reads, checks and writes it, [`rules`] says in which units and directions a figure can be rated, and
//! [`Reference`] is what a signal-to-noise ratio refers to.

mod check;
mod check_rated;
pub mod file;
pub mod reference;
pub mod rules;

pub use reference::Reference;

use crate::figure::{Band, Driven, FigureId, Unit, Weighting};
use crate::quantity::{Ohms, Volts, Watts};
use serde::{Deserialize, Serialize};

/// Version tag of unit files.
pub const SCHEMA: &str = "asleft.unit.v1";

/// A model's rated specification.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UnitSpec {
    /// Version of this format: `asleft.unit.v1`.
    pub schema: String,
    /// Maker's model name.
    pub model: String,
    /// Remarks: where the rated values were taken from.
    #[serde(default)]
    pub source: Option<String>,
    /// Speaker and other outputs.
    pub outputs: Vec<Output>,
    /// Inputs.
    pub inputs: Vec<Input>,
    /// Operating modes; empty where there is only one.
    #[serde(default)]
    pub modes: Vec<Mode>,
    /// Rated power.
    pub power: RatedPower,
    /// Rated figures.
    #[serde(default)]
    pub rated: Vec<Rated>,
    /// Adjustment targets (DC offset, idle voltage).
    #[serde(default)]
    pub adjustments: Vec<Adjustment>,
}

/// One output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Output {
    /// Name on the panel.
    pub name: String,
    /// Loads that may be connected, Ω.
    pub loads_ohm: Vec<f64>,
    /// How the output stage is built.
    pub stage: OutputStage,
}

/// Kinds of output stage that matter for connecting loads and grounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OutputStage {
    /// Direct-coupled, negative terminal grounded.
    Grounded,
    /// Capacitor-coupled, negative terminal grounded.
    CapacitorCoupled,
    /// Output transformer: never without a load.
    TransformerCoupled,
    /// Both terminals driven.
    Bridged,
    /// Negative terminal neither driven nor grounded.
    Floating,
}

/// One input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Input {
    /// Name on the panel.
    pub name: String,
    /// Input voltage for rated output, V rms.
    pub sensitivity_v: f64,
    /// Rated input impedance, Ω.
    #[serde(default)]
    pub impedance_ohm: Option<f64>,
    /// Whether it has the disc equalisation.
    #[serde(default)]
    pub phono: bool,
}

/// One operating mode.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Mode {
    /// Name on the panel.
    pub name: String,
    /// What it is, in words.
    #[serde(default)]
    pub note: Option<String>,
    /// Rated power in this mode, where it differs from the unit's.
    #[serde(default)]
    pub power: Option<RatedPower>,
}

/// Rated power with its conditions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RatedPower {
    /// W a channel.
    pub watts: f64,
    /// Into this load, Ω.
    pub load_ohm: f64,
    /// Driven channels.
    pub driven: Driven,
    /// Over this band, Hz.
    pub band_hz: Band,
    /// At no more than this THD, percent.
    pub thd_percent: f64,
}

/// A rated figure: a limit and every condition the sheet states with it. A condition that is left out is not asked of
/// the measurement, except that without `weighting` the figure is unweighted and without `band_hz` it is taken from
/// 20 Hz to 20 kHz.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rated {
    /// Which figure.
    pub figure: FigureId,
    /// Harmonic order, or order of a mains line.
    #[serde(default)]
    pub order: Option<u32>,
    /// No more than this.
    #[serde(default)]
    pub max: Option<f64>,
    /// No less than this.
    #[serde(default)]
    pub min: Option<f64>,
    /// Unit of the limits.
    pub unit: Unit,
    /// Stated at this frequency, Hz.
    #[serde(default)]
    pub frequency_hz: Option<f64>,
    /// Holds at every frequency from the first to the second, Hz.
    #[serde(default)]
    pub frequency_range_hz: Option<Band>,
    /// Stated at this output power, W.
    #[serde(default)]
    pub power_w: Option<f64>,
    /// Stated at this output level, V rms.
    #[serde(default)]
    pub level_v: Option<f64>,
    /// Stated at this output level, dB re rated power (-3 is half of it).
    #[serde(default)]
    pub level_db: Option<f64>,
    /// Band the figure is taken in, Hz.
    #[serde(default)]
    pub band_hz: Option<Band>,
    /// Weighting.
    #[serde(default)]
    pub weighting: Option<Weighting>,
    /// Input; any line input where not named.
    #[serde(default)]
    pub input: Option<String>,
    /// Mode; in every mode where not named.
    #[serde(default)]
    pub mode: Option<String>,
    /// Load, Ω; that of the rated power where not named.
    #[serde(default)]
    pub load_ohm: Option<f64>,
    /// Driven channels.
    #[serde(default)]
    pub driven: Option<Driven>,
    /// Position of the volume control ("minimum", "reference", "full").
    #[serde(default)]
    pub volume: Option<String>,
    /// What a signal-to-noise ratio refers to: `rated output`, `1 W`, `0.5 V`, or `5 mV at the input`.
    #[serde(default)]
    pub reference: Option<String>,
}

/// An adjustment target, kept for meter readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Adjustment {
    /// What is adjusted ("idle voltage", "DC offset").
    pub name: String,
    /// Target, mV.
    pub target_mv: f64,
    /// ± tolerance, mV.
    pub tolerance_mv: f64,
    /// Mode it holds in.
    #[serde(default)]
    pub mode: Option<String>,
    /// Where the meter goes, in words.
    #[serde(default)]
    pub where_measured: Option<String>,
}

impl RatedPower {
    /// The rated output voltage, √(P·R).
    pub fn volts(&self) -> Volts {
        Watts(self.watts).volts_across(Ohms(self.load_ohm))
    }
}

impl Rated {
    /// A rating of `figure` without limits and conditions.
    pub fn new(figure: FigureId, unit: Unit) -> Self {
        Self {
            figure,
            order: None,
            max: None,
            min: None,
            unit,
            frequency_hz: None,
            frequency_range_hz: None,
            power_w: None,
            level_v: None,
            level_db: None,
            band_hz: None,
            weighting: None,
            input: None,
            mode: None,
            load_ohm: None,
            driven: None,
            volume: None,
            reference: None,
        }
    }

    /// The load it holds at, Ω.
    pub fn load(&self, spec: &UnitSpec, mode: Option<&str>) -> Ohms {
        Ohms(self.load_ohm.unwrap_or(spec.power_in(mode).load_ohm))
    }

    /// The output voltage it is stated at in `mode`; `None` where the sheet states no level.
    pub fn level(&self, spec: &UnitSpec, mode: Option<&str>) -> Option<Volts> {
        if let Some(watts) = self.power_w {
            return Some(Watts(watts).volts_across(self.load(spec, mode)));
        }
        if let Some(volts) = self.level_v {
            return Some(Volts(volts));
        }
        self.level_db
            .map(|db| spec.power_in(mode).volts() * crate::quantity::Decibels(db).amplitude_ratio())
    }
}

impl UnitSpec {
    /// Rated power in `mode`: that mode's own, or the unit's.
    pub fn power_in(&self, mode: Option<&str>) -> &RatedPower {
        self.modes
            .iter()
            .find(|m| Some(m.name.as_str()) == mode)
            .and_then(|m| m.power.as_ref())
            .unwrap_or(&self.power)
    }

    /// The rated power of the mode with the highest output voltage.
    pub fn highest_power(&self) -> &RatedPower {
        let of_modes = self.modes.iter().filter_map(|m| m.power.as_ref());
        of_modes.fold(&self.power, |highest, power| {
            if power.volts() > highest.volts() {
                power
            } else {
                highest
            }
        })
    }

    /// The modes a rating holds in: the named one, else every mode, else the only one, which has no name.
    pub fn modes_of<'a>(&'a self, rated: &'a Rated) -> Vec<Option<&'a str>> {
        match &rated.mode {
            Some(name) => vec![Some(name.as_str())],
            None if self.modes.is_empty() => vec![None],
            None => self.modes.iter().map(|m| Some(m.name.as_str())).collect(),
        }
    }

    /// The input of this name.
    pub fn input(&self, name: &str) -> Option<&Input> {
        self.inputs.iter().find(|i| i.name == name)
    }
}
