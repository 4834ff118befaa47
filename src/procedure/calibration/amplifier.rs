//! The load, and what is read at an amplifier's terminals.

use super::answers::Answers;
use super::attenuators::RATIO_WITHIN;
use super::bare::{again, each, shown};
use super::gate::Driving;
use super::settings::Settings;
use super::step::{Amplify, Ask, Measure, Reading, Step, Trial, Walked, ready};
use super::{arithmetic, output_alone};
use crate::figure::Channel;
use crate::procedure::operator::{Notice, Weight};
use crate::procedure::plan::FULL_VOLUME;
use crate::quantity::{Decibels, Estimate, Ohms, Volts, Watts};
use crate::rig::ceiling::FIRST_RE_SENSITIVITY;
use crate::rig::{Calibrated, Rig, Tap};
use crate::signal::take::Setup;

/// Volts at the terminals that are enough for a meter.
const ENOUGH_V: f64 = 5.0;

/// The same as a share of the limit, where a small load sets that lower: 2 dB stay below it.
const ENOUGH_OF_LIMIT: f64 = 0.8;

/// Part of its rating that a load bears for ever on a bench, and part of its rated power that a unit does (16 CFR 432): what
/// [`crate::rig::ceiling`] lets play without a rest.
const FOR_EVER_LOAD: f64 = 0.5;
/// See [`FOR_EVER_LOAD`].
const FOR_EVER_UNIT: f64 = 0.125;

/// How far the multimeter and the program may be apart at the terminals. Common practice, no source.
const AGREE_WITHIN: f64 = 0.02;

/// The load of a channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Load {
    pub(super) resistance: Estimate,
    pub(super) key: String,
    pub(super) shown: f64,
}

/// Loads, left first, and their rating, W.
pub(super) fn loads(s: &Settings, a: &Answers) -> Walked<(Vec<Load>, f64)> {
    let leads = Ask::number(
        "leads-ohm",
        "Touch the two probes together and hold them. The meter shows",
        "Ω",
        [0.0, 5.0],
    )
    .example("0.2")
    .after(vec![
        Notice::caution(
            "Disconnect the dummy load from everything. It must be cold.",
            "With voltage on it, or anything in parallel, a meter on ohms reads wrong and can be damaged.",
        ),
        Notice::step("Set the multimeter to its lowest range of ohms.", ""),
    ])
    .why("The leads' own resistance is subtracted: 0.2 Ω of 8 Ω would be 2.5 % of all watts.")
    .number_in(a)?;
    let loads = each(|c| {
        let side = Channel::at(c);
        let key = format!("load-{side}-ohm");
        let text = format!("Press the probes onto the {side} load's own terminals. The meter shows");
        let shown = Ask::number(&key, text, "Ω", [0.5, 1_000.0])
            .example("8.1")
            .number_in(a)?;
        let total = s.meter.ohms(shown, &key);
        let resistance = arithmetic::without_leads(&total, &s.meter.ohms(leads, "leads-ohm"));
        if resistance.value < 0.5 {
            return Err(again(
                &["leads-ohm", &key],
                format!("{side}: {shown} Ω less {leads} Ω is no load."),
            ));
        }
        Ok(Load {
            resistance,
            key,
            shown,
        })
    })?;
    let rating_w = Ask::number("load-rating-w", "Continuous rating of one load as mounted, in watts", "W", [0.1, 1e5])
        .example("100")
        .why("Resistors in a metal case carry their printed watts only on a large heatsink, and a fraction without.")
        .number_in(a)?;
    Ok((loads, rating_w))
}

/// A tap at an amplifier's terminals, as far as it is known.
pub(super) struct Tapped<'t> {
    pub(super) name: &'t str,
    pub(super) input_full_scale_v: f64,
    pub(super) ratio: f64,
    pub(super) source_ohm: f64,
    /// How far the meter may be from it, relative.
    pub(super) within: f64,
    /// Keys of what is asked again where it is further.
    pub(super) suspects: Vec<String>,
}

impl Tapped<'_> {
    fn volts_at_full_scale(&self) -> f64 {
        self.input_full_scale_v / self.ratio
    }

    /// The rig with this tap, so that what comes back can be predicted and guarded.
    fn on(&self, rig: &Rig) -> Rig {
        let mut rig = rig.clone();
        if rig.taps.iter().all(|t| t.name != self.name) {
            let ratio = Calibrated {
                value: self.ratio,
                u_percent: 100.0 * self.within,
                source: "resistors as marked".to_owned(),
                date: String::new(),
            };
            rig.taps.push(Tap {
                name: self.name.to_owned(),
                ratio: vec![ratio; rig.channels.len()],
                source_impedance_ohm: self.source_ohm,
            });
        }
        rig
    }
}

