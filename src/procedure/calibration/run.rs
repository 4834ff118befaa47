//! Carrying out the steps of a calibration: asks, plays, listens, and keeps every answer.

use super::answers::{Answers, Value};
use super::creep::{self, Creep, Rise};
use super::sound::{self, Heard};
use super::step::{Amplify, Measure, Opening, Reading, Refusal, Step, step};
use super::{Calibration, DBFS};
use crate::bench::Bench;
use crate::error::{Error, Kind, Result};
use crate::procedure::operator::{Answer, Expects, Operator, Question, Weight};
use crate::quantity::Dbfs;
use crate::rig::Rig;
use crate::rig::ceiling;

/// How far below the level of a reading it is tried first, dB.
const TRIED_BELOW_DB: f64 = 30.0;

/// Highest level that an input is given, dBFS.
const HIGHEST_DBFS: f64 = -3.0;

/// Length of a trial, s.
const TRIAL_S: f64 = 1.0;

/// Takes with losses in a row before it is given up.
const MOST_REPEATS: usize = 3;

/// Opens a bench when the first tone is due.
pub type Opener<'a> = dyn FnMut(&Opening) -> Result<Box<dyn Bench>> + 'a;

/// Keeps the answers so far.
pub type Keeper<'a> = dyn FnMut(&Answers) -> Result<()> + 'a;

