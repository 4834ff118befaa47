//! What is wrong or remarkable with a path, named for what it is.
//!
//! Every rule looks at what was recorded, never at what a driver says of itself. Each limit is so far from what a sound
//! path does that a sound one raises nothing.

use super::{ChannelCheck, Floor, LEVELS_DBFS, Purpose, SelfCheck, TONE_HZ};
use crate::figure::Channel;
use crate::take::alignment::ChannelOrder;
use serde::Serialize;

/// How far a level may be from its step, dB, beyond its uncertainty. Common practice: a step of 20 dB reads 20.00 ± 0.05.
const STEP_DB: f64 = 0.05;

/// How far the level of one steady tone may wander, dB, beyond what noise explains.
const WANDER_DB: f64 = 0.05;

/// Differences of half-seconds that noise alone makes, in standard uncertainties of one.
const WANDER_BY_NOISE: f64 = 8.0;

/// How far the gain of the path may be from its calibration before volts are doubtful, dB. Common practice.
pub const GAIN_DB: f64 = 0.1;

/// A gain further off is no knob that was touched.
const CABLE_DB: f64 = 3.0;

/// Distortion at the highest level this much above that at −6 dBFS is no longer the growth of second and third
/// harmonics, which gain 5 and 10 dB on the fundamental over 5 dB.
const JUMP_DB: f64 = 18.0;

/// And it matters from here on, %.
const JUMP_PERCENT: f64 = 0.01;

/// One clock for both directions is exact; two crystals are never as near to each other, ppm.
const ONE_CLOCK_PPM: f64 = 0.5;

/// No two crystals are so far apart, ppm: rates were mistaken for each other.
const WRONG_RATE_PPM: f64 = 1_000.0;

/// Combs above this re the noise in 20 Hz–20 kHz are worth a word, dB.
const COMB_DB: f64 = -6.0;

/// Crosstalk from which channels are not apart, dB: less than an ordinary cable and an ordinary input have.
const CROSSTALK_DB: f64 = -60.0;

/// Skirts that matter, dB re the tone.
const SKIRTS_DB: f64 = -80.0;

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
        found.extend(of_level(check, evidence));
        found.extend(of_conversion(check, evidence));
        found.extend(of_gain(check, evidence));
        found.extend(of_sound(check, evidence));
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
    check.channels.iter().filter(|c| test(c)).map(|c| c.channel).collect()
}

