//! Plots and reports: pure functions of the job record.
