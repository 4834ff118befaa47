//! A static nonlinearity on an oversampled waveform, so that its products do not fold back.
//!
//! The waveform is raised to at least 1.4 MHz (never less than 8 times its own rate) by a linear-phase low-pass in
//! overlapping blocks, handed to the nonlinearity, and what that yields is brought down through the same low-pass.
//! Both directions pass up to 0.47 of the sample rate within 1e-7 and stop from 0.49 on by more than 140 dB (Kaiser
//! window, β = 14.1). Only what a stage *adds* to its input travels through here: the linear path never does.
//!
//! The products of the nonlinearity itself must die out before the oversampled Nyquist frequency. Those of a corner in
//! the curve fall as 1/n²: an ideal limiter leaves aliases near −120 dBc at 1 kHz, the rounded ones of real stages
//! leave none that could be seen.

use super::transform::Transform;
use crate::error::Result;
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// The oversampled rate is at least this, Hz.
const RATE_HZ: f64 = 1.4e6;
/// Frames of one block before oversampling.
const BLOCK: usize = 4096;
/// Frames at each end of a block that a block's own edges reach.
const MARGIN: usize = 512;
/// Half length of the low-pass, frames; two of them lie inside the margin.
const HALF_LENGTH: usize = 250;
/// Middle of the transition band re the sample rate.
const CUTOFF: f64 = 0.48;
/// Shape of the Kaiser window: 140 dB need 0.1102·(140 − 8.7) = 14.5 (Kaiser 1974).
const BETA: f64 = 14.5;

/// Plans and filter for one sample rate.
#[derive(Debug, Clone)]
pub(super) struct Oversampler {
    factor: usize,
    base: Transform,
    fine: Transform,
    /// Gain of the low-pass in the block's bins.
    mask: Vec<f64>,
}

/// What a nonlinear stage adds to one block, at the oversampled rate. A stage sets `used` for a product that is not all
/// zero.
#[derive(Debug)]
pub(super) struct Product {
    /// One value an oversampled sample.
    pub(super) samples: Vec<f64>,
    /// Whether there is anything in it.
    pub(super) used: bool,
}

impl Oversampler {
    /// For waveforms of `sample_rate_hz`.
    ///
    /// # Errors
    /// Only where a transform refuses its buffers.
    pub(super) fn new(planner: &mut RealFftPlanner<f64>, sample_rate_hz: f64) -> Result<Self> {
        let mut factor = 8;
        #[allow(clippy::cast_precision_loss, reason = "a small power of two")]
        while (factor as f64) * sample_rate_hz < RATE_HZ {
            factor *= 2;
        }
        let base = Transform::plan(planner, BLOCK);
        let fine = Transform::plan(planner, BLOCK * factor);
        let mask = mask(&fine, factor)?;
        Ok(Self {
            factor,
            base,
            fine,
            mask,
        })
    }

    /// Oversampled samples a frame.
    pub(super) fn factor(&self) -> usize {
        self.factor
    }

    /// Runs `stage` over all of `input` in blocks and returns its two products at the sample rate; `None` for one that
    /// no block used.
    ///
    /// `stage(first, wave, a, b)` gets the number of the block's first frame (negative for the margin before the start),
    /// the oversampled wave, and the two products to fill.
    ///
    /// # Errors
    /// Only where a transform refuses its buffers.
    pub(super) fn run(
        &self,
        input: &[f64],
        mut stage: impl FnMut(i64, &[f64], &mut Product, &mut Product),
    ) -> Result<[Option<Vec<f64>>; 2]> {
        let hop = BLOCK - 2 * MARGIN;
        let mut wave = vec![0.0; self.fine.length()];
        let mut products = [self.empty_product(), self.empty_product()];
        let mut outputs = [None, None];
        let mut block = vec![0.0; BLOCK];
        let mut work = Work {
            base: vec![Complex64::ZERO; BLOCK / 2 + 1],
            fine: vec![Complex64::ZERO; self.fine.length() / 2 + 1],
        };
        for start in (0..input.len()).step_by(hop) {
            fill(&mut block, input, start);
            if block.iter().all(|x| x.abs() < f64::MIN_POSITIVE) {
                continue;
            }
            self.raise(&mut block, &mut wave, &mut work)?;
            let [a, b] = &mut products;
            (a.used, b.used) = (false, false);
            #[allow(clippy::cast_possible_wrap, reason = "takes are far shorter than 2^63 frames")]
            let first = start as i64 - MARGIN as i64;
            stage(first, &wave, a, b);
            for (product, output) in products.iter_mut().zip(&mut outputs) {
                if product.used {
                    self.lower(&mut product.samples, &mut block, &mut work)?;
                    let output = output.get_or_insert_with(|| vec![0.0; input.len()]);
                    let valid = block.get(MARGIN..BLOCK - MARGIN).unwrap_or_default();
                    put(output, start, valid);
                }
            }
        }
        Ok(outputs)
    }

    fn empty_product(&self) -> Product {
        Product {
            samples: vec![0.0; self.fine.length()],
            used: false,
        }
    }

