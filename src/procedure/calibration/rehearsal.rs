//! A calibration without hardware: a simulated bench, and a technician whose multimeter reads its true volts.

use super::step::VOLTS;
use super::{Measure, NO_CABLE, Opening, SERIES_RESISTOR};
use crate::bench::simulated::interface::Attenuator;
use crate::bench::simulated::{AmplifierModel, InterfaceModel, MultimeterModel, SimulatedBench};
use crate::bench::{Bench, Played, Sink};
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::procedure::operator::{Answer, Expects, Meter, Notice, Operator, Question};
use crate::procedure::run::GAIN_OFF;
use crate::quantity::{Dbfs, Ohms};
use crate::rig::ceiling::Cleared;
use crate::rig::meter::classes;
use crate::signal::stimulus::Signal;
use crate::signal::take::Setup;
use std::cell::RefCell;
use std::rc::Rc;

/// Resistance of the meter's leads, Ω.
const LEADS: Ohms = Ohms(0.17);

/// The loose resistors, Ω.
const ACROSS_OUTPUT: Ohms = Ohms(998.0);
/// See [`ACROSS_OUTPUT`].
const BEFORE_INPUT: Ohms = Ohms(9_980.0);

/// What the technician answers where the question's own default will not do.
const WORDS: [(&str, &str); 4] = [
    ("amplifier-stage", "direct"),
    ("output-impedance", "measured"),
    ("input-impedance", "measured"),
    ("pads", "phono"),
];

/// See [`WORDS`].
const NUMBERS: [(&str, f64); 14] = [
    ("amplifier-rated-w", 60.0),
    ("amplifier-dc-left", 0.004),
    ("amplifier-dc-right", -0.006),
    ("amplifier-ohms-left", 0.2),
    ("amplifier-ohms-right", 0.3),
    ("amplifier-ohms-between", 0.3),
    ("load-rating-w", 200.0),
    ("tap-power-upper-ohm", 10e3),
    ("tap-power-lower-ohm", 470.0),
    ("tap-noise-upper-ohm", 1e3),
    ("tap-noise-lower-ohm", 0.0),
    ("pad-phono-upper-ohm", 10e3),
    ("pad-phono-lower-ohm", 100.0),
    ("amplifier-sensitivity", 0.15),
];

/// What was played last.
type Last = Rc<RefCell<Option<(Cleared, Setup)>>>;

/// The bench of a rehearsal, and what is known of it.
#[derive(Debug)]
pub struct Rehearsal {
    interface: InterfaceModel,
    amplifier: AmplifierModel,
    meter: MultimeterModel,
    seed: u64,
    last: Last,
    amplifier_is_there: bool,
}

impl Rehearsal {
    /// An interface, an amplifier and a multimeter; `seed` decides the bench's noise.
    pub fn new(
        interface: InterfaceModel,
        amplifier: AmplifierModel,
        meter: MultimeterModel,
        seed: u64,
    ) -> Self {
        Self {
            interface,
            amplifier,
            meter,
            seed,
            last: Rc::default(),
            amplifier_is_there: true,
        }
    }

    /// The same without an amplifier to check the rig with.
    #[must_use]
    pub fn without_amplifier(mut self) -> Self {
        self.amplifier_is_there = false;
        self
    }

    /// The bench, whose cables are where each setup says.
    pub fn bench(&self, _: &Opening) -> Box<dyn Bench> {
        let mut interface = self.interface.clone();
        interface.pads.push(Attenuator {
            name: SERIES_RESISTOR.to_owned(),
            ratio: [1.0; 2],
            source_ohm: interface.output_ohm + BEFORE_INPUT.0,
        });
        interface.pads.push(Attenuator {
            name: NO_CABLE.to_owned(),
            ratio: [0.0; 2],
            source_ohm: interface.output_ohm,
        });
        Box::new(Workbench {
            cable: SimulatedBench::loopback(interface, self.seed),
            unit: SimulatedBench::new(self.amplifier.clone(), self.interface.clone(), self.seed),
            last: Rc::clone(&self.last),
        })
    }

    /// What the technician answers; `None` where the question's own default does.
    ///
    /// # Errors
    /// Where the setup of the last tone is impossible on the bench.
    pub fn answer(&mut self, question: &Question) -> Result<Option<Answer>> {
        let key = question.key.as_str();
        let of = |(known, _): &&(&str, f64)| *known == key;
        Ok(match &question.expects {
            // An amplifier that is not as rated would be looked at.
            Expects::Yes => Some(Answer::Yes(key != "again" && key != GAIN_OFF)),
            Expects::Choice { words, .. } if key == "cross-check" && !self.amplifier_is_there => words
                .iter()
                .position(|offered| offered == "skip")
                .map(Answer::Choice),
            Expects::Choice { words, .. } if key == "meter" => {
                let own = classes()
                    .into_iter()
                    .find(|c| c.meter == self.meter.stated)
                    .map(|c| c.words());
                words
                    .iter()
                    .position(|offered| Some(offered) == own.as_ref())
                    .map(Answer::Choice)
            }
            Expects::Choice { words, .. } => {
                let word = WORDS
                    .iter()
                    .find(|(known, _)| *known == key)
                    .map(|(_, word)| *word);
                let index = word.and_then(|w| words.iter().position(|offered| offered.starts_with(w)));
                index.map(Answer::Choice)
            }
            Expects::Text { .. } => {
                let word = WORDS.iter().find(|(known, _)| *known == key);
                word.map(|(_, word)| Answer::Text((*word).to_owned()))
            }
            Expects::Number { .. } if key.ends_with(VOLTS) => {
                let truth = self.true_volts(key)?;
                Some(Answer::Number(self.meter.volts(truth)))
            }
            Expects::Number { .. } => {
                let read = self.true_ohms(key).map(|ohms| self.meter.ohms(ohms.0));
                read.or_else(|| NUMBERS.iter().find(of).map(|(_, n)| *n))
                    .map(Answer::Number)
            }
        })
    }

