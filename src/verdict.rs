//! Figure × limit → verdict, in one place, by the guard-band rule of JCGM 106 with w = U.
//!
//! - **pass**: the whole 95.45 % interval is inside the limit, edges included;
//! - **fail**: the whole interval is outside;
//! - **cannot tell**: the interval straddles the limit; the reason says what would decide;
//! - **not measured**: there is no figure, or not under the conditions the limit is stated for; the reason says why.
//!
//! An interval that ends exactly at the limit is inside. A figure that is only a bound ("below 0.001 %") can pass and
//! be undecided, but never fail. With w = U a unit whose figure passes at the very edge of acceptance is outside its
//! limit with a probability of at most 2.3 % (JCGM 106:2012, 8.3.2).

mod conformity;
mod limit;
mod matching;
mod power;
mod rated;
mod remedy;
mod words;

pub use conformity::conformance_probability;
pub use limit::Limit;
pub use matching::same_frequency;
pub use power::{judge_power, measured_together, power_points};
pub use rated::{Answer, Judged, Judgement, RatedItem, judge_all, judge_each, judge_rated, matching};
pub use remedy::Remedy;
pub use words::stated;

use crate::figure::{Figure, FigureId, LimitedBy};
use serde::{Deserialize, Serialize};

/// Outcome of a judgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// The whole interval is inside the limit.
    Pass,
    /// The whole interval is outside.
    Fail,
    /// The interval straddles the limit.
    CannotTell,
    /// There is no figure.
    NotMeasured,
}

/// A verdict with its limit and its reason.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// Outcome.
    pub outcome: Outcome,
    /// The limit that decided, in the unit of the figure; of two, the one that is broken or nearest.
    pub limit: Option<f64>,
    /// In words; for `cannot_tell` also what would decide.
    pub reason: String,
}

impl Verdict {
    /// There is no figure to judge, for `reason`.
    pub fn not_measured(limit: Option<f64>, reason: impl Into<String>) -> Self {
        Self {
            outcome: Outcome::NotMeasured,
            limit,
            reason: reason.into(),
        }
    }
}

/// The outcome that counts for all of them: one failure fails, else one doubt leaves doubt. `None` for no outcome.
pub fn worst(outcomes: impl IntoIterator<Item = Outcome>) -> Option<Outcome> {
    outcomes.into_iter().max_by_key(|outcome| match outcome {
        Outcome::Pass => 0,
        Outcome::NotMeasured => 1,
        Outcome::CannotTell => 2,
        Outcome::Fail => 3,
    })
}

/// Whether a change is real: its interval does not hold zero.
pub fn is_real(change: &crate::quantity::Estimate) -> bool {
    let (low, high) = change.interval();
    low > 0.0 || high < 0.0
}

/// Judges a figure against a limit.
pub fn judge(figure: Option<&Figure>, limit: &Limit) -> Verdict {
    match figure {
        Some(figure) => judge_figure(figure, limit, &Circumstances::default()),
        None => Verdict::not_measured(limit.nearest(None), "this figure was not measured"),
    }
}

/// Judges a figure of a capture of `seconds`, so that "cannot tell" can name the capture length that would decide.
pub fn judge_capture(figure: &Figure, limit: &Limit, seconds: f64) -> Verdict {
    let circumstances = Circumstances {
        capture_s: Some(seconds),
        ..Circumstances::default()
    };
    judge_figure(figure, limit, &circumstances)
}

/// What is known beside figure and limit.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Circumstances {
    /// Length of the capture, s.
    pub(crate) capture_s: Option<f64>,
    /// The rating itself states the band the figure is taken in, so that products outside do not belong to it.
    pub(crate) band_is_stated: bool,
}

/// Where an interval lies against one side of a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    Inside,
    Straddles,
    Outside,
}

pub(crate) fn judge_figure(figure: &Figure, limit: &Limit, circumstances: &Circumstances) -> Verdict {
    let Some(limit) = limit.in_unit(figure.unit) else {
        let reason = format!(
            "the figure is in {} and the limit in {}: {}",
            figure.unit.symbol(),
            limit.unit.symbol(),
            "measure with a calibrated rig, or give the limit in a unit that fits"
        );
        return Verdict::not_measured(limit.nearest(None), reason);
    };
    let value = figure.estimate.value;
    let (low, high) = interval(figure);
    if !value.is_finite() || low.is_nan() || high.is_nan() {
        return Verdict::not_measured(limit.nearest(None), "the measurement gave no number");
    }
    let (mut outcome, at) = limit.place(low, high, value);
    if figure.upper_limit && outcome == Outcome::Fail {
        outcome = Outcome::CannotTell;
    }
    let doubt = doubt_beside_uncertainty(figure, outcome, circumstances);
    let reason = match (&doubt, outcome) {
        (Some(doubt), _) => format!("{}, but {doubt}", words::against(figure, at, outcome)),
        (None, Outcome::CannotTell) => {
            let remedy = Remedy::of(figure, at, circumstances.capture_s);
            words::undecided(figure, &limit, at, &remedy)
        }
        (None, _) => words::against(figure, at, outcome),
    };
    Verdict {
        outcome: if doubt.is_some() {
            Outcome::CannotTell
        } else {
            outcome
        },
        limit: Some(at),
        reason,
    }
}

/// The interval a verdict is made from: open towards the side that a mere bound does not know.
pub(crate) fn interval(figure: &Figure) -> (f64, f64) {
    let (low, high) = figure.estimate.interval();
    match (figure.upper_limit, is_distance(figure.id)) {
        (false, _) => (low, high),
        // What is left cannot be told from noise: the residue is at most so much …
        (true, false) => (f64::NEG_INFINITY, high),
        // … and its distance from the signal at least so much.
        (true, true) => (low, f64::INFINITY),
    }
}

/// Whether the figure is the distance of a residue below a signal.
pub(crate) fn is_distance(id: FigureId) -> bool {
    matches!(id, FigureId::Snr | FigureId::Sinad | FigureId::Separation)
}

/// Reasons for doubt that no uncertainty covers.
fn doubt_beside_uncertainty(
    figure: &Figure,
    outcome: Outcome,
    circumstances: &Circumstances,
) -> Option<&'static str> {
    let distortion = matches!(figure.id, FigureId::Thd | FigureId::ThdN | FigureId::Sinad);
    match (figure.limited_by, outcome) {
        (Some(LimitedBy::Clipping), Outcome::Pass | Outcome::Fail) => {
            Some("the capture is clipped: repeat it with less gain in front of the interface")
        }
        (Some(LimitedBy::Bandwidth), Outcome::Pass) if distortion && !circumstances.band_is_stated => Some(
            "products that belong to it lie above the measured band: a higher sample rate, with a wider band, would decide",
        ),
        _ => None,
    }
}
