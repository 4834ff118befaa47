//! The faint tones that prove a connection and find its gain, and the one that ends a session.

use super::step::{Drive, Play, Step};
use super::{CONNECTION_HZ, SAMPLE_RATE_HZ, rates};
use crate::figure::FigureId;
use crate::job::steadiness::{CHECK, CONNECTION};
use crate::quantity::Decibels;
use crate::rig::ceiling::{FIRST_RE_SENSITIVITY, PROVEN_RE_SENSITIVITY, STEP};
use crate::signal::take::Setup;
use crate::unit::UnitSpec;

/// The steps that prove the connection of `setup` and find its gain: faint tones, each [`STEP`] above the one before it.
///
/// They are played at the best of `rates_hz`; empty where every rate is offered.
pub fn approach(unit: &UnitSpec, setup: &Setup, rates_hz: &[u32]) -> Vec<Step> {
    let sample_rate_hz = rates::fit(rates_hz, SAMPLE_RATE_HZ);
    let step = |level: Decibels| Step {
        name: with_mode(unit, &connection_name(level), setup.mode.as_deref()),
        play: Play::Tone {
            frequency_hz: CONNECTION_HZ,
            drive: Drive::ReSensitivity(level),
        },
        sample_rate_hz,
        // Much longer than the silences around it: beside loud hum that is how the tone is told from them.
        seconds: 2.0,
        setup: setup.clone(),
        figures: vec![FigureId::Level],
        purpose: "A faint tone finds the gain and shows that the right cables are in the right sockets."
            .to_owned(),
    };
    std::iter::successors(Some(FIRST_RE_SENSITIVITY), |level| Some(*level + STEP))
        .take_while(|level| level.0 <= PROVEN_RE_SENSITIVITY.0)
        .map(step)
        .collect()
}

/// The first step is the connection; the others have their level in their names.
fn connection_name(level: Decibels) -> String {
    if level == FIRST_RE_SENSITIVITY {
        CONNECTION.to_owned()
    } else {
        format!("{CONNECTION}-{:.0}db", -level.0)
    }
}

/// The name of a step; in modes other than the first with the mode in it.
pub(super) fn with_mode(unit: &UnitSpec, name: &str, mode: Option<&str>) -> String {
    let first = unit.modes.first().map(|m| m.name.as_str());
    match mode {
        Some(mode) if Some(mode) != first => format!("{name}-{mode}"),
        _ => name.to_owned(),
    }
}

/// The connection's last tone once more: a gain that moved since then makes volts and watts worthless.
pub(super) fn check(unit: &UnitSpec, setup: &Setup, rates_hz: &[u32]) -> Option<Step> {
    let connection = approach(unit, setup, rates_hz).pop()?;
    Some(Step {
        name: with_mode(unit, CHECK, setup.mode.as_deref()),
        purpose: "The first tone again: it must come back as it did, or a knob was moved in between."
            .to_owned(),
        ..connection
    })
}
