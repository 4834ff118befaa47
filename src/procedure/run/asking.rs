//! What a session tells and asks while it runs, and what it writes down of the answers.

use super::{CHANNELS, GAIN_OFF, HIGH_FREQUENCY, Session, UNIT_ITSELF, Whole};
use crate::error::{Error, Kind, Result};
use crate::procedure::damage::Damaged;
use crate::procedure::operator::{Answer as Said, Expects, Notice, Question, Weight};
use crate::procedure::plan::Step;
use crate::rig::ceiling::Answer;
use crate::take::marks::{self, Hears};
use crate::take::{Content, Examined};

impl Session<'_> {
    /// Asks whether what spoiled every take alike is what the unit does.
    pub(super) fn is_the_units_own(&mut self, step: &Step, all: &[Damaged]) -> Result<bool> {
        let reasons = all.last().map(|d| d.reasons.join("; ")).unwrap_or_default();
        let said = self.operator.ask(&Question {
            key: UNIT_ITSELF.to_owned(),
            weight: Weight::Step,
            text: format!(
                "\"{}\" came out alike {} times: {reasons}. If nobody touched a knob, and no automatic gain or limiter is on \
                 between interface and program, the unit itself does this: a supply that sags, warmth, a contact. Keep the \
                 take as the unit's own?",
                step.name,
                all.len()
            ),
            why: "The device lost no samples. A fault of the unit must be measurable as found; what is kept is marked."
                .to_owned(),
            expects: Expects::Yes,
        })?;
        let yes = said == Said::Yes(true);
        if yes {
            self.note(
                step,
                &format!("{reasons}. Confirmed by the operator as the unit's own."),
            )?;
        }
        Ok(yes)
    }

    /// Tells the remarks on a take, each once.
    pub(super) fn remark(&mut self, examined: &Examined) -> Result<()> {
        for note in &examined.integrity.notes {
            if self.told.insert(note.clone()) {
                self.operator.tell(&Notice {
                    weight: Weight::Step,
                    text: format!("{}.", sentence(note)),
                    why: String::new(),
                })?;
            }
        }
        Ok(())
    }

    pub(super) fn confirm_high(&mut self, what: &str) -> Result<bool> {
        let said = self.operator.ask(&Question {
            key: HIGH_FREQUENCY.to_owned(),
            weight: Weight::Caution,
            text: format!(
                "Next: {what}. It heats the network at the unit's output, and slow output devices may conduct across one another. Keep a hand on the mains switch; switch off at smell, smoke or hum. Play it?"
            ),
            why: "A specification states rated power up to this frequency, and only a burst can show it without harm."
                .to_owned(),
            expects: Expects::Yes,
        })?;
        Ok(said == Said::Yes(true))
    }

    /// Compares the marks that come back on each channel with those that were played on it, and asks where they are not its
    /// own: tones of one frequency cannot tell two channels apart.
    pub(super) fn hear_channels(&mut self, step: &Step, whole: &Whole) -> Result<()> {
        let take = &whole.examined.take;
        let Some(stimulus) = take.stimulus.as_ref().filter(|_| !self.channels_are_so) else {
            return Ok(());
        };
        let both = stimulus.marks.as_ref().is_some_and(|m| m.channels.len() > 1);
        let Some(found) = marks::find(take.source.as_ref(), stimulus)?.filter(|_| both) else {
            return Ok(());
        };
        let (what, next) = if found.hears.contains(&Hears::Other) {
            (
                "left and right are exchanged: what was played on the one comes back on the other",
                "exchange the plugs at the unit's input, at its output or at the interface, whichever are crossed",
            )
        } else if found.hears.contains(&Hears::Both) {
            (
                "one channel carries both: a mono switch is on, a balance control stands at its end, or two cables are joined",
                "switch the unit to stereo, set the balance to the middle, and look at the cables",
            )
        } else {
            return Ok(());
        };
        let said = self.operator.ask(&Question {
            key: CHANNELS.to_owned(),
            weight: Weight::Caution,
            text: format!(
                "{}. If every cable and switch is as it should be, the unit itself is so. Go on with it as it is?",
                sentence(what)
            ),
            why: sentence(next),
            expects: Expects::Yes,
        })?;
        if said != Said::Yes(true) {
            return Err(Error::new(Kind::Mismatch, what).next(next));
        }
        self.channels_are_so = true;
        self.note(step, &format!("{what}. Confirmed by the operator."))
    }

    /// Compares the answer to a faint tone with what is expected, and asks where it is off.
    pub(super) fn hear(&mut self, step: &Step, whole: &Whole) -> Result<()> {
        let volts = |channel: usize| {
            let Content::Tone(views) = &whole.examined.content else {
                return None;
            };
            let tone = views.get(channel)?.tones.first()?;
            let full_scale = self.rig.volts_at_full_scale(channel, step.setup.tap.as_deref())?;
            Some(tone.fundamental.amplitude * full_scale.value)
        };
        let heard: Vec<Option<f64>> = (0..self.rig.channels.len()).map(volts).collect();
        match self.ceiling.answer(&heard) {
            Answer::AsExpected => Ok(()),
            Answer::NoSignal(error) | Answer::WrongConnection(error) => Err(error),
            Answer::Off(error) => {
                let said = self.operator.ask(&Question {
                    key: GAIN_OFF.to_owned(),
                    weight: Weight::Caution,
                    text: format!(
                        "{}. If everything is connected and set as it should be, the unit itself is so. Go on with it as it is?",
                        sentence(error.what())
                    ),
                    why: sentence(error.next_step().unwrap_or_default()),
                    expects: Expects::Yes,
                })?;
                if said != Said::Yes(true) {
                    return Err(error);
                }
                self.ceiling.accept();
                self.note(step, &format!("{}. Confirmed by the operator.", error.what()))
            }
        }
    }
}

/// With a capital letter.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
