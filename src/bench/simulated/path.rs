//! One channel's way from the source's e.m.f. to the load, at one setup: gain, noise density and mains lines as functions
//! of frequency.
//!
//! The simulation multiplies spectra by these functions, the truth evaluates them.

use super::amplifier::{AmplifierModel, ChannelModel, InputStage, ToneControls};
use super::analogue::{bass_shelf, high_pass, low_pass, rc_corner_hz, riaa, treble_shelf};
use super::output_pair::OutputPair;
use super::power_stage::LoadedStage;
use super::supply::Supply;
use super::thermal::{johnson_density, thermal_voltage};
use crate::error::Result;
use crate::signal::take::Setup;
use rustfft::num_complex::Complex64;
use std::f64::consts::{SQRT_2, TAU};

/// What stands at one input of the amplifier, and at its output.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// Whether a generator drives the input; otherwise it is terminated.
    pub driven: bool,
    /// Resistance of the generator or the termination, Ω; infinite is open.
    pub source_ohm: f64,
    /// Noise density of the generator's e.m.f. beside its thermal noise, V²/Hz.
    pub source_noise: f64,
    /// Load, Ω; `None` is open.
    pub load_ohm: Option<f64>,
}

/// One channel of an amplifier at one setup.
#[derive(Debug, Clone)]
pub struct ChannelPath {
    /// What it is connected to.
    pub surroundings: Surroundings,
    /// Output stage with bias and load.
    pub stage: LoadedStage,
    input: InputStage,
    channel: ChannelModel,
    tone: ToneControls,
    volume_ratio: f64,
    track_ohm: f64,
    kelvin: f64,
    mains_hz: f64,
}

/// Both channels and what they share.
#[derive(Debug, Clone)]
pub struct AmplifierPath {
    /// Left and right.
    pub channels: [ChannelPath; 2],
    /// Supply.
    pub supply: Supply,
    /// Rail at no current, V.
    pub rail_v: f64,
}

impl AmplifierPath {
    /// Resolves a setup.
    ///
    /// # Errors
    /// Where the setup names an input, mode or volume position that the model does not have.
    pub fn new(model: &AmplifierModel, setup: &Setup, surroundings: [Surroundings; 2]) -> Result<Self> {
        let input = model.input(setup.input.as_deref())?;
        let mode = model.mode(setup.mode.as_deref())?;
        let attenuation_db = model.volume.attenuation_db(setup.volume.as_deref())?;
        let [left, right] = &model.channels;
        let path = |channel: &ChannelModel, around: Surroundings| {
            let built = channel.stage;
            ChannelPath {
                surroundings: around,
                stage: LoadedStage {
                    built,
                    pair: OutputPair {
                        idle_a: mode.idle_a * channel.idle_ratio,
                        resistance_ohm: built.emitter_ohm + built.internal_ohm,
                        thermal_v: thermal_voltage(built.junction_kelvin),
                    },
                    load_ohm: around.load_ohm,
                },
                input: input.clone(),
                channel: channel.clone(),
                tone: model.tone,
                volume_ratio: 10f64.powf(-attenuation_db * (1.0 + channel.track_error) / 20.0),
                track_ohm: model.volume.track_ohm,
                kelvin: model.kelvin,
                mains_hz: model.supply.mains.frequency_hz,
            }
        };
        let [around_left, around_right] = surroundings;
        Ok(Self {
            channels: [path(left, around_left), path(right, around_right)],
            supply: model.supply,
            rail_v: mode.rail_v,
        })
    }

    /// Mean current of each rail with no signal, A.
    pub fn idle_current_a(&self) -> f64 {
        self.channels
            .iter()
            .map(|c| c.stage.pair.rail_current_a(0.0))
            .sum()
    }
}

impl ChannelPath {
    /// From the generator's e.m.f. to the selector: input divider and disc equaliser.
    pub fn before_selector(&self, hertz: f64) -> Complex64 {
        self.divider(hertz) * self.equaliser(hertz)
    }

    /// Input voltage re e.m.f.
    fn divider(&self, hertz: f64) -> Complex64 {
        let (r, rs) = (self.input.resistance_ohm, self.surroundings.source_ohm);
        if rs.is_infinite() {
            return Complex64::ZERO;
        }
        let parallel = r * rs / (r + rs);
        Complex64::new(1.0, TAU * hertz * self.input.capacitance_f * parallel).inv() * (r / (r + rs))
    }

