//! What is wrong or remarkable with a path, named for what it is.
//!
//! Every rule looks at what was recorded, never at what a driver says of itself. Each limit is so far from what a sound
//! path does that a sound one raises nothing.

mod conversion;
mod level;
mod sound;

use super::{ChannelCheck, Floor, Purpose, SelfCheck, TONE_HZ};
use crate::figure::Channel;
use crate::take::alignment::ChannelOrder;
use serde::Serialize;

/// How far the gain of the path may be from its calibration before volts are doubtful, dB. Common practice.
pub const GAIN_DB: f64 = 0.1;

/// A cable is no louder than the calibration says. More than this above it is no cable, and no knob that was touched.
pub(super) const CABLE_DB: f64 = 3.0;

/// No two crystals are so far apart, ppm: rates were mistaken for each other.
const WRONG_RATE_PPM: f64 = 1_000.0;

/// Samples of so few bits limit noise and faint distortion.
const FEW_BITS: u16 = 16;

/// What it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Exact zeros: nothing was recorded at all.
    Muted,
    /// No tone comes back.
    NoSignal,
    /// A tone of another frequency comes back.
    WrongRate,
    /// More comes back than a cable lets through.
    NoCable,
    /// Left and right changed places.
    Swapped,
    /// One channel was recorded twice.
    OneTwice,
    /// The level is regulated.
    AutomaticGain,
    /// Faint signals are swallowed.
    Gate,
    /// Loud signals are held down.
    Limiter,
    /// The level does not follow for no reason that has a name.
    NotLinear,
    /// The sweep that came back means nothing.
    SweepRefused,
    /// The path passes less than its rate promises.
    Converted,
    /// The gain is not that of the calibration.
    GainMoved,
    /// The channels are not apart.
    Crosstalk,
    /// Samples of 16 bits or fewer.
    FewBits,
    /// Mains hum.
    Hum,
    /// Lines of a bus clock.
    BusNoise,
    /// Two clocks.
    TwoClocks,
    /// Skirts beside a loud tone.
    Skirts,
    /// Polarity is inverted.
    Inverted,
}

/// One of them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trouble {
    /// What it is.
    pub kind: Kind,
    /// Of which channels.
    pub channels: Vec<Channel>,
    /// What was seen and what it is, in plain words.
    pub what: String,
    /// What to change.
    pub next: String,
    /// What the bench is not fit for because of it; empty where it is only worth knowing.
    pub spoils: Vec<Purpose>,
}

/// What was seen beside the numbers of [`SelfCheck`].
#[derive(Debug, Default)]
pub(super) struct Evidence {
    /// The floor with the idle outputs cabled to the inputs.
    pub(super) cabled: Vec<Floor>,
    /// Whether every sample of the first tone was zero, by channel; empty where the tone came back.
    pub(super) silent: Vec<bool>,
    /// The frequency heard instead of the first tone.
    pub(super) heard_hz: Option<f64>,
    /// Standard uncertainty of the expected gain, dB, by channel.
    pub(super) expected_u_db: Vec<f64>,
    /// Order of the channels in each take with one side driven.
    pub(super) order: Vec<ChannelOrder>,
    /// Whether both channels are one recording.
    pub(super) twice: bool,
    /// Why the sweep was refused.
    pub(super) sweep_refused: Option<String>,
    /// Standard uncertainty of a half-second's level, dB.
    pub(super) wander_u_db: f64,
}

/// Every trouble of a check, worst first.
pub(super) fn all(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let mut found = nothing_heard(check, evidence);
    if found.is_empty() {
        found.extend(of_pair(evidence));
        found.extend(level::of_level(check, evidence));
        found.extend(conversion::of_conversion(check, evidence));
        found.extend(of_gain(check, evidence));
        found.extend(sound::of_sound(check, evidence));
    }
    found.sort_by_key(|t| t.kind);
    found
}

fn trouble(kind: Kind, channels: Vec<Channel>, what: String, next: &str, spoils: &[Purpose]) -> Trouble {
    Trouble {
        kind,
        channels,
        what,
        next: next.to_owned(),
        spoils: spoils.to_vec(),
    }
}

/// The channels of which `test` holds.
fn those(check: &SelfCheck, test: impl Fn(&ChannelCheck) -> bool) -> Vec<Channel> {
    check
        .channels
        .iter()
        .filter(|c| test(c))
        .map(|c| c.channel)
        .collect()
}

