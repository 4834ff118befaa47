//! The record of one unit's visit: what was asked, what was recorded, and under which conditions.
//!
//! A job is a folder: `job.json` (the [`record::Record`]), `captures/NNN-figure.wav` with `NNN-figure.json` (its
//! [`capture::Sidecar`]), and the reports. The captures are the truth: every figure is computed again from them, so
//! the record holds none. One [`writer::Writer`] at a time owns a folder; any number of readers see a consistent
//! [`folder::Job`] at every moment, also after a power cut.

mod at_limit;
pub mod capture;
pub mod connection;
pub mod curves;
pub mod folder;
mod json;
pub mod moment;
pub mod record;
pub mod results;
pub mod spectra;
pub mod steadiness;
pub mod writer;

pub use capture::{CaptureState, Sidecar};
pub use connection::Connection;
pub use folder::{Job, Listed, list};
pub use moment::Moment;
pub use record::{BenchKind, Measurement, Record, Stage, StageKind};
pub use writer::{NewCapture, Writer};
