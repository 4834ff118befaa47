//! Lines of a short stretch, down to five periods of anything: sines are fitted one after the other, all of them again
//! together after each, as long as a new one takes away more than noise would let it.

use crate::take::sines::{self, Sines, Stretch};
use realfft::RealFftPlanner;
use std::f64::consts::{PI, TAU};

/// Sines looked for at most.
const MOST: usize = 8;

/// F ratio (three new unknowns) that a new sine must reach: far beyond what the best of some hundred frequencies reaches
/// in noise (1 − 10⁻⁶ at 20 and more degrees of freedom).
const F_RATIO: f64 = 25.0;

/// Lines as (radians a sample, mean square), the strongest first, and the mean square of the stretch without its mean.
pub(super) fn lines(x: &[f64]) -> (Vec<(f64, f64)>, f64) {
    if x.len() < 8 {
        return (Vec::new(), 0.0);
    }
    let stretch = Stretch { x, at: 0.0 };
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let mut rest: Vec<f64> = x.iter().map(|v| v - mean).collect();
    let total = square(&rest);
    let mut best: Option<Sines> = None;
    while best.as_ref().map_or(0, |s| s.omega.len()) < MOST {
        let known = best.as_ref().map_or_else(Vec::new, |s| s.omega.clone());
        let free = x.len() as f64 - 3.0 * (known.len() + 1) as f64 - 1.0;
        if free < 2.0 || square(&rest) < 1e-24 * total {
            break;
        }
        let mut omega = known;
        omega.push(peak(&rest));
        let Some(next) = sines::fit(&[stretch], &omega, 12) else {
            break;
        };
        let left = next.residual_rms.powi(2) * x.len() as f64;
        let gain = square(&rest) - left;
        if gain / 3.0 <= F_RATIO * left / free || gain.is_nan() || crowded(&next.omega, x.len()) {
            break;
        }
        rest = sines::remove(stretch, &next.omega, &next.amplitude[0], next.mean[0]);
        best = Some(next);
    }
    let mut found: Vec<(f64, f64)> = best.map_or_else(Vec::new, |s| {
        let powers = s.amplitude[0].iter().map(|c| c.norm_sqr() / 2.0);
        s.omega.iter().copied().zip(powers).collect()
    });
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    (found, total / x.len() as f64)
}

fn square(x: &[f64]) -> f64 {
    x.iter().map(|v| v * v).sum()
}

/// Two sines closer than two thirds of a bin describe one that is not steady, or a trend.
fn crowded(omega: &[f64], length: usize) -> bool {
    let closest = TAU / length as f64 * 0.67;
    let low = omega.iter().any(|w| *w < 2.0 * closest || *w > PI * 0.98);
    low || omega
        .iter()
        .enumerate()
        .any(|(i, a)| omega[..i].iter().any(|b| (a - b).abs() < closest))
}

/// Frequency of the highest point of the periodogram, padded eightfold.
fn peak(x: &[f64]) -> f64 {
    let padded = 8 * x.len().next_power_of_two();
    let mut buffer = vec![0.0; padded];
    buffer[..x.len()].copy_from_slice(x);
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(padded);
    let mut out = fft.make_output_vec();
    if fft.process(&mut buffer, &mut out).is_err() {
        return PI / 2.0;
    }
    // The first bins are trend, not a line.
    let first = (padded as f64 / x.len() as f64 * 1.5) as usize;
    (first.max(1)..out.len() - 1)
        .max_by(|a, b| out[*a].norm_sqr().total_cmp(&out[*b].norm_sqr()))
        .map_or(PI / 2.0, |i| TAU * i as f64 / padded as f64)
}
