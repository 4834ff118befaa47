//! What a figure is. Vocabulary only: unit files, takes, measurements, verdicts and reports all speak it.
//!
//! A [`Figure`] is never a naked number: it carries its [`Estimate`] (value, budget, interval), its unit, the
//! [`Conditions`] without which it means nothing, and what limits it. What could not be measured is a
//! [`NotMeasured`] with its reason, never a zero. Ids and units are those of the figure table in DEVELOPERS.md.

use crate::quantity::Estimate;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Which figure. The names in JSON and in unit files are the snake_case forms.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "snake_case")]
#[allow(
    missing_docs,
    reason = "the table of figures in DEVELOPERS.md defines each id once"
)]
pub enum FigureId {
    Frequency,
    Level,
    Power,
    Thd,
    ThdN,
    Sinad,
    Harmonic,
    Noise,
    Snr,
    HumLine,
    Hum,
    NoiseChange,
    Response,
    ResponseMax,
    ResponseMin,
    CornerLow,
    CornerHigh,
    GroupDelay,
    Phase,
    HarmonicResponse,
    Balance,
    BalanceMax,
    Separation,
    ImdSmpte,
    ImdDifference,
    PowerAtLimit,
    ClippingOnset,
    Gain,
    Sensitivity,
    InputOverload,
    SourceImpedance,
    DampingFactor,
    Dim,
    RiaaError,
    RiaaMax,
    Headroom,
    ToneControl,
    Tracking,
    TrackingMax,
    ContactEvents,
    ContactSpread,
    MuteDelay,
    Thump,
    Polarity,
    ChannelOrder,
    Drift,
    SpeedError,
    WowFlutter,
    Azimuth,
    DcOffset,
    IdleVoltage,
    IdleCurrent,
    Reading,
}

impl FigureId {
    /// Every id, in the order of the table.
    pub const ALL: [Self; 53] = [
        Self::Frequency,
        Self::Level,
        Self::Power,
        Self::Thd,
        Self::ThdN,
        Self::Sinad,
        Self::Harmonic,
        Self::Noise,
        Self::Snr,
        Self::HumLine,
        Self::Hum,
        Self::NoiseChange,
        Self::Response,
        Self::ResponseMax,
        Self::ResponseMin,
        Self::CornerLow,
        Self::CornerHigh,
        Self::GroupDelay,
        Self::Phase,
        Self::HarmonicResponse,
        Self::Balance,
        Self::BalanceMax,
        Self::Separation,
        Self::ImdSmpte,
        Self::ImdDifference,
        Self::PowerAtLimit,
        Self::ClippingOnset,
        Self::Gain,
        Self::Sensitivity,
        Self::InputOverload,
        Self::SourceImpedance,
        Self::DampingFactor,
        Self::Dim,
        Self::RiaaError,
        Self::RiaaMax,
        Self::Headroom,
        Self::ToneControl,
        Self::Tracking,
        Self::TrackingMax,
        Self::ContactEvents,
        Self::ContactSpread,
        Self::MuteDelay,
        Self::Thump,
        Self::Polarity,
        Self::ChannelOrder,
        Self::Drift,
        Self::SpeedError,
        Self::WowFlutter,
        Self::Azimuth,
        Self::DcOffset,
        Self::IdleVoltage,
        Self::IdleCurrent,
        Self::Reading,
    ];

