//! A few steady sines fitted jointly to one or more stretches of a channel.
//!
//! Each sine has one frequency in all stretches and an amplitude and phase of its own in each, so that what changed
//! between two stretches (a phase that stepped, a level) can be read off while the frequency is known from both.
//! Gauss–Newton on the model Σ Re(cₖ·e^{jωₖt}) + mean; with one sine and one stretch it is the four-parameter fit of
//! IEEE 1057. This serves finding and comparing; the figures' own fit is in `dsp`.

use crate::dsp::cholesky::Cholesky;
use rustfft::num_complex::Complex64;

/// A stretch of samples and the time of its first one, in samples from the common origin of phases.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch<'a> {
    /// The samples.
    pub(super) x: &'a [f64],
    /// Time of the first.
    pub(super) at: f64,
}

/// What was fitted.
#[derive(Debug, Clone)]
pub(super) struct Sines {
    /// Angular frequencies, radians a sample.
    pub(super) omega: Vec<f64>,
    /// Complex peak amplitudes of e^{jωt} at the origin; one row a stretch, one entry a sine.
    pub(super) amplitude: Vec<Vec<Complex64>>,
    /// Mean of each stretch.
    pub(super) mean: Vec<f64>,
    /// Rms of what is left, over all stretches.
    pub(super) residual_rms: f64,
}

