//! Figure × limit → verdict, in one place, by the guard-band rule of JCGM 106 with w = U.

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
    /// The limit, in the unit of the figure.
    pub limit: Option<f64>,
    /// In words; for `cannot_tell` also what would decide.
    pub reason: String,
}
