//! Runs steps on a bench: asks what must be asked, rests where load and unit need it, plays, records, and looks whether
//! the take is whole. Figures are left to the stored captures; only the gain that the next level is computed from is read
//! here.
//!
//! A take that was stopped or that the device lost stays on the disk, can be read, and is used for no figure; so does a
//! damaged one, which is repeated.

use super::levels::Levels;
use super::limits;
use super::operator::{Answer as Said, Expects, Notice, Operator, Question, Weight};
use super::plan::{self, Play, Step};
use super::taping::{Taping, stopped};
use crate::bench::{Bench, Played};
use crate::error::{Error, Kind, Result};
use crate::job::{Moment, NewCapture, StageKind, Writer};
use crate::rig::Rig;
use crate::rig::ceiling::{Answer, Ceiling, Cleared, UnitLimits, Wish};
use crate::signal::source::Format;
use crate::signal::take::{Setup, Take};
use crate::signal::wav_read;
use crate::take::integrity::Integrity;
use crate::take::losses::Clocks;
use crate::take::{self, Content, Examined};
use std::path::Path;
use std::time::{Duration, Instant};

/// Key of the question whether a high frequency at power may be played.
pub const HIGH_FREQUENCY: &str = "high-frequency-power";
/// Key of the question whether a gain that is off is the unit's own.
pub const GAIN_OFF: &str = "gain-off";

/// Times that a take is made before it is given up.
pub const ATTEMPTS: usize = 3;

/// How often a resting session looks whether it should go on resting.
const LOOK: Duration = Duration::from_millis(50);

/// A bench with a job open for writing.
pub struct Session<'a> {
    /// Where captures go.
    pub writer: &'a mut Writer,
    /// What plays and records.
    pub bench: &'a mut dyn Bench,
    /// Its calibration.
    pub rig: &'a Rig,
    /// Stage that the captures belong to.
    pub stage: StageKind,
    /// The clock: when a recording ended.
    pub now: &'a dyn Fn() -> Moment,
    /// Who is asked and told.
    pub operator: &'a mut dyn Operator,
    /// Whether takes carry marks, wherever the interface is connected to the unit.
    pub marks: bool,
    /// Output of the unit that the load is on, by its name in the unit file; the first where none is named.
    pub output: Option<String>,
    ceiling: Ceiling<'a>,
    /// Name of the rig's snapshot in the record, once it is there.
    rig_key: Option<String>,
    /// When the last take ended, on a bench where time passes.
    ended: Option<Instant>,
}

/// What a take is made of, once it is known to be whole.
struct Whole {
    capture: String,
    format: Format,
    setup: Setup,
    examined: Examined,
    cleared: Cleared,
}

impl<'a> Session<'a> {
    /// A session in which nothing is proven yet and everything is cold.
    pub fn new(
        writer: &'a mut Writer,
        bench: &'a mut dyn Bench,
        rig: &'a Rig,
        stage: StageKind,
        now: &'a dyn Fn() -> Moment,
        operator: &'a mut dyn Operator,
    ) -> Self {
        Self {
            writer,
            bench,
            rig,
            stage,
            now,
            operator,
            marks: true,
            output: None,
            ceiling: Ceiling::new(rig),
            rig_key: None,
            ended: None,
        }
    }

    /// Runs one step and returns the name of its capture. Where it plays over a connection that is not proven (an input,
    /// tap, pad, mode or volume was changed), the connection steps are run before it.
    ///
    /// # Errors
    /// Where the ceiling refuses the level, the operator declines or stops, the guard ends the take, nothing comes back or
    /// with a gain that the operator does not confirm, the take is damaged [`ATTEMPTS`] times, the bench fails, or the
    /// disk refuses. What was recorded before stays.
    pub fn run(&mut self, step: &Step) -> Result<String> {
        if self.sounds(step) && !step.finds_gain() && !self.ceiling.is_proven(&step.setup) {
            let unit = &self.writer.job().record().unit;
            for proving in plan::approach(unit, &step.setup) {
                self.take(&proving)?;
            }
        }
        self.take(step)
    }

