//! The averaged one-sided power spectral density of one channel, and band integrals of it.

/// One-sided power density: `density[i]` is the mean square per hertz around `i · bin_hz`, in (full scale)²/Hz, so that
/// the sum over all bins times `bin_hz` is the mean square of the signal (Parseval).
#[derive(Debug, Clone, PartialEq)]
pub struct PowerSpectrum {
    /// Spacing of the bins, Hz.
    pub bin_hz: f64,
    /// Mean density over the capture.
    pub density: Vec<f64>,
    /// Equivalent noise bandwidth of the window, in bins (Hann 1.5): how wide a pure line is smeared.
    pub line_width_bins: f64,
    /// Number of independent averages that `density` is worth (for its variance: 1/averages relative).
    pub averages: f64,
    /// Densities of consecutive, equally long parts of the capture (at most 16; fewer, or none, in short captures), for
    /// repeatability (Type A).
    pub segments: Vec<Vec<f64>>,
}
