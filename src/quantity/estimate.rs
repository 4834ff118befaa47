//! A value with its uncertainty budget.
//!
//! The budget keeps every source of error apart and **signed**, so that a source shared by two estimates (one meter
//! that calibrated both channels) cancels in their ratio and adds in their sum, as JCGM 100 (GUM) 5.2 asks of
//! correlated inputs. Sources are known by name: two contributions of equal [`Source`] are the same error, fully
//! correlated; of different names, independent.
//!
//! The expanded uncertainty is U = k·u with k = t₉₅.₄₅(ν_eff) (GUM G.4, Welch–Satterthwaite); for ν_eff ≥ 50 the
//! conventional k = 2.00 is used. An interval that must be asymmetric carries an extra reach below and above.
//!
//! Example: P = V²/R with V ±0.5 % and R ±1 %, both rectangular, gives u_rel = 0.816 497 %.
//! ```
//! use asleft::quantity::Estimate;
//! let v = Estimate::exact(28.28).with_limits("meter", 28.28 * 0.005);
//! let r = Estimate::exact(8.0).with_limits("load", 8.0 * 0.01);
//! let p = v.times(&v).over(&r);
//! assert!((p.standard_uncertainty() / p.value - 0.008_164_97).abs() < 1e-7);
//! ```

use super::DB_PER_RELATIVE_AMPLITUDE;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::borrow::Cow;

/// The probability that k = 2 covers for a normal distribution.
const COVERAGE: f64 = 0.954_499_736_103_642;

/// From here on k is taken as 2.00 (t₉₅.₄₅(50) = 2.05).
const MANY_DEGREES_OF_FREEDOM: f64 = 50.0;

/// The name of a source of error. Equal names are the same error.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Source(Cow<'static, str>);

impl Source {
    /// The name, as reports print it.
    pub fn name(&self) -> &str {
        &self.0
    }
}

impl From<&'static str> for Source {
    fn from(name: &'static str) -> Self {
        Self(Cow::Borrowed(name))
    }
}

impl From<String> for Source {
    fn from(name: String) -> Self {
        Self(Cow::Owned(name))
    }
}

/// One line of a budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// What the error comes from.
    pub source: Source,
    /// Signed standard uncertainty, in the unit of the value: ∂value/∂source · u(source).
    pub u: f64,
    /// Degrees of freedom of u(source); `None` for a Type B statement taken as known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dof: Option<f64>,
    /// Whether the error is another one in every take although it was stated, not observed: a vector of unknown phase,
    /// whose size is known.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub of_this_take: bool,
}

/// A value, its signed budget, and an extra reach of its interval where that is asymmetric.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The best value.
    pub value: f64,
    budget: Vec<Contribution>,
    /// Extra reach of the interval (below, above), added to U; both ≥ 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    reach: Option<(f64, f64)>,
}

impl Estimate {
    /// A value without any uncertainty: a definition or a setting.
    pub fn exact(value: f64) -> Self {
        Self {
            value,
            budget: Vec::new(),
            reach: None,
        }
    }

    /// Adds a standard uncertainty `u` known from a statement (Type B).
    #[must_use]
    pub fn with(self, source: impl Into<Source>, u: f64) -> Self {
        self.with_contribution(Contribution {
            source: source.into(),
            u,
            dof: None,
            of_this_take: false,
        })
    }

    /// Adds a standard uncertainty `u` that is stated (Type B) but whose error is another one in every take.
    #[must_use]
    pub fn with_of_this_take(self, source: impl Into<Source>, u: f64) -> Self {
        self.with_contribution(Contribution {
            source: source.into(),
            u,
            dof: None,
            of_this_take: true,
        })
    }

    /// Adds a standard uncertainty `u` found from observations with `dof` degrees of freedom (Type A).
    #[must_use]
    pub fn with_observed(self, source: impl Into<Source>, u: f64, dof: f64) -> Self {
        self.with_contribution(Contribution {
            source: source.into(),
            u,
            dof: Some(dof),
            of_this_take: false,
        })
    }

    /// Adds a rectangular distribution of half-width `limit`: u = limit/√3 (GUM 4.3.7).
    #[must_use]
    pub fn with_limits(self, source: impl Into<Source>, limit: f64) -> Self {
        self.with(source, limit / 3f64.sqrt())
    }

