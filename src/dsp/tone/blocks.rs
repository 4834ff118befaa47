//! One run of consecutive blocks: read, transformed, fundamentals taken out, lines read, powers summed.

use super::lines::lines;
use super::probe::{ends_early, inseparable};
use super::reader::{Kernel, Reader, Remover, WIDTH};
use crate::dsp::block_spectrum::{BlockGrid, BlockPlan, add_power};
use crate::dsp::sine_fit::Tone;
use crate::error::Result;
use crate::signal::source::{BlockReader, BlockSource};
use rustfft::num_complex::Complex64;
use std::ops::Range;

/// Lines of two sines closer than this many bins of a block are one.
const RESOLUTION_BINS: f64 = 4.0;

/// A sine's own frequency in a block is used where its power is this many times the noise's: 40 dB.
const TRACKABLE: f64 = 1e4;

/// Largest deviation of a sine from its reader's position, bins.
const MOST_OFF: f64 = 0.5;

/// Most fits of a block's fundamentals, and the share of the noise's power that ends them.
const MOST_VISITS: usize = 6;
const SETTLED: f64 = 1e-6;

/// Lines within this many bins may leak into one another, where their share is above the other limit.
const LEAKS_BINS: f64 = 512.0;
const LEAKS: f64 = 1e-9;

/// Bins from a line to the first that is taken for noise: the Hann window's main lobe and a half.
pub(super) const CLEAR_BINS: f64 = 3.5;

/// Variance of a part of an amplitude per |X|² of noise in a Hann bin, times the block's length squared: 2/(3/8).
pub(super) const AMPLITUDE_VARIANCE: f64 = 2.0 / 0.375;

/// Readers of one sine and its harmonics.
#[derive(Debug)]
pub(super) struct ToneReaders {
    /// Cycles per sample that the readers are made for.
    pub(super) nu: f64,
    fundamental: Reader,
    remover: Remover,
    /// By rising order.
    pub(super) harmonics: Vec<(u32, Reader)>,
    /// What a reading (0 is the fundamental) has in it of others of the same sine: index, share, and share of the image.
    leaks: Vec<Vec<(usize, f64, f64)>>,
}

impl ToneReaders {
    /// The reader of the fundamental (0) or of a harmonic (1…).
    pub(super) fn reader(&self, index: usize) -> &Reader {
        match index {
            0 => &self.fundamental,
            h => &self.harmonics[h - 1].1,
        }
    }

    /// Shares of the other lines in the reading of line `l`. The fundamental is already out of the spectrum that
    /// harmonics are read from.
    fn leaks_into(&self, l: usize, kernel: Kernel) -> Vec<(usize, f64, f64)> {
        let reader = self.reader(l);
        (1..=self.harmonics.len())
            .filter_map(|m| {
                let (own, other) = (reader.position, self.reader(m).position);
                let near = |p: f64| {
                    let close = (p - own).abs() < LEAKS_BINS;
                    if close { reader.response(kernel, p) } else { 0.0 }
                };
                let direct = if m == l { 0.0 } else { near(other) };
                let image = near(-other);
                (direct.abs().max(image.abs()) > LEAKS).then_some((m, direct, image))
            })
            .collect()
    }

    /// Parts a block's readings from what the other lines have leaked into them. Leakage is below 1 % of a line, so that
    /// one step leaves less than its square.
    fn part(&self, lines: &mut [Complex64]) {
        if self.leaks.iter().all(Vec::is_empty) {
            return;
        }
        let read = lines.to_vec();
        for (line, leaks) in lines.iter_mut().zip(&self.leaks) {
            for (m, direct, image) in leaks {
                *line -= read[*m] * *direct + read[*m].conj() * *image;
            }
        }
    }
}

/// Readers of one channel.
#[derive(Debug)]
pub(super) struct ChannelReaders {
    pub(super) tones: Vec<ToneReaders>,
    dc: Reader,
}

