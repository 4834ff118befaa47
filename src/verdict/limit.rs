//! A limit, the units it can be said in, and where an interval lies against it.

use super::{Outcome, Side};
use crate::figure::Unit;
use crate::quantity::Decibels;
use crate::unit::Rated;

/// A maximum, a minimum, or both.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// No less than this.
    pub min: Option<f64>,
    /// No more than this.
    pub max: Option<f64>,
    /// Unit of both.
    pub unit: Unit,
}

impl From<&Rated> for Limit {
    fn from(rated: &Rated) -> Self {
        Self {
            min: rated.min,
            max: rated.max,
            unit: rated.unit,
        }
    }
}

impl Limit {
    /// No more than `max`.
    pub fn at_most(max: f64, unit: Unit) -> Self {
        Self {
            min: None,
            max: Some(max),
            unit,
        }
    }

    /// No less than `min`.
    pub fn at_least(min: f64, unit: Unit) -> Self {
        Self {
            min: Some(min),
            max: None,
            unit,
        }
    }

    /// The same limit in `unit`: percent and decibels of an amplitude ratio, volts and dBV. `None` where it cannot be
    /// said in that unit.
    pub fn in_unit(&self, unit: Unit) -> Option<Self> {
        let convert: fn(f64) -> f64 = match (self.unit, unit) {
            (from, to) if from == to => return Some(*self),
            (Unit::Percent, Unit::Decibels) => |x| Decibels::from_amplitude_ratio(x / 100.0).0,
            (Unit::Decibels, Unit::Percent) => |x| Decibels(x).amplitude_ratio() * 100.0,
            (Unit::Volts, Unit::Dbv) => |x| Decibels::from_amplitude_ratio(x).0,
            (Unit::Dbv, Unit::Volts) => |x| Decibels(x).amplitude_ratio(),
            _ => return None,
        };
        let logarithm_exists = |x: f64| !matches!(unit, Unit::Decibels | Unit::Dbv) || x > 0.0;
        let converted = |limit: Option<f64>| match limit {
            Some(x) if logarithm_exists(x) => Ok(Some(convert(x))),
            Some(_) => Err(()),
            None => Ok(None),
        };
        Some(Self {
            min: converted(self.min).ok()?,
            max: converted(self.max).ok()?,
            unit,
        })
    }

    /// The limit nearest to `value`, or the only one.
    pub fn nearest(&self, value: Option<f64>) -> Option<f64> {
        match (self.min, self.max, value) {
            (Some(min), Some(max), Some(value)) if (value - min).abs() < (max - value).abs() => Some(min),
            (_, Some(max), _) => Some(max),
            (min, None, _) => min,
        }
    }

    /// The outcome for an interval around `value`, and the limit that decides it. Without any limit: pass, NaN.
    pub(super) fn place(&self, low: f64, high: f64, value: f64) -> (Outcome, f64) {
        let above = self.max.map(|max| {
            let side = if high <= max {
                Side::Inside
            } else if low > max {
                Side::Outside
            } else {
                Side::Straddles
            };
            (side, max)
        });
        let below = self.min.map(|min| {
            let side = if low >= min {
                Side::Inside
            } else if high < min {
                Side::Outside
            } else {
                Side::Straddles
            };
            (side, min)
        });
        let sides = [above, below];
        let find = |wanted: Side| sides.iter().flatten().find(|(side, _)| *side == wanted);
        if let Some((_, limit)) = find(Side::Outside) {
            return (Outcome::Fail, *limit);
        }
        if let Some((_, limit)) = find(Side::Straddles) {
            return (Outcome::CannotTell, *limit);
        }
        (Outcome::Pass, self.nearest(Some(value)).unwrap_or(f64::NAN))
    }
}
