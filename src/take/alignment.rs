//! Where a capture lies against its stimulus: delay, clock, polarity, channel order.

use serde::{Deserialize, Serialize};

/// Alignment of a capture with its stimulus.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alignment {
    /// From the start of the capture to the start of the stimulus; negative where its beginning is missing.
    pub delay_s: f64,
    /// Capture clock re playback clock, parts per million; positive where the capture counts more frames.
    pub clock_ppm: f64,
    /// +1 or −1 a channel.
    pub polarity: Vec<i8>,
}