    /// Whether anything reaches the unit, be it a mark.
    fn sounds(&self, step: &Step) -> bool {
        step.play != Play::Silence || (self.marks && step.setup.termination.is_none())
    }

    fn take(&mut self, step: &Step) -> Result<String> {
        let limits = limits::at(
            &self.writer.job().record().unit,
            self.output.as_deref(),
            &step.setup,
        )?;
        let mut confirmed = false;
        let mut reasons = Vec::new();
        for attempt in 1..=ATTEMPTS {
            let cleared = self
                .cleared(step, &limits, &mut confirmed)
                .map_err(|e| at_step(e, step))?;
            match self.tape(step, &limits, cleared)? {
                Ok(whole) => {
                    if step.finds_gain() {
                        self.hear(step, &whole).map_err(|e| at_step(e, step))?;
                    }
                    return self.keep(step, &whole);
                }
                Err(damage) => reasons = damage,
            }
            if attempt < ATTEMPTS {
                self.operator.tell(&Notice {
                    weight: Weight::Step,
                    text: format!("The take \"{}\" is damaged and is made again.", step.name),
                    why: reasons.join("; "),
                })?;
            }
        }
        Err(Error::new(
            Kind::Unavailable,
            format!("{ATTEMPTS} takes were damaged: {}", reasons.join("; ")),
        )
        .at(step.name.clone())
        .next("close other programs, try larger periods or another USB socket, and run the step again"))
    }

    /// The step's stimulus, allowed: after what must be confirmed and the rest that must pass.
    fn cleared(&mut self, step: &Step, limits: &UnitLimits, confirmed: &mut bool) -> Result<Cleared> {
        if let Some(ended) = self.ended.take() {
            self.ceiling.rest(ended.elapsed().as_secs_f64());
        }
        let stimulus = Levels {
            rig: self.rig,
            ceiling: &self.ceiling,
            limits,
            setup: &step.setup,
            marks: self.marks,
        }
        .stimulus(step)?;
        let wish = |confirmed| Wish {
            stimulus: &stimulus,
            setup: &step.setup,
            unit: limits,
            confirmed,
        };
        if let (Some(what), false) = (self.ceiling.needs_confirmation(&wish(false))?, *confirmed) {
            *confirmed = self.confirm_high(&what)?;
        }
        let rest = self.ceiling.rest_before(&wish(*confirmed))?;
        if rest > 0.0 {
            self.rest(rest)?;
        }
        self.ceiling.clear(&wish(*confirmed))
    }

