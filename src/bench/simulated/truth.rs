//! What the model's figures truly are, for tests to hold measurements against.
//!
//! Every value comes from the closed forms of [`super::path`] or from the Fourier integral of the output stage's own
//! curve over one period; nothing here looks at a simulated sample, and no analysis code of this crate is used.
//!
//! Near clipping the ripple modulates the limit. A harmonic is then the mean over all phases of the ripple, which is
//! what a long capture shows at n·f as long as f and the mains are incommensurate.

use super::path::AmplifierPath;
use super::power_stage::StageTables;
use super::transform::Transform;
use crate::error::Result;
use crate::figure::{Band, Driven};
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::{SQRT_2, TAU};

/// Points of one period for the Fourier integrals.
const POINTS: u32 = 1 << 14;
/// Harmonics kept.
const HARMONICS: usize = 400;
/// Phases of the ripple that a mean is taken over.
const RIPPLE_PHASES: u32 = 64;
/// Intervals of Simpson's rule on a logarithmic frequency axis.
const INTERVALS: u32 = 4096;
/// Halvings of a bisection: 2⁻⁴⁵ of the first interval.
const HALVINGS: u32 = 45;

/// The true figures of an amplifier at one setup. Channels count from 0.
#[derive(Debug, Clone)]
pub struct Truth {
    path: AmplifierPath,
    driven: Driven,
    tables: [StageTables; 2],
    period: Transform,
}

/// A tone at the load.
#[derive(Debug, Clone, PartialEq)]
pub struct ToneTruth {
    /// Frequency of the fundamental, Hz.
    pub hertz: f64,
    /// Complex peak voltages of order 1, 2, …, with phases re a cosine of the e.m.f.
    pub peaks: Vec<Complex64>,
}

impl ToneTruth {
    /// Rms of the harmonic of `order`, V; the fundamental is order 1.
    pub fn harmonic_v(&self, order: usize) -> f64 {
        order
            .checked_sub(1)
            .and_then(|i| self.peaks.get(i))
            .map_or(0.0, |z| z.norm() / SQRT_2)
    }

    /// Rms of the fundamental, V.
    pub fn level_v(&self) -> f64 {
        self.harmonic_v(1)
    }

    /// Level of a harmonic re the fundamental, dB.
    pub fn harmonic_db(&self, order: usize) -> f64 {
        20.0 * (self.harmonic_v(order) / self.level_v()).log10()
    }

    /// √ΣHₙ²/H₁ over the harmonics from the second on that lie in `band`.
    pub fn thd(&self, band: Band) -> f64 {
        let mut order = 0.0;
        let squares: f64 = self
            .peaks
            .iter()
            .map(|z| {
                order += 1.0;
                let counts = order > 1.5 && band.counts(order * self.hertz);
                if counts { z.norm_sqr() } else { 0.0 }
            })
            .sum();
        squares.sqrt() / self.peaks.first().map_or(f64::NAN, |z| z.norm())
    }
}

impl Truth {
    /// Of a resolved amplifier with `driven` channels.
    pub fn new(path: AmplifierPath, driven: Driven) -> Self {
        let rail = path.rail_v;
        let tables = path.channels.each_ref().map(|c| c.stage.tabulate(rail));
        Self {
            path,
            driven,
            tables,
            period: Transform::plan(&mut RealFftPlanner::new(), POINTS as usize),
        }
    }

    /// Small-signal gain, complex: load voltage of a channel re the e.m.f. that every driven channel gets. Where both are
    /// driven what leaks over is part of it, as it is in a take; of a channel that is not driven it is the leakage alone.
    pub fn gain(&self, channel: usize, hertz: f64) -> Complex64 {
        self.path.channels.get(channel).map_or(Complex64::ZERO, |c| {
            self.wanted_gain(channel, hertz) * c.stage.small_signal(hertz)
        })
    }

    /// [`Self::gain`] up to the wanted voltage of the output stage.
    fn wanted_gain(&self, channel: usize, hertz: f64) -> Complex64 {
        (0..2)
            .filter(|from| self.driven.includes(*from))
            .map(|from| self.share(from, channel, hertz))
            .sum()
    }

