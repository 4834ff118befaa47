//! What a plan puts into the load: the heat it has to take, known before anything sounds.
//!
//! E = P·t a driven channel: P the power a steady sine is aimed at, t the time it sounds; the fades at its ends are
//! counted as sounding, which errs on the safe side by at most a fade's length. What the generator plays at levels re
//! the input's sensitivity is aimed at that part of the rated power. A sweep is as steady as a sine.

use super::step::{Drive, Play, Step};
use crate::quantity::Watts;
use crate::unit::UnitSpec;

impl Step {
    /// Power the step aims at, W a driven channel; 0 for silence.
    pub fn aims_at(&self, unit: &UnitSpec) -> Watts {
        match self.play {
            Play::Silence => Watts(0.0),
            Play::Tone { drive, .. } | Play::Sweep { drive, .. } => match drive {
                Drive::Output(watts) => watts,
                Drive::ReSensitivity(change) => {
                    Watts(unit.power_in(self.setup.mode.as_deref()).watts * change.power_ratio())
                }
            },
        }
    }

    /// Energy into the load of each driven channel, J.
    pub fn energy_j(&self, unit: &UnitSpec) -> f64 {
        self.aims_at(unit).0 * self.seconds
    }
}

/// Energy of all steps into the load of one channel that is driven in each of them, J.
pub fn total_j(steps: &[Step], unit: &UnitSpec) -> f64 {
    steps.iter().map(|s| s.energy_j(unit)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Decibels;
    use crate::signal::take::Setup;
    use crate::unit::file;

    #[test]
    fn energy_is_power_times_time() {
        let unit = file::parse(include_str!("../../../units/tarnbeck-60.unit.toml"), "demo").unwrap();
        let step = |play, seconds| Step {
            name: "x".to_owned(),
            play,
            sample_rate_hz: 96_000,
            seconds,
            setup: Setup::default(),
            figures: Vec::new(),
            purpose: String::new(),
        };
        let tone = |drive| Play::Tone {
            frequency_hz: 997.0,
            drive,
        };
        let loud = step(tone(Drive::Output(Watts(50.0))), 1.5);
        let faint = step(tone(Drive::ReSensitivity(Decibels(-20.0))), 2.0);
        // 50 W · 1.5 s, and a hundredth of the rated power for 2 s; exact but for rounding.
        assert!((loud.energy_j(&unit) - 75.0).abs() < 1e-9);
        let hundredth = unit.power.watts / 100.0 * 2.0;
        assert!((faint.energy_j(&unit) - hundredth).abs() < 1e-9 * hundredth);
        let all = [loud, faint, step(Play::Silence, 6.0)];
        assert!((total_j(&all, &unit) - 75.0 - hundredth).abs() < 1e-9 * 75.0);
    }
}
