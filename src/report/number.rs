//! Numbers as people read them: honest digits, a prefix that suits the size, and a true minus sign.

use crate::figure::{Figure, Unit};
use crate::quantity::{Estimate, significant, with_uncertainty};

/// Share of U from which on an interval is shown by its ends rather than by ±.
const LOPSIDED: f64 = 0.1;

/// A unit with the prefix chosen for a value.
#[derive(Debug, Clone, PartialEq)]
pub struct Scale {
    /// The number shown is the value times this.
    pub factor: f64,
    /// Symbol with its prefix.
    pub symbol: String,
}

impl Scale {
    /// The scale that shows `value` with one to three digits before the point, where the unit takes prefixes.
    pub fn for_value(value: f64, unit: Unit) -> Self {
        let size = value.abs();
        let (factor, prefix) = match unit {
            Unit::Hertz if size >= 10_000.0 => (1e-3, "k"),
            Unit::Volts | Unit::Watts | Unit::Seconds if size > 0.0 && size < 1e-3 => (1e6, "µ"),
            Unit::Volts | Unit::Watts | Unit::Seconds if size > 0.0 && size < 1.0 => (1e3, "m"),
            Unit::Ohms if size > 0.0 && size < 0.1 => (1e3, "m"),
            Unit::Ohms if size >= 1000.0 => (1e-3, "k"),
            _ => (1.0, ""),
        };
        Self {
            factor,
            symbol: format!("{prefix}{}", unit.symbol()),
        }
    }
}

/// Value and expanded uncertainty as text in one scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    /// The value, or "≤ …" where it is only an upper limit.
    pub value: String,
    /// "± U", "low … high" where the interval is lopsided, or empty where there is neither.
    pub spread: String,
    /// Unit with its prefix.
    pub unit: String,
}

impl Shown {
    /// A figure in the scale that suits it.
    pub fn figure(figure: &Figure) -> Self {
        Self::figure_in(figure, &Scale::for_value(figure.estimate.value, figure.unit))
    }

    /// A figure in a given scale.
    pub fn figure_in(figure: &Figure, scale: &Scale) -> Self {
        if figure.upper_limit {
            let (_, high) = figure.estimate.interval();
            return Self {
                value: format!("≤ {}", rounded_up(high * scale.factor, figure.unit)),
                spread: String::new(),
                unit: scale.symbol.clone(),
            };
        }
        Self::estimate(&figure.estimate, scale)
    }

    fn estimate(estimate: &Estimate, scale: &Scale) -> Self {
        let u = estimate.expanded();
        let (low, high) = estimate.interval();
        let (value, spread) = if ((high - estimate.value) - (estimate.value - low)).abs() > LOPSIDED * u {
            let half = (high - low) / 2.0 * scale.factor;
            let text = |x: f64| signed(&with_uncertainty(x * scale.factor, half).0);
            (text(estimate.value), format!("({} … {})", text(low), text(high)))
        } else {
            let (value, u) = honest(estimate.value * scale.factor, u * scale.factor, &scale.symbol);
            let spread = if u == "0" {
                String::new()
            } else {
                format!("± {u}")
            };
            (value, spread)
        };
        Self {
            value,
            spread,
            unit: scale.symbol.clone(),
        }
    }

    /// Value, spread and unit in one line.
    pub fn line(&self) -> String {
        let spread = if self.spread.is_empty() {
            String::new()
        } else {
            format!(" {}", self.spread)
        };
        format!("{}{spread} {}", self.value, self.unit)
    }
}

/// A setting or a limit with its unit: at most four significant digits, the prefix that suits it.
pub fn setting(value: f64, unit: Unit) -> String {
    let scale = match unit {
        Unit::Hertz if value.abs() >= 1000.0 => Scale {
            factor: 1e-3,
            symbol: "kHz".to_owned(),
        },
        _ => Scale::for_value(value, unit),
    };
    // The degree sign alone stands without a space (SI Brochure, 9th ed., 5.4.3).
    let gap = if unit == Unit::Degrees { "" } else { " " };
    let number = signed(&significant(value * scale.factor, 4));
    format!("{number}{gap}{}", scale.symbol)
}

