//! The mark: a short chirp whose place in a recording can be found to a small part of a frame.
//!
//! Even channels (left, third, …) rise from [`LOW_HZ`] to [`HIGH_HZ`], odd ones fall, so that exchanged channels are
//! told apart and the sign of the answer is the path's polarity. Pulse compression as in radar: the width of a chirp's
//! autocorrelation is the inverse of its bandwidth, and its place can be known to about 1/(2π·f·√(2E/N₀)), with E its
//! energy and N₀ the noise density (P. M. Woodward, "Probability and Information Theory, with Applications to Radar",
//! 1953; from memory).

use std::f64::consts::PI;

/// Length of a mark, s.
pub const MARK_S: f64 = 0.020;
/// Silence between a mark and the signal, s: what the unit needs to come to rest.
pub const GAP_S: f64 = 0.030;
/// Lowest frequency, Hz: above hum, inside every tone control's middle.
pub const LOW_HZ: f64 = 1_000.0;
/// Highest frequency, Hz.
pub const HIGH_HZ: f64 = 3_000.0;

/// The mark of a channel at `t` seconds after its start, peak 1, with a raised-cosine envelope; 0 outside.
pub fn value(channel: usize, t: f64) -> f64 {
    if !(0.0..MARK_S).contains(&t) {
        return 0.0;
    }
    let envelope = 0.5 - 0.5 * (2.0 * PI * t / MARK_S).cos();
    let rate = (HIGH_HZ - LOW_HZ) / MARK_S;
    let cycles = if channel.is_multiple_of(2) {
        LOW_HZ * t + 0.5 * rate * t * t
    } else {
        HIGH_HZ * t - 0.5 * rate * t * t
    };
    envelope * (2.0 * PI * cycles).sin()
}
