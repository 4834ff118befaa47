//! The careful look at a place where the cheap scan saw something: is the waveform broken there?
//!
//! A long predictor (order 32) is trained on the surroundings, without the place itself. Whatever the capture, a break
//! is called only where it stands alone; what repeats, or what the material does all the time (edges of a square wave,
//! attacks, glottal pulses), is the signal's own.
//!
//! - **Repeated, bit for bit**: a stretch equal to the one before it, beginning and ending just there; improbable in
//!   anything that carries noise.
//! - **A corrupt sample**: one sample off by 8 σ or more leaves the predictor's own impulse response in the residual
//!   (an attack does not: it goes on as the predictor foretells).
//! - **Dropped or repeated frames of steady sines**: the residual is noise before and after, and its energy while the
//!   break passes the predictor exceeds χ² of 32 degrees of freedom by far (130, probability 10⁻¹³; a step of 6 σ gives
//!   about 200 or more). Up to three sines are then fitted to both sides with common frequencies: the levels must be
//!   equal (a burst's are not), and the common delay that explains the phase steps says how many frames are lost.
//!
//! Limits, by the nature of the thing: whole periods lost from one sine, frames lost from noise, and anything lost from
//! music cannot be seen here (takes with marks count their frames: `take::losses`); breaks more often than about every
//! 40 ms look like a signal's own pattern.

use super::DiscontinuityKind;
use super::predict::{Predictor, robust_sigma, storage_sigma};
use crate::signal::source::{BlockReader, Format};
use crate::take::sines::{self, Sines, Stretch};
use rustfft::num_complex::Complex64;

/// Order of the long predictor, and the length of a break's passage through it.
const ORDER: usize = 32;

/// Energy of a passage, in σ², that noise does not reach: χ² with 32 degrees of freedom exceeds 130 with 10⁻¹³.
const PASSAGE: f64 = 130.0;

/// The same re the 97th percentile of the energies around: PASSAGE / 48 for white noise, and more than that where the
/// predictor leaves something smooth of the signal, whose energies go up and down together.
const BEYOND_USUAL: f64 = 2.7;

/// Size of a single corrupt sample, in σ: normal noise exceeds 8 with probability 10⁻¹⁵.
const CORRUPT: f64 = 8.0;

/// Other passages as strong in the same surroundings that may stand beside a break.
const OTHERS: usize = 3;

/// The longest repetition looked for, frames.
const LONGEST_REPEAT: usize = 8192;

/// A break that was confirmed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Break {
    /// Frame at which the waveform breaks off.
    pub(super) frame: u64,
    /// What happened there.
    pub(super) kind: DiscontinuityKind,
}

/// Frames on either side that are looked at: 170 ms.
pub(super) fn reach(sample_rate_hz: u32) -> usize {
    (sample_rate_hz as usize * 17 / 100).clamp(4096, 65_536)
}

/// Reads `frames` of one channel and `reach` frames on either side: samples and the frame of the first.
pub(super) fn surroundings(
    reader: &mut dyn BlockReader,
    format: Format,
    channel: usize,
    frames: std::ops::Range<u64>,
    reach: usize,
) -> crate::error::Result<(Vec<f64>, u64)> {
    let first = frames.start.saturating_sub(reach as u64);
    let end = (frames.end + reach as u64).min(format.frames);
    let length = usize::try_from(end.saturating_sub(first)).unwrap_or(0);
    let mut planes = vec![vec![0.0; length]; format.channels];
    let got = super::scan::read_into(reader, first, &mut planes)?;
    let mut x = planes.swap_remove(channel);
    x.truncate(got);
    Ok((x, first))
}

/// Frames on either side that [`promising`] wants.
pub(super) const GLANCE: usize = 2048;

