//! Numbers as a person enters them: "150 mV", "47k", "0.05 %", "20 kHz".

use crate::error::{Error, Kind, Result};

/// SI prefixes that bench quantities are written with; "u" stands for the micro sign of keyboards that lack it.
const PREFIXES: [(&str, f64); 8] = [
    ("p", 1e-12),
    ("n", 1e-9),
    ("µ", 1e-6),
    ("μ", 1e-6),
    ("u", 1e-6),
    ("m", 1e-3),
    ("k", 1e3),
    ("M", 1e6),
];

/// The value of `text` in `unit` ("V", "Ω", "%"), which may follow with a prefix; a bare number is in units of `bare`
/// (1e-3 where the question asks for millivolts). Blanks and underscores between digits are ignored.
///
/// # Errors
/// Where it is no number, has another unit, or a comma that might be a decimal point or a thousands mark.
///
/// ```
/// use asleft::quantity::entered;
/// assert!((entered("150 mV", "V", 1.0).unwrap() - 0.15).abs() < 1e-15);
/// assert!((entered("150", "V", 1e-3).unwrap() - 0.15).abs() < 1e-15);
/// assert!((entered("47k", "Ω", 1.0).unwrap() - 47_000.0).abs() < 1e-9);
/// assert!(entered("8 V", "Ω", 1.0).is_err());
/// ```
pub fn entered(text: &str, unit: &str, bare: f64) -> Result<f64> {
    let refuse = |what: &str, next: &str| {
        Err(Error::new(Kind::Value, format!("\"{}\" {what}", text.trim())).next(next))
    };
    if text.contains(',') {
        return refuse(
            "has a comma, which may mean a decimal point or thousands",
            "write a decimal point, and no mark between thousands",
        );
    }
    let compact: String = text.chars().filter(|c| !c.is_whitespace() && *c != '_').collect();
    let number_ends = number_length(&compact);
    let (number, rest) = compact.split_at(number_ends);
    let value = match number.parse::<f64>() {
        Ok(value) if value.is_finite() => value,
        _ => return refuse("is not a number", "write a number, if you like with its unit"),
    };
    match factor(rest, unit) {
        Some(factor) => Ok(value * factor.unwrap_or(bare)),
        None => refuse(
            &format!("is not in {unit}"),
            &format!("write the number in {unit}, or with a prefix as in \"150 m{unit}\" or \"1.5 k{unit}\""),
        ),
    }
}

/// The length in bytes of the number at the start of `text`.
fn number_length(text: &str) -> usize {
    let mut end = 0;
    let mut previous = ' ';
    for (at, c) in text.char_indices() {
        let exponent = (c == 'e' || c == 'E') && at > 0 && next_is_digit_or_sign(&text[at + 1..]);
        let sign = (c == '-' || c == '+') && (at == 0 || previous == 'e' || previous == 'E');
        if !(c.is_ascii_digit() || c == '.' || exponent || sign) {
            break;
        }
        previous = c;
        end = at + c.len_utf8();
    }
    end
}

fn next_is_digit_or_sign(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_digit() || c == '-' || c == '+')
}

/// The factor of what follows a number: `Some(None)` for nothing, `None` for something that is not `unit`.
fn factor(rest: &str, unit: &str) -> Option<Option<f64>> {
    if rest.is_empty() {
        return Some(None);
    }
    let stripped = match strip_unit(rest, unit) {
        Some("") => return Some(Some(1.0)),
        Some(prefix) => prefix,
        None => rest,
    };
    PREFIXES
        .iter()
        .find(|(p, _)| *p == stripped)
        .map(|(_, factor)| Some(*factor))
}

fn strip_unit<'t>(rest: &'t str, unit: &str) -> Option<&'t str> {
    let spellings: &[&str] = if unit == "Ω" {
        &["Ω", "Ω", "ohms", "ohm"]
    } else {
        &[]
    };
    std::iter::once(&unit)
        .chain(spellings)
        .find_map(|u| rest.strip_suffix(*u))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_people_write_is_understood() {
        for (text, unit, bare, value) in [
            ("60", "W", 1.0, 60.0),
            ("60W", "W", 1.0, 60.0),
            (" 2.5 mV ", "V", 1e-3, 0.0025),
            ("2.5", "V", 1e-3, 0.0025),
            ("0.15 V", "V", 1e-3, 0.15),
            ("47 kohm", "Ω", 1.0, 47e3),
            ("47_000", "Ω", 1.0, 47e3),
            ("-1.5e1 mV", "V", 1e-3, -0.015),
            ("20 kHz", "Hz", 1.0, 2e4),
            ("0.05%", "%", 1.0, 0.05),
            ("-3dB", "dB", 1.0, -3.0),
            ("100 µV", "V", 1.0, 1e-4),
            ("1e3", "Hz", 1.0, 1e3),
        ] {
            let found = entered(text, unit, bare).unwrap();
            assert!((found - value).abs() <= 1e-12 * value.abs(), "{text}: {found}");
        }
    }

    #[test]
    fn what_cannot_be_meant_is_refused_with_its_reason() {
        for (text, unit, words) in [
            ("", "W", "not a number"),
            ("sixty", "W", "not a number"),
            ("1,000", "Hz", "comma"),
            ("60 V", "W", "is not in W"),
            ("1e999", "V", "not a number"),
            ("nan", "V", "not a number"),
            ("1 x", "V", "not in V"),
        ] {
            assert!(
                entered(text, unit, 1.0).unwrap_err().what().contains(words),
                "{text}"
            );
        }
    }

    proptest! {
        #[test]
        fn a_printed_number_reads_back(value in any::<f64>().prop_filter("finite", |x| x.is_finite())) {
            let text = format!("{value:e} V");
            let found = entered(&text, "V", 1.0).unwrap();
            prop_assert_eq!(found.to_bits(), value.to_bits());
        }

        #[test]
        fn no_text_panics(text in "\\PC{0,20}") {
            let _ = entered(&text, "Ω", 1.0);
        }
    }
}
