//! The difference of the same figure between two takes, two modes or two stages.
//!
//! **Definition.** Second minus first, in the figure's unit; for percentages also of their decibels.
//!
//! **Source.** JCGM 100 (GUM) 5.2: errors that both share (one calibration) cancel with their signs; what each take
//! scatters by itself adds.
//!
//! **Conditions.** Only figures of equal id, channel, unit, order, weighting and band are set side by side, and only
//! where the frequency they are stated at agrees within 1 %.
//!
//! **Assumptions.** A source of error with degrees of freedom was observed in one take and is independent of the other
//! take's; a source without was stated (Type B) and is the same error in both where it has the same name, unless it is
//! marked as of one take: the phase between a harmonic of the rig and one of the unit changes with the unit's fault, so
//! the rig's distortion errs by another amount each time.
//!
//! **Uncertainty.** That of the difference.

use crate::figure::{Figure, FigureId};
use crate::quantity::{Decibels, Estimate};
use crate::unit::rules::is_of_silence;

/// Two values of one figure and their difference.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// In the first.
    pub first: Figure,
    /// In the second.
    pub second: Figure,
    /// Second − first, in the unit of the figures.
    pub change: Estimate,
}

/// Levels further apart than this are different conditions, dB.
const SAME_LEVEL_DB: f64 = 1.0;

/// Every figure that both have, in the order of the first.
pub fn differences(first: &[Figure], second: &[Figure]) -> Vec<Difference> {
    first
        .iter()
        .filter_map(|a| {
            let distance = |b: &&Figure| level_distance_db(a, b);
            let b = second
                .iter()
                .filter(|b| same_figure(a, b))
                .min_by(|x, y| distance(x).total_cmp(&distance(y)))
                .filter(|b| distance(b) <= SAME_LEVEL_DB)?;
            let change = b
                .estimate
                .observed_apart("second")
                .minus(&a.estimate.observed_apart("first"));
            Some(Difference {
                first: a.clone(),
                second: b.clone(),
                change,
            })
        })
        .collect()
}

/// How far apart the levels are that two figures were measured at; 0 where that is not known of both in volts.
fn level_distance_db(a: &Figure, b: &Figure) -> f64 {
    match (a.conditions.level_v, b.conditions.level_v) {
        (Some(x), Some(y)) if x > 0.0 && y > 0.0 => Decibels::from_amplitude_ratio(x / y).0.abs(),
        _ => 0.0,
    }
}

fn same_figure(a: &Figure, b: &Figure) -> bool {
    let stated_alike = match (a.conditions.frequency_hz, b.conditions.frequency_hz) {
        (Some(x), Some(y)) => (x / y - 1.0).abs() < 0.01 || is_extreme(a.id),
        _ => true,
    };
    // Hum beside a tone is known far worse than that of silence: the two are no pair.
    let both_silent = a.conditions.driven.is_some() == b.conditions.driven.is_some();
    let quiet_alike = !is_of_silence(a.id) || both_silent;
    a.id == b.id
        && a.channel == b.channel
        && a.unit == b.unit
        && a.order == b.order
        && a.weighting == b.weighting
        && a.band == b.band
        && a.conditions.input == b.conditions.input
        && a.conditions.volume == b.conditions.volume
        && a.conditions.reference == b.conditions.reference
        && stated_alike
        && quiet_alike
}

/// Extremes are wherever they are: their frequency is found, not set.
fn is_extreme(id: FigureId) -> bool {
    matches!(
        id,
        FigureId::ResponseMax
            | FigureId::ResponseMin
            | FigureId::BalanceMax
            | FigureId::CornerLow
            | FigureId::CornerHigh
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::{Channel, Conditions, Driven, Unit};

    fn thd(percent: f64, volts: f64) -> Figure {
        Figure {
            id: FigureId::Thd,
            channel: Channel::Left,
            estimate: Estimate::exact(percent)
                .with_observed("repeatability", 0.01, 60.0)
                .with_of_this_take("rig distortion", 0.02)
                .with("meter volts", 0.05),
            unit: Unit::Percent,
            db: None,
            order: None,
            weighting: None,
            band: None,
            conditions: Conditions {
                frequency_hz: Some(997.0),
                level_v: Some(volts),
                ..Conditions::default()
            },
            limited_by: None,
            upper_limit: false,
        }
    }

    #[test]
    fn a_shared_error_cancels_and_levels_are_matched() {
        let first = [thd(0.1, 2.8), thd(0.2, 22.0)];
        let second = [thd(0.5, 21.5), thd(0.15, 2.9)];
        let found = differences(&first, &second);
        assert_eq!(found.len(), 2);
        assert!((found[0].change.value - 0.05).abs() < 1e-12);
        assert!((found[1].change.value - 0.3).abs() < 1e-12);
        // GUM 5.2.2: the meter's shared error cancels; the repeatabilities add, and so does the rig's distortion, whose
        // phase re the unit's is unknown in each take anew: √(2·(0.01² + 0.02²)).
        let expected = (2.0 * (0.01f64.powi(2) + 0.02f64.powi(2))).sqrt();
        assert!((found[0].change.standard_uncertainty() - expected).abs() < 1e-12);
    }

    #[test]
    fn hum_beside_a_tone_is_no_pair_of_that_of_silence() {
        let hum = |driven| Figure {
            id: FigureId::Hum,
            unit: Unit::Volts,
            conditions: Conditions {
                driven,
                ..Conditions::default()
            },
            ..thd(1e-4, 1.0)
        };
        let (silent, driven) = ([hum(None)], [hum(Some(Driven::Both))]);
        assert!(differences(&silent, &driven).is_empty());
        assert_eq!(differences(&silent, &silent).len(), 1);
        assert_eq!(differences(&driven, &driven).len(), 1);
    }

    #[test]
    fn different_levels_are_not_set_side_by_side() {
        assert!(differences(&[thd(0.1, 2.8)], &[thd(0.1, 22.0)]).is_empty());
    }
}
