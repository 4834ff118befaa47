//! Where something like a mark stands: a matched filter over the whole capture, block by block.
//!
//! Blocks are transformed, cut down to the marks' band and brought back as a complex envelope of a few kilohertz, so that
//! a capture of any length takes constant memory and little time. What is compared with a threshold is the coherence
//! ρ = |⟨x, t⟩|² / (⟨x, x⟩⟨t, t⟩) of the band over the length of a mark: it does not depend on the level, 1 for a mark
//! alone, S/(S + N) beside noise. In noise alone, of K = bandwidth × length = 50 complex dimensions, P(ρ > r) = (1 − r)^(K−1)
//! (the beta distribution of a direction drawn at random): 10⁻¹⁰ at the 0.38 of [`LEAST`]. A steady tone, a slow sweep or
//! the other channel's chirp shares at most about a tenth of its energy with a mark.

use crate::error::Result;
use crate::signal::mark;
use crate::signal::source::{BlockSource, Format};
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex64;
use rustfft::{Fft, FftPlanner};
use std::ops::Range;
use std::sync::Arc;

/// Least coherence of a candidate. A mark 0 dB re the noise of its band has 0.5 ± 0.06.
const LEAST: f64 = 0.38;

/// Edges of the band, Hz: the marks' own and what their envelope adds.
const BAND_HZ: Range<f64> = mark::LOW_HZ - 250.0..mark::HIGH_HZ + 250.0;

/// Width of the band's raised-cosine edges, Hz, so that what goes on at a block's ends stays there.
const EDGE_HZ: f64 = 200.0;

/// Most candidates of one channel and shape, the most coherent.
const MOST: usize = 64;

/// Number of different marks: rising and falling.
pub(super) const SHAPES: usize = 2;

/// Spectra of blocks of one length, in the marks' band.
pub(super) struct Band {
    /// Frames of a block.
    pub(super) block: usize,
    /// Frames of a mark.
    pub(super) mark: usize,
    rate: f64,
    first_bin: usize,
    weights: Vec<f64>,
    forward: Arc<dyn RealToComplex<f64>>,
    /// Spectrum of each shape of mark, starting on the block's first frame.
    pub(super) shapes: [Vec<Complex64>; SHAPES],
}

impl Band {
    /// For blocks of at least `marks` lengths of a mark.
    pub(super) fn new(sample_rate_hz: u32, marks: usize) -> Result<Self> {
        let rate = f64::from(sample_rate_hz);
        let mark = (mark::MARK_S * rate).ceil() as usize;
        let block = (mark * marks).next_power_of_two();
        let step = rate / block as f64;
        let first_bin = (BAND_HZ.start / step).ceil() as usize;
        let last_bin = ((BAND_HZ.end / step).floor() as usize).min(block / 2);
        let weights = (first_bin..=last_bin.max(first_bin))
            .map(|k| {
                let hz = k as f64 * step;
                let inside = ((hz - BAND_HZ.start).min(BAND_HZ.end - hz) / EDGE_HZ).clamp(0.0, 1.0);
                0.5 - 0.5 * (std::f64::consts::PI * inside).cos()
            })
            .collect();
        let mut band = Self {
            block,
            mark,
            rate,
            first_bin,
            weights,
            forward: RealFftPlanner::<f64>::new().plan_fft_forward(block),
            shapes: [Vec::new(), Vec::new()],
        };
        for shape in 0..SHAPES {
            let mut x: Vec<f64> = (0..block).map(|n| mark::value(shape, n as f64 / rate)).collect();
            band.shapes[shape] = band.spectrum(&mut x)?;
        }
        Ok(band)
    }

    /// The band of a block; `x` is used up.
    pub(super) fn spectrum(&self, x: &mut [f64]) -> Result<Vec<Complex64>> {
        let mut out = self.forward.make_output_vec();
        self.forward
            .process(x, &mut out)
            .map_err(|e| crate::error::Error::new(crate::error::Kind::Value, e.to_string()))?;
        Ok(out[self.first_bin..]
            .iter()
            .zip(&self.weights)
            .map(|(z, w)| z * w)
            .collect())
    }

    /// Frequency of the band's bin `k`, Hz.
    pub(super) fn hertz(&self, k: usize) -> f64 {
        (self.first_bin + k) as f64 * self.rate / self.block as f64
    }

    fn bins(&self) -> usize {
        self.weights.len()
    }
}

/// Something like a mark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Candidate {
    /// Index of the channel.
    pub(super) channel: usize,
    /// 0 rises, 1 falls.
    pub(super) shape: usize,
    /// Frame that it begins on, to a few frames.
    pub(super) at: f64,
    /// 0…1.
    pub(super) coherence: f64,
}

