//! Unit files: read, check, write. TOML, version [`SCHEMA`].

use super::check::check_values;
use super::{SCHEMA, UnitSpec};
use crate::atomic::{self, Existing};
use crate::error::{Error, Kind, Result};
use crate::ownfile::inspection::{self, Faults, FormatOf, Inspection};
use std::io::Write;
use std::path::Path;

const FORMAT: FormatOf = FormatOf {
    what: "unit",
    schema: SCHEMA,
    strangers: &[
        ("serial", SERIAL),
        ("serial_number", SERIAL),
        ("serial_no", SERIAL),
        ("owner", OWNER),
        ("customer", OWNER),
        (
            "date",
            "take the line out: readings have their dates in the job; write the sheet's edition under source",
        ),
    ],
    lister: "asleft unit check",
};

const SERIAL: &str = "take the line out: this file describes the model; the serial number belongs to the job, which asks for it";
const OWNER: &str = "take the line out: this file describes the model; the owner's name belongs to the job";

/// Reads the unit file at `path`.
///
/// # Errors
/// Where it cannot be read, or has a problem: the first one, with its line, and how many more there are.
pub fn read(path: &Path) -> Result<UnitSpec> {
    let text = std::fs::read_to_string(path).map_err(|e| Error::io("read the unit file", path, &e))?;
    parse(&text, &path.display().to_string())
}

/// Reads a unit file's text; `place` is its name for messages.
///
/// # Errors
/// As [`read`].
pub fn parse(text: &str, place: &str) -> Result<UnitSpec> {
    inspection::parse(text, place, FORMAT, check_values)
}

/// Lists every problem of a unit file's text.
pub fn check(text: &str, place: &str) -> Inspection {
    inspection::inspect(text, place, FORMAT, check_values).1
}

/// The problems of one section (a key of the top level) of a specification that is still being made.
pub fn problems_in(spec: &UnitSpec, section: &str) -> Vec<Error> {
    let mut faults = Faults::default();
    check_values(spec, &mut faults);
    faults.problems_under(section)
}

/// The JSON schema of unit files, for editors.
pub fn json_schema() -> String {
    inspection::json_schema::<UnitSpec>()
}

/// The file's text for `spec`.
///
/// # Errors
/// Where a value cannot be written as TOML.
pub fn to_text(spec: &UnitSpec) -> Result<String> {
    toml::to_string(spec)
        .map_err(|e| Error::new(Kind::Format, format!("this specification cannot be written: {e}")))
}

/// Writes the text of a unit file to a new file, whole or not at all.
///
/// # Errors
/// Where `path` exists already, or the operating system refuses.
pub fn write_new(path: &Path, text: &str) -> Result<()> {
    atomic::write(path, "write the unit file", Existing::Keep, |file| {
        file.write_all(text.as_bytes())
            .map_err(|e| Error::io("write the unit file", path, &e))
    })
}

/// A commented file to fill in: valid as it stands, every line explained.
pub fn template() -> &'static str {
    include_str!("template.toml")
}
