//! Averaged power spectra of Hann blocks (Welch's method), laid evenly over a stretch of frames.
//!
//! P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15(2), 1967. Half-overlapping Hann blocks use 95 % of the information
//! in the samples; [`BlockGrid::averages`] says what they are worth, their overlap's correlation counted.

use super::phase::sin_cos_pi;
use super::spectrum::PowerSpectrum;
use super::window::Window;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex64;
use std::sync::Arc;

/// Mean of the squared Hann window.
const HANN_POWER: f64 = 0.375;

/// Most consecutive parts of a capture whose spectra are kept apart.
pub(super) const MOST_SEGMENTS: usize = 16;

/// Blocks side by side from which on overlap is given up.
const PLENTY: u64 = 200;

/// Most densities of all segments together, so that they stay within 8 MiB a channel.
const MOST_SEGMENT_BINS: usize = 1 << 20;

/// Equally long blocks whose starts are spread evenly so that they cover a stretch of frames from end to end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct BlockGrid {
    /// First frame.
    pub(super) first: u64,
    /// Frames covered.
    pub(super) span: u64,
    /// Frames of one block, even.
    pub(super) length: usize,
    /// Blocks, at least one.
    pub(super) count: usize,
}

impl BlockGrid {
    /// Blocks of `length` frames that overlap by a half, or slightly more; `span` must hold at least one. Where there are
    /// [`PLENTY`] of them side by side, they hardly overlap: half the work for averages that are not missed.
    pub(super) fn new(first: u64, span: u64, length: usize) -> Self {
        let beyond = span - length as u64;
        let hop = if span / length as u64 >= PLENTY {
            length as u64
        } else {
            (length / 2).max(1) as u64
        };
        Self {
            first,
            span,
            length,
            count: beyond.div_ceil(hop) as usize + 1,
        }
    }

    /// First frame of block `b`.
    pub(super) fn start(&self, b: usize) -> u64 {
        let beyond = self.span - self.length as u64;
        match self.count {
            1 => self.first,
            count => self.first + beyond * b as u64 / (count as u64 - 1),
        }
    }

    /// Frame in the middle of block `b`, to which its phases refer.
    pub(super) fn middle(&self, b: usize) -> f64 {
        self.start(b) as f64 + self.length as f64 / 2.0
    }

    /// Consecutive parts whose spectra are worth keeping apart.
    pub(super) fn segments(&self) -> usize {
        let most = (MOST_SEGMENT_BINS / (self.length / 2 + 1)).min(MOST_SEGMENTS);
        match self.count / 2 {
            0 | 1 => 0,
            n => n.min(most),
        }
    }

    /// The segment that block `b` belongs to; 0 where there are none.
    pub(super) fn segment_of(&self, b: usize) -> usize {
        b * self.segments().max(1) / self.count
    }

    /// Independent averages that the mean of all blocks' densities is worth: n/(1 + 2Σ(1 − j/n)ρ²), with ρ the window's
    /// autocorrelation at the blocks' distance (Welch 1967).
    pub(super) fn averages(&self) -> f64 {
        let n = self.count as f64;
        if self.count == 1 {
            return 1.0;
        }
        let hop = (self.span - self.length as u64) as f64 / (n - 1.0) / self.length as f64;
        let mut sum = 1.0;
        let mut j = 1.0;
        while j < n && j * hop < 1.0 {
            sum += 2.0 * (1.0 - j / n) * hann_correlation(j * hop).powi(2);
            j += 1.0;
        }
        n / sum
    }
}

/// Autocorrelation of the Hann window shifted by the share `r` of its length.
fn hann_correlation(r: f64) -> f64 {
    let (s, c) = sin_cos_pi(2.0 * r);
    (1.0 - r) * (2.0 + c) / 3.0 + s / std::f64::consts::TAU
}

/// Windows a block and transforms it.
pub(super) struct BlockTransform {
    window: Arc<Vec<f64>>,
    fft: Arc<dyn RealToComplex<f64>>,
    windowed: Vec<f64>,
    scratch: Vec<Complex64>,
    bins: Vec<Complex64>,
}

/// What all transforms of one length share.
#[derive(Clone)]
pub(super) struct BlockPlan {
    window: Arc<Vec<f64>>,
    fft: Arc<dyn RealToComplex<f64>>,
}

impl BlockPlan {
    pub(super) fn new(length: usize) -> Self {
        Self {
            window: Arc::new(Window::Hann.samples(length)),
            fft: RealFftPlanner::new().plan_fft_forward(length),
        }
    }

    pub(super) fn transform(&self) -> BlockTransform {
        BlockTransform {
            window: self.window.clone(),
            windowed: self.fft.make_input_vec(),
            scratch: self.fft.make_scratch_vec(),
            bins: self.fft.make_output_vec(),
            fft: self.fft.clone(),
        }
    }
}

