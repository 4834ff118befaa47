//! Least-squares fit of sines to samples in memory (IEEE 1057, four-parameter fit, extended to several sines, their
//! harmonics and DC, all solved jointly).
//!
//! x(t) = c + Σ Re(aₗ e^{j2πνₗt}), with t counted from the middle of the samples. There the sums Σ w(t) e^{j2πνt} of a
//! symmetric weight are real, so the normal equations fall apart into one system for the cosines and DC and one for the
//! sines, and both have closed forms (Dirichlet's kernel). The frequency follows by Gauss–Newton from the residual's
//! correlation with the fundamental's ∂x/∂ν; all lines are re-solved at every step, so that harmonics and DC do not bias
//! it, from a few periods on, bin-centred or not. Harmonics have no say in the frequency: hundreds of them that are only
//! noise would.

use super::cholesky::{Cholesky, dot};
use super::phase::phasor;
use super::weighted_sums::{Weight, first_time, odd_moment};
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Samples that share one table of phasors.
const CHUNK: usize = 256;

/// Samples that one thread cleans at a time.
const CLEANED_AT_ONCE: usize = 16 * CHUNK;

/// Steps of Gauss–Newton: the error shrinks at least tenfold at each.
const MOST_STEPS: usize = 20;

/// Largest step at once, in cycles over the whole of the samples.
const LONGEST_STEP: f64 = 0.25;

/// A step this small, in cycles over the whole of the samples, ends the search: −240 dB.
const SETTLED: f64 = 1e-12;

/// cos and sin of 2πνi for i = 0… .
struct PhasorTable {
    cos: Vec<f64>,
    sin: Vec<f64>,
}

impl PhasorTable {
    fn new(nu: f64, length: usize) -> Self {
        let (mut cos, mut sin) = (Vec::with_capacity(length), Vec::with_capacity(length));
        for i in 0..length {
            let p = phasor(nu, i as f64);
            cos.push(p.re);
            sin.push(p.im);
        }
        Self { cos, sin }
    }

    /// Σ x(i) e^{−j2πνi}.
    fn correlate(&self, x: &[f64]) -> Complex64 {
        Complex64::new(dot(x, &self.cos[..x.len()]), -dot(x, &self.sin[..x.len()]))
    }
}

/// Σ x(t) e^{−j2πνt}, and Σ t·x(t) e^{−j2πνt}.
fn moments(x: &[f64], nu: f64) -> (Complex64, Complex64) {
    let table = PhasorTable::new(nu, CHUNK.min(x.len()));
    let ramp: Vec<f64> = (0..CHUNK).map(|i| i as f64).collect();
    let mut ramped = vec![0.0; CHUNK];
    let start = first_time(x.len());
    let (mut zeroth, mut first) = (Complex64::default(), Complex64::default());
    for (i, chunk) in x.chunks(CHUNK).enumerate() {
        let t0 = start + (i * CHUNK) as f64;
        for ((r, x), t) in ramped.iter_mut().zip(chunk).zip(&ramp) {
            *r = x * t;
        }
        let turn = phasor(-nu, t0);
        let sum = table.correlate(chunk);
        let ramp_sum = table.correlate(&ramped[..chunk.len()]);
        zeroth += turn * sum;
        first += turn * (ramp_sum + sum * t0);
    }
    (zeroth, first)
}

/// Σ x(t) e^{−j2πνt} of consecutive, equally long parts of `x`, t counted from the middle of the whole.
pub(super) fn correlate_parts(x: &[f64], nu: f64, parts: usize) -> Vec<Complex64> {
    let table = PhasorTable::new(nu, CHUNK.min(x.len()));
    let start = first_time(x.len());
    let bound = |p: usize| p * x.len() / parts;
    (0..parts)
        .map(|p| {
            let part = &x[bound(p)..bound(p + 1)];
            let t0 = start + bound(p) as f64;
            part.chunks(CHUNK)
                .enumerate()
                .map(|(i, chunk)| phasor(-nu, t0 + (i * CHUNK) as f64) * table.correlate(chunk))
                .sum()
        })
        .collect()
}

/// Takes Re(a e^{j2πνt}) of every line and the constant `dc` off `x`.
pub(super) fn subtract(x: &mut [f64], lines: &[(f64, Complex64)], dc: f64) {
    let tables: Vec<PhasorTable> = lines
        .iter()
        .map(|(nu, _)| PhasorTable::new(*nu, CHUNK.min(x.len())))
        .collect();
    let start = first_time(x.len());
    x.par_chunks_mut(CLEANED_AT_ONCE)
        .enumerate()
        .for_each(|(c, part)| {
            for (i, chunk) in part.chunks_mut(CHUNK).enumerate() {
                let t0 = start + (c * CLEANED_AT_ONCE + i * CHUNK) as f64;
                for value in chunk.iter_mut() {
                    *value -= dc;
                }
                for ((nu, a), table) in lines.iter().zip(&tables) {
                    subtract_one(chunk, table, a * phasor(*nu, t0));
                }
            }
        });
}

