//! What was proven of the way from the interface through the unit and back: a gain, found while nothing could be harmed.
//!
//! A connection is new when an input, a tap, a pad or a plug was changed, or in a mode or volume that was not heard yet.
//! The first signal on it is [`FIRST_RE_SENSITIVITY`] or lower; each answer that is as expected allows [`STEP`] more,
//! until one at [`PROVEN_RE_SENSITIVITY`] proves it.

use super::limits::UnitLimits;
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::quantity::Decibels;
use crate::rig::SENSITIVE_INPUT_V;
use crate::signal::take::Setup;
use std::collections::HashMap;

/// Level of the first signal on a new connection, at the most, re the selected input's rated sensitivity.
pub const FIRST_RE_SENSITIVITY: Decibels = Decibels(-60.0);

/// How much louder the next signal may be than one whose answer was as expected.
pub const STEP: Decibels = Decibels(20.0);

/// An answer as expected at this level proves the connection.
pub const PROVEN_RE_SENSITIVITY: Decibels = Decibels(-20.0);

/// A gain that is this far from what is expected stops a session before power.
pub const WRONG_GAIN: Decibels = Decibels(1.0);

/// The lowest gain re the rated one that may be accepted as the unit's own. A faulty stage loses some decibels; a tap plug
/// that is half in, a wrong input or a muting switch loses more. Common practice, no source.
pub const ACCEPTED_LOWEST: Decibels = Decibels(-12.0);

/// The highest such gain. Common practice, no source.
pub const ACCEPTED_HIGHEST: Decibels = Decibels(6.0);

/// Rounding of levels that were computed to meet a limit, dB.
pub(super) const HAIR_DB: f64 = 1e-6;

/// An answer this far below what is expected is none.
const NOTHING: Decibels = Decibels(-40.0);

/// What an answer says of the connection.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// The gain is as expected; louder signals are allowed now.
    AsExpected,
    /// The gain is off, and how. Nothing louder is allowed, unless the operator confirms that the unit is so:
    /// [`super::Ceiling::accept`].
    Off(Error),
    /// The gain is so far off that it is no unit's: it cannot be accepted.
    WrongConnection(Error),
    /// Nothing comes back.
    NoSignal(Error),
}

/// What is plugged in at one channel.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Plug {
    input: Option<String>,
    tap: Option<String>,
    pad: Option<String>,
    terminated: bool,
}

impl Plug {
    fn of(setup: &Setup, channel: usize) -> Self {
        Self {
            input: setup.input.clone(),
            tap: setup.tap.clone(),
            pad: setup.pad.clone(),
            terminated: is_terminated(setup, channel),
        }
    }
}

/// Whether a plug that terminates the unit's input stands where the interface's output would.
pub(super) fn is_terminated(setup: &Setup, channel: usize) -> bool {
    setup.termination.is_some() && !setup.driven.is_some_and(|d| d.includes(channel))
}

/// Where the controls stand, and on which channel.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Place {
    channel: usize,
    mode: Option<String>,
    volume: Option<String>,
}

impl Place {
    fn of(setup: &Setup, channel: usize) -> Self {
        Self {
            channel,
            mode: setup.mode.clone(),
            volume: setup.volume.clone(),
        }
    }
}

/// What was heard at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Proof {
    /// Gain of the first answer, or of the last one that the operator accepted.
    first: f64,
    /// Gain of the last answer.
    gain: f64,
    /// Level that it was heard at, dB re sensitivity.
    reached_db: f64,
}

/// A tone whose answer is awaited.
#[derive(Debug, Clone, PartialEq)]
struct Asked {
    place: Place,
    input_v: f64,
    level_db: f64,
    /// Gain at full volume as rated.
    rated: f64,
    /// Whether the volume stands there.
    full_volume: bool,
    /// Gain of the answer, once heard.
    heard: Option<f64>,
}

/// All connections of a session.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Connections {
    plugs: Vec<Option<Plug>>,
    proofs: HashMap<Place, Proof>,
    asked: Vec<Asked>,
}