    fn confirm_high(&mut self, what: &str) -> Result<bool> {
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

    /// Lets load and unit cool. On a simulated bench time is not waited for.
    fn rest(&mut self, seconds: f64) -> Result<()> {
        if self.bench.simulated() {
            self.ceiling.rest(seconds);
            return Ok(());
        }
        self.operator.tell(&Notice {
            weight: Weight::Step,
            text: format!("Load and unit cool for {:.0} s; nothing plays.", seconds.ceil()),
            why: "What comes next needs them colder than they are.".to_owned(),
        })?;
        let begun = Instant::now();
        while begun.elapsed().as_secs_f64() < seconds {
            if self.operator.wants_to_stop() {
                self.ceiling.rest(begun.elapsed().as_secs_f64());
                return Err(stopped(crate::bench::Reason::Asked));
            }
            std::thread::sleep(LOOK);
        }
        self.ceiling.rest(begun.elapsed().as_secs_f64());
        Ok(())
    }

    /// Plays and records, then reads back; the reasons where the take is damaged.
    fn tape(
        &mut self,
        step: &Step,
        limits: &UnitLimits,
        cleared: Cleared,
    ) -> Result<Result<Box<Whole>, Vec<String>>> {
        let (capture, path) = self.writer.begin_capture(&step.name)?;
        let mut taping = Taping::new(&cleared, &path, &mut *self.operator);
        let played = self.bench.play(&cleared, &step.setup, &mut taping);
        if !self.bench.simulated() {
            self.ended = Some(Instant::now());
        }
        let played = played.map_err(|e| at_step(e, step))?;
        if let Some((reason, frame)) = played.stopped {
            let at_s = frame as f64 / f64::from(cleared.stimulus().sample_rate_hz);
            return Err(at_step(stopped(reason).at(format!("second {at_s:.2}")), step));
        }
        let format = taping.finish()?;
        // A step wants its load connected; the bench may know that it was not.
        let setup = Setup {
            loaded: played.loaded.or(step.setup.loaded),
            ..step.setup.clone()
        };
        if limits.transformer_coupled && setup.loaded != Some(true) {
            return Err(at_step(
                Error::new(
                    Kind::Mismatch,
                    "the load is not connected, and this unit has output transformers, which break down without it",
                )
                .next("switch the unit off now, connect the loads, and begin again"),
                step,
            ));
        }
        Ok(self.look(&path, &cleared, &setup, &played)?.map(|examined| {
            Box::new(Whole {
                capture,
                format,
                setup,
                examined,
                cleared,
            })
        }))
    }

    /// Examines a capture as it is on the disk.
    fn look(
        &self,
        path: &Path,
        cleared: &Cleared,
        setup: &Setup,
        played: &Played,
    ) -> Result<Result<Examined, Vec<String>>> {
        let take = Take {
            source: wav_read::open(path)?,
            stimulus: Some(cleared.stimulus().clone()),
            setup: setup.clone(),
            simulated: self.bench.simulated(),
        };
        let mut reasons: Vec<String> = played
            .losses
            .iter()
            .map(|loss| format!("the device reported at frame {}: {}", loss.at_frame, loss.what))
            .collect();
        match take::examine_with(take, None, Clocks::of(Some(self.rig))) {
            Ok(examined) => {
                reasons.extend(damage(&examined.integrity));
                if reasons.is_empty() {
                    return Ok(Ok(examined));
                }
            }
            Err(error) if error.kind() == Kind::Io => return Err(error),
            Err(error) => reasons.push(error.what().to_owned()),
        }
        Ok(Err(reasons))
    }

    /// Compares the answer to a faint tone with what is expected, and asks where it is off.
    fn hear(&mut self, step: &Step, whole: &Whole) -> Result<()> {
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
                let note = format!(
                    "{}, {}: {}. Confirmed by the operator.",
                    self.stage.in_words(),
                    step.name,
                    error.what()
                );
                self.writer.update(|record| {
                    record.notes.push(note);
                    Ok(())
                })
            }
        }
    }

    fn keep(&mut self, step: &Step, whole: &Whole) -> Result<String> {
        let rig_key = self.rig_key()?;
        let new = NewCapture {
            stage: self.stage,
            measurement: &step.name,
            figures: &step.figures,
            recorded: (self.now)(),
            stimulus: Some(whole.cleared.stimulus()),
            setup: &whole.setup,
            rig_sha256: Some(&rig_key),
            simulated: self.bench.simulated(),
        };
        self.writer.finish_capture(&whole.capture, &new, whole.format)
    }

    /// The name of the rig's snapshot in the record, which is written once.
    fn rig_key(&mut self) -> Result<String> {
        if let Some(key) = &self.rig_key {
            return Ok(key.clone());
        }
        let key = self.writer.update(|record| record.keep_rig(self.rig))?;
        self.rig_key = Some(key.clone());
        Ok(key)
    }
}

/// Why a take cannot be used. Flat tops below full scale are the unit's own and belong to the figure.
fn damage(integrity: &Integrity) -> Vec<String> {
    let mut of_the_path = integrity.clone();
    of_the_path.flat_tops.fill(false);
    of_the_path.reasons()
}

/// Names the step where an error does not say its place.
fn at_step(error: Error, step: &Step) -> Error {
    match error.place() {
        None => error.at(step.name.clone()),
        Some(place) => {
            let place = format!("{}, {place}", step.name);
            error.at(place)
        }
    }
}

/// With a capital letter.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
