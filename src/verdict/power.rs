//! Rated power, judged as a specification means it: distortion, with its interval, inside the rated limit at a level
//! whose power, with its interval, reaches the rated power — at each frequency, and at both edges of the rated band.

use super::matching::{driven_words, hertz, name_of, same_frequency, uncovered};
use super::{Limit, Outcome, Verdict, interval, stated, worst};
use crate::figure::{Channel, Figure, FigureId, LimitedBy, Unit};
use crate::quantity::significant;
use crate::rig::SAME_LOAD;
use crate::unit::RatedPower;

/// Two figures of one take have their level in common to the last digit; of two takes at one setting, almost.
const SAME_TAKE: f64 = 1e-3;

/// Takes whose levels agree within this were made at one setting, dB: a repeated take comes back so close, and steps of
/// a search near the rated power are coarser.
const REPEATED_DB: f64 = 0.1;

/// Below this part of the rated power a take was not made for it.
const ATTEMPT: f64 = 0.8;

/// Distortion of the highest frequencies is usually measured to 80 kHz (common practice, no source): so far and no
/// further are harmonics asked for.
const USUAL_TOP_HZ: f64 = 79_900.0;

/// The pairs of power and distortion that were measured together in `mode` on `channel`.
pub fn power_points(figures: &[Figure], mode: Option<&str>, channel: Channel) -> Vec<(Figure, Figure)> {
    let of = |id: FigureId, unit: Unit| {
        figures.iter().filter(move |f| {
            f.id == id
                && f.unit == unit
                && f.channel == channel
                && (mode.is_none() || f.conditions.mode.is_none() || f.conditions.mode.as_deref() == mode)
        })
    };
    of(FigureId::Power, Unit::Watts)
        .filter_map(|power| {
            let thd = fullest(of(FigureId::Thd, Unit::Percent).filter(|thd| measured_together(power, thd)))?;
            Some((power.clone(), thd.clone()))
        })
        .collect()
}

/// Of one take's distortion in several bands: the first that leaves no harmonic out that belongs to it, else the one of
/// the widest band.
fn fullest<'f>(thds: impl Iterator<Item = &'f Figure>) -> Option<&'f Figure> {
    let mut best: Option<&Figure> = None;
    let top = |f: &Figure| f.band.map_or(0.0, |b| b.high_hz);
    for thd in thds {
        if thd.limited_by != Some(LimitedBy::Bandwidth) {
            return Some(thd);
        }
        if best.is_none_or(|b| top(thd) > top(b)) {
            best = Some(thd);
        }
    }
    best
}

/// Whether two figures were read from one take: equal tone, level, channels driven and input.
pub fn measured_together(a: &Figure, b: &Figure) -> bool {
    let (a, b) = (&a.conditions, &b.conditions);
    let near = |x: Option<f64>, y: Option<f64>| match (x, y) {
        (Some(x), Some(y)) => (x / y - 1.0).abs() <= SAME_TAKE,
        _ => true,
    };
    let same_level = match (a.level_v, b.level_v) {
        (Some(_), Some(_)) => near(a.level_v, b.level_v),
        _ => a
            .level_dbfs
            .zip(b.level_dbfs)
            .is_none_or(|(x, y)| (x - y).abs() < 0.01),
    };
    same_level && near(a.frequency_hz, b.frequency_hz) && a.driven == b.driven && a.input == b.input
}

/// Judges the rated power of one channel in one mode from points (power, distortion), each pair measured together, in
/// the order of the takes: a later take at the same frequency and level takes the place of an earlier one.
/// The limit of the verdict is the rated power in watts.
pub fn judge_power(points: &[(Figure, Figure)], rated: &RatedPower) -> Verdict {
    decide_power(points, rated).1
}

