//! Resistors as they are bought: preferred values, ratings, several of a kind.

use serde::Serialize;

/// A resistor is rated for at least this many times what it dissipates at rated power. Common practice, no source: it
/// keeps self-heating small, whose third harmonic would pass for the amplifier's. A supply's DC after a failure, about
/// twice the rated rms voltage, is four times the heat: just within it.
pub const RATING_TIMES: f64 = 4.0;

/// Ratings that resistors are sold with, W. Common practice, no source.
const RATINGS_W: [f64; 14] = [
    0.25, 0.6, 1.0, 2.0, 3.0, 5.0, 10.0, 25.0, 50.0, 100.0, 200.0, 300.0, 500.0, 1000.0,
];

/// How equal resistors are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Joined {
    /// One after the other: they share the heat and the voltage.
    Series,
    /// Side by side: one that opens does not open the whole.
    Parallel,
}

/// Equal resistors that act as one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Parts {
    /// How many.
    pub count: u32,
    /// Each of them, Ω: a value of E24.
    pub each_ohm: f64,
    /// How they are joined.
    pub joined: Joined,
    /// Dissipation of each at rated power, W.
    pub each_w: f64,
    /// Rating of each to buy, W.
    pub rating_w: f64,
}

impl Parts {
    /// The whole, Ω.
    pub fn ohm(&self) -> f64 {
        total_ohm(self.count, self.each_ohm, self.joined)
    }

    /// `count` parts of which the whole dissipates `total_w` at rated power.
    pub fn new(count: u32, each_ohm: f64, joined: Joined, total_w: f64) -> Self {
        let each_w = total_w / f64::from(count);
        Self {
            count,
            each_ohm,
            joined,
            each_w,
            rating_w: rating(RATING_TIMES * each_w),
        }
    }
}

/// `count` equal resistors as one, Ω.
pub fn total_ohm(count: u32, each_ohm: f64, joined: Joined) -> f64 {
    match joined {
        Joined::Series => each_ohm * f64::from(count),
        Joined::Parallel => each_ohm / f64::from(count),
    }
}

/// The smallest usual rating that is no less than `watts`; beyond the largest, `watts` itself.
pub fn rating(watts: f64) -> f64 {
    RATINGS_W.iter().copied().find(|r| *r >= watts).unwrap_or(watts)
}