impl Connections {
    /// Notes what is plugged in now; what was proven of a plug that was changed is forgotten.
    pub(super) fn plug(&mut self, setup: &Setup, channels: usize) {
        self.plugs.resize(self.plugs.len().max(channels), None);
        for (channel, plug) in self.plugs.iter_mut().enumerate() {
            let now = Plug::of(setup, channel);
            if plug.as_ref() != Some(&now) {
                self.proofs.retain(|place, _| place.channel != channel);
                *plug = Some(now);
            }
        }
        self.asked.clear();
    }

    fn proof(&self, setup: &Setup, channel: usize) -> Option<&Proof> {
        let plugged = self.plugs.get(channel)?.as_ref()?;
        (*plugged == Plug::of(setup, channel))
            .then(|| self.proofs.get(&Place::of(setup, channel)))
            .flatten()
    }

    /// The gain that was heard last, V/V.
    pub(super) fn gain(&self, setup: &Setup, channel: usize) -> Option<f64> {
        self.proof(setup, channel).map(|p| p.gain)
    }

    /// Whether any level may be played as far as the connection goes.
    pub(super) fn is_proven(&self, setup: &Setup, channel: usize) -> bool {
        self.proof(setup, channel)
            .is_some_and(|p| p.reached_db >= PROVEN_RE_SENSITIVITY.0 - HAIR_DB)
    }

    /// The highest level that may be played, dB re sensitivity.
    pub(super) fn allowed_db(&self, setup: &Setup, channel: usize) -> f64 {
        match self.proof(setup, channel) {
            None => FIRST_RE_SENSITIVITY.0,
            Some(_) if self.is_proven(setup, channel) => f64::INFINITY,
            Some(p) => p.reached_db + STEP.0,
        }
    }

    /// Refuses `input_v` (the sine with the signal's highest peak) on a channel whose connection is not proven that far.
    pub(super) fn refuse_unproven(
        &self,
        setup: &Setup,
        channel: usize,
        input_v: f64,
        unit: &UnitLimits,
    ) -> Result<()> {
        if unit.sensitivity_v < SENSITIVE_INPUT_V && setup.pad.is_none() {
            return Err(Error::new(
                Kind::Mismatch,
                format!(
                    "the selected input needs only {:.1} mV for full output; without an input pad a slip of the level would overdrive it at once",
                    unit.sensitivity_v * 1e3
                ),
            )
            .next("fit an input pad, name it in the rig file, and select it"));
        }
        let level_db = Decibels::from_amplitude_ratio(input_v / unit.sensitivity_v).0;
        let allowed_db = self.allowed_db(setup, channel);
        // Not "level > allowed": what is not a number must not pass.
        if level_db <= allowed_db + HAIR_DB {
            return Ok(());
        }
        let name = Channel::at(channel);
        Err(Error::new(
            Kind::Value,
            format!(
                "{name}: this would play {level_db:.1} dB re the input's sensitivity over a connection that is proven for no more than {allowed_db:.0} dB"
            ),
        )
        .next("run the connection steps first: they creep up from -60 dB and compare what comes back"))
    }

    /// Notes that a tone of `input_v` is played, whose answer will be heard.
    pub(super) fn ask(&mut self, setup: &Setup, channel: usize, input_v: f64, unit: &UnitLimits) {
        self.asked.push(Asked {
            place: Place::of(setup, channel),
            input_v,
            level_db: Decibels::from_amplitude_ratio(input_v / unit.sensitivity_v).0,
            rated: unit.rated_gain(),
            full_volume: unit.full_volume,
            heard: None,
        });
    }