    /// Gain of the disc equaliser, 1 where there is none.
    fn equaliser(&self, hertz: f64) -> Complex64 {
        match self.input.phono {
            Some(phono) => {
                let middle = riaa(1000.0, phono.subsonic).norm();
                riaa(hertz, phono.subsonic) * (phono.gain_1khz / middle)
            }
            None => Complex64::new(1.0, 0.0),
        }
    }

    /// From the selector to the wanted output voltage.
    pub fn after_selector(&self, hertz: f64) -> Complex64 {
        self.after_volume(hertz) * self.volume_ratio
    }

    fn after_volume(&self, hertz: f64) -> Complex64 {
        let c = &self.channel;
        let coupling = high_pass(hertz, rc_corner_hz(c.coupling_ohm, c.coupling_f));
        let mut gain = coupling * c.gain;
        if self.tone.bass_db.abs() > 0.0 {
            gain *= bass_shelf(hertz, self.tone.bass_hz, self.tone.bass_db);
        }
        if self.tone.treble_db.abs() > 0.0 {
            gain *= treble_shelf(hertz, self.tone.treble_hz, self.tone.treble_db);
        }
        for corner in &c.bandwidth_hz {
            gain *= low_pass(hertz, *corner);
        }
        gain
    }

    /// What comes over from the other channel at the selector.
    pub fn crosstalk(&self, hertz: f64) -> Complex64 {
        let x = self.channel.crosstalk;
        Complex64::new(1.0, hertz / x.corner_hz) * x.level
    }

    /// Noise at the load, V²/Hz, at `hertz` > 0: thermal noise of source, input and volume control, the generator's own,
    /// and the amplifying stages'. All are independent, so that their densities add.
    pub fn noise_density(&self, hertz: f64) -> f64 {
        let (r, rs) = (self.input.resistance_ohm, self.surroundings.source_ohm);
        let parallel = if rs.is_infinite() { r } else { r * rs / (r + rs) };
        // Nyquist: a passive network makes 4kT·Re Z; Z is the parallel resistance with the input capacitance across it.
        let x = TAU * hertz * self.input.capacitance_f * parallel;
        let thermal = johnson_density(parallel / (1.0 + x * x), self.kelvin);
        let generator = self.surroundings.source_noise * self.divider(hertz).norm_sqr();
        let phono = self.input.phono.map_or(0.0, |p| p.noise.power_density(hertz));
        let at_selector = (thermal + generator + phono) * self.equaliser(hertz).norm_sqr();
        let a = self.volume_ratio;
        let wiper = johnson_density(self.track_ohm * a * (1.0 - a), self.kelvin);
        let behind = at_selector * a * a + wiper + self.channel.line_noise.power_density(hertz);
        let gain = (self.after_volume(hertz) * self.stage.small_signal(hertz)).norm_sqr();
        behind * gain + self.channel.output_noise.power_density(hertz)
    }

    /// Mains lines at the load that do not depend on the load current: (order, complex peak V re the mains' cosine).
    pub fn hum_lines(&self) -> Vec<(u32, Complex64)> {
        let line = |l: &super::amplifier::HumLine, gain: Complex64| {
            (
                l.order,
                Complex64::from_polar(l.volts * SQRT_2, l.phase_deg.to_radians()) * gain,
            )
        };
        let output = self
            .channel
            .output_hum
            .iter()
            .map(|l| line(l, Complex64::new(1.0, 0.0)));
        let input = self.channel.input_hum.iter().map(|l| {
            let hertz = f64::from(l.order) * self.mains_hz;
            line(l, self.after_selector(hertz) * self.stage.small_signal(hertz))
        });
        output.chain(input).collect()
    }
}

/// Highest mains order that the supply's ripple is carried to.
pub const RIPPLE_ORDERS: u32 = 40;

impl AmplifierPath {
    /// Mains lines at either output per ampere of mean rail current: (order, complex peak V/A).
    pub fn ripple_lines(&self) -> Vec<(u32, Complex64)> {
        let volts_per_ampere = self.supply.ripple_v(1.0) * self.supply.leakage;
        (2..=RIPPLE_ORDERS)
            .step_by(2)
            .map(|order| {
                let peak = volts_per_ampere * self.supply.ripple_line(order);
                (order, Complex64::new(peak, 0.0))
            })
            .collect()
    }
}
