//! The one pass over all samples: cheap statistics of every block, and a list of the places that deserve a careful look.
//!
//! The capture is cut into segments of fixed length that are read in parallel, each by a reader of its own and with a
//! margin of its neighbours on either side; results are joined in order, so that they do not depend on the number of
//! threads. What is done for every sample is kept to a few vectorisable operations: sum, square, extremes, equality
//! with the sample before, and the residual of a predictor of order 8.

use super::BlockLevel;
use super::clip;
use super::predict::Predictor;
use super::runs::{self, Held};
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::signal::source::{BlockReader, BlockSource, Format};
use rayon::prelude::*;

/// Frames of a block: one predictor, one level.
pub(super) const BLOCK: usize = 4096;

/// Frames of context kept on either side of what is looked at.
pub(super) const MARGIN: usize = 256;

/// Blocks read at once.
const BATCH: usize = 8;

/// Frames of a segment: one task.
const SEGMENT: u64 = (BLOCK * BATCH * 16) as u64;

/// Order of the predictor of every block: two steady sines and a little more.
const ORDER: usize = 8;

/// Residual energies are summed over chunks of this many samples, as long as a break takes to pass the predictor.
const CHUNK: usize = ORDER;

/// A pair of chunks is suspect from here on, re the mean square of the block: χ² with 16 degrees of freedom exceeds 55
/// with probability 3·10⁻⁶, once in about 700 blocks of white noise. A looser threshold only costs time.
const SUSPECT_PAIR: f64 = 55.0;

/// A single sample is suspect from 5.2 σ on (27 σ²): once in 1,200 blocks of white noise.
const SUSPECT_SAMPLE: f64 = 27.0;

/// The most suspects kept of a block and of a segment's channel, the strongest first.
const SUSPECTS_PER_BLOCK: usize = 4;
const SUSPECTS_PER_SEGMENT: usize = 100;

/// A place that deserves a careful look.
#[derive(Debug, Clone, Copy)]
pub(super) struct Suspect {
    /// Frame, to about ±16.
    pub(super) frame: u64,
    /// Residual energy re the block's mean.
    pub(super) strength: f64,
}

/// What the pass yields of one channel.
#[derive(Debug, Clone, Default)]
pub(super) struct ChannelScan {
    pub(super) levels: Vec<BlockLevel>,
    /// Frames of the last block.
    pub(super) last_block: f64,
    pub(super) clipped: u64,
    pub(super) held: Vec<Held>,
    pub(super) suspects: Vec<Suspect>,
}

/// What the pass yields.
#[derive(Debug, Clone)]
pub(super) struct Scan {
    pub(super) channels: Vec<ChannelScan>,
    /// Pairs of channels that are equal bit for bit.
    pub(super) identical: Vec<(usize, usize)>,
}

/// Goes once over the capture.
pub(super) fn scan(source: &dyn BlockSource) -> Result<Scan> {
    let format = source.format();
    let segments = usize::try_from(format.frames.div_ceil(SEGMENT)).unwrap_or(usize::MAX);
    let parts: Vec<Result<Scan>> = (0..segments)
        .into_par_iter()
        .map(|i| scan_segment(source, format, i as u64 * SEGMENT))
        .collect();
    let mut whole = empty(format);
    for part in parts {
        let part = part?;
        whole.identical.retain(|pair| part.identical.contains(pair));
        for (all, new) in whole.channels.iter_mut().zip(part.channels) {
            all.levels.extend(new.levels);
            all.last_block = new.last_block;
            all.clipped += new.clipped;
            runs::join(&mut all.held, new.held);
            all.suspects.extend(new.suspects);
        }
    }
    Ok(whole)
}

fn empty(format: Format) -> Scan {
    let n = format.channels;
    Scan {
        channels: vec![ChannelScan::default(); n],
        identical: (0..n).flat_map(|a| (a + 1..n).map(move |b| (a, b))).collect(),
    }
}

/// A batch of one channel in memory: `body` frames of interest from `MARGIN` on, less at the start of the file.
pub(super) struct Window<'a> {
    /// Context, body, context.
    pub(super) x: &'a [f64],
    /// Where the body starts in `x`.
    pub(super) start: usize,
    /// Where it ends in `x`.
    pub(super) end: usize,
    /// Frame of the capture at `start`.
    pub(super) frame: u64,
}

