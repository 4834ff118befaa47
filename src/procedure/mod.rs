//! What is done on the bench, in order: steps as inspectable data, and running them.

pub mod operator;
pub mod plan;
pub mod run;
pub mod self_check;
