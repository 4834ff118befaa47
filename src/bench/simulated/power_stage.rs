//! The output stage behind its feedback loop, its limits and the wiring to the load.
//!
//! For a wanted voltage w (what would come out without any error and without load) the model is, with H the harmonic
//! content at each frequency f,
//!
//! - v = w − c(w): the limiter of [`super::limiter`] cuts what the sagging rail cannot give;
//! - i(v): the current that v drives through wiring, contact and load;
//! - h(v) = e(i) + a₂v² + a₃v³: the error before feedback, e the drop of [`super::output_pair`], the polynomial that
//!   of the stage before it;
//! - F(f) = 1/(1 + T(f)), T(f) = T₀/(1 + jf/f_T): what the loop leaves of an error. It rises with frequency, and the
//!   distortion with it; its share of h's linear part is the source impedance;
//! - load voltage = [(1 − ρ)·v − q(v) − F·h(v)]·R/(R + jωL), ρ and q the linear and the contact's share of what is lost
//!   in series.
//!
//! h is taken at v instead of at what is left after feedback. That error is of second order, h′·F ≈ 1e-4 of the
//! distortion itself, and it is part of the model: the simulation and the truth both follow these equations, which is
//! what makes every harmonic computable.

use super::contact::Contact;
use super::curve::OddCurve;
use super::limiter::{KNEES_UNTOUCHED, cut_off_v};
use super::output_pair::OutputPair;
use super::oversampling::{Oversampler, Product};
use crate::error::Result;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Loop gain around the output stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoopGain {
    /// T₀, well below the corner.
    pub dc: f64,
    /// Where it begins to fall, Hz.
    pub corner_hz: f64,
}

impl LoopGain {
    /// What the loop leaves of an error: 1/(1 + T).
    pub fn residue(&self, hertz: f64) -> Complex64 {
        let t = self.dc / Complex64::new(1.0, hertz / self.corner_hz);
        (t + 1.0).inv()
    }
}

/// One channel's output stage as built.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerStage {
    /// Emitter resistor, Ω.
    pub emitter_ohm: f64,
    /// The device's own resistance as seen at its emitter, Ω.
    pub internal_ohm: f64,
    /// Junction temperature, K.
    pub junction_kelvin: f64,
    /// a₂ of the stage before the output devices, referred to the output, 1/V.
    pub second_per_v: f64,
    /// a₃ likewise, 1/V².
    pub third_per_v2: f64,
    /// Loop gain.
    pub loop_gain: LoopGain,
    /// Wiring, relay and terminals, Ω.
    pub wiring_ohm: f64,
    /// Output inductor and wiring, H.
    pub inductance_h: f64,
    /// A film on the relay's contacts.
    pub contact: Option<Contact>,
    /// Voltage between rail and clipped output, V.
    pub dropout_v: f64,
    /// Softness of clipping, V; 0 is ideal.
    pub knee_v: f64,
}

/// An output stage at its bias and with its load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadedStage {
    /// As built.
    pub built: PowerStage,
    /// The pair at its bias.
    pub pair: OutputPair,
    /// Load, Ω; `None` is open.
    pub load_ohm: Option<f64>,
}

impl LoadedStage {
    /// Current into the load, A, while the stage holds `volts` before wiring and contact.
    pub fn current_a(&self, volts: f64) -> f64 {
        let Some(load) = self.load_ohm else { return 0.0 };
        let ohm = load + self.built.wiring_ohm;
        match self.built.contact {
            Some(contact) => contact.current_a(volts, ohm),
            None => volts / ohm,
        }
    }

    /// h(v): the error that feedback then reduces, V.
    pub fn error_v(&self, volts: f64) -> f64 {
        self.pair.drop_v(self.current_a(volts)) + self.polynomial_v(volts)
    }

    /// Slope of [`Self::error_v`] at zero.
    pub fn error_slope(&self) -> f64 {
        self.pair.idle_resistance_ohm() * self.conductance_s()
    }

    fn polynomial_v(&self, volts: f64) -> f64 {
        volts * volts * (self.built.second_per_v + self.built.third_per_v2 * volts)
    }

    /// Load current per volt at small signals, S.
    fn conductance_s(&self) -> f64 {
        let contact = self.built.contact.map_or(0.0, |c| c.resistance_ohm);
        self.load_ohm
            .map_or(0.0, |load| 1.0 / (load + self.built.wiring_ohm + contact))
    }

    /// ρ: the share of the voltage that is lost in the wiring.
    pub fn wiring_share(&self) -> f64 {
        self.load_ohm
            .map_or(0.0, |load| self.built.wiring_ohm / (load + self.built.wiring_ohm))
    }

    /// q(v): what the contact takes beyond the wiring's share, V.
    pub fn contact_loss_v(&self, volts: f64) -> f64 {
        match (self.load_ohm, self.built.contact) {
            (Some(load), Some(_)) => volts * (1.0 - self.wiring_share()) - self.current_a(volts) * load,
            _ => 0.0,
        }
    }

