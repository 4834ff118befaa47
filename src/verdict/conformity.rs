//! Probability that a measured value conforms: JCGM 106:2012, 7.2 to 7.4, for a normal distribution.

use super::Limit;
use statrs::distribution::{ContinuousCDF, Normal};

/// The probability that the true value lies within `limit` (in the unit of `value`), where the measurement gave
/// `value` with the standard uncertainty `u` and nothing else is known: Φ((T_U − y)/u) − Φ((T_L − y)/u). For u = 0 it
/// is 0 or 1.
///
/// ```
/// use asleft::figure::Unit;
/// use asleft::verdict::{Limit, conformance_probability};
/// // JCGM 106:2012, 7.3.3, example 1: −5.47 V, u = 0.05 V, limit −5.40 V.
/// let p = conformance_probability(-5.47, 0.05, &Limit::at_most(-5.40, Unit::Volts));
/// assert!((p - 0.92).abs() < 0.005);
/// ```
pub fn conformance_probability(value: f64, u: f64, limit: &Limit) -> f64 {
    let Ok(normal) = Normal::new(value, u) else {
        let inside = limit.max.is_none_or(|max| value <= max) && limit.min.is_none_or(|min| value >= min);
        return if inside { 1.0 } else { 0.0 };
    };
    let below = limit.max.map_or(1.0, |max| normal.cdf(max));
    let too_low = limit.min.map_or(0.0, |min| normal.cdf(min));
    (below - too_low).max(0.0)
}
