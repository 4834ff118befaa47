//! Runs steps on a bench: asks what must be asked, rests where load and unit need it, plays, records, and looks whether
//! the take is whole. Figures are left to the stored captures; only the gain that the next level is computed from is read
//! here.
//!
//! A take that was stopped or that the device lost stays on the disk, can be read, and is used for no figure; so does a
//! damaged one, which is repeated.

mod asking;
mod taken;

use super::damage::{self, Damaged};
use super::levels::Levels;
use super::limits;
use super::operator::{Notice, Operator, Weight};
use super::plan::{self, Play, Step};
use super::taping::stopped;
use crate::bench::{Bench, Reason};
use crate::error::{Error, Result};
use crate::job::{Moment, NewCapture, StageKind, Writer};
use crate::rig::Rig;
use crate::rig::ceiling::{Ceiling, Cleared, UnitLimits, Wish};
use crate::signal::source::Format;
use crate::signal::take::Setup;
use crate::take::Examined;
use asking::sentence;
use std::collections::BTreeSet;
use std::time::{Duration, Instant};

/// Key of the question whether a high frequency at power may be played.
pub const HIGH_FREQUENCY: &str = "high-frequency-power";
/// Key of the question whether a gain that is off is the unit's own.
pub const GAIN_OFF: &str = "gain-off";

/// Key of the question whether channels that are exchanged or joined are the unit's own.
pub const CHANNELS: &str = "channels-exchanged";
/// Key of the question whether a level that changes inside every take is the unit's own.
pub const UNIT_ITSELF: &str = "take-as-it-is";

/// Times that a take is made before it is given up.
pub const ATTEMPTS: usize = 3;

/// How often a resting session looks whether it should go on resting.
const LOOK: Duration = Duration::from_millis(50);

/// A bench with a job open for writing.
pub struct Session<'a> {
    /// Whether takes carry marks, wherever the interface is connected to the unit.
    pub marks: bool,
    writer: &'a mut Writer,
    bench: &'a mut dyn Bench,
    rig: &'a Rig,
    stage: StageKind,
    now: &'a dyn Fn() -> Moment,
    operator: &'a mut dyn Operator,
    /// Output of the unit that the load is on; the first where none is named.
    output: Option<String>,
    rates_hz: Vec<u32>,
    ceiling: Ceiling<'a>,
    /// Name of the rig's snapshot in the record, once it is there.
    rig_key: Option<String>,
    /// When the last take ended, on a bench where time passes.
    ended: Option<Instant>,
    /// Whether a take was stopped because an input was at full scale.
    clipped: bool,
    /// Whether the operator said that channels which come back exchanged or joined are the unit's own.
    channels_are_so: bool,
    /// Remarks that the operator was told already.
    told: BTreeSet<String>,
    /// Whether the ceiling knows what was played before this session.
    knows_before: bool,
}

/// What became of a step.
#[derive(Debug)]
pub enum Outcome {
    /// It was measured: the name of its capture.
    Kept(String),
    /// It was not, for this reason, and the steps after it may be.
    Left(Error),
}

/// Whether a step may be played.
enum Permit {
    Go(Cleared),
    Refused(Error),
}

/// What a take came to.
enum Taped {
    Whole(Box<Whole>),
    Damaged(Damaged, Option<Box<Whole>>),
    /// Stopped by the guard, for a reason that concerns this step alone.
    Stopped(Error),
}

/// What a take is made of, once it could be read.
struct Whole {
    capture: String,
    format: Format,
    setup: Setup,
    examined: Examined,
    cleared: Cleared,
}

impl<'a> Session<'a> {
    /// A session in which nothing is proven yet and everything is cold: captures go to `writer`, in `stage`; `now` says when
    /// a recording ended; `operator` is asked and told.
    pub fn new(
        writer: &'a mut Writer,
        bench: &'a mut dyn Bench,
        rig: &'a Rig,
        stage: StageKind,
        now: &'a dyn Fn() -> Moment,
        operator: &'a mut dyn Operator,
    ) -> Self {
        Self {
            marks: true,
            writer,
            bench,
            rig,
            stage,
            now,
            operator,
            output: None,
            rates_hz: Vec::new(),
            ceiling: Ceiling::new(rig),
            rig_key: None,
            ended: None,
            clipped: false,
            channels_are_so: false,
            told: BTreeSet::new(),
            knows_before: false,
        }
    }