    /// Load voltage re the voltage before the output inductor.
    pub fn inductor(&self, hertz: f64) -> Complex64 {
        match self.load_ohm {
            Some(load) => Complex64::new(1.0, TAU * hertz * self.built.inductance_h / load).inv(),
            None => Complex64::new(1.0, 0.0),
        }
    }

    /// Load voltage re wanted voltage at small signals.
    pub fn small_signal(&self, hertz: f64) -> Complex64 {
        let through = self.load_ohm.map_or(1.0, |load| load * self.conductance_s());
        (through - self.built.loop_gain.residue(hertz) * self.error_slope()) * self.inductor(hertz)
    }

    /// Largest voltage that a rail of `rail_v` lets out, V.
    pub fn limit_v(&self, rail_v: f64) -> f64 {
        (rail_v - self.built.dropout_v).max(0.0)
    }

    /// The curves as tables, up to `reach_v`.
    pub fn tabulate(&self, reach_v: f64) -> StageTables {
        StageTables {
            stage: *self,
            wiring_share: self.wiring_share(),
            drop: OddCurve::new(reach_v, |v| self.pair.drop_v(self.current_a(v))),
            contact: (self.load_ohm.is_some() && self.built.contact.is_some())
                .then(|| OddCurve::new(reach_v, |v| self.contact_loss_v(v))),
        }
    }
}

/// A stage whose curves are tables, ready to run.
#[derive(Debug, Clone)]
pub struct StageTables {
    stage: LoadedStage,
    wiring_share: f64,
    drop: OddCurve,
    contact: Option<OddCurve>,
}

impl StageTables {
    /// What a wanted voltage loses at a limit: (1 − ρ)·c + q, and h, V.
    #[inline]
    pub fn products(&self, wanted: f64, limit: f64) -> (f64, f64) {
        let cut = cut_off_v(wanted, limit, self.stage.built.knee_v);
        let v = wanted - cut;
        let contact = self.contact.as_ref().map_or(0.0, |c| c.at(v));
        let error = self.drop.at(v) + self.stage.polynomial_v(v);
        ((1.0 - self.wiring_share) * cut + contact, error)
    }

    /// Runs the wanted voltages `wanted` under the rail `rail_v` (one value a frame) and returns two products at the
    /// sample rate: (1 − ρ)·c + q, and h; `None` where there is nothing of it in the whole take.
    ///
    /// # Errors
    /// Only where a transform refuses its buffers.
    pub(super) fn run(
        &self,
        oversampler: &Oversampler,
        wanted: &[f64],
        rail_v: &[f64],
    ) -> Result<[Option<Vec<f64>>; 2]> {
        let factor = oversampler.factor();
        oversampler.run(wanted, |first, wave, lost, error| {
            let rails = Rails {
                stage: &self.stage,
                rail_v,
                first,
            };
            self.block(&rails, factor, wave, lost, error);
        })
    }

    fn block(&self, rails: &Rails<'_>, factor: usize, wave: &[f64], lost: &mut Product, error: &mut Product) {
        let peak = wave.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        let frames = wave.len() / factor;
        let clips = peak > rails.lowest(frames) - KNEES_UNTOUCHED * self.stage.built.knee_v;
        lost.used = clips || self.contact.is_some();
        error.used = true;
        #[allow(clippy::cast_precision_loss, reason = "a small power of two")]
        let per_sample = 1.0 / factor as f64;
        let samples = wave.chunks_exact(factor);
        let outputs = lost
            .samples
            .chunks_exact_mut(factor)
            .zip(error.samples.chunks_exact_mut(factor));
        for (frame, (wanted, (lost_v, error_v))) in samples.zip(outputs).enumerate() {
            let (start, step) = if clips {
                let now = rails.limit(frame);
                (now, (rails.limit(frame + 1) - now) * per_sample)
            } else {
                (f64::INFINITY, 0.0)
            };
            let mut limit = start;
            for ((w, l), e) in wanted.iter().zip(lost_v).zip(error_v) {
                (*l, *e) = self.products(*w, limit);
                limit += step;
            }
        }
    }
}

/// The rail under one block.
struct Rails<'a> {
    stage: &'a LoadedStage,
    rail_v: &'a [f64],
    first: i64,
}

impl Rails<'_> {
    /// Limit at the `frame`-th frame of the block; the first and last rails hold beyond the ends.
    fn limit(&self, frame: usize) -> f64 {
        let offset = i64::try_from(frame).unwrap_or(i64::MAX);
        let index = usize::try_from(self.first.saturating_add(offset)).unwrap_or(0);
        let rail = self
            .rail_v
            .get(index.min(self.rail_v.len().saturating_sub(1)))
            .copied()
            .unwrap_or(f64::INFINITY);
        self.stage.limit_v(rail)
    }

    fn lowest(&self, frames: usize) -> f64 {
        (0..=frames).fold(f64::INFINITY, |m, frame| m.min(self.limit(frame)))
    }
}
