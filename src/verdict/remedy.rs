//! What would decide a verdict that cannot be told: computed from the figure's own budget.
//!
//! To decide, the interval must shrink until it ends at the limit. The source that dominates the budget is the one to
//! improve: by how much follows from U² = k²(u₁² + u_rest²). Repeatability falls as 1/√T of the capture; the rig's own
//! noise and harmonics enter as amplitudes.

use super::is_distance;
use crate::figure::{Figure, LimitedBy, Unit};
use crate::quantity::{Contribution, DB_PER_RELATIVE_AMPLITUDE, Decibels, significant};
use std::fmt;

/// Beyond this factor no practical improvement decides: the value lies at the limit.
const HOPELESS: f64 = 50.0;

/// What would decide.
#[derive(Debug, Clone, PartialEq)]
pub enum Remedy {
    /// A longer capture: so many times as long, or so many seconds where the present length is known.
    Capture {
        /// Times the present length.
        times: f64,
        /// Seconds.
        seconds: Option<f64>,
    },
    /// A meter whose stated accuracy is ± this much, percent of reading.
    Meter {
        /// Percent of reading.
        percent: f64,
    },
    /// A rig whose own noise or distortion lies lower by this much.
    Floor {
        /// dB.
        db: f64,
    },
    /// One source of error known better by this factor.
    Source {
        /// Its name in the budget.
        name: String,
        /// Factor.
        times: f64,
    },
    /// Everything better by this factor: no single source would do.
    Everything {
        /// The two largest sources, largest first.
        names: Vec<String>,
        /// Factor.
        times: f64,
    },
    /// The value lies at the limit: no better measurement helps.
    Nothing,
}

impl Remedy {
    /// What would decide whether `figure` is inside `limit`, a limit in the figure's unit which its interval
    /// straddles. `capture_s` is the length of the capture, where known.
    pub fn of(figure: &Figure, limit: f64, capture_s: Option<f64>) -> Self {
        if figure.upper_limit {
            return of_bound(figure, limit, capture_s);
        }
        let estimate = &figure.estimate;
        let (low, high) = estimate.interval();
        let margin = (limit - estimate.value).abs();
        let half = if limit > estimate.value {
            high - estimate.value
        } else {
            estimate.value - low
        };
        let (k, u) = (estimate.k(), estimate.standard_uncertainty());
        if margin.is_nan() || margin <= half / HOPELESS {
            return Self::Nothing;
        }
        // The reach beyond U comes from the rig's own products, whose phase is unknown.
        let reach = (half - k * u).max(0.0);
        if reach > k * u {
            let allowed = margin - k * u;
            return if allowed > reach / HOPELESS {
                floor(reach / allowed)
            } else {
                everything(estimate.budget(), half / margin)
            };
        }
        let Some(main) = largest(estimate.budget()) else {
            return Self::Nothing;
        };
        let rest = (u * u - main.u * main.u).max(0.0);
        let allowed = ((margin - reach).max(0.0) / k).powi(2) - rest;
        let times = main.u.abs() / allowed.max(0.0).sqrt();
        if times.is_nan() || times >= HOPELESS {
            return everything(estimate.budget(), half / margin);
        }
        of_source(figure, main, times, capture_s)
    }
}

/// The remedy for one source that must become smaller by the factor `times`.
fn of_source(figure: &Figure, source: &Contribution, times: f64, capture_s: Option<f64>) -> Remedy {
    let name = source.source.name();
    let says = |word: &str| name.to_lowercase().contains(word);
    let own_product = ["noise", "distortion", "harmonic", "residual", "floor"]
        .iter()
        .any(|word| says(word));
    if says("rig") && own_product {
        return floor(times);
    }
    if source.dof.is_some() {
        return capture(times, capture_s);
    }
    match relative_slope(figure) {
        Some(slope) if says("meter") || says("volt") => Remedy::Meter {
            // A meter's accuracy is stated as limits ±a, of which u = a/√3 (GUM 4.3.7).
            percent: 100.0 * 3f64.sqrt() * source.u.abs() / times / slope,
        },
        _ => Remedy::Source {
            name: name.to_owned(),
            times,
        },
    }
}

