//! From readings to calibrated values, with their uncertainty (JCGM 100:2008, 5.1 and 5.2: errors that readings share
//! enter with their signs, and cancel in ratios).

use crate::quantity::{Dbfs, Estimate, significant};
use crate::rig::Calibrated;
use super::step::Reading;

/// How flat an interface is between the tone and 1 kHz, dB: limits. Common practice, no source.
const FLATNESS_DB: f64 = 0.01;

/// The amplitude that an input read, in units of full scale.
pub(super) fn amplitude(reading: &Reading) -> Estimate {
    let peak = Dbfs(reading.dbfs).sine_peak();
    Estimate::exact(peak).with(format!("noise, {}", reading.key), peak * reading.u_percent / 100.0)
}

/// V rms at 0 dBFS where `volts` were read at `level_dbfs`.
pub(super) fn output_full_scale(volts: &Estimate, level_dbfs: f64) -> Estimate {
    volts.scaled(1.0 / Dbfs(level_dbfs).sine_peak())
}

/// V rms at an input that reads 0 dBFS, from the volts across it and what it read.
pub(super) fn input_full_scale(volts: &Estimate, amplitude: &Estimate) -> Estimate {
    volts.over(amplitude)
}

/// Impedance of an output from its voltage open and with `resistor` across it: Z = R·(V₀/V₁ − 1).
pub(super) fn output_impedance(open: &Estimate, loaded: &Estimate, resistor: &Estimate) -> Estimate {
    resistor.times(&open.over(loaded).shifted(-1.0))
}

/// Impedance of an input that reads `direct` straight from an output of impedance `source`, and `behind` a series
/// resistor: with q = behind/direct = (Z + Zₛ)/(Z + Zₛ + R), Z = R·q/(1 − q) − Zₛ.
pub(super) fn input_impedance(
    direct: &Estimate,
    behind: &Estimate,
    resistor: &Estimate,
    source: &Estimate,
) -> Estimate {
    let q = behind.over(direct);
    let rest = 1.0 - q.value;
    let odds = q.map(q.value / rest, 1.0 / (rest * rest));
    resistor.times(&odds).minus(source)
}

/// Output voltage / input voltage of an attenuator with the input connected.
pub(super) fn ratio(full_scale: &Estimate, amplitude: &Estimate, top: &Estimate) -> Estimate {
    full_scale.times(amplitude).over(top)
}

/// The ratio of an attenuator of impedance `source_ohm` that nothing loads, where `loaded` was read with `input` across:
/// multiplied by 1 + Zₛ/Z.
pub(super) fn unloaded(loaded: &Estimate, source_ohm: f64, input: &Estimate) -> Estimate {
    let share = source_ohm / input.value;
    let gain = input.map(1.0 + share, -share / input.value);
    loaded.times(&gain)
}

/// A resistor without the leads of the meter.
pub(super) fn without_leads(total: &Estimate, leads: &Estimate) -> Estimate {
    total.minus(leads)
}

/// A value of which only limits are known: a rectangle between them.
pub(super) fn between([low, high]: [f64; 2], source: &str) -> Estimate {
    Estimate::exact((low + high) / 2.0).with_limits(source.to_owned(), (high - low) / 2.0)
}

/// The same full scale at 1 kHz, which rigs state it at.
pub(super) fn at_one_kilohertz(full_scale: &Estimate) -> Estimate {
    let limit = full_scale.value * (Dbfs(FLATNESS_DB).sine_peak() - 1.0);
    full_scale.clone().with_limits("flatness of the interface", limit)
}

/// What a rig file says of an estimate. The uncertainty is rounded up to three digits.
pub(super) fn calibrated(estimate: &Estimate, source: impl Into<String>, date: &str) -> Calibrated {
    let value = rounded(estimate.value, 7);
    let u_percent = 100.0 * (estimate.standard_uncertainty() / estimate.value).abs();
    // Half of the third digit is at most half a percent of the uncertainty.
    let u_percent = rounded(1.005 * u_percent, 3);
    Calibrated { value, u_percent, source: source.into(), date: date.to_owned() }
}