impl BlockTransform {
    /// The spectrum of one block of samples, `length`/2 + 1 bins. Lengths are the plan's own, so that it cannot fail.
    pub(super) fn run(&mut self, block: &[f64]) -> &mut [Complex64] {
        for ((y, x), w) in self.windowed.iter_mut().zip(block).zip(self.window.iter()) {
            *y = x * w;
        }
        let done = self
            .fft
            .process_with_scratch(&mut self.windowed, &mut self.bins, &mut self.scratch);
        debug_assert!(done.is_ok(), "buffers come from the same plan");
        &mut self.bins
    }
}

/// Sums of |X|² of a channel's blocks, by segment.
#[derive(Debug, Clone)]
pub(super) struct PowerSum {
    segments: Vec<Vec<f64>>,
    counts: Vec<usize>,
}

impl PowerSum {
    /// Nothing yet, of the blocks of `grid`.
    pub(super) fn new(grid: &BlockGrid) -> Self {
        let segments = grid.segments().max(1);
        Self {
            segments: vec![vec![0.0; grid.length / 2 + 1]; segments],
            counts: vec![0; segments],
        }
    }

    /// Adds the sum of |X|² of `blocks` blocks of one segment.
    pub(super) fn add(&mut self, segment: usize, sum: &[f64], blocks: usize) {
        for (total, new) in self.segments[segment].iter_mut().zip(sum) {
            *total += new;
        }
        self.counts[segment] += blocks;
    }

    /// The averaged one-sided density.
    pub(super) fn spectrum(self, grid: &BlockGrid, sample_rate_hz: f64) -> PowerSpectrum {
        let n = grid.length as f64;
        let last = grid.length / 2;
        let scale = |blocks: usize, bin: usize| {
            // One-sided: all bins but 0 and the last stand for ±f.
            let sides = if bin == 0 || bin == last { 1.0 } else { 2.0 };
            sides / (sample_rate_hz * HANN_POWER * n * blocks.max(1) as f64)
        };
        let blocks: usize = self.counts.iter().sum();
        let density = (0..=last)
            .map(|k| self.segments.iter().map(|s| s[k]).sum::<f64>() * scale(blocks, k))
            .collect();
        let mut segments = self.segments;
        for (segment, count) in segments.iter_mut().zip(&self.counts) {
            for (k, value) in segment.iter_mut().enumerate() {
                *value *= scale(*count, k);
            }
        }
        if segments.len() < 2 {
            segments.clear();
        }
        PowerSpectrum {
            bin_hz: sample_rate_hz / n,
            density,
            line_width_bins: Window::Hann.nenbw(),
            averages: grid.averages(),
            segments,
        }
    }
}

/// Adds |X|² of every bin.
pub(super) fn add_power(sum: &mut [f64], bins: &[Complex64]) {
    for (total, x) in sum.iter_mut().zip(bins) {
        *total += x.norm_sqr();
    }
}

/// Spectrum of samples in memory.
pub(super) fn spectrum_of(x: &[f64], length: usize, sample_rate_hz: f64) -> PowerSpectrum {
    let grid = BlockGrid::new(0, x.len() as u64, length);
    let mut transform = BlockPlan::new(length).transform();
    let mut sum = PowerSum::new(&grid);
    let mut power = vec![0.0; length / 2 + 1];
    for b in 0..grid.count {
        let start = grid.start(b) as usize;
        power.fill(0.0);
        add_power(&mut power, transform.run(&x[start..start + length]));
        sum.add(grid.segment_of(b), &power, 1);
    }
    sum.spectrum(&grid, sample_rate_hz)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overlap_correlation_of_hann() {
        // Half overlap: 1/6 (Harris 1978, table 1: 16.7 %); three quarters: 65.9 %.
        assert!((hann_correlation(0.5) - 1.0 / 6.0).abs() < 1e-12);
        assert!((hann_correlation(0.25) - 0.659).abs() < 5e-4);
    }

    #[test]
    fn blocks_cover_the_span() {
        for span in [1000, 1001, 1499, 1500, 1501, 9973, 1_000_001] {
            let grid = BlockGrid::new(7, span, 1000);
            assert_eq!(grid.start(0), 7);
            assert_eq!(grid.start(grid.count - 1) + 1000, 7 + span);
            for b in 1..grid.count {
                assert!(grid.start(b) - grid.start(b - 1) <= if span < 10_000 { 500 } else { 1000 });
            }
        }
    }

    #[test]
    fn power_is_kept() {
        // Parseval for a sine far from 0 Hz: mean square A²/2.
        let x: Vec<f64> = (0..40_000).map(|n| 0.5 * (0.377 * n as f64).cos()).collect();
        let s = spectrum_of(&x, 4096, 48_000.0);
        let total = s.bin_hz * s.density.iter().sum::<f64>();
        assert!((total - 0.125).abs() < 1e-6, "{total}");
    }
}
