//! From the gathered sums to amplitudes, frequencies and their uncertainties.

use super::blocks::{AMPLITUDE_VARIANCE, ChannelReaders, ToneReaders};
use super::gather::{Gathered, ToneSums};
use super::track::{line, wrap};
use super::uncertainty::Variance;
use super::{ChannelAnalysis, Fundamental, Harmonic, ToneAnalysis};
use crate::dsp::phase::turns;
use crate::dsp::sine_fit::frequency_bound;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Variance of a coherent mean of readings over the bound of an even weight.
const READER_COST: f64 = 1.05;

/// Fewest segments whose scatter says anything.
const FEWEST_SEGMENTS: usize = 8;

impl Gathered {
    /// The result.
    pub(super) fn finish(self, readers: &[ChannelReaders]) -> Vec<ChannelAnalysis> {
        let tones: Vec<Vec<ToneAnalysis>> = self
            .channels
            .iter()
            .zip(readers)
            .map(|(channel, readers)| {
                channel
                    .tones
                    .iter()
                    .zip(&readers.tones)
                    .map(|(tone, readers)| self.describe(tone, readers))
                    .collect()
            })
            .collect();
        self.channels
            .into_iter()
            .zip(tones)
            .map(|(channel, tones)| ChannelAnalysis {
                tones,
                spectrum: channel.power.spectrum(&self.grid, self.rate),
                dc: channel.dc.0 / channel.dc.1,
            })
            .collect()
    }

    fn describe(&self, tone: &ToneSums, readers: &ToneReaders) -> ToneAnalysis {
        let mean = tone.fundamental.mean();
        let unit = Complex64::from_polar(1.0, -mean.arg());
        let plain = self.variance(tone, readers, 0);
        let along = tone.fundamental.means().iter().map(|m| (m * unit).re).collect();
        let amplitude = plain.or_observed(scatter(&[along]));
        let harmonics = tone
            .orders
            .iter()
            .zip(&tone.harmonics)
            .enumerate()
            .map(|(h, (order, sum))| {
                let means = sum.means();
                let parts = [
                    means.iter().map(|m| m.re).collect(),
                    means.iter().map(|m| m.im).collect(),
                ];
                let noise = self.variance(tone, readers, h + 1);
                let variance = noise.or_observed(scatter(&parts));
                Harmonic {
                    order: *order,
                    amplitude: sum.mean() * unit.powu(*order),
                    u: variance.value.sqrt(),
                    noise_u: noise.value.sqrt(),
                    dof: variance.dof,
                }
            })
            .collect();
        let (frequency_hz, frequency_u, phase_rad) = self.frequency(tone, plain, mean);
        ToneAnalysis {
            fundamental: Fundamental {
                frequency_hz,
                frequency_u,
                amplitude: mean.norm(),
                amplitude_u: amplitude.value.sqrt(),
                dof: amplitude.dof,
                phase_rad,
            },
            harmonics,
        }
    }

    /// Noise variance of each part of a line's mean amplitude: density over duration.
    fn variance(&self, tone: &ToneSums, readers: &ToneReaders, index: usize) -> Variance {
        let n = self.grid.length as f64;
        let power = readers.noise_beside(&tone.rest, index, self.grid.count as f64);
        // One block has the variance AMPLITUDE_VARIANCE·|X|²/n²; the whole stretch is span/n such blocks.
        let mut variance = power.scaled(READER_COST * AMPLITUDE_VARIANCE / n / self.grid.span as f64);
        variance.dof *= self.grid.averages() / self.grid.count as f64;
        variance
    }

    /// Frequency (Hz), its standard uncertainty, and the phase at frame 0, from the straight line through the phases of
    /// the sine or of the one it follows.
    fn frequency(&self, tone: &ToneSums, noise: Variance, mean: Complex64) -> (f64, f64, f64) {
        let carrier = match tone.reference.leader {
            Some((d, j)) if tone.follows => &self.channels[d].tones[j],
            _ => tone,
        };
        let (phase, slope) = self.phase_line(&carrier.phases);
        let deviation = slope / TAU / self.hop();
        let nu = carrier.reference.nu + deviation;
        let span = self.grid.span as f64;
        let relative = noise.value.sqrt() / carrier.fundamental.mean().norm().max(1e-200);
        let bound = Variance {
            value: frequency_bound(relative, span).powi(2),
            dof: noise.dof,
        };
        let variance = bound.value + self.excess(carrier, bound);
        let middle = self.grid.first as f64 + span / 2.0;
        let at_zero = TAU * (turns(-carrier.reference.nu, 0.0) + turns(-deviation, middle)) + phase;
        let lead = if tone.follows { mean.arg() } else { 0.0 };
        (nu * self.rate, variance.sqrt() * self.rate, wrap(at_zero + lead))
    }

    /// Mean phase and slope a block, the ends weighted.
    fn phase_line(&self, phases: &[f64]) -> (f64, f64) {
        let middle = (phases.len() as f64 - 1.0) / 2.0;
        let (mut total, mut sum, mut moment, mut spread) = (0.0, 0.0, 0.0, 0.0);
        for (b, p) in phases.iter().enumerate() {
            let (w, t) = (self.weight(b), b as f64 - middle);
            total += w;
            sum += w * p;
            moment += w * t * p;
            spread += w * t * t;
        }
        (sum / total, moment / spread)
    }

    /// Variance of the mean frequency beyond noise, from the scatter of the segments' own frequencies.
    fn excess(&self, tone: &ToneSums, bound: Variance) -> f64 {
        let segments = self.grid.segments();
        let per = tone.phases.len() / segments.max(1);
        if segments < FEWEST_SEGMENTS || per < 2 {
            return 0.0;
        }
        let slopes: Vec<f64> = tone
            .phases
            .chunks_exact(per)
            .map(|part| line(part).1 / TAU / self.hop())
            .collect();
        let n = slopes.len() as f64;
        // The bound of a part's frequency is larger by the cube of the ratio of durations.
        let part = self.hop() * (per as f64 + 1.0);
        let expected = bound.scaled((self.grid.span as f64 / part).powi(3) / n);
        match scatter(&[slopes]) {
            Some(seen) if expected.or_observed(Some(seen)) == seen => (seen.value - expected.value).max(0.0),
            _ => 0.0,
        }
    }
}

/// Variance of the mean of the parts' values, several components together (GUM 4.2.3).
fn scatter(components: &[Vec<f64>]) -> Option<Variance> {
    let n = components.first()?.len();
    if n < FEWEST_SEGMENTS {
        return None;
    }
    let dof = (components.len() * (n - 1)) as f64;
    let squares: f64 = components
        .iter()
        .map(|values| {
            let mean = values.iter().sum::<f64>() / n as f64;
            values.iter().map(|v| (v - mean).powi(2)).sum::<f64>()
        })
        .sum();
    Some(Variance {
        value: squares / dof / n as f64,
        dof,
    })
}