/// As [`judge_power`], with the power of the point that decided.
pub(super) fn decide_power<'a>(
    points: &'a [(Figure, Figure)],
    rated: &RatedPower,
) -> (Option<&'a Figure>, Verdict) {
    let limit = Some(rated.watts);
    let (fitting, why_not) = Point::all_of(points, rated);
    if fitting.is_empty() {
        let why = why_not.unwrap_or_else(|| "power and distortion were not measured together".to_owned());
        return (None, Verdict::not_measured(limit, why));
    }
    let groups = by_frequency(&fitting);
    // Distortion at low power, measured for a curve, says nothing of the rated power.
    let any_attempt = groups.iter().any(|(_, group)| is_attempt(group, rated));
    let decided: Vec<(Option<f64>, Decided<'_, 'a>)> = groups
        .into_iter()
        .filter(|(_, group)| !any_attempt || is_attempt(group, rated))
        .map(|(hz, group)| (hz, at_one_frequency(&group, rated)))
        .collect();
    let outcome = worst(decided.iter().map(|(_, d)| d.outcome)).unwrap_or(Outcome::NotMeasured);
    let deciding = || decided.iter().filter(|(_, d)| d.outcome == outcome);
    let reasons: Vec<String> = deciding()
        .map(|(hz, d)| match hz {
            Some(hz) => format!("at {}: {}", hertz(*hz), d.reason),
            None => d.reason.clone(),
        })
        .collect();
    let mut reason = reasons.join("; ");
    let measured: Vec<f64> = decided.iter().filter_map(|(hz, _)| *hz).collect();
    let gap = uncovered(rated.band_hz, &measured).filter(|_| outcome == Outcome::Pass);
    if let Some(gap) = &gap {
        reason = format!("as far as it was measured, {reason}; but {gap}");
    }
    reason = with_granted(reason, &fitting, rated);
    let figure = deciding().find_map(|(_, d)| d.point).map(|p| p.power);
    let outcome = gap.map_or(outcome, |_| Outcome::NotMeasured);
    let verdict = Verdict {
        outcome,
        limit,
        reason,
    };
    (figure, verdict)
}

/// Judges one power with its distortion by itself, at its own frequency; `None` where it was not made for the rated
/// power, or not under its conditions.
pub(super) fn judge_point(point: &(Figure, Figure), rated: &RatedPower) -> Option<Verdict> {
    let only = Point::of(point, rated).ok()?;
    if !is_attempt(&[&only], rated) {
        return None;
    }
    let decided = at_one_frequency(&[&only], rated);
    Some(Verdict {
        outcome: decided.outcome,
        limit: Some(rated.watts),
        reason: with_granted(decided.reason, std::slice::from_ref(&only), rated),
    })
}

fn is_attempt(group: &[&Point<'_>], rated: &RatedPower) -> bool {
    let near = |p: &&Point<'_>| p.power.estimate.value >= ATTEMPT * rated.watts;
    group.iter().any(near) || broken(group).is_some()
}

/// Says what is taken as rated because no take recorded it.
fn with_granted(reason: String, points: &[Point<'_>], rated: &RatedPower) -> String {
    let mut granted = Vec::new();
    if points.iter().any(|p| p.power.conditions.load_ohm.is_none()) {
        granted.push(format!("load {} Ω", significant(rated.load_ohm, 3)));
    }
    if points.iter().any(|p| p.power.conditions.driven.is_none()) {
        granted.push(driven_words(rated.driven));
    }
    if granted.is_empty() {
        return reason;
    }
    format!("{reason} (not recorded, taken as rated: {})", granted.join(", "))
}

/// Where an interval lies against a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reach {
    Yes,
    No,
    Unsure,
}

struct Point<'a> {
    /// The converter clipped: the capture says neither how much power there was nor how clean it was.
    clipped: bool,
    /// Harmonics beyond the measured band belong to the distortion and were not counted.
    narrow: bool,
    power: &'a Figure,
    thd: &'a Figure,
    /// Whether the power reaches the rated power.
    powerful: Reach,
    /// Whether the distortion is inside its limit.
    clean: Reach,
}

