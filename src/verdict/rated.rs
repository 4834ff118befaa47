//! A whole specification against all that was measured.

use super::matching::{Wanted, channels_of};
use super::power::{decide_power, judge_point, power_points};
use super::{Circumstances, Limit, Outcome, Verdict, judge_figure, stated};
use crate::figure::{Channel, Figure, FigureId, Findings};
use crate::unit::{Rated, UnitSpec};
use serde::{Deserialize, Serialize};

/// The figures that answer a rated one.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer<'f> {
    /// At least one; several where the rating holds over a range of frequencies.
    pub figures: Vec<&'f Figure>,
    /// What of the rating they leave unmeasured.
    pub gap: Option<String>,
    /// Settings that are unknown and taken as rated.
    pub granted: Vec<String>,
}

/// A figure with its verdict, as `analyse` prints it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judged {
    /// The figure.
    #[serde(flatten)]
    pub figure: Figure,
    /// Its verdict; `None` where nothing rates it.
    pub verdict: Option<Verdict>,
}

/// One line of a specification, judged in one mode and channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// Which figure.
    pub id: FigureId,
    /// The index in the specification's `rated`; `None` for the rated power.
    pub rated: Option<usize>,
    /// The mode, where the unit has several.
    pub mode: Option<String>,
    /// The channel.
    pub channel: Channel,
    /// The figure that decided.
    pub figure: Option<Figure>,
    /// The verdict.
    pub verdict: Verdict,
}

/// A line of the unit's rated specification.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum RatedItem {
    /// [`UnitSpec::power`].
    Power,
    /// The entry of [`UnitSpec::rated`] at this index.
    Figure(usize),
}

/// The figures among `figures` that answer `rated` in `mode` on `channel`.
///
/// # Errors
/// Where none does: what was measured under which other condition, as a sentence.
pub fn matching<'f>(
    rated: &Rated,
    spec: &UnitSpec,
    mode: Option<&str>,
    channel: Channel,
    figures: &'f [Figure],
) -> Result<Answer<'f>, String> {
    Wanted {
        rated,
        spec,
        mode,
        channel,
    }
    .answer(figures)
}

/// Judges the rated figure at `index` of `spec` in `mode` on `channel`.
pub fn judge_rated(
    spec: &UnitSpec,
    index: usize,
    mode: Option<&str>,
    channel: Channel,
    findings: &Findings,
) -> Option<Judgement> {
    let rated = spec.rated.get(index)?;
    let limit = Limit::from(rated);
    let (figure, verdict) = match matching(rated, spec, mode, channel, &findings.figures) {
        Err(why) => (
            None,
            Verdict::not_measured(limit.nearest(None), missing(rated.figure, channel, why, findings)),
        ),
        Ok(answer) => {
            let (figure, verdict) = judge_answer(rated, &limit, &answer);
            (figure.cloned(), verdict)
        }
    };
    Some(Judgement {
        id: rated.figure,
        rated: Some(index),
        mode: mode.map(str::to_owned),
        channel,
        figure,
        verdict,
    })
}

/// Judges a whole specification: the rated power and every rated figure, in every mode it holds in, on every channel.
pub fn judge_all(spec: &UnitSpec, findings: &Findings) -> Vec<Judgement> {
    let mut out = Vec::new();
    let modes: Vec<Option<&str>> = if spec.modes.is_empty() {
        vec![None]
    } else {
        spec.modes.iter().map(|m| Some(m.name.as_str())).collect()
    };
    for mode in modes {
        for channel in channels_of(FigureId::Power) {
            out.push(judge_rated_power(spec, mode, *channel, findings));
        }
    }
    for (index, rated) in spec.rated.iter().enumerate() {
        for mode in spec.modes_of(rated) {
            for channel in channels_of(rated.figure) {
                out.extend(judge_rated(spec, index, mode, *channel, findings));
            }
        }
    }
    out
}

fn judge_rated_power(
    spec: &UnitSpec,
    mode: Option<&str>,
    channel: Channel,
    findings: &Findings,
) -> Judgement {
    let points = power_points(&findings.figures, mode, channel);
    let (figure, mut verdict) = decide_power(&points, spec.power_in(mode));
    if points.is_empty() {
        verdict.reason = missing(FigureId::Power, channel, verdict.reason, findings);
    }
    Judgement {
        id: FigureId::Power,
        rated: None,
        mode: mode.map(str::to_owned),
        channel,
        figure: figure.cloned(),
        verdict,
    }
}

