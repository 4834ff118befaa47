//! Faint tones before a tone is played at its level: what must not come back does not, and what must does.

use super::answers::Answers;
use super::run::Calibrator;
use super::sound::{self, Heard};
use super::step::{Measure, Reading};
use crate::error::Result;
use crate::procedure::operator::Notice;
use crate::rig::ceiling;

/// Level of the first sound after anything was connected, dBFS: 10 mV of an output of 10 V.
pub const FAINT_DBFS: f64 = -60.0;

/// Levels that a tone is tried at until it comes back, dBFS: through a tap of high ratio the faintest drowns.
const TRIED_DBFS: [f64; 3] = [FAINT_DBFS, -40.0, -20.0];

/// Highest level that an input is given, dBFS.
const HIGHEST_DBFS: f64 = -3.0;

/// What is this far below the level that was played came by no cable, dB: crosstalk of an interface is far less, an
/// amplifier behind a tap far more. Common practice, no source.
const NO_CABLE_DB: f64 = -30.0;

/// Length of a trial, s.
pub(super) const TRIAL_S: f64 = 1.0;

impl Calibrator<'_> {
    /// The level of `measure`, if a faint tone comes back on no input; `None` where the operator begins again.
    pub(super) fn silent(&mut self, measure: &Measure) -> Result<Option<f64>> {
        let listening = Measure {
            listens: true,
            ..measure.clone()
        };
        let cleared = ceiling::clear_bare(sound::stimulus(measure, FAINT_DBFS, TRIAL_S))?;
        let comes_back = |heard: &Heard| match heard {
            Heard::Tone { dbfs, .. } => *dbfs > FAINT_DBFS + NO_CABLE_DB,
            // What was not heard whole proves no silence.
            Heard::Clipped | Heard::Stopped(_) | Heard::Damaged(_) => true,
            Heard::Nothing => false,
        };
        if !self.play_all(&listening, &cleared)?.iter().any(comes_back) {
            return Ok(Some(measure.level_dbfs));
        }
        self.operator.tell(&Notice::caution(
            "A faint tone came back: something still joins the outputs to the inputs, an amplifier or a cable. Take it \
             off; nothing louder was played.",
            "The next tone is louder than an amplifier can take.",
        ))?;
        self.try_again()?;
        Ok(None)
    }

    /// The level of `measure` as the input can take it, if a faint tone comes back by no more than `most_db`; `None` where
    /// the operator begins again, with what was typed and cannot be true forgotten.
    pub(super) fn returns(
        &mut self,
        measure: &Measure,
        most_db: f64,
        answers: &mut Answers,
    ) -> Result<Option<f64>> {
        let mut last = Heard::Nothing;
        for tried in TRIED_DBFS.into_iter().filter(|l| *l < measure.level_dbfs) {
            let cleared = ceiling::clear_bare(sound::stimulus(measure, tried, TRIAL_S))?;
            last = self.play(measure, &cleared)?;
            let Heard::Tone { dbfs, .. } = last else {
                if last == Heard::Nothing {
                    continue;
                }
                break;
            };
            let gain_db = dbfs - tried;
            // Not "gain > most": what is no number must not pass.
            if gain_db <= most_db {
                let over = (measure.level_dbfs + gain_db - HIGHEST_DBFS).max(0.0);
                return Ok(Some(measure.level_dbfs - over));
            }
            self.operator.tell(&Notice::caution(
                format!(
                    "A faint tone came back {:.0} dB stronger than it should: an amplifier is still between, or a \
                     resistor is not the one that was typed. Nothing louder was played.",
                    gain_db - most_db
                ),
                "",
            ))?;
            answers.forget(&measure.suspects);
            self.try_again()?;
            return Ok(None);
        }
        let nothing: Result<Reading> = sound::reading(measure, &last, measure.level_dbfs, f64::NAN);
        if let Err(why) = nothing {
            self.without(&why)?;
        }
        Ok(None)
    }
}