    /// What an e.m.f. at the input `from` adds to the wanted voltage of the channel `into`.
    fn share(&self, from: usize, into: usize, hertz: f64) -> Complex64 {
        let (Some(source), Some(sink)) = (self.path.channels.get(from), self.path.channels.get(into)) else {
            return Complex64::ZERO;
        };
        let direct = source.before_selector(hertz) * sink.after_selector(hertz);
        if from == into {
            direct
        } else {
            direct * sink.crosstalk(hertz)
        }
    }

    /// Gain re 1 kHz, dB.
    pub fn response_db(&self, channel: usize, hertz: f64) -> f64 {
        decibels(self.gain(channel, hertz).norm() / self.gain(channel, 1000.0).norm())
    }

    /// Phase, degrees.
    pub fn phase_deg(&self, channel: usize, hertz: f64) -> f64 {
        self.gain(channel, hertz).arg().to_degrees()
    }

    /// The −3.01 dB point below 1 kHz, Hz, where there is one above 0.01 Hz.
    pub fn corner_low_hz(&self, channel: usize) -> Option<f64> {
        const FAR_HZ: f64 = 0.01;
        let half = |hertz: f64| self.response_db(channel, hertz) + 10.0 * 2f64.log10();
        if half(FAR_HZ) > 0.0 {
            return None;
        }
        Some(bisect(1000f64.ln(), FAR_HZ.ln(), |x| half(x.exp()) < 0.0).exp())
    }

    /// Left gain re right gain, dB.
    pub fn balance_db(&self, hertz: f64) -> f64 {
        decibels(self.gain(0, hertz).norm() / self.gain(1, hertz).norm())
    }

    /// What the channel `driven` gives re what comes out of the other one, dB.
    pub fn separation_db(&self, driven: usize, hertz: f64) -> f64 {
        let other = 1 - driven.min(1);
        let at_load = |into: usize| {
            let stage = self.path.channels.get(into).map(|c| c.stage.small_signal(hertz));
            (self.share(driven, into, hertz) * stage.unwrap_or(Complex64::ZERO)).norm()
        };
        decibels(at_load(driven) / at_load(other))
    }

    /// Source impedance for small signals, Ω: R·(V_open/V_load − 1), complex; zero without a load to define it.
    pub fn source_impedance(&self, channel: usize, hertz: f64) -> Complex64 {
        self.path.channels.get(channel).map_or(Complex64::ZERO, |c| {
            let load = c.stage.load_ohm.unwrap_or(0.0);
            (c.stage.small_signal(hertz).inv() - 1.0) * load
        })
    }

    /// A tone at the load while every driven channel gets a sine of `emf_v` rms.
    ///
    /// # Errors
    /// Only where a transform refuses its buffers.
    pub fn tone(&self, channel: usize, hertz: f64, emf_v: f64) -> Result<ToneTruth> {
        let Some((own, tables)) = self.path.channels.get(channel).zip(self.tables.get(channel)) else {
            return Ok(ToneTruth {
                hertz,
                peaks: Vec::new(),
            });
        };
        let gain = self.wanted_gain(channel, hertz);
        let peak = gain.norm() * emf_v * SQRT_2;
        let limits = self.limits(channel, peak, self.rail_current_a(hertz, emf_v));
        let (mut lost, mut error) = (vec![0.0; POINTS as usize], vec![0.0; POINTS as usize]);
        #[allow(clippy::cast_precision_loss, reason = "a handful of limits")]
        let share = 1.0 / limits.len() as f64;
        for (point, (l, e)) in (0..POINTS).zip(lost.iter_mut().zip(&mut error)) {
            let wanted = peak * (TAU * f64::from(point) / f64::from(POINTS)).cos();
            for limit in &limits {
                let (a, h) = tables.products(wanted, *limit);
                *l += a * share;
                *e += h * share;
            }
        }
        let (lost, error) = (self.period.forward(&lost)?, self.period.forward(&error)?);
        let passed = (1.0 - own.stage.wiring_share()) * peak;
        let mut order = 0.0;
        let peaks = lost
            .iter()
            .zip(&error)
            .skip(1)
            .take(HARMONICS)
            .map(|(a, h)| {
                order += 1.0;
                let f = order * hertz;
                let products = (a + own.stage.built.loop_gain.residue(f) * h) * (2.0 / f64::from(POINTS));
                let linear = if order < 1.5 { passed } else { 0.0 };
                (linear - products) * own.stage.inductor(f) * Complex64::cis(order * gain.arg())
            })
            .collect();
        Ok(ToneTruth { hertz, peaks })
    }

