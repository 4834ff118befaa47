//! The gates one after the other, with their wording.

use super::Facts;
use super::desk::{Desk, Put, Reading};
use super::limits::{self, Joined, Judged, LoadFault};
use crate::error::{Error, Kind, Result};
use crate::job::connection::Ground;
use crate::procedure::operator::Weight;
use crate::rig::ceiling::SENSITIVE_INPUT_V;
use crate::unit::{Output, OutputStage};

/// How often the reservoirs may be measured before the operator is sent to find out why they stay charged.
const DISCHARGES: usize = 3;

const SIDES: [&str; 2] = ["left", "right"];

const VOLTS_DC: Reading = Reading {
    unit: "V",
    example: "4 mV",
    range: [-500.0, 500.0],
};
const VOLTS_AC: Reading = Reading {
    unit: "V",
    example: "2 mV",
    range: [0.0, 500.0],
};
const OHMS: Reading = Reading {
    unit: "Ω",
    example: "0.3; 100M where the meter shows no connection",
    range: [0.0, 1e9],
};

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

fn bare(facts: &Facts<'_>, desk: &mut Desk<'_>) -> Result<()> {
    let put = Put {
        key: "bare",
        text: format!(
            "Take everything off the {}: speakers, headphones, load, interface, sources. Turn its volume to minimum. Then \
             switch it on and wait three minutes. Done?",
            facts.unit.model
        ),
        why: "What is not connected cannot be damaged by what the meter is about to find. Minimum volume keeps hum of open \
              inputs out of the reading; DC settles in minutes.",
    };
    desk.confirmed(&put, "run the same command again when everything is off the unit")
}

fn dc_at_terminals(output: &Output, desk: &mut Desk<'_>) -> Result<()> {
    let why = match output.stage {
        OutputStage::CapacitorCoupled => {
            "A fault puts DC on the terminals. It would heat the load, and the interface cannot see it. An output \
             capacitor charges for a while when nothing is connected: read when the meter has come to rest."
        }
        _ => {
            "A fault puts DC on the terminals. It would heat the load, it would burn a speaker, and the interface \
              cannot see it."
        }
    };
    for side in SIDES {
        let put = Put {
            key: &format!("dc-{side}"),
            text: format!(
                "DC between + and − of the {side} speaker terminals of \"{}\", by the meter",
                output.name
            ),
            why,
        };
        let volts = desk.number(&put, &VOLTS_DC)?;
        match limits::dc_at_terminals(volts) {
            Judged::Fine => {}
            Judged::Warned => desk.warn(format!(
                "{} of DC at the {side} terminals is more than the {} of a unit in good order. It may be measured; set \
                 it by the service manual, and look at it again when the unit is warm.",
                volts_in_words(volts),
                volts_in_words(limits::DC_WARNED_V)
            ))?,
            Judged::Refused => {
                return Err(Error::new(
                    Kind::Unavailable,
                    format!(
                        "{} of DC at the {side} speaker terminals: more than {} means a fault, and nothing is connected",
                        volts_in_words(volts),
                        volts_in_words(limits::DC_REFUSED_V)
                    ),
                )
                .next(
                    "switch off and unplug; look for the fault (input pair, drivers, output devices, a leaky coupling \
                     capacitor, the offset adjustment); read again before anything is connected",
                ));
            }
        }
    }
    Ok(())
}

