//! A steady sine with its harmonics in noise: what the fit of one channel yields.

use super::spectrum::PowerSpectrum;
use rustfft::num_complex::Complex64;

/// The fitted fundamental. Amplitudes are peaks in units of full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Fundamental {
    /// Hz, by the capture's own clock.
    pub frequency_hz: f64,
    /// Standard uncertainty of the frequency, Hz.
    pub frequency_u: f64,
    /// Peak amplitude.
    pub amplitude: f64,
    /// Standard uncertainty of the amplitude from repeatability (Type A), same unit.
    pub amplitude_u: f64,
    /// Degrees of freedom of both.
    pub dof: f64,
    /// Phase of the cosine at the first frame of the capture, radians.
    pub phase_rad: f64,
}

/// One harmonic. Its amplitude is a peak in units of full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Harmonic {
    /// Order, 2 or more.
    pub order: u32,
    /// Complex amplitude with its phase re the fundamental: arg = φₙ − n·φ₁ of cosines.
    pub amplitude: Complex64,
    /// Standard uncertainty of each of the real and imaginary parts (noise beside the line and repeatability).
    pub u: f64,
    /// Degrees of freedom of `u`.
    pub dof: f64,
}

/// What the fit of one channel yields.
#[derive(Debug, Clone, PartialEq)]
pub struct ToneAnalysis {
    /// Fundamental.
    pub fundamental: Fundamental,
    /// Harmonics 2…, all below 0.98 of the Nyquist frequency (at most 400).
    pub harmonics: Vec<Harmonic>,
    /// Spectrum of all but the fundamental and DC. Harmonics, hum and noise are in it.
    pub residual: PowerSpectrum,
    /// Mean of the samples.
    pub dc: f64,
}
