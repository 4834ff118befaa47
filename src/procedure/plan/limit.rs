//! Steps around and above the rated power, for the power at a distortion limit and the onset of clipping.
//!
//! Above the rated power each step is half a decibel (12 % of power), which places the crossing within that step; below it
//! fewer will do, since a unit that is in order crosses nothing there. The last ends below the 3 dB that the ceiling
//! allows a drive that makes up for a lost gain ([`crate::rig::ceiling::DRIVE_RE_RATED`]). Each is short, and the load's
//! heat is watched as that of any step. They are planned only where the specification rates, or somebody asks for, what
//! they find.

use super::CONNECTION_HZ;
use super::shape::Shape;
use super::step::Step;
use crate::figure::{FigureId, Unit};
use crate::quantity::{Decibels, Watts};
use crate::unit::{Rated, UnitSpec};

/// The steps re rated power, dB; below [`crate::rig::ceiling::DRIVE_RE_RATED`] with room for channels that differ in gain.
const STEPS: [Decibels; 8] = [
    Decibels(-3.0),
    Decibels(-1.0),
    Decibels(0.0),
    Decibels(0.5),
    Decibels(1.0),
    Decibels(1.5),
    Decibels(2.0),
    Decibels(2.5),
];

/// What the steps find.
const FOUND: [FigureId; 2] = [FigureId::PowerAtLimit, FigureId::ClippingOnset];

/// `unit` as a plan must see it so that it finds what is `wanted` although the specification does not rate it.
pub fn asking(unit: &UnitSpec, wanted: &[FigureId]) -> UnitSpec {
    let mut asked = unit.clone();
    let wanted = FOUND.into_iter().filter(|id| wanted.contains(id));
    asked.rated.extend(wanted.map(|id| Rated::new(id, Unit::Watts)));
    asked
}

impl Shape<'_> {
    /// The steps around the rated power that the specification asks for in `mode`, rising.
    pub(super) fn above_rated(&self, mode: Option<&str>) -> Vec<Step> {
        let asked = |id: FigureId| {
            self.unit
                .rated
                .iter()
                .any(|r| r.figure == id && r.mode.as_deref().is_none_or(|m| Some(m) == mode))
        };
        let wanted: Vec<FigureId> = FOUND.into_iter().filter(|id| asked(*id)).collect();
        if wanted.is_empty() {
            return Vec::new();
        }
        let rated_w = self.unit.power_in(mode).watts;
        STEPS
            .into_iter()
            .zip(1..)
            .map(|(level, number)| {
                let watts = Watts(rated_w * level.power_ratio());
                let name = format!("power-limit-{number}");
                let mut step = self.tone(
                    mode,
                    &name,
                    CONNECTION_HZ,
                    watts,
                    "Up to and above the rated power: where distortion reaches its limit.",
                );
                step.figures.extend(&wanted);
                step
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::full;
    use super::*;
    use crate::rig::ceiling::DRIVE_RE_RATED;
    use crate::unit::file;

    #[test]
    fn steps_above_the_rated_power_are_planned_where_asked_and_stay_below_the_ceiling() {
        let mut unit = file::parse(include_str!("../../../units/tarnbeck-60.unit.toml"), "demo").unwrap();
        unit.rated
            .retain(|r| r.figure != FigureId::ClippingOnset && r.figure != FigureId::PowerAtLimit);
        let above = |unit: &crate::unit::UnitSpec| -> Vec<f64> {
            let steps = full(unit, "power", "noise").unwrap();
            let of_search = steps.iter().filter(|s| s.name.starts_with("power-limit"));
            of_search.map(|s| s.aims_at(unit).0).collect()
        };
        assert!(above(&unit).is_empty());
        let mut asked = Rated::new(FigureId::ClippingOnset, Unit::Watts);
        asked.min = Some(60.0);
        asked.mode = Some("class AB".to_owned());
        unit.rated.push(asked);
        let watts = above(&unit);
        assert_eq!(watts.len(), STEPS.len());
        let most = unit.power.watts * DRIVE_RE_RATED.power_ratio();
        assert!(watts.windows(2).all(|w| w[0] < w[1]) && watts.iter().all(|w| *w < most));
    }
}
