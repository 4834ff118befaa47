//! Figures and limits as the reasons of verdicts say them, with honest digits.

use super::{Limit, Outcome, Remedy, conformance_probability, is_distance};
use crate::figure::Figure;
use crate::quantity::{significant, with_uncertainty};

/// A figure with its uncertainty: "0.0123 ± 0.0004 %", with an asymmetric interval "0.0123 % (0.0110 to 0.0127 %)",
/// a mere bound "below 0.0031 %".
pub fn stated(figure: &Figure) -> String {
    let estimate = &figure.estimate;
    let unit = figure.unit.symbol();
    let (low, high) = estimate.interval();
    let half = (high - low) / 2.0;
    if figure.upper_limit {
        let (bound, word) = if is_distance(figure.id) {
            (low, "above")
        } else {
            (high, "below")
        };
        return format!("{word} {} {unit}", significant(bound, 3));
    }
    let u = estimate.expanded();
    let (value, uncertainty) = with_uncertainty(estimate.value, half);
    if half <= 0.0 {
        return format!("{value} {unit}");
    }
    // What two digits of U do not show is symmetric.
    if (half - u).abs() <= 0.01 * half {
        return format!("{value} ± {uncertainty} {unit}");
    }
    let (low, high) = (with_uncertainty(low, half).0, with_uncertainty(high, half).0);
    format!("{value} {unit} ({low} to {high} {unit})")
}

/// The figure against a limit that decides.
pub(super) fn against(figure: &Figure, limit: f64, outcome: Outcome) -> String {
    let limit_text = format!("{} {}", significant(limit, 6), figure.unit.symbol());
    let stated = stated(figure);
    if limit.is_nan() {
        return stated;
    }
    match outcome {
        Outcome::Pass => format!("{stated} is within the limit of {limit_text}"),
        Outcome::Fail if figure.estimate.value > limit => {
            format!("{stated} is above the limit of {limit_text} by more than its uncertainty")
        }
        Outcome::Fail => format!("{stated} is below the limit of {limit_text} by more than its uncertainty"),
        _ => format!("{stated} cannot be told from the limit of {limit_text}"),
    }
}

/// A figure whose interval straddles the limit, and what would decide.
pub(super) fn undecided(figure: &Figure, limit: &Limit, at: f64, remedy: &Remedy) -> String {
    let estimate = &figure.estimate;
    let mut text = against(figure, at, Outcome::CannotTell);
    let (low, high) = estimate.interval();
    let symmetric = (high - low - 2.0 * estimate.expanded()).abs() <= 0.01 * (high - low);
    if symmetric && !figure.upper_limit {
        let p = conformance_probability(estimate.value, estimate.standard_uncertainty(), limit);
        text.push_str(&format!(
            " (it is within with a probability of {:.0} %)",
            100.0 * p
        ));
    }
    format!("{text}; {remedy}")
}
