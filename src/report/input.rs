//! What a report is made of: the job's record, and what its captures gave when they were analysed again.

pub use crate::job::results::{MeasurementResults, Results as ReportInput, StageResults};
pub use crate::job::spectra::{Spectrum, SpectrumKind};
pub use crate::verdict::{Judgement, RatedItem};
