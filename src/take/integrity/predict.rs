//! Short linear prediction: what of a sample cannot be foretold from the samples before it.
//!
//! A sum of sines obeys a linear recurrence, so a predictor of order P ≥ 2 × (number of sines) leaves nothing of them
//! and nearly the noise alone (white noise of variance σ² under one strong sine leaves σ²·(1 + 2/P)). A break in the
//! waveform is what the recurrence does not foretell: it stands in the residual whatever the frequency, also at 20 kHz
//! of 48 kHz, where no difference of neighbouring samples is small. Covariance method of linear prediction (least
//! squares without a window; Makhoul, Proc. IEEE 63(4), 1975).

use crate::dsp::cholesky::{Cholesky, dot};
use std::ops::Range;

/// Ridge on the normal equations re the mean power: as if white noise 120 dB below the signal were present. It bounds
/// the taps of a signal without noise, whose equations are singular.
const RIDGE: f64 = 1e-12;

/// x̂\[n\] = Σ taps\[k\]·x\[n−1−k\].
#[derive(Debug, Clone)]
pub(in crate::take) struct Predictor<const P: usize> {
    taps: [f64; P],
}

impl<const P: usize> Predictor<P> {
    /// The predictor with the least squared error over `slices` of `x`, each starting at P or later. A signal without
    /// power gets taps of zero.
    pub(in crate::take) fn train(x: &[f64], slices: &[Range<usize>]) -> Self {
        let mut matrix = [[0.0; P]; P];
        let mut right = [0.0; P];
        for slice in slices {
            accumulate(x, slice.clone(), &mut matrix, &mut right);
        }
        let power: f64 = (0..P).map(|i| matrix[i][i]).sum::<f64>() / P as f64;
        if power <= 0.0 {
            return Self { taps: [0.0; P] };
        }
        for (i, row) in matrix.iter_mut().enumerate() {
            row[i] += power * RIDGE;
        }
        let Some(factor) = Cholesky::new(P, |i, j| matrix[i][j]) else {
            return Self { taps: [0.0; P] };
        };
        factor.solve(&mut right);
        Self { taps: right }
    }

    /// Residual of `x[from..from + out.len()]`; `from` is P or more.
    pub(in crate::take) fn residual(&self, x: &[f64], from: usize, out: &mut [f64]) {
        const LANES: usize = 8;
        let end = out.len() - out.len() % LANES;
        for start in (0..end).step_by(LANES) {
            let n = from + start;
            let mut lane = [0.0; LANES];
            lane.copy_from_slice(&x[n..n + LANES]);
            for (k, tap) in self.taps.iter().enumerate() {
                let past = &x[n - 1 - k..n - 1 - k + LANES];
                for (l, p) in lane.iter_mut().zip(past) {
                    *l -= tap * p;
                }
            }
            out[start..start + LANES].copy_from_slice(&lane);
        }
        for (i, o) in out.iter_mut().enumerate().skip(end) {
            let n = from + i;
            *o = x[n] - (0..P).map(|k| self.taps[k] * x[n - 1 - k]).sum::<f64>();
        }
    }

    /// What one wrong sample leaves in the residual, from its own place on: 1, −taps\[0\], −taps\[1\], …
    pub(in crate::take) fn impulse(&self) -> impl Iterator<Item = f64> + '_ {
        std::iter::once(1.0).chain(self.taps.iter().map(|t| -t))
    }
}

/// Adds the products of one slice: the first row directly, the others by the shift recursion
/// φ(i, j) = φ(i−1, j−1) + x\[s−i\]·x\[s−j\] − x\[e−i\]·x\[e−j\].
fn accumulate<const P: usize>(
    x: &[f64],
    slice: Range<usize>,
    matrix: &mut [[f64; P]; P],
    right: &mut [f64; P],
) {
    let (s, e) = (slice.start, slice.end);
    let mut above = vec![0.0; P + 1];
    for (j, a) in above.iter_mut().enumerate() {
        *a = dot(&x[s..e], &x[s - j..e - j]);
    }
    for (r, a) in right.iter_mut().zip(&above[1..]) {
        *r += a;
    }
    let mut row = vec![0.0; P + 1];
    for i in 1..=P {
        for j in i..=P {
            row[j] = above[j - 1] + x[s - i] * x[s - j] - x[e - i] * x[e - j];
            matrix[i - 1][j - 1] += row[j];
            if i != j {
                matrix[j - 1][i - 1] += row[j];
            }
        }
        std::mem::swap(&mut row, &mut above);
    }
}

/// Robust standard deviation, from the larger of two quantiles of the magnitude that agree for normal noise of mean zero:
/// the median (σ·0.6745) and the ninth decile (σ·1.6449). The median alone is too small where most samples fall on the
/// same code.
pub(in crate::take) fn robust_sigma(values: &[f64]) -> f64 {
    let mut magnitudes: Vec<f64> = values.iter().map(|v| v.abs()).collect();
    if magnitudes.is_empty() {
        return 0.0;
    }
    let (middle, decile) = (magnitudes.len() / 2, magnitudes.len() * 9 / 10);
    let upper = *magnitudes.select_nth_unstable_by(decile, f64::total_cmp).1;
    let median = *magnitudes.select_nth_unstable_by(middle, f64::total_cmp).1;
    (median / 0.674_490).max(upper / 1.644_854)
}

/// The least standard deviation that is believed of samples stored in steps of `step`: rounding and triangular dither
/// together (step/2).
pub(super) fn storage_sigma(step: f64) -> f64 {
    step / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sines_leave_nothing_at_any_frequency() {
        // A sum of four sines obeys a recurrence of order 8: what is left is the ridge's bias, below 10·√RIDGE.
        let x: Vec<f64> = (0..4096)
            .map(|n| {
                [0.01, 0.3, 1.1, 2.618]
                    .iter()
                    .map(|w| 0.25 * (w * f64::from(n) + 0.3).sin())
                    .sum()
            })
            .collect();
        let p = Predictor::<8>::train(&x, &[8..600, 2000..2600]);
        let mut e = vec![0.0; 4096 - 8];
        p.residual(&x, 8, &mut e);
        assert!(e.iter().all(|v| v.abs() < 1e-5), "{:e}", robust_sigma(&e));
    }

    #[test]
    fn an_autoregressive_process_gives_its_own_taps() {
        // x[n] = 1.5 x[n−1] − 0.7 x[n−2] + noise; standard error of a tap is about √((1 − 0.7²)/N) = 0.005.
        let mut state = 1u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        };
        let mut x = vec![0.0; 20_000];
        for n in 2..x.len() {
            x[n] = 1.5 * x[n - 1] - 0.7 * x[n - 2] + noise();
        }
        let p = Predictor::<2>::train(&x, std::slice::from_ref(&(100..20_000)));
        assert!(
            (p.taps[0] - 1.5).abs() < 0.025 && (p.taps[1] + 0.7).abs() < 0.025,
            "{:?}",
            p.taps
        );
    }
}