impl<'a> Point<'a> {
    /// The points that hold under the rated conditions, the last of each frequency and level; and why another does not.
    fn all_of(points: &'a [(Figure, Figure)], rated: &RatedPower) -> (Vec<Self>, Option<String>) {
        let mut why_not = None;
        let mut fitting: Vec<Self> = Vec::new();
        for pair in points {
            match Self::of(pair, rated) {
                Ok(point) => {
                    fitting.retain(|earlier| !earlier.is_repeated_by(&point));
                    fitting.push(point);
                }
                Err(why) => why_not = Some(why),
            }
        }
        (fitting, why_not)
    }

    fn frequency_hz(&self) -> Option<f64> {
        let of = |f: &Figure| f.conditions.frequency_hz;
        of(self.thd).or(of(self.power))
    }

    fn is_repeated_by(&self, later: &Self) -> bool {
        let ratio = later.power.estimate.value / self.power.estimate.value;
        let same_frequency = match (self.frequency_hz(), later.frequency_hz()) {
            (Some(a), Some(b)) => same_frequency(a, b),
            (None, None) => true,
            _ => false,
        };
        same_frequency && (10.0 * ratio.log10()).abs() <= REPEATED_DB
    }

    fn of((power, thd): &'a (Figure, Figure), rated: &RatedPower) -> Result<Self, String> {
        let c = &power.conditions;
        if c.unloaded {
            return Err("no load was connected: connect it and repeat the take".to_owned());
        }
        if let Some(ohm) = c
            .load_ohm
            .filter(|ohm| (ohm / rated.load_ohm - 1.0).abs() > SAME_LOAD)
        {
            return Err(format!(
                "power was measured into {} Ω, the rating is for {} Ω",
                significant(ohm, 3),
                significant(rated.load_ohm, 3)
            ));
        }
        if let Some(driven) = c.driven.filter(|driven| *driven != rated.driven) {
            return Err(format!(
                "{} was driven, the rating is for {} driven",
                name_of(&driven),
                name_of(&rated.driven)
            ));
        }
        let limit = Limit::at_most(rated.thd_percent, Unit::Percent).in_unit(thd.unit);
        let (Some(limit), Unit::Watts) = (limit.and_then(|l| l.max), power.unit) else {
            return Err(
                "power must be in watts and distortion in percent: measure with a calibrated rig".to_owned(),
            );
        };
        let (least, most) = interval(power);
        let (low, high) = interval(thd);
        let narrow =
            thd.limited_by == Some(LimitedBy::Bandwidth) && thd.band.is_none_or(|b| b.high_hz < USUAL_TOP_HZ);
        let clipped = [power, thd]
            .iter()
            .any(|f| f.limited_by == Some(LimitedBy::Clipping));
        Ok(Self {
            clipped,
            narrow,
            power,
            thd,
            powerful: reach(least >= rated.watts, most < rated.watts),
            clean: reach(high <= limit && !narrow, low > limit && !thd.upper_limit),
        })
    }

    fn said(&self) -> String {
        format!("{} at {}", stated(self.thd), stated(self.power))
    }
}

fn reach(yes: bool, no: bool) -> Reach {
    match (yes, no) {
        (true, _) => Reach::Yes,
        (false, true) => Reach::No,
        (false, false) => Reach::Unsure,
    }
}

/// A frequency and the points measured at it.
type Group<'g, 'a> = (Option<f64>, Vec<&'g Point<'a>>);

fn by_frequency<'g, 'a>(points: &'g [Point<'a>]) -> Vec<Group<'g, 'a>> {
    let mut groups: Vec<Group<'g, 'a>> = Vec::new();
    for point in points {
        let hz = point.frequency_hz();
        let same = |known: &Option<f64>| match (known, hz) {
            (Some(a), Some(b)) => same_frequency(*a, b),
            (None, None) => true,
            _ => false,
        };
        match groups.iter_mut().find(|(known, _)| same(known)) {
            Some((_, group)) => group.push(point),
            None => groups.push((hz, vec![point])),
        }
    }
    groups.sort_by(|a, b| a.0.unwrap_or(0.0).total_cmp(&b.0.unwrap_or(0.0)));
    groups
}

