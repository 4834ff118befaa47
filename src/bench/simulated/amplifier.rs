//! An integrated amplifier as data: what is built in, what stands beside it, how it can be set.
//!
//! Nothing here computes a figure; [`super::path`] turns a model and a setup into transfer functions, noise densities and
//! mains lines.

use super::power_stage::PowerStage;
use super::supply::Supply;
use crate::error::{Error, Kind, Result};
use crate::ownfile::nearest;

/// A noise voltage in series with an input: white above a corner, rising as 1/f below it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseVoltage {
    /// White part, V/√Hz.
    pub density: f64,
    /// Where the 1/f part equals the white one, Hz.
    pub corner_hz: f64,
}

impl NoiseVoltage {
    /// Power density, V²/Hz, at `hertz` > 0.
    pub fn power_density(&self, hertz: f64) -> f64 {
        self.density * self.density * (1.0 + self.corner_hz / hertz)
    }
}

/// One input.
#[derive(Debug, Clone, PartialEq)]
pub struct InputStage {
    /// Name on the panel.
    pub name: String,
    /// Input resistance, Ω.
    pub resistance_ohm: f64,
    /// Input capacitance, F.
    pub capacitance_f: f64,
    /// The disc equaliser behind it.
    pub phono: Option<PhonoStage>,
}

/// A disc equaliser.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhonoStage {
    /// Gain at 1 kHz, V/V.
    pub gain_1khz: f64,
    /// Noise at its input.
    pub noise: NoiseVoltage,
    /// Whether it has the subsonic high-pass of IEC 60098's amendment.
    pub subsonic: bool,
}

/// One position of a bias or rail switch.
#[derive(Debug, Clone, PartialEq)]
pub struct OperatingMode {
    /// Name on the panel.
    pub name: String,
    /// Idle current of one output pair, A.
    pub idle_a: f64,
    /// Rail at no current, V.
    pub rail_v: f64,
}

/// Tone controls, common to both channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneControls {
    /// Bass at the end of the shelf, dB; 0 is flat and exactly transparent.
    pub bass_db: f64,
    /// Treble likewise.
    pub treble_db: f64,
    /// Middle of the bass shelf, Hz.
    pub bass_hz: f64,
    /// Middle of the treble shelf, Hz.
    pub treble_hz: f64,
}

/// The volume control: one track a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VolumeControl {
    /// Resistance of a track, Ω.
    pub track_ohm: f64,
    /// Attenuation at the position called "reference", dB.
    pub reference_db: f64,
    /// Attenuation at the end stop called "minimum", dB.
    pub minimum_db: f64,
}

/// A line of hum at a mains harmonic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HumLine {
    /// Mains harmonic, 1 = mains frequency.
    pub order: u32,
    /// V rms.
    pub volts: f64,
    /// Phase re the mains, degrees.
    pub phase_deg: f64,
}

/// What leaks from the other channel: `level` V/V flat, rising by 6 dB/octave above `corner_hz`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crosstalk {
    /// V/V at low frequencies.
    pub level: f64,
    /// Where the capacitive part equals the flat one, Hz.
    pub corner_hz: f64,
}

/// One channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelModel {
    /// Gain from the volume control's wiper to the open output, V/V, before filters.
    pub gain: f64,
    /// How much more its volume track attenuates, dB per dB of attenuation.
    pub track_error: f64,
    /// Coupling capacitor, F.
    pub coupling_f: f64,
    /// Resistance that it works into, Ω.
    pub coupling_ohm: f64,
    /// Corners of the low-passes at high frequencies, Hz.
    pub bandwidth_hz: Vec<f64>,
    /// Noise at the line amplifier, behind the volume control.
    pub line_noise: NoiseVoltage,
    /// Noise of the power amplifier, referred to the output.
    pub output_noise: NoiseVoltage,
    /// Hum that enters at the output whatever the volume.
    pub output_hum: Vec<HumLine>,
    /// Hum that enters at the line input, before the volume control.
    pub input_hum: Vec<HumLine>,
    /// From the other channel, at the input selector.
    pub crosstalk: Crosstalk,
    /// Output stage.
    pub stage: PowerStage,
    /// Idle current re the mode's.
    pub idle_ratio: f64,
}

/// The amplifier.
#[derive(Debug, Clone, PartialEq)]
pub struct AmplifierModel {
    /// Model name.
    pub name: String,
    /// Inputs; the first is selected where a setup names none.
    pub inputs: Vec<InputStage>,
    /// Modes; the first where a setup names none.
    pub modes: Vec<OperatingMode>,
    /// Volume control.
    pub volume: VolumeControl,
    /// Tone controls.
    pub tone: ToneControls,
    /// Left and right.
    pub channels: [ChannelModel; 2],
    /// Mains and supply.
    pub supply: Supply,
    /// Temperature of the small-signal stages, K.
    pub kelvin: f64,
}

impl AmplifierModel {
    /// The input called `name`, without regard to case; the first where none is named.
    ///
    /// # Errors
    /// Where there is no such input.
    pub fn input(&self, name: Option<&str>) -> Result<&InputStage> {
        named(&self.inputs, name, "input", |i| &i.name)
    }

    /// The mode called `name`, without regard to case; the first where none is named.
    ///
    /// # Errors
    /// Where there is no such mode.
    pub fn mode(&self, name: Option<&str>) -> Result<&OperatingMode> {
        named(&self.modes, name, "mode", |m| &m.name)
    }
}

impl VolumeControl {
    /// Attenuation in dB of a position in words: `maximum`, `reference`, `minimum`, or decibels ("-20 dB"). The
    /// reference position where none is named.
    ///
    /// # Errors
    /// Where the words mean no position.
    pub fn attenuation_db(&self, position: Option<&str>) -> Result<f64> {
        let text = position.unwrap_or("reference").trim().to_lowercase();
        match text.as_str() {
            "maximum" => return Ok(0.0),
            "reference" => return Ok(self.reference_db),
            "minimum" => return Ok(self.minimum_db),
            _ => {}
        }
        text.strip_suffix("db")
            .map(|number| number.trim().replace('\u{2212}', "-"))
            .and_then(|number| number.parse::<f64>().ok())
            .map(f64::abs)
            .filter(|db| *db <= self.minimum_db)
            .ok_or_else(|| {
                Error::new(
                    Kind::Value,
                    format!("the simulated volume control has no position \"{text}\""),
                )
                .next("say maximum, reference, minimum, or an attenuation such as \"-20 dB\"")
            })
    }
}

/// The element of `items` called `name`, the first where none is asked for.
pub(super) fn named<'a, T>(
    items: &'a [T],
    name: Option<&str>,
    kind: &str,
    name_of: impl Fn(&T) -> &str,
) -> Result<&'a T> {
    let found = match name {
        Some(name) => items.iter().find(|i| name_of(i).eq_ignore_ascii_case(name)),
        None => items.first(),
    };
    found.ok_or_else(|| {
        let known: Vec<&str> = items.iter().map(&name_of).collect();
        let asked = name.unwrap_or("");
        let next = match nearest(asked, &known) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None if known.is_empty() => format!("give the model a {kind} first"),
            None => format!("choose one of: {}", known.join(", ")),
        };
        Error::new(
            Kind::Mismatch,
            format!("the simulated bench has no {kind} called \"{asked}\""),
        )
        .next(next)
    })
}
