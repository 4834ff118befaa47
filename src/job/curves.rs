//! Distortion against power and against frequency: one take gives one point, so the curves are put together from the
//! figures of a whole stage.
//!
//! A curve holds one thing at a time: against power all points have one frequency, against frequency all have one
//! output, and all are of one band, channel, mode and input. Nothing is computed here but the rig's own distortion at
//! each point, by the rule that widens the figures' intervals.

use super::results::MeasurementResults;
use crate::figure::{Band, Channel, Conditions, Curve, Figure, FigureId, Unit};
use crate::figures::distortion::rig_thd_percent;
use crate::quantity::Dbfs;
use crate::rig::Rig;
use crate::verdict::{measured_together, same_frequency};

/// Fewer points are no curve.
const LEAST_POINTS: usize = 3;

/// Outputs within this count as equal, relative: half a decibel of power, the droop that ratings allow at the edges of
/// the audio band. Two takes at one frequency this near to each other are two readings of one point.
const SAME_POWER: f64 = 0.12;

/// THD against power or against frequency, of one channel in one mode.
#[derive(Debug, Clone, PartialEq)]
pub struct DistortionCurve {
    /// `thd` in percent against W or Hz. A point that is only an upper limit is not in it.
    pub curve: Curve,
    /// What all points share; no level, and no frequency where that is the abscissa.
    pub conditions: Conditions,
    /// Band that harmonics were counted in.
    pub band: Option<Band>,
    /// Output of a curve against frequency, W: that of its first point.
    pub power_w: Option<f64>,
    /// Where distortion could not be told from noise: (abscissa, percent that it is below).
    pub upper_limits: Vec<(f64, f64)>,
    /// The rig's own THD at each point, percent, as known from its 1 kHz loopback; empty without one.
    pub rig_floor: Vec<(f64, f64)>,
}

/// One take's distortion with its power.
#[derive(Debug, Clone, Copy)]
struct Point<'a> {
    thd: &'a Figure,
    hz: f64,
    watts: f64,
    rig: Option<&'a Rig>,
}

/// All curves of a stage, against power first; channels and modes in the order they were measured. `rigs` has the rig of
/// each measurement.
pub fn of(measurements: &[MeasurementResults], rigs: &[Option<&Rig>]) -> Vec<DistortionCurve> {
    let all: Vec<Point<'_>> = measurements
        .iter()
        .zip(rigs)
        .flat_map(|(m, rig)| points(m, *rig))
        .collect();
    let mut groups: Vec<Vec<Point<'_>>> = Vec::new();
    for point in all {
        match groups.iter_mut().find(|g| alike(g[0].thd, point.thd)) {
            Some(group) => group.push(point),
            None => groups.push(vec![point]),
        }
    }
    let power = groups.iter().filter_map(|g| against_power(g));
    let frequency = groups.iter().filter_map(|g| against_frequency(g));
    let drawn = |(points, x_unit): (Vec<Point<'_>>, Unit)| curve(&points, x_unit);
    power
        .map(|p| (p, Unit::Watts))
        .chain(frequency.map(|p| (p, Unit::Hertz)))
        .map(drawn)
        .collect()
}

/// The THD figures of a measurement on `rig` whose power was read from the same take.
fn points<'a>(measurement: &'a MeasurementResults, rig: Option<&'a Rig>) -> impl Iterator<Item = Point<'a>> {
    let figures = &measurement.findings.figures;
    let thds = figures
        .iter()
        .filter(|f| f.id == FigureId::Thd && f.unit == Unit::Percent);
    thds.filter_map(move |thd| {
        let power = figures.iter().find(|p| {
            p.id == FigureId::Power
                && p.unit == Unit::Watts
                && p.channel == thd.channel
                && measured_together(p, thd)
        })?;
        Some(Point {
            thd,
            hz: thd.conditions.frequency_hz?,
            watts: power.estimate.value,
            rig,
        })
    })
}

/// Whether two figures may stand on curves of one channel, mode and input, whatever their band.
fn alike(a: &Figure, b: &Figure) -> bool {
    let (c, d) = (&a.conditions, &b.conditions);
    a.channel == b.channel
        && c.mode == d.mode
        && c.input == d.input
        && c.volume == d.volume
        && c.driven == d.driven
}

/// The points of the frequency that was measured at most powers; the first band that has most of them.
fn against_power<'a>(group: &[Point<'a>]) -> Option<Vec<Point<'a>>> {
    let same = |a: &Point<'_>, b: &Point<'_>| same_frequency(a.hz, b.hz);
    let again = |a: &Point<'_>, b: &Point<'_>| same_power(a, b);
    longest(group, same, again, |p| p.watts)
}

