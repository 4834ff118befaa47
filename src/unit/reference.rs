//! What a signal-to-noise ratio refers to.
//!
//! The same amplifier is 18 dB "better" re 60 W than re 1 W, so a rated S/N without its reference cannot be compared
//! with anything. Sheets state the reference at the output (rated output, 1 W, volts) or, for phono inputs, as the
//! voltage at the input.

use super::{Rated, UnitSpec};
use crate::error::{Error, Kind, Result};
use crate::quantity::{Volts, Watts};
use std::fmt;

/// The reference of a ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reference {
    /// Rated power into the rated load.
    RatedOutput,
    /// This power into the load.
    Power(Watts),
    /// This voltage at the output.
    Output(Volts),
    /// The output that this voltage at the input gives, the volume as for rated output.
    Input(Volts),
}

impl Reference {
    /// The reference as volts at the output; `None` where it is stated at an input that `rated` does not name.
    pub fn volts(self, rated: &Rated, spec: &UnitSpec, mode: Option<&str>) -> Option<Volts> {
        let full = spec.power_in(mode).volts();
        match self {
            Self::RatedOutput => Some(full),
            Self::Power(watts) => Some(watts.volts_across(rated.load(spec, mode))),
            Self::Output(volts) => Some(volts),
            Self::Input(volts) => {
                let input = spec.input(rated.input.as_deref()?)?;
                Some(full * (volts.0 / input.sensitivity_v))
            }
        }
    }
}

impl std::str::FromStr for Reference {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self> {
        let refused = || {
            Error::new(Kind::Value, format!("\"{text}\" is not a reference for a ratio")).next(
                "write \"rated output\", a power (\"1 W\"), a voltage at the output (\"0.5 V\"), or one at the input (\"5 mV at the input\")",
            )
        };
        let plain = text.trim().to_lowercase();
        if plain == "rated output" || plain == "rated power" {
            return Ok(Self::RatedOutput);
        }
        let (quantity, at_input) = match plain.strip_suffix("at the input") {
            Some(quantity) => (quantity.trim(), true),
            None => (plain.as_str(), false),
        };
        let split = quantity
            .find(|c: char| c.is_alphabetic())
            .filter(|_| quantity.is_ascii())
            .ok_or_else(refused)?;
        let (number, unit) = quantity.split_at(split);
        let number: f64 = number.trim().parse().map_err(|_| refused())?;
        if !(number.is_finite() && number > 0.0) {
            return Err(refused());
        }
        match (unit.trim(), at_input) {
            ("w", false) => Ok(Self::Power(Watts(number))),
            ("mw", false) => Ok(Self::Power(Watts(number / 1e3))),
            ("v", false) => Ok(Self::Output(Volts(number))),
            ("mv", false) => Ok(Self::Output(Volts(number / 1e3))),
            ("v", true) => Ok(Self::Input(Volts(number))),
            ("mv", true) => Ok(Self::Input(Volts(number / 1e3))),
            _ => Err(refused()),
        }
    }
}

impl fmt::Display for Reference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::RatedOutput => f.write_str("rated output"),
            Self::Power(watts) => write!(f, "{} W", watts.0),
            Self::Output(volts) => write!(f, "{} V", volts.0),
            Self::Input(volts) => write!(f, "{} V at the input", volts.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn references_read_and_write() {
        for (text, written) in [
            ("rated output", "rated output"),
            ("Rated power", "rated output"),
            ("1 W", "1 W"),
            ("100mW", "0.1 W"),
            ("0.5 V", "0.5 V"),
            ("5 mV at the input", "0.005 V at the input"),
        ] {
            let reference: Reference = text.parse().unwrap();
            assert_eq!(reference.to_string(), written);
            assert_eq!(written.parse::<Reference>().unwrap(), reference);
        }
        for text in [
            "",
            "W",
            "1",
            "-1 W",
            "0 V",
            "1 W at the input",
            "inf W",
            "5 µV",
            "nan V",
        ] {
            assert!(text.parse::<Reference>().is_err(), "{text}");
        }
    }
}