    /// The id as JSON and unit files write it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Frequency => "frequency",
            Self::Level => "level",
            Self::Power => "power",
            Self::Thd => "thd",
            Self::ThdN => "thd_n",
            Self::Sinad => "sinad",
            Self::Harmonic => "harmonic",
            Self::Noise => "noise",
            Self::Snr => "snr",
            Self::HumLine => "hum_line",
            Self::Hum => "hum",
            Self::NoiseChange => "noise_change",
            Self::Response => "response",
            Self::ResponseMax => "response_max",
            Self::ResponseMin => "response_min",
            Self::CornerLow => "corner_low",
            Self::CornerHigh => "corner_high",
            Self::GroupDelay => "group_delay",
            Self::Phase => "phase",
            Self::HarmonicResponse => "harmonic_response",
            Self::Balance => "balance",
            Self::BalanceMax => "balance_max",
            Self::Separation => "separation",
            Self::ImdSmpte => "imd_smpte",
            Self::ImdDifference => "imd_difference",
            Self::PowerAtLimit => "power_at_limit",
            Self::ClippingOnset => "clipping_onset",
            Self::Gain => "gain",
            Self::Sensitivity => "sensitivity",
            Self::InputOverload => "input_overload",
            Self::SourceImpedance => "source_impedance",
            Self::DampingFactor => "damping_factor",
            Self::Dim => "dim",
            Self::RiaaError => "riaa_error",
            Self::RiaaMax => "riaa_max",
            Self::Headroom => "headroom",
            Self::ToneControl => "tone_control",
            Self::Tracking => "tracking",
            Self::TrackingMax => "tracking_max",
            Self::ContactEvents => "contact_events",
            Self::ContactSpread => "contact_spread",
            Self::MuteDelay => "mute_delay",
            Self::Thump => "thump",
            Self::Polarity => "polarity",
            Self::ChannelOrder => "channel_order",
            Self::Drift => "drift",
            Self::SpeedError => "speed_error",
            Self::WowFlutter => "wow_flutter",
            Self::Azimuth => "azimuth",
            Self::DcOffset => "dc_offset",
            Self::IdleVoltage => "idle_voltage",
            Self::IdleCurrent => "idle_current",
            Self::Reading => "reading",
        }
    }
}

impl fmt::Display for FigureId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// The channel a figure speaks of. In JSON: `left`, `right`, `3`, `4`, …, `pair`. A mono file's channel is `left`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Channel {
    /// First channel, or the only one.
    Left,
    /// Second channel.
    Right,
    /// The n-th channel of a file, counted from 1; 3 or more.
    Nth(u16),
    /// A figure of the two channels together.
    Pair,
}

impl Channel {
    /// The channel at `index` (from 0) of a file.
    pub fn at(index: usize) -> Self {
        match index {
            0 => Self::Left,
            1 => Self::Right,
            n => Self::Nth(u16::try_from(n + 1).unwrap_or(u16::MAX)),
        }
    }

    /// The index (from 0) in a file; `None` for a pair.
    pub fn index(self) -> Option<usize> {
        match self {
            Self::Left => Some(0),
            Self::Right => Some(1),
            Self::Nth(n) => Some(usize::from(n) - 1),
            Self::Pair => None,
        }
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Left => f.write_str("left"),
            Self::Right => f.write_str("right"),
            Self::Nth(n) => write!(f, "{n}"),
            Self::Pair => f.write_str("pair"),
        }
    }
}

impl std::str::FromStr for Channel {
    type Err = crate::error::Error;
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match text {
            "left" => Ok(Self::Left),
            "right" => Ok(Self::Right),
            "pair" => Ok(Self::Pair),
            other => match other.parse::<u16>() {
                Ok(n) if n >= 3 => Ok(Self::Nth(n)),
                _ => Err(crate::error::Error::new(
                    crate::error::Kind::Value,
                    format!("\"{other}\" is not a channel"),
                )
                .next("write left, right, pair, or the channel's number from 3 up")),
            },
        }
    }
}

impl Serialize for Channel {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Channel {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse()
            .map_err(|e: crate::error::Error| serde::de::Error::custom(e.what()))
    }
}

/// Frequency weighting of a figure. `None` in an `Option<Weighting>` means flat.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema,
)]
pub enum Weighting {
    /// IEC 61672-1 A.
    A,
    /// IEC 61672-1 C.
    C,
    /// ITU-R BS.468-4 with its quasi-peak meter.
    #[serde(rename = "itu468")]
    Itu468,
    /// The same network referred to 2 kHz, rms detector.
    #[serde(rename = "itu468_2k")]
    Itu468At2k,
}