/// All candidates of `shapes` on all channels.
pub(super) fn candidates(source: &dyn BlockSource, shapes: &[usize]) -> Result<Vec<Candidate>> {
    let format = source.format();
    let band = Band::new(format.sample_rate_hz, 8)?;
    let envelope = Envelope::new(&band);
    let guard = band.mark / 4;
    let hop = band.block - band.mark - 2 * guard;
    let mut reader = source.open()?;
    let mut planes = vec![vec![0.0; band.block]; format.channels];
    let mut found = vec![Vec::new(); format.channels * SHAPES];
    let mut start = -(guard as i64);
    while start < format.frames as i64 {
        read_around(reader.as_mut(), format, start, &mut planes)?;
        for (channel, plane) in planes.iter_mut().enumerate() {
            let spectrum = band.spectrum(plane)?;
            let energy = envelope.energy(&spectrum);
            for shape in shapes {
                let all = &mut found[channel * SHAPES + shape];
                let lags = envelope.lags(guard, guard + hop);
                for (lag, coherence) in envelope.coherence(&spectrum, &band.shapes[*shape], &energy, lags) {
                    let at = start as f64 + lag as f64 * envelope.step;
                    let new = Candidate {
                        channel,
                        shape: *shape,
                        at,
                        coherence,
                    };
                    keep(all, new, band.mark as f64 / 2.0);
                }
            }
        }
        start += hop as i64;
    }
    Ok(found.into_iter().flatten().collect())
}

/// Reads a block that may begin before the capture and end after it; what is not there is zero.
pub(super) fn read_around(
    reader: &mut dyn crate::signal::source::BlockReader,
    format: Format,
    start: i64,
    planes: &mut [Vec<f64>],
) -> Result<()> {
    let before = usize::try_from(-start).unwrap_or(0);
    let first = u64::try_from(start).unwrap_or(0);
    for plane in planes.iter_mut() {
        plane.fill(0.0);
    }
    if first >= format.frames || planes.iter().any(|p| p.len() <= before) {
        return Ok(());
    }
    let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(|p| &mut p[before..]).collect();
    reader.read(first, &mut slices)?;
    Ok(())
}

/// Adds a candidate, or replaces a less coherent one `near` it; keeps the most coherent [`MOST`].
fn keep(all: &mut Vec<Candidate>, new: Candidate, near: f64) {
    if let Some(last) = all.last_mut().filter(|l| new.at - l.at < near) {
        if new.coherence > last.coherence {
            *last = new;
        }
        return;
    }
    all.push(new);
    if all.len() > 2 * MOST {
        all.sort_by(|a, b| b.coherence.total_cmp(&a.coherence));
        all.truncate(MOST);
        all.sort_by(|a, b| a.at.total_cmp(&b.at));
    }
}

/// The band as a complex envelope at a low rate.
struct Envelope {
    inverse: Arc<dyn Fft<f64>>,
    /// Frames of the capture per sample of the envelope.
    step: f64,
    /// Samples of the envelope in a mark.
    mark: usize,
}

impl Envelope {
    fn new(band: &Band) -> Self {
        // Twice the samples that the bandwidth needs, so that no peak falls between two.
        let length = (2 * band.bins()).next_power_of_two().min(band.block);
        let step = band.block as f64 / length as f64;
        Self {
            inverse: FftPlanner::new().plan_fft_inverse(length),
            step,
            mark: (band.mark as f64 / step).round() as usize,
        }
    }

    /// Envelope samples whose frames lie in `from..to`.
    fn lags(&self, from: usize, to: usize) -> Range<usize> {
        (from as f64 / self.step).floor() as usize..(to as f64 / self.step).ceil() as usize
    }

    fn back(&self, band: impl Iterator<Item = Complex64>) -> Vec<Complex64> {
        let mut out: Vec<Complex64> = band.collect();
        out.resize(self.inverse.len(), Complex64::ZERO);
        self.inverse.process(&mut out);
        out
    }

    /// Energy of the band over the length of a mark from each sample on.
    fn energy(&self, spectrum: &[Complex64]) -> Vec<f64> {
        let power: Vec<f64> = self
            .back(spectrum.iter().copied())
            .iter()
            .map(Complex64::norm_sqr)
            .collect();
        // What rounding leaves of a loud signal elsewhere in the block is no signal.
        let floor = 1e-20 * power.iter().sum::<f64>() + f64::MIN_POSITIVE;
        let mut sum: f64 = power[..self.mark.min(power.len())].iter().sum();
        let mut out = Vec::with_capacity(power.len());
        for i in 0..power.len() {
            out.push(sum.max(floor));
            sum += power.get(i + self.mark).copied().unwrap_or(0.0) - power[i];
        }
        out
    }

    /// Samples in `lags` whose coherence with a mark is a local maximum above [`LEAST`].
    fn coherence(
        &self,
        spectrum: &[Complex64],
        shape: &[Complex64],
        energy: &[f64],
        lags: Range<usize>,
    ) -> Vec<(usize, f64)> {
        let correlation = self.back(spectrum.iter().zip(shape).map(|(x, t)| x * t.conj()));
        let shape_energy: f64 = shape.iter().map(Complex64::norm_sqr).sum();
        let length = self.inverse.len() as f64;
        let value = |i: usize| length * correlation[i].norm_sqr() / (shape_energy * energy[i]);
        lags.filter(|i| *i > 0 && i + self.mark < energy.len())
            .map(|i| (i, value(i)))
            .filter(|(i, v)| *v > LEAST && *v >= value(i - 1) && *v >= value(i + 1))
            .map(|(i, v)| (i, v.min(1.0)))
            .collect()
    }
}
