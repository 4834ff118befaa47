//! What can be wrong with one rated figure: unit, direction of the limit, and the conditions it means nothing without.

use super::check::{HERTZ, band, known, known_mode, load};
use super::rules::{Need, Rules, Side, rules};
use super::{Rated, Reference, UnitSpec};
use crate::figure::{Band, FigureId, Unit};
use crate::ownfile::inspection::Faults;
use crate::quantity::significant;

/// Checks the rated figure at `index`.
pub(super) fn check_rated(spec: &UnitSpec, index: usize, faults: &mut Faults) {
    let rated = &spec.rated[index];
    let at = At(index);
    let rules = match rules(rated.figure) {
        Ok(rules) => rules,
        Err(why) => {
            let what = format!("{} cannot be rated here: {why}", rated.figure);
            faults.problem(
                &at.key("figure"),
                what,
                "take this section out, or rate another figure",
            );
            return;
        }
    };
    let same = |other: &Rated| Rated {
        min: None,
        max: None,
        ..other.clone()
    };
    if spec.rated[..index].iter().any(|other| same(other) == same(rated)) {
        faults.problem(
            &at.key("figure"),
            format!("{} is rated twice under the same conditions", rated.figure),
            "take one of the two out, or state the condition in which they differ",
        );
    }
    unit(rated, rules, at, faults);
    limits(rated, rules, at, faults);
    conditions(rated, rules, at, faults);
    frequency(rated, at, faults);
    level(rated, spec, at, faults);
    names(rated, spec, at, faults);
    reference(rated, at, faults);
}

/// The index of a rated figure, which makes the paths of its keys.
#[derive(Clone, Copy)]
struct At(usize);

impl At {
    fn key(self, key: &str) -> String {
        format!("rated.{}.{key}", self.0)
    }
}

fn unit(rated: &Rated, rules: Rules, at: At, faults: &mut Faults) {
    if !rules.units.contains(&rated.unit) {
        let allowed: Vec<String> = rules
            .units
            .iter()
            .map(|u| format!("\"{}\"", u.symbol()))
            .collect();
        faults.problem(
            &at.key("unit"),
            format!("{} is not rated in {}", rated.figure, rated.unit.symbol()),
            format!("give the limit in {}", allowed.join(" or ")),
        );
    }
}

fn limits(rated: &Rated, rules: Rules, at: At, faults: &mut Faults) {
    let figure = rated.figure;
    match (rules.side, rated.min, rated.max) {
        (_, None, None) => faults.problem(
            &at.key("figure"),
            format!("{figure} has no limit"),
            match rules.side {
                Side::AtMost => "add  max = …  (no more than this)",
                Side::AtLeast => "add  min = …  (no less than this)",
                Side::Either => "add  min = …  or  max = …",
                Side::Between => "add  min = …  and  max = …",
            },
        ),
        (Side::AtMost, Some(_), _) => faults.problem(
            &at.key("min"),
            format!("{figure} is better the smaller it is, so a sheet states its maximum"),
            "write max instead of min",
        ),
        (Side::AtLeast, _, Some(_)) => faults.problem(
            &at.key("max"),
            format!("{figure} is better the larger it is, so a sheet states its minimum"),
            "write min instead of max",
        ),
        (Side::Between, None, _) | (Side::Between, _, None) => faults.problem(
            &at.key("figure"),
            format!("{figure} has a sign: one limit alone would let the other side pass unseen"),
            "give both: \"within 1 dB\" is  min = -1  and  max = 1",
        ),
        (_, Some(min), Some(max)) if min >= max => faults.problem(
            &at.key("max"),
            format!(
                "the minimum {} is not below the maximum {}",
                significant(min, 6),
                significant(max, 6)
            ),
            "write the smaller number under min",
        ),
        _ => {}
    }
    for (key, limit) in [("min", rated.min), ("max", rated.max)] {
        if let Some(limit) = limit {
            plausible(rated, &at.key(key), limit, faults);
        }
    }
}

