//! White and pink Gaussian noise that can be started at any frame.
//!
//! White noise takes each pair of frames from a random stream of its own. Pink noise is made in blocks of about a
//! second: independent Gaussian lines of power 1/f, transformed to time, under sine windows that overlap by half and
//! whose squares add up to one, so that the noise is stationary, Gaussian, of unit variance, and any block can be made
//! alone. The window smears each line by half a line's spacing (rms), 1/f by (spacing/2f)²: 0.003 dB at 20 Hz.

use super::random::Random;
use super::stimulus::NOISE_PEAK_SIGMA;
use realfft::{ComplexToReal, RealFftPlanner};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

/// Lower end of pink noise, Hz: below, the power of 1/f noise would grow without bound.
const PINK_FROM_HZ: f64 = 10.0;

/// Fills `out` with frames `first…` of white noise of unit variance, within ±[`NOISE_PEAK_SIGMA`].
pub(super) fn fill_white(seed: u64, first: u64, out: &mut [f64]) {
    let mut n = first;
    let mut rest = out;
    while !rest.is_empty() {
        let (even, odd) = Random::stream(seed, n / 2).normal_pair(NOISE_PEAK_SIGMA);
        let pair = [even, odd];
        let skip = usize::from(n % 2 == 1);
        let count = (2 - skip).min(rest.len());
        let (now, later) = rest.split_at_mut(count);
        now.copy_from_slice(&pair[skip..skip + count]);
        n += count as u64;
        rest = later;
    }
}

/// Pink noise of unit variance. A copy shares the tables and starts with no block made.
pub(super) struct PinkNoise {
    seed: u64,
    /// Amplitude of each line k = 0…N/2; 0 below [`PINK_FROM_HZ`] and at N/2.
    amplitudes: Arc<Vec<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
    /// The last two blocks made, with their numbers.
    made: [Option<(u64, Vec<f64>)>; 2],
}

impl PinkNoise {
    /// Pink noise for this sample rate.
    pub(super) fn new(seed: u64, sample_rate_hz: u32) -> Self {
        let length = (sample_rate_hz as usize).next_power_of_two();
        #[allow(clippy::cast_precision_loss, reason = "line numbers are below 2^20")]
        let line_hz = f64::from(sample_rate_hz) / length as f64;
        #[allow(clippy::cast_precision_loss, reason = "line numbers are below 2^20")]
        let mut powers: Vec<f64> = (0..=length / 2)
            .map(|k| k as f64 * line_hz)
            .map(|f| if f < PINK_FROM_HZ { 0.0 } else { 1.0 / f })
            .collect();
        powers[length / 2] = 0.0;
        // A line a·(g₁ + i·g₂) and its conjugate make 2a·(g₁ cos − g₂ sin), of variance 4a².
        let total: f64 = 4.0 * powers.iter().sum::<f64>();
        let amplitudes = powers.iter().map(|p| (p / total).sqrt()).collect();
        Self {
            seed,
            amplitudes: Arc::new(amplitudes),
            inverse: RealFftPlanner::new().plan_fft_inverse(length),
            made: [None, None],
        }
    }

    /// Fills `out` with frames `first…`, within ±[`NOISE_PEAK_SIGMA`].
    pub(super) fn fill(&mut self, first: u64, out: &mut [f64]) {
        let hop = self.inverse.len() / 2;
        let mut n = first;
        let mut rest = out;
        while !rest.is_empty() {
            // Every frame lies in the second half of one block and in the first half of the next.
            let number = n / hop as u64;
            #[allow(clippy::cast_possible_truncation, reason = "below the block's length")]
            let within = (n % hop as u64) as usize;
            let count = (hop - within).min(rest.len());
            let (now, later) = rest.split_at_mut(count);
            self.make(number);
            self.make(number + 1);
            let [Some((_, older)), Some((_, newer))] = &self.made else {
                return;
            };
            let parts = older[hop + within..].iter().zip(&newer[within..]);
            for (sample, (a, b)) in now.iter_mut().zip(parts) {
                *sample = (a + b).clamp(-NOISE_PEAK_SIGMA, NOISE_PEAK_SIGMA);
            }
            n += count as u64;
            rest = later;
        }
    }