/// An operator, a bench, and where answers are kept.
pub struct Calibrator<'a> {
    operator: &'a mut dyn Operator,
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
        Self { operator, open, keep, today: today.to_owned(), bench: None }
    }

    /// Goes on from `answers` until the rig is known.
    ///
    /// # Errors
    /// Where the operator stops, the answers end, the bench fails, or the answers cannot be kept. What was answered
    /// before is kept.
    pub fn run(&mut self, calibration: &Calibration, mut answers: Answers) -> Result<Rig> {
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
                    if let Some(reading) = self.measure(&measure)? {
                        reading.keep(&mut answers, &self.today);
                    }
                }
                Step::Amplify(amplify) => {
                    if let Some(reading) = self.amplify(&amplify)? {
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
        let unfit = || Error::new(Kind::Value, "the answer is not of the kind that was asked for").at(question.key.clone());
        match (self.operator.ask(question)?, &question.expects) {
            (Answer::Number(number), Expects::Number { .. }) => Ok(Value::Number(number)),
            (Answer::Text(text), Expects::Text { .. }) => Ok(Value::Word(text)),
            (Answer::Choice(index), Expects::Choice { words, .. }) => {
                words.get(index).cloned().map(Value::Word).ok_or_else(unfit)
            }
            _ => Err(unfit()),
        }
    }

    fn yes(&mut self, question: &Question) -> Result<bool> {
        Ok(self.operator.ask(question)? == Answer::Yes(true))
    }

    fn tell(&mut self, text: impl Into<String>) -> Result<()> {
        self.operator.tell(&step(text, ""))
    }

    /// Says why, and goes on only if the operator agrees.
    fn refuse(&mut self, refusal: &Refusal) -> Result<()> {
        self.operator.tell(&refusal.notice)?;
        if refusal.asks {
            self.try_again()?;
        }
        Ok(())
    }

    fn try_again(&mut self) -> Result<()> {
        let question = Question {
            key: "again".to_owned(),
            weight: Weight::Step,
            text: "Try again?".to_owned(),
            why: String::new(),
            expects: Expects::Yes,
        };
        if self.yes(&question)? {
            return Ok(());
        }
        Err(stopped())
    }

    /// Notices and the word to go ahead.
    fn prepare(&mut self, measure: &Measure) -> Result<()> {
        for notice in &measure.notices {
            self.operator.tell(notice)?;
        }
        match &measure.ready {
            Some(question) if !self.yes(question)? => Err(stopped()),
            _ => Ok(()),
        }
    }

    /// `None` where the operator wants to begin this reading again.
    fn measure(&mut self, measure: &Measure) -> Result<Option<Reading>> {
        self.prepare(measure)?;
        let level_dbfs = if measure.tries { self.tried(measure)? } else { Some(measure.level_dbfs) };
        let Some(level_dbfs) = level_dbfs else { return Ok(None) };
        if measure.meter.is_some() {
            self.tell(format!(
                "A tone of {:.0} Hz plays for {:.0} s: read the meter while it lasts.",
                measure.frequency_hz, measure.seconds
            ))?;
        }
        let cleared = |seconds| ceiling::clear_bare(sound::stimulus(measure, level_dbfs, seconds));
        self.read(measure, level_dbfs, &cleared)
    }

    /// Plays the tone, also anew, until the meter was read and the recording is whole.
    fn read(
        &mut self,
        measure: &Measure,
        level_dbfs: f64,
        cleared: &dyn Fn(f64) -> Result<ceiling::Cleared>,
    ) -> Result<Option<Reading>> {
        for _ in 0..=MOST_REPEATS {
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
        Err(Error::new(Kind::Unavailable, format!("{MOST_REPEATS} recordings in a row have losses"))
            .at(measure.key.clone())
            .next("close other programs, choose a larger period for the device, then run the same command again"))
    }

    fn say(&mut self, reading: &Reading) -> Result<()> {
        if reading.dbfs.is_finite() {
            self.tell(format!("  {} {DBFS}: {:.2}", reading.key, reading.dbfs))?;
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
    fn without(&mut self, why: &Error) -> Result<Option<Reading>> {
        let next = why.next_step().unwrap_or_default();
        self.tell(format!("{}: {next}.", why.what()))?;
        self.try_again()?;
        Ok(None)
    }

    /// The level that the input can take: tried well below first. `None` where nothing came back.
    fn tried(&mut self, measure: &Measure) -> Result<Option<f64>> {
        let below = measure.level_dbfs - TRIED_BELOW_DB;
        let cleared = ceiling::clear_bare(sound::stimulus(measure, below, TRIAL_S))?;
        match self.play(measure, &cleared)? {
            Heard::Tone { dbfs, .. } => {
                let over = (dbfs + TRIED_BELOW_DB - HIGHEST_DBFS).max(0.0);
                Ok(Some(measure.level_dbfs - over))
            }
            heard => {
                let why = match sound::reading(measure, &heard, below, f64::NAN) {
                    Err(why) => why,
                    Ok(_) => return Ok(Some(measure.level_dbfs)),
                };
                self.without(&why)?;
                Ok(None)
            }
        }
    }

    /// Drives an amplifier from far below and reads at its terminals. `None` where the operator wants to begin again.
    fn amplify(&mut self, amplify: &Amplify) -> Result<Option<Reading>> {
        self.prepare(&amplify.measure)?;
        let creep = Creep {
            from_dbfs: amplify.from_dbfs,
            most_dbfs: amplify.most_dbfs,
            enough_v: amplify.enough_v,
            limit_v: amplify.limit_v,
        };
        let mut heard: Vec<creep::Heard> = Vec::new();
        loop {
            match creep.next(&heard) {
                Rise::Play(level_dbfs) => {
                    let volts = self.terminals(amplify, level_dbfs)?;
                    if let Some(volts) = volts {
                        self.tell(format!("  {level_dbfs:.1} dBFS at the output: about {volts:.2} V at the terminals"))?;
                    }
                    heard.push(creep::Heard { level_dbfs, volts });
                }
                Rise::Enough => break,
                Rise::Stop(why) => {
                    self.tell(format!("Stopped: {why}."))?;
                    self.try_again()?;
                    return Ok(None);
                }
            }
        }
        let level_dbfs = heard.last().map_or(amplify.from_dbfs, |h| h.level_dbfs);
        self.tell(format!("The tone stays for {:.0} s: read the meter while it lasts.", amplify.measure.seconds))?;
        let cleared = |seconds| {
            ceiling::clear(sound::stimulus(&amplify.measure, level_dbfs, seconds), &amplify.rig, None)
        };
        self.read(&amplify.measure, level_dbfs, &cleared)
    }

    /// Volts at the terminals for one short tone; `None` where no tone comes back.
    fn terminals(&mut self, amplify: &Amplify, level_dbfs: f64) -> Result<Option<f64>> {
        let measure = &amplify.measure;
        let cleared = ceiling::clear(sound::stimulus(measure, level_dbfs, TRIAL_S), &amplify.rig, None)?;
        Ok(match self.play(measure, &cleared)? {
            Heard::Tone { dbfs, .. } => Some(amplify.volts_at_full_scale * Dbfs(dbfs).sine_peak()),
            // An input at full scale is far above any limit.
            Heard::Clipped => Some(f64::INFINITY),
            Heard::Nothing | Heard::Damaged(_) => None,
        })
    }

    fn play(&mut self, measure: &Measure, cleared: &ceiling::Cleared) -> Result<Heard> {
        let other = self.bench.as_ref().is_none_or(|(opening, _)| *opening != measure.opening);
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