/// The points of the power that was measured at most frequencies; the widest band that has most of them.
fn against_frequency<'a>(group: &[Point<'a>]) -> Option<Vec<Point<'a>>> {
    let width = |p: &Point<'_>| p.thd.band.map_or(0.0, |b| b.high_hz - b.low_hz);
    let mut widest_first = group.to_vec();
    widest_first.sort_by(|a, b| width(b).total_cmp(&width(a)));
    let again = |a: &Point<'_>, b: &Point<'_>| same_frequency(a.hz, b.hz);
    longest(&widest_first, same_power, again, |p| p.hz)
}

fn same_power(a: &Point<'_>, b: &Point<'_>) -> bool {
    (a.watts / b.watts - 1.0).abs() <= SAME_POWER
}

/// Of all choices of points that are the `same` as one of them and have its band, the first of the longest, rising in
/// `x`; where a point was measured `again`, the later one counts.
fn longest<'a>(
    points: &[Point<'a>],
    same: impl Fn(&Point<'_>, &Point<'_>) -> bool,
    again: impl Fn(&Point<'_>, &Point<'_>) -> bool,
    x: impl Fn(&Point<'_>) -> f64,
) -> Option<Vec<Point<'a>>> {
    let mut best: Vec<Point<'a>> = Vec::new();
    for held in points {
        let mut chosen: Vec<Point<'a>> = Vec::new();
        for point in points
            .iter()
            .filter(|p| p.thd.band == held.thd.band && same(p, held))
        {
            chosen.retain(|earlier| !again(earlier, point));
            chosen.push(*point);
        }
        if chosen.len() > best.len() {
            best = chosen;
        }
    }
    best.sort_by(|a, b| x(a).total_cmp(&x(b)));
    (best.len() >= LEAST_POINTS).then_some(best)
}

