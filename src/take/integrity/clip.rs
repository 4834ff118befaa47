//! Clipping at full scale, and flat tops below it.
//!
//! **Full scale.** A crest of a sine may stand at the largest code for more than one sample without being clipped. Near
//! its crest a wave is a parabola A − c·t². A run of N samples there that stay within two steps q (so that dither does not
//! break it up) has c·h² ≤ 5q with h = (N − 1)/2, since rounding and dither move each sample by up to 1.5q; h samples
//! beyond the run it has fallen by no more than c·(2h)² ≤ 20q, and 3q for the same reason. A clipped crest has corners: it has fallen further on both sides. Two
//! samples are never evidence (they may straddle a crest), three or more are judged so; the frequency need not be known.
//!
//! **Flat tops.** Below full scale noise breaks the codes up. The width of a crest at a depth δ below its top is
//! proportional to √δ for any smooth crest: the widths at δ and 4δ are as 1 : 2. A crest that was cut dwells at its top and
//! then falls steeply: the ratio tends to 1. The limit of 0.75 is reached by a sine cut by about 2 %. A wave that stands
//! as long at half its height as at its top (a square wave, or a sine overdriven by more than some 12 dB, which cannot be
//! told from one) is not called cut.

use super::scan::{MARGIN, Moments, Window};
use crate::signal::source::Encoding;

/// Ratio of the crest's widths at δ and 4δ from which its top counts as flat.
const FLAT: f64 = 0.75;

/// Crests that must agree.
const CRESTS: usize = 5;

/// Clipped samples of a block, whose context reaches `MARGIN` beyond it.
pub(super) fn clipped(block: &Window<'_>, moments: &Moments, encoding: Encoding) -> u64 {
    let full_scale = encoding.full_scale();
    if moments.high < full_scale && moments.low > -full_scale {
        return 0;
    }
    let (x, mut count, mut i) = (block.x, 0, block.start);
    while i < block.end {
        if x[i].abs() < full_scale {
            i += 1;
            continue;
        }
        let run = dwelling(x, i, encoding);
        if is_cut(x, &run) {
            count += (run.end.min(block.end) - i) as u64;
        }
        i = run.end;
    }
    count
}

/// Samples that stand at a crest.
struct Dwelling {
    start: usize,
    end: usize,
    top: f64,
    step: f64,
}

/// The samples around `i` that stay within two steps of the one that is there, so that dither does not break them up.
fn dwelling(x: &[f64], i: usize, encoding: Encoding) -> Dwelling {
    let step = step_of(&x[i.saturating_sub(64)..(i + 64).min(x.len())], encoding);
    let with = |n: usize| (x[n] - x[i]).abs() <= 2.01 * step;
    let mut start = i;
    while start > 0 && with(start - 1) {
        start -= 1;
    }
    let mut end = i + 1;
    while end < x.len() && with(end) {
        end += 1;
    }
    let top = x[start..end].iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    Dwelling {
        start,
        end,
        top: top.copysign(x[i]),
        step,
    }
}

/// Whether the samples that stand at full scale have the corners of a cut crest.
fn is_cut(x: &[f64], run: &Dwelling) -> bool {
    let n = run.end - run.start;
    if n < 3 {
        return false;
    }
    let reach = n / 2;
    if reach >= MARGIN / 2 {
        return true;
    }
    let allowed = 24.0 * run.step;
    let fallen = |v: Option<&f64>| v.is_none_or(|v| (run.top - v) * run.top.signum() > allowed);
    // Where the file ends in a run, its one visible side decides.
    fallen(run.start.checked_sub(reach).and_then(|i| x.get(i))) && fallen(x.get(run.end - 1 + reach))
}

/// The step in which these samples are stored: that of the encoding, or a coarser one that all of them keep (16 bits in
/// a 24-bit or float file).
pub(super) fn step_of(x: &[f64], encoding: Encoding) -> f64 {
    let coarser = [8, 12, 16, 20, 24]
        .map(|bits: i32| f64::from(1 - bits).exp2())
        .into_iter()
        .find(|q| x.iter().all(|v| (v / q).fract().abs() <= 0.0));
    let own = match encoding {
        Encoding::Float(32) => f64::from(f32::EPSILON) / 2.0,
        other => other.step().unwrap_or(f64::EPSILON),
    };
    coarser.unwrap_or(own).max(own)
}