/// Fits sines of about `omega` to `stretches`, refining the frequencies `rounds` times. `None` where the stretches are
/// too short to tell the sines apart.
pub(super) fn fit(stretches: &[Stretch<'_>], omega: &[f64], rounds: usize) -> Option<Sines> {
    let mut sines = linear(stretches, omega)?;
    for _ in 0..rounds {
        let step = frequency_step(stretches, &sines)?;
        let moved: Vec<f64> = sines.omega.iter().zip(&step).map(|(w, d)| w + d).collect();
        if moved.iter().any(|w| !(*w > 0.0 && *w < std::f64::consts::PI)) {
            return None;
        }
        sines = linear(stretches, &moved)?;
    }
    Some(sines)
}

/// e^{jωt} for t = at, at + 1, …
pub(super) fn phasor(omega: f64, at: f64) -> impl Iterator<Item = Complex64> {
    let turn = Complex64::cis(omega);
    std::iter::successors(Some(Complex64::cis(omega * at)), move |p| Some(p * turn))
}

/// The stretch without its sines and its mean.
pub(super) fn remove(stretch: Stretch<'_>, omega: &[f64], amplitude: &[Complex64], mean: f64) -> Vec<f64> {
    let mut rest: Vec<f64> = stretch.x.iter().map(|v| v - mean).collect();
    for (w, c) in omega.iter().zip(amplitude) {
        for (r, p) in rest.iter_mut().zip(phasor(*w, stretch.at)) {
            *r -= (c * p).re;
        }
    }
    rest
}

/// Amplitudes and means at fixed frequencies.
fn linear(stretches: &[Stretch<'_>], omega: &[f64]) -> Option<Sines> {
    let unknowns = 2 * omega.len() + 1;
    let (mut amplitude, mut mean, mut square, mut count) = (Vec::new(), Vec::new(), 0.0, 0usize);
    for s in stretches {
        let mut normal = Normal::new(unknowns);
        let mut phasors: Vec<_> = omega.iter().map(|w| phasor(*w, s.at)).collect();
        let mut row = vec![1.0; unknowns];
        for v in s.x {
            for (k, p) in phasors.iter_mut().enumerate() {
                let p = p.next()?;
                row[2 * k] = p.re;
                row[2 * k + 1] = -p.im;
            }
            normal.add(&row, *v);
        }
        let solution = normal.solve()?;
        let c: Vec<_> = (0..omega.len())
            .map(|k| Complex64::new(solution[2 * k], solution[2 * k + 1]))
            .collect();
        let rest = remove(*s, omega, &c, solution[unknowns - 1]);
        square += rest.iter().map(|r| r * r).sum::<f64>();
        count += rest.len();
        mean.push(solution[unknowns - 1]);
        amplitude.push(c);
    }
    Some(Sines {
        omega: omega.to_vec(),
        amplitude,
        mean,
        residual_rms: (square / count.max(1) as f64).sqrt(),
    })
}

/// The Gauss–Newton step of the frequencies, with the amplitudes let free beside them.
fn frequency_step(stretches: &[Stretch<'_>], sines: &Sines) -> Option<Vec<f64>> {
    let sines_count = sines.omega.len();
    let own = 2 * sines_count + 1;
    let unknowns = sines_count + own * stretches.len();
    let span = stretches
        .iter()
        .map(|s| s.at.abs().max((s.at + s.x.len() as f64).abs()))
        .fold(1.0, f64::max);
    let mut normal = Normal::new(unknowns);
    for (index, s) in stretches.iter().enumerate() {
        let amplitude = &sines.amplitude[index];
        let rest = remove(*s, &sines.omega, amplitude, sines.mean[index]);
        let mut phasors: Vec<_> = sines.omega.iter().map(|w| phasor(*w, s.at)).collect();
        let base = sines_count + own * index;
        let mut row = vec![0.0; unknowns];
        row[base + own - 1] = 1.0;
        for (i, r) in rest.iter().enumerate() {
            let t = (s.at + i as f64) / span;
            for (k, p) in phasors.iter_mut().enumerate() {
                let p = p.next()?;
                row[k] = -t * (amplitude[k] * p).im;
                row[base + 2 * k] = p.re;
                row[base + 2 * k + 1] = -p.im;
            }
            normal.add(&row, *r);
        }
    }
    let solution = normal.solve()?;
    Some(solution[..sines_count].iter().map(|d| d / span).collect())
}

/// Normal equations under construction.
struct Normal {
    matrix: Vec<f64>,
    right: Vec<f64>,
}

impl Normal {
    fn new(unknowns: usize) -> Self {
        Self {
            matrix: vec![0.0; unknowns * unknowns],
            right: vec![0.0; unknowns],
        }
    }

    fn add(&mut self, row: &[f64], value: f64) {
        let n = row.len();
        for (i, a) in row.iter().enumerate() {
            for (m, b) in self.matrix[i * n..=i * n + i].iter_mut().zip(row) {
                *m += a * b;
            }
            self.right[i] += a * value;
        }
    }

    /// The solution, with the unknowns scaled to equal weight so that small amplitudes do not spoil the pivots.
    fn solve(mut self) -> Option<Vec<f64>> {
        let n = self.right.len();
        let scale: Vec<f64> = (0..n)
            .map(|i| {
                let d = self.matrix[i * n + i].sqrt();
                if d > 0.0 { d } else { 1.0 }
            })
            .collect();
        for i in 0..n {
            for j in 0..=i {
                self.matrix[i * n + j] /= scale[i] * scale[j];
            }
            self.matrix[i * n + i] += 1e-13;
            self.right[i] /= scale[i];
        }
        Cholesky::new(n, |i, j| self.matrix[i * n + j])?.solve(&mut self.right);
        Some(self.right.iter().zip(&scale).map(|(v, s)| v / s).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_phase_step_between_two_stretches_is_read_off() {
        // Closed form: the second stretch lags by 0.02 rad of the first sine; no noise, so only rounding and the
        // ridge of 1e-13 are left.
        let wave = |n: f64, lag: f64| (0.131 * n - lag).sin() + 0.25 * (0.91 * n + 1.0).cos();
        let before: Vec<f64> = (-3000..-10).map(|n| wave(f64::from(n), 0.0)).collect();
        let after: Vec<f64> = (10..3000).map(|n| wave(f64::from(n), 0.02)).collect();
        let stretches = [
            Stretch {
                x: &before,
                at: -3000.0,
            },
            Stretch { x: &after, at: 10.0 },
        ];
        let s = fit(&stretches, &[0.1311, 0.9099], 5).unwrap();
        let step = (s.amplitude[1][0] / s.amplitude[0][0]).arg();
        assert!((step + 0.02).abs() < 1e-7, "{step}");
        assert!((s.omega[0] - 0.131).abs() < 1e-9 && (s.omega[1] - 0.91).abs() < 1e-9);
        assert!(s.residual_rms < 1e-7, "{:e}", s.residual_rms);
    }
}
