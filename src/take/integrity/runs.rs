//! Runs of samples that stand still: stretches of exact zeros, and values that a stalled stream held.
//!
//! A still run is damage only where nothing of the signal makes it: it must be improbable beside the share of equal
//! neighbours around it, and longer than any other still run near it (a sine of one least significant bit stands at
//! zero for a third of each period, a square wave stands still all the time). A run of zeros that the signal enters and
//! leaves at its own zero crossing is a burst's pause, not damage. Runs at either end of the file are for the notes.

use super::predict::{Predictor, robust_sigma, storage_sigma};
use super::scan::Window;
use super::{Discontinuity, DiscontinuityKind};
use std::ops::Range;

/// The shortest run that is kept. Shorter ones are left to the residual of the prediction.
pub(super) const SHORTEST: usize = 16;

/// Runs kept of a segment, the longest first.
const KEPT: usize = 32;

/// Natural logarithm of the improbability that a run must have: e⁻⁴⁰ a run, below 10⁻⁸ an hour even at 768 kHz.
const IMPROBABLE: f64 = 40.0;

/// Order of the predictor that looks at a run's ends.
const ORDER: usize = 16;

/// Samples that did not move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Held {
    pub(super) start: u64,
    pub(super) end: u64,
    pub(super) value: f64,
}

impl Held {
    pub(super) fn is_zero(&self) -> bool {
        self.value.abs() <= 0.0
    }

    pub(super) fn length(&self) -> u64 {
        self.end - self.start
    }
}

/// Adds the still runs that touch a block, as far as its context shows them; what goes on beyond is joined on.
pub(super) fn find(block: &Window<'_>, held: &mut Vec<Held>) {
    let x = block.x;
    let still = |i: usize| (x[i] - x[i - 1]).abs() <= 0.0;
    let mut start = block.start;
    while start > 0 && still(start) {
        start -= 1;
    }
    while start < block.end {
        let mut end = start + 1;
        while end < x.len() && still(end) {
            end += 1;
        }
        if end - start >= SHORTEST {
            push(
                held,
                Held {
                    start: block.frame + start as u64 - block.start as u64,
                    end: block.frame + end as u64 - block.start as u64,
                    value: x[start],
                },
            );
        }
        start = end;
    }
}

/// Appends `run`, or lengthens the last one where they overlap.
fn push(held: &mut Vec<Held>, run: Held) {
    match held.last_mut() {
        Some(last) if last.end >= run.start && (last.value - run.value).abs() <= 0.0 => {
            last.end = last.end.max(run.end);
        }
        _ => held.push(run),
    }
}

/// Appends the runs of the next segment.
pub(super) fn join(held: &mut Vec<Held>, next: Vec<Held>) {
    for run in next {
        push(held, run);
    }
}

/// Keeps the longest runs of the segment `first..end`, and those that may go on in its neighbours.
pub(super) fn thin(held: &mut Vec<Held>, first: u64, end: u64) {
    let (edge, mut inner): (Vec<Held>, Vec<Held>) =
        held.iter().partition(|r| r.start <= first || r.end >= end);
    inner.sort_by(|a, b| b.length().cmp(&a.length()).then(a.start.cmp(&b.start)));
    inner.truncate(KEPT);
    *held = edge;
    held.append(&mut inner);
    held.sort_by_key(|r| r.start);
}

/// Judges a run inside a capture: `x` is the run's neighbourhood and `run` its place in it. Samples are stored in steps
/// of `step` (0 where unknown).
pub(super) fn damage(x: &[f64], run: Range<usize>, zero: bool, step: f64) -> Option<DiscontinuityKind> {
    let sides = [&x[..run.start], &x[run.end..]];
    if sides.iter().any(|s| s.len() < 4 * ORDER) {
        return None;
    }
    let length = run.len();
    let (mut longest, mut still, mut count) = (0, 1usize, 0usize);
    for side in sides {
        let (l, s) = stillness(side);
        longest = longest.max(l);
        still += s;
        count += side.len();
    }
    let share = still as f64 / count as f64;
    if longest * 2 >= length || length as f64 * -share.min(1.0).ln() < IMPROBABLE {
        return None;
    }
    let before = Side::of(sides[0].to_vec(), step);
    let after = Side::of(sides[1].iter().rev().copied().collect(), step);
    let value = x[run.start];
    if zero && before.ends_naturally(value) && after.ends_naturally(value) {
        return None;
    }
    Some(match (zero, before.sounding || after.sounding) {
        (true, true) => DiscontinuityKind::Zeros,
        (true, false) => DiscontinuityKind::Splice,
        (false, _) => DiscontinuityKind::Repeated,
    })
}

/// The longest still run and the number of samples that equal the one before.
fn stillness(x: &[f64]) -> (usize, usize) {
    let (mut longest, mut run, mut still) = (1, 1, 0);
    for w in x.windows(2) {
        if (w[1] - w[0]).abs() <= 0.0 {
            run += 1;
            still += 1;
            longest = longest.max(run);
        } else {
            run = 1;
        }
    }
    (longest, still)
}

/// How the signal comes up to a run, read towards it.
struct Side {
    /// What the sample at the run would have been.
    expected: f64,
    /// Standard deviation of what prediction leaves.
    sigma: f64,
    /// Rms of the signal near the run.
    rms: f64,
    /// The signal is more than its own unpredictable part.
    sounding: bool,
}

impl Side {
    fn of(mut x: Vec<f64>, step: f64) -> Self {
        const NEAR: usize = 2048;
        x.drain(..x.len().saturating_sub(NEAR));
        let n = x.len();
        let predictor = Predictor::<ORDER>::train(&x, std::slice::from_ref(&(ORDER..n)));
        let mut e = vec![0.0; n - ORDER];
        predictor.residual(&x, ORDER, &mut e);
        x.push(0.0);
        let mut last = [0.0];
        predictor.residual(&x, n, &mut last);
        let sigma = robust_sigma(&e).max(storage_sigma(step));
        let rms = (x.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt();
        Self {
            expected: -last[0],
            sigma,
            rms,
            sounding: rms > 10.0 * sigma,
        }
    }

    /// The signal passes through `value` by itself just here, as a burst of whole periods does.
    fn ends_naturally(&self, value: f64) -> bool {
        self.sounding && (self.expected - value).abs() < (5.0 * self.sigma).max(0.01 * self.rms)
    }
}

/// The break of a run that [`damage`] confirmed.
pub(super) fn discontinuity(run: &Held, kind: DiscontinuityKind, channel: usize, rate: f64) -> Discontinuity {
    Discontinuity {
        channel: crate::figure::Channel::at(channel),
        at_s: run.start as f64 / rate,
        kind,
    }
}