/// What the crests of one stretch of a capture say.
#[derive(Debug, Default)]
pub(super) struct Crests {
    positive: Vec<f64>,
    negative: Vec<f64>,
}

impl Crests {
    /// Adds the crests of a stretch whose largest magnitude is within its own `x`.
    pub(super) fn add(&mut self, x: &[f64], encoding: Encoding) {
        let step = step_of(x, encoding);
        let sigma = noise(x);
        add_side(x, 1.0, sigma, step, &mut self.positive);
        add_side(x, -1.0, sigma, step, &mut self.negative);
    }

    /// Whether the tops or the bottoms are flat.
    pub(super) fn flat(&self) -> bool {
        [&self.positive, &self.negative].into_iter().any(|ratios| {
            let mut sorted = ratios.clone();
            sorted.sort_by(f64::total_cmp);
            sorted.len() >= CRESTS && sorted[sorted.len() / 2] > FLAT
        })
    }
}

/// Noise of a stretch: from third differences (which have 20 times the variance of white noise) where they are smallest,
/// on the flat and straight parts. The tenth percentile of eight samples' rms is about 0.65 of the whole rms.
fn noise(x: &[f64]) -> f64 {
    let squares: Vec<f64> = x
        .windows(4)
        .map(|w| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).powi(2))
        .collect();
    let mut groups: Vec<f64> = squares
        .chunks_exact(8)
        .map(|c| c.iter().sum::<f64>() / 8.0)
        .collect();
    if groups.is_empty() {
        return 0.0;
    }
    let place = groups.len() / 10;
    (*groups.select_nth_unstable_by(place, f64::total_cmp).1 / 20.0).sqrt() / 0.65
}

/// Width ratios of the dominant crests of one sign.
fn add_side(x: &[f64], sign: f64, sigma: f64, step: f64, ratios: &mut Vec<f64>) {
    let top = x.iter().map(|v| sign * v).fold(0.0, f64::max);
    let depth = (0.005 * top).max(6.0 * sigma).max(4.0 * step);
    if 4.0 * depth > 0.3 * top {
        return;
    }
    let half = |v: &f64| sign * v > 0.5 * top;
    let mut i = 0;
    while i < x.len() {
        let Some(start) = x[i..].iter().position(half).map(|p| i + p) else {
            break;
        };
        let end = x[start..]
            .iter()
            .position(|v| !half(v))
            .map_or(x.len(), |p| start + p);
        if start > 0 && end < x.len() {
            ratios.extend(crest(&x[start - 1..=end], sign, top, depth, sigma));
        }
        i = end;
    }
}

/// Width at `depth` re the width at four times that, of one crest with a sample below half height on either side. `None`
/// where the crest is lower than the others, too narrow to judge, rippled, or a square wave's.
fn crest(x: &[f64], sign: f64, top: f64, depth: f64, sigma: f64) -> Option<f64> {
    let own = x.iter().map(|v| sign * v).fold(0.0, f64::max);
    if own < 0.97 * top {
        return None;
    }
    let top = own - 2.0 * sigma;
    let (wide, _) = width(x, sign, top - 4.0 * depth)?;
    let (narrow, inside) = width(x, sign, top - depth)?;
    let (half, _) = width(x, sign, 0.5 * own)?;
    let dwelling = inside >= 4 && inside as f64 >= 0.9 * (narrow - 1.0);
    (dwelling && half > 1.1 * narrow).then_some(narrow / wide)
}

/// Samples from the first rise above `level` to the last fall below it, interpolated, and how many of them lie above.
fn width(x: &[f64], sign: f64, level: f64) -> Option<(f64, usize)> {
    let above = |v: &f64| sign * v > level;
    let first = x.iter().position(above)?;
    let last = x.iter().rposition(above)?;
    if first == 0 || last + 1 == x.len() {
        return None;
    }
    let crossing = |low: f64, high: f64| (level - sign * low) / (sign * high - sign * low);
    let rise = (first - 1) as f64 + crossing(x[first - 1], x[first]);
    let fall = (last + 1) as f64 - crossing(x[last + 1], x[last]);
    Some((fall - rise, x.iter().filter(|v| above(v)).count()))
}
