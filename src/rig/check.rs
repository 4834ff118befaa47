//! What the values of a rig file mean, and which of them cannot be.

use super::{Calibrated, Loopback, Rig, RigChannel};
use crate::ownfile::inspection::Faults;
use jiff::civil::Date;
use std::ops::RangeInclusive;

const VOLTS: RangeInclusive<f64> = 1e-3..=200.0;
/// From a low-impedance line output to the input of a valve-era amplifier.
const OHMS: RangeInclusive<f64> = 0.01..=1e8;
const LOAD_OHM: RangeInclusive<f64> = 0.5..=1e6;
/// Unity, with the tolerance of two readings of one voltage.
const RATIO: RangeInclusive<f64> = 1e-6..=1.01;
const DECIBELS: RangeInclusive<f64> = -400.0..=60.0;

/// Checks everything that the shape of the file does not tell.
pub(super) fn check_values(rig: &Rig, faults: &mut Faults) {
    faults.filled("name", &rig.name);
    if rig.channels.is_empty() {
        faults.problem(
            "channels",
            "the rig has no channel",
            "add a section [[channels]] for each, left first",
        );
    }
    for (index, one) in rig.channels.iter().enumerate() {
        channel(&format!("channels.{index}"), one, faults);
    }
    attenuators(
        "taps",
        rig,
        rig.taps
            .iter()
            .map(|t| (&*t.name, &*t.ratio, t.source_impedance_ohm)),
        faults,
    );
    attenuators(
        "pads",
        rig,
        rig.pads
            .iter()
            .map(|p| (&*p.name, &*p.ratio, p.source_impedance_ohm)),
        faults,
    );
    ceiling(rig, faults);
    for (index, one) in rig.loopback.iter().enumerate() {
        loopback(&format!("loopback.{index}"), one, rig, faults);
    }
}

fn channel(path: &str, channel: &RigChannel, faults: &mut Faults) {
    let mut at = |key: &str, value: &Calibrated, range, unit| {
        calibrated(&format!("{path}.{key}"), value, range, unit, faults);
    };
    at("output_full_scale_v", &channel.output_full_scale_v, VOLTS, "V");
    at("output_impedance_ohm", &channel.output_impedance_ohm, OHMS, "Ω");
    at("input_full_scale_v", &channel.input_full_scale_v, VOLTS, "V");
    at("input_impedance_ohm", &channel.input_impedance_ohm, OHMS, "Ω");
    at("load_ohm", &channel.load_ohm, LOAD_OHM, "Ω");
    if let Some(hot) = &channel.load_hot_ohm {
        at("load_hot_ohm", hot, LOAD_OHM, "Ω");
        let change = hot.value / channel.load_ohm.value - 1.0;
        // Resistance wire changes by a few percent from cold to hot at most (common practice).
        if change.is_finite() && change.abs() > 0.2 {
            faults.warning(
                &format!("{path}.load_hot_ohm"),
                format!("the load changes by {:.0} % when hot", 100.0 * change),
                "measure both again, the leads' resistance subtracted",
            );
        }
    }
    faults.range(
        &format!("{path}.load_rating_w"),
        channel.load_rating_w,
        0.1..=100_000.0,
        "W",
    );
}

fn calibrated(path: &str, value: &Calibrated, range: RangeInclusive<f64>, unit: &str, faults: &mut Faults) {
    faults.range(&format!("{path}.value"), value.value, range, unit);
    let u = format!("{path}.u_percent");
    if faults.range(&u, value.u_percent, 0.0..=100.0, "%") {
        if value.u_percent <= 0.0 {
            faults.problem(
                &u,
                "no calibration is without uncertainty",
                "write the standard uncertainty: a meter's ±0.5 % is 0.5/√3 = 0.29",
            );
        } else if value.u_percent > 10.0 {
            faults.warning(
                &u,
                format!("{} % is a very uncertain calibration", value.u_percent),
                "u_percent is in percent: 0.29 for a meter of ±0.5 %",
            );
        }
    }
    faults.filled(&format!("{path}.source"), &value.source);
    date(&format!("{path}.date"), &value.date, faults);
}

fn date(path: &str, text: &str, faults: &mut Faults) {
    if text.parse::<Date>().is_err() || text.len() != 10 {
        faults.problem(
            path,
            format!("\"{text}\" is no date"),
            "write the day of the calibration as \"YYYY-MM-DD\": \"2026-01-31\"",
        );
    }
}

