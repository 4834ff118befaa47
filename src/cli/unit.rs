//! `asleft unit`: asks for and writes rated-specification files, and checks them.

mod interview;
mod summary;
#[cfg(test)]
mod tests;

use super::ask::Asker;
use super::{CommandResult, Ending, Streams, checked};
use crate::error::{Error, Kind, Result};
use crate::unit::file;
use std::io::BufRead;
use std::path::{Path, PathBuf};

/// Rated-specification files: what the maker states about a model, and under which conditions.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, clap::Subcommand)]
enum Action {
    /// Asks for the rated specification of a model and writes it to a file.
    #[command(
        after_help = "Examples:\n  asleft unit new tarnbeck-60.unit.toml\n  asleft unit new --template tarnbeck-60.unit.toml\n\nAn existing file is never overwritten. Answers may come from a pipe, one a line."
    )]
    New {
        /// The file to write; asked for if not given.
        file: Option<PathBuf>,
        /// Asks nothing: writes a commented file to fill in (without FILE: prints it).
        #[arg(long)]
        template: bool,
    },
    /// Checks rated-specification files and lists every problem with its line and what to do.
    #[command(
        after_help = "Example:\n  asleft unit check tarnbeck-60.unit.toml\n\nExit code 0: the files can be used (there may be warnings); 2: there is a problem."
    )]
    Check {
        /// The files to check.
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
    /// Prints the JSON schema of these files, for editors that check and complete TOML.
    #[command(after_help = "Example:\n  asleft unit schema > unit.schema.json")]
    Schema,
}

/// Runs the command with answers from standard input.
///
/// # Errors
/// Where a file exists already, cannot be written, or the answers end early.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    run_with(args, io, &mut std::io::stdin().lock())
}

/// Runs the command with answers from `input`.
///
/// # Errors
/// As [`run`].
pub(super) fn run_with(args: &Args, io: &mut Streams<'_>, input: &mut dyn BufRead) -> CommandResult {
    match &args.action {
        Action::New { file, template: true } => write_template(file.as_deref(), io),
        Action::New {
            file,
            template: false,
        } => write_new(file.as_deref(), io, input),
        Action::Check { files } => checked::files(files, &file::check, io),
        Action::Schema => {
            print(io, &file::json_schema())?;
            Ok(Ending::Done)
        }
    }
}

fn print(io: &mut Streams<'_>, text: &str) -> Result<()> {
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))
}

fn write_template(path: Option<&Path>, io: &mut Streams<'_>) -> CommandResult {
    match path {
        Some(path) => {
            file::write_new(path, file::template())?;
            let name = path.display();
            print(
                io,
                &format!("{name} is written: fill it in, then run `asleft unit check {name}`\n"),
            )?;
        }
        None => print(io, file::template())?,
    }
    Ok(Ending::Done)
}

fn write_new(path: Option<&Path>, io: &mut Streams<'_>, input: &mut dyn BufRead) -> CommandResult {
    if let Some(path) = path {
        refuse_existing(path)?;
    }
    let written = {
        let mut asker = Asker::new(input, &mut *io.err);
        let spec = interview::interview(&mut asker)?;
        asker.say("")?;
        for line in summary::lines(&spec) {
            asker.say(&line)?;
        }
        let path = match path {
            Some(path) => path.to_owned(),
            None => interview::file_name(&mut asker, &spec)?,
        };
        if !asker.yes(&format!("Write this to {}?", path.display()), true)? {
            asker.say("Nothing was written.")?;
            return Ok(Ending::Done);
        }
        file::write_new(&path, &file::to_text(&spec)?)?;
        path
    };
    let name = written.display();
    print(
        io,
        &format!("{name} is written: compare it with the sheet, then open a job with it\n"),
    )?;
    Ok(Ending::Done)
}

/// Asked before the questions, so that nobody answers them for nothing.
pub(super) fn refuse_existing(path: &Path) -> Result<()> {
    if path.exists() {
        return Err(
            Error::new(Kind::Value, "this file exists already and is left as it is")
                .at_path(path)
                .next("give another name, or move the existing file away"),
        );
    }
    Ok(())
}