fn scan_segment(source: &dyn BlockSource, format: Format, first: u64) -> Result<Scan> {
    let mut reader = source.open()?;
    let mut scan = empty(format);
    let mut planes = vec![vec![0.0; BATCH * BLOCK + 2 * MARGIN]; format.channels];
    let end = (first + SEGMENT).min(format.frames);
    let mut frame = first;
    while frame < end {
        let before = frame.min(MARGIN as u64);
        let got = read_into(reader.as_mut(), frame - before, &mut planes)?;
        let start = usize::try_from(before).unwrap_or(MARGIN);
        let body = BATCH * BLOCK;
        let body = body.min(usize::try_from(end - frame).unwrap_or(body));
        if got < start + body {
            return Err(cut_short(format, frame));
        }
        for (c, plane) in planes.iter().enumerate() {
            let window = Window {
                x: &plane[..got],
                start,
                end: start + body,
                frame,
            };
            scan_window(&window, format, c, &mut scan.channels[c])?;
        }
        scan.identical
            .retain(|(a, b)| equal(&planes[*a][start..start + body], &planes[*b][start..start + body]));
        frame += body as u64;
    }
    for channel in &mut scan.channels {
        strongest(&mut channel.suspects, SUSPECTS_PER_SEGMENT);
        runs::thin(&mut channel.held, first, end);
    }
    Ok(scan)
}

/// Reads from `first` on into all planes, as far as the file goes.
pub(super) fn read_into(reader: &mut dyn BlockReader, first: u64, planes: &mut [Vec<f64>]) -> Result<usize> {
    let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
    reader.read(first, &mut slices)
}

fn cut_short(format: Format, frame: u64) -> Error {
    let second = frame as f64 / f64::from(format.sample_rate_hz);
    Error::new(
        Kind::Format,
        "the recording ends before the length that its header states",
    )
    .at(format!("after {second:.3} s"))
    .next("copy the file again from where it was recorded, or record it again")
}

fn equal(a: &[f64], b: &[f64]) -> bool {
    a.iter().zip(b).all(|(p, q)| p.to_bits() == q.to_bits())
}

/// Keeps the strongest `count`, in the order of the capture.
fn strongest(suspects: &mut Vec<Suspect>, count: usize) {
    if suspects.len() > count {
        suspects.sort_by(|a, b| b.strength.total_cmp(&a.strength).then(a.frame.cmp(&b.frame)));
        suspects.truncate(count);
        suspects.sort_by_key(|s| s.frame);
    }
}

fn scan_window(window: &Window<'_>, format: Format, channel: usize, out: &mut ChannelScan) -> Result<()> {
    let mut residual = [0.0; BLOCK];
    for start in (window.start..window.end).step_by(BLOCK) {
        let block = Window {
            end: (start + BLOCK).min(window.end),
            start,
            x: window.x,
            frame: window.frame + (start - window.start) as u64,
        };
        let moments = Moments::of(&block);
        if !moments.square.is_finite() {
            return Err(not_a_number(&block, format, channel));
        }
        let n = (block.end - block.start) as f64;
        out.last_block = n;
        out.levels.push(BlockLevel {
            mean: moments.sum / n,
            mean_square: moments.square / n,
            low: moments.low,
            high: moments.high,
        });
        if moments.still {
            runs::find(&block, &mut out.held);
        }
        out.clipped += clip::clipped(&block, &moments, format.encoding);
        if moments.square > 0.0 {
            let floor = format.encoding.step().map_or(0.0, |q| q * q / 12.0);
            suspects(
                &block,
                floor.max(moments.square / n * 1e-24),
                &mut residual,
                &mut out.suspects,
            );
        }
    }
    Ok(())
}

/// Sums and extremes of a block.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moments {
    sum: f64,
    square: f64,
    pub(super) low: f64,
    pub(super) high: f64,
    /// There may be a run of equal samples.
    still: bool,
}

impl Moments {
    fn of(block: &Window<'_>) -> Self {
        const LANES: usize = 8;
        let x = &block.x[block.start..block.end];
        let (chunks, rest) = x.as_chunks::<LANES>();
        let mut sum = [0.0; LANES];
        let mut square = [0.0; LANES];
        let mut low = [x[0]; LANES];
        let mut high = [x[0]; LANES];
        for chunk in chunks {
            for l in 0..LANES {
                let v = chunk[l];
                sum[l] += v;
                square[l] += v * v;
                low[l] = if v < low[l] { v } else { low[l] };
                high[l] = if v > high[l] { v } else { high[l] };
            }
        }
        // A run of 16 equal samples holds the first two of some chunk of eight.
        let still = chunks.iter().any(|c| (c[0] - c[1]).abs() <= 0.0);
        Self {
            sum: sum.iter().chain(rest).sum(),
            square: square.iter().sum::<f64>() + rest.iter().map(|v| v * v).sum::<f64>(),
            low: low
                .into_iter()
                .chain(rest.iter().copied())
                .fold(f64::INFINITY, f64::min),
            high: high
                .into_iter()
                .chain(rest.iter().copied())
                .fold(f64::NEG_INFINITY, f64::max),
            still: still || !rest.is_empty(),
        }
    }
}

