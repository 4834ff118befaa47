//! What the values of a unit file mean, and which of them cannot be: the unit as a whole. One rated figure is checked
//! in [`super::check_rated`].

use super::check_rated::check_rated;
use super::{Input, OutputStage, RatedPower, UnitSpec};
use crate::figure::Band;
use crate::ownfile::{inspection::Faults, nearest};
use crate::quantity::{Decibels, Volts, significant};

/// Watts a rated power can be.
const WATTS: std::ops::RangeInclusive<f64> = 0.001..=10_000.0;
/// Ohms a load can be, from a bridge of loudspeakers to the input of the next amplifier.
const LOAD_OHM: std::ops::RangeInclusive<f64> = 0.5..=1_000_000.0;
/// Hertz a frequency of an audio figure can be.
pub(super) const HERTZ: std::ops::RangeInclusive<f64> = 0.1..=1_000_000.0;

/// Checks everything that the shape of the file does not tell.
pub(super) fn check_values(spec: &UnitSpec, faults: &mut Faults) {
    faults.filled("model", &spec.model);
    outputs(spec, faults);
    faults.distinct("modes", spec.modes.iter().map(|m| m.name.as_str()));
    power("power", &spec.power, spec, faults);
    for (index, mode) in spec.modes.iter().enumerate() {
        if let Some(own) = &mode.power {
            power(&format!("modes.{index}.power"), own, spec, faults);
        }
    }
    inputs(spec, faults);
    for index in 0..spec.rated.len() {
        check_rated(spec, index, faults);
    }
    adjustments(spec, faults);
}

fn outputs(spec: &UnitSpec, faults: &mut Faults) {
    if spec.outputs.is_empty() {
        faults.problem(
            "outputs",
            "the unit has no output",
            "add a section [[outputs]] with name, loads_ohm and stage",
        );
    }
    faults.distinct("outputs", spec.outputs.iter().map(|o| o.name.as_str()));
    for (index, output) in spec.outputs.iter().enumerate() {
        let loads = format!("outputs.{index}.loads_ohm");
        if output.loads_ohm.is_empty() {
            faults.problem(
                &loads,
                format!("output \"{}\" allows no load", output.name),
                "list the loads that may be connected, in ohms: loads_ohm = [4, 8]",
            );
        }
        for (n, ohm) in output.loads_ohm.iter().enumerate() {
            faults.range(&format!("{loads}.{n}"), *ohm, LOAD_OHM, "Ω");
        }
        let stage = format!("outputs.{index}.stage");
        match output.stage {
            OutputStage::Grounded | OutputStage::CapacitorCoupled => {}
            OutputStage::TransformerCoupled => faults.warning(
                &stage,
                "an output transformer must never run without its load",
                "connect the load before switching on; figures that need the output open are left out",
            ),
            OutputStage::Bridged | OutputStage::Floating => faults.warning(
                &stage,
                "the negative terminal of this output is not ground",
                "connect no instrument's ground to it: use one divider at each terminal, or a differential input",
            ),
        }
    }
}

fn power(path: &str, power: &RatedPower, spec: &UnitSpec, faults: &mut Faults) {
    faults.range(&format!("{path}.watts"), power.watts, WATTS, "W");
    faults.range(
        &format!("{path}.thd_percent"),
        power.thd_percent,
        1e-6..=30.0,
        "%",
    );
    band(&format!("{path}.band_hz"), power.band_hz, faults);
    load(&format!("{path}.load_ohm"), power.load_ohm, spec, faults);
}

/// A band that has a width.
pub(super) fn band(path: &str, band: Band, faults: &mut Faults) {
    let possible =
        faults.range(path, band.low_hz, HERTZ, "Hz") && faults.range(path, band.high_hz, HERTZ, "Hz");
    if possible && band.low_hz >= band.high_hz {
        faults.problem(
            path,
            format!(
                "the band begins at {} Hz and ends at {} Hz",
                significant(band.low_hz, 6),
                significant(band.high_hz, 6)
            ),
            "write the lower edge first: [20, 20_000]",
        );
    }
}

