//! Entry point: parse, run, print an error with its next step, choose the exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    asleft::cli::main()
}
