//! What is written about a job: the HTML report with its plots, the JSON document, CSV, and the terminal's table.
//!
//! Everything here is a pure function of its input: no file, no clock, no figure is computed, no verdict made. The
//! same input gives the same bytes.

pub mod comparison;
pub mod contract;
pub mod csv;
pub mod html;
pub mod input;
pub mod letterhead;
pub mod number;
#[cfg(feature = "pdf")]
pub mod pdf;
pub mod plot;
pub mod self_check;
pub mod summary;
pub mod table;
pub mod wiring;
pub mod words;

pub use input::{
    Judgement, MeasurementResults, RatedItem, ReportInput, Spectrum, SpectrumKind, StageResults,
};
