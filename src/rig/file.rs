//! Rig files: read, check, write. TOML, version [`SCHEMA`].

use super::check::check_values;
use super::{Rig, SCHEMA};
use crate::atomic::{self, Existing};
use crate::error::{Error, Result};
use crate::ownfile::inspection::{self, FormatOf, Inspection};
use crate::ownfile::written;
use std::io::Write;
use std::path::Path;

const FORMAT: FormatOf = FormatOf {
    what: "rig",
    schema: SCHEMA,
    strangers: &[
        (
            "u",
            "write u_percent: the standard uncertainty (1 σ) in percent of the value; a meter's ±0.5 % is 0.5/√3 = 0.29",
        ),
        (
            "uncertainty",
            "write u_percent: the standard uncertainty (1 σ) in percent of the value; a meter's ±0.5 % is 0.5/√3 = 0.29",
        ),
        (
            "model",
            "take the line out: the amplifier is described in a unit file",
        ),
    ],
    lister: "asleft rig show",
};

/// Reads the rig file at `path`.
///
/// # Errors
/// Where it cannot be read, or has a problem: the first one, with its line, and how many more there are.
pub fn read(path: &Path) -> Result<Rig> {
    let text = std::fs::read_to_string(path).map_err(|e| Error::io("read the rig file", path, &e))?;
    parse(&text, &path.display().to_string())
}

/// Reads a rig file's text; `place` is its name for messages.
///
/// # Errors
/// As [`read`].
pub fn parse(text: &str, place: &str) -> Result<Rig> {
    inspection::parse(text, place, FORMAT, check_values)
}

/// Lists every problem of a rig file's text.
pub fn check(text: &str, place: &str) -> Inspection {
    inspection::inspect(text, place, FORMAT, check_values).1
}

/// The JSON schema of rig files, for editors.
pub fn json_schema() -> String {
    inspection::json_schema::<Rig>()
}

/// The file's text for `rig`.
///
/// # Errors
/// Where a value cannot be written as TOML.
pub fn to_text(rig: &Rig) -> Result<String> {
    written::to_text(rig, "rig", "u_percent")
}

/// Writes `rig` to a new file, whole or not at all.
///
/// # Errors
/// Where the rig has a problem, `path` exists already, or the operating system refuses.
pub fn write_new(path: &Path, rig: &Rig) -> Result<()> {
    write_text(path, &to_text(rig)?)
}

/// Writes a rig file's text to a new file, whole or not at all.
///
/// # Errors
/// As [`write_new`].
pub fn write_text(path: &Path, text: &str) -> Result<()> {
    parse(text, "the new rig")?;
    atomic::write(path, "write the rig file", Existing::Keep, |file| {
        file.write_all(text.as_bytes())
            .map_err(|e| Error::io("write the rig file", path, &e))
    })
}

/// A commented file to fill in: valid as it stands, every line explained.
pub fn template() -> &'static str {
    include_str!("template.toml")
}
