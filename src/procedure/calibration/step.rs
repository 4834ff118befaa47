//! What a calibration wants next, as data: a question, a reading, or the finished rig.

use super::answers::{Answers, Value};
use crate::procedure::operator::{Expects, Notice, Question, Weight};
use crate::rig::ceiling::UnitLimits;
use crate::rig::{Interface, Rig};
use crate::signal::take::Setup;

/// What is next.
#[derive(Debug, Clone, PartialEq)]
pub enum Step {
    /// Ask, after these notices.
    Ask(Box<Ask>),
    /// Play a tone into a meter, a resistor or the interface's own input, and read.
    Measure(Box<Measure>),
    /// Drive an amplifier from far below until its output is high enough to read.
    Amplify(Box<Amplify>),
    /// What was answered cannot be: say why and forget some of it.
    Refuse(Refusal),
    /// The rig is known.
    Done(Box<Rig>),
}

/// A question with what has to be said before it.
#[derive(Debug, Clone, PartialEq)]
pub struct Ask {
    /// To be said first.
    pub notices: Vec<Notice>,
    /// The question; its answer is kept under its key.
    pub question: Question,
}

/// What a bench is opened with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opening {
    /// Devices and channel map; `None` of a simulated bench.
    pub interface: Option<Interface>,
    /// Frames per second.
    pub sample_rate_hz: u32,
}

/// A tone, what is connected to it, and what is read.
#[derive(Debug, Clone, PartialEq)]
pub struct Measure {
    /// Readings are kept under this key with an ending: [`VOLTS`], [`DBFS`], [`U_PERCENT`], [`PLAYED`].
    pub key: String,
    /// What the bench is opened with.
    pub opening: Opening,
    /// To be said first: what to connect, what not to, and why.
    pub notices: Vec<Notice>,
    /// To be confirmed before the first sound; `None` where nothing was moved since the last one.
    pub ready: Option<Question>,
    /// Channel that plays, from 0.
    pub channel: usize,
    /// Hz.
    pub frequency_hz: f64,
    /// dBFS at the output; lowered where the input would come near its full scale.
    pub level_dbfs: f64,
    /// Length of the tone, s.
    pub seconds: f64,
    /// How it is connected.
    pub setup: Setup,
    /// What the multimeter shows while the tone plays; `None` where it is not read.
    pub meter: Option<Question>,
    /// Whether the interface's input on the same channel reads the tone too.
    pub listens: bool,
    /// What a faint tone must show before this one is played.
    pub trial: Trial,
    /// Keys (or beginnings of keys) of typed values to ask again where the trial contradicts them.
    pub suspects: Vec<String>,
}

/// What a faint tone shows before a tone is played at its level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trial {
    /// It must not come back on any input: nothing joins outputs and inputs.
    Silent,
    /// It must come back, by no more than this re what was played, dB: more means that an amplifier is between.
    Returns(f64),
    /// None is needed: nothing was moved since a louder tone, or an amplifier is driven, which has its own rise.
    Unmoved,
}

/// An amplifier that is driven from far below.
#[derive(Debug, Clone, PartialEq)]
pub struct Amplify {
    /// What is read when the output is high enough.
    pub measure: Measure,
    /// The rig as far as it is known; its ceiling holds.
    pub rig: Rig,
    /// Level to begin at, dBFS.
    pub from_dbfs: f64,
    /// Level never to be exceeded, dBFS.
    pub most_dbfs: f64,
    /// V rms at the amplifier's terminals for a reading of 0 dBFS, as far as it is known.
    pub volts_at_full_scale: f64,
    /// The amplifier, as its ratings were typed.
    pub unit: UnitLimits,
    /// Volts at the terminals that are enough.
    pub enough_v: f64,
    /// Volts at the terminals that the operator allowed.
    pub limit_v: f64,
    /// How far the meter may be from [`Amplify::volts_at_full_scale`] before the tone rises further, relative.
    pub within: f64,
}

/// Answers that cannot stand.
#[derive(Debug, Clone, PartialEq)]
pub struct Refusal {
    /// What is wrong, and what to do.
    pub notice: Notice,
    /// Keys (or beginnings of keys) to forget.
    pub forget: Vec<String>,
    /// Whether something has to be connected again, so that the operator is asked first.
    pub asks: bool,
}

/// Ending of the key of what the multimeter showed, V rms.
pub const VOLTS: &str = "volts";
/// Ending of the key of what the interface read, dBFS.
pub const DBFS: &str = "dbfs";
/// Ending of the key of its relative standard uncertainty, percent.
pub const U_PERCENT: &str = "u-percent";
/// Ending of the key of the level that was played, dBFS.
pub const PLAYED: &str = "played-dbfs";

/// A walk through the answers ends at the first that is missing.
pub(super) type Walked<T> = std::result::Result<T, Box<Step>>;

/// A refusal of what is on the bench, with its reason: nothing was moved yet, so that the questions follow at once.
pub(super) fn refused(what: impl Into<String>, why: &str, keys: &[&str]) -> Box<Step> {
    Box::new(Step::Refuse(Refusal {
        notice: Notice::caution(what, why),
        forget: keys.iter().map(|k| (*k).to_owned()).collect(),
        asks: false,
    }))
}