/// A glance at less of the surroundings than [`judge`] needs: whether the place is worth its work. Its bars are so much
/// lower that a shorter training cannot hide a break.
pub(super) fn promising(x: &[f64], at: usize, step: f64) -> bool {
    if !in_reach(x, at) {
        return false;
    }
    let residual = Residual::of(x, at, step);
    residual.passage(at).is_some_and(|p| {
        let peak = residual.e[p.start..p.end]
            .iter()
            .fold(0.0, |m: f64, v| m.max(v.abs()));
        p.energy > 0.7 * PASSAGE || peak > 0.8 * CORRUPT * residual.sigma
    })
}

fn in_reach(x: &[f64], at: usize) -> bool {
    at >= 4 * ORDER && at + 6 * ORDER <= x.len() && x.len() >= 16 * ORDER
}

/// Judges the place `at` in `x`, whose samples are stored in steps of `step`. The position in the answer is an index
/// of `x`.
pub(super) fn judge(x: &[f64], at: usize, step: f64) -> Option<(usize, DiscontinuityKind)> {
    if !in_reach(x, at) {
        return None;
    }
    let residual = Residual::of(x, at, step);
    let passage = residual.passage(at)?;
    if let Some(start) = repeated(x, passage.start) {
        return Some((start, DiscontinuityKind::Repeated));
    }
    if let Some(place) = residual.corrupt_sample(&passage) {
        return Some((place, DiscontinuityKind::Jump));
    }
    if passage.energy < residual.unlikely || residual.others(&passage) > OTHERS {
        return None;
    }
    spliced(x, &residual, &passage).map(|kind| (passage.start, kind))
}

/// Prediction residual of the surroundings.
struct Residual {
    predictor: Predictor<ORDER>,
    /// One value a sample of `x`; the first ORDER are zero.
    e: Vec<f64>,
    sigma: f64,
    /// Running energy over ORDER samples from each index on, in σ².
    energy: Vec<f64>,
    /// Energy that nothing but a break reaches here.
    unlikely: f64,
}

/// Where a break passes the predictor.
struct Passage {
    start: usize,
    end: usize,
    energy: f64,
}

impl Residual {
    fn of(x: &[f64], at: usize, step: f64) -> Self {
        let (before, after) = (ORDER..at - 2 * ORDER, at + 4 * ORDER..x.len());
        let predictor = Predictor::train(x, &[before, after]);
        let mut e = vec![0.0; x.len()];
        predictor.residual(x, ORDER, &mut e[ORDER..]);
        let peak = x.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        let sigma = robust_sigma(&e[ORDER..])
            .max(storage_sigma(step))
            .max(peak * 1e-11);
        let mut energy = vec![0.0; e.len() - ORDER];
        let mut sum: f64 = e[..ORDER].iter().map(|v| v * v).sum();
        for (i, out) in energy.iter_mut().enumerate() {
            *out = sum.max(0.0) / (sigma * sigma);
            sum += e[i + ORDER] * e[i + ORDER] - e[i] * e[i];
        }
        let unlikely = PASSAGE.max(BEYOND_USUAL * quantile(&energy, 0.97));
        Self {
            predictor,
            e,
            sigma,
            energy,
            unlikely,
        }
    }

