//! `asleft rig`: calibration files of a bench.

use super::{CommandResult, Ending, Streams, checked};
use crate::rig::file;
use std::path::{Path, PathBuf};

/// Calibration files of a bench: interface, taps, pads, loads.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, clap::Subcommand)]
enum Action {
    /// Writes a commented file to fill in with a multimeter (without FILE: prints it).
    #[command(
        after_help = "Example:\n  asleft rig new --template bench.rig.toml\n\nAn existing file is never overwritten."
    )]
    New {
        /// The file to write.
        file: Option<PathBuf>,
        /// A commented file; the guided calibration comes with a later version.
        #[arg(long, required = true)]
        template: bool,
    },
    /// Reads rig files and lists every problem with its line and what to do.
    #[command(
        after_help = "Example:\n  asleft rig show bench.rig.toml\n\nExit code 0: the files can be used (there may be warnings); 2: there is a problem."
    )]
    Show {
        /// The files to read.
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
    /// Checks the bare interface in loopback: its floors, and what it is fit for.
    Check(super::rig_check::Args),
    /// Prints the JSON schema of these files, for editors that check and complete TOML.
    #[command(after_help = "Example:\n  asleft rig schema > rig.schema.json")]
    Schema,
}

/// Runs the command.
///
/// # Errors
/// Where a file exists already or cannot be written.
pub(super) fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let text = match &args.action {
        Action::Show { files } => return checked::files(files, &file::check, io),
        Action::New { file, .. } => template(file.as_deref())?,
        Action::Check(args) => return super::rig_check::run(args, io),
        Action::Schema => file::json_schema(),
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))?;
    Ok(Ending::Done)
}

/// Writes the template to `path` and says so, or gives it.
fn template(path: Option<&Path>) -> crate::error::Result<String> {
    let Some(path) = path else {
        return Ok(file::template().to_owned());
    };
    file::write_text(path, file::template())?;
    let name = path.display();
    Ok(format!(
        "{name} is written: fill it in, then run `asleft rig show {name}`\n"
    ))
}
