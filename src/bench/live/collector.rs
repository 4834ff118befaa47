//! Takes what the input's callback recorded out of its ring and hands it to the sink.

use crate::bench::{BLOCK_FRAMES, Flow, Reason, Sink};
use crate::error::Result;
use rtrb::Consumer;

/// Blocks that are handed over at most before the streams are looked at again: a sink that is slower than the sound
/// must not keep anyone from seeing that the ring of the output runs low.
const BLOCKS_A_LOOK: usize = 8;

/// From ring to sink, block by block.
pub(super) struct Collector {
    ring: Consumer<f64>,
    planes: Vec<Vec<f64>>,
    /// Frames of the ring that went by before the recording began.
    before: u64,
    handed: u64,
    alive: Vec<bool>,
}

impl Collector {
    pub(super) fn new(ring: Consumer<f64>, channels: usize) -> Self {
        Self {
            ring,
            planes: vec![vec![0.0; BLOCK_FRAMES]; channels],
            before: 0,
            handed: 0,
            alive: vec![false; channels],
        }
    }

    /// Throws away what is there: the recording has not begun.
    pub(super) fn skip(&mut self) {
        let frames = self.ring.slots() / self.planes.len().max(1);
        if let Ok(chunk) = self.ring.read_chunk(frames * self.planes.len()) {
            chunk.commit_all();
            self.before += frames as u64;
        }
    }

    /// Frame of the recording that comes next, counted from the first that the device delivered.
    pub(super) fn next(&self) -> u64 {
        self.before + self.handed
    }

    /// Frames that were skipped.
    pub(super) fn before(&self) -> u64 {
        self.before
    }

    /// Frames that were handed over.
    pub(super) fn handed(&self) -> u64 {
        self.handed
    }

    /// Whether each channel ever differed from exact zero.
    pub(super) fn alive(&self) -> &[bool] {
        &self.alive
    }

    /// Hands over what is there, [`BLOCKS_A_LOOK`] blocks at most, until the sink asks for a stop: then its reason, and
    /// the recording's length.
    ///
    /// # Errors
    /// Where the sink refuses.
    pub(super) fn collect(&mut self, sink: &mut dyn Sink) -> Result<Option<(Reason, u64)>> {
        let channels = self.planes.len().max(1);
        for _ in 0..BLOCKS_A_LOOK {
            let frames = (self.ring.slots() / channels).min(BLOCK_FRAMES);
            let Ok(chunk) = self.ring.read_chunk(frames * channels) else {
                break;
            };
            if frames == 0 {
                break;
            }
            for (index, value) in chunk.into_iter().enumerate() {
                self.planes[index % channels][index / channels] = value;
            }
            let planes: Vec<&[f64]> = self.planes.iter().map(|p| &p[..frames]).collect();
            for (alive, plane) in self.alive.iter_mut().zip(&planes) {
                *alive = *alive || plane.iter().any(|x| x.abs() > 0.0);
            }
            let flow = sink.block(&planes)?;
            self.handed += frames as u64;
            if let Flow::Stop(reason) = flow {
                return Ok(Some((reason, self.handed)));
            }
        }
        Ok(None)
    }
}
