//! The bench: plays a cleared stimulus into the unit and hands over what comes back, as it comes. Three kinds: live,
//! simulated, replay.

pub mod guard;
pub mod live;
pub mod simulated;

use crate::error::Result;
use crate::figure::Channel;
use crate::rig::ceiling::Cleared;
use crate::signal::source::{Format, MemorySource};
use crate::signal::take::Setup;

/// Frames of a block that a bench hands over, at most.
pub const BLOCK_FRAMES: usize = 1024;

/// Where a recording goes while it is made: to the disk, to the meters, to whoever watches over it.
pub trait Sink {
    /// Called once, before the first block. `format.frames` is what is expected, not promised.
    ///
    /// # Errors
    /// Where the recording cannot be kept; nothing is played then.
    fn begin(&mut self, format: &Format) -> Result<()>;

    /// The next frames, planar, one slice a channel, full scale ±1.
    ///
    /// # Errors
    /// Where the recording cannot be kept; the bench then goes silent as for [`Flow::Stop`] and gives the error back.
    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow>;
}

/// Whether playing goes on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Flow {
    /// It does.
    Go,
    /// It ramps to silence now.
    Stop(Reason),
}

/// Why a take was ended before its time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reason {
    /// The operator asked for it.
    Asked,
    /// An input is at full scale.
    Clipped(Channel),
    /// What came back is gone.
    Vanished(Channel),
    /// What comes back is this many dB above what was predicted.
    Louder(Channel, f64),
    /// Something comes back loud on a channel that nothing is played on.
    Uncalled(Channel),
    /// A sample is not a number.
    NotANumber(Channel),
}

/// A loss that the device itself reported.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Loss {
    /// Frame of the recording that it was reported at.
    pub at_frame: u64,
    /// In the device's words.
    pub what: String,
}

/// What a bench says of a take when it is over.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Played {
    /// Frames that were handed over.
    pub frames: u64,
    /// Whether every channel had its load, as far as the bench knows better than the setup; `None` where it cannot see
    /// the load.
    pub loaded: Option<bool>,
    /// Losses that the device reported. There may be others.
    pub losses: Vec<Loss>,
    /// Why the take was ended before its time, and the frame of the recording that the reason was in.
    pub stopped: Option<(Reason, u64)>,
}

/// Something that a cleared stimulus can be played on.
pub trait Bench {
    /// Plays, and hands what comes back to `sink` until the stimulus has come back whole, or `sink` stops it. However
    /// it ends, the output is silent afterwards.
    ///
    /// # Errors
    /// Where the setup is impossible on this bench, the device fails, or `sink` refuses. What was handed over before
    /// stays with `sink`.
    fn play(&mut self, stimulus: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played>;

    /// Whether nothing here is real.
    fn simulated(&self) -> bool;
}

/// Keeps a recording in memory: short takes and tests.
#[derive(Debug, Default)]
pub struct InMemory {
    format: Option<Format>,
    planes: Vec<Vec<f64>>,
}

impl InMemory {
    /// What was recorded; `None` where nothing began.
    pub fn source(self) -> Option<MemorySource> {
        let format = self.format?;
        Some(MemorySource::new(format.sample_rate_hz, self.planes).stored_as(format.encoding))
    }

    /// The samples, one vector a channel.
    pub fn planes(&self) -> &[Vec<f64>] {
        &self.planes
    }
}

impl Sink for InMemory {
    fn begin(&mut self, format: &Format) -> Result<()> {
        self.format = Some(*format);
        self.planes = vec![Vec::new(); format.channels];
        Ok(())
    }

    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow> {
        for (to, from) in self.planes.iter_mut().zip(planes) {
            to.extend_from_slice(from);
        }
        Ok(Flow::Go)
    }
}
