//! What is done on the bench, in order: steps as inspectable data, and running them.

pub mod calibration;
pub mod changes;
pub mod connect;
mod damage;
pub mod gates;
pub mod guided;
mod levels;
pub mod limits;
pub mod operator;
pub mod plan;
pub mod run;
pub mod self_check;
mod taping;
