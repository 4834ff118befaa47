//! Honest digits: the expanded uncertainty to two significant digits, the value to the same decimal place.
//!
//! Source: JCGM 100:2008 (GUM) 7.2.6. Only what is printed is rounded; verdicts are made from unrounded values.

/// Digits of a value that has no uncertainty of its own (a setting, a definition).
const DIGITS_OF_AN_EXACT_VALUE: i32 = 6;

/// Decimal places beyond which nothing a bench measures goes; keeps a denormal from printing 300 digits.
const MOST_PLACES: i32 = 15;

/// `value` and its expanded uncertainty `u` (same unit, `u` ≥ 0) as text: `u` to two significant digits, `value` to
/// the same decimal place, both in plain decimals and rounded to nearest. Where `u` is 0 or not finite, the value has
/// six significant digits and the uncertainty reads "0".
///
/// ```
/// use asleft::quantity::with_uncertainty;
/// assert_eq!(with_uncertainty(10.057_62, 0.027), ("10.058".to_owned(), "0.027".to_owned()));
/// ```
pub fn with_uncertainty(value: f64, u: f64) -> (String, String) {
    let u = u.abs();
    if !u.is_finite() || u <= 0.0 {
        return (significant(value, DIGITS_OF_AN_EXACT_VALUE), "0".to_owned());
    }
    let places = places_for(u, 2);
    (decimals(value, places), decimals(u, places))
}

/// `value` to `digits` significant digits in plain decimals, without trailing zeros after the point.
pub fn significant(value: f64, digits: i32) -> String {
    if !value.is_finite() || value.abs() <= 0.0 {
        return decimals(value, 0);
    }
    let text = decimals(value, places_for(value, digits));
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// The decimal places that show `digits` significant digits of `x` ≠ 0; negative for tens, hundreds, ….
fn places_for(x: f64, digits: i32) -> i32 {
    let places = |x: f64| digits - 1 - exponent(x);
    // Rounding may carry (0.0996 becomes 0.10): the place follows the rounded value.
    let first = places(x);
    places(round_to(x.abs(), first)).min(first)
}

/// The decimal exponent of |x| ≠ 0.
fn exponent(x: f64) -> i32 {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "the exponent of an f64 lies between -324 and 308"
    )]
    let exponent = x.abs().log10().floor() as i32;
    exponent
}

fn round_to(x: f64, places: i32) -> f64 {
    if places > 0 {
        // Division by a power of ten that is exact rounds once less than multiplication by its reciprocal.
        let scale = 10f64.powi(places.min(300));
        (x * scale).round() / scale
    } else {
        let scale = 10f64.powi(-places);
        (x / scale).round() * scale
    }
}

fn decimals(x: f64, places: i32) -> String {
    let shown = usize::try_from(places.clamp(0, MOST_PLACES)).unwrap_or(0);
    let rounded = if places < 0 { round_to(x, places) } else { x };
    let text = format!("{rounded:.shown$}");
    // "-0.00" would claim a sign that the digits do not show.
    if text.starts_with('-') && !text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        return text.trim_start_matches('-').to_owned();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn pair(value: f64, u: f64) -> (String, String) {
        with_uncertainty(value, u)
    }

    fn texts(value: &str, u: &str) -> (String, String) {
        (value.to_owned(), u.to_owned())
    }

    #[test]
    fn published_results_keep_their_digits() {
        // JCGM 100:2008, 7.2.6: y = 10.057 62 Ω with u = 27 mΩ is reported as 10.058 Ω.
        assert_eq!(pair(10.057_62, 0.027), texts("10.058", "0.027"));
        // JCGM 100:2008, H.2 (Table H.4): R = 127.732 Ω, u = 0.071 Ω; Z = 254.260 Ω, u = 0.236 Ω.
        assert_eq!(pair(127.732, 0.071), texts("127.732", "0.071"));
        assert_eq!(pair(254.260, 0.236), texts("254.26", "0.24"));
    }

    #[test]
    fn a_carry_moves_the_place() {
        assert_eq!(pair(1.234_56, 0.099_6), texts("1.23", "0.10"));
        assert_eq!(pair(123.456, 0.996), texts("123.5", "1.0"));
        assert_eq!(pair(1234.0, 99.6), texts("1230", "100"));
    }

    #[test]
    fn tens_and_hundreds_are_rounded_too() {
        assert_eq!(pair(47_123.0, 1_234.0), texts("47100", "1200"));
        assert_eq!(pair(3.0, 120.0), texts("0", "120"));
    }

    #[test]
    fn the_smallest_and_the_senseless_stay_readable() {
        assert_eq!(
            pair(0.000_012_345, 0.000_000_067),
            texts("0.000012345", "0.000000067")
        );
        assert_eq!(pair(-0.000_4, 0.05), texts("0.000", "0.050"));
        assert_eq!(pair(60.0, 0.0), texts("60", "0"));
        assert_eq!(pair(0.05, f64::NAN), texts("0.05", "0"));
        assert_eq!(pair(1.0 / 3.0, f64::INFINITY), texts("0.333333", "0"));
    }

    proptest! {
        #[test]
        fn what_is_printed_is_within_half_a_digit(value in -1e6f64..1e6, power in -9f64..4.0) {
            let u = 10f64.powf(power);
            let (v, s) = with_uncertainty(value, u);
            let printed: f64 = s.parse().unwrap();
            // Half of the last digit is at most 0.5/9.95 of u: the worst case is 9.95, which carries to 10 (1e-9: the
            // decimal text of an f64).
            let half = u * (0.5 / 9.95) * (1.0 + 1e-9);
            prop_assert!((printed - u).abs() <= half);
            prop_assert!((v.parse::<f64>().unwrap() - value).abs() <= half + 1e-9);
            let digits = s.bytes().filter(u8::is_ascii_digit).skip_while(|b| *b == b'0').count();
            prop_assert!(digits >= 2);
        }
    }
}
