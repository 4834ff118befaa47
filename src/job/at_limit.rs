//! Power at the rated distortion and the onset of clipping, from the tones of a whole stage.

use super::results::MeasurementResults;
use crate::figure::{Channel, Conditions, Figure, FigureId, Findings, NotMeasured, Unit};
use crate::figures::power_at_limit::{ONSET_PERCENT, Point, Reached, first_reaching};
use crate::quantity::significant;
use crate::rig::SAME_LOAD;
use crate::unit::UnitSpec;
use crate::verdict::{measured_together, same_frequency};

/// Tones for the rated power stay below this part of it: who went further was looking for the limit.
const SEARCHED: f64 = 1.2;

/// A take of the stage: the index of its measurement, its power and its distortion.
type Taken<'a> = (usize, Point<'a>);

/// What the tones of a stage say together, each with the index of the measurement it is filed under: the loudest of
/// those it was read from.
pub(super) fn of(measurements: &[MeasurementResults], unit: &UnitSpec) -> Vec<(usize, Findings)> {
    alike(measurements)
        .iter()
        .filter(|group| group.len() > 1)
        .filter_map(|group| {
            let watts = |taken: &Taken<'_>| taken.1.power.estimate.value;
            let (index, _) = group.iter().max_by(|a, b| watts(a).total_cmp(&watts(b)))?;
            Some((*index, of_group(group, unit)))
        })
        .filter(|(_, found)| *found != Findings::default())
        .collect()
}

/// Groups of takes that differ in nothing but their power.
fn alike(measurements: &[MeasurementResults]) -> Vec<Vec<Taken<'_>>> {
    let mut groups: Vec<Vec<Taken<'_>>> = Vec::new();
    for (index, measurement) in measurements.iter().enumerate() {
        let figures = &measurement.findings.figures;
        let powers = figures.iter().filter(|f| f.id == FigureId::Power);
        for power in powers {
            // The first band of a take's distortion is the usual one.
            let thd = figures.iter().find(|f| {
                f.id == FigureId::Thd
                    && f.unit == Unit::Percent
                    && f.channel == power.channel
                    && measured_together(power, f)
            });
            let Some(distortion) = thd else { continue };
            let point = Point { power, distortion };
            let same = |group: &&mut Vec<Taken<'_>>| {
                group
                    .first()
                    .is_some_and(|(_, p)| is_like(p.power, power) && p.distortion.band == distortion.band)
            };
            match groups.iter_mut().find(same) {
                Some(group) => group.push((index, point)),
                None => groups.push(vec![(index, point)]),
            }
        }
    }
    groups
}

fn is_like(a: &Figure, b: &Figure) -> bool {
    let near = |a: Option<f64>, b: Option<f64>, same: fn(f64, f64) -> bool| match (a, b) {
        (Some(a), Some(b)) => same(a, b),
        (None, None) => true,
        _ => false,
    };
    let (x, y): (&Conditions, &Conditions) = (&a.conditions, &b.conditions);
    a.channel == b.channel
        && x.driven == y.driven
        && x.mode == y.mode
        && x.input == y.input
        && near(x.frequency_hz, y.frequency_hz, same_frequency)
        && near(x.load_ohm, y.load_ohm, |a, b| (a / b - 1.0).abs() <= SAME_LOAD)
}

fn of_group(group: &[Taken<'_>], unit: &UnitSpec) -> Findings {
    let points: Vec<Point<'_>> = group.iter().map(|(_, p)| *p).collect();
    let mut found = Findings::default();
    let Some(first) = points.first() else { return found };
    let rated = unit.power_in(first.power.conditions.mode.as_deref());
    let searched = points
        .iter()
        .any(|p| p.power.estimate.value > SEARCHED * rated.watts);
    for (id, percent) in [
        (FigureId::PowerAtLimit, rated.thd_percent),
        (FigureId::ClippingOnset, ONSET_PERCENT),
    ] {
        match first_reaching(&points, id, percent) {
            Reached::At(figure) => found.figures.push(*figure),
            // Most benches stop at the rated power, and nothing is missing there.
            other if searched || unit.rated.iter().any(|r| r.figure == id) => {
                found
                    .not_measured
                    .extend(why_not(&other, id, first.power.channel, percent));
            }
            _ => {}
        }
    }
    found
}

fn why_not(reached: &Reached, id: FigureId, channel: Channel, percent: f64) -> Option<NotMeasured> {
    let limit = significant(percent, 3);
    let (code, reason) = match reached {
        Reached::At(_) => return None,
        Reached::NotUpTo { watts, percent } => (
            "not_reached",
            format!(
                "distortion does not reach {limit} %: it is {} % at {} W, the highest power that was measured",
                significant(*percent, 3),
                significant(*watts, 4)
            ),
        ),
        Reached::AlwaysAbove { watts } => (
            "always_above",
            format!(
                "distortion is above {limit} % in every take, from {} W on: measure at less power too",
                significant(*watts, 3)
            ),
        ),
        Reached::Nothing => (
            "clipped",
            "no take is fit to say: repeat them with less gain in front of the interface".to_owned(),
        ),
    };
    Some(NotMeasured {
        id,
        channel,
        code: code.to_owned(),
        reason,
    })
}