    /// Volts where the multimeter is, while the last tone played.
    fn true_volts(&self, key: &str) -> Result<f64> {
        let nothing = || Error::new(Kind::Unavailable, "nothing was played yet").at(key.to_owned());
        let last = self.last.borrow();
        let (cleared, setup) = last.as_ref().ok_or_else(nothing)?;
        let channel = usize::from(!setup.driven.ok_or_else(nothing)?.includes(0));
        match cleared.stimulus().channel(channel) {
            Some(Signal::Tone {
                frequency_hz,
                level_dbfs,
            }) => self.volts(key, setup, channel, *frequency_hz, Dbfs(*level_dbfs)),
            _ => Err(nothing()),
        }
    }

    /// What the multimeter shows while the tone of `measure` plays at `level`.
    ///
    /// # Errors
    /// Where the setup is impossible on the bench.
    pub fn shows(&mut self, measure: &Measure, level: Dbfs) -> Result<f64> {
        let key = format!("{}-{VOLTS}", measure.key);
        let volts = self.volts(&key, &measure.setup, measure.channel, measure.frequency_hz, level)?;
        Ok(self.meter.volts(volts))
    }

    fn volts(&self, key: &str, setup: &Setup, channel: usize, hertz: f64, level: Dbfs) -> Result<f64> {
        let model = &self.interface;
        let full_scale = model.output_full_scale_v.get(channel).copied().unwrap_or(0.0);
        let emf = full_scale * level.sine_peak() * model.side_response(hertz).norm();
        if setup.loaded == Some(true) {
            let unit = SimulatedBench::new(self.amplifier.clone(), model.clone(), self.seed);
            return Ok(unit.truth(setup)?.tone(channel, hertz, emf)?.level_v());
        }
        let across = |ohm: f64| emf * ohm / (ohm + model.output_ohm);
        Ok(match () {
            () if key.contains("-loaded-") => across(ACROSS_OUTPUT.0),
            () if key.starts_with("output-") || setup.pad.is_some() => emf,
            () => across(model.input_ohm),
        })
    }

    fn true_ohms(&self, key: &str) -> Option<Ohms> {
        let load = |channel: Channel| {
            let ohm = channel
                .index()
                .and_then(|c| self.interface.load_ohm.get(c).copied().flatten());
            ohm.map(|ohm| Ohms(ohm) + LEADS)
        };
        match key {
            "leads-ohm" => Some(LEADS),
            "load-left-ohm" => load(Channel::Left),
            "load-right-ohm" => load(Channel::Right),
            "output-resistor-ohm" => Some(ACROSS_OUTPUT),
            "input-resistor-ohm" => Some(BEFORE_INPUT),
            _ => None,
        }
    }
}

/// A simulated bench whose cables are moved as the setup says: to a unit where it has its load, else straight back.
struct Workbench {
    cable: SimulatedBench,
    unit: SimulatedBench,
    last: Last,
}

impl Bench for Workbench {
    fn play(&mut self, stimulus: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        *self.last.borrow_mut() = Some((stimulus.clone(), setup.clone()));
        let bench = if setup.loaded == Some(true) {
            &mut self.unit
        } else {
            &mut self.cable
        };
        bench.play(stimulus, setup, sink)
    }

    fn simulated(&self) -> bool {
        true
    }
}

/// The technician of a rehearsal: answers by itself, or lets somebody else press Enter on what it would answer.
pub struct Rehearsing<'r> {
    rehearsal: &'r RefCell<Rehearsal>,
    other: Option<&'r mut dyn Operator>,
}

impl<'r> Rehearsing<'r> {
    /// `other` is shown everything and asked, with this technician's answers as defaults; `None` is alone.
    pub fn new(rehearsal: &'r RefCell<Rehearsal>, other: Option<&'r mut dyn Operator>) -> Self {
        Self { rehearsal, other }
    }
}

impl Operator for Rehearsing<'_> {
    fn tell(&mut self, notice: &Notice) -> Result<()> {
        self.other.as_mut().map_or(Ok(()), |o| o.tell(notice))
    }

    fn ask(&mut self, question: &Question) -> Result<Answer> {
        let answer = self.rehearsal.borrow_mut().answer(question)?;
        match &mut self.other {
            Some(other) => other.ask(&proposed(question, answer)),
            None => answer
                .or_else(|| question.expects.default_answer())
                .ok_or_else(|| {
                    Error::new(Kind::Unavailable, "the rehearsal knows no answer").at(question.key.clone())
                }),
        }
    }

    fn watch(&mut self, meter: &Meter) {
        if let Some(other) = &mut self.other {
            other.watch(meter);
        }
    }

    fn wants_to_stop(&mut self) -> bool {
        self.other.as_mut().is_some_and(|o| o.wants_to_stop())
    }
}

/// The question with `answer` as its default.
fn proposed(question: &Question, answer: Option<Answer>) -> Question {
    let mut question = question.clone();
    match (&mut question.expects, answer) {
        (Expects::Number { default, .. }, Some(Answer::Number(number))) => *default = Some(number),
        (Expects::Choice { default, .. }, Some(Answer::Choice(index))) => *default = index,
        (Expects::Text { default, .. }, Some(Answer::Text(text))) => *default = Some(text),
        _ => {}
    }
    question
}
