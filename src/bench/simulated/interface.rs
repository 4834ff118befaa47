//! An audio interface as data, with the attenuators, pads and loads that stand beside it, and its closed forms.
//!
//! The playing side is taken as free of distortion: a converter plays more cleanly than the amplifier behind it by
//! orders of magnitude. The recording side has a polynomial of its own, x + a₂x² + a₃x³, whose harmonics of a sine of
//! peak A are a₂A²/2 and a₃A³/4.

use super::amplifier::named;
use super::analogue::{high_pass, low_pass};
use super::path::Surroundings;
use super::thermal::johnson_density;
use crate::error::{Error, Kind, Result};
use crate::signal::take::Setup;
use rustfft::num_complex::Complex64;
use std::f64::consts::SQRT_2;

/// The band that dynamic ranges are stated in, Hz.
const RANGE_BAND_HZ: f64 = 20_000.0 - 20.0;

/// An attenuator or pad, with its loading by what follows already in its ratio.
#[derive(Debug, Clone, PartialEq)]
pub struct Attenuator {
    /// Name.
    pub name: String,
    /// Output voltage / input voltage of left and right.
    pub ratio: [f64; 2],
    /// Ω seen by what follows.
    pub source_ohm: f64,
}

/// An interface and its bench.
#[derive(Debug, Clone, PartialEq)]
pub struct InterfaceModel {
    /// V rms of a 0 dBFS sine at the open outputs, at 1 kHz.
    pub output_full_scale_v: [f64; 2],
    /// Ω of the outputs.
    pub output_ohm: f64,
    /// Full-scale sine re noise at the outputs, 20 Hz–20 kHz unweighted, dB.
    pub output_range_db: f64,
    /// V rms of the sine that reads 0 dBFS at the inputs, at 1 kHz.
    pub input_full_scale_v: [f64; 2],
    /// Ω of the inputs.
    pub input_ohm: f64,
    /// Full-scale sine re noise at the inputs, 20 Hz–20 kHz unweighted, dB.
    pub input_range_db: f64,
    /// Bits of the inputs' converter; `None` neither rounds nor stops at full scale.
    pub bits: Option<u16>,
    /// a₂, per full scale.
    pub second: f64,
    /// a₃, per full scale squared.
    pub third: f64,
    /// Corner of the coupling at each side, Hz; 0 couples DC.
    pub coupling_hz: f64,
    /// Corner of the low-pass at each side, Hz; infinite for none.
    pub bandwidth_hz: f64,
    /// Frames from playing to recording.
    pub latency_frames: f64,
    /// Recording clock re playing clock, parts per million; positive where the recording counts more frames.
    pub clock_ppm: f64,
    /// V/V from one input to the other.
    pub crosstalk: f64,
    /// Taps between the unit's output and the inputs; the first where a setup names none.
    pub taps: Vec<Attenuator>,
    /// Pads between outputs and the unit's input; none where a setup names none.
    pub pads: Vec<Attenuator>,
    /// Load of each channel, Ω; `None` is not connected.
    pub load_ohm: [Option<f64>; 2],
    /// Rating of a load, W.
    pub load_rating_w: f64,
    /// Temperature, K.
    pub kelvin: f64,
}

/// Noise density of a dynamic range, (full-scale sine's rms)²/Hz.
fn range_density(range_db: f64) -> f64 {
    10f64.powf(-range_db / 10.0) / RANGE_BAND_HZ
}

impl InterfaceModel {
    /// Response of one side re 1 kHz: AC coupling and bandwidth.
    pub fn side_response(&self, hertz: f64) -> Complex64 {
        let shape = |f: f64| {
            let low = if self.coupling_hz > 0.0 {
                high_pass(f, self.coupling_hz)
            } else {
                Complex64::new(1.0, 0.0)
            };
            if self.bandwidth_hz.is_finite() {
                low * low_pass(f, self.bandwidth_hz)
            } else {
                low
            }
        };
        shape(hertz) / shape(1000.0).norm()
    }

    /// Peak e.m.f. at the unit's input of a full-scale sample, V.
    pub fn drive_v(&self, channel: usize, pad: Option<&Attenuator>) -> f64 {
        let full_scale = self.output_full_scale_v.get(channel).copied().unwrap_or(0.0);
        let ratio = pad.map_or(1.0, |p| p.ratio.get(channel).copied().unwrap_or(0.0));
        full_scale * SQRT_2 * ratio
    }

    /// Sample value of one volt at the unit's output through `tap`.
    pub fn sample_per_volt(&self, channel: usize, tap: Option<&Attenuator>) -> f64 {
        let full_scale = self
            .input_full_scale_v
            .get(channel)
            .copied()
            .unwrap_or(f64::INFINITY);
        let ratio = tap.map_or(1.0, |t| t.ratio.get(channel).copied().unwrap_or(0.0));
        ratio / (full_scale * SQRT_2)
    }

