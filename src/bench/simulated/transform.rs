//! Real Fourier transforms of whole takes and of blocks, planned once a bench.

use crate::error::{Error, Kind, Result};
use realfft::{ComplexToReal, FftError, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex64;
use std::sync::Arc;

/// Plans for one length, forward and back. `back(forward(x)) == x`: the inverse divides by the length.
#[derive(Clone)]
pub(super) struct Transform {
    length: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
}

impl Transform {
    /// Plans for `length` samples.
    pub(super) fn plan(planner: &mut RealFftPlanner<f64>, length: usize) -> Self {
        Self {
            length,
            forward: planner.plan_fft_forward(length),
            inverse: planner.plan_fft_inverse(length),
        }
    }

    /// Samples in the time domain.
    pub(super) fn length(&self) -> usize {
        self.length
    }

    /// Spectrum of `samples`, which are cut or filled with silence to the length; `length/2 + 1` bins.
    ///
    /// # Errors
    /// Only where the transform itself refuses its buffers.
    pub(super) fn forward(&self, samples: &[f64]) -> Result<Vec<Complex64>> {
        let mut buffer = samples
            .get(..self.length.min(samples.len()))
            .unwrap_or(samples)
            .to_vec();
        buffer.resize(self.length, 0.0);
        let mut spectrum = self.forward.make_output_vec();
        self.forward_into(&mut buffer, &mut spectrum)?;
        Ok(spectrum)
    }

    /// As [`Self::forward`] without allocating; overwrites `samples`.
    ///
    /// # Errors
    /// Where a buffer has the wrong length.
    pub(super) fn forward_into(&self, samples: &mut [f64], spectrum: &mut [Complex64]) -> Result<()> {
        self.forward.process(samples, spectrum).map_err(refused)
    }

    /// Samples of `spectrum`, which is cut or filled with zeros to `length/2 + 1` bins.
    ///
    /// # Errors
    /// Only where the transform itself refuses its buffers.
    pub(super) fn inverse(&self, mut spectrum: Vec<Complex64>) -> Result<Vec<f64>> {
        spectrum.resize(self.length / 2 + 1, Complex64::ZERO);
        let mut samples = self.inverse.make_output_vec();
        self.inverse_into(&mut spectrum, &mut samples)?;
        #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
        let scale = 1.0 / self.length as f64;
        for s in &mut samples {
            *s *= scale;
        }
        Ok(samples)
    }

    /// The bare inverse sum without allocating and without dividing by the length; overwrites `spectrum`.
    ///
    /// # Errors
    /// Where a buffer has the wrong length.
    pub(super) fn inverse_into(&self, spectrum: &mut [Complex64], samples: &mut [f64]) -> Result<()> {
        // A real signal's first and last bins are real; what is left there after a complex gain has no meaning.
        if let Some(first) = spectrum.first_mut() {
            first.im = 0.0;
        }
        if self.length.is_multiple_of(2)
            && let Some(last) = spectrum.last_mut()
        {
            last.im = 0.0;
        }
        self.inverse.process(spectrum, samples).map_err(refused)
    }
}

impl std::fmt::Debug for Transform {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Transform").field("length", &self.length).finish()
    }
}

#[allow(clippy::needless_pass_by_value, reason = "the shape that map_err wants")]
fn refused(cause: FftError) -> Error {
    Error::new(
        Kind::Value,
        format!("the simulation's Fourier transform refused its input: {cause}"),
    )
    .next("report this with the command that caused it")
}

/// The least even length of at least `frames` whose only prime factors are 2, 3 and 5: transforms of it are fast.
pub(super) fn fast_length(frames: usize) -> usize {
    let mut best = frames.max(2).next_power_of_two();
    let mut fives = 1usize;
    while fives < best {
        let mut threes = fives;
        while threes < best {
            let twos = frames.div_ceil(threes).max(2).next_power_of_two();
            best = best.min(threes * twos);
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
    fn fast_lengths_are_even_and_smooth() {
        assert_eq!(fast_length(1), 2);
        assert_eq!(fast_length(1001), 1024);
        assert_eq!(fast_length(720_001), 729_000);
        for frames in [3, 97, 12_345, 100_003] {
            let mut n = fast_length(frames);
            assert!(n >= frames && n.is_multiple_of(2));
            for p in [2, 3, 5] {
                while n.is_multiple_of(p) {
                    n /= p;
                }
            }
            assert_eq!(n, 1);
        }
    }
}