fn named(channels: &[Channel]) -> String {
    channels.iter().map(Channel::to_string).collect::<Vec<_>>().join(" and ")
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
    let excess = |c: &ChannelCheck| c.gain_db.zip(c.expected_gain_db).map(|(g, e)| g - e);
    let loud = those(check, |c| excess(c).is_some_and(|db| db > CABLE_DB));
    if !loud.is_empty() {
        let most = check.channels.iter().filter_map(excess).fold(0.0, f64::max);
        out.push(trouble(
            Kind::NoCable,
            loud.clone(),
            format!(
                "{}: the faint first tone comes back {most:.1} dB louder than through a cable: an amplifier is in the \
                 path, or the input gain was turned up after the calibration. Nothing louder was played",
                named(&loud)
            ),
            "cable output to input directly; set the input gain to where it was calibrated, or calibrate again",
            &Purpose::ALL,
        ));
    }
    out
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
    let swapped = evidence.order.iter().filter(|o| **o == ChannelOrder::Swapped).count();
    if swapped * 2 > evidence.order.len() {
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

/// Levels that do not follow: what regulates them.
fn of_level(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let mut out = Vec::new();
    let allowed = WANDER_DB.max(WANDER_BY_NOISE * evidence.wander_u_db);
    let wanders = those(check, |c| c.wander_db.is_some_and(|db| db > allowed));
    let lifted = those(check, |c| faint(c).any(|d| d > 10.0 * STEP_DB));
    let regulated: Vec<Channel> = those(check, |c| wanders.contains(&c.channel) || lifted.contains(&c.channel));
    if !regulated.is_empty() {
        let most = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0, f64::max);
        let wander = most(&mut check.channels.iter().filter_map(|c| c.wander_db));
        let off = most(&mut check.channels.iter().flat_map(|c| faint(c)).map(f64::abs));
        out.push(trouble(
            Kind::AutomaticGain,
            regulated.clone(),
            format!(
                "{}: the level is regulated (a steady tone wanders by {wander:.2} dB, faint tones are off by {off:.1} \
                 dB): automatic gain, a compressor, or a voice filter",
                named(&regulated)
            ),
            "switch off every enhancement, automatic gain and voice filter in the system's sound settings and in the \
             interface's own mixer",
            &Purpose::ALL,
        ));
    }
    let few = |c: &ChannelCheck| c.bits.is_some_and(|b| b <= FEW_BITS);
    // The last bit swallows what is below it: that is no gate.
    let gated = those(check, |c| {
        !few(c) && !regulated.contains(&c.channel) && (swallowed(c) || is_digital_silence(c, evidence))
    });
    if !gated.is_empty() {
        out.push(trouble(
            Kind::Gate,
            gated.clone(),
            format!("{}: faint tones and noise are swallowed: a noise gate or noise suppression", named(&gated)),
            "switch off noise suppression and voice processing in the system's sound settings",
            &Purpose::ALL,
        ));
    }
    let limited = those(check, |c| !regulated.contains(&c.channel) && is_limited(c));
    if !limited.is_empty() {
        out.push(trouble(
            Kind::Limiter,
            limited.clone(),
            format!(
                "{}: near full scale the level is held down or distortion jumps: a limiter in the system's mixer, or \
                 an input stage that clips before its converter",
                named(&limited)
            ),
            "open the interface directly instead of through the system's mixer; else keep levels below -6 dBFS",
            &[Purpose::Power, Purpose::Distortion],
        ));
    }
    let odd = those(check, |c| {
        let known = [&regulated, &gated, &limited].iter().any(|list| list.contains(&c.channel));
        !known && !few(c) && c.steps.iter().any(is_off)
    });
    if !odd.is_empty() {
        out.push(trouble(
            Kind::NotLinear,
            odd.clone(),
            format!("{}: the level does not follow its steps within {STEP_DB} dB", named(&odd)),
            "look at the steps below; switch off all processing, and try another input",
            &[Purpose::Power, Purpose::Distortion, Purpose::Response],
        ));
    }
    out
}

/// Deviations of the steps below the reference that are beyond their uncertainty.
fn faint(c: &ChannelCheck) -> impl Iterator<Item = f64> {
    c.steps
        .iter()
        .filter(|s| s.level_dbfs < super::REFERENCE_STEP_DBFS && s.level_dbfs > -85.0 && is_off(s))
        .filter_map(|s| s.deviation_db)
}

fn is_off(step: &super::Step) -> bool {
    step.deviation_db
        .is_some_and(|d| d.abs() > STEP_DB + 1.5 * step.expanded_db)
}

/// Whether tones that stand far above the floor are missing or much too faint.
fn swallowed(c: &ChannelCheck) -> bool {
    let floor = c.floor.as_ref().map_or(-90.0, |f| f.flat_dbfs);
    c.steps
        .iter()
        .filter(|s| s.level_dbfs > floor)
        .any(|s| s.deviation_db.is_none_or(|d| d < -1.0))
}

fn is_digital_silence(c: &ChannelCheck, evidence: &Evidence) -> bool {
    let cabled = c.channel.index().and_then(|i| evidence.cabled.get(i));
    cabled.is_some_and(|f| f.zeros)
}

fn is_limited(c: &ChannelCheck) -> bool {
    let held = c.steps.iter().any(|s| {
        s.level_dbfs > LEVELS_DBFS[4] + 1.0
            && s.level_dbfs > super::REFERENCE_STEP_DBFS
            && s.deviation_db.is_some_and(|d| d < -STEP_DB - s.expanded_db)
    });
    let near = |level: f64| {
        let distance = move |d: &&super::OwnDistortion| (d.level_dbfs - level).abs();
        c.distortion.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)))
    };
    let jumps = c.distortion.first().zip(near(LEVELS_DBFS[2])).is_some_and(|(top, calm)| {
        let db = 20.0 * (top.thd_percent / calm.thd_percent).log10();
        db > JUMP_DB && top.thd_percent > JUMP_PERCENT
    });
    held || jumps
}

