//! The one who stands at the bench: is told, is asked, watches. A terminal, a script and a page implement it.
//!
//! Every question has a key that does not change with its wording, so that a script and a draft can answer it.

use crate::error::{Error, Kind, Result};

/// What stands behind a question: how seriously it is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// Something to do or to know.
    Step,
    /// Something that can hurt a person, the unit or the interface.
    Caution,
}

/// Something to read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// How seriously it is meant.
    pub weight: Weight,
    /// What to do or to know, in plain words.
    pub text: String,
    /// Why; empty where it says so itself.
    pub why: String,
}

impl Notice {
    /// Something to do or to know; `why` may be empty.
    pub fn step(text: impl Into<String>, why: &str) -> Self {
        Self::of(Weight::Step, text, why)
    }

    /// Something that can hurt; `why` may be empty.
    pub fn caution(text: impl Into<String>, why: &str) -> Self {
        Self::of(Weight::Caution, text, why)
    }

    fn of(weight: Weight, text: impl Into<String>, why: &str) -> Self {
        Self {
            weight,
            text: text.into(),
            why: why.to_owned(),
        }
    }
}

/// Something to answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// Key that a script or a draft answers by; small letters, digits and hyphens.
    pub key: String,
    /// How seriously it is meant.
    pub weight: Weight,
    /// In plain words.
    pub text: String,
    /// Why it is asked; empty where the question says so itself.
    pub why: String,
    /// What answers it.
    pub expects: Expects,
}

/// Kinds of answers.
#[derive(Debug, Clone, PartialEq)]
pub enum Expects {
    /// Yes or no; only a typed "yes" is a yes.
    Yes,
    /// A number in this unit ("V", "Ω", "%"), with an example and the range that makes sense.
    Number {
        /// Unit of the answer; prefixes ("mV") are understood.
        unit: &'static str,
        /// What an answer looks like.
        example: String,
        /// Lowest and highest that make sense, in `unit`.
        range: [f64; 2],
        /// What an empty answer means; `None` where it must be answered.
        default: Option<f64>,
    },
    /// One of these words; the index of the default.
    Choice {
        /// The words.
        words: Vec<String>,
        /// What an empty answer means.
        default: usize,
    },
    /// Any text, with an example and what an empty answer means.
    Text {
        /// What an answer looks like.
        example: String,
        /// What an empty answer means; `None` where it must be answered.
        default: Option<String>,
    },
}

impl Expects {
    /// What an empty answer means; `None` where the question must be answered, as every yes or no.
    pub fn default_answer(&self) -> Option<Answer> {
        match self {
            Self::Yes => None,
            Self::Number { default, .. } => default.map(Answer::Number),
            Self::Choice { default, .. } => Some(Answer::Choice(*default)),
            Self::Text { default, .. } => default.clone().map(Answer::Text),
        }
    }
}

/// An answer of the kind that was expected.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// To [`Expects::Yes`].
    Yes(bool),
    /// To [`Expects::Number`], in its unit.
    Number(f64),
    /// To [`Expects::Choice`]: the index.
    Choice(usize),
    /// To [`Expects::Text`].
    Text(String),
}

/// What the meters show while a step runs; one entry a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    /// Seconds of the recording.
    pub at_s: f64,
    /// Expected length of the recording, s.
    pub of_s: f64,
    /// Rms of the last tenth of a second, dBFS of a sine; provisional, never reported.
    pub level_dbfs: Vec<f64>,
    /// Highest peak so far, dBFS.
    pub peak_dbfs: Vec<f64>,
}

/// Whoever stands at the bench.
pub trait Operator {
    /// Shows a notice.
    ///
    /// # Errors
    /// Where the terminal or page has gone.
    fn tell(&mut self, notice: &Notice) -> Result<()>;

    /// Asks until the answer makes sense.
    ///
    /// # Errors
    /// Where the answers end, or the terminal or page has gone.
    fn ask(&mut self, question: &Question) -> Result<Answer>;

    /// Shows the meters; called some ten times a second while a step runs.
    fn watch(&mut self, meter: &Meter);

    /// Whether the operator asked to stop (Ctrl-C, a closed page). Asked before every block, so it must be quick.
    fn wants_to_stop(&mut self) -> bool;
}

/// Asks a yes-or-no question; whether it was answered with yes.
///
/// # Errors
/// As [`Operator::ask`].
pub fn confirmed(operator: &mut dyn Operator, question: &Question) -> Result<bool> {
    Ok(operator.ask(question)? == Answer::Yes(true))
}

/// Nobody: a simulated bench, or a script. Notices go unread; a question is answered with its default, and "yes" only
/// where that was said beforehand, by the question's key.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Unattended {
    yes_to: Vec<String>,
}

impl Unattended {
    /// An operator who says yes to the questions with these keys, and to nothing else.
    pub fn yes_to(keys: &[&str]) -> Self {
        Self {
            yes_to: keys.iter().map(|k| (*k).to_owned()).collect(),
        }
    }
}

impl Operator for Unattended {
    fn tell(&mut self, _: &Notice) -> Result<()> {
        Ok(())
    }

    fn ask(&mut self, question: &Question) -> Result<Answer> {
        let default = match &question.expects {
            Expects::Yes => Some(Answer::Yes(self.yes_to.contains(&question.key))),
            other => other.default_answer(),
        };
        default.ok_or_else(|| {
            Error::new(
                Kind::Unavailable,
                format!("nobody is there to answer: {}", question.text),
            )
            .next("run the command in a terminal, or give the answer with it")
        })
    }

    fn watch(&mut self, _: &Meter) {}

    fn wants_to_stop(&mut self) -> bool {
        false
    }
}