    /// The strongest passage near `at`.
    fn passage(&self, at: usize) -> Option<Passage> {
        let from = at.saturating_sub(3 * ORDER);
        let near = self.energy.get(from..(at + 2 * ORDER).min(self.energy.len()))?;
        let (i, energy) = near
            .iter()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(b.1))
            .map(|(i, e)| (from + i, *e))?;
        let strongest = self.e[i..i + ORDER].iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        let bar = (4.5 * self.sigma).min(0.9 * strongest).max(0.05 * strongest);
        let start = (i..i + ORDER).find(|n| self.e[*n].abs() >= bar)?;
        Some(Passage {
            start,
            end: start + ORDER,
            energy,
        })
    }

    /// How many separate passages elsewhere are as unlikely as a break's.
    fn others(&self, passage: &Passage) -> usize {
        let (mut count, mut i) = (0, 0);
        while i < self.energy.len() {
            let own = i + 3 * ORDER > passage.start && i < passage.end + 2 * ORDER;
            if !own && self.energy[i] > self.unlikely {
                count += 1;
                i += 3 * ORDER;
            } else {
                i += 1;
            }
        }
        count
    }

    /// Largest residual away from the passage.
    fn elsewhere(&self, passage: &Passage) -> f64 {
        let largest = |e: &[f64]| e.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        let before = largest(&self.e[..passage.start.saturating_sub(2 * ORDER)]);
        before.max(largest(&self.e[(passage.end + 2 * ORDER).min(self.e.len())..]))
    }

    /// The place of a single wrong sample, if that explains the passage.
    fn corrupt_sample(&self, passage: &Passage) -> Option<usize> {
        let weight: f64 = self.predictor.impulse().map(|h| h * h).sum();
        let from = passage.start.saturating_sub(2);
        let (place, size) = (from..passage.start + 8)
            .filter(|n| n + ORDER < self.e.len())
            .map(|n| {
                let product: f64 = self
                    .predictor
                    .impulse()
                    .zip(&self.e[n..])
                    .map(|(h, e)| h * e)
                    .sum();
                (n, product / weight)
            })
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
        let explained = size * size * weight / (self.sigma * self.sigma);
        let left = (self.local_energy(place) - explained).max(0.0);
        let elsewhere = self.elsewhere(passage);
        // Noise alone reaches some 5 σ in the surroundings; more than that is material with attacks of its own.
        let factor = if elsewhere > 6.5 * self.sigma { 3.0 } else { 1.4 };
        let size = size.abs();
        (size > CORRUPT * self.sigma && size > factor * elsewhere && left < 0.05 * explained + 100.0)
            .then_some(place)
    }

    /// Energy from a little before `place` until a wrong sample there has passed the predictor.
    fn local_energy(&self, place: usize) -> f64 {
        let (from, to) = (place.saturating_sub(4), (place + ORDER + 4).min(self.e.len()));
        let sum: f64 = self.e[from..to].iter().map(|v| v * v).sum();
        sum / (self.sigma * self.sigma)
    }
}

fn quantile(values: &[f64], q: f64) -> f64 {
    let mut sorted = values.to_vec();
    let place = (sorted.len() as f64 * q) as usize;
    if sorted.is_empty() {
        return 0.0;
    }
    let place = place.min(sorted.len() - 1);
    *sorted.select_nth_unstable_by(place, f64::total_cmp).1
}

/// The start of a stretch that repeats the one before it bit for bit, if one begins at `start` (±2).
fn repeated(x: &[f64], start: usize) -> Option<usize> {
    const SURE: usize = 16;
    let still = x.windows(2).filter(|w| (w[1] - w[0]).abs() <= 0.0).count();
    let chance = (still + 1) as f64 / x.len() as f64;
    if SURE as f64 * -chance.ln() < 40.0 {
        return None;
    }
    (start.saturating_sub(2)..start + 3)
        .find(|n| (SURE..=LONGEST_REPEAT.min(*n)).any(|lag| repeats(x, *n, lag)))
}

/// Whether exactly the `lag` samples from `n` on equal those before them.
fn repeats(x: &[f64], n: usize, lag: usize) -> bool {
    let same = |i: usize| (x[i] - x[i - lag]).abs() <= 0.0;
    if n + lag + 8 >= x.len() || !same(n) || n <= lag + 8 {
        return false;
    }
    let whole = (n..n + lag).all(same);
    whole && !(n - 8..n).any(same) && !(n + lag..n + lag + 8).all(same)
}

