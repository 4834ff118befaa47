//! Synchronised exponential sweep x(t) = sin(2π f₁ L e^{t/L}), L = T / ln(f₂/f₁).
//!
//! A. Novak, P. Lotton and L. Simon, "Synchronized Swept-Sine: Theory, Application, and Implementation", J. Audio Eng.
//! Soc. 63(10), 2015. Without the −1 of older sweeps in the exponent's bracket, the n-th harmonic of the response is
//! the sweep itself advanced by L·ln n, in phase too. The instantaneous frequency is f₁ e^{t/L}.
//!
//! The phase of a long sweep needs 20 digits. e^{t/L} is therefore taken in double-double arithmetic, once a stride
//! of frames, and carried through the stride by a table of e^{k/(fs·L)}: one multiplication a frame.

use super::double_double::DoubleDouble;
use super::oscillator::sine_of_cycles;
use std::sync::Arc;

/// Frames in the table.
const STRIDE: u64 = 4096;

/// A sweep, shared by all its readers.
#[derive(Debug, Clone)]
pub(super) struct Sweep {
    /// 1/(fs·L).
    growth: DoubleDouble,
    /// f₁·L, cycles.
    scale: DoubleDouble,
    /// e^{k/(fs·L)}.
    table: Arc<Vec<DoubleDouble>>,
}

impl Sweep {
    /// From `from_hz` to `to_hz` in `seconds`.
    pub(super) fn new(from_hz: f64, to_hz: f64, seconds: f64, sample_rate_hz: u32) -> Self {
        let log_ratio = DoubleDouble::quotient(to_hz, from_hz).ln();
        let cycles_per_log = DoubleDouble::product(from_hz, seconds);
        let scale = cycles_per_log.times(log_ratio.inverse());
        let frames = DoubleDouble::product(f64::from(sample_rate_hz), seconds);
        let growth = log_ratio.times(frames.inverse());
        let table = (0..STRIDE).map(|k| growth.times(whole(k)).exp()).collect();
        Self {
            growth,
            scale,
            table: Arc::new(table),
        }
    }

    /// Fills `out` with frames `first…` of the sweep, −1…1. Frames past its end sweep on.
    pub(super) fn fill(&self, first: u64, out: &mut [f64]) {
        let mut n = first;
        let mut rest = out;
        while !rest.is_empty() {
            let within = n % STRIDE;
            let coarse = self.scale.times(self.growth.times(whole(n - within)).exp());
            let table = &self.table[usize::try_from(within).unwrap_or(0)..];
            let count = table.len().min(rest.len());
            let (now, later) = rest.split_at_mut(count);
            for (sample, fine) in now.iter_mut().zip(table) {
                *sample = sine_of_cycles(coarse.times(*fine).fraction());
            }
            n += count as u64;
            rest = later;
        }
    }
}

fn whole(n: u64) -> DoubleDouble {
    #[allow(clippy::cast_precision_loss, reason = "frame numbers stay far below 2^53")]
    let n = n as f64;
    DoubleDouble::from(n)
}
