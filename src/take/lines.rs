//! Spectral lines of a stretch: where the strongest sines are, to a small fraction of a bin.
//!
//! Four-term Blackman–Harris window (side lobes −92 dB; Harris, Proc. IEEE 66(1), 1978), a power spectrum, and a parabola through the logarithm of a peak and its neighbours: the window's main lobe is so nearly
//! Gaussian that the interpolated frequency is within 0.005 bins. The power of a line is that of its main lobe,
//! so that it adds up whatever its place between two bins.

use crate::dsp::window::Window;
use realfft::{RealFftPlanner, RealToComplex};
use std::f64::consts::TAU;
use std::sync::Arc;

/// Half width of the window's main lobe, in bins of the unpadded spectrum.
pub(super) const LOBE: usize = 4;

/// One spectral line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    /// Radians a sample.
    pub(super) omega: f64,
    /// Mean square of the sine.
    pub(super) power: f64,
    /// Index of the peak in the padded spectrum.
    pub(super) bin: usize,
}

/// Window and transform of stretches of one length, made once.
pub(super) struct Transform {
    window: Vec<f64>,
    window_square: f64,
    window_sum: f64,
    padded: usize,
    fft: Arc<dyn RealToComplex<f64>>,
}

impl Transform {
    /// For stretches of `length` samples, padded to the next power of two times `padding`.
    pub(super) fn new(length: usize, padding: usize) -> Self {
        let window: Vec<f64> = Window::BlackmanHarris.samples(length);
        let padded = (length.max(1).next_power_of_two() * padding).max(8);
        Self {
            window_square: window.iter().map(|w| w * w).sum(),
            window_sum: window.iter().sum(),
            padded,
            fft: RealFftPlanner::<f64>::new().plan_fft_forward(padded),
            window,
        }
    }

    /// Spectrum of a stretch without its mean. Empty where the stretch is shorter than 8 samples or not of the
    /// transform's length.
    pub(super) fn spectrum(&self, x: &[f64]) -> Spectrum {
        let length = self.window.len();
        let nothing = Spectrum {
            power: Vec::new(),
            length,
        };
        if length < 8 || x.len() != length {
            return nothing;
        }
        let mean = x.iter().zip(&self.window).map(|(v, w)| v * w).sum::<f64>() / self.window_sum;
        let mut buffer = vec![0.0; self.padded];
        for ((b, v), w) in buffer.iter_mut().zip(x).zip(&self.window) {
            *b = (v - mean) * w;
        }
        let mut out = self.fft.make_output_vec();
        // The lengths fit by construction; an error could only mean an empty spectrum.
        if self.fft.process(&mut buffer, &mut out).is_err() {
            return nothing;
        }
        // One-sided; Parseval over the padded length.
        let scale = 2.0 / (self.padded as f64 * self.window_square);
        Spectrum {
            power: out.iter().map(|c| c.norm_sqr() * scale).collect(),
            length,
        }
    }
}

/// A windowed power spectrum: entry i is the mean square around i / (2 (entries − 1)) cycles a sample, scaled so that the
/// sum over a line's main lobe is its mean square.
#[derive(Debug, Clone)]
pub(super) struct Spectrum {
    /// Mean square per entry.
    pub(super) power: Vec<f64>,
    /// Samples that were transformed, before padding.
    pub(super) length: usize,
}

impl Spectrum {
    /// Radians a sample of one entry.
    pub(super) fn step(&self) -> f64 {
        TAU / (2.0 * (self.power.len().max(2) - 1) as f64)
    }

    /// Half width of a line's main lobe in entries.
    pub(super) fn lobe(&self) -> usize {
        let per_bin = TAU / self.length as f64 / self.step();
        (LOBE as f64 * per_bin).ceil() as usize
    }

    /// Frequency of the peak at entry `i`, by a parabola through the logarithms.
    pub(super) fn interpolate(&self, i: usize) -> f64 {
        if i == 0 || i + 1 >= self.power.len() {
            return i as f64 * self.step();
        }
        let [a, b, c] = [i - 1, i, i + 1].map(|k| self.power[k].max(f64::MIN_POSITIVE).ln());
        let curvature = a - 2.0 * b + c;
        let shift = if curvature < 0.0 {
            0.5 * (a - c) / curvature
        } else {
            0.0
        };
        (i as f64 + shift.clamp(-0.5, 0.5)) * self.step()
    }

    /// Mean square in the main lobe around entry `i`.
    pub(super) fn lobe_power(&self, i: usize) -> f64 {
        let half = self.lobe();
        let range = i.saturating_sub(half)..(i + half + 1).min(self.power.len());
        self.power[range].iter().sum()
    }

    /// Local maxima that are the highest of their own main lobe, the strongest first. DC's lobe is left out.
    pub(super) fn peaks(&self) -> Vec<Line> {
        let half = self.lobe();
        let p = &self.power;
        let mut found = Vec::new();
        let mut i = 1;
        while i + 1 < p.len() {
            let local = p[i] > p[i - 1] && p[i] >= p[i + 1];
            if local {
                let range = i.saturating_sub(half)..(i + half + 1).min(p.len());
                if p[range].iter().all(|v| *v <= p[i]) {
                    found.push(Line {
                        omega: self.interpolate(i),
                        power: self.lobe_power(i),
                        bin: i,
                    });
                    i += half;
                }
            }
            i += 1;
        }
        found.sort_by(|a, b| b.power.total_cmp(&a.power).then(a.bin.cmp(&b.bin)));
        found
    }
}

/// The `count` strongest lines of a stretch, whether or not they stand out of noise.
pub(super) fn find(x: &[f64], count: usize) -> Vec<Line> {
    let mut peaks = Transform::new(x.len(), 2).spectrum(x).peaks();
    peaks.truncate(count);
    peaks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_found_between_bins_with_its_power() {
        // Closed form: a sine of peak 0.5 has mean square 0.125. −92 dB side lobes leave 1e-4 of it outside at most.
        for place in [100.0, 100.31, 100.5] {
            let omega = TAU * place / 4096.0;
            let x: Vec<f64> = (0..4096).map(|n| 0.5 * (omega * f64::from(n)).sin()).collect();
            let line = find(&x, 1)[0];
            assert!(
                (line.omega - omega).abs() < 0.005 * TAU / 4096.0,
                "{place}: {}",
                line.omega / omega
            );
            assert!((line.power / 0.125 - 1.0).abs() < 1e-3, "{}", line.power);
        }
    }

    #[test]
    fn noise_power_is_kept() {
        // Parseval: white noise of mean square 1/12 keeps it, within the sampling error √(2·NENBW/N) ≈ 0.8 % (3 σ: 2.4 %).
        let mut state = 7u64;
        let x: Vec<f64> = (0..65_536)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
            })
            .collect();
        let total: f64 = Transform::new(x.len(), 2).spectrum(&x).power.iter().sum();
        assert!((total * 12.0 - 1.0).abs() < 0.025, "{total}");
    }
}