/// `value` to so many significant digits, as files show it.
pub(super) fn rounded(value: f64, digits: i32) -> f64 {
    significant(value, digits).parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64) {
        // Rounding of a few operations in f64.
        assert!((found / expected - 1.0).abs() < 1e-12, "{found}, {expected} expected");
    }

    fn meter(volts: f64, reading: &str) -> Estimate {
        Estimate::exact(volts).with("gain", 0.004 * volts).with(reading.to_owned(), 0.002 * volts)
    }

    #[test]
    fn an_output_is_found_from_its_drop() {
        // Ohm's law: 5 V behind 100 Ω into 900 Ω is 4.5 V. Z = R(V₀/V₁ − 1), so ∂Z/∂V₀·V₀ = R·V₀/V₁ = 1000 Ω, the same
        // with the other sign for V₁, and ∂Z/∂R·R = Z: the gain cancels, 0.2 % twice and 1 % of 100 Ω remain.
        let r = Estimate::exact(900.0).with("resistor", 9.0);
        let z = output_impedance(&meter(5.0, "open"), &meter(4.5, "loaded"), &r);
        close(z.value, 100.0);
        close(z.standard_uncertainty(), (2.0 * 2.0f64.powi(2) + 1.0f64.powi(2)).sqrt());
    }

    #[test]
    fn an_input_is_found_from_its_drop() {
        // 20 kΩ behind 100 Ω, and behind 10 kΩ more: q = 20.1/30.1.
        let read = |a: f64, name: &str| Estimate::exact(a).with(name.to_owned(), 1e-4 * a);
        let r = Estimate::exact(10e3).with("resistor", 30.0);
        let source = Estimate::exact(100.0).with("source", 10.0);
        let z = input_impedance(&read(20.0 / 20.1, "direct"), &read(20.0 / 30.1, "behind"), &r, &source);
        close(z.value, 20e3);
        // dZ = R·dq/(1 − q)² with dq = q·1e-4·√2; dZ = dR·q/(1 − q); dZ = −dZₛ.
        let q: f64 = 20.1 / 30.1;
        let parts = [10e3 * q * 1e-4 * 2f64.sqrt() / (1.0 - q).powi(2), 30.0 * q / (1.0 - q), 10.0];
        close(z.standard_uncertainty(), parts.iter().map(|p| p * p).sum::<f64>().sqrt());
    }

    #[test]
    fn one_meter_cancels_in_a_ratio() {
        // 2 V across the input read half of full scale: full scale is 4 V. Behind the attenuator 0.05 of full scale is
        // read for 2 V at its top: 0.1. What the meter shares cancels; 0.2 % twice and the readings' 0.01 % remain.
        let read = |a: f64, name: &str| Estimate::exact(a).with(name.to_owned(), 1e-4 * a);
        let full_scale = input_full_scale(&meter(2.0, "input"), &read(0.5, "direct"));
        let found = ratio(&full_scale, &read(0.05, "bottom"), &meter(2.0, "top"));
        close(found.value, 0.1);
        close(
            found.standard_uncertainty() / found.value,
            (2.0 * 0.002f64.powi(2) + 2.0 * 1e-4f64.powi(2)).sqrt(),
        );
    }

    #[test]
    fn loading_is_taken_out_of_a_pad() {
        // 1 kΩ into 19 kΩ loses a twentieth; 10 % of 19 kΩ are 0.1·(1/19)/(20/19) = 0.5 % of the ratio.
        let input = Estimate::exact(19e3).with("input", 1.9e3);
        let found = unloaded(&Estimate::exact(0.095), 1e3, &input);
        close(found.value, 0.1);
        close(found.standard_uncertainty(), 0.005 * 0.1);
    }

    #[test]
    fn leads_are_subtracted_with_what_the_readings_share() {
        // One range: 1 % of 8.2 Ω and of 0.2 Ω are one error, so 1 % of the difference; the digits of both add.
        let of = |ohm: f64, name: &str| Estimate::exact(ohm).with("gain", 0.01 * ohm).with(name.to_owned(), 0.03);
        let found = without_leads(&of(8.2, "load"), &of(0.2, "leads"));
        close(found.value, 8.0);
        close(found.standard_uncertainty(), (0.08f64.powi(2) + 2.0 * 0.03f64.powi(2)).sqrt());
    }

    #[test]
    fn a_file_states_no_less_uncertainty_than_was_found() {
        for u in [0.123_449, 0.999_9, 7.0 / 3.0] {
            let found = calibrated(&Estimate::exact(3.0).with("x", 0.03 * u), "x", "2026-01-10").u_percent;
            assert!(found >= u && found < 1.011 * u, "{u}: {found}");
        }
        // Limits of GUM 4.3.7.
        close(between([50.0, 300.0], "typical").standard_uncertainty(), 125.0 / 3f64.sqrt());
        close(output_full_scale(&Estimate::exact(1.0), -20.0).value, 10.0);
    }
}
