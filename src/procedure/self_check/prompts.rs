//! What the operator is asked to connect, and why.

use crate::error::{Error, Kind, Result};
use crate::procedure::operator::{Answer, Expects, Operator, Question, Weight};

/// Only the bare interface is played into.
///
/// # Errors
/// Where the operator does not say so.
pub(super) fn confirm_bare(operator: &mut dyn Operator) -> Result<()> {
    let question = Question {
        key: "loopback-bare".to_owned(),
        weight: Weight::Caution,
        text: "Is every amplifier and loudspeaker disconnected from the interface, phantom power off, and are \
               headphones off your ears?"
            .to_owned(),
        why: "The check plays as loud as the interface can: into a cable that is harmless, into an amplifier or a \
              headphone it is not."
            .to_owned(),
        expects: Expects::Yes,
    };
    match operator.ask(&question)? {
        Answer::Yes(true) => Ok(()),
        _ => Err(
            Error::new(Kind::Unavailable, "the check needs the bare interface")
                .next("disconnect the amplifier, then run the check again"),
        ),
    }
}

/// Whether the inputs are shorted for the first take.
///
/// # Errors
/// Where the answers end.
pub(super) fn asks_for_termination(operator: &mut dyn Operator) -> Result<bool> {
    let question = Question {
        key: "loopback-termination".to_owned(),
        weight: Weight::Step,
        text: "Put shorting plugs into both inputs for the first take, and say shorted. Without plugs, cable output \
               to input on each channel now, and say cabled."
            .to_owned(),
        why: "With plugs the inputs' own noise is read, without the noise of the outputs.".to_owned(),
        expects: Expects::Choice {
            words: vec!["shorted".to_owned(), "cabled".to_owned()],
            default: 0,
        },
    };
    Ok(operator.ask(&question)? == Answer::Choice(0))
}

/// Outputs cabled to inputs.
///
/// # Errors
/// Where the operator does not say so.
pub(super) fn asks_for_cable(operator: &mut dyn Operator) -> Result<()> {
    let question = Question {
        key: "loopback-cabled".to_owned(),
        weight: Weight::Step,
        text: "Now cable output to input on each channel: left to left, right to right, without attenuator. Done?"
            .to_owned(),
        why: String::new(),
        expects: Expects::Yes,
    };
    match operator.ask(&question)? {
        Answer::Yes(true) => Ok(()),
        _ => Err(Error::new(Kind::Unavailable, "the check needs the cables")
            .next("cable output to input, then run the check again")),
    }
}