    /// Everything but the fundamental in `band` re everything in it: harmonics, noise and mains lines at this drive. The
    /// measuring interface's own share is not in it.
    ///
    /// # Errors
    /// Only where a transform refuses its buffers.
    pub fn thd_n(&self, channel: usize, hertz: f64, emf_v: f64, band: Band) -> Result<f64> {
        let tone = self.tone(channel, hertz, emf_v)?;
        let level = tone.level_v();
        let noise = self.noise_v(channel, band, &|_| 1.0);
        let current = self.rail_current_a(hertz, emf_v);
        let hum: f64 = (1..=super::path::RIPPLE_ORDERS)
            .filter(|order| band.counts(f64::from(*order) * self.mains_hz()))
            .map(|order| self.hum_line_at_v(channel, order, current).powi(2))
            .sum();
        let rest = (tone.thd(band) * level).powi(2) + noise * noise + hum;
        Ok((rest / (rest + level * level)).sqrt())
    }

    /// The limits that the ripple runs through, V; one, far away, where nothing clips.
    fn limits(&self, channel: usize, peak: f64, current_a: f64) -> Vec<f64> {
        let Some(own) = self.path.channels.get(channel) else {
            return vec![f64::INFINITY];
        };
        let supply = &self.path.supply;
        let top = self.path.rail_v - supply.resistance_ohm * current_a;
        let ripple = supply.ripple_v(current_a);
        if peak < own.stage.limit_v(top - ripple) - super::limiter::KNEES_UNTOUCHED * own.stage.built.knee_v {
            return vec![f64::INFINITY];
        }
        // The ripple is made of straight lines: it spends equal times at all voltages.
        (0..RIPPLE_PHASES)
            .map(|i| {
                let part = (f64::from(i) + 0.5) / f64::from(RIPPLE_PHASES);
                own.stage.limit_v(top - ripple * part)
            })
            .collect()
    }

    /// Mean current of each rail, A, while every driven channel gets a sine of `emf_v` rms.
    pub fn rail_current_a(&self, hertz: f64, emf_v: f64) -> f64 {
        let mut total = 0.0;
        for (index, channel) in self.path.channels.iter().enumerate() {
            let peak = self.wanted_gain(index, hertz).norm() * emf_v * SQRT_2;
            let siemens = channel.stage.current_a(1.0);
            let sum: f64 = (0..POINTS / 8)
                .map(|i| {
                    let volts = peak * (TAU * f64::from(i) * 8.0 / f64::from(POINTS)).cos();
                    let held = volts.clamp(-self.path.rail_v, self.path.rail_v);
                    channel.stage.pair.rail_current_a(held * siemens)
                })
                .sum();
            total += sum / f64::from(POINTS / 8);
        }
        total
    }

    /// Power of a tone's fundamental in the load, W; `None` without a load.
    pub fn power_w(&self, channel: usize, tone: &ToneTruth) -> Option<f64> {
        let load = self.path.channels.get(channel)?.stage.load_ohm?;
        Some(tone.level_v() * tone.level_v() / load)
    }

