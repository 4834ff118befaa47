//! A multimeter that is off by as much as its maker allows.

use crate::rig::meter::{Accuracy, Multimeter};
use crate::signal::random::Random;
use std::collections::BTreeMap;

/// A multimeter with errors of its own: one of every range, and one of every reading.
#[derive(Debug, Clone)]
pub struct MultimeterModel {
    /// What its maker states.
    pub stated: Multimeter,
    random: Random,
    /// Relative error of each range, drawn when it is first used.
    ranges: BTreeMap<String, f64>,
}

impl MultimeterModel {
    /// A multimeter as `stated`; equal seeds are wrong in equal ways.
    pub fn new(stated: Multimeter, seed: u64) -> Self {
        Self {
            stated,
            random: Random::stream(seed, 0),
            ranges: BTreeMap::new(),
        }
    }

    /// What it shows on AC volts for `volts`.
    pub fn volts(&mut self, volts: f64) -> f64 {
        let (accuracy, finest) = (self.stated.volts, self.stated.finest_v);
        self.shows(volts, accuracy, finest, self.stated.source_of_volts(volts))
    }

    /// What it shows on ohms for `ohm`.
    pub fn ohms(&mut self, ohm: f64) -> f64 {
        let (accuracy, finest) = (self.stated.ohms, self.stated.finest_ohm);
        self.shows(ohm, accuracy, finest, self.stated.source_of_ohms(ohm))
    }

    /// What is shown lies within the stated limits, its rounding to the last digit included.
    fn shows(&mut self, truth: f64, accuracy: Accuracy, finest: f64, range: String) -> f64 {
        let random = &mut self.random;
        let of_range = *self
            .ranges
            .entry(range)
            .or_insert_with(|| random.symmetric() * accuracy.percent / 100.0);
        let step = self.stated.step(finest, truth);
        let off = random.symmetric() * (accuracy.digits - 0.5).max(0.0) * step;
        ((truth * (1.0 + of_range) + off) / step).round() * step
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::meter::classes;

    #[test]
    fn readings_stay_inside_what_is_stated_and_fill_it() {
        let stated = classes()[1].meter.clone();
        let mut widest = 0.0f64;
        for seed in 0..500 {
            let mut meter = MultimeterModel::new(stated.clone(), seed);
            // 0.7 % of the reading and three steps of 1 mV.
            let limit = 0.007 * 1.5 + 0.003;
            let errors = [meter.volts(1.5) - 1.5, meter.volts(1.5) - 1.5];
            assert!(errors.iter().all(|e| e.abs() <= limit + 1e-12), "{errors:?}");
            // The range is off by the same in both.
            assert!((errors[0] - errors[1]).abs() <= 0.006 + 1e-12);
            widest = errors.iter().fold(widest, |w, e| w.max(e.abs()));
        }
        assert!(widest > 0.75 * (0.007 * 1.5 + 0.003), "{widest}");
    }
}
