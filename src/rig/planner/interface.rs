//! What the planner knows of the audio interface, and where it knows it from.

use super::noise;
use crate::error::{Error, Kind, Result};
use crate::quantity::Decibels;
use crate::rig::{Loopback, Rig};
use serde::Serialize;

/// Where a value was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// What interfaces of this kind usually have: to be calibrated before any figure rests on it.
    Typical,
    /// Given by whoever asked for the plan.
    Stated,
    /// From the rig file.
    Calibrated,
}

/// A value with its basis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Known {
    /// In the unit of the field.
    pub value: f64,
    /// Where it was taken from.
    pub basis: Basis,
}

impl Known {
    /// A value that was given.
    pub fn stated(value: f64) -> Self {
        let basis = Basis::Stated;
        Self { value, basis }
    }

    fn typical(value: f64) -> Self {
        let basis = Basis::Typical;
        Self { value, basis }
    }

    fn calibrated(value: f64) -> Self {
        let basis = Basis::Calibrated;
        Self { value, basis }
    }
}

/// The interface as the planner sees it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct InterfaceFigures {
    /// V rms of the sine that reads 0 dBFS at the input.
    pub input_full_scale_v: Known,
    /// Ω.
    pub input_ohm: Known,
    /// Noise at the input, V rms, 20 Hz–20 kHz, unweighted.
    pub input_noise_v: Known,
    /// V rms of a 0 dBFS sine at the output.
    pub output_full_scale_v: Known,
    /// Ω.
    pub output_ohm: Known,
}

/// Kinds of interface whose usual figures are known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// A USB interface with balanced line inputs.
    Usb,
    /// A line input on a computer's main board.
    OnBoard,
    /// A simple USB stereo codec.
    Codec,
    /// A converter card at its +4 setting.
    Card,
}

/// Typical figures: common practice, from makers' sheets and bench reports; the less favourable end where a range is
/// usual.
struct Typical {
    input_full_scale_v: f64,
    input_ohm: f64,
    /// dB, A-weighted, re full scale.
    dynamic_range_db: f64,
    output_full_scale_v: f64,
    output_ohm: f64,
}

impl Class {
    fn typical(self) -> Typical {
        let of = |input_full_scale_v, input_ohm, dynamic_range_db, output_full_scale_v| Typical {
            input_full_scale_v,
            input_ohm,
            dynamic_range_db,
            output_full_scale_v,
            output_ohm: 100.0,
        };
        match self {
            // +10 dBu, the lower end of line inputs.
            Self::Usb => of(2.45, 10_000.0, 105.0, 2.45),
            Self::OnBoard => of(1.0, 10_000.0, 87.0, 1.0),
            Self::Codec => of(1.0, 10_000.0, 87.0, 1.0),
            // +20 dBu, balanced.
            Self::Card => of(7.75, 10_000.0, 105.0, 7.75),
        }
    }
}

/// Noise in 20 Hz–20 kHz of an input whose `dynamic_range_db` is stated A-weighted, V rms, unweighted: a white noise
/// that the A curve brings down to it.
pub fn noise_of_dynamic_range(full_scale_v: f64, dynamic_range_db: f64) -> f64 {
    full_scale_v * Decibels(-dynamic_range_db).amplitude_ratio() / noise::a_weighting_of_white()
}

impl InterfaceFigures {
    /// What interfaces of this class usually have.
    pub fn typical(class: Class) -> Self {
        let t = class.typical();
        Self {
            input_full_scale_v: Known::typical(t.input_full_scale_v),
            input_ohm: Known::typical(t.input_ohm),
            input_noise_v: Known::typical(noise_of_dynamic_range(t.input_full_scale_v, t.dynamic_range_db)),
            output_full_scale_v: Known::typical(t.output_full_scale_v),
            output_ohm: Known::typical(t.output_ohm),
        }
    }

    /// What was measured of the left channel of `rig`; its noise stays that of `class` re full scale where no loopback
    /// was stored.
    ///
    /// # Errors
    /// Where the rig has no channel.
    pub fn of_rig(rig: &Rig, class: Class) -> Result<Self> {
        let channel = rig.channels.first().ok_or_else(|| {
            Error::new(Kind::Value, "the rig file describes no channel")
                .next("calibrate the rig, or leave the rig file out and give the interface's figures")
        })?;
        let full_scale_v = channel.input_full_scale_v.value;
        let noise = quietest(&rig.loopback).map_or_else(
            || {
                Known::typical(noise_of_dynamic_range(
                    full_scale_v,
                    class.typical().dynamic_range_db,
                ))
            },
            |loopback| Known::calibrated(noise::of_loopback(loopback, full_scale_v)),
        );
        Ok(Self {
            input_full_scale_v: Known::calibrated(full_scale_v),
            input_ohm: Known::calibrated(channel.input_impedance_ohm.value),
            input_noise_v: noise,
            output_full_scale_v: Known::calibrated(channel.output_full_scale_v.value),
            output_ohm: Known::calibrated(channel.output_impedance_ohm.value),
        })
    }

    /// Replaces the input's full scale. A noise that was only typical keeps its distance from it.
    pub fn restate_input_full_scale(&mut self, volts: f64, class: Class) {
        self.input_full_scale_v = Known::stated(volts);
        if self.input_noise_v.basis == Basis::Typical {
            self.input_noise_v.value = noise_of_dynamic_range(volts, class.typical().dynamic_range_db);
        }
    }

    /// The values with their names and units, for looking at all of them.
    pub fn all(&self) -> [(&'static str, Known, &'static str); 5] {
        [
            ("input full scale", self.input_full_scale_v, "V"),
            ("input impedance", self.input_ohm, "Ω"),
            ("input noise", self.input_noise_v, "V"),
            ("output full scale", self.output_full_scale_v, "V"),
            ("output impedance", self.output_ohm, "Ω"),
        ]
    }
}

/// The left channel's loopback that is nearest to silence.
fn quietest(loopbacks: &[Loopback]) -> Option<&Loopback> {
    loopbacks
        .iter()
        .filter(|l| l.channel == 0 && l.frequency_hz.len() > 1)
        .filter(|l| l.frequency_hz.len() == l.noise_dbfs_per_hz.len())
        .min_by(|a, b| a.level_dbfs.total_cmp(&b.level_dbfs))
}
