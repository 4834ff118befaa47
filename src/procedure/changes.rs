//! What has to be changed by hand between two takes: two setups in, instructions out, in the order that is safe to do.
//!
//! The generator is silent between takes. The volume goes down before a plug is touched and up again last; an attenuator at
//! the load and a load come and go with the unit off.

use super::operator::{Expects, Notice, Operator, Question, Weight};
use crate::error::{Error, Kind, Result};
use crate::figure::Driven;
use crate::procedure::operator::Answer;
use crate::signal::take::{MINIMUM, Setup};

/// A part of a setup.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// Driven channels.
    Driven,
    /// Mode of the unit.
    Mode,
    /// Selected input.
    Input,
    /// Volume control.
    Volume,
    /// What is in the input's socket instead of the interface's cable.
    Termination,
    /// Attenuator after the load.
    Tap,
    /// Pad before the input.
    Pad,
    /// Load.
    Load,
}

/// One instruction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// The parts of the setup that stand as asked once it is done; empty where it only makes a later one safe.
    pub parts: Vec<Part>,
    /// What to do.
    pub text: String,
    /// Why; empty where it says so itself.
    pub why: &'static str,
    /// Whether hands are needed, or the generator does it.
    pub by_hand: bool,
}

/// The parts in which two setups differ.
pub fn differing(before: &Setup, after: &Setup) -> Vec<Part> {
    [
        (Part::Driven, before.driven != after.driven),
        (Part::Mode, before.mode != after.mode),
        (Part::Input, before.input != after.input),
        (Part::Volume, before.volume != after.volume),
        (Part::Termination, before.termination != after.termination),
        (Part::Tap, before.tap != after.tap),
        (Part::Pad, before.pad != after.pad),
        (Part::Load, before.loaded != after.loaded),
    ]
    .into_iter()
    .filter_map(|(part, differs)| differs.then_some(part))
    .collect()
}

/// What to do so that the unit stands as `after` where it stood as `before`; nothing where they are equal.
pub fn between(before: &Setup, after: &Setup) -> Vec<Change> {
    let changed = differing(before, after);
    let has = |part| changed.contains(&part);
    let mut out = Vec::new();
    let hands_in = [
        Part::Mode,
        Part::Input,
        Part::Termination,
        Part::Tap,
        Part::Pad,
        Part::Load,
    ]
    .into_iter()
    .any(has);
    let is_down = before.volume.as_deref() == Some(MINIMUM);
    let stays_down = after.volume.as_deref() == Some(MINIMUM);
    let turned_down = (hands_in || (has(Part::Volume) && stays_down)) && !is_down;
    if turned_down {
        let parts = if has(Part::Volume) && stays_down {
            vec![Part::Volume]
        } else {
            Vec::new()
        };
        out.push(by_hand(
            &parts,
            "Turn the volume to minimum.".to_owned(),
            "The generator is silent; a plug that is pulled at full volume is not.",
        ));
    }
    if has(Part::Load) {
        out.push(load(after.loaded));
    }
    if has(Part::Tap) {
        out.push(tap(before, after));
    }
    if has(Part::Mode) {
        out.push(mode(after));
    }
    if has(Part::Input) || has(Part::Termination) || has(Part::Pad) {
        out.push(socket(before, after, &changed));
    }
    let to_turn_up = turned_down && !stays_down;
    if (has(Part::Volume) && !stays_down) || to_turn_up {
        out.push(volume(before, after, has(Part::Volume)));
    }
    if has(Part::Driven) {
        out.push(driven(after.driven));
    }
    out
}

fn by_hand(parts: &[Part], text: String, why: &'static str) -> Change {
    Change {
        parts: parts.to_vec(),
        text,
        why,
        by_hand: true,
    }
}

fn load(loaded: Option<bool>) -> Change {
    let (text, by_hand) = match loaded {
        Some(true) => (
            "Switch the unit off, connect the loads to its output, switch it on again.",
            true,
        ),
        Some(false) => (
            "Switch the unit off, take the loads off its output, switch it on again. Never so with an output transformer.",
            true,
        ),
        None => ("The load: leave it as it is.", false),
    };
    Change {
        parts: vec![Part::Load],
        text: text.to_owned(),
        why: "",
        by_hand,
    }
}

fn tap(before: &Setup, after: &Setup) -> Change {
    let to = match &after.tap {
        Some(name) => format!("the attenuator \"{name}\""),
        None => "the only attenuator of the rig".to_owned(),
    };
    let text = match &before.tap {
        Some(from) => format!(
            "Switch the unit off. Unplug the attenuator \"{from}\" at the interface, then at the load. Connect {to}, left and \
             right: at the load first, at the interface last. Switch the unit on again."
        ),
        None => format!(
            "Look which attenuator stands between load and interface, left and right: it must be {to}. If it is not, switch \
             the unit off, unplug the other one at the interface, then at the load, connect this one at the load first and \
             at the interface last, and switch the unit on again."
        ),
    };
    by_hand(
        &[Part::Tap],
        text,
        "An attenuator that lets more through would pass the power of the last take to the interface; a plug that slips at a \
         live output shorts it.",
    )
}

