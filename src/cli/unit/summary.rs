//! A specification in a few lines, to be compared with the sheet before it is written.

use super::interview::WEIGHTINGS;
use crate::unit::{Rated, RatedPower, UnitSpec};

/// The lines.
pub(super) fn lines(spec: &UnitSpec) -> Vec<String> {
    let mut out = vec![format!("{}: {}", spec.model, power(&spec.power))];
    for mode in &spec.modes {
        let own = mode
            .power
            .as_ref()
            .map(|p| format!(": {}", power(p)))
            .unwrap_or_default();
        out.push(format!("  mode {}{own}", mode.name));
    }
    for input in &spec.inputs {
        let phono = if input.phono { ", phono" } else { "" };
        let ohm = input
            .impedance_ohm
            .map(|ohm| format!(", {ohm} Ω"))
            .unwrap_or_default();
        out.push(format!(
            "  input {}: {} V{ohm}{phono}",
            input.name, input.sensitivity_v
        ));
    }
    out.extend(spec.rated.iter().map(rated));
    for a in &spec.adjustments {
        let mode = a.mode.as_ref().map(|m| format!(", {m}")).unwrap_or_default();
        out.push(format!(
            "  {}: {} ± {} mV{mode}",
            a.name, a.target_mv, a.tolerance_mv
        ));
    }
    out
}

fn power(power: &RatedPower) -> String {
    format!(
        "{} W into {} Ω, {} to {} Hz, at no more than {} % THD",
        power.watts, power.load_ohm, power.band_hz.low_hz, power.band_hz.high_hz, power.thd_percent
    )
}

fn rated(rated: &Rated) -> String {
    let unit = rated.unit.symbol();
    let limit = match (rated.min, rated.max) {
        (Some(min), Some(max)) => format!("from {min} to {max} {unit}"),
        (Some(min), None) => format!("at least {min} {unit}"),
        (None, Some(max)) => format!("at most {max} {unit}"),
        (None, None) => String::new(),
    };
    let weighting = WEIGHTINGS
        .iter()
        .find(|(_, w)| *w == rated.weighting)
        .map(|(word, _)| format!("weighted {word}"));
    let conditions = [
        rated.frequency_hz.map(|hz| format!("{hz} Hz")),
        rated.power_w.map(|w| format!("{w} W")),
        rated.band_hz.map(|b| format!("{} to {} Hz", b.low_hz, b.high_hz)),
        rated.weighting.and(weighting),
        rated.reference.as_ref().map(|r| format!("re {r}")),
        rated.input.as_ref().map(|i| format!("input {i}")),
        rated.volume.as_ref().map(|v| format!("volume {v}")),
    ];
    let said: Vec<String> = conditions.into_iter().flatten().collect();
    format!("  {}: {limit} ({})", rated.figure, said.join(", "))
}
