//! The long regime: one pass over Hann blocks, in runs on all cores, in constant memory.
//!
//! A probe of a few seconds from the middle gives the frequencies. Then batch after batch of blocks is read in parallel
//! and reduced in order, so that the result does not depend on how many cores there are; between batches the readers
//! follow a frequency that drifts.

use super::ChannelAnalysis;
use super::blocks::{ChannelReaders, ChannelRun, run};
use super::gather::{Gathered, Reference};
use super::probe::{first_fit, load, same_sine, search_all};
use crate::dsp::block_spectrum::{BlockGrid, BlockPlan};
use crate::dsp::sine_fit::{Tone, subtract};
use crate::error::Result;
use crate::signal::source::BlockSource;
use rayon::prelude::*;
use std::ops::Range;

/// Shortest block, s: tells mains lines and their neighbours apart.
const BLOCK_S: f64 = 0.5;

/// Fewest blocks of this regime: the uneven weight of the samples at both ends then costs a few per cent of variance.
const FEWEST_BLOCKS: u64 = 32;

/// Fewest periods of the lowest sine in a block, so that its harmonics stand apart; and what is put up with.
const PERIODS: f64 = 24.0;
const FEWEST_BLOCK_PERIODS: f64 = 6.0;

/// A stretch of this many frames still fits in memory, and a block of so many is the largest.
const IN_MEMORY: u64 = 1 << 21;
const LONGEST_BLOCK: usize = 1 << 19;

/// Blocks of one run, and runs of one batch.
const RUN: usize = 32;
const RUNS: usize = 8;

/// Samples of a block over all channels beyond which fewer runs are kept at a time.
const LARGE: usize = 300_000;

/// Length of the probe in blocks.
const PROBE_BLOCKS: u64 = 4;

/// Readers are made anew when their highest line has moved by this much, bins.
const MOVED: f64 = 0.02;

/// The first batch is read again when its highest line turns out to lie this far off, bins.
const MISSED: f64 = 0.1;

/// Frames of a block at the sample rate `rate`.
pub(super) fn block_length(rate: f64) -> usize {
    ((BLOCK_S * rate) as usize).next_power_of_two()
}

/// The blocks for `steady`, whose lowest sine is at `lowest_hz`; `None` where it is a case for the short regime.
pub(super) fn grid(steady: &Range<u64>, rate: f64, lowest_hz: f64) -> Option<BlockGrid> {
    let span = steady.end - steady.start;
    let needed = |length: usize| length as u64 * (FEWEST_BLOCKS + 1) / 2;
    let usual = block_length(rate);
    let mut length = if span >= needed(usual) { usual } else { usual / 2 };
    if span < needed(length) {
        return None;
    }
    while lowest_hz * (length as f64) / rate < PERIODS && span >= needed(2 * length) && length < LONGEST_BLOCK
    {
        length *= 2;
    }
    if lowest_hz * (length as f64) / rate < FEWEST_BLOCK_PERIODS && span <= IN_MEMORY {
        return None;
    }
    Some(BlockGrid::new(steady.start, span, length))
}

/// Analyses all channels block by block.
pub(super) fn analyse(
    source: &dyn BlockSource,
    grid: &BlockGrid,
    guesses: &[Vec<f64>],
) -> Result<Vec<ChannelAnalysis>> {
    let rate = f64::from(source.format().sample_rate_hz);
    let references = references(source, grid, guesses)?;
    let plan = BlockPlan::new(grid.length);
    let mut readers = references
        .iter()
        .map(|channel| ChannelReaders::new(grid.length, &nus_of(channel)))
        .collect::<Result<Vec<_>>>()?;
    let mut gathered = Gathered::new(grid, rate, &references, &readers);
    let runs_at_once = if grid.length * guesses.len() > LARGE {
        RUNS / 2
    } else {
        RUNS
    };
    let mut runs = runs(grid).into_iter().peekable();
    while runs.peek().is_some() {
        let batch: Vec<Range<usize>> = runs.by_ref().take(runs_at_once).collect();
        let mut read = read_batch(source, &plan, grid, &readers, &batch)?;
        if batch[0].start == 0 {
            let missed = gathered.offsets(&readers, &read);
            if follow(&mut readers, grid, &missed, MISSED)? {
                read = read_batch(source, &plan, grid, &readers, &batch)?;
            }
        }
        let now = gathered.add(&readers, &batch, &read);
        follow(&mut readers, grid, &now, MOVED)?;
    }
    Ok(gathered.finish(&readers))
}

/// Makes new readers for channels whose sines' frequencies have moved; whether any has.
fn follow(
    readers: &mut [ChannelReaders],
    grid: &BlockGrid,
    nus: &[Vec<f64>],
    most_bins: f64,
) -> Result<bool> {
    let mut any = false;
    for (channel, nus) in readers.iter_mut().zip(nus) {
        let moved = channel.tones.iter().zip(nus).any(|(t, nu)| {
            let highest = t.harmonics.last().map_or(1, |h| h.0);
            (nu - t.nu).abs() * f64::from(highest) * grid.length as f64 > most_bins
        });
        if moved {
            *channel = ChannelReaders::new(grid.length, nus)?;
            any = true;
        }
    }
    Ok(any)
}

