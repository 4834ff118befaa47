//! A sine's phase from block to block.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Half-widths, in blocks, of the local straight line through the phase, from smooth to rough; the first is the whole.
const HALF_WIDTHS: [usize; 5] = [usize::MAX, 64, 16, 4, 1];

/// Phase variance below which a block's own phase needs no smoothing: 60 dB.
const CLEAR: f64 = 1e-6;

/// A track may miss the phases by this factor more than noise would before a rougher one is tried.
const FITS: f64 = 1.5;

/// Steepest phase slope, radians a block, that a weak sine is searched for.
const STEEPEST: f64 = 0.6;

/// x reduced to −π…π.
pub(super) fn wrap(x: f64) -> f64 {
    x - TAU * (x / TAU).round()
}

/// Phases made continuous, the first near `start`.
pub(super) fn unwrap(phases: impl Iterator<Item = f64>, start: f64) -> Vec<f64> {
    let mut last = start;
    phases
        .map(|p| {
            last += wrap(p - last);
            last
        })
        .collect()
}

/// The phase track of the blocks' complex amplitudes `z`, each of whose parts has the noise variance `noise`.
///
/// Strong: each block's own phase. Weaker: the smoothest local straight line that noise alone would miss by as much.
/// Weak: the straight line along which the amplitudes add up best.
pub(super) fn track(z: &[Complex64], noise: f64, start: f64) -> Vec<f64> {
    let n = z.len() as f64;
    let power = z.iter().map(|z| z.norm_sqr()).sum::<f64>() / n - 2.0 * noise;
    if power < 8.0 * noise {
        return unwrap(coherent_line(z).into_iter(), start);
    }
    let phases = unwrap(z.iter().map(|z| z.arg()), start);
    let variance = noise / power;
    if variance < CLEAR {
        return phases;
    }
    let allowed = FITS * variance * (1.0 + 3.0 * (2.0 / n).sqrt());
    HALF_WIDTHS
        .iter()
        .map(|m| smooth(&phases, *m))
        .find(|s| {
            let squares: f64 = s.iter().zip(&phases).map(|(a, b)| (a - b).powi(2)).sum();
            squares / n < allowed
        })
        .unwrap_or(phases)
}

/// Local straight line over ± `half` values.
fn smooth(phases: &[f64], half: usize) -> Vec<f64> {
    let n = phases.len();
    let whole = (half >= n).then(|| line(phases));
    (0..n)
        .map(|b| {
            if let Some((mean, slope)) = whole {
                return mean + slope * (b as f64 - (n as f64 - 1.0) / 2.0);
            }
            let start = b.saturating_sub(half);
            let part = &phases[start..(b + half + 1).min(n)];
            let (mean, slope) = line(part);
            mean + slope * ((b - start) as f64 - (part.len() as f64 - 1.0) / 2.0)
        })
        .collect()
}

/// Mean and slope a step of the least-squares line.
pub(super) fn line(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let middle = (n - 1.0) / 2.0;
    let (mut moment, mut spread) = (0.0, 0.0);
    for (i, v) in values.iter().enumerate() {
        let t = i as f64 - middle;
        moment += t * v;
        spread += t * t;
    }
    (mean, if spread > 0.0 { moment / spread } else { 0.0 })
}

/// Phases of the line e^{j(φ + sb)} that maximises |Σ z e^{−jsb}|.
fn coherent_line(z: &[Complex64]) -> Vec<f64> {
    let n = z.len();
    let steps = (4 * n) as i64;
    let sum = |slope: f64| -> Complex64 {
        z.iter()
            .enumerate()
            .map(|(b, z)| z * Complex64::from_polar(1.0, -slope * b as f64))
            .sum()
    };
    let mut best = (0.0, 0.0f64, Complex64::default());
    for i in -steps..=steps {
        let slope = STEEPEST * i as f64 / steps as f64;
        let s = sum(slope);
        if s.norm_sqr() > best.1 {
            best = (slope, s.norm_sqr(), s);
        }
    }
    (0..n).map(|b| best.2.arg() + best.0 * b as f64).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn a_clean_track_is_its_phases() {
        let z: Vec<Complex64> = (0..50)
            .map(|b| Complex64::from_polar(0.1, 0.8 * f64::from(b) + 0.001 * f64::from(b * b)))
            .collect();
        for (b, p) in track(&z, 1e-12, 0.0).iter().enumerate() {
            let b = b as f64;
            assert!((p - 0.8 * b - 0.001 * b * b).abs() < 1e-9);
        }
    }

    #[test]
    fn wraps_into_one_turn() {
        assert!((wrap(3.0 * PI + 0.1) - (0.1 - PI)).abs() < 1e-12);
    }
}
