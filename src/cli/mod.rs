//! One file per command: each has its `Args` (clap) and a `run` that reads files, calls the layers below, and prints.
//!
//! Commands never print by themselves: they write to the [`Streams`] they are given, so that tests can read them and
//! standard output stays reserved for results.

use crate::error::Result;
use std::io::Write;
use std::process::ExitCode;

/// Where a command writes.
pub struct Streams<'a> {
    /// Results only.
    pub out: &'a mut dyn Write,
    /// Progress, warnings, errors.
    pub err: &'a mut dyn Write,
    /// Whether a person watches standard error (progress bars, questions).
    pub interactive: bool,
}

/// How a command ended, for the exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// Done; every verdict passes or none was asked. Exit code 0.
    Done,
    /// Done, but something failed, cannot be told, or a take is damaged. Exit code 1.
    Doubtful,
    /// Something could not be done or read, and was reported; the rest was done. Exit code 2.
    Incomplete,
}

/// A command's result; an error is printed with its next step and gives exit code 2.
pub type CommandResult = Result<Ending>;

/// Runs the program.
pub fn main() -> ExitCode {
    ExitCode::SUCCESS
}