fn read_batch(
    source: &dyn BlockSource,
    plan: &BlockPlan,
    grid: &BlockGrid,
    readers: &[ChannelReaders],
    batch: &[Range<usize>],
) -> Result<Vec<Vec<ChannelRun>>> {
    batch
        .par_iter()
        .map(|blocks| run(source, plan, grid, readers, blocks.clone()))
        .collect()
}

/// All blocks in runs of about equal length, none of which crosses from one segment to the next.
fn runs(grid: &BlockGrid) -> Vec<Range<usize>> {
    let mut runs = Vec::new();
    let mut start = 0;
    while start < grid.count {
        let segment = grid.segment_of(start);
        let mut end = start + 1;
        while end < grid.count && grid.segment_of(end) == segment {
            end += 1;
        }
        let parts = (end - start).div_ceil(RUN);
        for part in 0..parts {
            runs.push(start + (end - start) * part / parts..start + (end - start) * (part + 1) / parts);
        }
        start = end;
    }
    runs
}

fn nus_of(channel: &[Reference]) -> Vec<f64> {
    channel.iter().map(|r| r.nu).collect()
}

/// Frequencies from a probe in the middle; weak sines take over the frequency of the channel that carries them.
fn references(
    source: &dyn BlockSource,
    grid: &BlockGrid,
    guesses: &[Vec<f64>],
) -> Result<Vec<Vec<Reference>>> {
    let rate = f64::from(source.format().sample_rate_hz);
    let frames = grid.span.min(PROBE_BLOCKS * grid.length as u64);
    let start = grid.first + (grid.span - frames) / 2;
    let probe = start..start + frames;
    let mut found = Vec::new();
    for (c, hz) in guesses.iter().enumerate() {
        let mut channel = Vec::new();
        if !hz.is_empty() {
            let mut x = load(source, &probe, c)?;
            if x.iter().all(|v| v.is_finite()) {
                channel = probe_channel(&mut x, hz, rate)?;
            }
        }
        found.push(channel);
    }
    let strengths: Vec<(f64, f64, usize, usize)> = (0..found.len())
        .flat_map(|c| (0..found[c].len()).map(move |i| (c, i)))
        .map(|(c, i)| (guesses[c][i], found[c][i].snr, c, i))
        .collect();
    let seconds = frames as f64 / rate;
    let leader_of = |(hz, snr, c, _): &(f64, f64, usize, usize)| {
        strengths
            .iter()
            .filter(|(other, s, d, _)| d != c && same_sine(*other, *hz, seconds) && *s > MUCH_STRONGER * snr)
            .max_by(|a, b| a.1.total_cmp(&b.1))
    };
    for sine in &strengths {
        // Tracks are found leaders first, so a leader follows nobody.
        let Some(leader) = leader_of(sine).filter(|l| leader_of(l).is_none()) else {
            continue;
        };
        let nu = found[leader.2][leader.3].nu;
        let own = &mut found[sine.2][sine.3];
        own.leader = Some((leader.2, leader.3));
        if own.snr < TRUSTED {
            own.nu = nu;
        }
    }
    Ok(found)
}

/// A sine may come from another channel where that one's stands out of its noise this many times better.
const MUCH_STRONGER: f64 = 4.0;

/// A sine whose amplitude stands this many standard uncertainties above the noise of the probe has its own frequency.
const TRUSTED: f64 = 100.0;

fn probe_channel(x: &mut [f64], hz: &[f64], rate: f64) -> Result<Vec<Reference>> {
    let tones: Vec<Tone> = search_all(x, hz, rate);
    let fit = first_fit(x, &tones, &[], 20)?;
    subtract(x, &fit.pairs(), fit.dc);
    let n = x.len() as f64;
    let variance = x.iter().map(|v| v * v).sum::<f64>() / n * 2.0 / n;
    Ok((0..tones.len())
        .map(|i| Reference {
            nu: fit.tones[i].nu,
            snr: fit.amplitudes[i].norm() / variance.sqrt().max(1e-200),
            leader: None,
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_cover_all_blocks_and_keep_to_segments() {
        for span in [1_000_000u64, 123_456, 20_000_000] {
            let grid = BlockGrid::new(0, span, 4096);
            let all = runs(&grid);
            assert_eq!(all.first().unwrap().start, 0);
            assert_eq!(all.last().unwrap().end, grid.count);
            for pair in all.windows(2) {
                assert_eq!(pair[0].end, pair[1].start);
            }
            for r in all {
                assert!(r.len() <= RUN && grid.segment_of(r.start) == grid.segment_of(r.end - 1));
            }
        }
    }
}