/// A frequency band, both edges included.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(into = "[f64; 2]", from = "[f64; 2]")]
pub struct Band {
    /// Lower edge, Hz.
    pub low_hz: f64,
    /// Upper edge, Hz.
    pub high_hz: f64,
}

impl Band {
    /// The default band of every figure: 20 Hz to 20 kHz.
    pub const AUDIO: Self = Self {
        low_hz: 20.0,
        high_hz: 20_000.0,
    };

    /// Whether a line of nominal frequency `hz` counts: both edges inclusive, with 0.1 % so that a few ppm of clock
    /// never change what is counted.
    pub fn counts(self, hz: f64) -> bool {
        hz <= self.high_hz * 1.001 && hz >= self.low_hz / 1.001
    }
}

impl From<Band> for [f64; 2] {
    fn from(band: Band) -> Self {
        [band.low_hz, band.high_hz]
    }
}

impl From<[f64; 2]> for Band {
    fn from([low_hz, high_hz]: [f64; 2]) -> Self {
        Self { low_hz, high_hz }
    }
}

/// Which channels of the unit under test were driven.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Driven {
    /// Left only.
    Left,
    /// Right only.
    Right,
    /// Both.
    Both,
}

impl Driven {
    /// Whether the channel at `index` (from 0) is driven.
    pub fn includes(self, index: usize) -> bool {
        match self {
            Self::Left => index == 0,
            Self::Right => index == 1,
            Self::Both => true,
        }
    }
}

/// The circumstances a figure holds under. Unknown is `None`, never a guess.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Conditions {
    /// Fundamental, or the frequency the figure is stated at.
    pub frequency_hz: Option<f64>,
    /// Level of the tone re full scale.
    pub level_dbfs: Option<f64>,
    /// Level of the tone in volts rms at the unit's output, with a rig.
    pub level_v: Option<f64>,
    /// Load at the output.
    pub load_ohm: Option<f64>,
    /// True where it is known that no load was connected; then `load_ohm` is `None`.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub unloaded: bool,
    /// Driven channels.
    pub driven: Option<Driven>,
    /// Operating mode by its name in the unit file.
    pub mode: Option<String>,
    /// Input by its name in the unit file.
    pub input: Option<String>,
    /// Position of the volume control.
    pub volume: Option<String>,
    /// What terminates the input while noise is measured.
    pub termination: Option<String>,
    /// Orders of the harmonics counted.
    pub harmonics: Option<Vec<u32>>,
    /// What a ratio refers to.
    pub reference: Option<String>,
    /// Phase re the fundamental's, of a harmonic.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phase_deg: Option<f64>,
}

/// What keeps a figure from being better known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitedBy {
    /// The rig's own noise.
    RigNoise,
    /// The rig's own distortion.
    RigDistortion,
    /// The sample rate or the band leaves out products that belong to the figure.
    Bandwidth,
    /// The capture is clipped.
    Clipping,
    /// The capture is short.
    Duration,
    /// The resolution of the samples.
    Quantisation,
}

/// Unit of a figure or of a curve's axis.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema,
)]
#[allow(missing_docs, reason = "each variant is the unit it is written as")]
pub enum Unit {
    #[serde(rename = "Hz")]
    Hertz,
    #[serde(rename = "dBFS")]
    Dbfs,
    #[serde(rename = "dBV")]
    Dbv,
    #[serde(rename = "V")]
    Volts,
    #[serde(rename = "W")]
    Watts,
    #[serde(rename = "%")]
    Percent,
    #[serde(rename = "dB")]
    Decibels,
    #[serde(rename = "s")]
    Seconds,
    #[serde(rename = "°")]
    Degrees,
    #[serde(rename = "Ω")]
    Ohms,
    #[serde(rename = "mV")]
    Millivolts,
    #[serde(rename = "mA")]
    Milliamperes,
    #[serde(rename = "A")]
    Amperes,
    #[serde(rename = "°C")]
    Celsius,
    #[serde(rename = "count/min")]
    PerMinute,
    #[serde(rename = "–")]
    One,
}

