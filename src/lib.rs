//! asleft proves that a repaired hi-fi amplifier meets its rated specification.

pub mod atomic;
pub mod bench;
pub mod cli;
pub mod dsp;
pub mod error;
pub mod figure;
pub mod figures;
pub mod job;
pub mod ownfile;
pub mod procedure;
pub mod quantity;
pub mod rig;
pub mod signal;
pub mod take;
pub mod unit;
pub mod verdict;