    /// Interpolates `block` to the oversampled rate.
    fn raise(&self, block: &mut [f64], wave: &mut [f64], work: &mut Work) -> Result<()> {
        self.base.forward_into(block, &mut work.base)?;
        #[allow(clippy::cast_precision_loss, reason = "a block length")]
        let scale = 1.0 / BLOCK as f64;
        work.fine.fill(Complex64::ZERO);
        for ((to, from), gain) in work.fine.iter_mut().zip(&work.base).zip(&self.mask) {
            *to = from * (gain * scale);
        }
        self.fine.inverse_into(&mut work.fine, wave)
    }

    /// Brings one product down to the sample rate; overwrites `product`.
    fn lower(&self, product: &mut [f64], block: &mut [f64], work: &mut Work) -> Result<()> {
        self.fine.forward_into(product, &mut work.fine)?;
        #[allow(clippy::cast_precision_loss, reason = "a block length")]
        let scale = 1.0 / self.fine.length() as f64;
        for ((to, from), gain) in work.base.iter_mut().zip(&work.fine).zip(&self.mask) {
            *to = from * (gain * scale);
        }
        self.base.inverse_into(&mut work.base, block)
    }
}

/// Spectra of one block.
struct Work {
    base: Vec<Complex64>,
    fine: Vec<Complex64>,
}

/// Copies the block that begins [`MARGIN`] frames before `start`; silence before and after the input.
fn fill(block: &mut [f64], input: &[f64], start: usize) {
    block.fill(0.0);
    let lead = MARGIN.saturating_sub(start);
    let from = (start + lead).saturating_sub(MARGIN);
    let length = (input.len() - from).min(block.len() - lead);
    if let (Some(to), Some(source)) = (block.get_mut(lead..lead + length), input.get(from..from + length)) {
        to.copy_from_slice(source);
    }
}

/// Copies a block's valid frames to where they belong.
fn put(output: &mut [f64], start: usize, valid: &[f64]) {
    for (to, from) in output.iter_mut().skip(start).zip(valid) {
        *to = *from;
    }
}

/// Gain of the windowed-sinc low-pass in the bins of a block below the base Nyquist frequency.
fn mask(fine: &Transform, factor: usize) -> Result<Vec<f64>> {
    let half = HALF_LENGTH * factor;
    let length = fine.length();
    let mut kernel = vec![0.0; length];
    let taps = u32::try_from(half).unwrap_or(u32::MAX);
    #[allow(clippy::cast_precision_loss, reason = "a small power of two")]
    let per_frame = factor as f64;
    for k in 0..=taps {
        let frames = f64::from(k) / per_frame;
        let x = PI * 2.0 * CUTOFF * frames;
        let sinc = if k == 0 { 1.0 } else { x.sin() / x };
        let window = kaiser(f64::from(k) / f64::from(taps + 1));
        let value = sinc * window * 2.0 * CUTOFF / per_frame;
        let at = k as usize;
        if let Some(tap) = kernel.get_mut(at) {
            *tap = value;
        }
        if at > 0
            && let Some(tap) = kernel.get_mut(length - at)
        {
            *tap = value;
        }
    }
    let mut spectrum = fine.forward(&kernel)?;
    spectrum.truncate(BLOCK / 2);
    // Nothing is left at the base Nyquist frequency itself.
    Ok(spectrum.iter().map(|z| z.re).chain([0.0]).collect())
}

/// The Kaiser window at `x` from its middle (0) to its edge (1).
fn kaiser(x: f64) -> f64 {
    bessel_i0(BETA * (1.0 - x * x).max(0.0).sqrt()) / bessel_i0(BETA)
}

/// Modified Bessel function of the first kind, order zero, by its power series.
pub(super) fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > 1e-17 * sum {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passes_and_stops_as_documented() {
        let mut planner = RealFftPlanner::new();
        let o = Oversampler::new(&mut planner, 96_000.0).unwrap();
        assert_eq!(o.factor(), 16);
        let bin = |x: f64| {
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "small and positive"
            )]
            let i = (x * BLOCK as f64) as usize;
            i
        };
        assert!(o.mask[..bin(0.47)].iter().all(|g| (g - 1.0).abs() < 1e-7));
        assert!(o.mask[bin(0.49) + 1..].iter().all(|g| g.abs() < 1e-7));
    }

    #[test]
    fn a_linear_stage_comes_back_unchanged() {
        let mut planner = RealFftPlanner::new();
        let o = Oversampler::new(&mut planner, 48_000.0).unwrap();
        // A band-limited wave that begins and ends in silence and is longer than a block.
        let wave: Vec<f64> = (0..9000)
            .map(|i| {
                let t = f64::from(i) / 9000.0;
                (PI * t).sin().powi(4) * (0.7 * f64::from(i)).sin()
            })
            .collect();
        let [a, b] = o
            .run(&wave, |_, w, a, _| {
                a.samples.copy_from_slice(w);
                a.used = true;
            })
            .unwrap();
        let mut worst = 0.0f64;
        for (x, y) in wave.iter().zip(&a.unwrap()) {
            // Ripple of two passes, 2e-7, and stop-band leakage.
            worst = worst.max((x - y).abs());
        }
        assert!(worst < 5e-7, "{worst}");
        assert!(b.is_none());
    }
}
