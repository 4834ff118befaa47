//! One file per command: each has its `Args` (clap) and a `run` that reads files, calls the layers below, and prints.
//!
//! Commands never print by themselves: they write to the [`Streams`] they are given, so that tests can read them and
//! standard output stays reserved for results.

mod analyse;
mod ask;
mod channels;
mod checked;
mod compare;
mod complaint;
mod demo;
mod generate;
mod interfaces;
mod interrupt;
mod job;
mod letterhead;
mod measure;
mod operator;
mod progress;
pub mod report;
mod rig;
mod session;
mod unit;

use crate::error::{Error, Kind, Result};
use crate::report::table;
use clap::{CommandFactory, Parser, Subcommand};
use std::io::{IsTerminal, Write};
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
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
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

/// Proves that a repaired hi-fi amplifier meets its rated specification, and writes the report that goes back with it.
#[derive(Parser)]
#[command(
    name = "asleft",
    version,
    max_term_width = 100,
    arg_required_else_help = true,
    after_help = "Start here, without any hardware:\n  asleft demo\n\nYour own captures:\n  asleft analyse capture.wav\n\n\
                  Exit codes: 0 done; 1 done, but something failed, cannot be told, or a take is damaged;\n\
                  2 something could not be done or read. NO_COLOR is honoured."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Play the whole job on the simulated amplifier: as-found with a fault, as-left without, report written.
    Demo(demo::Args),
    /// Give the figures of captures (WAV, FLAC, AIFF).
    Analyse(analyse::Args),
    /// Write a test signal as a WAV file, with its description beside it.
    Generate(generate::Args),
    /// Write or check the rated specification of a model.
    Unit(unit::Args),
    /// Write or check the calibration of a bench.
    Rig(rig::Args),
    /// List the audio interfaces of this machine.
    Interfaces(interfaces::Args),
    /// Open, find and show job folders.
    Job(job::Args),
    /// Take single measurements on the bench of a job, or on the simulated amplifier.
    Measure(measure::Args),
    /// Set two captures, two modes or two stages side by side, with the uncertainty of the difference.
    Compare(compare::Args),
    /// Write the report of a job from its stored captures.
    Report(report::Args),
    /// Print shell completions.
    #[command(
        after_help = "Example:\n  asleft completions bash > ~/.local/share/bash-completion/completions/asleft"
    )]
    Completions {
        /// Your shell.
        shell: clap_complete::Shell,
    },
}

/// Runs the program.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(help_or_mistake) => {
            let code = if help_or_mistake.use_stderr() { 2 } else { 0 };
            // Printing can only fail where nobody reads; the exit code still tells.
            let _ = help_or_mistake.print();
            return ExitCode::from(code);
        }
    };
    let (stdout, stderr) = (std::io::stdout(), std::io::stderr());
    let mut out = std::io::BufWriter::new(stdout.lock());
    let mut err = stderr.lock();
    let mut io = Streams {
        out: &mut out,
        err: &mut err,
        interactive: std::io::stderr().is_terminal(),
    };
    let result = run_guarded(&cli.command, &mut io);
    let flushed = io.out.flush().map_err(|e| output_error(&e));
    let code = match result.and_then(|ending| flushed.map(|()| ending)) {
        Ok(ending) => ending as u8,
        // Whoever reads our output has seen enough.
        Err(error) if error.kind() == Kind::Unread => 0,
        Err(error) => {
            let _ = writeln!(io.err, "{}", complaint::said(&error));
            2
        }
    };
    ExitCode::from(code)
}

/// A fault of the program itself ends like any other error: in words, with a next step, and with exit code 2.
fn run_guarded(command: &Command, io: &mut Streams<'_>) -> CommandResult {
    std::panic::set_hook(Box::new(|_| {}));
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| run(command, io)));
    outcome.unwrap_or_else(|fault| {
        let said = fault
            .downcast_ref::<String>()
            .map(String::as_str)
            .or_else(|| fault.downcast_ref::<&str>().copied())
            .unwrap_or("no further detail");
        Err(
            Error::new(Kind::Unavailable, format!("the program itself failed ({said})")).next(
                "nothing recorded is lost; please report this with the command and the file that caused it",
            ),
        )
    })
}

fn run(command: &Command, io: &mut Streams<'_>) -> CommandResult {
    match command {
        Command::Demo(args) => demo::run(args, io),
        Command::Analyse(args) => analyse::run(args, io),
        Command::Generate(args) => generate::run(args, io),
        Command::Unit(args) => unit::run(args, io),
        Command::Rig(args) => rig::run(args, io),
        Command::Interfaces(args) => interfaces::run(args, io),
        Command::Job(args) => job::run(args, io),
        Command::Measure(args) => measure::run(args, io),
        Command::Compare(args) => compare::run(args, io),
        Command::Report(args) => report::run(args, io),
        Command::Completions { shell } => {
            clap_complete::generate(*shell, &mut Cli::command(), "asleft", io.out);
            Ok(Ending::Done)
        }
    }
}

/// How tables are written on this terminal.
fn style(simulated: bool) -> table::Style {
    let terminal = std::io::stdout().is_terminal();
    let wanted = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    let width = if terminal {
        terminal_size::terminal_size().map(|(w, _)| usize::from(w.0))
    } else {
        None
    };
    table::Style {
        width: width.unwrap_or(120),
        colour: terminal && wanted,
        simulated,
    }
}

/// An error of writing results to standard output.
fn output_error(cause: &std::io::Error) -> Error {
    let kind = if cause.kind() == std::io::ErrorKind::BrokenPipe {
        Kind::Unread
    } else {
        Kind::Io
    };
    Error::new(kind, format!("could not write the result: {cause}")).next("check where the output goes")
}
