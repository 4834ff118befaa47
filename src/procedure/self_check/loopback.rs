//! The result of a check as the rig file's `[[loopback]]` entries; the rest of the file, its comments included, stays as
//! it was written.

use super::{ChannelCheck, OwnDistortion, SelfCheck};
use crate::error::{Error, Kind, Result};
use crate::rig::{Loopback, file};
use toml_edit::{ArrayOfTables, DocumentMut, Item, Table};

/// Key of the entries.
const KEY: &str = "loopback";

/// One entry a channel and level, dated `date` (YYYY-MM-DD).
///
/// # Errors
/// Where the check found no noise or no distortion of a channel: half a floor would pass for a whole one.
pub fn entries(check: &SelfCheck, date: &str) -> Result<Vec<Loopback>> {
    let mut all = Vec::new();
    for (index, channel) in check.channels.iter().enumerate() {
        if channel.floor.is_none() || channel.distortion.is_empty() {
            return Err(Error::new(
                Kind::Unavailable,
                format!(
                    "the check found no complete floor of the {} channel",
                    channel.channel
                ),
            )
            .next("put right what the check named, run it again, and save then"));
        }
        all.extend(channel.distortion.iter().map(|d| entry(index, channel, d, date)));
    }
    Ok(all)
}

fn entry(index: usize, channel: &ChannelCheck, distortion: &OwnDistortion, date: &str) -> Loopback {
    let rounded = |values: &[f64], places: f64| -> Vec<f64> {
        values.iter().map(|v| (v * places).round() / places).collect()
    };
    let floor = channel.floor.as_ref();
    let response = channel.response.as_ref();
    // A thousandth of a decibel, a hundredth of a degree and a tenth of a hertz: finer than anything that is read from it.
    Loopback {
        channel: index,
        level_dbfs: (distortion.level_dbfs * 100.0).round() / 100.0,
        date: date.to_owned(),
        frequency_hz: floor.map_or_else(Vec::new, |f| rounded(&f.frequency_hz, 1000.0)),
        noise_dbfs_per_hz: floor.map_or_else(Vec::new, |f| rounded(&f.dbfs_per_hz, 100.0)),
        response_hz: response.map_or_else(Vec::new, |r| rounded(&r.frequency_hz, 1000.0)),
        response_db: response.map_or_else(Vec::new, |r| rounded(&r.db, 10_000.0)),
        response_deg: response.map_or_else(Vec::new, |r| rounded(&r.deg, 1000.0)),
        response_u_db: response.map_or(0.0, |r| (r.u_db * 10_000.0).ceil() / 10_000.0),
        harmonics_db: rounded(&distortion.harmonics_db, 100.0),
    }
}

/// The rig file's `text` with `entries` in place of those it had. Everything else stays as it is, comments included.
///
/// # Errors
/// Where the text is no rig file, or would be none afterwards.
pub fn with_entries(text: &str, place: &str, entries: &[Loopback]) -> Result<String> {
    file::parse(text, place)?;
    let broken = |cause: String| Error::new(Kind::Format, cause).at(place.to_owned());
    let mut document: DocumentMut = text
        .parse()
        .map_err(|e: toml_edit::TomlError| broken(e.to_string()))?;
    let mut tables = ArrayOfTables::new();
    for entry in entries {
        let own = toml::to_string(entry).map_err(|e| broken(e.to_string()))?;
        let own: DocumentMut = own
            .parse()
            .map_err(|e: toml_edit::TomlError| broken(e.to_string()))?;
        let mut table: Table = own.as_table().clone();
        table.set_implicit(false);
        table.decor_mut().set_prefix("\n");
        tables.push(table);
    }
    // New tables stand at the end, whatever was written last.
    document.remove(KEY);
    document.insert(KEY, Item::ArrayOfTables(tables));
    let text = document.to_string();
    file::parse(&text, place)?;
    Ok(text)
}
