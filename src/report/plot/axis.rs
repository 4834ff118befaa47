//! Axes: linear with round steps, and logarithmic with labels at 1, 2 and 5 of every decade and light lines between.

use crate::quantity::significant;
use crate::report::number::signed;
use plotters::coord::ranged1d::{KeyPointHint, KeyPointWeight, NoDefaultFormatting, Ranged, ValueFormatter};
use std::ops::Range;

/// Kinds of scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Scale {
    Linear,
    Logarithmic,
}

/// One axis. Its ends are finite and apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    scale: Scale,
    low: f64,
    high: f64,
    /// Labels only at whole decades.
    decades_only: bool,
}

/// Room that one label of a vertical axis needs, mm.
const LABEL_MM: f64 = 3.3;

impl Axis {
    /// A linear axis from `low` to `high`, widened to a visible length where they are not apart.
    pub fn linear(low: f64, high: f64) -> Self {
        let (low, high) = if low.is_finite() && high.is_finite() {
            (low, high)
        } else {
            (0.0, 1.0)
        };
        let apart = high - low > 1e-9 * low.abs().max(high.abs()).max(1e-9);
        Self {
            scale: Scale::Linear,
            low,
            high: if apart { high } else { low + 1.0 },
            decades_only: false,
        }
    }

    /// A linear axis whose ends are round and hold both values.
    pub fn linear_round(low: f64, high: f64) -> Self {
        let axis = Self::linear(low, high);
        let step = axis.step() / 2.0;
        Self::linear((axis.low / step).floor() * step, (axis.high / step).ceil() * step)
    }

    /// A logarithmic axis; ends that are not positive are taken as a decade around the other, or around 1.
    pub fn logarithmic(low: f64, high: f64) -> Self {
        let good = |x: f64| x.is_finite() && x > 0.0;
        let (low, high) = match (good(low), good(high)) {
            (true, true) if high > low * 1.01 => (low, high),
            (true, _) => (low, low * 10.0),
            (false, true) => (high / 10.0, high),
            (false, false) => (1.0, 10.0),
        };
        Self {
            scale: Scale::Logarithmic,
            low,
            high,
            decades_only: false,
        }
    }

    /// The same axis standing upright, `length_mm` long: where labels at 1, 2 and 5 would touch, only decades have one.
    #[must_use]
    pub(super) fn upright(mut self, length_mm: f64) -> Self {
        let decades = (self.high / self.low).log10();
        self.decades_only = self.scale == Scale::Logarithmic && 3.0 * decades * LABEL_MM > length_mm;
        self
    }

    /// A logarithmic axis whose ends are 1, 2 or 5 of a decade and hold both values.
    pub fn logarithmic_round(low: f64, high: f64) -> Self {
        let axis = Self::logarithmic(low, high);
        let down = |x: f64| {
            let decade = 10f64.powf((x.log10() + 1e-9).floor());
            let steps = [5.0 * decade, 2.0 * decade, decade];
            let fits = steps.into_iter().find(|y| *y <= x * (1.0 + 1e-9));
            fits.unwrap_or(decade)
        };
        // The least of 1, 2, 5, … that is not below x is the reciprocal of the greatest not above 1/x.
        Self::logarithmic(down(axis.low), 1.0 / down(1.0 / axis.high))
    }

    /// Lower end.
    pub fn low(&self) -> f64 {
        self.low
    }

    /// Upper end.
    pub fn high(&self) -> f64 {
        self.high
    }

