//! What is played, how it is synthesised, what was recorded, and where analysis reads its samples from.
//!
//! Samples are `f64` with full scale = ±1.0 everywhere in the crate; a frame is one sample of every channel; blocks
//! are planar (one `Vec<f64>` a channel).

mod burst;
mod decoded;
mod double_double;
pub mod fingerprint;
pub mod mark;
mod noise;
pub mod oscillator;
mod pcm;
pub(crate) mod random;
mod riff;
pub mod section;
pub mod source;
pub mod stimulus;
pub mod stimulus_file;
mod sweep;
pub mod synthesis;
pub mod take;
pub mod validity;
pub mod wav_read;
pub mod wav_stream;
pub mod wav_write;