/// Signs of resampling and of clocks.
fn of_conversion(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let mut out = Vec::new();
    if let Some(why) = &evidence.sweep_refused {
        out.push(trouble(
            Kind::SweepRefused,
            Vec::new(),
            format!("the sweep that came back is of no use: {why}"),
            "remove what changes signals on their way (enhancements, automatic gain, conversion of rates), then check again",
            &[Purpose::Response, Purpose::Separation],
        ));
    }
    let ends = |c: &ChannelCheck| c.response.as_ref().and_then(|r| r.cut_off_hz);
    let cut = those(check, |c| ends(c).is_some());
    if let Some(hz) = check.channels.iter().find_map(ends) {
        out.push(trouble(
            Kind::Converted,
            cut,
            format!(
                "nothing above {:.1} kHz comes back at {} kHz: somewhere on the way the rate is only about {:.0} kHz",
                hz / 1000.0,
                f64::from(check.sample_rates_hz[1]) / 1000.0,
                2.0 * hz / 1000.0 * 1.08
            ),
            "set the interface and the system's mixer to the rate that is asked for, or check at the lower rate (--rate)",
            &[Purpose::Response],
        ));
    }
    if let Some(clock) = check.clock {
        if clock.ppm.abs() > ONE_CLOCK_PPM + 3.0 * clock.u_ppm {
            out.push(trouble(
                Kind::TwoClocks,
                Vec::new(),
                format!(
                    "the recording clock is {:.1} ppm {} than the playing clock: two devices, or a conversion in between. \
                     Figures are corrected for it",
                    clock.ppm.abs(),
                    if clock.ppm > 0.0 { "faster" } else { "slower" }
                ),
                "better play and record on one device",
                &[],
            ));
        }
    }
    let skirts = |c: &ChannelCheck| c.skirts.filter(|s| !s.at_most && s.db > SKIRTS_DB);
    let wide = those(check, |c| skirts(c).is_some());
    if let Some(worst) = check.channels.iter().filter_map(skirts).max_by(|a, b| a.db.total_cmp(&b.db)) {
        out.push(trouble(
            Kind::Skirts,
            wide,
            format!(
                "beside a tone of 10 kHz stand skirts of {:.0} dB: an unsteady clock (jitter of {:.1} ns) or a conversion",
                worst.db,
                worst.jitter_s * 1e9
            ),
            "clock the interface from its own crystal, and avoid conversion of rates",
            &[],
        ));
    }
    out
}

fn of_gain(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let off = |c: &ChannelCheck| {
        let u = c.channel.index().and_then(|i| evidence.expected_u_db.get(i)).copied().unwrap_or(0.0);
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

/// What is heard beside the signal, and its sign.
fn of_sound(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let mut out = Vec::new();
    let loud = |pick: fn(&Floor) -> Option<f64>| {
        let mut worst: Option<(Channel, f64)> = None;
        for (index, floor) in evidence.cabled.iter().enumerate() {
            let found = pick(floor).filter(|db| *db > floor.flat_dbfs + COMB_DB);
            if let Some(db) = found.filter(|db| worst.is_none_or(|(_, w)| *db > w)) {
                worst = Some((Channel::at(index), db));
            }
        }
        worst
    };
    if let Some((channel, db)) = loud(|f| f.hum_dbfs) {
        out.push(trouble(
            Kind::Hum,
            vec![channel],
            format!("mains hum of {db:.0} dBFS with nothing but cables connected ({channel}): a ground loop"),
            "plug computer and interface into one outlet strip, try the computer on battery, use balanced cables; never \
             lift a safety earth",
            &[],
        ));
    }
    if let Some((channel, db)) = loud(|f| f.bus_dbfs) {
        out.push(trouble(
            Kind::BusNoise,
            vec![channel],
            format!("lines at multiples of 1 kHz, {db:.0} dBFS ({channel}): the USB bus is heard through the ground"),
            "try another USB port or a powered hub, and the computer on battery",
            &[],
        ));
    }
    let coarse = those(check, |c| c.bits.is_some_and(|b| b <= FEW_BITS));
    if let Some(bits) = check.channels.iter().filter_map(|c| c.bits.filter(|b| *b <= FEW_BITS)).min() {
        out.push(trouble(
            Kind::FewBits,
            coarse.clone(),
            format!("{}: the samples have only {bits} bits; what is fainter than their last bit is lost", named(&coarse)),
            "choose a 24-bit format for the interface in the system's sound settings",
            &[],
        ));
    }
    let worst = check.channels.iter().flat_map(|c| &c.crosstalk).map(|c| c.db).fold(f64::NEG_INFINITY, f64::max);
    let swapped = evidence.order.contains(&ChannelOrder::Swapped);
    if worst > CROSSTALK_DB && !swapped && !evidence.twice {
        out.push(trouble(
            Kind::Crosstalk,
            vec![Channel::Left, Channel::Right],
            format!("{:.0} dB of one channel arrive in the other", worst),
            "switch off monitoring and mixing in the interface's mixer, and check the cables' grounds",
            &[Purpose::Separation],
        ));
    }
    let inverted = those(check, |c| c.polarity == Some(-1));
    if !inverted.is_empty() {
        out.push(trouble(
            Kind::Inverted,
            inverted.clone(),
            format!("{}: polarity is inverted", named(&inverted)),
            "check which way round the cable or the balanced plug is wired; levels and distortion are not affected",
            &[],
        ));
    }
    out
}
