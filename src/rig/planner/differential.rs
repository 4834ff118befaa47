//! Outputs of which no terminal is ground: two equal dividers to the amplifier's signal ground, and their difference.

use super::divider::Divider;
use crate::quantity::Decibels;
use serde::Serialize;

/// How well two dividers agree.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rejection {
    /// Tolerance of every resistor, percent.
    pub tolerance_percent: f64,
    /// Common-mode rejection with all four resistors at their worst ends, dB.
    pub worst_db: f64,
    /// The same with the four tolerances added as squares, dB.
    pub likely_db: f64,
}

impl Rejection {
    /// Of two of `divider` with resistors of ± `tolerance` (0.01 is 1 %).
    ///
    /// A ratio k = B/(T + B) moves by (1 − k)·(δB − δT). Two dividers at opposite ends differ by (1 − k)·4δ, and four
    /// independent tolerances give (1 − k)·2δ; rejection is the inverse of that difference re k.
    pub fn new(divider: &Divider, tolerance: f64) -> Self {
        let part = (1.0 - divider.ratio(f64::INFINITY)) * tolerance;
        let db = |times: f64| Decibels::from_amplitude_ratio(1.0 / (times * part)).0;
        Self {
            tolerance_percent: 100.0 * tolerance,
            worst_db: db(4.0),
            likely_db: db(2.0),
        }
    }
}
