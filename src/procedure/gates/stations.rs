//! The gates one after the other.

use super::Facts;
use super::connecting::{attenuator, input, load, surroundings};
use super::desk::{Desk, Put};
use super::readings::{bare, between_grounds, dc_at_terminals, discharged, grounds, on_load, volts_in_words};
use crate::error::{Error, Kind, Result};
use crate::job::connection::Ground;
use crate::procedure::operator::Weight;
use crate::rig::SENSITIVE_INPUT_V;
use crate::unit::OutputStage;

pub(super) fn all(
    facts: &Facts<'_>,
    desk: &mut Desk<'_>,
    by: &mut String,
    ground: &mut Option<Ground>,
) -> Result<()> {
    let output = facts.output()?;
    padded(facts)?;
    let never_bare = output.stage == OutputStage::TransformerCoupled;
    *by = opening(facts, desk)?;
    if !never_bare {
        bare(facts, desk)?;
        dc_at_terminals(output, desk)?;
    }
    discharged(desk)?;
    let found = grounds(output, desk)?;
    *ground = Some(found);
    load(facts, output, desk)?;
    on_load(facts, desk)?;
    if never_bare {
        dc_at_terminals(output, desk)?;
    }
    between_grounds(facts, found, desk)?;
    desk.tell(
        Weight::Step,
        format!(
            "As far as these readings go, the interface may be connected to \"{}\": {}.",
            output.name,
            found.in_words()
        ),
        "They say nothing about the electrical safety of the unit, which is tested by the rules of the place.",
    )?;
    attenuator(facts, found, desk)?;
    surroundings(desk)?;
    input(facts, desk)
}

/// A sensitive input is driven through a pad, or not at all: said before anybody opens a unit for nothing.
fn padded(facts: &Facts<'_>) -> Result<()> {
    let sensitive = |name: &&String| {
        let input = facts.unit.input(name);
        input.is_some_and(|i| i.sensitivity_v < SENSITIVE_INPUT_V)
    };
    match facts.circuit.inputs.iter().find(sensitive) {
        Some(input) if facts.circuit.pad.is_none() => Err(Error::new(
            Kind::Mismatch,
            format!(
                "{input} is driven to full output by less than {}: it needs an input pad",
                volts_in_words(SENSITIVE_INPUT_V)
            ),
        )
        .next(
            "fit a pad between the interface's output and this input, and add it to the rig file as [[pads]]",
        )),
        _ => Ok(()),
    }
}

fn opening(facts: &Facts<'_>, desk: &mut Desk<'_>) -> Result<String> {
    desk.tell(
        Weight::Caution,
        "The next steps are done on an open unit, some of them with mains in it. Keep to the law and the rules of the \
         place: where they ask for a licensed person, let one do them. Do not work alone. Cover the mains wiring, stand \
         dry, keep one hand away.",
        "The mains wiring stays live while the unit is plugged in, also when it is switched off.",
    )?;
    let put = Put {
        key: "who",
        text: "Who reads the meter and makes the connection?".to_owned(),
        why: "It is kept with the readings.",
    };
    let usual = Some(facts.by).filter(|by| !by.is_empty());
    desk.text(&put, "the name on the job card", usual)
}