fn subtract_one(chunk: &mut [f64], table: &PhasorTable, a: Complex64) {
    for ((x, c), s) in chunk.iter_mut().zip(&table.cos).zip(&table.sin) {
        *x -= a.re * c - a.im * s;
    }
}

/// A sine whose frequency is sought, or given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tone {
    /// Cycles per sample.
    pub(super) nu: f64,
    /// The frequency is known and stays.
    pub(super) fixed: bool,
}

/// A line of a model: harmonic `order` of sine `tone`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Line {
    pub(super) tone: usize,
    pub(super) order: u32,
}

impl Line {
    /// Frequency in cycles per sample.
    pub(super) fn nu(self, tones: &[Tone]) -> f64 {
        f64::from(self.order) * tones[self.tone].nu
    }
}

/// The solution: x(t) = dc + Σ Re(amplitude e^{j2πνt}), t from the middle of the samples.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fit {
    pub(super) tones: Vec<Tone>,
    pub(super) lines: Vec<Line>,
    pub(super) amplitudes: Vec<Complex64>,
    pub(super) dc: f64,
}

impl Fit {
    /// Frequency and amplitude of every line.
    pub(super) fn pairs(&self) -> Vec<(f64, Complex64)> {
        let nus = self.lines.iter().map(|l| l.nu(&self.tones));
        nus.zip(self.amplitudes.iter().copied()).collect()
    }
}

/// Linear least squares of all `lines` and DC at the given frequencies, samples weighted by `weight`. `None` where lines
/// cannot be told apart.
///
/// `weighted` holds the samples already multiplied by the weight.
pub(super) fn solve(weighted: &[f64], weight: Weight, tones: &[Tone], lines: &[Line]) -> Option<Fit> {
    let correlations: Vec<Complex64> = lines
        .par_iter()
        .map(|l| correlate_parts(weighted, l.nu(tones), 1)[0])
        .collect();
    let (amplitudes, dc) = solve_normal(weighted, weight, tones, lines, &correlations)?;
    Some(Fit {
        tones: tones.to_vec(),
        lines: lines.to_vec(),
        amplitudes,
        dc,
    })
}

fn solve_normal(
    weighted: &[f64],
    weight: Weight,
    tones: &[Tone],
    lines: &[Line],
    correlations: &[Complex64],
) -> Option<(Vec<Complex64>, f64)> {
    let length = weighted.len();
    let nus: Vec<f64> = lines.iter().map(|l| l.nu(tones)).collect();
    let sum = |nu: f64| weight.sum(nu, length);
    let with_dc = |i: usize| if i == 0 { 0.0 } else { nus[i - 1] };
    let even = Cholesky::new(nus.len() + 1, |i, j| {
        0.5 * (sum(with_dc(i) - with_dc(j)) + sum(with_dc(i) + with_dc(j)))
    })?;
    let odd = Cholesky::new(nus.len(), |i, j| {
        0.5 * (sum(nus[i] - nus[j]) - sum(nus[i] + nus[j]))
    })?;
    let mut cosines: Vec<f64> = Vec::with_capacity(nus.len() + 1);
    cosines.push(weighted.iter().sum());
    cosines.extend(correlations.iter().map(|c| c.re));
    let mut sines: Vec<f64> = correlations.iter().map(|c| c.im).collect();
    even.solve(&mut cosines);
    odd.solve(&mut sines);
    let amplitudes = cosines[1..]
        .iter()
        .zip(&sines)
        .map(|(re, im)| Complex64::new(*re, *im))
        .collect();
    Some((amplitudes, cosines[0]))
}

/// Fits the frequencies of all free tones together with all lines. `None` where lines cannot be told apart.
pub(super) fn fit(x: &[f64], tones: &[Tone], lines: &[Line], most_steps: usize) -> Option<Fit> {
    let mut tones = tones.to_vec();
    let mut best = None;
    for _ in 0..most_steps.clamp(1, MOST_STEPS) {
        let correlations: Vec<(Complex64, Complex64)> = lines
            .par_iter()
            .map(|l| {
                let nu = l.nu(&tones);
                if l.order == 1 && !tones[l.tone].fixed {
                    moments(x, nu)
                } else {
                    (correlate_parts(x, nu, 1)[0], Complex64::default())
                }
            })
            .collect();
        let plain: Vec<Complex64> = correlations.iter().map(|c| c.0).collect();
        let (amplitudes, dc) = solve_normal(x, Weight::Flat, &tones, lines, &plain)?;
        let solution = Fit {
            tones: tones.clone(),
            lines: lines.to_vec(),
            amplitudes,
            dc,
        };
        let mut largest = 0.0f64;
        for (i, line) in lines.iter().enumerate() {
            if line.order == 1 && !tones[line.tone].fixed {
                let step = step(&solution, i, correlations[i].1, x.len());
                tones[line.tone].nu += step;
                largest = largest.max(step.abs());
            }
        }
        best = Some(solution);
        if largest * (x.len() as f64) < SETTLED {
            break;
        }
    }
    best
}