/// Whether a limit has the sign and size its figure and unit can have.
fn plausible(rated: &Rated, path: &str, limit: f64, faults: &mut Faults) {
    use FigureId as F;
    match (rated.figure, rated.unit) {
        (_, Unit::Percent) => {
            faults.range(path, limit, 1e-7..=100.0, "%");
        }
        (_, Unit::Volts) => {
            faults.range(path, limit, 1e-9..=1_000.0, "V");
        }
        (_, Unit::Hertz) => {
            faults.range(path, limit, HERTZ, "Hz");
        }
        (F::Thd | F::ThdN | F::Harmonic, Unit::Decibels) if limit >= 0.0 => faults.problem(
            path,
            format!(
                "{} of {} dB would be more than the signal itself",
                rated.figure,
                significant(limit, 6)
            ),
            "distortion in decibels refers to the signal and is negative: 0.1 % is -60",
        ),
        (F::Snr | F::Sinad | F::Separation, _) if limit <= 0.0 => faults.problem(
            path,
            format!(
                "{} of {} dB would be no distance at all",
                rated.figure,
                significant(limit, 6)
            ),
            "write it as a positive number of decibels",
        ),
        (F::ResponseMax, _) if limit < 0.0 => faults.problem(
            path,
            format!("{} cannot be below 0 dB", rated.figure),
            "write the largest rise as a positive number of decibels",
        ),
        (F::ResponseMin, _) if limit > 0.0 => faults.problem(
            path,
            "response_min cannot be above 0 dB",
            "write the largest fall as a negative number: \"-1 dB\" is  min = -1",
        ),
        (F::ResponseMax, _) if limit <= 0.0 => faults.warning(
            path,
            "no measurement can prove a rise of exactly nothing: a limit of +0 dB will read \"cannot tell\"",
            "write half of the sheet's last digit: \"+0\" in whole or half decibels is  max = 0.25",
        ),
        (_, Unit::Decibels | Unit::Dbv) => {
            faults.range(path, limit, -300.0..=300.0, "dB");
        }
        _ => {}
    }
}

/// Conditions that are missing or make no sense.
fn conditions(rated: &Rated, rules: Rules, at: At, faults: &mut Faults) {
    let frequency = rated.frequency_hz.is_some() || rated.frequency_range_hz.is_some();
    let level = rated.power_w.is_some() || rated.level_v.is_some() || rated.level_db.is_some();
    let stated = [
        (
            "order",
            rules.order,
            rated.order.is_some(),
            "which harmonic: order = 2",
        ),
        (
            "frequency_hz",
            rules.frequency,
            frequency,
            "frequency_hz = 1_000, or frequency_range_hz = [20, 20_000]",
        ),
        (
            "power_w",
            rules.level,
            level,
            "the output level: power_w = 1, or level_db = 0 for rated power",
        ),
        (
            "band_hz",
            rules.band,
            rated.band_hz.is_some(),
            "band_hz = [20, 20_000]",
        ),
        (
            "weighting",
            rules.weighting,
            rated.weighting.is_some(),
            "weighting = \"A\"",
        ),
        (
            "reference",
            rules.reference,
            rated.reference.is_some(),
            "reference = \"rated output\" (or \"1 W\", \"0.5 V\", \"5 mV at the input\")",
        ),
    ];
    for (key, need, is_there, example) in stated {
        match (need, is_there) {
            (Need::Needed, false) if key == "reference" => faults.problem(
                &at.key("figure"),
                "a signal-to-noise ratio needs a reference, or the comparison is false",
                format!("add  {example}"),
            ),
            (Need::Needed, false) => faults.problem(
                &at.key("figure"),
                format!("{} means nothing without its {}", rated.figure, spoken(key)),
                format!("add  {example}"),
            ),
            (Need::Never, true) => faults.problem(
                &at.key(written(rated, key)),
                format!("{} has no {}", rated.figure, spoken(key)),
                "take this line out",
            ),
            _ => {}
        }
    }
}

fn spoken(key: &str) -> &str {
    match key {
        "frequency_hz" => "frequency",
        "power_w" => "output level",
        "band_hz" => "band",
        other => other,
    }
}