    /// Own noise of a recording through `tap`, (full scale)²/Hz: converter and the attenuator's thermal noise.
    pub fn noise_density(&self, channel: usize, tap: Option<&Attenuator>) -> f64 {
        // A full-scale sine has a mean square of one half.
        let converter = range_density(self.input_range_db) / 2.0;
        let volts = self.sample_per_volt(channel, None);
        let source = tap.map_or(0.0, |t| t.source_ohm);
        converter + johnson_density(source, self.kelvin) * volts * volts
    }

    /// Noise of the playing side's e.m.f. behind `pad`, V²/Hz.
    pub fn output_noise_density(&self, channel: usize, pad: Option<&Attenuator>) -> f64 {
        let full_scale = self.drive_v(channel, pad) / SQRT_2;
        range_density(self.output_range_db) * full_scale * full_scale
    }

    /// Stops samples at full scale and rounds them to the converter's codes.
    pub fn round(&self, samples: &mut [f64]) {
        let Some(bits) = self.bits else { return };
        let codes = (f64::from(bits) - 1.0).exp2();
        for x in samples {
            *x = (*x * codes).round().clamp(-codes, codes - 1.0) / codes;
        }
    }

    /// Harmonics of a sine of peak `amplitude` (full scale = 1), re the fundamental: second, third.
    pub fn harmonics(&self, amplitude: f64) -> [f64; 2] {
        let fundamental = 1.0 + 0.75 * self.third * amplitude * amplitude;
        [
            self.second * amplitude / 2.0 / fundamental,
            self.third * amplitude * amplitude / 4.0 / fundamental,
        ]
    }

    /// The tap of a setup.
    ///
    /// # Errors
    /// Where it names one that is not there.
    pub fn tap(&self, setup: &Setup) -> Result<Option<&Attenuator>> {
        if setup.tap.is_none() && self.taps.is_empty() {
            return Ok(None);
        }
        named(&self.taps, setup.tap.as_deref(), "tap", |t| &t.name).map(Some)
    }

    /// The pad of a setup.
    ///
    /// # Errors
    /// Where it names one that is not there.
    pub fn pad(&self, setup: &Setup) -> Result<Option<&Attenuator>> {
        setup
            .pad
            .as_deref()
            .map(|name| named(&self.pads, Some(name), "pad", |p| &p.name))
            .transpose()
    }

    /// What the amplifier sees in a setup. A termination stands at every input that is not driven; without one, all
    /// inputs are connected to the interface.
    ///
    /// # Errors
    /// Where the setup names a pad that is not there or a termination that is no resistance.
    pub fn surroundings(&self, setup: &Setup) -> Result<[Surroundings; 2]> {
        let pad = self.pad(setup)?;
        let termination = setup.termination.as_deref().map(termination_ohm).transpose()?;
        let one = |channel: usize| {
            let load_ohm = if setup.loaded == Some(false) {
                None
            } else {
                self.load_ohm.get(channel).copied().flatten()
            };
            let driven = setup.driven.is_some_and(|d| d.includes(channel));
            match termination {
                Some(source_ohm) if !driven => Surroundings {
                    driven: false,
                    source_ohm,
                    source_noise: 0.0,
                    load_ohm,
                },
                _ => Surroundings {
                    driven: true,
                    source_ohm: pad.map_or(self.output_ohm, |p| p.source_ohm),
                    source_noise: self.output_noise_density(channel, pad),
                    load_ohm,
                },
            }
        };
        Ok([one(0), one(1)])
    }
}

/// Resistance of a termination in words: "shorted plug", "open", "1 kΩ", "600 ohm", "2.2k".
///
/// # Errors
/// Where the words name no resistance.
pub fn termination_ohm(words: &str) -> Result<f64> {
    let text = words.trim().to_lowercase();
    if text.starts_with("short") {
        return Ok(0.0);
    }
    if text.starts_with("open") {
        return Ok(f64::INFINITY);
    }
    let digits: String = text
        .chars()
        .take_while(|c| c.is_ascii_digit() || *c == '.')
        .collect();
    let rest = text.get(digits.len()..).unwrap_or("").trim_start();
    let scale = match rest.chars().next() {
        Some('k') => 1e3,
        Some('m') => 1e6,
        _ => 1.0,
    };
    digits.parse::<f64>().map(|number| number * scale).map_err(|_| {
        Error::new(
            Kind::Value,
            format!("\"{words}\" is no termination that the simulated bench knows"),
        )
        .next("say shorted plug, open, or a resistance such as 1 kΩ")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn terminations_are_read_as_resistances() {
        for (words, ohm) in [
            ("shorted plug", 0.0),
            ("1 kΩ", 1e3),
            ("600 ohm", 600.0),
            ("2.2k", 2.2e3),
            ("47 kΩ resistor", 47e3),
        ] {
            assert!((termination_ohm(words).unwrap() - ohm).abs() < 1e-9, "{words}");
        }
        assert!(termination_ohm("open").unwrap().is_infinite());
        assert!(termination_ohm("a plug").is_err());
    }
}
