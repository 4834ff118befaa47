//! The averaged one-sided power spectral density of one channel, and band integrals of it.
//!
//! Bin `i` stands for the frequencies within half a bin of `i · bin_hz`; the first and the last bin (0 Hz and the
//! Nyquist frequency of an FFT of even length) are half as wide. A band takes of each bin the share of it that it
//! covers: a brick wall, exact for white noise whatever the edges, and the integral over all bins is the mean square of
//! the signal (Parseval).

use super::window::Window;
use crate::figure::Band;
use std::cell::OnceCell;

/// From this many segments on, their spread is the repeatability; below, statistics of Gaussian noise say more.
pub const ENOUGH_SEGMENTS: usize = 8;

/// One-sided power density: `density[i]` is the mean square per hertz around `i · bin_hz`, in (full scale)²/Hz, so that
/// the sum over all bins times `bin_hz` is the mean square of the signal (Parseval).
#[derive(Debug, Clone, PartialEq)]
pub struct PowerSpectrum {
    /// Spacing of the bins, Hz.
    pub bin_hz: f64,
    /// Mean density over the capture.
    pub density: Vec<f64>,
    /// Equivalent noise bandwidth of the window, in bins (Hann 1.5): how wide a pure line is smeared.
    pub line_width_bins: f64,
    /// Number of independent averages that `density` is worth (for its variance: 1/averages relative).
    pub averages: f64,
    /// Densities of consecutive, equally long parts of the capture (at most 16; fewer, or none, in short captures), for
    /// repeatability (Type A).
    pub segments: Vec<Vec<f64>>,
}

/// A mean square with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanSquare {
    /// (full scale)².
    pub value: f64,
    /// Standard uncertainty, same unit.
    pub u: f64,
    /// Degrees of freedom of `u`.
    pub dof: f64,
}

/// What a band takes of each bin: `weights[i]` of the power of bin `first + i`.
pub(super) struct BandWeights {
    first: usize,
    weights: Vec<f64>,
}

impl BandWeights {
    /// Σ density·weight, in units of density.
    fn sum(&self, density: &[f64]) -> f64 {
        let bins = density.get(self.first..).unwrap_or_default();
        self.weights.iter().zip(bins).map(|(w, d)| w * d).sum()
    }
}

impl PowerSpectrum {
    /// Frequency of the last bin, Hz.
    pub fn last_hz(&self) -> f64 {
        self.density.len().saturating_sub(1) as f64 * self.bin_hz
    }

    /// Half the width of a line's main lobe, in whole bins: beyond it the window hides what the line leaks.
    ///
    /// Twice the noise bandwidth covers the main lobe of every cosine-sum window.
    pub fn main_lobe_bins(&self) -> usize {
        (2.0 * self.line_width_bins).ceil().max(1.0) as usize
    }

    /// Mean square inside `band`, every frequency weighted by the power gain `gain`.
    pub fn mean_square(&self, band: Band, gain: Option<&dyn Fn(f64) -> f64>) -> f64 {
        self.bin_hz * self.band_weights(band, gain).sum(&self.density)
    }

    /// Mean square inside `band` with its standard uncertainty.
    ///
    /// With [`ENOUGH_SEGMENTS`] the uncertainty is that of the mean of the segments (GUM 4.2.3). With fewer it is that
    /// of Gaussian noise with the spectrum's background and steady lines on top: a bin of background N and line power S
    /// has variance (N² + 2NS)/averages, and the bins are correlated by the window.
    pub fn band_power(&self, band: Band, gain: Option<&dyn Fn(f64) -> f64>) -> MeanSquare {
        self.integral(&self.band_weights(band, gain), &OnceCell::new())
    }