    /// Adds a finite resolution: u = step/√12 (GUM F.2.2.1).
    #[must_use]
    pub fn with_resolution(self, source: impl Into<Source>, step: f64) -> Self {
        self.with(source, step / 12f64.sqrt())
    }

    /// Adds one line to the budget; a source already there adds with its sign.
    #[must_use]
    pub fn with_contribution(mut self, new: Contribution) -> Self {
        match self.budget.iter_mut().find(|c| c.source == new.source) {
            Some(old) => {
                old.u += new.u;
                old.of_this_take |= new.of_this_take;
                old.dof = match (old.dof, new.dof) {
                    (Some(a), Some(b)) => Some(a.min(b)),
                    (known, None) | (None, known) => known,
                };
            }
            None => self.budget.push(new),
        }
        self
    }

    /// Lets the interval reach further below and above than U (both ≥ 0, in the unit of the value).
    #[must_use]
    pub fn with_reach(mut self, below: f64, above: f64) -> Self {
        let (b, a) = self.reach.unwrap_or((0.0, 0.0));
        self.reach = Some((b + below.max(0.0), a + above.max(0.0)));
        self
    }

    /// The lines of the budget.
    pub fn budget(&self) -> &[Contribution] {
        &self.budget
    }

    /// Combined standard uncertainty (GUM 5.1.2).
    pub fn standard_uncertainty(&self) -> f64 {
        self.budget.iter().map(|c| c.u * c.u).sum::<f64>().sqrt()
    }

    /// Effective degrees of freedom (Welch–Satterthwaite, GUM G.4.1); infinite without a Type A source.
    pub fn effective_dof(&self) -> f64 {
        let u4 = self.standard_uncertainty().powi(4);
        let sum: f64 = self
            .budget
            .iter()
            .filter_map(|c| c.dof.map(|v| c.u.powi(4) / v.max(1.0)))
            .sum();
        if sum > 0.0 { u4 / sum } else { f64::INFINITY }
    }

    /// The coverage factor k of this estimate.
    pub fn k(&self) -> f64 {
        coverage_factor(self.effective_dof())
    }

    /// Expanded uncertainty U = k·u.
    pub fn expanded(&self) -> f64 {
        self.k() * self.standard_uncertainty()
    }

    /// The 95.45 % interval (low, high).
    pub fn interval(&self) -> (f64, f64) {
        let (below, above) = self.reach.unwrap_or((0.0, 0.0));
        let u = self.expanded();
        // Where an interval reaches to nothing, rounding must not carry it to the far side.
        let nothing = 1e-12 * (self.value.abs() + u);
        let end = |x: f64| if x.abs() <= nothing { 0.0 } else { x };
        (end(self.value - u - below), end(self.value + u + above))
    }

    /// A function of this estimate: its value and its slope there (first-order propagation, GUM 5.1.2).
    #[must_use]
    pub fn map(&self, value: f64, slope: f64) -> Self {
        let budget = self
            .budget
            .iter()
            .map(|c| Contribution {
                u: c.u * slope,
                ..c.clone()
            })
            .collect();
        let reach = self.reach.map(|(below, above)| {
            if slope >= 0.0 {
                (below * slope, above * slope)
            } else {
                (-above * slope, -below * slope)
            }
        });
        Self { value, budget, reach }
    }

    /// The same estimate with every source that is of one take alone (observed, or stated as such) named as that of
    /// `take`, so that it stays independent of the same source in another take. Other stated sources keep their names:
    /// they are shared.
    #[must_use]
    pub fn observed_apart(&self, take: &str) -> Self {
        let budget = self.budget.iter().map(|c| {
            if c.dof.is_none() && !c.of_this_take {
                return c.clone();
            }
            Contribution {
                source: format!("{}, {take}", c.source.name()).into(),
                ..c.clone()
            }
        });
        Self {
            value: self.value,
            budget: budget.collect(),
            reach: self.reach,
        }
    }

