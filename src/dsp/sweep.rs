//! Deconvolution of the synchronised exponential sweep (Novak, Lotton and Simon, JAES 63(10), 2015).

use rustfft::num_complex::Complex64;

/// Transfer functions of one capture of a sweep, on a common frequency grid.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepAnalysis {
    /// Frequencies of the grid, Hz, rising, inside the sweep's band.
    pub frequency_hz: Vec<f64>,
    /// One channel after the other.
    pub channels: Vec<ChannelTransfer>,
    /// Delay of the path taken out of the phases, s.
    pub delay_s: f64,
}

/// One channel's transfer functions, capture re stimulus, both in units of full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelTransfer {
    /// H₁, complex gain with the path's delay taken out; one value a grid frequency.
    pub linear: Vec<Complex64>,
    /// Standard uncertainty of |H₁| from the noise around it, same scale.
    pub linear_u: Vec<f64>,
    /// H₂…H₅ against the frequency of the **fundamental**, as amplitude ratios re the stimulus; entries end where
    /// n·f leaves the measured band.
    pub higher: Vec<HigherTransfer>,
}

/// One higher-order transfer function.
#[derive(Debug, Clone, PartialEq)]
pub struct HigherTransfer {
    /// Order, 2…5.
    pub order: u32,
    /// Complex amplitude at the first entries of the grid (may be shorter than the grid).
    pub values: Vec<Complex64>,
    /// Noise floor of |value| at the same entries.
    pub floor: Vec<f64>,
}
