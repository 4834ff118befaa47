//! `asleft rig`: calibration files of a bench. One file per action.

mod check;
mod new;
mod plan;
#[cfg(test)]
mod tests;

use super::{CommandResult, Ending, Streams, checked, interrupt};
use crate::rig::file;
use std::io::BufRead;
use std::path::PathBuf;

/// Calibration files of a bench: interface, taps, pads, loads.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, clap::Subcommand)]
enum Action {
    /// Calibrates a bench with nothing but a multimeter, step by step, and writes its file.
    New(new::Args),
    /// Shows what is wrong in rig files: every problem with its line and what to do.
    #[command(
        after_help = "Example:\n  asleft rig show bench.rig.toml\n\nExit code 0: the files can be used (there may be warnings); 2: there is a problem."
    )]
    Show {
        /// The files to read.
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
    /// Checks the bare interface in loopback: its floors, and what it is fit for.
    Check(check::Args),
    /// Plans attenuator, load and input pad from a rated power, and draws the wiring.
    Plan(Box<plan::Args>),
    /// Prints the JSON schema of these files, for editors that check and complete TOML.
    #[command(after_help = "Example:\n  asleft rig schema > rig.schema.json")]
    Schema,
}

/// Runs the command with answers from standard input.
///
/// # Errors
/// Where a file exists already or cannot be written, or a calibration is stopped.
pub(super) fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    run_with(args, io, &mut interrupt::Answers::default())
}

/// Runs the command with answers from `input`.
///
/// # Errors
/// As [`run`].
fn run_with(args: &Args, io: &mut Streams<'_>, input: &mut dyn BufRead) -> CommandResult {
    match &args.action {
        Action::New(args) => new::run(args, io, input),
        Action::Check(args) => check::run(args, io, input),
        Action::Plan(args) => plan::run(args, io),
        Action::Show { files } => checked::files(files, &file::check, io),
        Action::Schema => {
            print(io, &file::json_schema())?;
            Ok(Ending::Done)
        }
    }
}

fn print(io: &mut Streams<'_>, text: &str) -> crate::error::Result<()> {
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))
}
