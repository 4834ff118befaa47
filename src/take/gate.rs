//! A noise gate: silence that is quieter than the noise beside a mark.
//!
//! A gate opens for a mark, holds for some ten to some hundred milliseconds and closes; it opens again with the next mark,
//! not before it. So the noise just after the first mark is louder than the rest, and that just before the second is not.
//! Noise is taken as the second difference, which leaves out hum and what settles slowly. A block of 20 ms knows its rms to
//! 1/√(2·960) = 2 % at 48 kHz: a factor of two is no chance.

use crate::error::Result;
use crate::signal::source::BlockSource;

/// Length of a block, s.
const BLOCK_S: f64 = 0.020;

/// Fewest blocks that are judged.
const FEWEST: usize = 8;

/// How much louder the noise after the first mark is than the rest.
const LOUDER: f64 = 2.0;

/// How much of that the noise before the second mark may share.
const AS_QUIET: f64 = 1.4;

/// Which channels of a silent part between two marks are gated.
pub(super) fn gated(source: &dyn BlockSource) -> Result<Vec<bool>> {
    let format = source.format();
    let length = (BLOCK_S * f64::from(format.sample_rate_hz)) as usize;
    let blocks = usize::try_from(format.frames).unwrap_or(usize::MAX) / length.max(1);
    if blocks < FEWEST {
        return Ok(vec![false; format.channels]);
    }
    let mut reader = source.open()?;
    let mut planes = vec![vec![0.0; length]; format.channels];
    let mut noise = vec![Vec::with_capacity(blocks); format.channels];
    // Counted from the end, so that the last block ends where the part does.
    let start = format.frames - (blocks * length) as u64;
    for block in 0..blocks {
        // The first block begins where the part does.
        let first = if block == 0 {
            0
        } else {
            start + (block * length) as u64
        };
        let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
        reader.read(first, &mut slices)?;
        for (all, x) in noise.iter_mut().zip(&planes) {
            let squares: f64 = x.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).powi(2)).sum();
            all.push((squares / length as f64).sqrt());
        }
    }
    Ok(noise
        .iter()
        .map(|levels| {
            let mut sorted = levels.clone();
            sorted.sort_by(f64::total_cmp);
            let middle = sorted[sorted.len() / 2];
            let (first, last) = (levels[0], levels[levels.len() - 1]);
            first > LOUDER * middle && last < AS_QUIET * middle
        })
        .collect())
}