fn named(channels: &[Channel]) -> String {
    channels
        .iter()
        .map(Channel::to_string)
        .collect::<Vec<_>>()
        .join(" and ")
}

fn nothing_heard(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let mut out = Vec::new();
    let is_silent = |c: Channel| c.index().and_then(|i| evidence.silent.get(i)) == Some(&true);
    let muted = those(check, |c| is_silent(c.channel));
    if !muted.is_empty() {
        out.push(trouble(
            Kind::Muted,
            muted.clone(),
            format!("{}: every sample is exactly zero: nothing was recorded", named(&muted)),
            "unmute the input in the system's mixer, let this program record, and check that no other program holds the \
             interface",
            &Purpose::ALL,
        ));
    }
    let deaf = those(check, |c| c.gain_db.is_none() && !is_silent(c.channel));
    match evidence.heard_hz.filter(|hz| (hz / TONE_HZ - 1.0).abs() * 1e6 > WRONG_RATE_PPM) {
        Some(hz) if !deaf.is_empty() => out.push(trouble(
            Kind::WrongRate,
            deaf,
            format!("a tone of {TONE_HZ:.0} Hz comes back as {hz:.0} Hz: playing and recording run at different rates"),
            "set the interface to one sample rate for both directions, in its own panel and in the system's mixer",
            &Purpose::ALL,
        )),
        _ if !deaf.is_empty() => out.push(trouble(
            Kind::NoSignal,
            deaf.clone(),
            format!("{}: the tone that was played does not come back", named(&deaf)),
            "check the cable, the numbers of outputs and inputs in the rig file, and the interface's monitor and gain \
             controls",
            &Purpose::ALL,
        )),
        _ => {}
    }
    out.extend(no_cable(check));
    out
}

fn no_cable(check: &SelfCheck) -> Option<Trouble> {
    let excess = |c: &ChannelCheck| {
        let above = c
            .gain_db
            .zip(c.expected_gain_db)
            .map(|(gain, expected)| gain - expected);
        above.filter(|db| *db > CABLE_DB)
    };
    let most = check.channels.iter().filter_map(excess).reduce(f64::max)?;
    let loud = those(check, |c| excess(c).is_some());
    let what = format!(
        "{}: the faint first tone comes back {most:.1} dB louder than through a cable: an amplifier is in the path, or the \
         input gain was turned up after the calibration. Nothing louder was played",
        named(&loud)
    );
    Some(trouble(
        Kind::NoCable,
        loud,
        what,
        "cable output to input directly; set the input gain to where it was calibrated, or calibrate again",
        &Purpose::ALL,
    ))
}

fn of_pair(evidence: &Evidence) -> Vec<Trouble> {
    let both = || vec![Channel::Left, Channel::Right];
    let mut out = Vec::new();
    if evidence.twice {
        out.push(trouble(
            Kind::OneTwice,
            both(),
            "left and right are equal bit for bit: one input is recorded twice".to_owned(),
            "choose two inputs in the rig file, and switch off mono in the interface's mixer",
            &Purpose::ALL,
        ));
    }
    let seen = |order| evidence.order.contains(&order);
    if seen(ChannelOrder::Swapped) && !seen(ChannelOrder::AsPlayed) {
        out.push(trouble(
            Kind::Swapped,
            both(),
            "left and right have changed places between outputs and inputs".to_owned(),
            "exchange the two cables at one end, or the channel numbers in the rig file",
            &Purpose::ALL,
        ));
    }
    out
}

fn of_gain(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let off = |c: &ChannelCheck| {
        let u = c
            .channel
            .index()
            .and_then(|i| evidence.expected_u_db.get(i))
            .copied()
            .unwrap_or(0.0);
        c.gain_db
            .zip(c.expected_gain_db)
            .map(|(g, e)| g - e)
            .filter(|db| db.abs() > GAIN_DB + 2.0 * u)
    };
    let moved = those(check, |c| off(c).is_some());
    if moved.is_empty() {
        return Vec::new();
    }
    let each: Vec<String> = check
        .channels
        .iter()
        .filter_map(|c| Some(format!("{} {:+.2} dB", c.channel, off(c)?)))
        .collect();
    vec![trouble(
        Kind::GainMoved,
        moved,
        format!(
            "the gain from output to input is not that of the calibration ({}): a knob, a pad or a slider was moved; \
             volts and watts would be wrong by as much",
            each.join(", ")
        ),
        "put the controls back to where they were calibrated, or calibrate again with asleft rig new",
        &[Purpose::Power, Purpose::Noise],
    )]
}
