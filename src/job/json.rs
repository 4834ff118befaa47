//! Reading the program's own JSON files: the version first, then every key, with the nearest known key named.

use crate::error::{Error, Kind, Result};
use crate::ownfile::nearest;
use serde::de::DeserializeOwned;
use std::path::Path;

/// Reads `text` as a `T` of version `schema`.
///
/// # Errors
/// Where the text is cut off or not JSON, of another schema, or has an unknown, missing or wrong key; the place is
/// `path` with the line.
pub(super) fn read<T: DeserializeOwned>(text: &str, schema: &str, path: &Path) -> Result<T> {
    let found = schema_of(text).map_err(|e| broken(&e, path))?;
    if found != schema {
        return Err(foreign(&found, schema, path));
    }
    serde_json::from_str(text).map_err(|e| broken(&e, path))
}

/// The `schema` key alone, so that a file of another version is told apart from a damaged one.
fn schema_of(text: &str) -> serde_json::Result<String> {
    let value: serde_json::Value = serde_json::from_str(text)?;
    let schema = value.get("schema").and_then(serde_json::Value::as_str);
    Ok(schema.unwrap_or_default().to_owned())
}

fn foreign(found: &str, schema: &str, path: &Path) -> Error {
    let family = schema.rsplit_once('v').map_or(schema, |(family, _)| family);
    let (what, next) = if found.starts_with(family) {
        (
            format!("this file is \"{found}\"; this version of asleft reads up to \"{schema}\""),
            "open it with the version of asleft that wrote it, or a later one",
        )
    } else {
        (
            format!("this is not a file of kind \"{schema}\""),
            "check the name: another kind of file stands where this one belongs",
        )
    };
    Error::new(Kind::Format, what).at_path(path).next(next)
}

fn broken(cause: &serde_json::Error, path: &Path) -> Error {
    let place = format!("{}, line {}", path.display(), cause.line());
    let text = cause.to_string();
    if cause.is_eof() {
        return Error::new(Kind::Format, "the file is cut off")
            .at(place)
            .next("restore it from a copy");
    }
    match unknown_key(&text) {
        Some((unknown, Some(nearest))) => Error::new(Kind::Format, format!("unknown key \"{unknown}\""))
            .at(place)
            .next(format!("did you mean \"{nearest}\"?")),
        Some((unknown, None)) => Error::new(Kind::Format, format!("unknown key \"{unknown}\""))
            .at(place)
            .next("remove it"),
        None => {
            let what = text.split(" at line ").next().unwrap_or(&text).to_owned();
            Error::new(Kind::Format, what)
                .at(place)
                .next("correct that line, or restore the file from a copy")
        }
    }
}

/// The unknown key and the nearest known one, from "unknown field `x`, expected one of `a`, `b`".
fn unknown_key(text: &str) -> Option<(String, Option<String>)> {
    let rest = text.strip_prefix("unknown field ")?;
    let mut quoted = rest.split('`').skip(1).step_by(2);
    let unknown = quoted.next()?.to_owned();
    let known: Vec<&str> = quoted.collect();
    let nearest = nearest(&unknown, &known).map(str::to_owned);
    Some((unknown, nearest))
}
