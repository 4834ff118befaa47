//! What stands on the bench, as data: calibration a channel, named taps and input pads, load, stored loopback curves.
//!
//! [`mod@file`] reads, checks and writes rig files; [`ceiling`] is the only way from a stimulus to something a bench plays;
//! [`planner`] says which resistors to build a bench from, and [`wiring`] what is joined to what.

pub mod ceiling;
mod check;
pub mod file;
pub mod meter;
pub mod planner;
pub mod wiring;

use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::quantity::Estimate;
use serde::{Deserialize, Serialize};

/// Version tag of rig files.
pub const SCHEMA: &str = "asleft.rig.v1";

/// Power from which a load that was measured cold and hot is no longer taken for cold, W.
const WARMING_W: f64 = 1.0;

/// Share of its rating from which a load whose hot value is not known is no longer taken for cold.
const WARMING_SHARE: f64 = 0.1;

/// How far a power resistor may drift from its cold value: 100 ppm/K over 150 K. Common practice, no source.
const DRIFT_OF_LOAD: f64 = 0.015;

/// Two loads are the same, and a load is one that the unit may drive, within this share: the tolerance of ordinary load
/// resistors.
pub const SAME_LOAD: f64 = 0.05;

/// Inputs more sensitive than this need an input pad, V rms: 60 dB below it an interface's own noise takes part, and a
/// slip of the level overdrives them at once.
pub const SENSITIVE_INPUT_V: f64 = 0.05;

/// A calibrated value with its standard uncertainty (1 σ, relative), where it came from, and when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Calibrated {
    /// Value in the unit of the field.
    pub value: f64,
    /// Relative standard uncertainty, percent.
    pub u_percent: f64,
    /// Name of the source of error ("meter volts"): equal names are one shared error.
    pub source: String,
    /// Date of the calibration, YYYY-MM-DD.
    pub date: String,
}

impl Calibrated {
    /// As an estimate with one source.
    pub fn estimate(&self) -> Estimate {
        Estimate::exact(self.value).with(self.source.clone(), self.value * self.u_percent / 100.0)
    }
}

/// One interface with its attenuators and loads.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rig {
    /// Version of this format: `asleft.rig.v1`.
    pub schema: String,
    /// Name of the rig.
    pub name: String,
    /// The audio interface; without it the rig serves for analysing captures only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interface: Option<Interface>,
    /// Left, right, ….
    pub channels: Vec<RigChannel>,
    /// Named attenuators between the unit's output and the interface's input.
    #[serde(default)]
    pub taps: Vec<Tap>,
    /// Named pads between the interface's output and the unit's input.
    #[serde(default)]
    pub pads: Vec<Pad>,
    /// The most the interface may put on a unit's input, V rms.
    pub ceiling_v: f64,
    /// What the bare rig does in loopback, one entry a channel and level.
    #[serde(default)]
    pub loopback: Vec<Loopback>,
}

/// The audio interface of a live bench: which devices are opened, how, and what is connected where.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Interface {
    /// Device that plays, as `asleft interfaces` names it.
    pub output: String,
    /// Device that records. The same device has one clock for both.
    pub input: String,
    /// Numbers of the outputs that drive left, right, …; the first output of a device is 1.
    pub output_channels: Vec<u16>,
    /// Numbers of the inputs that hear left, right, …; the first input of a device is 1.
    pub input_channels: Vec<u16>,
    /// Frames the device is asked to exchange at once; its own choice where not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub period_frames: Option<u32>,
}

impl Interface {
    /// Whether one device both plays and records, so that one clock counts both.
    pub fn has_one_clock(&self) -> bool {
        self.output == self.input
    }
}

/// One channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RigChannel {
    /// V rms of a 0 dBFS sine at the interface's output, open.
    pub output_full_scale_v: Calibrated,
    /// Ω.
    pub output_impedance_ohm: Calibrated,
    /// V rms of the sine that reads 0 dBFS at the interface's input.
    pub input_full_scale_v: Calibrated,
    /// Ω.
    pub input_impedance_ohm: Calibrated,
    /// Load resistor, leads subtracted, Ω, cold.
    pub load_ohm: Calibrated,
    /// The same hot, where measured, Ω.
    #[serde(default)]
    pub load_hot_ohm: Option<Calibrated>,
    /// Continuous rating of the load, W.
    pub load_rating_w: f64,
}

/// A named attenuator. Its ratio was measured with the interface connected, so loading is in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tap {
    /// Name, asked for at connection.
    pub name: String,
    /// Output voltage / input voltage, ≤ 1, one a channel.
    pub ratio: Vec<Calibrated>,
    /// Ω seen by the interface.
    pub source_impedance_ohm: f64,
}

/// A named input pad.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pad {
    /// Name.
    pub name: String,
    /// Output voltage / input voltage, ≤ 1, one a channel.
    pub ratio: Vec<Calibrated>,
    /// Ω seen by the unit's input.
    pub source_impedance_ohm: f64,
}