/// Names the first sample that is not a number, or is beyond anything a recording can hold.
fn not_a_number(block: &Window<'_>, format: Format, channel: usize) -> Error {
    let body = &block.x[block.start..block.end];
    let place = body.iter().position(|v| !v.is_finite());
    let frame = block.frame + place.unwrap_or(0) as u64;
    let second = frame as f64 / f64::from(format.sample_rate_hz);
    let what = match place.map(|i| body[i].is_nan()) {
        Some(true) => "a sample is not a number (NaN)",
        Some(false) => "a sample is infinite",
        None => "samples are beyond anything a recording can hold",
    };
    Error::new(Kind::Format, what)
        .at(format!(
            "channel {}, {second:.6} s (frame {frame})",
            Channel::at(channel)
        ))
        .next("record the take again, or export it again as 24-bit WAV from the program that made it")
}

/// Looks for places where the residual of a short predictor stands out of its own mean. `floor` is the least mean
/// square that is believed.
fn suspects(block: &Window<'_>, floor: f64, residual: &mut [f64; BLOCK], out: &mut Vec<Suspect>) {
    let start = block.start.max(ORDER);
    if block.end < start + 8 * CHUNK {
        return;
    }
    let e = &mut residual[..block.end - start];
    let predictor = Predictor::<ORDER>::train(block.x, &slices(start, block.end));
    predictor.residual(block.x, start, e);
    let chunks = e.len() / CHUNK;
    let mut energy = [0.0; BLOCK / CHUNK];
    let mut peak = [0.0; CHUNK];
    for (sum, chunk) in energy.iter_mut().zip(e.as_chunks::<CHUNK>().0) {
        let square = chunk.map(|v| v * v);
        for (p, v) in peak.iter_mut().zip(square) {
            *p = if v > *p { v } else { *p };
        }
        // Summed by halves, which vector registers can do.
        let four = [0, 1, 2, 3].map(|i| square[i] + square[i + 4]);
        *sum = (four[0] + four[2]) + (four[1] + four[3]);
    }
    let energy = &energy[..chunks];
    let mean = (energy.iter().sum::<f64>() / (chunks * CHUNK) as f64).max(floor);
    let pair = energy.windows(2).map(|w| w[0] + w[1]).fold(0.0, f64::max);
    let peak = peak.into_iter().fold(0.0, f64::max);
    if pair < SUSPECT_PAIR * mean && peak < SUSPECT_SAMPLE * mean {
        return;
    }
    let frame = block.frame + (start - block.start) as u64;
    out.extend(places(energy, mean).into_iter().map(|s| Suspect {
        frame: frame + s.frame,
        ..s
    }));
}

/// Short slices spread over a block: enough to train on, a fraction of the work, and fair to a signal that moves.
fn slices(start: usize, end: usize) -> Vec<std::ops::Range<usize>> {
    const COUNT: usize = 8;
    const LENGTH: usize = 64;
    if end - start <= COUNT * LENGTH {
        return std::iter::once(start..end).collect();
    }
    let spacing = (end - start - LENGTH) / (COUNT - 1);
    (0..COUNT)
        .map(|i| start + i * spacing..start + i * spacing + LENGTH)
        .collect()
}

/// The strongest separate places of a block's chunk energies; frames re its first chunk.
fn places(energy: &[f64], mean: f64) -> Vec<Suspect> {
    // The single-sample threshold holds for a chunk as well, since its other samples only add.
    let mut found: Vec<Suspect> = Vec::new();
    for (i, w) in energy.windows(2).enumerate() {
        let strength = (w[0] + w[1]) / mean;
        if strength < SUSPECT_SAMPLE {
            continue;
        }
        let frame = (i * CHUNK) as u64 + CHUNK as u64;
        match found.last_mut() {
            Some(last) if frame - last.frame <= 64 => {
                if strength > last.strength {
                    *last = Suspect { frame, strength };
                }
            }
            _ => found.push(Suspect { frame, strength }),
        }
    }
    strongest(&mut found, SUSPECTS_PER_BLOCK);
    found
}
