//! The load, and what is read at an amplifier's terminals.

use super::answers::Answers;
use super::bare::{again, each, shown};
use super::settings::Settings;
use super::step::{Amplify, Ask, Measure, Reading, Step, Walked, caution, ready, step};
use super::{arithmetic, output_alone};
use crate::figure::Channel;
use crate::procedure::operator::{Notice, Weight};
use crate::quantity::{Decibels, Estimate, Ohms, Volts, Watts};
use crate::rig::Rig;
use crate::signal::take::Setup;

/// An amplifier is driven from this far below its sensitivity, dB.
const FAR_BELOW_DB: f64 = 60.0;

/// Volts at the terminals that are enough for a meter.
const ENOUGH_V: f64 = 5.0;

/// The same as a share of the limit, where a small load sets that lower: 2 dB stay below it.
const ENOUGH_OF_LIMIT: f64 = 0.8;

/// Most volts at the terminals without a word of the operator; twice [`ENOUGH_V`] is never needed.
const USUAL_LIMIT_V: f64 = 8.0;

/// Range of limits that make sense, V.
const LIMIT_V: [f64; 2] = [6.0, 10.0];

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
    let leads = Ask::number("leads-ohm", "Touch the two probes together and hold them. The meter shows", "Ω", [0.0, 5.0])
        .example("0.2")
        .after(vec![
            caution(
                "Disconnect the dummy load from everything. It must be cold.",
                "With voltage on it, or anything in parallel, a meter on ohms reads wrong and can be damaged.",
            ),
            step("Set the multimeter to its lowest range of ohms.", ""),
        ])
        .why("The leads' own resistance is subtracted: 0.2 Ω of 8 Ω would be 2.5 % of all watts.")
        .number_in(a)?;
    let loads = each(|c| {
        let side = Channel::at(c);
        let key = format!("load-{side}-ohm");
        let text = format!("Press the probes onto the {side} load's own terminals. The meter shows");
        let shown = Ask::number(&key, text, "Ω", [0.5, 1_000.0]).example("8.1").number_in(a)?;
        let total = s.meter.ohms(shown, &key);
        let resistance = arithmetic::without_leads(&total, &s.meter.ohms(leads, "leads-ohm"));
        if resistance.value < 0.5 {
            return Err(again(&["leads-ohm", &key], format!("{side}: {shown} Ω less {leads} Ω is no load.")));
        }
        Ok(Load { resistance, key, shown })
    })?;
    let rating_w = Ask::number("load-rating-w", "Continuous rating of one load as mounted, in watts", "W", [0.1, 1e5])
        .example("100")
        .why("Resistors in a metal case carry their printed watts only on a large heatsink, and a fraction without.")
        .number_in(a)?;
    Ok((loads, rating_w))
}

/// An amplifier that is at hand, and what may be done with it.
pub(super) struct Driving {
    rig: Rig,
    sensitivity_v: f64,
    limit_v: f64,
    reading_s: f64,
}

/// Asks what is needed before an amplifier is driven.
pub(super) fn driving(a: &Answers, rig: Rig, reading_s: f64) -> Walked<Driving> {
    let sensitivity_v = Ask::number(
        "amplifier-sensitivity",
        "Sensitivity of the amplifier's line input for rated power",
        "V",
        [0.02, 10.0],
    )
    .example("150 mV")
    .why("The tone begins 60 dB below it and rises in small steps.")
    .number_in(a)?;
    let limit_v = Ask::number("amplifier-limit", "Most volts that may stand at its terminals", "V", LIMIT_V)
        .or(USUAL_LIMIT_V)
        .why("5 V are enough, which is 3 W in 8 Ω. The tone stops before this limit.")
        .number_in(a)?;
    Ok(Driving { rig, sensitivity_v, limit_v, reading_s })
}

