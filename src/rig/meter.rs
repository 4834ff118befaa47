//! Multimeters as data: what their makers state about a reading, and what that means for its uncertainty.
//!
//! An accuracy of "0.7 % + 3 digits" states limits: ±(0.7 % of the reading + 3 steps of the last digit). Nothing is
//! known about where between them the error lies, so that each part is a rectangle of standard uncertainty limit/√3
//! (JCGM 100:2008, 4.3.7). The part in percent is taken as one error for all readings on one range, which then cancels
//! in a ratio of two of them; the digits are another error in each reading. Readings on two ranges share nothing.

use crate::quantity::{Estimate, significant};

/// Limits of the error of a reading, as its maker states them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Percent of the reading.
    pub percent: f64,
    /// Steps of the last digit.
    pub digits: f64,
}

/// A multimeter.
#[derive(Debug, Clone, PartialEq)]
pub struct Multimeter {
    /// Highest number that its display shows: 1999, 5999, ….
    pub counts: f64,
    /// Smallest step of the lowest range of AC volts, V.
    pub finest_v: f64,
    /// Smallest step of the lowest range of resistance, Ω.
    pub finest_ohm: f64,
    /// AC volts inside [`Multimeter::band_hz`].
    pub volts: Accuracy,
    /// Resistance.
    pub ohms: Accuracy,
    /// Frequencies that the accuracy of AC volts is stated for, Hz.
    pub band_hz: [f64; 2],
}

/// A class of multimeters, as data sheets state them. Common practice, no source.
#[derive(Debug, Clone, PartialEq)]
pub struct Class {
    /// Name.
    pub name: &'static str,
    /// A meter of this class.
    pub meter: Multimeter,
}

/// The typical classes, the least accurate first.
pub fn classes() -> [Class; 3] {
    let meter = |counts, finest: [f64; 2], volts: [f64; 2], ohms: [f64; 2], band_hz| Multimeter {
        counts,
        finest_v: finest[0],
        finest_ohm: finest[1],
        volts: Accuracy {
            percent: volts[0],
            digits: volts[1],
        },
        ohms: Accuracy {
            percent: ohms[0],
            digits: ohms[1],
        },
        band_hz,
    };
    [
        Class {
            name: "basic handheld",
            meter: meter(1_999.0, [1e-3, 0.1], [1.5, 3.0], [1.0, 2.0], [40.0, 400.0]),
        },
        Class {
            name: "good handheld",
            meter: meter(5_999.0, [1e-4, 0.01], [0.7, 3.0], [0.3, 1.0], [40.0, 1_000.0]),
        },
        Class {
            name: "bench meter",
            meter: meter(
                119_999.0,
                [1e-6, 1e-3],
                [0.1, 40.0],
                [0.02, 5.0],
                [20.0, 20_000.0],
            ),
        },
    ]
}

impl Class {
    /// Name and accuracy, as it is offered.
    pub fn words(&self) -> String {
        let Multimeter {
            volts,
            ohms,
            counts,
            band_hz,
            ..
        } = &self.meter;
        let number = |x: f64| significant(x, 6);
        let digits = |n: f64| match number(n).as_str() {
            "1" => "1 digit".to_owned(),
            many => format!("{many} digits"),
        };
        format!(
            "{}: AC {} % + {} up to {} Hz, Ω {} % + {}, shows up to {}",
            self.name,
            number(volts.percent),
            digits(volts.digits),
            number(band_hz[1]),
            number(ohms.percent),
            digits(ohms.digits),
            number(*counts),
        )
    }
}

impl Multimeter {
    /// AC volts as read; `reading` names this one reading.
    pub fn volts(&self, shown: f64, reading: &str) -> Estimate {
        self.estimate("volts", "V", self.volts, self.finest_v, shown, reading)
    }

    /// Resistance as read; `reading` names this one reading.
    pub fn ohms(&self, shown: f64, reading: &str) -> Estimate {
        self.estimate("ohms", "Ω", self.ohms, self.finest_ohm, shown, reading)
    }

    /// The name of the error that all AC volts on the range of this reading share.
    pub fn source_of_volts(&self, shown: f64) -> String {
        self.source("volts", "V", self.finest_v, shown)
    }

