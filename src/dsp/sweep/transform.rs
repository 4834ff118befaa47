//! Spectra of whole captures and of reference sweeps on one common bin spacing.

use super::reference::{Placement, SweepParameters};
use crate::error::{Error, Kind, Result};
use crate::signal::source::BlockSource;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex64;
use std::sync::Arc;

/// Sample rate of the signal in which a sweep is found, Hz.
const COARSE_HZ: f64 = 20_000.0;

/// Frames read at a time.
const BLOCK: usize = 1 << 15;

/// Fourier transforms of one length.
pub(super) struct Transform {
    /// Frames of the capture.
    pub(super) frames: usize,
    /// Length of the transform: the next product of 2, 3 and 5.
    pub(super) length: usize,
    /// Samples per second.
    pub(super) rate: f64,
    /// Bins of a spectrum that are kept: those above the sweep are of no use, and many.
    kept: usize,
    forward: Arc<dyn RealToComplex<f64>>,
}

impl Transform {
    /// For captures of `frames` frames, keeping spectra up to `top_hz`.
    pub(super) fn new(frames: usize, rate: f64, top_hz: f64) -> Self {
        let length = smooth_length(frames.max(64));
        #[allow(
            clippy::cast_precision_loss,
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a bin number, positive and far below 2^52"
        )]
        let kept = ((top_hz / rate * length as f64).ceil() as usize + 1).min(length / 2 + 1);
        Self {
            frames,
            length,
            rate,
            kept,
            forward: RealFftPlanner::<f64>::new().plan_fft_forward(length),
        }
    }

    /// Spacing of the bins, Hz.
    pub(super) fn bin_hz(&self) -> f64 {
        #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
        let length = self.length as f64;
        self.rate / length
    }

    /// Length of the capture, s.
    pub(super) fn seconds(&self) -> f64 {
        #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
        let frames = self.frames as f64;
        frames / self.rate
    }

    /// The kept bins of the spectrum of a signal of at most `length` samples.
    pub(super) fn spectrum(&self, mut samples: Vec<f64>) -> Result<Vec<Complex64>> {
        samples.resize(self.length, 0.0);
        let mut out = self.forward.make_output_vec();
        self.forward
            .process(&mut samples, &mut out)
            .map_err(|e| internal(&e))?;
        out.truncate(self.kept);
        out.shrink_to_fit();
        Ok(out)
    }

    /// Signal of the lower part of a spectrum (not divided by its length), and its sample rate, Hz: 20 kHz or a little
    /// more, or that of the capture. Enough to find a sweep, and a fraction of the memory of a whole one.
    pub(super) fn coarse_signal(&self, mut spectrum: Vec<Complex64>) -> Result<(Vec<f64>, f64)> {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a length, positive and far below 2^52"
        )]
        let wanted = (COARSE_HZ / self.bin_hz()) as usize;
        let length = smooth_length(wanted).min(self.length);
        spectrum.resize(length / 2 + 1, Complex64::default());
        // The ends of the spectrum of a real signal are real.
        if let Some(first) = spectrum.first_mut() {
            first.im = 0.0;
        }
        if let Some(last) = spectrum.last_mut() {
            last.im = 0.0;
        }
        // Planned where it is needed: the tables of a plan are as large as a spectrum.
        let inverse = RealFftPlanner::<f64>::new().plan_fft_inverse(length);
        let mut out = inverse.make_output_vec();
        inverse
            .process(&mut spectrum, &mut out)
            .map_err(|e| internal(&e))?;
        #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
        let rate = length as f64 * self.bin_hz();
        Ok((out, rate))
    }

    /// Spectrum of the n-th order of the sweep as it lies on the capture.
    pub(super) fn reference(
        &self,
        sweep: &SweepParameters,
        order: u32,
        place: Placement,
    ) -> Result<Vec<Complex64>> {
        let stop_hz = (1.15 * sweep.to_hz).min(0.45 * self.rate);
        let mut samples = Vec::with_capacity(self.length);
        #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
        samples.extend(
            (0..self.frames).map(|k| sweep.order_at(order, place.sweep_time(k as f64 / self.rate), stop_hz)),
        );
        self.spectrum(samples)
    }
}

fn internal(cause: &realfft::FftError) -> Error {
    Error::new(
        Kind::Value,
        format!("the transform of the capture failed: {cause}"),
    )
    .next("this is a fault of the program; please report it with the capture")
}

/// One channel of a capture without its mean, with room for `length` samples, and the mean square of what is left.
pub(super) fn channel(source: &dyn BlockSource, index: usize, length: usize) -> Result<(Vec<f64>, f64)> {
    let format = source.format();
    let frames = usize::try_from(format.frames).unwrap_or(usize::MAX);
    let mut reader = source.open()?;
    let mut samples = Vec::with_capacity(length.max(frames));
    let mut planes = vec![vec![0.0; BLOCK]; format.channels];
    while samples.len() < frames {
        let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
        let got = reader.read(samples.len() as u64, &mut slices)?;
        let Some(plane) = planes.get(index).filter(|_| got > 0) else {
            break;
        };
        samples.extend_from_slice(&plane[..got.min(frames - samples.len())]);
    }
    if let Some(at) = samples.iter().position(|v| !v.is_finite()) {
        return Err(
            Error::new(Kind::Format, "the capture holds a value that is not a number")
                .at(format!("frame {at}"))
                .next("record it again, or export it from the recorder as integer PCM"),
        );
    }
    #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
    let count = samples.len().max(1) as f64;
    let mean = samples.iter().sum::<f64>() / count;
    samples.iter_mut().for_each(|v| *v -= mean);
    let power = samples.iter().map(|v| v * v).sum::<f64>() / count;
    Ok((samples, power))
}

/// The smallest even product of 2, 3 and 5 that is not below `n`.
fn smooth_length(n: usize) -> usize {
    let mut best = n.next_power_of_two();
    let mut fives = 1;
    while fives < best {
        let mut threes = fives;
        while threes < best {
            let twos = n.div_ceil(threes).next_power_of_two().max(2);
            best = best.min(twos * threes);
            threes *= 3;
        }
        fives *= 5;
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_smooth_even_and_close() {
        for n in [64, 1000, 96_000, 600_001, 777_777] {
            let length = smooth_length(n);
            let mut rest = length;
            for p in [2usize, 3, 5] {
                while rest > 1 && rest.is_multiple_of(p) {
                    rest /= p;
                }
            }
            assert!(
                rest == 1 && length.is_multiple_of(2) && length >= n && length < n + n / 8 + 8,
                "{n} → {length}"
            );
        }
    }
}