fn curve(points: &[Point<'_>], x_unit: Unit) -> DistortionCurve {
    let first = points[0];
    let x = |p: &Point<'_>| if x_unit == Unit::Watts { p.watts } else { p.hz };
    let found: Vec<&Point<'_>> = points.iter().filter(|p| !p.thd.upper_limit).collect();
    let limits = points.iter().filter(|p| p.thd.upper_limit);
    DistortionCurve {
        curve: Curve {
            id: FigureId::Thd,
            channel: first.thd.channel,
            order: None,
            x: found.iter().map(|p| x(p)).collect(),
            x_unit,
            y: found.iter().map(|p| p.thd.estimate.value).collect(),
            y_unit: Unit::Percent,
            u: found
                .iter()
                .map(|p| p.thd.estimate.standard_uncertainty())
                .collect(),
            corrected_for_rig: false,
        },
        conditions: Conditions {
            frequency_hz: first
                .thd
                .conditions
                .frequency_hz
                .filter(|_| x_unit == Unit::Watts),
            level_dbfs: None,
            level_v: None,
            harmonics: None,
            phase_deg: None,
            ..first.thd.conditions.clone()
        },
        band: first.thd.band,
        power_w: (x_unit == Unit::Hertz).then_some(first.watts),
        upper_limits: limits.map(|p| (x(p), p.thd.estimate.interval().1)).collect(),
        rig_floor: points
            .iter()
            .filter_map(|p| Some((x(p), rig_floor(p)?)))
            .collect(),
    }
}

fn rig_floor(point: &Point<'_>) -> Option<f64> {
    let conditions = &point.thd.conditions;
    let orders = conditions.harmonics.as_deref()?;
    let index = point
        .thd
        .channel
        .index()
        .filter(|_| point.thd.channel != Channel::Pair)?;
    rig_thd_percent(point.rig?, index, Dbfs(conditions.level_dbfs?), orders).filter(|percent| *percent > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::{Driven, Findings};
    use crate::quantity::Estimate;
    use crate::rig::Loopback;
    use crate::signal::take::Setup;

    fn figure(id: FigureId, unit: Unit, value: f64, hz: f64, watts: f64) -> Figure {
        Figure {
            id,
            channel: Channel::Left,
            estimate: Estimate::exact(value).with("noise", 0.01 * value),
            unit,
            db: None,
            order: None,
            weighting: None,
            band: (id == FigureId::Thd).then_some(Band::AUDIO),
            conditions: Conditions {
                frequency_hz: Some(hz),
                level_dbfs: Some(10.0 * (watts / 60.0).log10()),
                driven: Some(Driven::Both),
                harmonics: (id == FigureId::Thd).then(|| vec![2, 3]),
                ..Conditions::default()
            },
            limited_by: None,
            upper_limit: false,
        }
    }

    /// A take of `watts` at `hz` with its distortion.
    fn take(hz: f64, watts: f64, thd: f64) -> MeasurementResults {
        let figures = vec![
            figure(FigureId::Power, Unit::Watts, watts, hz, watts),
            figure(FigureId::Thd, Unit::Percent, thd, hz, watts),
        ];
        MeasurementResults {
            name: "tone".to_owned(),
            setup: Setup::default(),
            findings: Findings {
                figures,
                ..Findings::default()
            },
            spectra: Vec::new(),
        }
    }

    /// A rig of which only its two harmonics of −100 dB are known.
    fn rig() -> Rig {
        Rig {
            schema: crate::rig::SCHEMA.to_owned(),
            name: "bench".to_owned(),
            interface: None,
            channels: Vec::new(),
            taps: Vec::new(),
            pads: Vec::new(),
            ceiling_v: 1.0,
            loopback: vec![Loopback {
                channel: 0,
                level_dbfs: -6.0,
                date: "2026-03-01".to_owned(),
                frequency_hz: Vec::new(),
                noise_dbfs_per_hz: Vec::new(),
                response_hz: Vec::new(),
                response_db: Vec::new(),
                response_deg: Vec::new(),
                response_u_db: 0.0,
                harmonics_db: vec![-100.0, -100.0],
            }],
        }
    }

    #[test]
    fn one_frequency_against_power_and_one_power_against_frequency() {
        let mut takes = vec![
            take(997.0, 60.0, 0.01),
            take(997.0, 6.0, 0.003),
            take(997.0, 0.6, 0.004),
        ];
        takes.extend([take(40.0, 6.1, 0.005), take(10_000.0, 5.8, 0.02)]);
        // A second reading of one point takes the place of the first.
        takes.push(take(997.0, 6.01, 0.0031));
        let rig = rig();
        let curves = of(&takes, &vec![Some(&rig); takes.len()]);
        assert_eq!(curves.len(), 2);
        assert_eq!(curves[0].curve.x, [0.6, 6.01, 60.0]);
        assert_eq!(curves[0].curve.y, [0.004, 0.0031, 0.01]);
        assert_eq!(curves[1].curve.x, [40.0, 997.0, 10_000.0]);
        assert_eq!(curves[1].curve.x_unit, Unit::Hertz);
        // Two harmonics of the rig at −100 dB each: √2 · 0.001 %.
        let floor = curves[0].rig_floor[1].1;
        assert!((floor - 0.001 * 2f64.sqrt()).abs() < 1e-9, "{floor}");
        assert!(of(&takes, &vec![None; takes.len()])[0].rig_floor.is_empty());
    }

    #[test]
    fn an_upper_limit_is_no_point_of_the_curve() {
        let mut takes = vec![
            take(997.0, 60.0, 0.01),
            take(997.0, 6.0, 0.003),
            take(997.0, 0.6, 0.004),
        ];
        takes[2].findings.figures[1].upper_limit = true;
        let curves = of(&takes, &[None; 3]);
        assert_eq!(curves.len(), 1, "one frequency is no curve against frequency");
        assert_eq!(curves[0].curve.x, [6.0, 60.0]);
        assert_eq!(curves[0].upper_limits.len(), 1);
        // Two takes are no curve at all.
        assert!(of(&takes[..2], &[None; 2]).is_empty());
    }

    #[test]
    fn other_modes_and_powers_without_a_take_stay_apart() {
        let mut takes = vec![
            take(997.0, 60.0, 0.01),
            take(997.0, 6.0, 0.003),
            take(997.0, 0.6, 0.004),
        ];
        takes[1].findings.figures[1].conditions.mode = Some("class A".to_owned());
        takes[2].findings.figures.remove(0);
        assert!(of(&takes, &[None; 3]).is_empty());
    }
}