fn discharged(desk: &mut Desk<'_>) -> Result<()> {
    let put = Put {
        key: "unplugged",
        text: "Switch the unit off, pull its mains plug, and keep the plug in sight. Done?".to_owned(),
        why: "The next readings are of resistances, with probes and fingers in the unit.",
    };
    desk.confirmed(&put, "run the same command again when the plug is out")?;
    desk.tell(
        Weight::Caution,
        "Discharge every reservoir capacitor through a resistor with an insulated handle: tens of ohms and 25 W for rails \
         of up to 65 V, some 20 kΩ for high voltage, as long as the service manual says. Never with a screwdriver. A \
         valve unit holds hundreds of volts.",
        "Bleeder resistors fail, a meter alone discharges too slowly, and charge creeps back.",
    )?;
    let put = Put {
        key: "reservoirs",
        text: "DC across the reservoir capacitors: the highest reading among them".to_owned(),
        why: "What was discharged is believed when it was measured. A charge that is left hurts, and makes every resistance \
              wrong.",
    };
    for attempt in 1..=DISCHARGES {
        let volts = desk.number(&put, &RESERVOIRS)?;
        if limits::discharged(volts) {
            return Ok(());
        }
        if attempt < DISCHARGES {
            desk.tell(
                Weight::Caution,
                format!(
                    "{} is still there. Discharge again, wait a minute without the resistor, and measure again.",
                    volts_in_words(volts)
                ),
                "Charge creeps back into a capacitor that was short-circuited only briefly.",
            )?;
        }
    }
    Err(Error::new(
        Kind::Unavailable,
        format!(
            "the reservoirs still hold more than {} after {DISCHARGES} attempts",
            volts_in_words(limits::RESERVOIRS_V)
        ),
    )
    .next(
        "make sure that the mains plug is out and no battery or other supply feeds the unit; discharge longer, then run \
         the same command again",
    ))
}

const RESERVOIRS: Reading = Reading {
    unit: "V",
    example: "0.4 V",
    range: [-2_000.0, 2_000.0],
};

fn grounds(output: &Output, desk: &mut Desk<'_>) -> Result<Ground> {
    let why = "The interface joins the − terminals of both channels with each other and with the shells of the inputs. \
               Where they are not one node in the unit, that is a short circuit of an output.";
    let mut ohms = [0.0; 3];
    for (reading, (key, from, to)) in ohms.iter_mut().zip([
        (
            "ohms-left",
            "the left − speaker terminal",
            "the shell of an input socket",
        ),
        (
            "ohms-right",
            "the right − speaker terminal",
            "the shell of an input socket",
        ),
        (
            "ohms-between",
            "the left − speaker terminal",
            "the right − terminal",
        ),
    ]) {
        let put = Put {
            key,
            text: format!("Resistance from {from} to {to}, the leads' own subtracted"),
            why,
        };
        *reading = desk.number(&put, &OHMS)?;
    }
    let joined = limits::grounds_joined(ohms);
    if joined == Joined::Contradictory {
        return Err(Error::new(
            Kind::Unavailable,
            format!(
                "{} Ω, {} Ω and {} Ω cannot all be true: from one terminal to the other it is at most as far as by way of \
                 the shell",
                ohms[0], ohms[1], ohms[2]
            ),
        )
        .next("clean the contact points, let the reading come to rest, and measure all three again"));
    }
    if limits::must_be_differential(output.stage) {
        let reason = "the unit file says that the − terminals of this output are driven or floating";
        return differential(reason, desk);
    }
    match joined {
        Joined::Yes => Ok(Ground::Common),
        Joined::Perhaps if ground_break(ohms, desk)? => Ok(Ground::BreakResistor),
        _ => differential(
            "the − terminals and the shells of the inputs are not one node in this unit",
            desk,
        ),
    }
}

fn ground_break(ohms: [f64; 3], desk: &mut Desk<'_>) -> Result<bool> {
    let highest = ohms.into_iter().fold(0.0, f64::max);
    let put = Put {
        key: "ground-break",
        text: format!(
            "Does the service manual show, or do you see, a resistor of about {highest} Ω between the ground of the inputs \
             and the ground of the output?"
        ),
        why: "Some makers break the ground loop between the channels with a resistor of about 10 Ω. The interface would \
              bridge it, which does no harm; bridging a driven terminal would.",
    };
    desk.yes(&put)
}

