//! Questions and answers of one walk through the gates: each is put to the operator and kept.

use crate::error::{Error, Kind, Result};
use crate::job::connection::{Answered, Entered};
use crate::procedure::operator::{Answer, Expects, Notice, Operator, Question, Weight};

/// The operator, and what was answered so far.
pub(super) struct Desk<'a> {
    operator: &'a mut dyn Operator,
    kept_at_once: &'a mut dyn FnMut(&[Answered]) -> Result<()>,
    pub(super) answers: Vec<Answered>,
    pub(super) warnings: Vec<String>,
}

/// A question as it is put.
pub(super) struct Put<'q> {
    pub(super) key: &'q str,
    pub(super) text: String,
    pub(super) why: &'q str,
}

/// Questions whose wrong answer hurts someone at once.
const CAUTIONS: [&str; 5] = ["unplugged", "reservoirs", "differential", "on-load", "load-clear"];

/// What a reading looks like.
pub(super) struct Reading {
    pub(super) unit: &'static str,
    pub(super) example: &'static str,
    pub(super) range: [f64; 2],
}

/// The channels, as they are asked for.
pub(super) const SIDES: [&str; 2] = ["left", "right"];

/// A resistance between two points of the unit or of a load.
pub(super) const OHMS: Reading = Reading {
    unit: "Ω",
    example: "0.3; 100M where the meter shows no connection",
    range: [0.0, 1e9],
};

impl<'a> Desk<'a> {
    pub(super) fn new(
        operator: &'a mut dyn Operator,
        kept_at_once: &'a mut dyn FnMut(&[Answered]) -> Result<()>,
    ) -> Self {
        Self {
            operator,
            kept_at_once,
            answers: Vec::new(),
            warnings: Vec::new(),
        }
    }

    pub(super) fn tell(&mut self, weight: Weight, text: impl Into<String>, why: &str) -> Result<()> {
        self.operator.tell(&Notice {
            weight,
            text: text.into(),
            why: why.to_owned(),
        })
    }

    /// Says what is allowed but not as it should be, and keeps it.
    pub(super) fn warn(&mut self, text: String) -> Result<()> {
        self.tell(Weight::Caution, text.clone(), "")?;
        self.warnings.push(text);
        Ok(())
    }

    pub(super) fn yes(&mut self, put: &Put<'_>) -> Result<bool> {
        match self.ask(put, Expects::Yes)? {
            Answer::Yes(yes) => {
                self.keep(put, Entered::Yes(yes))?;
                Ok(yes)
            }
            _ => Err(unfit(put.key)),
        }
    }

    /// A yes, or the end: `unless` says what to do where it is a no.
    pub(super) fn confirmed(&mut self, put: &Put<'_>, unless: &str) -> Result<()> {
        if self.yes(put)? {
            return Ok(());
        }
        Err(Error::new(
            Kind::Unavailable,
            format!("this was answered with no: {}", put.text),
        )
        .next(unless))
    }

    pub(super) fn number(&mut self, put: &Put<'_>, reading: &Reading) -> Result<f64> {
        let Reading { unit, example, range } = *reading;
        let expects = Expects::Number {
            unit,
            example: example.to_owned(),
            range,
            default: None,
        };
        match self.ask(put, expects)? {
            Answer::Number(value) if value >= range[0] && value <= range[1] => {
                let unit = unit.to_owned();
                self.keep(put, Entered::Number { value, unit })?;
                Ok(value)
            }
            _ => Err(unfit(put.key)),
        }
    }

    pub(super) fn text(&mut self, put: &Put<'_>, example: &str, default: Option<&str>) -> Result<String> {
        let expects = Expects::Text {
            example: example.to_owned(),
            default: default.map(str::to_owned),
        };
        match self.ask(put, expects)? {
            Answer::Text(text) => {
                self.keep(put, Entered::Text(text.clone()))?;
                Ok(text)
            }
            _ => Err(unfit(put.key)),
        }
    }

    fn ask(&mut self, put: &Put<'_>, expects: Expects) -> Result<Answer> {
        if self.operator.wants_to_stop() {
            return Err(
                Error::new(Kind::Unavailable, super::LEFT).next(
                    "nothing was played; run the same command again when the bench is ready, and answer all of them",
                ),
            );
        }
        self.operator.ask(&Question {
            key: put.key.to_owned(),
            weight: if CAUTIONS.contains(&put.key) {
                Weight::Caution
            } else {
                Weight::Step
            },
            text: put.text.clone(),
            why: put.why.to_owned(),
            expects,
        })
    }

    fn keep(&mut self, put: &Put<'_>, answer: Entered) -> Result<()> {
        self.answers.push(Answered {
            key: put.key.to_owned(),
            question: put.text.clone(),
            answer,
        });
        (self.kept_at_once)(&self.answers)
    }
}

/// An answer of another kind, or outside the range that was asked for: the operator's side is at fault.
fn unfit(key: &str) -> Error {
    Error::new(
        Kind::Value,
        format!("the answer to \"{key}\" is not one that was asked for"),
    )
    .next("answer every question with a number inside its range, or with yes or no, as it asks")
}
