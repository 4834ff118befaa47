//! Checks files of ours and prints every problem with its line: unit files and rig files alike.

use super::{CommandResult, Ending, Streams};
use crate::error::{Error, Result};
use crate::ownfile::inspection::Inspection;
use std::path::{Path, PathBuf};

/// Checks `files` with `check`, which gets a file's text and its name.
///
/// # Errors
/// Where the result cannot be printed; a file that cannot be read is reported and passed over.
pub(super) fn files(
    files: &[PathBuf],
    check: &dyn Fn(&str, &str) -> Inspection,
    io: &mut Streams<'_>,
) -> CommandResult {
    let mut ending = Ending::Done;
    for path in files {
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(e) => {
                tell(io, &format!("{}\n", Error::io("read the file", path, &e)))?;
                ending = Ending::Incomplete;
                continue;
            }
        };
        ending = ending.max(one(&path.display().to_string(), &text, check, io)?);
    }
    Ok(ending)
}

fn one(
    place: &str,
    text: &str,
    check: &dyn Fn(&str, &str) -> Inspection,
    io: &mut Streams<'_>,
) -> CommandResult {
    let found = check(text, place);
    for problem in &found.problems {
        print(io, &format!("problem: {problem}\n"))?;
    }
    for warning in &found.warnings {
        print(io, &format!("warning: {warning}\n"))?;
    }
    let warnings = counted(found.warnings.len(), "warning");
    if found.problems.is_empty() {
        print(io, &format!("{place}: can be used, {warnings}\n"))?;
        return Ok(Ending::Done);
    }
    let problems = counted(found.problems.len(), "problem");
    print(io, &format!("{place}: {problems}, {warnings}\n"))?;
    Ok(Ending::Incomplete)
}

fn print(io: &mut Streams<'_>, text: &str) -> Result<()> {
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| super::output_error(&e))
}

fn tell(io: &mut Streams<'_>, text: &str) -> Result<()> {
    io.err
        .write_all(text.as_bytes())
        .map_err(|e| Error::io("print", Path::new("standard error"), &e))
}

fn counted(count: usize, what: &str) -> String {
    match count {
        0 => format!("no {what}s"),
        1 => format!("1 {what}"),
        n => format!("{n} {what}s"),
    }
}
