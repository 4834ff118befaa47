//! Steps above the rated power, for the power at a distortion limit and the onset of clipping.
//!
//! Each step is half a decibel (12 % of power), which places the crossing within that step; five of them end below the
//! 3 dB above rated that the ceiling allows ([`DRIVE_RE_RATED`]). Each is short, and the load's heat is watched as that of any step. They are planned only
//! where the specification asks for what they find.

use super::CONNECTION_HZ;
use super::shape::Shape;
use super::step::Step;
use crate::figure::FigureId;
use crate::quantity::{Decibels, Watts};
use crate::rig::ceiling::DRIVE_RE_RATED;

/// From one step to the next.
const STEP: Decibels = Decibels(0.5);

/// Kept below the ceiling: the gain was found with a faint tone, and the channels differ.
const SPARE: Decibels = Decibels(0.4);

impl Shape<'_> {
    /// The steps above the rated power that the specification asks for in `mode`, rising.
    pub(super) fn above_rated(&self, mode: Option<&str>) -> Vec<Step> {
        let asked = |id: FigureId| {
            self.unit
                .rated
                .iter()
                .any(|r| r.figure == id && r.mode.as_deref().is_none_or(|m| Some(m) == mode))
        };
        let wanted: Vec<FigureId> = [FigureId::PowerAtLimit, FigureId::ClippingOnset]
            .into_iter()
            .filter(|id| asked(*id))
            .collect();
        if wanted.is_empty() {
            return Vec::new();
        }
        let rated_w = self.unit.power_in(mode).watts;
        std::iter::successors(Some(STEP), |level| Some(*level + STEP))
            .take_while(|level| level.0 <= DRIVE_RE_RATED.0 - SPARE.0)
            .map(|level| {
                let watts = Watts(rated_w * level.power_ratio());
                let name = format!("power-above-{:.0}mdb", level.0 * 1000.0);
                let mut step = self.tone(
                    mode,
                    &name,
                    CONNECTION_HZ,
                    watts,
                    "Above the rated power: where distortion reaches its limit.",
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
    use crate::figure::Unit;
    use crate::unit::{Rated, file};

    #[test]
    fn steps_above_the_rated_power_are_planned_where_asked_and_stay_below_the_ceiling() {
        let mut unit = file::parse(include_str!("../../../units/tarnbeck-60.unit.toml"), "demo").unwrap();
        unit.rated.retain(|r| r.figure != FigureId::ClippingOnset && r.figure != FigureId::PowerAtLimit);
        let above = |unit: &crate::unit::UnitSpec| -> Vec<f64> {
            let steps = full(unit, "power", "noise").unwrap();
            let of_search = steps.iter().filter(|s| s.name.starts_with("power-above"));
            of_search.map(|s| s.aims_at(unit).0).collect()
        };
        assert!(above(&unit).is_empty());
        let mut asked = Rated::new(FigureId::ClippingOnset, Unit::Watts);
        asked.min = Some(60.0);
        asked.mode = Some("class AB".to_owned());
        unit.rated.push(asked);
        let watts = above(&unit);
        assert_eq!(watts.len(), 5);
        let most = unit.power.watts * DRIVE_RE_RATED.power_ratio();
        assert!(watts.windows(2).all(|w| w[0] < w[1]) && watts.iter().all(|w| *w < most));
    }
}
