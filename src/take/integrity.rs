//! Damage that can be seen in the samples: clipping, flat tops, jumps, dropped and repeated frames, exact zeros.

use serde::{Deserialize, Serialize};

/// What was found damaged. One entry a channel in the vectors.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Integrity {
    /// Samples at the largest code, in runs that only clipping makes.
    pub clipped_samples: Vec<u64>,
    /// Flat tops at or below full scale.
    pub flat_tops: Vec<bool>,
    /// Breaks in the waveform, at most the first 100.
    pub discontinuities: Vec<Discontinuity>,
    /// Remarks in the reader's words. A clean capture has none.
    pub notes: Vec<String>,
}

/// One break.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Discontinuity {
    /// Channel, `left`, `right`, `3`, …
    pub channel: crate::figure::Channel,
    /// Second of the capture.
    pub at_s: f64,
    /// What kind.
    pub kind: DiscontinuityKind,
}

/// Kinds of breaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DiscontinuityKind {
    /// Frames are missing.
    Dropped,
    /// Frames stand twice.
    Repeated,
    /// A stretch of exact zeros inside a signal.
    Zeros,
    /// A step or a single corrupt sample.
    Jump,
    /// Silence was spliced in: the noise floor stops and starts.
    Splice,
}
