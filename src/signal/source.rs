//! The restartable source of sample blocks that all analysis reads from.
//!
//! A [`BlockSource`] can be opened any number of times, also from several threads at once, and each reader starts at
//! any frame. Analysis therefore makes several passes over a capture of any length in constant memory.

use crate::error::Result;
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;

/// Sample rates that are read and written, Hz.
pub const SAMPLE_RATES_HZ: RangeInclusive<u32> = 8_000..=384_000;

/// Most channels that are read and written.
pub const MOST_CHANNELS: usize = 64;

/// How samples were stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Encoding {
    /// Integer of this many significant bits (8…32).
    Int(u16),
    /// IEEE float of this many bits (32 or 64).
    Float(u16),
}

impl Encoding {
    /// The step between adjacent codes in units of full scale; `None` for floats.
    pub fn step(self) -> Option<f64> {
        match self {
            Self::Int(bits) => Some((-f64::from(bits - 1)).exp2()),
            Self::Float(_) => None,
        }
    }

    /// The magnitude from which a sample counts as being at full scale: the largest code, but at most that of 16 bits,
    /// which wider integers and floats often carry; less rounding.
    pub fn full_scale(self) -> f64 {
        let of_16_bits = 1.0 / 32_768.0;
        1.0 - 1.01 * self.step().unwrap_or(of_16_bits).max(of_16_bits)
    }
}

/// Shape of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Format {
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// Channels, 1 or more.
    pub channels: usize,
    /// Length in frames.
    pub frames: u64,
    /// Storage of the samples.
    pub encoding: Encoding,
}

impl Format {
    /// Length in seconds.
    pub fn seconds(&self) -> f64 {
        #[allow(
            clippy::cast_precision_loss,
            reason = "recordings are far shorter than 2^52 frames"
        )]
        let frames = self.frames as f64;
        frames / f64::from(self.sample_rate_hz)
    }
}

/// A recording that can be read again and again.
pub trait BlockSource: Send + Sync + std::fmt::Debug {
    /// Shape of the recording.
    fn format(&self) -> Format;

    /// A new independent reader.
    ///
    /// # Errors
    /// Where the file has gone or cannot be opened any more.
    fn open(&self) -> Result<Box<dyn BlockReader>>;

    /// Remarks on the recording's file in a technician's words (its end is missing, its header was never finished);
    /// none for a sound one.
    fn notes(&self) -> Vec<String> {
        Vec::new()
    }
}

/// One reader of a [`BlockSource`].
pub trait BlockReader {
    /// Reads frames `first…` into `planes` (one slice a channel, all of equal length) and returns how many frames were
    /// there. What lies past the end is left untouched. Samples are in units of full scale; NaN and infinities of
    /// float files are passed on as they are.
    ///
    /// # Errors
    /// Where the file cannot be read.
    fn read(&mut self, first: u64, planes: &mut [&mut [f64]]) -> Result<usize>;
}

/// A recording held in memory: simulations and tests.
#[derive(Debug, Clone)]
pub struct MemorySource {
    format: Format,
    planes: std::sync::Arc<Vec<Vec<f64>>>,
}

impl MemorySource {
    /// Takes planar samples, all channels of equal length.
    pub fn new(sample_rate_hz: u32, planes: Vec<Vec<f64>>) -> Self {
        let frames = planes.first().map_or(0, Vec::len) as u64;
        let format = Format {
            sample_rate_hz,
            channels: planes.len(),
            frames,
            encoding: Encoding::Float(64),
        };
        Self {
            format,
            planes: std::sync::Arc::new(planes),
        }
    }

    /// The same samples, declared to have been stored as `encoding`.
    #[must_use]
    pub fn stored_as(mut self, encoding: Encoding) -> Self {
        self.format.encoding = encoding;
        self
    }
}

impl BlockSource for MemorySource {
    fn format(&self) -> Format {
        self.format
    }

    fn open(&self) -> Result<Box<dyn BlockReader>> {
        Ok(Box::new(MemoryReader(self.planes.clone())))
    }
}

struct MemoryReader(std::sync::Arc<Vec<Vec<f64>>>);

impl BlockReader for MemoryReader {
    fn read(&mut self, first: u64, planes: &mut [&mut [f64]]) -> Result<usize> {
        let mut got = 0;
        for (from, to) in self.0.iter().zip(planes.iter_mut()) {
            let start = usize::try_from(first).unwrap_or(usize::MAX).min(from.len());
            got = to.len().min(from.len() - start);
            to[..got].copy_from_slice(&from[start..start + got]);
        }
        Ok(got)
    }
}
