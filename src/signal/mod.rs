//! What is played, how it is synthesised, what was recorded, and where analysis reads its samples from.
//!
//! Samples are `f64` with full scale = ±1.0 everywhere in the crate; a frame is one sample of every channel; blocks
//! are planar (one `Vec<f64>` a channel).

pub mod source;
pub mod stimulus;
pub mod take;