/// The bare rig's own curves at one level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Loopback {
    /// Channel, from 0.
    pub channel: usize,
    /// Tone level at the interface's input, dBFS.
    pub level_dbfs: f64,
    /// Date, YYYY-MM-DD.
    pub date: String,
    /// Frequencies of `noise_dbfs_per_hz`, Hz, rising.
    pub frequency_hz: Vec<f64>,
    /// Noise density at those frequencies, dB re (full-scale sine)²/Hz, input terminated.
    pub noise_dbfs_per_hz: Vec<f64>,
    /// Frequencies of the complex response, Hz, rising.
    #[serde(default)]
    pub response_hz: Vec<f64>,
    /// Magnitude re 1 kHz there, dB.
    #[serde(default)]
    pub response_db: Vec<f64>,
    /// Phase there, degrees, delay taken out.
    #[serde(default)]
    pub response_deg: Vec<f64>,
    /// Standard uncertainty of the magnitude, dB.
    #[serde(default)]
    pub response_u_db: f64,
    /// Own harmonics of a 1 kHz tone at `level_dbfs`, dB re fundamental, order 2 first.
    #[serde(default)]
    pub harmonics_db: Vec<f64>,
}

impl Rig {
    /// V rms at the unit's output for a sine that reads 0 dBFS at the interface, through `tap` (or the only tap, or
    /// none). `None` where the channel or the tap is not in the rig.
    pub fn volts_at_full_scale(&self, channel: usize, tap: Option<&str>) -> Option<Estimate> {
        let input = self.channels.get(channel)?.input_full_scale_v.estimate();
        let tap = match tap {
            Some(name) => Some(self.taps.iter().find(|t| t.name == name)?),
            None => self.taps.first(),
        };
        match tap {
            Some(tap) => Some(input.over(&tap.ratio.get(channel)?.estimate())),
            None => Some(input),
        }
    }

    /// V rms at the unit's input for a sine of 0 dBFS on the output of `channel`, through `pad` if one is fitted; without
    /// a sign, since crossed leads of the meter must not make a large voltage look small.
    ///
    /// # Errors
    /// Where the rig describes no such output or names no such pad.
    pub fn volts_at_unit(&self, channel: usize, pad: Option<&str>) -> Result<f64> {
        Ok(self.emf_at_unit(channel, pad)?.value.abs())
    }

    /// The same with its budget and its sign: the e.m.f. that drives the unit's input.
    ///
    /// # Errors
    /// Where the rig describes no such output or names no such pad.
    pub fn emf_at_unit(&self, channel: usize, pad: Option<&str>) -> Result<Estimate> {
        let output = self.channels.get(channel).ok_or_else(|| {
            Error::new(
                Kind::Mismatch,
                format!(
                    "the rig describes {} outputs, this signal needs output {}",
                    self.channels.len(),
                    channel + 1
                ),
            )
            .next("play on fewer channels, or add the output's calibration to the rig file")
        })?;
        let volts = output.output_full_scale_v.estimate();
        let Some(name) = pad else { return Ok(volts) };
        let pad = self.pads.iter().find(|p| p.name == name);
        let ratio = pad.and_then(|p| p.ratio.get(channel)).ok_or_else(|| {
            Error::new(
                Kind::Mismatch,
                format!("the rig has no input pad called \"{name}\""),
            )
            .next("use a pad that the rig file names, or add this one to it")
        })?;
        Ok(volts.times(&ratio.estimate()))
    }

    /// Resistance of the load while it takes `watts`, with its temperature as a source of error of the take's own.
    ///
    /// Where the hot value is known, the load is anywhere between cold and hot from [`WARMING_W`] on. Where it is not, it
    /// may drift by [`DRIFT_OF_LOAD`] from a tenth of its rating on. Below, it is cold.
    pub fn load_taking(&self, channel: usize, watts: f64) -> Option<Estimate> {
        let c = self.channels.get(channel)?;
        let cold = c.load_ohm.estimate();
        let (load, limit) = match &c.load_hot_ohm {
            Some(hot) if watts > WARMING_W => {
                let hot = hot.estimate();
                (cold.plus(&hot).scaled(0.5), (hot.value - cold.value) / 2.0)
            }
            None if watts > WARMING_SHARE * c.load_rating_w => {
                let limit = DRIFT_OF_LOAD * cold.value;
                (cold, limit)
            }
            _ => return Some(cold),
        };
        let source = format!("load temperature, {}", Channel::at(channel));
        // A rectangle: GUM 4.3.7.
        Some(load.with_of_this_take(source, limit / 3f64.sqrt()))
    }

    /// Resistance of the load, hot where that was measured and `hot` is asked, else cold.
    pub fn load(&self, channel: usize, hot: bool) -> Option<Estimate> {
        let c = self.channels.get(channel)?;
        let value = if hot {
            c.load_hot_ohm.as_ref().unwrap_or(&c.load_ohm)
        } else {
            &c.load_ohm
        };
        Some(value.estimate())
    }
}