/// Drives an amplifier into its load and reads at its terminals through `tap`.
pub(super) fn drive(
    s: &Settings,
    a: &Answers,
    driving: &dyn Fn() -> Walked<Driving>,
    key: &str,
    channel: usize,
    tap: &Tapped<'_>,
) -> Walked<Reading> {
    let side = Channel::at(channel);
    let key = format!("{key}-{side}");
    let mut measure = Measure {
        opening: s.opening.clone(),
        notices: notices(channel, tap.name),
        ready: None,
        channel,
        frequency_hz: s.tone_hz,
        level_dbfs: f64::NAN,
        seconds: f64::NAN,
        setup: Setup {
            driven: Some(output_alone(channel)),
            tap: Some(tap.name.to_owned()),
            volume: Some(FULL_VOLUME.to_owned()),
            loaded: Some(true),
            ..Setup::default()
        },
        meter: shown(&key),
        listens: true,
        trial: Trial::Unmoved,
        suspects: tap.suspects.clone(),
        key,
    };
    if let Some(read) = measure.read(a) {
        return Ok(read);
    }
    let driving = driving()?;
    let Some(of) = driving.rig.channels.get(channel) else {
        return Err(again(
            &["output"],
            format!("{side}: the output is not calibrated yet."),
        ));
    };
    measure.seconds = driving.reading_s;
    let level = |volts: f64| Decibels::from_amplitude_ratio(volts / of.output_full_scale_v.value).0;
    let unit = driving.unit;
    let bears = Watts(FOR_EVER_LOAD * of.load_rating_w).volts_across(Ohms(of.load_ohm.value));
    let limit_v = driving.limit_v.min(bears.0).min(unit.rated_v());
    measure.ready = ready(
        format!(
            "Are both loads on, is all this so, and may the tone rise until the {side} terminals carry at most {limit_v:.1} V?"
        ),
        Weight::Caution,
    );
    // Sensitivity is for rated power at full volume: no more is ever needed.
    let most_v = unit.sensitivity_v.min(driving.rig.ceiling_v);
    Err(Box::new(Step::Amplify(Box::new(Amplify {
        measure,
        rig: tap.on(&driving.rig),
        from_dbfs: level(unit.sensitivity_v) + FIRST_RE_SENSITIVITY.0,
        most_dbfs: level(most_v),
        volts_at_full_scale: tap.volts_at_full_scale(),
        enough_v: ENOUGH_V
            .min(ENOUGH_OF_LIMIT * limit_v)
            .min(unit.rated_v() * FOR_EVER_UNIT.sqrt()),
        limit_v,
        within: tap.within,
        unit,
    }))))
}

/// Said for each channel: what hurts does not hurt less on the second.
fn notices(channel: usize, tap: &str) -> Vec<Notice> {
    let side = Channel::at(channel);
    vec![
        Notice::caution(
            "Switch the amplifier off and pull its mains plug before anything is connected. Follow local rules, and leave \
             work inside to those licensed for it.",
            "",
        ),
        Notice::caution(
            "No loudspeaker and no headphone is connected. Connect both loads, the left one to the left terminals and the \
             right one to the right, away from anything that burns; they stay on as long as the amplifier is.",
            "A steady tone burns tweeters, a load gets hot enough to burn skin, and some amplifiers suffer without one.",
        ),
        Notice::step(
            format!(
                "Connect the {side} output to the amplifier's {side} line input; its {side} terminals to the top of the tap \
                 \"{tap}\"; the bottom of the tap to the {side} input; and the meter, on AC volts, across the terminals. \
                 Switch on with the volume at minimum, then turn it fully up."
            ),
            "",
        ),
    ]
}

/// Compares the multimeter and the program at an amplifier's terminals.
pub(super) fn cross_check(
    s: &Settings,
    a: &Answers,
    driving: &dyn Fn() -> Walked<Driving>,
    taps: &[(String, Vec<Estimate>)],
) -> Walked<()> {
    let lowest = |ratio: &Vec<Estimate>| ratio.iter().map(|r| r.value).fold(f64::INFINITY, f64::min);
    let Some((tap, at_full_scale)) = taps.iter().max_by(|x, y| lowest(&x.1).total_cmp(&lowest(&y.1))) else {
        return Ok(());
    };
    let words = ["now", "skip"].map(str::to_owned);
    let when = Ask::choice(
        "cross-check",
        "Check the rig at the terminals of a working amplifier",
        &words,
    )
    .why("The meter and the program read the same volts there: a wrong socket or a slip in typing shows.")
    .word_in(a)?;
    if when != "now" {
        return Ok(());
    }
    for (c, at_full_scale) in at_full_scale.iter().enumerate() {
        let tapped = Tapped {
            name: tap,
            input_full_scale_v: at_full_scale.value,
            ratio: 1.0,
            source_ohm: 0.0,
            within: RATIO_WITHIN,
            suspects: suspects(c, tap),
        };
        let read = drive(s, a, driving, "cross", c, &tapped)?;
        let by_meter = s.meter.volts(read.volts, &read.key);
        let by_program = at_full_scale.times(&arithmetic::amplitude(&read));
        let apart = by_program.over(&by_meter);
        // Two ranges of one meter may differ by more than what is usual.
        let allowed = AGREE_WITHIN.max(apart.expanded());
        if (apart.value - 1.0).abs() > allowed {
            return Err(disagreement(c, tap, &by_program, Volts(read.volts), allowed));
        }
    }
    Ok(())
}

/// Keys of the readings that are asked again where meter and program disagree.
fn suspects(channel: usize, tap: &str) -> Vec<String> {
    let side = Channel::at(channel);
    vec![
        format!("cross-{side}"),
        format!("tap-{tap}-{side}"),
        format!("input-{side}"),
    ]
}

fn disagreement(channel: usize, tap: &str, program: &Estimate, meter: Volts, allowed: f64) -> Box<Step> {
    let side = Channel::at(channel);
    let keys = suspects(channel, tap);
    again(
        &keys.iter().map(String::as_str).collect::<Vec<_>>(),
        format!(
            "{side}: the meter shows {:.3} V at the terminals, the program reads {:.3} V: more than {:.1} % apart. The \
             readings of the {side} input, of the tap \"{tap}\" and at the terminals are asked again: check sockets, and \
             that no control was moved.",
            meter.0,
            program.value,
            100.0 * allowed
        ),
    )
}
