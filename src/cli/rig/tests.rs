//! `asleft rig` as a technician or a script uses it.

use super::{Args, run_with};
use crate::cli::{CommandResult, Ending, Streams};
use crate::rig::file;
use clap::Parser;
use std::path::Path;

/// The command alone, as the program embeds it.
#[derive(Debug, Parser)]
struct Program {
    #[command(flatten)]
    rig: Args,
}

struct Ran {
    result: CommandResult,
    out: String,
    err: String,
}

fn rig(args: &[&str], answers: &str) -> Ran {
    let program = Program::try_parse_from(std::iter::once(&"rig").chain(args)).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut io = Streams {
        out: &mut out,
        err: &mut err,
        interactive: false,
    };
    let result = run_with(&program.rig, &mut io, &mut answers.as_bytes());
    Ran {
        result,
        out: String::from_utf8_lossy(&out).into_owned(),
        err: String::from_utf8_lossy(&err).into_owned(),
    }
}
