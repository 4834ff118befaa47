//! Carrying out the steps of a calibration: asks, plays, listens, and keeps every answer.

use super::Calibration;
use super::answers::{Answers, Value};
use super::gate::AMPLIFIER;
use super::sound::{self, Heard};
use super::step::{Measure, Opening, Reading, Refusal, Step, Trial};
use crate::bench::Bench;
use crate::error::{Error, Kind, Result};
use crate::procedure::operator::{Answer, Expects, Notice, Operator, Question, Weight, confirmed};
use crate::procedure::run::ATTEMPTS;
use crate::rig::Rig;
use crate::rig::ceiling;

/// Opens a bench when the first tone is due.
pub type Opener<'a> = dyn FnMut(&Opening) -> Result<Box<dyn Bench>> + 'a;

/// Keeps the answers so far.
pub type Keeper<'a> = dyn FnMut(&Answers) -> Result<()> + 'a;

/// An operator, a bench, and where answers are kept.
pub struct Calibrator<'a> {
    pub(super) operator: &'a mut dyn Operator,
    open: &'a mut Opener<'a>,
    keep: &'a mut Keeper<'a>,
    today: String,
    bench: Option<(Opening, Box<dyn Bench>)>,
}

impl<'a> Calibrator<'a> {
    /// `open` opens the bench when the first tone is due, `keep` is called after every answer, and `today` (YYYY-MM-DD)
    /// dates them.
    pub fn new(
        operator: &'a mut dyn Operator,
        open: &'a mut Opener<'a>,
        keep: &'a mut Keeper<'a>,
        today: &str,
    ) -> Self {
        Self {
            operator,
            open,
            keep,
            today: today.to_owned(),
            bench: None,
        }
    }

    /// Goes on from `answers` until the rig is known. What was read at an amplifier's terminals in an earlier session is
    /// asked again: it may be another one now.
    ///
    /// # Errors
    /// Where the operator stops, the answers end, the bench fails, or the answers cannot be kept. What was answered
    /// before is kept.
    pub fn run(&mut self, calibration: &Calibration, mut answers: Answers) -> Result<Rig> {
        answers.forget(&[AMPLIFIER.to_owned()]);
        loop {
            match calibration.next(&answers) {
                Step::Ask(ask) => {
                    for notice in &ask.notices {
                        self.operator.tell(notice)?;
                    }
                    let value = self.value(&ask.question)?;
                    answers.put(&ask.question.key, value, &self.today);
                }
                Step::Measure(measure) => {
                    if let Some(reading) = self.measure(&measure, &mut answers)? {
                        reading.keep(&mut answers, &self.today);
                    }
                }
                Step::Amplify(amplify) => {
                    if let Some(reading) = self.amplify(&amplify, &mut answers)? {
                        reading.keep(&mut answers, &self.today);
                    }
                }
                Step::Refuse(refusal) => {
                    self.refuse(&refusal)?;
                    answers.forget(&refusal.forget);
                }
                Step::Done(rig) => return Ok(*rig),
            }
            (self.keep)(&answers)?;
        }
    }

    fn value(&mut self, question: &Question) -> Result<Value> {
        let unfit = || {
            Error::new(Kind::Value, "the answer is not of the kind that was asked for")
                .at(question.key.clone())
        };
        match (self.operator.ask(question)?, &question.expects) {
            (Answer::Number(number), Expects::Number { .. }) => Ok(Value::Number(number)),
            (Answer::Text(text), Expects::Text { .. }) => Ok(Value::Word(text)),
            (Answer::Choice(index), Expects::Choice { words, .. }) => {
                words.get(index).cloned().map(Value::Word).ok_or_else(unfit)
            }
            _ => Err(unfit()),
        }
    }

    pub(super) fn tell(&mut self, text: impl Into<String>) -> Result<()> {
        self.operator.tell(&Notice::step(text, ""))
    }

    /// Says why, and goes on only if the operator agrees.
    fn refuse(&mut self, refusal: &Refusal) -> Result<()> {
        self.operator.tell(&refusal.notice)?;
        if refusal.asks {
            self.try_again()?;
        }
        Ok(())
    }

    /// Goes on only if the operator agrees.
    pub(super) fn try_again(&mut self) -> Result<()> {
        let question = Question {
            key: "again".to_owned(),
            weight: Weight::Step,
            text: "Try again?".to_owned(),
            why: String::new(),
            expects: Expects::Yes,
        };
        if confirmed(self.operator, &question)? {
            return Ok(());
        }
        Err(stopped())
    }

