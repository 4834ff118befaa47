//! Pure arithmetic on samples: windows, spectra, sine fits, swept sines, weightings, the quasi-peak meter. No domain
//! words, no files, no clock: samples come through [`crate::signal::source::BlockSource`].

mod background;
mod block_spectrum;
pub(crate) mod cholesky;
pub mod line;
pub mod mains;
mod phase;
pub mod quasi_peak;
mod sine_fit;
pub mod spectrum;
pub mod sweep;
pub mod tone;
mod weighted_sums;
pub mod weighting;
pub mod window;