/// Distortion that is too high below the rated power, and at every higher level too, leaves no level that could meet
/// the rating. Too much of it at a low level only (crossover distortion) is not for this figure to say.
fn broken<'p, 'a>(points: &[&'p Point<'a>]) -> Option<&'p Point<'a>> {
    points
        .iter()
        .copied()
        .filter(|p| p.powerful == Reach::No && p.clean == Reach::No)
        .find(|p| {
            points
                .iter()
                .all(|q| q.clean == Reach::No || q.power.estimate.value < p.power.estimate.value)
        })
}

/// What the points of one frequency say, and the point that says it.
struct Decided<'p, 'a> {
    outcome: Outcome,
    reason: String,
    point: Option<&'p Point<'a>>,
}

fn at_one_frequency<'p, 'a>(points: &[&'p Point<'a>], rated: &RatedPower) -> Decided<'p, 'a> {
    let goal = format!(
        "{} % at {} W",
        significant(rated.thd_percent, 6),
        significant(rated.watts, 6)
    );
    let decided = |outcome, point: &'p Point<'a>, rest: String| Decided {
        outcome,
        reason: format!("{}{rest}", point.said()),
        point: Some(point),
    };
    let (clipped, sound): (Vec<&'p Point<'a>>, Vec<&'p Point<'a>>) = points.iter().partition(|p| p.clipped);
    let meets = |p: &&&'p Point<'a>| p.powerful == Reach::Yes && p.clean == Reach::Yes;
    if let Some(p) = sound.iter().find(meets) {
        return decided(Outcome::Pass, p, format!(" meets {goal}"));
    }
    if let Some(p) = broken(&sound) {
        return decided(Outcome::Fail, p, format!(", already too much for {goal}"));
    }
    if let Some(p) = clipped.first() {
        let why =
            "the capture is clipped and decides nothing: repeat it with less gain in front of the interface";
        return decided(Outcome::CannotTell, p, format!(", but {why}"));
    }
    match undecided(&sound, &goal) {
        Some((p, why)) => decided(Outcome::CannotTell, p, format!(": {why}")),
        None => Decided {
            outcome: Outcome::CannotTell,
            reason: format!("no level near {goal} was measured"),
            point: None,
        },
    }
}

/// The point nearest to deciding, and what would decide.
fn undecided<'p, 'a>(points: &[&'p Point<'a>], goal: &str) -> Option<(&'p Point<'a>, String)> {
    let by_power =
        |a: &&'p Point<'a>, b: &&'p Point<'a>| a.power.estimate.value.total_cmp(&b.power.estimate.value);
    let points = || points.iter().copied();
    let loudest_clean = points().filter(|p| p.clean == Reach::Yes).max_by(by_power);
    let doubtful = points().filter(|p| p.powerful != Reach::No).min_by(by_power);
    let why = match (loudest_clean, doubtful) {
        (Some(p), _) if p.powerful == Reach::Unsure => {
            let why =
                format!("the power may lie on either side of {goal}; a slightly higher level would decide");
            return Some((p, why));
        }
        (_, Some(p)) if p.narrow => format!(
            "harmonics beyond the measured band belong to it and were not counted; a take at 192 kHz would decide {goal}"
        ),
        (_, Some(p)) if p.clean == Reach::Unsure => format!(
            "the distortion cannot be told from the limit of {goal}; a rig with less distortion or a longer capture would decide"
        ),
        (_, Some(_)) => format!(
            "too much for {goal}, but the level may be above the rated power; a level just below it would decide"
        ),
        (Some(_), None) => format!("no higher level was measured; {goal} would decide"),
        (None, None) => return None,
    };
    Some((doubtful.or(loudest_clean)?, why))
}
