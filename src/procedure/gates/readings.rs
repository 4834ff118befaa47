//! What is read with a meter before anything may be connected.

use super::Facts;
use super::desk::{Desk, OHMS, Put, Reading, SIDES};
use super::limits::{self, Joined, Judged};
use crate::error::{Error, Kind, Result};
use crate::job::connection::Ground;
use crate::procedure::operator::Weight;
use crate::unit::{Output, OutputStage};

/// How often the reservoirs may be measured before the operator is sent to find out why they stay charged.
const DISCHARGES: usize = 3;

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
const RESERVOIRS: Reading = Reading {
    unit: "V",
    example: "0.4 V",
    range: [-2_000.0, 2_000.0],
};

pub(super) fn bare(facts: &Facts<'_>, desk: &mut Desk<'_>) -> Result<()> {
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

pub(super) fn dc_at_terminals(output: &Output, desk: &mut Desk<'_>) -> Result<()> {
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
            // Said once.
            why: if side == SIDES[0] { why } else { "" },
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

pub(super) fn discharged(desk: &mut Desk<'_>) -> Result<()> {
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

pub(super) fn grounds(output: &Output, desk: &mut Desk<'_>) -> Result<Ground> {
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
            why: if key == "ohms-left" { why } else { "" },
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

pub(super) fn on_load(facts: &Facts<'_>, desk: &mut Desk<'_>) -> Result<()> {
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

pub(super) fn between_grounds(facts: &Facts<'_>, ground: Ground, desk: &mut Desk<'_>) -> Result<()> {
    let why = "Before anything joins the two, the meter must see nothing between them. A unit with a source of its own, a \
               tuner say, shows it best while that plays softly.";
    let put = |key, what: &str, why| Put {
        key,
        text: format!(
            "{what} between a − speaker terminal and the shell of an input socket: the higher of left and right"
        ),
        why,
    };
    let dc = desk.number(&put("between-dc", "DC", why), &VOLTS_DC)?;
    let ac = desk.number(&put("between-ac", "AC", ""), &VOLTS_AC)?;
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

/// Volts as a meter shows them.
pub(super) fn volts_in_words(volts: f64) -> String {
    if volts.abs() < 1.0 {
        format!("{:.0} mV", volts * 1e3)
    } else {
        format!("{volts:.1} V")
    }
}