/// The Gauss–Newton step of line `i`'s frequency, cycles per sample; `moment` is Σ t·x(t) e^{−j2πνt}.
fn step(fit: &Fit, i: usize, moment: Complex64, length: usize) -> f64 {
    let nu = fit.lines[i].nu(&fit.tones);
    let a = fit.amplitudes[i];
    let mut left = moment;
    left.im += fit.dc * odd_moment(nu, length);
    for (line, b) in fit.lines.iter().zip(&fit.amplitudes) {
        let other = line.nu(&fit.tones);
        let (sum, difference) = (odd_moment(nu + other, length), odd_moment(nu - other, length));
        left.re += 0.5 * b.im * (sum - difference);
        left.im += 0.5 * b.re * (sum + difference);
    }
    let n = length as f64;
    let curvature = a.norm_sqr() * n * (n * n - 1.0) / 24.0;
    let step = (a.conj() * left).im / (curvature * TAU);
    if !step.is_finite() {
        return 0.0;
    }
    step.clamp(-LONGEST_STEP / n, LONGEST_STEP / n)
}

/// Cramér–Rao bound of the standard deviation of a sine's frequency in cycles per sample, from that of its amplitude
/// (σ_A = σ√(2/M), σ_ω = (σ/A)√(24/(M(M²−1))); IEEE 1057).
pub(super) fn frequency_bound(relative_amplitude_u: f64, length: f64) -> f64 {
    relative_amplitude_u * (12.0 / (length * length - 1.0)).sqrt() / TAU
}

/// The frequency within ±`reach` of `nu` (cycles per sample) where one sine explains most of `x`.
pub(super) fn search(x: &[f64], nu: f64, reach: f64) -> f64 {
    let length = x.len() as f64;
    let spacing = 0.125 / length;
    let steps = (reach / spacing).ceil().max(1.0) as i64;
    let candidates: Vec<f64> = (-steps..=steps)
        .map(|i| nu + spacing * i as f64)
        .filter(|v| *v > 0.25 / length && *v < 0.5)
        .collect();
    // Few periods: the image at −ν and DC matter, so each candidate is solved. Many: parts of the demodulated signal.
    let few = x.len() < 16_384;
    let parts = x.len().div_ceil(512).max(64);
    let demodulated = if few {
        Vec::new()
    } else {
        correlate_parts(x, nu, parts)
    };
    let explained = |candidate: f64| {
        if few {
            let tone = [Tone {
                nu: candidate,
                fixed: true,
            }];
            return explained_by_one(x, &tone);
        }
        let part = length / parts as f64;
        let sum: Complex64 = demodulated
            .iter()
            .enumerate()
            .map(|(p, z)| {
                let angle = -TAU * (candidate - nu) * (p as f64 + 0.5) * part;
                z * Complex64::from_polar(1.0, angle)
            })
            .sum();
        sum.norm_sqr()
    };
    let mut best = (nu, f64::NEG_INFINITY);
    for candidate in candidates {
        let value = explained(candidate);
        if value > best.1 {
            best = (candidate, value);
        }
    }
    best.0
}

/// Sum of squares of `x` that one sine explains beyond DC.
fn explained_by_one(x: &[f64], tone: &[Tone]) -> f64 {
    let line = [Line { tone: 0, order: 1 }];
    let z = correlate_parts(x, tone[0].nu, 1);
    let Some((a, dc)) = solve_normal(x, Weight::Flat, tone, &line, &z) else {
        return f64::NEG_INFINITY;
    };
    dc * x.iter().sum::<f64>() + a[0].re * z[0].re + a[0].im * z[0].im
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_two_sines_with_harmonics_and_dc() {
        let (n, nu) = (700, [0.011_37, 0.203_1]);
        let lines = [
            Line { tone: 0, order: 1 },
            Line { tone: 0, order: 2 },
            Line { tone: 1, order: 1 },
        ];
        let truth = [
            Complex64::new(0.7, 0.2),
            Complex64::new(-0.1, 0.3),
            Complex64::new(0.01, -0.02),
        ];
        let exact: Vec<Tone> = nu
            .iter()
            .map(|nu| Tone {
                nu: *nu,
                fixed: false,
            })
            .collect();
        let mut x = vec![0.0; n];
        let pairs: Vec<(f64, Complex64)> = lines.iter().map(|l| l.nu(&exact)).zip(truth).collect();
        subtract(&mut x, &pairs, 0.25);
        for value in &mut x {
            *value = -*value;
        }
        let guess: Vec<Tone> = nu
            .iter()
            .map(|nu| Tone {
                nu: nu + 0.2 / n as f64,
                fixed: false,
            })
            .collect();
        let found = fit(&x, &guess, &lines, MOST_STEPS).unwrap();
        assert!((found.dc - 0.25).abs() < 1e-13);
        for (a, b) in found.amplitudes.iter().zip(truth) {
            assert!((a - b).norm() < 1e-11, "{a} {b}");
        }
        for (a, b) in found.tones.iter().zip(&exact) {
            assert!((a.nu - b.nu).abs() < 1e-15);
        }
    }
}