    /// Where `value` is: 0 at the lower end, 1 at the upper. What a logarithmic axis cannot show is at −∞.
    pub fn position(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Linear => (value - self.low) / (self.high - self.low),
            Scale::Logarithmic if value > 0.0 => (value / self.low).log10() / (self.high / self.low).log10(),
            Scale::Logarithmic => f64::NEG_INFINITY,
        }
    }

    /// The value at `position`, the inverse of [`Self::position`].
    pub fn value_at(&self, position: f64) -> f64 {
        match self.scale {
            Scale::Linear => self.low + position * (self.high - self.low),
            Scale::Logarithmic => self.low * (self.high / self.low).powf(position),
        }
    }

    /// The text at a labelled point: 20, 1k, 0.001, −60.
    pub fn label(&self, value: f64) -> String {
        match self.scale {
            Scale::Logarithmic if value >= 999.0 => format!("{}k", significant(value / 1000.0, 3)),
            Scale::Logarithmic => significant(value, 3),
            // A point that should be 0 comes out as a few 1e-16 of the step.
            Scale::Linear if value.abs() < self.step() * 1e-6 => "0".to_owned(),
            Scale::Linear => signed(&significant(value, 6)),
        }
    }

    /// Distance of labelled points on a linear axis: 1, 2 or 5 of a decade, giving four to ten of them.
    fn step(&self) -> f64 {
        let rough = (self.high - self.low) / 8.0;
        let decade = 10f64.powf(rough.log10().floor());
        let round = [1.0, 2.0, 5.0].into_iter().find(|m| m * decade >= rough);
        round.unwrap_or(10.0) * decade
    }

    fn linear_points(&self, bold: bool) -> Vec<f64> {
        let step = if bold { self.step() } else { self.step() / 2.0 };
        let first = (self.low / step - 1e-9).ceil();
        let mut points = Vec::new();
        let mut i = 0.0;
        while (first + i) * step <= self.high + step * 1e-9 {
            points.push((first + i) * step);
            i += 1.0;
        }
        points
    }

    fn logarithmic_points(&self, bold: bool) -> Vec<f64> {
        let multiples: &[f64] = if bold && self.decades_only {
            &[1.0]
        } else if bold {
            &[1.0, 2.0, 5.0]
        } else {
            &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0]
        };
        let mut points = Vec::new();
        let mut exponent = self.low.log10().floor();
        while 10f64.powf(exponent) <= self.high {
            points.extend(multiples.iter().map(|m| m * 10f64.powf(exponent)));
            exponent += 1.0;
        }
        points.retain(|x| *x >= self.low * (1.0 - 1e-9) && *x <= self.high * (1.0 + 1e-9));
        points
    }
}

impl Ranged for Axis {
    type FormatOption = NoDefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        let (from, to) = (f64::from(limit.0), f64::from(limit.1));
        // Values outside are cut before drawing; the clamp only keeps the cast inside i32.
        let at = from + self.position(*value).clamp(-10.0, 10.0) * (to - from);
        #[allow(
            clippy::cast_possible_truncation,
            reason = "a coordinate of the sheet, at most some thousands"
        )]
        let coordinate = at.round() as i32;
        coordinate
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        let bold = matches!(hint.weight(), KeyPointWeight::Bold);
        match self.scale {
            Scale::Linear => self.linear_points(bold),
            Scale::Logarithmic => self.logarithmic_points(bold),
        }
    }

    fn range(&self) -> Range<f64> {
        self.low..self.high
    }
}

impl ValueFormatter<f64> for Axis {
    fn format_ext(&self, value: &f64) -> String {
        self.label(*value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use plotters::coord::ranged1d::BoldPoints;

    #[test]
    fn a_frequency_axis_is_labelled_at_1_2_5() {
        let axis = Axis::logarithmic(20.0, 20_000.0);
        let points = axis.key_points(BoldPoints(0));
        let labels: Vec<String> = points.into_iter().map(|x| axis.label(x)).collect();
        assert_eq!(labels.join(" "), "20 50 100 200 500 1k 2k 5k 10k 20k");
        assert_eq!(axis.map(&20.0, (100, 3100)), 100);
        // The geometric mean of the ends lies in the middle.
        assert_eq!(axis.map(&632.455_532, (100, 3100)), 1600);
    }

    #[test]
    fn round_ends_hold_the_data() {
        let axis = Axis::logarithmic_round(0.0031, 0.21);
        assert!((axis.low() - 0.002).abs() < 1e-12 && (axis.high() - 0.5).abs() < 1e-12);
        let axis = Axis::logarithmic_round(1.0, 100.0);
        assert!((axis.low() - 1.0).abs() < 1e-9 && (axis.high() - 100.0).abs() < 1e-9);
        let axis = Axis::linear_round(-3.2, 0.9);
        assert!(axis.low() <= -3.2 && axis.high() >= 0.9);
        assert_eq!(axis.label(-0.5), "−0.5");
    }

    #[test]
    fn nonsense_still_gives_an_axis() {
        for axis in [
            Axis::linear(f64::NAN, 1.0),
            Axis::linear_round(2.0, 2.0),
            Axis::logarithmic(0.0, -1.0),
            Axis::logarithmic_round(f64::INFINITY, 0.0),
        ] {
            assert!(axis.low() < axis.high());
            assert!(axis.key_points(BoldPoints(0)).len() < 100);
        }
    }
}