impl Unit {
    /// The symbol, as JSON and reports print it.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Hertz => "Hz",
            Self::Dbfs => "dBFS",
            Self::Dbv => "dBV",
            Self::Volts => "V",
            Self::Watts => "W",
            Self::Percent => "%",
            Self::Decibels => "dB",
            Self::Seconds => "s",
            Self::Degrees => "°",
            Self::Ohms => "Ω",
            Self::Millivolts => "mV",
            Self::Milliamperes => "mA",
            Self::Amperes => "A",
            Self::Celsius => "°C",
            Self::PerMinute => "count/min",
            Self::One => "–",
        }
    }
}

/// One figure. Known by id + channel + unit + order + weighting + band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// Which figure.
    pub id: FigureId,
    /// Of which channel.
    pub channel: Channel,
    /// Value in `unit`, budget, interval.
    pub estimate: Estimate,
    /// Unit of the value.
    pub unit: Unit,
    /// The same value in decibels, where a percentage has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub db: Option<f64>,
    /// Harmonic order, or order of a mains line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<u32>,
    /// Frequency weighting; `None` is flat.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weighting: Option<Weighting>,
    /// Band, where the figure has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<Band>,
    /// Conditions.
    pub conditions: Conditions,
    /// What limits it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limited_by: Option<LimitedBy>,
    /// True where the value is only an upper limit: what was found cannot be told from noise.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub upper_limit: bool,
}

/// Why a figure is not there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NotMeasured {
    /// Which figure.
    pub id: FigureId,
    /// Of which channel.
    pub channel: Channel,
    /// A word for programs: `uncalibrated`, `no_signal`, `too_short`, `clipped`, `damaged`, `no_reference`, …
    pub code: String,
    /// A sentence for people, with the next step.
    pub reason: String,
}

/// A figure that is a curve. `x` and `y` have equal length; all finite.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Which figure.
    pub id: FigureId,
    /// Of which channel.
    pub channel: Channel,
    /// Harmonic order, where it is one of several.
    pub order: Option<u32>,
    /// Abscissa, rising.
    pub x: Vec<f64>,
    /// Its unit.
    pub x_unit: Unit,
    /// Ordinate.
    pub y: Vec<f64>,
    /// Its unit.
    pub y_unit: Unit,
    /// Standard uncertainty of each ordinate, in `y_unit`; empty where it has none of its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub u: Vec<f64>,
    /// Whether the rig's own response was divided out.
    pub corrected_for_rig: bool,
}

/// All that was found of one take.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Findings {
    /// Figures.
    pub figures: Vec<Figure>,
    /// What could not be measured, and why.
    pub not_measured: Vec<NotMeasured>,
    /// Curves.
    pub curves: Vec<Curve>,
    /// Remarks for the reader ("clock is 12 ppm fast").
    pub notes: Vec<String>,
}

impl Findings {
    /// Takes over all of `other`.
    pub fn extend(&mut self, other: Self) {
        self.figures.extend(other.figures);
        self.not_measured.extend(other.not_measured);
        self.curves.extend(other.curves);
        self.notes.extend(other.notes);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_agree_with_serde() {
        for id in FigureId::ALL {
            assert_eq!(serde_json::to_string(&id).unwrap(), format!("\"{}\"", id.name()));
        }
    }

    #[test]
    fn channels_read_back() {
        for index in 0..8 {
            let c = Channel::at(index);
            assert_eq!(c.to_string().parse::<Channel>().unwrap(), c);
            assert_eq!(c.index(), Some(index));
        }
    }
}