    /// Product with an exact factor.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        self.map(self.value * factor, factor)
    }

    /// Sum with an exact offset.
    #[must_use]
    pub fn shifted(&self, offset: f64) -> Self {
        self.map(self.value + offset, 1.0)
    }

    /// Sum.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        self.combine(other, self.value + other.value, 1.0, 1.0)
    }

    /// Difference.
    #[must_use]
    pub fn minus(&self, other: &Self) -> Self {
        self.combine(other, self.value - other.value, 1.0, -1.0)
    }

    /// Product.
    #[must_use]
    pub fn times(&self, other: &Self) -> Self {
        self.combine(other, self.value * other.value, other.value, self.value)
    }

    /// Quotient; `other` must not be zero.
    #[must_use]
    pub fn over(&self, other: &Self) -> Self {
        let q = self.value / other.value;
        self.combine(other, q, 1.0 / other.value, -q / other.value)
    }

    /// 20 lg of an amplitude: 8.685 889 638 dB per unit of relative change.
    #[must_use]
    pub fn amplitude_to_db(&self) -> Self {
        let slope = DB_PER_RELATIVE_AMPLITUDE / self.value;
        self.map(20.0 * self.value.abs().log10(), slope)
    }

    /// A function of two estimates with its two slopes; shared sources add with their signs.
    #[must_use]
    pub fn combine(&self, other: &Self, value: f64, slope_self: f64, slope_other: f64) -> Self {
        let scaled_other = other.map(0.0, slope_other);
        let mut out = self.map(value, slope_self);
        for c in scaled_other.budget {
            out = out.with_contribution(c);
        }
        match scaled_other.reach {
            Some((below, above)) => out.with_reach(below, above),
            None => out,
        }
    }
}

/// k = t₉₅.₄₅(ν), the two-sided Student quantile (GUM Table G.2); 2.00 for ν ≥ 50. `dof` below 1 counts as 1.
pub fn coverage_factor(dof: f64) -> f64 {
    if dof >= MANY_DEGREES_OF_FREEDOM {
        return 2.0;
    }
    StudentsT::new(0.0, 1.0, dof.max(1.0)).map_or(2.0, |t| t.inverse_cdf(0.5 + COVERAGE / 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coverage_factors_of_gum_table_g2() {
        // JCGM 100:2008 Table G.2, column p = 95.45 %, printed to two decimals.
        for (dof, t) in [
            (1.0, 13.97),
            (2.0, 4.53),
            (5.0, 2.65),
            (10.0, 2.28),
            (20.0, 2.13),
            (45.0, 2.06),
        ] {
            assert!(
                (coverage_factor(dof) - t).abs() < 0.005,
                "ν = {dof}: {}",
                coverage_factor(dof)
            );
        }
        assert!((coverage_factor(1e9) - 2.0).abs() < 1e-12);
    }

    #[test]
    fn a_shared_meter_cancels_in_a_ratio() {
        let left = Estimate::exact(2.0).with("meter", 0.02).with("left noise", 0.001);
        let right = Estimate::exact(4.0)
            .with("meter", 0.04)
            .with("right noise", 0.001);
        let ratio = left.over(&right);
        // Relative: 1 % and 1 % of one meter cancel; what is left is the noise of each: √(0.0005² + 0.00025²).
        let expected = 0.5 * (0.0005f64.powi(2) + 0.00025f64.powi(2)).sqrt();
        assert!((ratio.standard_uncertainty() - expected).abs() < 1e-15);
        assert!((left.plus(&right).standard_uncertainty() - 0.060_016_66).abs() < 1e-6);
    }

    #[test]
    fn what_each_take_scatters_does_not_cancel() {
        let take = Estimate::exact(1.0)
            .with("meter", 0.1)
            .with_observed("repeatability", 0.03, 100.0);
        let change = take.observed_apart("second").minus(&take.observed_apart("first"));
        assert!((change.standard_uncertainty() - 0.03 * 2f64.sqrt()).abs() < 1e-15);
    }

    #[test]
    fn an_interval_to_nothing_ends_there_in_every_unit() {
        // A quantity that cannot be negative and is known from above only.
        for value in [0.1, 1.0 / 3.0, 7.3e-11] {
            let e = Estimate::exact(value).with_observed("x", 0.13 * value, 12.0);
            let below = e.interval().0;
            let limit = e.with_reach(below, 0.0);
            for factor in [1.0, 100.0, 0.7, 1e-9] {
                assert!(
                    limit.scaled(factor).interval().0.abs() <= 0.0,
                    "{value} × {factor}"
                );
            }
        }
    }

    #[test]
    fn reach_follows_the_sign_of_the_slope() {
        let e = Estimate::exact(1.0).with("x", 0.1).with_reach(0.0, 0.5);
        assert_eq!(e.interval(), (0.8, 1.7));
        let (low, high) = e.map(-1.0, -1.0).interval();
        assert!((low + 1.7).abs() < 1e-12 && (high + 0.8).abs() < 1e-12);
    }
}