impl ChannelReaders {
    /// For sines at `nus` (cycles per sample) in blocks of `length`.
    pub(super) fn new(length: usize, nus: &[f64]) -> Result<Self> {
        let kernel = Kernel::new(length);
        let n = length as f64;
        let tones: Vec<Tone> = nus.iter().map(|nu| Tone { nu: *nu, fixed: true }).collect();
        let all = lines(&tones, RESOLUTION_BINS / n, u32::MAX);
        let mut positions = vec![0.0];
        for p in all.iter().map(|l| l.nu(&tones) * n) {
            positions.extend([p, -p, n - p]);
        }
        let reader =
            |p: f64, tracking: bool| Reader::new(kernel, p, tracking, &positions).ok_or_else(inseparable);
        let tone = |i: usize| -> Result<ToneReaders> {
            let harmonics = all
                .iter()
                .filter(|l| l.tone == i && l.order > 1)
                .map(|l| Ok((l.order, reader(l.nu(&tones) * n, false)?)))
                .collect::<Result<Vec<_>>>()?;
            let mut tone = ToneReaders {
                nu: nus[i],
                fundamental: reader(nus[i] * n, true)?,
                remover: Remover::new(length, nus[i] * n),
                harmonics,
                leaks: Vec::new(),
            };
            tone.leaks = (0..=tone.harmonics.len())
                .map(|l| tone.leaks_into(l, kernel))
                .collect();
            Ok(tone)
        };
        Ok(Self {
            tones: (0..nus.len()).map(tone).collect::<Result<_>>()?,
            dc: reader(0.0, false)?,
        })
    }

    /// Takes the fundamentals and DC out of a block's spectrum and returns their amplitudes and the mean.
    ///
    /// Each visit fits what the visits before have left: the second removes what a deviating frequency or a changing
    /// level leaves, further ones what a sine's image at −f and a second sine leak into the reading.
    fn fundamentals(&self, spectrum: &mut [Complex64], rest: &mut [ToneRun]) -> (Vec<Complex64>, f64) {
        let mut found: Vec<Found> = Vec::with_capacity(self.tones.len());
        for tone in &self.tones {
            let first = tone.first_visit(spectrum);
            tone.remover
                .remove(spectrum, first.half, Complex64::default(), first.off);
            found.push(first);
        }
        let mut dc = self.take_dc(spectrum);
        for _ in 1..MOST_VISITS {
            let mut settled = true;
            for (tone, found) in self.tones.iter().zip(&mut found) {
                settled &= tone.visit(spectrum, found);
            }
            dc += self.take_dc(spectrum);
            if settled {
                break;
            }
        }
        for (tone, run) in self.tones.iter().zip(rest) {
            run.add_rest(0, &tone.fundamental.rest(&tone.fundamental.window(spectrum)));
        }
        (found.into_iter().map(|f| f.half * 2.0).collect(), dc)
    }

    /// Takes the mean out of a block's spectrum. A constant has only the bins 0 and ±1 of a Hann block.
    fn take_dc(&self, spectrum: &mut [Complex64]) -> f64 {
        let dc = self.dc.read(&self.dc.window(spectrum)).re;
        let half = dc * (spectrum.len() as f64 - 1.0);
        spectrum[0].re -= half;
        spectrum[1].re += 0.5 * half;
        dc
    }
}

/// What is known of a sine in one block.
struct Found {
    /// Half its complex amplitude.
    half: Complex64,
    /// Its distance from the reader's position, bins.
    off: f64,
    /// Whether its frequency in this block is known well enough to be used.
    trackable: bool,
    /// Noise power of a reading of `half`.
    noise: f64,
}

impl ToneReaders {
    fn first_visit(&self, spectrum: &[Complex64]) -> Found {
        let window = self.fundamental.window(spectrum);
        let half = self.fundamental.read(&window);
        let slope = self.fundamental.read_slope(&window);
        let n = 2.0 * (spectrum.len() as f64 - 1.0);
        let beside = mean_beside(&self.fundamental, &self.fundamental.rest(&window));
        let noise = AMPLITUDE_VARIANCE * beside / (2.0 * n * n);
        let trackable = half.norm_sqr() > TRACKABLE * noise;
        let off = if trackable {
            (slope / half).re.clamp(-MOST_OFF, MOST_OFF)
        } else {
            0.0
        };
        Found {
            half,
            off,
            trackable,
            noise,
        }
    }

    /// Fits and takes out what is left; whether that was next to nothing.
    fn visit(&self, spectrum: &mut [Complex64], found: &mut Found) -> bool {
        let window = self.fundamental.window(spectrum);
        let half = self.fundamental.read(&window);
        let slope = if found.trackable {
            self.fundamental.read_slope(&window)
        } else {
            Complex64::default()
        };
        found.half += half;
        self.remover.remove(spectrum, half, slope, found.off);
        half.norm_sqr() < SETTLED * found.noise.max(1e-20 * found.half.norm_sqr())
    }
}