    /// The load is on the unit's output of this name.
    #[must_use]
    pub fn on_output(mut self, name: String) -> Self {
        self.output = Some(name);
        self
    }

    /// The bench offers these sample rates and no others, Hz; all where it is not said.
    #[must_use]
    pub fn at_rates(mut self, rates_hz: &[u32]) -> Self {
        self.rates_hz = rates_hz.to_vec();
        self
    }

    /// Runs `steps` in order, each after `before`, which gets the operator, the step's index and the step. A step that was
    /// declined, refused, damaged or too loud is left out, told, and written down; the others go on, so that the check at
    /// the end is made. Returns the names of those that were left.
    ///
    /// # Errors
    /// As [`Session::attempt`], and where `before` fails.
    pub fn run_all(
        &mut self,
        steps: &[Step],
        before: &mut dyn FnMut(&mut dyn Operator, usize, &Step) -> Result<()>,
    ) -> Result<Vec<String>> {
        let mut left = Vec::new();
        for (index, step) in steps.iter().enumerate() {
            before(self.operator, index, step)?;
            if let Outcome::Left(error) = self.attempt(step)? {
                self.leave(step, &error)?;
                left.push(step.name.clone());
            }
        }
        Ok(left)
    }

    fn leave(&mut self, step: &Step, error: &Error) -> Result<()> {
        self.note(step, &format!("not measured: {}.", error.what()))?;
        self.operator.tell(&Notice {
            weight: Weight::Caution,
            text: format!("\"{}\" is left out: {}.", step.name, error.what()),
            why: error.next_step().map(sentence).unwrap_or_default(),
        })
    }

    /// Writes a remark on a step into the record.
    fn note(&mut self, step: &Step, text: &str) -> Result<()> {
        let note = format!("{}, {}: {text}", self.stage.in_words(), step.name);
        self.writer.update(|record| {
            if !record.notes.contains(&note) {
                record.notes.push(note);
            }
            Ok(())
        })
    }

    /// Runs one step and returns the name of its capture; see [`Session::attempt`].
    ///
    /// # Errors
    /// As [`Session::attempt`], and where the step is left out.
    pub fn run(&mut self, step: &Step) -> Result<String> {
        match self.attempt(step)? {
            Outcome::Kept(capture) => Ok(capture),
            Outcome::Left(error) => Err(error),
        }
    }

    /// Runs one step. Where it plays over a connection that is not proven (an input, tap, pad, mode or volume was changed),
    /// the connection steps are run before it.
    ///
    /// # Errors
    /// What ends a session: nothing comes back, or with a gain that the operator does not confirm; the gain could not be
    /// found; the operator stops; an input is at full scale for the second time; the bench fails, or the disk refuses. What
    /// was recorded before stays.
    pub fn attempt(&mut self, step: &Step) -> Result<Outcome> {
        self.take_over();
        if self.sounds(step) && !step.finds_gain() && !self.ceiling.is_proven(&step.setup) {
            let unit = &self.writer.job().record().unit;
            for proving in plan::approach(unit, &step.setup, &self.rates_hz) {
                self.needed(&proving)?;
            }
        }
        if step.finds_gain() && !step.is_check() {
            return self.needed(step).map(Outcome::Kept);
        }
        self.take(step)
    }

    /// Tells the ceiling what this job played before the session: load and unit do not cool because a command ended.
    fn take_over(&mut self) {
        if self.bench.simulated() || std::mem::replace(&mut self.knows_before, true) {
            return;
        }
        let (job, now) = (self.writer.job(), (self.now)());
        let before = job.record().takes().filter_map(|t| job.sidecar(&t.capture).ok());
        for earlier in before.filter(|s| !s.simulated) {
            let (Some(stimulus), Ok(unit)) = (
                &earlier.stimulus,
                limits::at(&job.record().unit, self.output.as_deref(), &earlier.setup),
            ) else {
                continue;
            };
            let wish = Wish {
                stimulus,
                setup: &earlier.setup,
                unit: &unit,
                confirmed: true,
            };
            self.ceiling
                .assume_played(&wish, now.seconds_since(earlier.recorded));
        }
    }

    /// A step that the following ones cannot do without.
    fn needed(&mut self, step: &Step) -> Result<String> {
        match self.take(step)? {
            Outcome::Kept(capture) => Ok(capture),
            Outcome::Left(error) => Err(error),
        }
    }

