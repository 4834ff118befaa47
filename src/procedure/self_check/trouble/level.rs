//! Levels that do not follow what was played, and what holds them.

use super::super::{
    ChannelCheck, LEVELS_DBFS, OwnDistortion, Purpose, REFERENCE_STEP_DBFS, STEP_DB, SelfCheck, Step,
};
use super::{Evidence, FEW_BITS, Kind, Trouble, named, those, trouble};
use crate::figure::Channel;

/// A tone of −100 dBFS whose level is known this well, dB, comes through no converter: noise of σ leaves an amplitude a an
/// uncertainty of σ√(2/N), so that in 1.5 s at 48 kHz the noise beside it is below −139 dBFS, where the best converters
/// have −130. Silence is exact zeros there by right.
const NO_CONVERTER_DB: f64 = 0.001;
const FAINTEST_DBFS: f64 = -95.0;

/// How far the level of one steady tone may wander, dB, beyond what noise explains.
const WANDER_DB: f64 = 0.05;

/// Differences of half-seconds that noise alone makes, in standard uncertainties of one.
const WANDER_BY_NOISE: f64 = 8.0;

/// Distortion at the highest level this much above that at −6 dBFS is no longer the growth of second and third
/// harmonics, which gain 5 and 10 dB on the fundamental over 5 dB.
const JUMP_DB: f64 = 18.0;

/// And it matters from here on, %.
const JUMP_PERCENT: f64 = 0.01;

/// Levels that do not follow: what regulates them.
pub(super) fn of_level(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let allowed = WANDER_DB.max(WANDER_BY_NOISE * evidence.wander_u_db);
    let regulated = those(check, |c| {
        c.wander_db.is_some_and(|db| db > allowed) || faint(c).any(|d| d > 10.0 * STEP_DB)
    });
    // The last bit swallows what is below it: that is no gate.
    let gated = those(check, |c| {
        !has_few_bits(c)
            && !regulated.contains(&c.channel)
            && (swallowed(c) || is_digital_silence(c, evidence))
    });
    let limited = those(check, |c| !regulated.contains(&c.channel) && is_limited(c));
    let odd = those(check, |c| {
        let known = [&regulated, &gated, &limited]
            .iter()
            .any(|list| list.contains(&c.channel));
        !known && !has_few_bits(c) && c.steps.iter().any(Step::is_off)
    });
    let mut out = Vec::new();
    out.extend((!regulated.is_empty()).then(|| automatic_gain(check, regulated)));
    out.extend((!gated.is_empty()).then(|| gate(gated)));
    out.extend((!limited.is_empty()).then(|| limiter(limited)));
    out.extend((!odd.is_empty()).then(|| not_linear(odd)));
    out
}

fn has_few_bits(c: &ChannelCheck) -> bool {
    c.bits.is_some_and(|b| b <= FEW_BITS)
}

fn automatic_gain(check: &SelfCheck, channels: Vec<Channel>) -> Trouble {
    let most = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0, f64::max);
    let wander = most(&mut check.channels.iter().filter_map(|c| c.wander_db));
    let off = most(&mut check.channels.iter().flat_map(faint).map(f64::abs));
    let what = format!(
        "{}: the level is regulated (a steady tone wanders by {wander:.2} dB, faint tones are off by {off:.1} dB): \
         automatic gain, a compressor, or a voice filter",
        named(&channels)
    );
    trouble(
        Kind::AutomaticGain,
        channels,
        what,
        "switch off every enhancement, automatic gain and voice filter in the system's sound settings and in the \
         interface's own mixer",
        &Purpose::ALL,
    )
}

fn gate(channels: Vec<Channel>) -> Trouble {
    let what = format!(
        "{}: faint tones and noise are swallowed: a noise gate or noise suppression",
        named(&channels)
    );
    let next = "switch off noise suppression and voice processing in the system's sound settings";
    trouble(Kind::Gate, channels, what, next, &Purpose::ALL)
}

fn limiter(channels: Vec<Channel>) -> Trouble {
    let what = format!(
        "{}: near full scale the level is held down or distortion jumps: a limiter in the system's mixer, or an input \
         stage that clips before its converter",
        named(&channels)
    );
    trouble(
        Kind::Limiter,
        channels,
        what,
        "open the interface directly instead of through the system's mixer; else keep levels below -6 dBFS",
        &[Purpose::Power, Purpose::Distortion],
    )
}

fn not_linear(channels: Vec<Channel>) -> Trouble {
    let what = format!(
        "{}: the level does not follow its steps within {STEP_DB} dB",
        named(&channels)
    );
    trouble(
        Kind::NotLinear,
        channels,
        what,
        "look at the steps below; switch off all processing, and try another input",
        &[Purpose::Power, Purpose::Distortion, Purpose::Response],
    )
}

/// Deviations of the steps below the reference that are beyond their uncertainty.
fn faint(c: &ChannelCheck) -> impl Iterator<Item = f64> {
    c.steps
        .iter()
        .filter(|s| s.level_dbfs < REFERENCE_STEP_DBFS && s.level_dbfs > -85.0 && s.is_off())
        .filter_map(|s| s.deviation_db)
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
    cabled.is_some_and(|f| f.zeros) && !has_no_converter(c)
}

fn has_no_converter(c: &ChannelCheck) -> bool {
    c.steps
        .iter()
        .filter(|s| s.level_dbfs < FAINTEST_DBFS && s.deviation_db.is_some())
        .any(|s| s.expanded_db < NO_CONVERTER_DB)
}

fn is_limited(c: &ChannelCheck) -> bool {
    let held = c.steps.iter().any(|s| {
        s.level_dbfs > REFERENCE_STEP_DBFS && s.deviation_db.is_some_and(|d| d < -STEP_DB - s.expanded_db)
    });
    let near = |level: f64| {
        let distance = move |d: &&OwnDistortion| (d.level_dbfs - level).abs();
        c.distortion
            .iter()
            .min_by(|a, b| distance(a).total_cmp(&distance(b)))
    };
    let jumps = c
        .distortion
        .first()
        .zip(near(LEVELS_DBFS[2]))
        .is_some_and(|(top, calm)| {
            let db = 20.0 * (top.thd_percent / calm.thd_percent).log10();
            db > JUMP_DB && top.thd_percent > JUMP_PERCENT
        });
    held || jumps
}
