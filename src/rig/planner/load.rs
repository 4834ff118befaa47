//! Dummy loads: what they take, what to buy, and for how long they may be driven.

use super::parts;
use crate::quantity::{Ohms, Volts};
use serde::Serialize;

/// One load.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LoadPlan {
    /// Ω.
    pub load_ohm: f64,
    /// Power at the rated output voltage, W. Into less than the rated load an amplifier gives at most this.
    pub rated_w: f64,
    /// Power at the clipping voltage, W.
    pub clipping_w: f64,
    /// Continuous rating on its heat sink, W: what there is, or what to buy.
    pub rating_w: f64,
    /// Whether the rating is that of a load that is there.
    pub there: bool,
    /// Seconds in each minute at the rated voltage; `None`: continuous.
    pub rated_s_per_min: Option<f64>,
    /// Seconds in each minute at the clipping voltage; `None`: continuous.
    pub clipping_s_per_min: Option<f64>,
}

impl LoadPlan {
    /// A load of `ohm`, rated `there_w` where it is there already.
    ///
    /// The mean power over a minute stays within the rating: a load of this size takes minutes to warm up. Common
    /// practice, no source.
    pub fn new(ohm: f64, rated_v: f64, clipping_v: f64, there_w: Option<f64>) -> Self {
        let power = |volts: f64| Volts(volts).power_into(Ohms(ohm)).0;
        let (rated_w, clipping_w) = (power(rated_v), power(clipping_v));
        let rating_w = there_w.unwrap_or_else(|| parts::rating(clipping_w));
        let share = |watts: f64| (watts > rating_w).then(|| 60.0 * rating_w / watts);
        Self {
            load_ohm: ohm,
            rated_w,
            clipping_w,
            rating_w,
            there: there_w.is_some(),
            rated_s_per_min: share(rated_w),
            clipping_s_per_min: share(clipping_w),
        }
    }
}
