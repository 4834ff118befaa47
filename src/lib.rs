//! asleft
pub mod bench;
pub mod cli;
pub mod dsp;
pub mod error;
pub mod figure;
pub mod figures;
pub mod job;
pub mod quantity;
pub mod report;
pub mod rig;
pub mod signal;
pub mod take;
pub mod unit;
pub mod verdict;