/// Drives an amplifier into its load and reads at its terminals through `tap`: its name, and volts at full scale as far
/// as they are known.
pub(super) fn drive(
    s: &Settings,
    a: &Answers,
    driving: &Driving,
    key: &str,
    channel: usize,
    tap: (&str, f64),
) -> Walked<Reading> {
    let side = Channel::at(channel);
    let key = format!("{key}-{side}");
    let measure = Measure {
        opening: s.opening.clone(),
        notices: notices(channel, tap.0),
        ready: ready(
            format!("Is all this so, and may the tone rise until the {side} terminals carry at most {} V?", driving.limit_v),
            Weight::Caution,
        ),
        channel,
        frequency_hz: s.tone_hz,
        level_dbfs: f64::NAN,
        seconds: driving.reading_s,
        setup: Setup {
            driven: Some(output_alone(channel)),
            tap: Some(tap.0.to_owned()),
            volume: Some("maximum".to_owned()),
            loaded: Some(true),
            ..Setup::default()
        },
        meter: shown(&key),
        listens: true,
        tries: false,
        key,
    };
    if let Some(read) = measure.read(a) {
        return Ok(read);
    }
    let Some(of) = driving.rig.channels.get(channel) else {
        return Err(again(&["output"], format!("{side}: the output is not calibrated yet.")));
    };
    let level = |volts: f64| Decibels::from_amplitude_ratio(volts / of.output_full_scale_v.value).0;
    let rating = Watts(of.load_rating_w).volts_across(Ohms(of.load_ohm.value));
    let limit_v = driving.limit_v.min(rating.0);
    let from_dbfs = level(driving.sensitivity_v) - FAR_BELOW_DB;
    // Sensitivity is for rated power at full volume: no more is ever needed.
    let most_v = driving.sensitivity_v.min(driving.rig.ceiling_v);
    Err(Box::new(Step::Amplify(Box::new(Amplify {
        measure,
        rig: driving.rig.clone(),
        from_dbfs,
        most_dbfs: level(most_v),
        volts_at_full_scale: tap.1,
        enough_v: ENOUGH_V.min(ENOUGH_OF_LIMIT * limit_v),
        limit_v,
    }))))
}

fn notices(channel: usize, tap: &str) -> Vec<Notice> {
    let side = Channel::at(channel);
    vec![
        caution(
            "Switch the amplifier off and pull its mains plug before anything is connected. Follow local rules, and \
             leave work inside to those licensed for it.",
            "",
        ),
        caution(
            "Disconnect all loudspeakers and headphones. Only the dummy load is on the amplifier's output, away from \
             anything that burns.",
            "A steady tone burns tweeters, and a load gets hot enough to burn skin.",
        ),
        caution(
            "Use only an amplifier whose − terminals are its ground: not bridged, not floating.",
            "The interface's ground would short such an output.",
        ),
        caution(
            "Power it without load and interface first: more than 100 mV DC at its terminals means that it is faulty. \
             Then switch off again and connect.",
            "An output stage that has failed puts its whole supply on the load and the interface.",
        ),
        step(
            format!(
                "Connect the {side} output to the amplifier's {side} line input; its {side} terminals to the {side} load and \
                 to the top of the tap \"{tap}\"; the bottom of the tap to the {side} input; and the meter, on AC volts, \
                 across the terminals. Switch on with the volume at minimum, then turn it fully up."
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
    let words = ["now", "never"].map(str::to_owned);
    let when = Ask::choice("cross-check", "Check the rig at the terminals of a working amplifier", &words)
        .why("The meter and the program read the same volts there: a wrong socket or a slip in typing shows.")
        .word_in(a)?;
    if when != "now" {
        return Ok(());
    }
    let driving = driving()?;
    for (c, at_full_scale) in at_full_scale.iter().enumerate() {
        let read = drive(s, a, &driving, "cross", c, (tap, at_full_scale.value))?;
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

fn disagreement(channel: usize, tap: &str, program: &Estimate, meter: Volts, allowed: f64) -> Box<Step> {
    let side = Channel::at(channel);
    again(
        &[&format!("cross-{side}"), &format!("tap-{tap}-{side}"), &format!("input-{side}")],
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