/// Asked before sound: only a typed "yes" goes on.
pub(super) fn ready(text: impl Into<String>, weight: Weight) -> Option<Question> {
    Some(Question {
        key: "ready".to_owned(),
        weight,
        text: text.into(),
        why: String::new(),
        expects: Expects::Yes,
    })
}

/// What is wrong with typed answers, which are asked again at once.
pub(super) fn mistyped(what: impl Into<String>, keys: &[&str]) -> Box<Step> {
    Box::new(Step::Refuse(Refusal {
        notice: Notice::step(what, ""),
        forget: keys.iter().map(|k| (*k).to_owned()).collect(),
        asks: false,
    }))
}

impl Ask {
    /// A number of `unit` inside `range`.
    pub(super) fn number(key: &str, text: impl Into<String>, unit: &'static str, range: [f64; 2]) -> Self {
        let expects = Expects::Number {
            unit,
            example: String::new(),
            range,
            default: None,
        };
        Self::new(key, text.into(), expects)
    }

    /// A text; an empty answer means `default`.
    pub(super) fn text(key: &str, text: impl Into<String>, example: &str, default: Option<&str>) -> Self {
        let expects = Expects::Text {
            example: example.to_owned(),
            default: default.map(str::to_owned),
        };
        Self::new(key, text.into(), expects)
    }

    /// One of `words`, the first where the answer is empty.
    pub(super) fn choice(key: &str, text: impl Into<String>, words: &[String]) -> Self {
        Self::new(
            key,
            text.into(),
            Expects::Choice {
                words: words.to_vec(),
                default: 0,
            },
        )
    }

    fn new(key: &str, text: String, expects: Expects) -> Self {
        let question = Question {
            key: key.to_owned(),
            weight: Weight::Step,
            text,
            why: String::new(),
            expects,
        };
        Self {
            notices: Vec::new(),
            question,
        }
    }

    /// What an answer looks like.
    pub(super) fn example(mut self, shown: &str) -> Self {
        if let Expects::Number { example, .. } = &mut self.question.expects {
            shown.clone_into(example);
        }
        self
    }

    /// What an empty answer means.
    pub(super) fn or(mut self, value: f64) -> Self {
        if let Expects::Number { default, .. } = &mut self.question.expects {
            *default = Some(value);
        }
        self
    }

    /// Why it is asked.
    pub(super) fn why(mut self, why: &str) -> Self {
        why.clone_into(&mut self.question.why);
        self
    }

    /// What has to be said first.
    pub(super) fn after(mut self, notices: Vec<Notice>) -> Self {
        self.notices = notices;
        self
    }

    /// The number answered, or this question as the next step.
    pub(super) fn number_in(self, answers: &Answers) -> Walked<f64> {
        answers
            .number(&self.question.key)
            .ok_or_else(|| Box::new(Step::Ask(Box::new(self))))
    }

    /// The word answered, or this question as the next step.
    pub(super) fn word_in(self, answers: &Answers) -> Walked<String> {
        let word = answers.word(&self.question.key).map(str::to_owned);
        word.ok_or_else(|| Box::new(Step::Ask(Box::new(self))))
    }
}

impl Measure {
    /// What has been read for it, or this reading as the next step.
    pub(super) fn reading_in(self, answers: &Answers) -> Walked<Reading> {
        self.read(answers)
            .ok_or_else(|| Box::new(Step::Measure(Box::new(self))))
    }

    /// What has been read for it.
    pub(super) fn read(&self, answers: &Answers) -> Option<Reading> {
        let of = |ending: &str| answers.number(&format!("{}-{ending}", self.key));
        let volts = if self.meter.is_some() {
            of(VOLTS)?
        } else {
            f64::NAN
        };
        let (dbfs, u_percent) = if self.listens {
            (of(DBFS)?, of(U_PERCENT)?)
        } else {
            (f64::NAN, f64::NAN)
        };
        let played_dbfs = of(PLAYED)?;
        Some(Reading {
            key: self.key.clone(),
            volts,
            dbfs,
            u_percent,
            played_dbfs,
        })
    }
}

/// What was read while a tone played. What was not asked for is no number.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Key of the reading.
    pub key: String,
    /// What the multimeter showed, V rms.
    pub volts: f64,
    /// What the interface read, dBFS.
    pub dbfs: f64,
    /// Relative standard uncertainty of that, percent.
    pub u_percent: f64,
    /// Level that was played, dBFS.
    pub played_dbfs: f64,
}

impl Reading {
    /// Keeps what was read.
    pub fn keep(&self, answers: &mut Answers, date: &str) {
        let all = [
            (VOLTS, self.volts),
            (DBFS, self.dbfs),
            (U_PERCENT, self.u_percent),
            (PLAYED, self.played_dbfs),
        ];
        for (ending, value) in all.into_iter().filter(|(_, v)| v.is_finite()) {
            answers.put(&format!("{}-{ending}", self.key), Value::Number(value), date);
        }
    }
}
