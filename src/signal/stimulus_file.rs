//! `NAME.stimulus.toml`: the description that travels beside a stimulus WAV and its captures.

use super::stimulus::{SCHEMA, Stimulus};
use super::validity::{Fault, faults};
use crate::atomic::{self, Existing};
use crate::error::{Error, Kind, Result};
use crate::ownfile;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Every key of a stimulus file.
const KEYS: &[&str] = &[
    "schema",
    "sample_rate_hz",
    "seconds",
    "lead_in_s",
    "lead_out_s",
    "fade_s",
    "marks",
    "channels",
    "kind",
    "frequency_hz",
    "level_dbfs",
    "tones",
    "phase_deg",
    "from_hz",
    "to_hz",
    "colour",
    "seed",
    "on_s",
    "every_s",
];

/// The stimulus file that belongs to a WAV: `s.wav` → `s.stimulus.toml`.
pub fn beside(wav: &Path) -> PathBuf {
    wav.with_extension("stimulus.toml")
}

/// Reads a stimulus file.
///
/// # Errors
/// Where it cannot be read, or as [`parse`].
pub fn read(path: &Path) -> Result<Stimulus> {
    let text = std::fs::read_to_string(path).map_err(|e| Error::io("read the stimulus file", path, &e))?;
    parse(&text, &path.display().to_string())
}

/// Reads the text of a stimulus file; `place` is its name for messages.
///
/// # Errors
/// Where it is no TOML, a key is unknown or missing, or a value is impossible; with the line.
pub fn parse(text: &str, place: &str) -> Result<Stimulus> {
    let stimulus: Stimulus = ownfile::parse(text, place, KEYS)?;
    match faults(&stimulus).into_iter().next() {
        None => Ok(stimulus),
        Some(Fault { path, error }) => {
            let steps: Vec<&str> = path.iter().map(String::as_str).collect();
            Err(ownfile::at_line(error, place, ownfile::line_of(text, &steps)))
        }
    }
}

/// The text of a stimulus file.
///
/// # Errors
/// Where the stimulus has a value that TOML cannot hold (a seed beyond 2⁶³).
pub fn to_text(stimulus: &Stimulus) -> Result<String> {
    let body = toml::to_string(stimulus).map_err(|e| {
        Error::new(
            Kind::Value,
            format!(
                "the stimulus cannot be written as TOML: {}",
                e.to_string().trim_end()
            ),
        )
        .next("choose values in range")
    })?;
    Ok(format!(
        "# What was played; analysis of a capture needs it. Format: {SCHEMA}.\n{body}"
    ))
}

/// Writes a stimulus file, whole or not at all.
///
/// # Errors
/// As [`to_text`] and [`atomic::write`].
pub fn write(path: &Path, stimulus: &Stimulus, existing: Existing) -> Result<()> {
    let text = to_text(stimulus)?;
    atomic::write(path, "write the stimulus file", existing, |file| {
        file.write_all(text.as_bytes())
            .map_err(|e| Error::io("write the stimulus file", path, &e))
    })
}