    /// Mean squares of `per_octave` bands an octave from `band`'s lower to its upper edge, with their middles (geometric,
    /// Hz).
    pub fn octave_bands(&self, band: Band, per_octave: u32) -> Vec<(f64, MeanSquare)> {
        let background = OnceCell::new();
        let step = (1.0 / f64::from(per_octave.max(1))).exp2();
        let count = ((band.high_hz / band.low_hz).ln() / step.ln() + 1e-9).floor();
        (0..count.max(0.0) as i32)
            .map(|i| {
                let low_hz = band.low_hz * step.powi(i);
                let narrow = Band {
                    low_hz,
                    high_hz: low_hz * step,
                };
                let weights = self.band_weights(narrow, None);
                (low_hz * step.sqrt(), self.integral(&weights, &background))
            })
            .collect()
    }

    /// Weighted sum of the bins with its uncertainty; `background` is made where it is needed first.
    fn integral(&self, weights: &BandWeights, background: &OnceCell<Vec<f64>>) -> MeanSquare {
        let value = self.bin_hz * weights.sum(&self.density);
        if self.segments.len() >= ENOUGH_SEGMENTS {
            let (u, dof) = deviation_of_mean(&self.sums_of_segments(weights));
            return MeanSquare { value, u, dof };
        }
        let background = background.get_or_init(|| self.background());
        let variance: f64 = weights
            .weights
            .iter()
            .enumerate()
            .map(|(i, w)| {
                let density = self.density[weights.first + i];
                let noise = background[weights.first + i].min(density);
                w * w * noise * (2.0 * density - noise)
            })
            .sum();
        let u = self.bin_hz * (variance * self.bin_correlation() / self.averages.max(1.0)).sqrt();
        let relative = if value > 0.0 { u / value } else { 1.0 };
        // χ²: the relative variance of a mean square of ν degrees of freedom is 2/ν.
        let dof = 2.0 / (relative * relative).max(1e-12);
        MeanSquare { value, u, dof }
    }

    /// How much the variance of a sum over many bins exceeds that of as many independent bins: N·Σw⁴/(Σw²)².
    pub fn bin_correlation(&self) -> f64 {
        let known = Window::ALL
            .into_iter()
            .find(|w| (w.nenbw() - self.line_width_bins).abs() < 1e-3);
        match known {
            Some(window) => {
                let w = window.samples(64);
                let squares: f64 = w.iter().map(|x| x.powi(2)).sum();
                let fourths: f64 = w.iter().map(|x| x.powi(4)).sum();
                64.0 * fourths / (squares * squares)
            }
            None if self.line_width_bins <= 1.0 => 1.0,
            // The Gaussian's ratio to its noise bandwidth; every bell-shaped window is close to it.
            None => self.line_width_bins * std::f64::consts::SQRT_2,
        }
    }

    fn sums_of_segments(&self, weights: &BandWeights) -> Vec<f64> {
        self.segments
            .iter()
            .map(|density| self.bin_hz * weights.sum(density))
            .collect()
    }

    /// Share of each bin inside `band`, times the gain at the middle of that share.
    fn band_weights(&self, band: Band, gain: Option<&dyn Fn(f64) -> f64>) -> BandWeights {
        let last = self.density.len().saturating_sub(1);
        let low = (band.low_hz / self.bin_hz).clamp(0.0, last as f64);
        let high = (band.high_hz / self.bin_hz).clamp(0.0, last as f64);
        let empty = BandWeights {
            first: 0,
            weights: Vec::new(),
        };
        if self.density.is_empty() || high.partial_cmp(&low) != Some(std::cmp::Ordering::Greater) {
            return empty;
        }
        let (first, end) = (low.round() as usize, (high.round() as usize).min(last));
        let weights = (first..=end)
            .map(|i| {
                let cell_low = (i as f64 - 0.5).max(0.0);
                let cell_high = (i as f64 + 0.5).min(last as f64);
                let (from, to) = (cell_low.max(low), cell_high.min(high));
                let share = (to - from).max(0.0) / (cell_high - cell_low);
                // A whole bin is weighted at its own frequency, the edge bins at the middle of what is left of them.
                let middle = if share < 1.0 { (from + to) / 2.0 } else { i as f64 };
                share * gain.map_or(1.0, |g| g(middle * self.bin_hz))
            })
            .collect();
        BandWeights { first, weights }
    }
}