fn mean_beside(reader: &Reader, rest: &[f64; WIDTH]) -> f64 {
    let (sum, n) = reader
        .beside(CLEAR_BINS)
        .fold((0.0, 0.0), |(sum, n), i| (sum + rest[i], n + 1.0));
    sum / f64::max(n, 1.0)
}

/// What a run yields of one sine.
#[derive(Debug, Clone)]
pub(super) struct ToneRun {
    /// Complex amplitude at each block's middle.
    pub(super) fundamental: Vec<Complex64>,
    /// The same of the harmonics, block after block.
    pub(super) harmonics: Vec<Complex64>,
    /// Sums over the blocks of |X|² left in the readers' bins: the fundamental's, then each harmonic's.
    pub(super) rest: Vec<f64>,
}

impl ToneRun {
    fn add_rest(&mut self, line: usize, rest: &[f64; WIDTH]) {
        for (sum, r) in self.rest[line * WIDTH..].iter_mut().zip(rest) {
            *sum += r;
        }
    }
}

/// What a run yields of one channel.
#[derive(Debug, Clone)]
pub(super) struct ChannelRun {
    pub(super) tones: Vec<ToneRun>,
    /// Mean of the samples of each block.
    pub(super) dc: Vec<f64>,
    /// Sum over the blocks of |X|² without fundamentals and DC.
    pub(super) power: Vec<f64>,
}

impl ChannelRun {
    fn new(readers: &ChannelReaders, length: usize) -> Self {
        let tones = readers
            .tones
            .iter()
            .map(|t| ToneRun {
                fundamental: Vec::new(),
                harmonics: Vec::new(),
                rest: vec![0.0; (t.harmonics.len() + 1) * WIDTH],
            })
            .collect();
        Self {
            tones,
            dc: Vec::new(),
            power: vec![0.0; length / 2 + 1],
        }
    }

    /// Takes up one block's spectrum, which is spent.
    fn add(&mut self, readers: &ChannelReaders, spectrum: &mut [Complex64]) {
        let (fundamentals, dc) = readers.fundamentals(spectrum, &mut self.tones);
        self.dc.push(dc);
        for ((run, tone), a) in self.tones.iter_mut().zip(&readers.tones).zip(fundamentals) {
            let mut lines = vec![a];
            for (i, (_, reader)) in tone.harmonics.iter().enumerate() {
                let window = reader.window(spectrum);
                lines.push(reader.read(&window) * 2.0);
                run.add_rest(i + 1, &reader.rest(&window));
            }
            tone.part(&mut lines);
            run.fundamental.push(lines[0]);
            run.harmonics.extend_from_slice(&lines[1..]);
        }
        add_power(&mut self.power, spectrum);
    }
}

/// Reads and analyses the blocks `blocks` of all channels.
pub(super) fn run(
    source: &dyn BlockSource,
    plan: &BlockPlan,
    grid: &BlockGrid,
    readers: &[ChannelReaders],
    blocks: Range<usize>,
) -> Result<Vec<ChannelRun>> {
    let mut frames = Frames::new(source, grid.length)?;
    let mut transform = plan.transform();
    let mut runs: Vec<ChannelRun> = readers.iter().map(|r| ChannelRun::new(r, grid.length)).collect();
    for b in blocks {
        frames.advance(grid.start(b))?;
        for ((run, readers), plane) in runs.iter_mut().zip(readers).zip(&frames.planes) {
            run.add(readers, transform.run(plane));
        }
    }
    Ok(runs)
}

/// A block of frames that moves along the recording; what two blocks share is read once.
struct Frames {
    reader: Box<dyn BlockReader>,
    planes: Vec<Vec<f64>>,
    start: Option<u64>,
}

impl Frames {
    fn new(source: &dyn BlockSource, length: usize) -> Result<Self> {
        Ok(Self {
            reader: source.open()?,
            planes: vec![vec![0.0; length]; source.format().channels],
            start: None,
        })
    }

    fn advance(&mut self, start: u64) -> Result<()> {
        let length = self.planes.first().map_or(0, Vec::len);
        let kept = match self.start {
            Some(old) if start - old < length as u64 => length - (start - old) as usize,
            _ => 0,
        };
        for plane in &mut self.planes {
            plane.copy_within(length - kept.., 0);
        }
        let mut done = kept;
        while done < length {
            let mut rest: Vec<&mut [f64]> = self.planes.iter_mut().map(|p| &mut p[done..]).collect();
            let got = self.reader.read(start + done as u64, &mut rest)?;
            if got == 0 {
                return Err(ends_early());
            }
            done += got;
        }
        self.start = Some(start);
        Ok(())
    }
}