fn differential(reason: &str, desk: &mut Desk<'_>) -> Result<Ground> {
    let put = Put {
        key: "differential",
        text: format!(
            "This output needs a differential connection: {reason}. Is there, for each channel, a balanced input of the \
             interface and a pair of equal dividers to go from + and from − to its two pins, all lower ends joined to the \
             shell of the unit's input, and was the tap of the rig file calibrated so?"
        ),
        why: "Nothing may join a driven − terminal to a ground, and nothing may join the two.",
    };
    desk.confirmed(
        &put,
        "do not connect the interface to this output; build a differential attenuator (two equal dividers a channel into \
         a balanced input), calibrate it as a tap, and run the same command again",
    )?;
    Ok(Ground::Differential)
}

fn load(facts: &Facts<'_>, output: &Output, desk: &mut Desk<'_>) -> Result<()> {
    for (channel, side) in SIDES.into_iter().enumerate() {
        let put = Put {
            key: &format!("load-{side}"),
            text: format!(
                "Resistance of the load for the {side} channel, at the ends of its cable, the meter's leads subtracted"
            ),
            why: "Watts are computed with it, and a load that is too low overloads the unit.",
        };
        let ohms = desk.number(&put, &OHMS)?;
        let allowed: Vec<String> = output.loads_ohm.iter().map(|r| format!("{r} Ω")).collect();
        match limits::load_fits(ohms, output, facts.rig, channel) {
            None => {}
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

fn on_load(facts: &Facts<'_>, desk: &mut Desk<'_>) -> Result<()> {
    let put = Put {
        key: "on-load",
        text: format!(
            "Take the probes and your hands out of the unit. With the {}'s volume at minimum and the interface still \
             apart, plug it in and switch it on. Done?",
            facts.unit.model
        ),
        why: "A terminal that is driven, or that leaks, shows only under power.",
    };
    desk.confirmed(
        &put,
        "run the same command again when the unit is on at minimum volume",
    )
}

fn between_grounds(facts: &Facts<'_>, ground: Ground, desk: &mut Desk<'_>) -> Result<()> {
    let why = "Before anything joins the two, the meter must see nothing between them. A unit with a source of its own, a \
               tuner say, shows it best while that plays softly.";
    let put = |key, what: &str| Put {
        key,
        text: format!(
            "{what} between a − speaker terminal and the shell of an input socket: the higher of left and right"
        ),
        why,
    };
    let dc = desk.number(&put("between-dc", "DC"), &VOLTS_DC)?;
    let ac = desk.number(&put("between-ac", "AC"), &VOLTS_AC)?;
    let largest = limits::largest_at_terminals(facts.rig, &facts.circuit.taps);
    if limits::between_grounds(ground, dc, ac, largest) {
        return Ok(());
    }
    let (dc, ac) = (volts_in_words(dc), volts_in_words(ac));
    Err(match ground {
        Ground::Differential => Error::new(
            Kind::Unavailable,
            format!("{dc} DC and {ac} AC on the − terminal are more than the interface's input takes through this tap"),
        )
        .next("switch off; use a tap with more attenuation"),
        _ => Error::new(
            Kind::Unavailable,
            format!(
                "{dc} DC and {ac} AC between the − terminal and the input's shell: above {} they are not one node",
                volts_in_words(limits::BETWEEN_V)
            ),
        )
        .next("switch off and unplug; do not connect the interface; look at the ground wiring, then begin again"),
    })
}

fn attenuator(facts: &Facts<'_>, ground: Ground, desk: &mut Desk<'_>) -> Result<()> {
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

fn surroundings(desk: &mut Desk<'_>) -> Result<()> {
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
fn input(facts: &Facts<'_>, desk: &mut Desk<'_>) -> Result<()> {
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

/// Volts as a meter shows them.
fn volts_in_words(volts: f64) -> String {
    if volts.abs() < 1.0 {
        format!("{:.0} mV", volts * 1e3)
    } else {
        format!("{volts:.1} V")
    }
}
