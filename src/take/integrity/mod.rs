//! Damage that can be seen in the samples: clipping, flat tops, jumps, dropped and repeated frames, exact zeros.
//!
//! [`inspect`] goes once over all samples with cheap statistics (`scan`), and looks carefully only where something
//! stands out (`breaks`, `runs`, `clip`). A clean capture (tones, bursts, sweeps, noise, music, of any storage) raises
//! nothing; what cannot be seen by its nature is said where the rule is.

mod breaks;
mod clip;
mod damage;
mod looks;
mod notes;
pub(super) mod predict;
mod runs;
mod scan;

pub use damage::Damage;

use crate::error::Result;
use crate::signal::source::{BlockSource, Format};
use rayon::prelude::*;
use scan::{ChannelScan, Scan};
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// What was found damaged. One entry a channel in the vectors.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Integrity {
    /// Samples at the largest code, in runs that only clipping makes.
    pub clipped_samples: Vec<u64>,
    /// Flat tops at or below full scale.
    pub flat_tops: Vec<bool>,
    /// Breaks in the waveform, at most the first 100.
    pub discontinuities: Vec<Discontinuity>,
    /// Damage to the take as a whole, seen by its marks and its known stimulus.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub damage: Vec<Damage>,
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

/// Level of one block of one channel, in units of full scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlockLevel {
    /// Mean of the samples.
    pub mean: f64,
    /// Mean square of the samples, mean included.
    pub mean_square: f64,
    /// Lowest sample.
    pub low: f64,
    /// Highest sample.
    pub high: f64,
}

/// What one pass over a capture yields. One entry a channel in the vectors.
#[derive(Debug, Clone, PartialEq)]
pub struct Inspection {
    /// Damage.
    pub integrity: Integrity,
    /// Largest magnitude of a sample.
    pub peak: Vec<f64>,
    /// Rms of the samples without their mean.
    pub rms: Vec<f64>,
    /// Mean of the samples.
    pub dc: Vec<f64>,
    /// Stretches of exact zeros in frames, the longest of them.
    pub zero_runs: Vec<Vec<Range<u64>>>,
    /// Pairs of channels (by index) that are equal bit for bit and not silent.
    pub identical: Vec<(usize, usize)>,
    /// Levels of consecutive blocks of [`BLOCK_FRAMES`]; the last one may be shorter.
    pub levels: Vec<Vec<BlockLevel>>,
}

/// Frames of a block of [`Inspection::levels`].
pub const BLOCK_FRAMES: usize = scan::BLOCK;

/// Breaks reported at most.
const MOST_BREAKS: usize = 100;

/// Inspects a capture: one pass over all samples in constant memory (but for 32 bytes a block), and some careful looks.
///
/// # Errors
/// Where the source cannot be read, ends early, or holds a sample that is not a finite number.
pub fn inspect(source: &dyn BlockSource) -> Result<Inspection> {
    let format = source.format();
    let scan = scan::scan(source)?;
    let looks: Vec<Result<looks::Look>> = (0..format.channels)
        .into_par_iter()
        .map(|c| looks::look(source, format, c, &scan.channels[c]))
        .collect();
    let (mut flat_tops, mut found) = (Vec::new(), Vec::new());
    for l in looks {
        let l = l?;
        flat_tops.push(l.flat);
        found.extend(l.breaks);
    }
    found.sort_by(|a: &Discontinuity, b| a.at_s.total_cmp(&b.at_s).then(a.channel.cmp(&b.channel)));
    let total = found.len();
    found.truncate(MOST_BREAKS);
    let mut inspection = summary(&scan);
    inspection.integrity = Integrity {
        clipped_samples: scan.channels.iter().map(|c| clipped(c, format)).collect(),
        flat_tops,
        discontinuities: found,
        damage: Vec::new(),
        notes: Vec::new(),
    };
    inspection.integrity.notes = notes::of(&inspection, &scan, format, total);
    Ok(inspection)
}

/// A wave of two levels alone is a square wave (or something that cannot be told from one), not a clipped one.
fn clipped(channel: &ChannelScan, format: Format) -> u64 {
    if channel.clipped as f64 > 0.98 * format.frames as f64 {
        0
    } else {
        channel.clipped
    }
}

/// Levels of the whole from those of the blocks.
fn summary(scan: &Scan) -> Inspection {
    let frames = |c: &ChannelScan, format_blocks: usize, i: usize| {
        if i + 1 == format_blocks {
            c.last_block
        } else {
            BLOCK_FRAMES as f64
        }
    };
    let mut out = Inspection {
        integrity: Integrity::default(),
        peak: Vec::new(),
        rms: Vec::new(),
        dc: Vec::new(),
        zero_runs: Vec::new(),
        identical: Vec::new(),
        levels: Vec::new(),
    };
    for c in &scan.channels {
        let blocks = c.levels.len();
        let (mut n, mut sum, mut square, mut peak) = (0.0, 0.0, 0.0, 0.0f64);
        for (i, b) in c.levels.iter().enumerate() {
            let f = frames(c, blocks, i);
            n += f;
            sum += f * b.mean;
            square += f * b.mean_square;
            peak = peak.max(b.high).max(-b.low);
        }
        let mean = if n > 0.0 { sum / n } else { 0.0 };
        let power = if n > 0.0 { square / n - mean * mean } else { 0.0 };
        out.peak.push(peak);
        out.dc.push(mean);
        out.rms.push(power.max(0.0).sqrt());
        out.zero_runs.push(
            c.held
                .iter()
                .filter(|r| r.is_zero())
                .map(|r| r.start..r.end)
                .collect(),
        );
        out.levels.push(c.levels.clone());
    }
    out.identical = scan
        .identical
        .iter()
        .copied()
        .filter(|(a, _)| out.peak[*a] > 0.0)
        .collect();
    out
}