/// The verdicts on a power of `figures`, with the distortion measured together with it, in every mode that it may be of.
fn power_verdicts(spec: &UnitSpec, power: &Figure, figures: &[Figure]) -> Vec<Verdict> {
    let modes: Vec<Option<&str>> = match spec.modes.as_slice() {
        [] => vec![None],
        modes => modes.iter().map(|m| Some(m.name.as_str())).collect(),
    };
    modes
        .into_iter()
        .filter_map(|mode| {
            let points = power_points(figures, mode, power.channel);
            let point = points.iter().find(|(p, _)| p == power)?;
            judge_point(point, spec.power_in(mode))
        })
        .collect()
}

/// Gives each figure the verdict of the rating it answers; of several ratings, the worst. A power is judged together
/// with the distortion of its take, at its own frequency.
pub fn judge_each(spec: &UnitSpec, figures: Vec<Figure>) -> Vec<Judged> {
    let powers: Vec<Vec<Verdict>> = figures
        .iter()
        .map(|figure| match figure.id {
            FigureId::Power => power_verdicts(spec, figure, &figures),
            _ => Vec::new(),
        })
        .collect();
    figures
        .into_iter()
        .zip(powers)
        .map(|(figure, mut verdicts)| {
            for rated in &spec.rated {
                for mode in spec.modes_of(rated) {
                    let wanted = matching(rated, spec, mode, figure.channel, std::slice::from_ref(&figure));
                    // One figure cannot cover a range: it is judged for its own frequency.
                    let answer = wanted.map(|a| Answer {
                        gap: a.gap.filter(|_| rated.frequency_range_hz.is_none()),
                        ..a
                    });
                    verdicts.extend(
                        answer
                            .map(|a| judge_answer(rated, &Limit::from(rated), &a).1)
                            .ok(),
                    );
                }
            }
            let worst = super::worst(verdicts.iter().map(|v| v.outcome));
            let verdict = verdicts.into_iter().find(|v| Some(v.outcome) == worst);
            Judged { figure, verdict }
        })
        .collect()
}

/// The worst verdict among the figures of an answer, and what is left open.
fn judge_answer<'f>(rated: &Rated, limit: &Limit, answer: &Answer<'f>) -> (Option<&'f Figure>, Verdict) {
    let circumstances = Circumstances {
        band_is_stated: rated.band_hz.is_some(),
        ..Circumstances::default()
    };
    let judged: Vec<(&Figure, Verdict)> = answer
        .figures
        .iter()
        .map(|f| (*f, judge_figure(f, limit, &circumstances)))
        .collect();
    let worst = super::worst(judged.iter().map(|(_, v)| v.outcome));
    // Among equals the figure nearest to its limit decides, so that the report shows the tightest margin.
    let decisive = judged
        .into_iter()
        .filter(|(_, v)| Some(v.outcome) == worst)
        .min_by(|a, b| margin(a).total_cmp(&margin(b)));
    let Some((figure, mut verdict)) = decisive else {
        return (
            None,
            Verdict::not_measured(limit.nearest(None), "this figure was not measured"),
        );
    };
    if rated.frequency_range_hz.is_some()
        && let Some(hz) = figure.conditions.frequency_hz
    {
        verdict.reason = format!("at {}: {}", super::matching::hertz(hz), verdict.reason);
    }
    // A part of the rating that is broken breaks the whole; a part that holds proves nothing of the rest.
    if let (Some(gap), Outcome::Pass) = (&answer.gap, verdict.outcome) {
        verdict.outcome = Outcome::NotMeasured;
        verdict.reason = format!("as far as it was measured, {}; but {gap}", verdict.reason);
    }
    if !answer.granted.is_empty() {
        verdict.reason = format!(
            "{} (not recorded, taken as rated: {})",
            verdict.reason,
            answer.granted.join(", ")
        );
    }
    (Some(figure), verdict)
}

/// Distance of a figure's value from its deciding limit.
fn margin((figure, verdict): &(&Figure, Verdict)) -> f64 {
    verdict
        .limit
        .map_or(f64::INFINITY, |limit| (figure.estimate.value - limit).abs())
}

/// Why a rated figure has no answer: the measurement's own reason if it gave one.
fn missing(id: FigureId, channel: Channel, why: String, findings: &Findings) -> String {
    let own = findings
        .not_measured
        .iter()
        .find(|n| n.id == id && n.channel == channel);
    match own {
        Some(own)
            if !findings
                .figures
                .iter()
                .any(|f| f.id == id && f.channel == channel) =>
        {
            own.reason.clone()
        }
        _ => why,
    }
}

/// The figure of a judgement in words, or a dash.
impl Judgement {
    /// Which line of the specification it judges.
    pub fn item(&self) -> RatedItem {
        self.rated.map_or(RatedItem::Power, RatedItem::Figure)
    }

    /// What was measured, in words; `None` where nothing was.
    pub fn measured(&self) -> Option<String> {
        self.figure.as_ref().map(stated)
    }
}
