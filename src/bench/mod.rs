//! The bench: plays a cleared stimulus into the unit and records what comes back. Three kinds: live, simulated, replay.

pub mod simulated;

use crate::error::Result;
use crate::rig::ceiling::Cleared;
use crate::signal::take::Setup;

/// A recording as a bench delivers it: planar samples of the interface's inputs, full scale ±1.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// Bits of the interface's converter.
    pub bits: u16,
    /// One vector a channel.
    pub planes: Vec<Vec<f64>>,
    /// Whether every channel had its load, as far as the bench knows better than the setup; `None` where it cannot see
    /// the load.
    pub loaded: Option<bool>,
}

/// Something that a cleared stimulus can be played on.
pub trait Bench {
    /// Plays and records.
    ///
    /// # Errors
    /// Where the setup is impossible on this bench, or the device fails.
    fn play(&mut self, stimulus: &Cleared, setup: &Setup) -> Result<Recording>;

    /// Whether nothing here is real.
    fn simulated(&self) -> bool;
}
