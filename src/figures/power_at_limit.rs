//! The power at which distortion reaches a stated limit, and the onset of clipping.
//!
//! **Definition.** `power_at_limit`: of takes of one tone at rising power, otherwise alike, the power at which THD (or
//! THD+N) first reaches the limit, read from the straight line between the last take below and the first at or above it,
//! power and distortion both in logarithms. Takes at low power whose distortion is above the limit (crossover, noise) and
//! falls below it further up come before the search. `clipping_onset`: the same at [`ONSET_PERCENT`] of THD.
//!
//! **Source.** Power at a stated distortion: IEC 60268-3 "distortion-limited output power"; the interpolation and 1 % as
//! the onset of clipping: common practice, no source.
//!
//! **Conditions.** Tone, load, mode and channels driven, all in the figure; what was reached is its reference.
//!
//! **Assumptions.** Between the two takes distortion crosses the limit once.
//!
//! **Uncertainty.** That of both powers and both distortions through the line, and the line itself: of a knee nothing is
//! known but that it lies between the two takes. With t the line's share of the step s = ln P₁/P₀, the true crossing being
//! uniform over the step differs from the line by an rms of s·√(⅓ − t + t²); twice that reaches both ends of the step for
//! every t. Smaller steps make it better known.

use crate::figure::{Figure, FigureId, LimitedBy};
use crate::quantity::{Estimate, significant};

/// THD at which an amplifier is said to clip, percent. Common practice, no source.
pub const ONSET_PERCENT: f64 = 1.0;

/// Powers that agree within this are one setting: the later take counts. Repeated takes come back within 0.1 dB.
const SAME_SETTING: f64 = 0.023;

/// Power and distortion of one take.
#[derive(Debug, Clone, Copy)]
pub struct Point<'a> {
    /// Power, W.
    pub power: &'a Figure,
    /// THD or THD+N of the same take, percent.
    pub distortion: &'a Figure,
}

impl Point<'_> {
    fn watts(&self) -> f64 {
        self.power.estimate.value
    }

    fn percent(&self) -> f64 {
        self.distortion.estimate.value
    }

    fn is_sound(&self) -> bool {
        let clipped = [self.power, self.distortion]
            .iter()
            .any(|f| f.limited_by == Some(LimitedBy::Clipping));
        !clipped && self.watts() > 0.0 && self.percent() > 0.0
    }
}

/// What a search along rising power found.
#[derive(Debug, Clone, PartialEq)]
pub enum Reached {
    /// The limit was reached: this figure.
    At(Box<Figure>),
    /// Distortion stays below the limit up to this power, W, where it is so many percent.
    NotUpTo {
        /// W.
        watts: f64,
        /// Percent.
        percent: f64,
    },
    /// Distortion is above the limit in every take, from this power on, W.
    AlwaysAbove {
        /// W.
        watts: f64,
    },
    /// There is no take to judge by.
    Nothing,
}

/// The power, as figure `id`, at which the distortion of `points` first reaches `percent`. All points are of one tone,
/// channel, load, mode and drive, in the order of the takes; of two at one setting the later counts.
pub fn first_reaching(points: &[Point<'_>], id: FigureId, percent: f64) -> Reached {
    let mut rising: Vec<Point<'_>> = Vec::new();
    for point in points.iter().filter(|p| p.is_sound()) {
        rising.retain(|earlier| (earlier.watts() / point.watts()).ln().abs() > SAME_SETTING);
        rising.push(*point);
    }
    rising.sort_by(|a, b| a.watts().total_cmp(&b.watts()));
    let (Some(first), Some(last)) = (rising.first(), rising.last()) else {
        return Reached::Nothing;
    };
    let Some(clean) = rising.iter().position(|p| p.percent() < percent) else {
        return Reached::AlwaysAbove { watts: first.watts() };
    };
    let crossing = rising[clean..].windows(2).find_map(|pair| match pair {
        [below, above] if above.percent() >= percent => Some((below, above)),
        _ => None,
    });
    match crossing {
        Some((below, above)) => Reached::At(Box::new(figure(id, below, above, percent))),
        None => Reached::NotUpTo {
            watts: last.watts(),
            percent: last.percent(),
        },
    }
}

fn figure(id: FigureId, below: &Point<'_>, above: &Point<'_>, percent: f64) -> Figure {
    let name = if above.distortion.id == FigureId::ThdN {
        "THD+N"
    } else {
        "THD"
    };
    let mut found = Figure {
        id,
        estimate: crossing(below, above, percent),
        band: above.distortion.band,
        limited_by: above.distortion.limited_by,
        upper_limit: false,
        ..above.power.clone()
    };
    found.conditions.level_dbfs = None;
    found.conditions.level_v = None;
    found.conditions.reference = Some(format!("{name} {} %", significant(percent, 6)));
    found
}

/// The straight line between the two in logarithms, with its budget.
fn crossing(below: &Point<'_>, above: &Point<'_>, percent: f64) -> Estimate {
    let (step, rise) = (
        (above.watts() / below.watts()).ln(),
        (above.percent() / below.percent()).ln(),
    );
    let share = (percent / below.percent()).ln() / rise;
    // ln P = (1 − t) ln P₀ + t ln P₁ and ∂t/∂ln d₀ = −(1 − t)/rise, ∂t/∂ln d₁ = −t/rise.
    let slope = -step / rise;
    // What was observed is another error in each of the two takes.
    let ln = |figure: &Figure, take: &str, weight: f64| {
        let e = figure.estimate.observed_apart(take);
        e.map(weight * e.value.ln(), weight / e.value)
    };
    let (low, high) = ("step below the limit", "step above the limit");
    let of_power = ln(below.power, low, 1.0 - share).plus(&ln(above.power, high, share));
    let of_distortion =
        ln(below.distortion, low, slope * (1.0 - share)).plus(&ln(above.distortion, high, slope * share));
    let middle = of_power.value;
    let line = step * (1.0 / 3.0 - share + share * share).sqrt();
    let source = format!("steps of power, {}", above.power.channel);
    let log = of_power
        .plus(&of_distortion)
        .shifted(-of_distortion.value)
        .with_of_this_take(source, line);
    log.map(middle.exp(), middle.exp())
}