/// Taps and pads: a ratio for every channel.
fn attenuators<'a>(
    list: &str,
    rig: &Rig,
    all: impl Iterator<Item = (&'a str, &'a [Calibrated], f64)> + Clone,
    faults: &mut Faults,
) {
    faults.distinct(list, all.clone().map(|(name, ..)| name));
    for (index, (name, ratio, impedance)) in all.enumerate() {
        let path = format!("{list}.{index}");
        if ratio.len() != rig.channels.len() {
            faults.problem(
                &format!("{path}.ratio"),
                format!(
                    "\"{name}\" has {} ratios for {} channels",
                    ratio.len(),
                    rig.channels.len()
                ),
                "write one ratio for each channel, left first",
            );
        }
        for (n, one) in ratio.iter().enumerate() {
            let at = format!("{path}.ratio.{n}");
            calibrated(&at, one, RATIO, "(output voltage / input voltage)", faults);
        }
        faults.range(&format!("{path}.source_impedance_ohm"), impedance, 0.0..=1e7, "Ω");
    }
}

fn ceiling(rig: &Rig, faults: &mut Faults) {
    if !faults.range("ceiling_v", rig.ceiling_v, 1e-6..=50.0, "V") {
        return;
    }
    let most = rig
        .channels
        .iter()
        .map(|c| c.output_full_scale_v.value)
        .fold(0.0, f64::max);
    if rig.ceiling_v > most && most > 0.0 {
        faults.warning(
            "ceiling_v",
            format!(
                "the ceiling of {} V is above all that the interface can put out ({most} V)",
                rig.ceiling_v
            ),
            "write the most that a unit's input may ever get: 1 V for line inputs",
        );
    }
}

fn loopback(path: &str, loopback: &Loopback, rig: &Rig, faults: &mut Faults) {
    if loopback.channel >= rig.channels.len() {
        faults.problem(
            &format!("{path}.channel"),
            format!("the rig has no channel {}", loopback.channel),
            "channels count from 0, which is left",
        );
    }
    faults.range(
        &format!("{path}.level_dbfs"),
        loopback.level_dbfs,
        -200.0..=0.0,
        "dBFS",
    );
    date(&format!("{path}.date"), &loopback.date, faults);
    curve(
        path,
        "frequency_hz",
        &loopback.frequency_hz,
        &[("noise_dbfs_per_hz", &loopback.noise_dbfs_per_hz)],
        faults,
    );
    curve(
        path,
        "response_hz",
        &loopback.response_hz,
        &[
            ("response_db", &loopback.response_db),
            ("response_deg", &loopback.response_deg),
        ],
        faults,
    );
    faults.range(
        &format!("{path}.response_u_db"),
        loopback.response_u_db,
        0.0..=20.0,
        "dB",
    );
    for (n, db) in loopback.harmonics_db.iter().enumerate() {
        faults.range(&format!("{path}.harmonics_db.{n}"), *db, DECIBELS, "dB");
    }
}

/// Frequencies that rise, and as many values.
fn curve(path: &str, key: &str, hz: &[f64], values: &[(&str, &[f64])], faults: &mut Faults) {
    for (n, one) in hz.iter().enumerate() {
        faults.range(&format!("{path}.{key}.{n}"), *one, 1e-3..=1e6, "Hz");
    }
    if let Some(n) = hz.windows(2).position(|pair| pair[1] <= pair[0]) {
        faults.problem(
            &format!("{path}.{key}.{}", n + 1),
            format!("{key} does not rise: {} Hz follows {} Hz", hz[n + 1], hz[n]),
            "put the frequencies in rising order, and their values with them",
        );
    }
    for (name, of) in values {
        if of.len() != hz.len() {
            faults.problem(
                &format!("{path}.{name}"),
                format!("{name} has {} values for {} frequencies", of.len(), hz.len()),
                format!("write one value for each of {key}"),
            );
        }
        let range = if name.ends_with("deg") {
            -1e6..=1e6
        } else {
            DECIBELS
        };
        let unit = if name.ends_with("deg") { "°" } else { "dB" };
        for (n, one) in of.iter().enumerate() {
            faults.range(&format!("{path}.{name}.{n}"), *one, range.clone(), unit);
        }
    }
}
