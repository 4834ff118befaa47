//! The E24 series of preferred values.
//!
//! Source: IEC 60063:2015, E24. It holds for resistors and for the voltages of zener diodes.

/// One decade, times ten.
pub const DECADE: [u32; 24] = [
    10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
];

/// A hair of rounding error must not cost a whole step.
const HAIR: f64 = 1e-9;

/// The values from `low` to `high`, both included, rising. Empty where there is none, or a bound is not positive.
pub fn between(low: f64, high: f64) -> Vec<f64> {
    let mut values = Vec::new();
    if !(low > 0.0 && high.is_finite() && low <= high) {
        return values;
    }
    let mut exponent = low.log10().floor() - 1.0;
    while scaled(10, exponent) <= high * (1.0 + HAIR) {
        let of_decade = DECADE.iter().map(|m| scaled(*m, exponent));
        values.extend(of_decade.filter(|v| *v >= low * (1.0 - HAIR) && *v <= high * (1.0 + HAIR)));
        exponent += 1.0;
    }
    values
}

/// `mantissa`·10^`exponent`, rounded once: 5.6, not 5.600 000 000 000 000 5.
fn scaled(mantissa: u32, exponent: f64) -> f64 {
    if exponent < 0.0 {
        f64::from(mantissa) / 10f64.powf(-exponent)
    } else {
        f64::from(mantissa) * 10f64.powf(exponent)
    }
}

/// The largest value that is no more than `limit` > 0.
pub fn at_most(limit: f64) -> Option<f64> {
    between(limit / 1.2, limit).last().copied()
}

/// The smallest value that is no less than `limit` > 0.
pub fn at_least(limit: f64) -> Option<f64> {
    between(limit, limit * 1.2).first().copied()
}