    /// The name of the error that all resistances on the range of this reading share.
    pub fn source_of_ohms(&self, shown: f64) -> String {
        self.source("ohms", "Ω", self.finest_ohm, shown)
    }

    /// Share of a reading of AC volts that its digits leave open, percent.
    pub fn digits_percent(&self, shown: f64) -> f64 {
        100.0 * self.volts.digits * self.step(self.finest_v, shown) / shown.abs()
    }

    /// Step of the last digit on the lowest range that shows `shown`: ranges are ten times each other.
    pub fn step(&self, finest: f64, shown: f64) -> f64 {
        let ranges = (0..12).map(|n| finest * 10f64.powi(n));
        // A reading at the end of a range is on it, whatever the last bit of the product.
        ranges
            .into_iter()
            .find(|step| shown.abs() <= self.counts * step * (1.0 + 1e-9))
            .unwrap_or(finest * 1e12)
    }

    fn source(&self, what: &str, unit: &str, finest: f64, shown: f64) -> String {
        let range = (self.counts + 1.0) * self.step(finest, shown);
        format!("meter {what}, range {} {unit}", significant(range, 6))
    }

    fn estimate(
        &self,
        what: &str,
        unit: &str,
        accuracy: Accuracy,
        finest: f64,
        shown: f64,
        reading: &str,
    ) -> Estimate {
        Estimate::exact(shown)
            .with_limits(
                self.source(what, unit, finest, shown),
                shown * accuracy.percent / 100.0,
            )
            .with_limits(
                format!("digits, {reading}"),
                accuracy.digits * self.step(finest, shown),
            )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn good() -> Multimeter {
        classes()[1].meter.clone()
    }

    #[test]
    fn limits_become_rectangles_of_percent_and_digits() {
        // GUM 4.3.7: u = a/√3. 1.556 V on the range of 6 V: 0.7 % are 10.892 mV, three steps of 1 mV are 3 mV.
        let e = good().volts(1.556, "left output");
        let u = ((0.010_892f64.powi(2) + 0.003f64.powi(2)) / 3.0).sqrt();
        assert!((e.standard_uncertainty() - u).abs() < 1e-12);
        // 8.07 Ω on the range of 60 Ω: 0.3 % are 24.21 mΩ, one step is 10 mΩ.
        let e = good().ohms(8.07, "left load");
        let u = ((0.024_21f64.powi(2) + 0.01f64.powi(2)) / 3.0).sqrt();
        assert!((e.standard_uncertainty() - u).abs() < 1e-12);
    }

    #[test]
    fn one_range_is_one_error_and_digits_are_not() {
        let ratio = |a, b| good().volts(a, "first").over(&good().volts(b, "second"));
        // Same range: 0.7 % cancel, the digits of both remain: 3 mV/√3 each.
        let same = ratio(1.5, 1.5);
        let u = 0.003 / 1.5 * (2.0f64 / 3.0).sqrt();
        assert!((same.standard_uncertainty() - u).abs() < 1e-12);
        // Two ranges: 0.7 %/√3 twice, and 0.1 mV steps for the lower.
        let other = ratio(0.5, 1.0).standard_uncertainty() / 0.5;
        let u = ((2.0 * 0.007f64.powi(2) + (3e-4f64 / 0.5).powi(2) + 0.003f64.powi(2)) / 3.0).sqrt();
        assert!((other - u).abs() < 1e-12);
    }

    #[test]
    fn the_range_is_the_lowest_that_shows_the_reading() {
        let meter = good();
        for (shown, step) in [
            (0.0, 1e-4),
            (0.5999, 1e-4),
            (0.6, 1e-3),
            (5.999, 1e-3),
            (6.0, 1e-2),
            (40.0, 1e-2),
        ] {
            assert!(
                (meter.step(meter.finest_v, shown) / step - 1.0).abs() < 1e-9,
                "{shown}"
            );
        }
        assert_eq!(meter.source_of_volts(1.556), "meter volts, range 6 V");
        assert_eq!(classes()[0].meter.source_of_ohms(8.1), "meter ohms, range 200 Ω");
    }
}