    /// Whether anything reaches the unit, be it a mark.
    fn sounds(&self, step: &Step) -> bool {
        step.play != Play::Silence || (self.marks && step.setup.termination.is_none())
    }

    fn take(&mut self, step: &Step) -> Result<Outcome> {
        let limits = limits::at(
            &self.writer.job().record().unit,
            self.output.as_deref(),
            &step.setup,
        )?;
        let mut confirmed = false;
        let mut all: Vec<Damaged> = Vec::new();
        let mut last = None;
        for attempt in 1..=ATTEMPTS {
            let cleared = match self.cleared(step, &limits, &mut confirmed)? {
                Permit::Go(cleared) => cleared,
                Permit::Refused(error) => return Ok(Outcome::Left(at_step(error, step))),
            };
            let damaged = match self.tape(step, &limits, cleared)? {
                Taped::Whole(whole) => return self.conclude(step, &whole).map(Outcome::Kept),
                Taped::Stopped(error) => return Ok(Outcome::Left(error)),
                Taped::Damaged(damaged, whole) => {
                    last = whole;
                    damaged
                }
            };
            if attempt < ATTEMPTS {
                self.operator.tell(&Notice {
                    weight: Weight::Step,
                    text: format!("The take \"{}\" is damaged and is made again.", step.name),
                    why: damaged.reasons.join("; "),
                })?;
            }
            all.push(damaged);
        }
        match last {
            Some(whole) if damage::may_be_the_units_own(&all) && self.is_the_units_own(step, &all)? => {
                self.conclude(step, &whole).map(Outcome::Kept)
            }
            _ => Ok(Outcome::Left(at_step(damage::given_up(&all), step))),
        }
    }

    /// Tells what is remarkable on a take, keeps it, and hears what a faint tone says of the connection.
    fn conclude(&mut self, step: &Step, whole: &Whole) -> Result<String> {
        if !self.bench.simulated() {
            self.remark(&whole.examined)?;
        }
        if !step.finds_gain() {
            return self.keep(step, whole);
        }
        // A check that came out badly is what tells that nothing before it can be trusted.
        let kept = step.is_check().then(|| self.keep(step, whole)).transpose()?;
        self.hear_channels(step, whole).map_err(|e| at_step(e, step))?;
        self.hear(step, whole).map_err(|e| at_step(e, step))?;
        kept.map_or_else(|| self.keep(step, whole), Ok)
    }

    /// The step's stimulus, allowed: after what must be confirmed and the rest that must pass.
    fn cleared(&mut self, step: &Step, limits: &UnitLimits, confirmed: &mut bool) -> Result<Permit> {
        if let Some(ended) = self.ended.take() {
            self.ceiling.rest(ended.elapsed().as_secs_f64());
        }
        let levels = Levels {
            rig: self.rig,
            ceiling: &self.ceiling,
            limits,
            setup: &step.setup,
            marks: self.marks,
        };
        let stimulus = match levels.stimulus(step) {
            Ok(stimulus) => stimulus,
            Err(error) => return Ok(Permit::Refused(error)),
        };
        let wish = |confirmed| Wish {
            stimulus: &stimulus,
            setup: &step.setup,
            unit: limits,
            confirmed,
        };
        match self.ceiling.needs_confirmation(&wish(false)) {
            Err(error) => return Ok(Permit::Refused(error)),
            Ok(Some(what)) if !*confirmed => *confirmed = self.confirm_high(&what)?,
            Ok(_) => {}
        }
        match self.ceiling.rest_before(&wish(*confirmed)) {
            Err(error) => return Ok(Permit::Refused(error)),
            // What was declined is not waited for.
            Ok(rest) if rest > 0.0 && (*confirmed || !self.is_high(&wish(false))) => self.rest(rest)?,
            Ok(_) => {}
        }
        Ok(match self.ceiling.clear(&wish(*confirmed)) {
            Ok(cleared) => Permit::Go(cleared),
            Err(error) => Permit::Refused(error),
        })
    }

    fn is_high(&self, wish: &Wish<'_>) -> bool {
        matches!(self.ceiling.needs_confirmation(wish), Ok(Some(_)))
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
                return Err(stopped(Reason::Asked));
            }
            std::thread::sleep(LOOK);
        }
        self.ceiling.rest(begun.elapsed().as_secs_f64());
        Ok(())
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