    /// Makes block `number` the newer of the two, unless it is one of them in its place already.
    fn make(&mut self, number: u64) {
        let is = |made: &Option<(u64, Vec<f64>)>| made.as_ref().is_some_and(|(n, _)| *n == number);
        if is(&self.made[1])
            || (is(&self.made[0]) && self.made[1].as_ref().is_some_and(|(n, _)| *n == number + 1))
        {
            return;
        }
        let block = self.block(number);
        self.made.swap(0, 1);
        self.made[1] = Some((number, block));
    }

    fn block(&self, number: u64) -> Vec<f64> {
        let mut random = Random::stream(self.seed, number);
        let mut lines: Vec<Complex64> = self
            .amplitudes
            .iter()
            .map(|a| {
                // Drawn for silent lines too, so that the lower end could move without changing all noise.
                let (re, im) = random.normal_pair(f64::INFINITY);
                Complex64::new(a * re, a * im)
            })
            .collect();
        let mut block = self.inverse.make_output_vec();
        // Lengths are the plan's own and the end lines are zero: the transform has nothing to refuse.
        if self.inverse.process(&mut lines, &mut block).is_err() {
            block.fill(0.0);
        }
        #[allow(clippy::cast_precision_loss, reason = "below 2^20")]
        let step = PI / block.len() as f64;
        #[allow(clippy::cast_precision_loss, reason = "below 2^20")]
        for (j, sample) in block.iter_mut().enumerate() {
            *sample *= (step * (j as f64 + 0.5)).sin();
        }
        block
    }
}

impl Clone for PinkNoise {
    fn clone(&self) -> Self {
        Self {
            seed: self.seed,
            amplitudes: Arc::clone(&self.amplitudes),
            inverse: Arc::clone(&self.inverse),
            made: [None, None],
        }
    }
}

impl fmt::Debug for PinkNoise {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("PinkNoise")
            .field("seed", &self.seed)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_the_same_from_wherever_it_is_read() {
        let mut whole = vec![0.0; 40_000];
        let mut part = vec![0.0; 9_001];
        fill_white(7, 0, &mut whole);
        fill_white(7, 12_345, &mut part);
        assert_eq!(whole[12_345..21_346], part[..]);
        let mut pink = PinkNoise::new(7, 8_000);
        pink.fill(0, &mut whole);
        pink.clone().fill(12_345, &mut part);
        assert_eq!(whole[12_345..21_346], part[..]);
        pink.fill(12_345, &mut part);
        assert_eq!(whole[12_345..21_346], part[..]);
    }

    /// Transform of the sine window `v` lines from its middle, but for a factor; its squares add up to π²/8 over all
    /// lines.
    fn spread(v: f64) -> f64 {
        let gap = 1.0 - 4.0 * v * v;
        if gap.abs() < 1e-9 {
            PI / 4.0
        } else {
            (PI * v).cos() / gap
        }
    }

    #[test]
    fn the_expected_spectrum_of_pink_noise_is_1_over_f() {
        // ±0.3 dB is the contract; the smear of the window is 0.003 dB at 20 Hz, and the missing lines below 10 Hz and
        // at half the rate cost most of the rest.
        for rate in [8_000u32, 44_100, 48_000, 96_000, 384_000] {
            let pink = PinkNoise::new(1, rate);
            let line_hz = f64::from(rate) / pink.inverse.len() as f64;
            let total: f64 = (1..pink.inverse.len() / 2)
                .map(|k| k as f64 * line_hz)
                .filter(|f| *f >= 10.0)
                .map(|f| 1.0 / f)
                .sum();
            for f in [20.0, 20.31, 33.3, 100.0, 997.0, 3_500.0, 10_000.0, 20_000.0] {
                if f > 0.46 * f64::from(rate) {
                    continue;
                }
                let lines = pink.amplitudes.iter().enumerate();
                let power: f64 = lines
                    .map(|(k, a)| 4.0 * (a * spread(f / line_hz - k as f64)).powi(2))
                    .sum();
                let expected = 1.0 / (f * total);
                let error = 10.0 * (power / (PI * PI / 8.0) / expected).log10();
                assert!(error.abs() < 0.05, "{f} Hz at {rate}: {error} dB");
            }
        }
    }

    #[test]
    fn white_noise_has_unit_variance_and_its_limit() {
        let mut x = vec![0.0; 400_000];
        fill_white(3, 0, &mut x);
        let power = x.iter().map(|v| v * v).sum::<f64>() / 400_000.0;
        // Standard error √(2/N) = 0.0022; five of them.
        assert!((power - 1.0).abs() < 0.011);
        assert!(x.iter().all(|v| v.abs() <= NOISE_PEAK_SIGMA));
    }
}