    /// Compares what came back, V rms at the unit's output, one entry a channel; `None` where there was no tone.
    pub(super) fn answer(&mut self, output_v: &[Option<f64>]) -> Answer {
        let mut off = None;
        for asked in &mut self.asked {
            let channel = Channel::at(asked.place.channel);
            let rated = asked.full_volume.then_some(asked.rated);
            let expected = self.proofs.get(&asked.place).map(|p| p.first).or(rated);
            let heard = output_v.get(asked.place.channel).copied().flatten();
            let gain = heard
                .map(|v| v / asked.input_v)
                .filter(|g| g.is_finite() && *g > 0.0);
            let change_db = |gain: f64| expected.map_or(0.0, |e| Decibels::from_amplitude_ratio(gain / e).0);
            let Some(gain) = gain.filter(|g| change_db(*g) > NOTHING.0) else {
                self.asked.clear();
                return Answer::NoSignal(no_signal(channel));
            };
            let re_rated = Decibels::from_amplitude_ratio(gain / asked.rated);
            // Below full volume any gain may be low; none may be higher.
            let too_low = asked.full_volume && re_rated < ACCEPTED_LOWEST;
            if too_low || re_rated > ACCEPTED_HIGHEST {
                self.asked.clear();
                return Answer::WrongConnection(no_units_gain(channel, re_rated));
            }
            asked.heard = Some(gain);
            let change = change_db(gain);
            // Not "change > limit": what is not a number must not pass.
            if change.abs() <= WRONG_GAIN.0 {
                continue;
            }
            let first = !self.proofs.contains_key(&asked.place);
            off.get_or_insert_with(|| wrong_gain(channel, change, first));
        }
        match off {
            Some(error) => Answer::Off(error),
            None => {
                self.keep(false);
                Answer::AsExpected
            }
        }
    }

    /// Keeps the gains heard last as those that are expected from now on.
    pub(super) fn accept(&mut self) {
        self.keep(true);
    }

    fn keep(&mut self, as_first: bool) {
        for asked in self.asked.drain(..) {
            let Some(gain) = asked.heard else { continue };
            let proof = self.proofs.entry(asked.place).or_insert(Proof {
                first: gain,
                gain,
                reached_db: asked.level_db,
            });
            proof.gain = gain;
            proof.reached_db = proof.reached_db.max(asked.level_db);
            if as_first {
                proof.first = gain;
            }
        }
    }
}

fn no_signal(channel: Channel) -> Error {
    Error::new(
        Kind::Unavailable,
        format!("no signal: nothing comes back on the {channel} channel"),
    )
    .next("check cables, input selector, volume control, speaker switch and mute; do not turn the level up")
}

fn no_units_gain(channel: Channel, re_rated: Decibels) -> Error {
    let (way, next) = if re_rated.0 > 0.0 {
        (
            "higher",
            "the tap or the pad that is fitted is not the one that the rig names, or the input is another one",
        )
    } else {
        (
            "lower",
            "a plug is not fully in, the volume does not stand at full, a mute or the balance takes it away, or the tap or pad is not the one that the rig names. A unit that really amplifies so little is repaired before it is measured at power",
        )
    };
    Error::new(
        Kind::Mismatch,
        format!(
            "the {channel} channel amplifies {:.1} dB {way} than the specification says: this is a connection, not a unit",
            re_rated.0.abs()
        ),
    )
    .next(format!(
        "nothing louder is played, and it cannot be confirmed (from {:.0} to +{:.0} dB can): {next}",
        ACCEPTED_LOWEST.0, ACCEPTED_HIGHEST.0
    ))
}

fn wrong_gain(channel: Channel, change_db: f64, first: bool) -> Error {
    let way = if change_db > 0.0 { "higher" } else { "lower" };
    let than = if first {
        "than the specification says"
    } else {
        "than at the step before, 20 dB below"
    };
    let next = match (first, change_db > 0.0) {
        (true, true) => {
            "check that the rig's tap and pad are the ones that are fitted, that the tone controls are flat and the load is connected; if the unit itself is so, confirm it"
        }
        (true, false) => {
            "check that the volume stands at full, the balance in the middle, the tap and pad are the ones that are fitted and the load has the right value; if the unit itself is so, confirm it"
        }
        (false, _) => {
            "check for a loose plug, a control that was moved and an interface whose level is not fixed; a unit that distorts faint signals does this too: if it is so, confirm it"
        }
    };
    Error::new(
        Kind::Mismatch,
        format!(
            "the {channel} channel amplifies {:.1} dB {way} {than}",
            change_db.abs()
        ),
    )
    .next(format!("nothing louder is played: {next}"))
}
