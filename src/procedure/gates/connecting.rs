//! What is connected, in which order: the load unplugged, attenuator and interface with the unit off.

use super::Facts;
use super::desk::{Desk, OHMS, Put, SIDES};
use super::limits::{self, LoadFault};
use crate::error::{Error, Kind, Result};
use crate::job::connection::Ground;
use crate::unit::{Output, OutputStage};

pub(super) fn load(facts: &Facts<'_>, output: &Output, desk: &mut Desk<'_>) -> Result<()> {
    for (channel, side) in SIDES.into_iter().enumerate() {
        let put = Put {
            key: &format!("load-{side}"),
            text: format!(
                "Resistance of the load for the {side} channel, at the ends of its cable, the meter's leads subtracted"
            ),
            why: if side == SIDES[0] {
                "Watts are computed with it, and a load that is too low overloads the unit."
            } else {
                ""
            },
        };
        let ohms = desk.number(&put, &OHMS)?;
        let allowed: Vec<String> = output.loads_ohm.iter().map(|r| format!("{r} Ω")).collect();
        match limits::load_fits(ohms, output, facts.rig, channel) {
            None => {}
            Some(LoadFault::Doubtful(stated)) => desk.warn(format!(
                "The {side} load reads {ohms} Ω where {stated} Ω are stated: subtract the meter's leads and look at the \
                 load's contacts. Watts are computed with the rig file's value."
            ))?,
            Some(LoadFault::NotAllowed) => {
                return Err(Error::new(
                    Kind::Mismatch,
                    format!(
                        "a load of {ohms} Ω is not one that the unit file allows on \"{}\": {}",
                        output.name,
                        allowed.join(", ")
                    ),
                )
                .next("check its cable and its links; connect a load that the unit allows"));
            }
            Some(LoadFault::NotTheRigs(own)) => {
                return Err(Error::new(
                    Kind::Mismatch,
                    format!("the {side} load reads {ohms} Ω, and the rig file says {own} Ω"),
                )
                .next(
                    "connect the load that the rig was calibrated with, or calibrate the rig with this one",
                ));
            }
        }
    }
    let never_bare = output.stage == OutputStage::TransformerCoupled;
    let put = Put {
        key: "load",
        text: format!(
            "With the plug still out: connect both loads to \"{}\", + to +, − to −, so that no strand and no clip can touch \
             another. Nothing else yet. Done?",
            output.name
        ),
        why: if never_bare {
            "An output transformer without a load makes voltages that destroy it and the valves: the load comes first \
             and goes last."
        } else {
            "Wiring is done while nothing can flow."
        },
    };
    desk.confirmed(&put, "run the same command again when the loads are connected")
}

pub(super) fn attenuator(facts: &Facts<'_>, ground: Ground, desk: &mut Desk<'_>) -> Result<()> {
    let tap = facts.circuit.taps.first().map_or_else(
        || "directly, without an attenuator,".to_owned(),
        |tap| format!("with the attenuator \"{tap}\""),
    );
    let inputs = numbered(facts, "input", |i| &i.input_channels);
    let text = match ground {
        Ground::Differential => format!(
            "Switch the unit off. Go {tap} from + and − of each load, each through its own divider, to the two pins of the \
             balanced {inputs}; all lower ends and the screens go to the shell of the unit's input. Nothing else touches a \
             − terminal. Done?"
        ),
        _ => format!(
            "Switch the unit off. Go {tap} from each load to the interface, {inputs}: at the load first, at the interface \
             last; its ground to the − terminal of its own channel. Done?"
        ),
    };
    let put = Put {
        key: "attenuator",
        text,
        why: "A power stage puts out tens of volts, an interface takes a few; a fault or a switch-on thump gives all of it. \
              The attenuator is there before the power, and is taken away after it.",
    };
    desk.confirmed(
        &put,
        "run the same command again when the attenuator is connected",
    )
}

pub(super) fn surroundings(desk: &mut Desk<'_>) -> Result<()> {
    let put = Put {
        key: "phantom-off",
        text: "Is phantom power off on every input of the interface, and every input set to line, at the gain that the rig \
               was calibrated with?"
            .to_owned(),
        why: "Phantom power puts 48 V on what is connected. Another gain makes every volt wrong.",
    };
    desk.confirmed(&put, "switch it off, then run the same command again")?;
    let put = Put {
        key: "ears-and-speakers",
        text: "Are headphones and monitor speakers off the interface, and are no speakers on any output of the unit?"
            .to_owned(),
        why: "Test signals at power deafen, and burn tweeters.",
    };
    desk.confirmed(&put, "take them off, then run the same command again")?;
    let put = Put {
        key: "load-clear",
        text: "Do the loads lie on something that does not burn, with free air above them and out of reach of cables and \
               sleeves?"
            .to_owned(),
        why: "At full power the surface of a load can go beyond 200 °C, and stays hot after the last tone.",
    };
    desk.confirmed(&put, "clear their place, then run the same command again")
}

/// The input, unless nothing is driven, and the first sound's switch-on.
pub(super) fn input(facts: &Facts<'_>, desk: &mut Desk<'_>) -> Result<()> {
    if let Some(input) = facts.circuit.inputs.first() {
        driven_input(facts, input, desk)?;
    }
    let put = Put {
        key: "on",
        text: "Turn the unit's volume to minimum, its tone controls and filters to neutral, then switch it on. Done?"
            .to_owned(),
        why: "What goes wrong at switch-on goes wrong at the lowest level.",
    };
    desk.confirmed(
        &put,
        "run the same command again when the unit is on at minimum volume",
    )
}

fn driven_input(facts: &Facts<'_>, input: &str, desk: &mut Desk<'_>) -> Result<()> {
    let outputs = numbered(facts, "output", |i| &i.output_channels);
    let pad = match &facts.circuit.pad {
        Some(pad) => format!(", through the input pad \"{pad}\""),
        None => String::new(),
    };
    let put = Put {
        key: "input",
        text: format!("Go from the interface, {outputs}, to {input}{pad}. Done?"),
        why: if facts.circuit.pad.is_some() {
            "The noise of an interface's output alone overdrives an input of a few millivolts: the pad is not left out."
        } else {
            "The first tone is far below what the input takes, and creeps up from there."
        },
    };
    desk.confirmed(&put, "run the same command again when the input is connected")
}

/// "input 3 for left and 4 for right", or without numbers where the rig has no interface.
fn numbered(facts: &Facts<'_>, what: &str, of: impl Fn(&crate::rig::Interface) -> &Vec<u16>) -> String {
    match facts.rig.interface.as_ref().map(|i| of(i).as_slice()) {
        Some([left, right, ..]) => format!("{what} {left} for left and {right} for right"),
        Some([left]) => format!("{what} {left}"),
        _ => format!("{what}s left and right"),
    }
}