    /// E.m.f. that brings `watts` to the load, V rms; `None` without a load or where the amplifier cannot.
    ///
    /// # Errors
    /// Only where a transform refuses its buffers.
    pub fn emf_for_power_v(&self, channel: usize, hertz: f64, watts: f64) -> Result<Option<f64>> {
        let Some(load) = self.path.channels.get(channel).and_then(|c| c.stage.load_ohm) else {
            return Ok(None);
        };
        let wanted_v = (watts * load).sqrt();
        let linear = wanted_v / self.gain(channel, hertz).norm();
        let short = |emf: f64| -> Result<f64> { Ok(self.tone(channel, hertz, emf)?.level_v() - wanted_v) };
        // False position with the Illinois rule: the level is all but proportional to the e.m.f.
        let (mut low, mut high) = (0.9 * linear, 1.5 * linear);
        let (mut below, mut above) = (short(low)?, short(high)?);
        if above < 0.0 || below > 0.0 {
            return Ok(None);
        }
        for _ in 0..HALVINGS {
            let emf = (low * above - high * below) / (above - below);
            let miss = short(emf)?;
            if miss.abs() < 1e-12 * wanted_v {
                return Ok(Some(emf));
            }
            if miss < 0.0 {
                (low, below, above) = (emf, miss, 0.5 * above);
            } else {
                (high, above, below) = (emf, miss, 0.5 * below);
            }
        }
        Ok(Some(0.5 * (low + high)))
    }

    /// Power of a 1 kHz sine whose peaks just touch the lowest limit of the rippling rail, W; `None` without a load.
    ///
    /// # Errors
    /// Only where a transform refuses its buffers.
    pub fn clipping_onset_w(&self, channel: usize) -> Result<Option<f64>> {
        const HERTZ: f64 = 1000.0;
        let Some(own) = self.path.channels.get(channel) else {
            return Ok(None);
        };
        let emf_per_peak = 1.0 / (self.wanted_gain(channel, HERTZ).norm() * SQRT_2);
        let supply = &self.path.supply;
        let touches = |peak: f64| {
            let current = self.rail_current_a(HERTZ, peak * emf_per_peak);
            let rail = self.path.rail_v - supply.resistance_ohm * current - supply.ripple_v(current);
            peak >= own.stage.limit_v(rail)
        };
        let peak = bisect(0.0, self.path.rail_v, touches);
        let tone = self.tone(channel, HERTZ, peak * emf_per_peak)?;
        Ok(self.power_w(channel, &tone))
    }

    /// Noise density at the load, V²/Hz.
    pub fn noise_density(&self, channel: usize, hertz: f64) -> f64 {
        self.path
            .channels
            .get(channel)
            .map_or(0.0, |c| c.noise_density(hertz))
    }

    /// Noise without hum in `band`, V rms, with the amplitude weighting `weight` (1 is flat).
    pub fn noise_v(&self, channel: usize, band: Band, weight: &dyn Fn(f64) -> f64) -> f64 {
        let (low, high) = (band.low_hz.ln(), band.high_hz.ln());
        let step = (high - low) / f64::from(INTERVALS);
        let sum: f64 = (0..=INTERVALS)
            .map(|i| {
                let hertz = (low + step * f64::from(i)).exp();
                let w = weight(hertz);
                let simpson = match i {
                    0 | INTERVALS => 1.0,
                    i if i % 2 == 1 => 4.0,
                    _ => 2.0,
                };
                simpson * self.noise_density(channel, hertz) * w * w * hertz
            })
            .sum();
        (sum * step / 3.0).sqrt()
    }

    /// A mains line at the load with no signal, V rms.
    pub fn hum_line_v(&self, channel: usize, order: u32) -> f64 {
        self.hum_line_at_v(channel, order, self.path.idle_current_a())
    }

    /// A mains line at the load at a mean rail current, V rms.
    pub fn hum_line_at_v(&self, channel: usize, order: u32, current_a: f64) -> f64 {
        let Some(own) = self.path.channels.get(channel) else {
            return 0.0;
        };
        let of_order = |lines: Vec<(u32, Complex64)>| -> Complex64 {
            lines.iter().filter(|(o, _)| *o == order).map(|(_, z)| z).sum()
        };
        (of_order(own.hum_lines()) + of_order(self.path.ripple_lines()) * current_a).norm() / SQRT_2
    }

    /// Frequency of the mains, Hz.
    pub fn mains_hz(&self) -> f64 {
        self.path.supply.mains.frequency_hz
    }
}

fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Where `beyond` turns true between `from` (false) and `to` (true).
fn bisect(from: f64, to: f64, beyond: impl Fn(f64) -> bool) -> f64 {
    let (mut near, mut far) = (from, to);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (near + far);
        if beyond(middle) {
            far = middle;
        } else {
            near = middle;
        }
    }
    0.5 * (near + far)
}