/// Smallest step worth a digit: a thousandth of a decibel, else a millionth of the value. Repeatability may be finer;
/// no clock and no meter of a workshop is.
fn finest(value: f64, symbol: &str) -> f64 {
    if symbol.starts_with("dB") {
        0.001
    } else {
        10f64.powf((value.abs() * 1e-6).log10().ceil())
    }
}

/// Value and expanded uncertainty (≥ 0) with the digits that the uncertainty supports, as text; "< …" for one too small
/// to be worth digits, "0" for none.
pub fn honest(value: f64, u: f64, symbol: &str) -> (String, String) {
    let finest = finest(value, symbol);
    if u > 0.0 && u < finest {
        // Two digits of ten steps end at the step itself.
        let (value, _) = with_uncertainty(value, 10.0 * finest);
        return (signed(&value), format!("< {}", significant(finest, 1)));
    }
    let (value, u) = with_uncertainty(value, u);
    (signed(&value), u)
}

/// The text with a true minus sign.
pub fn signed(text: &str) -> String {
    text.replacen('-', "−", 1)
}

/// Two significant digits, or a tenth of a decibel, never less than `x`: an upper limit must not be rounded down.
fn rounded_up(x: f64, unit: Unit) -> String {
    let logarithmic = matches!(unit, Unit::Decibels | Unit::Dbfs | Unit::Dbv);
    let step = if logarithmic || !x.is_normal() {
        0.1
    } else {
        10f64.powf(x.abs().log10().floor() - 1.0)
    };
    // A hair of rounding error must not cost a whole step.
    let up = (x / step - 1e-9).ceil() * step;
    signed(&significant(up, if logarithmic { 6 } else { 2 }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(estimate: &Estimate, unit: Unit) -> String {
        Shown::estimate(estimate, &Scale::for_value(estimate.value, unit)).line()
    }

    #[test]
    fn digits_follow_the_uncertainty() {
        // JCGM 100:2008 7.2.6: U to two significant digits, the value to the same place.
        let volts = Estimate::exact(63.149e-6).with("noise", 0.6e-6);
        assert_eq!(shown(&volts, Unit::Volts), "63.1 ± 1.2 µV");
        let watts = Estimate::exact(61.237).with("meter", 0.52);
        assert_eq!(shown(&watts, Unit::Watts), "61.2 ± 1.0 W");
        assert_eq!(shown(&Estimate::exact(-0.5), Unit::Decibels), "−0.5 dB");
    }

    #[test]
    fn a_lopsided_interval_shows_its_ends() {
        let e = Estimate::exact(0.0040)
            .with("noise", 0.0001)
            .with_reach(0.0, 0.002);
        assert_eq!(shown(&e, Unit::Percent), "0.0040 (0.0038 … 0.0062) %");
    }

    #[test]
    fn no_digit_is_finer_than_a_clock_or_a_meter() {
        let text = |value, u, symbol| honest(value, u, symbol);
        let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
        assert_eq!(text(996.999_999_86, 3e-7, "Hz"), pair("997.000", "< 0.001"));
        assert_eq!(text(-17.922_543, 1.5e-5, "dBFS"), pair("−17.923", "< 0.001"));
        assert_eq!(text(0.012_31, 1.3e-4, "%"), pair("0.01231", "0.00013"));
        assert_eq!(text(0.0, 0.01, "dB"), pair("0.000", "0.010"));
    }

    #[test]
    fn an_upper_limit_is_never_rounded_down() {
        for (x, text) in [(0.00123, "0.0013"), (0.0012, "0.0012"), (99.1, "100"), (5.0, "5")] {
            assert_eq!(rounded_up(x, Unit::Percent), text);
        }
        assert_eq!(rounded_up(-101.23, Unit::Decibels), "−101.2");
    }

    #[test]
    fn settings_read_as_on_a_panel() {
        assert_eq!(setting(20_000.0, Unit::Hertz), "20 kHz");
        assert_eq!(setting(997.0, Unit::Hertz), "997 Hz");
        assert_eq!(setting(0.15, Unit::Volts), "150 mV");
        assert_eq!(setting(-6.0, Unit::Dbfs), "−6 dBFS");
        assert_eq!(setting(-87.3, Unit::Degrees), "−87.3°");
    }
}