/// Change of the figure per relative change of a voltage; `None` where a common meter cancels or is no part of it.
fn relative_slope(figure: &Figure) -> Option<f64> {
    match figure.unit {
        Unit::Volts => Some(figure.estimate.value.abs()),
        // P = V²/R.
        Unit::Watts => Some(2.0 * figure.estimate.value.abs()),
        Unit::Dbv => Some(DB_PER_RELATIVE_AMPLITUDE),
        _ => None,
    }
    .filter(|slope| *slope > 0.0)
}

/// The remedy for a figure that is only a bound.
fn of_bound(figure: &Figure, limit: f64, capture_s: Option<f64>) -> Remedy {
    let (low, high) = figure.estimate.interval();
    let known = if is_distance(figure.id) { low } else { high };
    let db = match figure.unit {
        Unit::Decibels | Unit::Dbv | Unit::Dbfs => (known - limit).abs(),
        _ if known > 0.0 && limit > 0.0 => Decibels::from_amplitude_ratio(known / limit).0.abs(),
        _ => return Remedy::Nothing,
    };
    match figure.limited_by {
        // Noise beside a line falls as 1/√T of the capture, and as the rig's own noise.
        Some(LimitedBy::Duration) => capture(Decibels(db).amplitude_ratio(), capture_s),
        _ => Remedy::Floor { db },
    }
}

fn floor(times: f64) -> Remedy {
    Remedy::Floor {
        db: Decibels::from_amplitude_ratio(times).0,
    }
}

fn capture(times: f64, capture_s: Option<f64>) -> Remedy {
    let times = times * times;
    Remedy::Capture {
        times,
        seconds: capture_s.map(|s| s * times),
    }
}

fn everything(budget: &[Contribution], times: f64) -> Remedy {
    let mut lines: Vec<&Contribution> = budget.iter().collect();
    lines.sort_by(|a, b| b.u.abs().total_cmp(&a.u.abs()));
    Remedy::Everything {
        names: lines.iter().take(2).map(|c| c.source.name().to_owned()).collect(),
        times,
    }
}

fn largest(budget: &[Contribution]) -> Option<&Contribution> {
    budget.iter().max_by(|a, b| a.u.abs().total_cmp(&b.u.abs()))
}

/// Two significant digits, rounded up: a promise of what is enough. Dust of arithmetic is no reason to go up.
fn at_least(x: f64) -> String {
    significant(two_digits(x, |digits| (digits - 1e-6).ceil()), 3)
}

/// Two significant digits, rounded down.
fn at_most(x: f64) -> String {
    significant(two_digits(x, |digits| (digits + 1e-6).floor()), 3)
}

fn two_digits(x: f64, round: fn(f64) -> f64) -> f64 {
    if !(x.is_finite() && x > 0.0) {
        return 0.0;
    }
    let step = 10f64.powf(x.log10().floor() - 1.0);
    round(x / step) * step
}

impl fmt::Display for Remedy {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Capture { seconds: Some(s), .. } => write!(f, "a capture of {} s would decide", at_least(*s)),
            Self::Capture { times, .. } => {
                write!(f, "a capture {} times as long would decide", at_least(*times))
            }
            Self::Meter { percent } => {
                write!(f, "a meter accurate to ±{} % would decide", at_most(*percent))
            }
            Self::Floor { db } => write!(f, "a rig floor {} dB lower would decide", at_least(*db)),
            Self::Source { name, times } => {
                write!(f, "\"{name}\" known {} times better would decide", at_least(*times))
            }
            Self::Everything { names, times } if names.is_empty() => {
                write!(f, "an uncertainty {} times smaller would decide", at_least(*times))
            }
            Self::Everything { names, times } => {
                let names: Vec<String> = names.iter().map(|n| format!("\"{n}\"")).collect();
                write!(
                    f,
                    "an uncertainty {} times smaller would decide, beginning with {}",
                    at_least(*times),
                    names.join(" and ")
                )
            }
            Self::Nothing => f.write_str(
                "the value lies at the limit itself, so no better measurement decides: adjust the unit, or report it so",
            ),
        }
    }
}