/// A load that some output allows.
pub(super) fn load(path: &str, ohm: f64, spec: &UnitSpec, faults: &mut Faults) {
    if !faults.range(path, ohm, LOAD_OHM, "Ω") {
        return;
    }
    let allowed: Vec<f64> = spec.outputs.iter().flat_map(|o| o.loads_ohm.clone()).collect();
    // A milliohm: what a person writes twice is the same number.
    if !allowed.is_empty() && !allowed.iter().any(|a| (a - ohm).abs() < 1e-3) {
        let list: Vec<String> = allowed.iter().map(|a| significant(*a, 6)).collect();
        faults.problem(
            path,
            format!("no output allows a load of {} Ω", significant(ohm, 6)),
            format!(
                "use one of {} Ω, or add it to loads_ohm of the output",
                list.join(", ")
            ),
        );
    }
}

fn inputs(spec: &UnitSpec, faults: &mut Faults) {
    if spec.inputs.is_empty() {
        faults.problem(
            "inputs",
            "the unit has no input",
            "add a section [[inputs]] with name and sensitivity_v",
        );
    }
    faults.distinct("inputs", spec.inputs.iter().map(|i| i.name.as_str()));
    for (index, input) in spec.inputs.iter().enumerate() {
        if let Some(ohm) = input.impedance_ohm {
            faults.range(&format!("inputs.{index}.impedance_ohm"), ohm, 1.0..=1e8, "Ω");
        }
        let path = format!("inputs.{index}.sensitivity_v");
        if faults.range(&path, input.sensitivity_v, 1e-6..=1_000.0, "V") {
            sensitivity(&path, input, spec.power.volts(), faults);
        }
    }
}

/// Whether sensitivity and rated power make a plausible gain: mistaken units show here.
fn sensitivity(path: &str, input: &Input, rated: Volts, faults: &mut Faults) {
    let gain = Decibels::from_amplitude_ratio(rated / Volts(input.sensitivity_v)).0;
    let said = format!(
        "{} V at \"{}\" for {} V at the output is a gain of {gain:.0} dB",
        significant(input.sensitivity_v, 4),
        input.name,
        significant(rated.0, 4)
    );
    // Line inputs of real units lie between 10 and 60 dB, phono inputs between 55 and 100 dB (common practice);
    // a thousandfold slip of units moves 60 dB.
    let (least, most) = if input.phono { (40.0, 115.0) } else { (-6.0, 75.0) };
    let units = "sensitivity_v is in volts: 150 mV is 0.15, 2.5 mV is 0.0025";
    if gain < least || (gain > most && input.phono) {
        faults.problem(path, said, format!("{units}; check the rated power too"));
    } else if gain > most {
        faults.problem(
            path,
            said,
            format!("{units}; for a phono input write  phono = true"),
        );
    } else if !input.phono && gain > 60.0 {
        faults.warning(
            path,
            said,
            "that is much for a line input: if it is a phono input, write  phono = true",
        );
    }
}

fn adjustments(spec: &UnitSpec, faults: &mut Faults) {
    let mut seen = Vec::new();
    for (index, adjustment) in spec.adjustments.iter().enumerate() {
        let path = format!("adjustments.{index}");
        faults.filled(&format!("{path}.name"), &adjustment.name);
        faults.range(
            &format!("{path}.target_mv"),
            adjustment.target_mv,
            -1e6..=1e6,
            "mV",
        );
        faults.range(
            &format!("{path}.tolerance_mv"),
            adjustment.tolerance_mv,
            1e-3..=1e6,
            "mV",
        );
        if let Some(mode) = &adjustment.mode {
            known_mode(&format!("{path}.mode"), mode, spec, faults);
        }
        let key = (&adjustment.name, &adjustment.mode);
        if seen.contains(&key) {
            faults.problem(
                &format!("{path}.name"),
                format!("\"{}\" has a target twice for the same mode", adjustment.name),
                "take one out, or name the mode each holds in",
            );
        }
        seen.push(key);
    }
}

/// A mode that the unit has.
pub(super) fn known_mode(path: &str, mode: &str, spec: &UnitSpec, faults: &mut Faults) {
    known(
        path,
        "mode",
        mode,
        &spec.modes.iter().map(|m| m.name.as_str()).collect::<Vec<_>>(),
        faults,
    );
}

/// A name that the file itself must have introduced.
pub(super) fn known(path: &str, what: &str, name: &str, names: &[&str], faults: &mut Faults) {
    if names.contains(&name) {
        return;
    }
    let next = match nearest(name, names) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None if names.is_empty() => format!("add a section [[{what}s]] with this name, or take the line out"),
        None => format!(
            "use one of: {}; or add a section [[{what}s]] with this name",
            names.join(", ")
        ),
    };
    faults.problem(path, format!("the unit has no {what} called \"{name}\""), next);
}