    /// Notices and the word to go ahead.
    pub(super) fn prepare(&mut self, measure: &Measure) -> Result<()> {
        for notice in &measure.notices {
            self.operator.tell(notice)?;
        }
        match &measure.ready {
            Some(question) if !confirmed(self.operator, question)? => Err(stopped()),
            _ => Ok(()),
        }
    }

    /// `None` where the operator wants to begin this reading again.
    fn measure(&mut self, measure: &Measure, answers: &mut Answers) -> Result<Option<Reading>> {
        self.prepare(measure)?;
        let level_dbfs = match measure.trial {
            Trial::Unmoved => Some(measure.level_dbfs),
            Trial::Silent => self.silent(measure)?,
            Trial::Returns(most_db) => self.returns(measure, most_db, answers)?,
        };
        let Some(level_dbfs) = level_dbfs else {
            return Ok(None);
        };
        if measure.meter.is_some() {
            self.tell(format!(
                "A tone of {:.0} Hz plays for {:.0} s: read the meter while it lasts.",
                measure.frequency_hz, measure.seconds
            ))?;
        }
        let mut cleared = |seconds| ceiling::clear_bare(sound::stimulus(measure, level_dbfs, seconds));
        self.read(measure, level_dbfs, &mut cleared)
    }

    /// Plays the tone, also anew, until the meter was read and the recording is whole.
    pub(super) fn read(
        &mut self,
        measure: &Measure,
        level_dbfs: f64,
        cleared: &mut dyn FnMut(f64) -> Result<ceiling::Cleared>,
    ) -> Result<Option<Reading>> {
        for _ in 0..ATTEMPTS {
            let mut heard = self.play(measure, &cleared(measure.seconds)?)?;
            let mut volts = f64::NAN;
            if let Some(question) = &measure.meter {
                volts = self.volts(question)?;
                while volts <= 0.0 {
                    heard = self.play(measure, &cleared(measure.seconds)?)?;
                    volts = self.volts(question)?;
                }
            }
            if let Heard::Damaged(how) = &heard {
                self.tell(format!("{how}. The tone is played once more."))?;
                continue;
            }
            return match sound::reading(measure, &heard, level_dbfs, volts) {
                Ok(reading) => {
                    self.say(&reading)?;
                    Ok(Some(reading))
                }
                Err(why) => self.without(&why),
            };
        }
        Err(Error::new(
            Kind::Unavailable,
            format!("{ATTEMPTS} recordings in a row have losses"),
        )
        .at(measure.key.clone())
        .next("close other programs, choose a larger period for the device, then run the same command again"))
    }

    fn say(&mut self, reading: &Reading) -> Result<()> {
        if reading.dbfs.is_finite() {
            self.tell(format!("  The program reads {:.2} dBFS.", reading.dbfs))?;
        }
        Ok(())
    }

    fn volts(&mut self, question: &Question) -> Result<f64> {
        match self.operator.ask(question)? {
            Answer::Number(volts) => Ok(volts),
            _ => Err(Error::new(Kind::Value, "a meter's reading is a number").at(question.key.clone())),
        }
    }

    /// Tells what is wrong and lets the operator begin again.
    pub(super) fn without(&mut self, why: &Error) -> Result<Option<Reading>> {
        let next = why.next_step().unwrap_or_default();
        self.tell(format!("{}: {next}.", why.what()))?;
        self.try_again()?;
        Ok(None)
    }

    /// What the input on the channel of `measure` heard.
    pub(super) fn play(&mut self, measure: &Measure, cleared: &ceiling::Cleared) -> Result<Heard> {
        let heard = self.play_all(measure, cleared)?;
        Ok(heard.get(measure.channel).cloned().unwrap_or(Heard::Nothing))
    }

    /// What each input heard; empty where `measure` does not listen.
    pub(super) fn play_all(&mut self, measure: &Measure, cleared: &ceiling::Cleared) -> Result<Vec<Heard>> {
        let other = self
            .bench
            .as_ref()
            .is_none_or(|(opening, _)| *opening != measure.opening);
        if other {
            // The one before is closed first: a device serves one at a time.
            self.bench = None;
            let bench = (self.open)(&measure.opening)?;
            self.bench = Some((measure.opening.clone(), bench));
        }
        let Some((_, bench)) = &mut self.bench else {
            return Err(Error::new(Kind::Unavailable, "no bench is open"));
        };
        sound::play(bench.as_mut(), self.operator, cleared, measure)
    }
}

fn stopped() -> Error {
    Error::new(Kind::Unavailable, "the calibration was stopped").next("run the same command again to go on")
}