fn mode(after: &Setup) -> Change {
    match &after.mode {
        Some(mode) => by_hand(
            &[Part::Mode],
            format!("Switch the unit to \"{mode}\", and give it the time to settle that its manual states."),
            "",
        ),
        None => Change {
            parts: vec![Part::Mode],
            text: "The mode: leave it as it is.".to_owned(),
            why: "",
            by_hand: false,
        },
    }
}

/// What is plugged into which input, and through which pad.
fn socket(before: &Setup, after: &Setup, changed: &[Part]) -> Change {
    let parts: Vec<Part> = [Part::Input, Part::Termination, Part::Pad]
        .into_iter()
        .filter(|part| changed.contains(part))
        .collect();
    let mut sentences = Vec::new();
    let old = before
        .input
        .as_deref()
        .map_or(String::new(), |name| format!(" out of {name}"));
    let new = after.input.as_deref().unwrap_or("the selected input");
    if parts.contains(&Part::Input) {
        sentences.push(format!("Set the input selector to {new}."));
    }
    match (&before.termination, &after.termination) {
        (None, Some(plug)) => {
            sentences.push(format!("Take the interface's cables{old}."));
            sentences.push(format!("Put {} into {new}, left and right.", named(plug)));
        }
        (Some(from), Some(to)) => {
            sentences.push(format!("Take {}{old}.", named(from)));
            sentences.push(format!("Put {} into {new}, left and right.", named(to)));
        }
        (Some(from), None) => {
            sentences.push(format!("Take {}{old}.", named(from)));
            sentences.push(format!(
                "Connect the interface's outputs to {new}, left and right{}.",
                through(after)
            ));
        }
        (None, None) => sentences.push(format!(
            "Connect the interface's outputs to {new}, left and right{}.",
            through(after)
        )),
    }
    if let (Some(pad), None) = (&before.pad, &after.pad) {
        sentences.push(format!("The input pad \"{pad}\" stays out."));
    }
    if let (Some(_), Some(pad)) = (&after.termination, &after.pad)
        && parts.contains(&Part::Pad)
    {
        sentences.push(format!("Keep the input pad \"{pad}\" at hand."));
    }
    by_hand(&parts, sentences.join(" "), "")
}

fn through(after: &Setup) -> String {
    after
        .pad
        .as_deref()
        .map_or(String::new(), |pad| format!(", through the input pad \"{pad}\""))
}

/// "the shorted plug", "the plug with 1 kΩ".
fn named(plug: &str) -> String {
    if plug.contains("plug") {
        format!("the {plug}")
    } else {
        format!("the plug with {plug}")
    }
}

fn volume(before: &Setup, after: &Setup, changed: bool) -> Change {
    let parts = if changed { vec![Part::Volume] } else { Vec::new() };
    match after.volume.as_deref() {
        Some(position) if changed => by_hand(&parts, format!("Turn the volume slowly to {position}."), ""),
        Some(position) => by_hand(&parts, format!("Turn the volume slowly back to {position}."), ""),
        None => {
            let position = before.volume.as_deref().unwrap_or("where it was");
            Change {
                parts,
                text: format!(
                    "The volume: back to {position}, or where you like; the next take does not depend on it."
                ),
                why: "",
                by_hand: false,
            }
        }
    }
}

fn driven(driven: Option<Driven>) -> Change {
    let text = match driven {
        Some(Driven::Left) => "Leave the cables: only the left channel is driven now.",
        Some(Driven::Right) => "Leave the cables: only the right channel is driven now.",
        Some(Driven::Both) => "Leave the cables: both channels are driven now.",
        None => "Nothing is driven now.",
    };
    Change {
        parts: vec![Part::Driven],
        text: text.to_owned(),
        why: "",
        by_hand: false,
    }
}

/// Tells `operator` what to change, and waits until it is done. Nothing is told or asked where nothing changes.
///
/// # Errors
/// Where the operator says that it is not done, or has gone.
pub fn ask_for(before: &Setup, after: &Setup, operator: &mut dyn Operator) -> Result<()> {
    let changes = between(before, after);
    for change in &changes {
        operator.tell(&Notice {
            weight: Weight::Step,
            text: change.text.clone(),
            why: change.why.to_owned(),
        })?;
    }
    if !changes.iter().any(|c| c.by_hand) {
        return Ok(());
    }
    let answer = operator.ask(&Question {
        key: "changed".to_owned(),
        weight: Weight::Step,
        text: "Is it done?".to_owned(),
        why: String::new(),
        expects: Expects::Yes,
    })?;
    if answer == Answer::Yes(true) {
        return Ok(());
    }
    Err(Error::new(Kind::Unavailable, "the change on the bench was not made").next(
        "everything recorded so far is kept; run the same command again when the bench is ready for this step",
    ))
}
