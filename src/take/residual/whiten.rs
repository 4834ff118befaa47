//! The residual as white noise, and the places where it is not.

use super::Bars;
use crate::take::integrity::predict::{Predictor, robust_sigma};
use std::ops::Range;

/// Order of the predictor.
pub(super) const ORDER: usize = 32;

/// Lengths over which energies are summed, samples.
pub(super) const SPANS: [usize; 4] = [4, 8, 16, 32];

/// Samples on either side of a place that tell its local noise.
const BESIDE: usize = 512;

/// Samples on either side of a place that belong to it.
const OWN: usize = 2 * ORDER;

/// Indices of `x` at which the waveform breaks, in order. One window of a channel, its steady parts already removed.
pub(super) fn places(x: &[f64], bars: &Bars) -> Vec<usize> {
    let Some(first) = Window::of(x, &[]) else {
        return Vec::new();
    };
    let rough = first.outliers(bars);
    if rough.is_empty() {
        return rough;
    }
    // What is broken must not have taught the predictor.
    Window::of(x, &rough).map_or(rough, |w| w.outliers(bars))
}

/// The whitened window.
struct Window {
    /// Residual in units of σ; the first ORDER samples are 0.
    e: Vec<f64>,
    /// The residual matched to one wrong sample, in units of its standard deviation.
    matched: Vec<f64>,
}

impl Window {
    /// `None` where there is too little beside the `broken` places.
    fn of(x: &[f64], broken: &[usize]) -> Option<Self> {
        let slices = between(x.len(), broken);
        if slices.iter().map(Range::len).sum::<usize>() < 8 * ORDER {
            return None;
        }
        let predictor = Predictor::<ORDER>::train(x, &slices);
        let mut e = vec![0.0; x.len()];
        predictor.residual(x, ORDER, &mut e[ORDER..]);
        let quiet: Vec<f64> = slices.iter().flat_map(|s| e[s.clone()].iter().copied()).collect();
        let peak = x.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        let sigma = robust_sigma(&quiet).max(1e-9 * peak);
        if sigma <= 0.0 {
            return None;
        }
        for v in &mut e {
            *v /= sigma;
        }
        let impulse: Vec<f64> = predictor.impulse().collect();
        let norm = impulse.iter().map(|h| h * h).sum::<f64>().sqrt();
        let matched = (0..e.len() - ORDER)
            .map(|n| {
                let product: f64 = impulse.iter().zip(&e[n..]).map(|(h, v)| h * v).sum();
                product / norm
            })
            .collect();
        Some(Self { e, matched })
    }

    /// Separate places where a statistic exceeds its bar by the local noise.
    fn outliers(&self, bars: &Bars) -> Vec<usize> {
        let mut over = vec![0.0f64; self.e.len()];
        for (o, m) in over[..self.matched.len()].iter_mut().zip(&self.matched) {
            *o = m * m / bars.single;
        }
        for (span, bar) in SPANS.iter().zip(bars.spans) {
            let mut sum: f64 = self.e[..*span].iter().map(|v| v * v).sum();
            for ((o, leaving), entering) in over.iter_mut().zip(&self.e).zip(&self.e[*span..]) {
                *o = o.max(sum / bar);
                sum += entering * entering - leaving * leaving;
            }
        }
        let mut found: Vec<(usize, f64)> = Vec::new();
        for (n, value) in over.iter().enumerate().filter(|(_, v)| **v > 1.0) {
            match found.last_mut() {
                Some(last) if n - last.0 <= OWN => {
                    if *value > last.1 {
                        *last = (n, *value);
                    }
                }
                _ => found.push((n, *value)),
            }
        }
        found.retain(|(n, value)| value / self.local(*n).powi(2) > 1.0);
        found.into_iter().map(|(n, _)| n).collect()
    }

    /// Standard deviation beside a place re the window's: the larger of both sides, and at least 1.
    fn local(&self, n: usize) -> f64 {
        let before = n.saturating_sub(BESIDE).max(ORDER)..n.saturating_sub(OWN / 4).max(ORDER);
        let after = (n + OWN).min(self.e.len())..(n + OWN + BESIDE).min(self.e.len());
        let side = |r: Range<usize>| {
            if r.len() < BESIDE / 4 {
                0.0
            } else {
                robust_sigma(&self.e[r])
            }
        };
        side(before).max(side(after)).max(1.0)
    }
}

/// What lies between the broken places, as far as a predictor can be trained on it.
fn between(length: usize, broken: &[usize]) -> Vec<Range<usize>> {
    let mut slices = Vec::new();
    let mut start = ORDER;
    for place in broken {
        let end = place.saturating_sub(4);
        if end > start {
            slices.push(start..end);
        }
        start = start.max(place + OWN + ORDER);
    }
    if length > start {
        slices.push(start..length);
    }
    slices
}