/// The key that stands in the file for one of several ways to state a condition.
fn written(rated: &Rated, key: &'static str) -> &'static str {
    match key {
        "frequency_hz" if rated.frequency_hz.is_none() => "frequency_range_hz",
        "power_w" if rated.power_w.is_none() && rated.level_v.is_some() => "level_v",
        "power_w" if rated.power_w.is_none() => "level_db",
        other => other,
    }
}

fn frequency(rated: &Rated, at: At, faults: &mut Faults) {
    if let Some(range) = rated.frequency_range_hz {
        band(&at.key("frequency_range_hz"), range, faults);
        if rated.frequency_hz.is_some() {
            faults.problem(
                &at.key("frequency_hz"),
                "one frequency and a range of frequencies are stated together",
                "keep frequency_hz or frequency_range_hz; write a second [[rated]] for the other",
            );
        }
    }
    if let Some(order) = rated.order {
        let least = if rated.figure == FigureId::Harmonic {
            2.0
        } else {
            1.0
        };
        faults.range(&at.key("order"), f64::from(order), least..=1_000.0, "");
    }
    if let Some(figure_band) = rated.band_hz {
        band(&at.key("band_hz"), figure_band, faults);
    }
    let Some(hz) = rated.frequency_hz else { return };
    let path = at.key("frequency_hz");
    let inside = rated.band_hz.unwrap_or(Band {
        low_hz: 0.0,
        ..Band::AUDIO
    });
    if faults.range(&path, hz, HERTZ, "Hz") && rated.band_hz.is_some() && !inside.counts(hz) {
        faults.problem(
            &path,
            format!(
                "{} Hz is outside the band {} Hz to {} Hz",
                significant(hz, 6),
                significant(inside.low_hz, 6),
                significant(inside.high_hz, 6)
            ),
            "correct the frequency or the band",
        );
    }
}

fn level(rated: &Rated, spec: &UnitSpec, at: At, faults: &mut Faults) {
    let stated = [
        ("power_w", rated.power_w),
        ("level_v", rated.level_v),
        ("level_db", rated.level_db),
    ];
    let given: Vec<&str> = stated
        .iter()
        .filter(|(_, v)| v.is_some())
        .map(|(k, _)| *k)
        .collect();
    if let [_, second, ..] = given[..] {
        faults.problem(
            &at.key(second),
            format!(
                "the output level is stated in more than one way: {}",
                given.join(", ")
            ),
            "keep one of them",
        );
    }
    if let Some(watts) = rated.power_w {
        faults.range(&at.key("power_w"), watts, 1e-6..=10_000.0, "W");
    }
    if let Some(volts) = rated.level_v {
        faults.range(&at.key("level_v"), volts, 1e-6..=1_000.0, "V");
    }
    if let Some(db) = rated.level_db {
        faults.range(&at.key("level_db"), db, -120.0..=20.0, "dB");
    }
    if let Some(ohm) = rated.load_ohm {
        load(&at.key("load_ohm"), ohm, spec, faults);
    }
    let mode = rated.mode.as_deref();
    let rated_volts = spec.power_in(mode).volts();
    if let ([key], Some(volts)) = (&given[..], rated.level(spec, mode)) {
        // Into a lower load than that of the rated power a sheet may well state more watts.
        if rated.load_ohm.is_none() && volts / rated_volts > 1.001 {
            faults.warning(
                &at.key(key),
                format!(
                    "{} is stated at {} V, above the rated output of {} V",
                    rated.figure,
                    significant(volts.0, 4),
                    significant(rated_volts.0, 4)
                ),
                "check the level and the rated power against the sheet",
            );
        }
    }
}

fn names(rated: &Rated, spec: &UnitSpec, at: At, faults: &mut Faults) {
    if let Some(mode) = &rated.mode {
        known_mode(&at.key("mode"), mode, spec, faults);
    }
    if let Some(input) = &rated.input {
        let names: Vec<&str> = spec.inputs.iter().map(|i| i.name.as_str()).collect();
        known(&at.key("input"), "input", input, &names, faults);
    }
    if let Some(volume) = &rated.volume {
        faults.filled(&at.key("volume"), volume);
    }
}

fn reference(rated: &Rated, at: At, faults: &mut Faults) {
    let Some(text) = &rated.reference else { return };
    match text.parse::<Reference>() {
        Err(error) => faults.problem(
            &at.key("reference"),
            error.what(),
            error.next_step().unwrap_or("correct the reference"),
        ),
        Ok(Reference::Input(_)) if rated.input.is_none() => faults.problem(
            &at.key("reference"),
            "the reference is a voltage at an input, but no input is named",
            "add  input = \"…\"  with one of the unit's inputs",
        ),
        Ok(_) => {}
    }
}
