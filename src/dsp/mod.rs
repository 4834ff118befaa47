//! Pure arithmetic on samples: windows, spectra, sine fits, swept sines, weightings, the quasi-peak meter. No domain
//! words, no files, no clock: samples come through [`crate::signal::source::BlockSource`].

pub mod spectrum;
pub mod sweep;
pub mod tone;