/// Whether the same steady sines stand on both sides of the passage, and what happened to their phases.
fn spliced(x: &[f64], residual: &Residual, passage: &Passage) -> Option<DiscontinuityKind> {
    let (before, after) = quiet_sides(residual, passage, x.len());
    let omega = strongest_lines(&x[before.clone()]);
    let zero = passage.start as f64;
    let stretches = [before, after].map(|r| Stretch {
        x: &x[r.clone()],
        at: r.start as f64 - zero,
    });
    if omega.is_empty() || stretches.iter().any(|s| s.x.len() < 8 * ORDER) {
        return None;
    }
    let sines = sines::fit(&stretches, &omega, 6)?;
    let ratio: Vec<Complex64> = (0..omega.len())
        .map(|k| sines.amplitude[1][k] / sines.amplitude[0][k])
        .collect();
    let amplitude = sines.amplitude[0][0].norm();
    // Standard uncertainty of a phase step whose frequency is fitted with it (Gauss–Newton covariance, two equal sides).
    let shortest = stretches.iter().map(|s| s.x.len()).min()?;
    let u = sines.residual_rms / amplitude * (20.0 / shortest as f64).sqrt();
    let step = ratio[0].arg();
    let same_level = (ratio[0].norm() - 1.0).abs() < (6.0 * u).max(0.3 * step.abs()).min(0.1);
    if !same_level || sines.residual_rms > 0.1 * amplitude {
        return None;
    }
    if step.abs() < 4.0 * u {
        return Some(DiscontinuityKind::Jump);
    }
    Some(by_delay(&sines, &ratio, u))
}

/// The stretches on either side up to the next passage that is as unlikely.
fn quiet_sides(
    residual: &Residual,
    passage: &Passage,
    length: usize,
) -> (std::ops::Range<usize>, std::ops::Range<usize>) {
    let loud = |i: &usize| residual.energy[*i] > residual.unlikely;
    let before_end = passage.start.saturating_sub(2);
    let before = (0..before_end.saturating_sub(2 * ORDER))
        .rev()
        .find(loud)
        .map_or(0, |i| i + 2 * ORDER);
    let after_start = passage.end + 4;
    let after = (after_start + ORDER..residual.energy.len())
        .find(loud)
        .map_or(length, |i| i.saturating_sub(4));
    (
        before.min(before_end)..before_end,
        after_start..after.max(after_start),
    )
}

/// Up to three lines within 40 dB of the strongest, radians a sample.
fn strongest_lines(x: &[f64]) -> Vec<f64> {
    const LINES: usize = 3;
    const LEAST: f64 = 1e-4;
    let found = crate::take::lines::find(x, LINES);
    let Some(strongest) = found.first().map(|l| l.power) else {
        return Vec::new();
    };
    found
        .iter()
        .filter(|l| l.power > LEAST * strongest)
        .map(|l| l.omega)
        .collect()
}

/// Dropped or repeated frames where one delay explains the phase steps of all lines, else a jump.
fn by_delay(sines: &Sines, ratio: &[Complex64], u: f64) -> DiscontinuityKind {
    let turn = std::f64::consts::TAU;
    let (omega, step) = (sines.omega[0], ratio[0].arg());
    let period = turn / omega;
    let nearest = step / omega;
    let most = (LONGEST_REPEAT as f64 / period).floor();
    let misfit = |delay: f64| -> f64 {
        (1..ratio.len())
            .map(|k| {
                (ratio[k] * Complex64::cis(-sines.omega[k] * delay)).arg().abs()
                    * sines.amplitude[0][k].norm()
            })
            .sum()
    };
    let mut best = (nearest, misfit(nearest));
    let mut turns = 1.0;
    while ratio.len() > 1 && turns <= most {
        for delay in [nearest + turns * period, nearest - turns * period] {
            let m = misfit(delay);
            if m < best.1 - sines.amplitude[0][0].norm() * 6.0 * u {
                best = (delay, m);
            }
        }
        turns += 1.0;
    }
    // The delay is a whole number of frames; what is not, within what the fit can tell, is a jump of another cause.
    let off_grid = (best.0 - best.0.round()).abs();
    if off_grid > (8.0 * u / omega).max(0.02) || best.0.round().abs() < 1.0 {
        DiscontinuityKind::Jump
    } else if best.0 > 0.0 {
        DiscontinuityKind::Dropped
    } else {
        DiscontinuityKind::Repeated
    }
}
