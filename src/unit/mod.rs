//! The rated specification of a model: what the maker stated, and under which conditions.

use crate::figure::{Band, Driven, FigureId, Unit, Weighting};
use serde::{Deserialize, Serialize};

/// Version tag of unit files.
pub const SCHEMA: &str = "asleft.unit.v1";

/// A model's rated specification.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UnitSpec {
    /// Always [`SCHEMA`].
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

/// A rated figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rated {
    /// Which figure.
    pub figure: FigureId,
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
    /// Stated at this output power, W.
    #[serde(default)]
    pub power_w: Option<f64>,
    /// Band, Hz.
    #[serde(default)]
    pub band_hz: Option<Band>,
    /// Weighting.
    #[serde(default)]
    pub weighting: Option<Weighting>,
    /// Input.
    #[serde(default)]
    pub input: Option<String>,
    /// Mode; in every mode where not named.
    #[serde(default)]
    pub mode: Option<String>,
    /// What S/N refers to: `rated output`, `1 W`, or a number of volts at the output.
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
