//! The attenuator between the speaker terminals and the interface.
//!
//! **Where the level lands.** Clipping, some decibels above rated power, is put at −3 dBFS or just below it, so that
//! rated power lies within −12…−3 dBFS: above −3 dBFS the interface's own front end, or a limiter of the operating
//! system, may add distortion; far below −12 dBFS its noise counts (common practice, no source).
//!
//! **How low the resistance.** As low as heat and safety allow, because a low resistance costs least in noise, in
//! bandwidth with the cable, and in dependence on the interface's input. It is held up by three limits: it may take
//! no more than a thousandth of the load's power, its clamp no more than a few milliamperes, and its resistors no more
//! than some tenths of a watt.

use super::divider::{Divider, parallel};
use super::e24;
use super::parts::{Joined, total_ohm};
use crate::quantity::{Dbfs, Decibels};

/// Clipping lands here or just below, dBFS.
pub const CLIPPING_DBFS: f64 = -3.0;

/// Rated power lands here or above, dBFS.
pub const LEAST_RATED_DBFS: f64 = -12.0;

/// Attenuator / load, at least: the load's power is then off by at most 0.1 %.
const LEAST_TIMES_LOAD: f64 = 1000.0;

/// The most a clamp should have to take at the peak of clipping, A. Common practice, no source.
const CLAMP_A: f64 = 0.006;

/// The most that the whole attenuator should dissipate at rated power, W: two resistors in series share it.
const HEAT_W: f64 = 0.3;

/// Resistors in series at the top, and in parallel at the bottom.
pub(super) const TOP_COUNT: u32 = 2;
pub(super) const BOTTOM_COUNT: u32 = 2;

/// How far below its target the level may land before a higher resistance is tried, dB: one step of E24 is 0.8 dB.
const NEAR_DB: f64 = 0.25;

/// What the attenuator has to do.
#[derive(Debug, Clone, Copy)]
pub(super) struct Task {
    /// Rated rms voltage at one divider, V.
    pub(super) rated_v: f64,
    /// Clipping, as the rms voltage of a sine of that peak, at one divider, V.
    pub(super) clipping_v: f64,
    /// The largest load that the divider lies across, Ω.
    pub(super) load_ohm: f64,
    /// V rms of a 0 dBFS sine at the interface.
    pub(super) full_scale_v: f64,
    /// Ω.
    pub(super) input_ohm: f64,
}

/// The resistors, each one of E24.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Chosen {
    pub(super) top_each_ohm: f64,
    pub(super) bottom_each_ohm: f64,
}

impl Chosen {
    pub(super) fn divider(&self) -> Divider {
        Divider {
            top_ohm: total_ohm(TOP_COUNT, self.top_each_ohm, Joined::Series),
            bottom_ohm: total_ohm(BOTTOM_COUNT, self.bottom_each_ohm, Joined::Parallel),
        }
    }
}

impl Task {
    /// The highest ratio: clipping at its target.
    pub(super) fn highest_ratio(&self) -> f64 {
        self.full_scale_v * Dbfs(CLIPPING_DBFS).sine_peak() / self.clipping_v
    }

    /// The lowest resistance of the top that the three limits allow, Ω.
    fn least_top_ohm(&self) -> f64 {
        let share = LEAST_TIMES_LOAD * self.load_ohm;
        let current = self.clipping_v * std::f64::consts::SQRT_2 / CLAMP_A;
        let heat = self.rated_v.powi(2) / HEAT_W;
        share.max(current).max(heat)
    }

    /// The first pair, from low to high resistance, whose ratio is near the highest; else the nearest of all. `None`
    /// where the input's own resistance is too low for any.
    pub(super) fn choose(&self) -> Option<Chosen> {
        let least = self.least_top_ohm() / f64::from(TOP_COUNT);
        let shortfall = |c: &Chosen| {
            Decibels::from_amplitude_ratio(self.highest_ratio() / c.divider().ratio(self.input_ohm)).0
        };
        let candidates: Vec<Chosen> = e24::between(least, 3.0 * least)
            .into_iter()
            .filter_map(|top| self.with_top(top))
            .collect();
        candidates
            .iter()
            .find(|c| shortfall(c) <= NEAR_DB)
            .or_else(|| {
                candidates
                    .iter()
                    .min_by(|a, b| shortfall(a).total_cmp(&shortfall(b)))
            })
            .copied()
    }

    /// The largest bottom that keeps the ratio at or under the highest.
    fn with_top(&self, top_each_ohm: f64) -> Option<Chosen> {
        let ratio = self.highest_ratio();
        let top = total_ohm(TOP_COUNT, top_each_ohm, Joined::Series);
        let loaded = top * ratio / (1.0 - ratio);
        // Side by side with the input it must come to `loaded`: parallel with minus the input's resistance.
        let bottom = parallel(loaded, -self.input_ohm);
        (bottom > 0.0 && bottom.is_finite()).then_some(())?;
        let each = e24::at_most(bottom * f64::from(BOTTOM_COUNT))?;
        Some(Chosen {
            top_each_ohm,
            bottom_each_ohm: each,
        })
    }
}