/// Standard uncertainty of the mean of `values`, and its degrees of freedom (GUM 4.2.3).
pub(super) fn deviation_of_mean(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let dof = (n - 1.0).max(1.0);
    ((squares / dof / n).sqrt(), dof)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// White noise of unit density up to 1 kHz: the bins at 0 Hz and at the top hold half as much.
    fn white(bins: usize) -> PowerSpectrum {
        let mut density = vec![1.0; bins + 1];
        density[0] = 0.5;
        density[bins] = 0.5;
        PowerSpectrum {
            bin_hz: 1000.0 / bins as f64,
            density,
            line_width_bins: 1.0,
            averages: 1.0,
            segments: Vec::new(),
        }
    }

    proptest! {
        #[test]
        fn a_band_of_white_noise_is_its_width(low in 0.0..1000.0f64, width in 0.0..1000.0f64, bins in 2usize..300) {
            let high_hz = (low + width).min(1000.0);
            let got = white(bins).mean_square(Band { low_hz: low, high_hz }, None);
            prop_assert!((got - (high_hz - low)).abs() < 1e-9);
        }

        #[test]
        fn bands_that_touch_add_up(
            density in proptest::collection::vec(0.0..10.0f64, 3..200), a in 0.0..1.0f64, b in 0.0..1.0f64,
        ) {
            let s = PowerSpectrum { density, ..white(2) };
            let (low_hz, high_hz) = (a.min(b) * s.last_hz(), a.max(b) * s.last_hz());
            let whole = s.mean_square(Band { low_hz: 0.0, high_hz: 1e9 }, None);
            let parts = s.mean_square(Band { low_hz: 0.0, high_hz: low_hz }, None)
                + s.mean_square(Band { low_hz, high_hz }, None)
                + s.mean_square(Band { low_hz: high_hz, high_hz: 1e9 }, None);
            prop_assert!((whole - parts).abs() < 1e-9 * (1.0 + whole));
            // Parseval: the sum over all bins, whatever they hold.
            prop_assert!((whole - s.bin_hz * s.density.iter().sum::<f64>()).abs() < 1e-9 * (1.0 + whole));
        }
    }

    #[test]
    fn an_empty_or_senseless_band_holds_nothing() {
        for (low_hz, high_hz) in [
            (5.0, 5.0),
            (10.0, 5.0),
            (2e3, 3e3),
            (f64::NAN, 5.0),
            (0.0, f64::NAN),
        ] {
            let got = white(50).mean_square(Band { low_hz, high_hz }, None);
            assert!(got.abs() < 1e-300, "{low_hz} {high_hz}: {got}");
        }
    }

    #[test]
    fn octave_bands_tile_their_band() {
        // Three octaves from 100 Hz in twelfths: 36 bands whose white noise adds up to 700 Hz.
        let band = Band {
            low_hz: 100.0,
            high_hz: 800.0,
        };
        let bands = white(500).octave_bands(band, 12);
        assert_eq!(bands.len(), 36);
        let sum: f64 = bands.iter().map(|(_, m)| m.value).sum();
        assert!((sum - 700.0).abs() < 1e-9);
        assert!((bands[0].0 - 100.0 * (1.0f64 / 24.0).exp2()).abs() < 1e-9);
    }

    #[test]
    fn correlation_of_hann_bins() {
        // Closed form: mean of sin⁸ over the square of the mean of sin⁴, (35/128)/(3/8)² = 35/18.
        let s = PowerSpectrum {
            line_width_bins: 1.5,
            ..white(4)
        };
        assert!((s.bin_correlation() - 35.0 / 18.0).abs() < 1e-12);
    }
}
