//! Our own TOML files (unit, rig, stimulus): reading one means refusing whatever in it would be silently ignored.
//!
//! A misspelt key in a rated specification would leave a limit unjudged without a word, so a key that is not known is
//! an error that names the nearest known one and its line. Everything here speaks of lines and keys; what a value may
//! be is for the file's own module, which finds the line of an offending value with [`line_of`].

pub mod inspection;
pub mod shape;
pub mod written;

use crate::error::{Error, Kind, Result};
use serde::de::DeserializeOwned;
use std::ops::Range;
use toml::de::{DeFloat, DeTable, DeValue};

/// Reads `text` as a `T`. `place` is the file's name for messages; `known_keys` lists every key that may stand
/// anywhere in such a file (an empty list leaves that check to `T`'s `deny_unknown_fields`).
///
/// # Errors
/// The first of [`problems`], its place reading "unit.toml, line 12".
pub fn parse<T: DeserializeOwned>(text: &str, place: &str, known_keys: &[&str]) -> Result<T> {
    if let Some(first) = faults_of_form(text, place, known_keys).into_iter().next() {
        return Err(first);
    }
    toml::from_str(text).map_err(|cause| explain(text, place, known_keys, &cause))
}

/// Everything wrong with `text` as a `T` that can be found in one go: all faults of syntax, or else all unknown keys
/// and impossible numbers, or else the first value that does not fit. Empty for a good file.
pub fn problems<T: DeserializeOwned>(text: &str, place: &str, known_keys: &[&str]) -> Vec<Error> {
    let found = faults_of_form(text, place, known_keys);
    if !found.is_empty() {
        return found;
    }
    toml::from_str::<T>(text)
        .err()
        .map(|cause| explain(text, place, known_keys, &cause))
        .into_iter()
        .collect()
}

/// The line (from 1) of the value at `path`, whose steps are keys and, in arrays, indices from 0:
/// `["channels", "1", "level_dbfs"]`. Where the path leads nowhere, the line of its longest part that exists.
pub fn line_of(text: &str, path: &[&str]) -> Option<usize> {
    let document = DeTable::parse(text).ok()?;
    let (key, value) = document.get_ref().get_key_value(*path.first()?)?;
    let mut line = line_at(text, key.span().start);
    let mut here = value;
    for step in &path[1..] {
        let next = match here.get_ref() {
            DeValue::Table(table) => table.get_key_value(*step).map(|(k, v)| (k.span(), v)),
            DeValue::Array(array) => {
                let index = step.parse::<usize>().ok();
                index.and_then(|i| array.get(i)).map(|v| (v.span(), v))
            }
            _ => None,
        };
        let Some((span, value)) = next else { break };
        line = line_at(text, span.start);
        here = value;
    }
    Some(line)
}

/// Names the line in `error`'s place.
#[must_use]
pub fn at_line(error: Error, place: &str, line: Option<usize>) -> Error {
    match line {
        Some(line) => error.at(format!("{place}, line {line}")),
        None => error.at(place),
    }
}

/// Syntax, unknown keys, numbers that are none: what can be judged without knowing the type.
fn faults_of_form(text: &str, place: &str, known_keys: &[&str]) -> Vec<Error> {
    let (document, syntax) = DeTable::parse_recoverable(text);
    if !syntax.is_empty() {
        return syntax
            .iter()
            .map(|cause| syntax_error(text, place, cause))
            .collect();
    }
    let mut faults = Vec::new();
    look_through(document.get_ref(), known_keys, &mut faults);
    faults.sort_by_key(|(at, _)| *at);
    faults
        .into_iter()
        .map(|(at, error)| at_line(error, place, Some(line_at(text, at))))
        .collect()
}

fn syntax_error(text: &str, place: &str, cause: &toml::de::Error) -> Error {
    let what = cause.message().lines().collect::<Vec<_>>().join(", ");
    let error = Error::new(Kind::Format, format!("this line cannot be read: {what}"))
        .next("write  key = value, with text in \"quotes\" and numbers without a unit");
    at_line(error, place, cause.span().map(|s| line_at(text, s.start)))
}

fn look_through(table: &DeTable<'_>, known_keys: &[&str], faults: &mut Vec<(usize, Error)>) {
    for (key, value) in table {
        let name = key.get_ref().as_ref();
        if !known_keys.is_empty() && !known_keys.contains(&name) {
            faults.push((key.span().start, unknown_key(name, known_keys)));
        }
        look_into(name, value.get_ref(), &value.span(), known_keys, faults);
    }
}

fn look_into(
    name: &str,
    value: &DeValue<'_>,
    span: &Range<usize>,
    known_keys: &[&str],
    faults: &mut Vec<(usize, Error)>,
) {
    match value {
        DeValue::Table(table) => look_through(table, known_keys, faults),
        DeValue::Array(array) => {
            for item in array.iter() {
                look_into(name, item.get_ref(), &item.span(), known_keys, faults);
            }
        }
        DeValue::Float(number) if !is_finite(number) => {
            let what = format!("\"{name}\" must be an ordinary number, not {}", number.as_str());
            faults.push((span.start, Error::new(Kind::Value, what).next("write the number")));
        }
        _ => {}
    }
}

fn is_finite(number: &DeFloat<'_>) -> bool {
    number.as_str().parse::<f64>().is_ok_and(f64::is_finite)
}

fn unknown_key(name: &str, known_keys: &[&str]) -> Error {
    let error = Error::new(Kind::Format, format!("the key \"{name}\" is not known here"));
    match nearest(name, known_keys) {
        Some(known) => error.next(format!(
            "did you mean \"{known}\"? Correct it, or take the line out"
        )),
        None => error.next(format!("take the line out; known are {}", known_keys.join(", "))),
    }
}

/// The known word nearest to `word`, unless all of them are far off.
pub fn nearest<'k>(word: &str, known: &[&'k str]) -> Option<&'k str> {
    /// Below this likeness (Jaro–Winkler, 0…1) a suggestion misleads more often than it helps.
    const LIKE_ENOUGH: f64 = 0.7;
    known
        .iter()
        .map(|k| (strsim::jaro_winkler(word, k), *k))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(likeness, _)| *likeness >= LIKE_ENOUGH)
        .map(|(_, k)| k)
}

/// Puts a refusal of the deserialiser into a technician's words.
fn explain(text: &str, place: &str, known_keys: &[&str], cause: &toml::de::Error) -> Error {
    let message = cause.message();
    let mut span = cause.span();
    let error = if let Some(rest) = message.strip_prefix("unknown field ") {
        let quoted = backticked(rest);
        let (name, allowed) = quoted.split_first().map_or(("", &[][..]), |(n, a)| (*n, a));
        span = span_of_key(text, name, span.as_ref()).or(span);
        unknown_key(name, if allowed.is_empty() { known_keys } else { allowed })
    } else if let Some(rest) = message.strip_prefix("unknown variant ") {
        let quoted = backticked(rest);
        let (word, allowed) = quoted.split_first().map_or(("", &[][..]), |(n, a)| (*n, a));
        let error = Error::new(
            Kind::Format,
            format!("\"{word}\" is not among {}", allowed.join(", ")),
        );
        match nearest(word, allowed) {
            Some(known) => error.next(format!("did you mean \"{known}\"?")),
            None => error.next("write one of these"),
        }
    } else if let Some(rest) = message.strip_prefix("missing field ") {
        let name = rest.trim_matches('`');
        Error::new(Kind::Format, format!("the key \"{name}\" is missing")).next(format!("add  {name} = …"))
    } else {
        Error::new(Kind::Format, plain_types(message)).next("correct the value on this line")
    };
    // A span of the whole document says nothing.
    let line = span.filter(|s| s.end < text.len() || s.start > 0);
    at_line(error, place, line.map(|s| line_at(text, s.start)))
}

/// The words between back-ticks.
fn backticked(text: &str) -> Vec<&str> {
    text.split('`').skip(1).step_by(2).collect()
}

/// Serde's names of types as a person would say them.
fn plain_types(message: &str) -> String {
    let said = message.replace("invalid type: ", "this value does not fit: found ");
    let said = said.replace("invalid value: ", "this value does not fit: found ");
    let said = said.replace("floating point ", "number ").replace('`', "");
    for number in ["f64", "f32"] {
        if let Some(start) = said.strip_suffix(&format!("expected {number}")) {
            return format!("{start}expected a number");
        }
    }
    for whole in ["u64", "u32", "u16", "u8", "usize"] {
        if let Some(start) = said.strip_suffix(&format!("expected {whole}")) {
            return format!("{start}expected a whole number, not negative");
        }
    }
    said.replace("expected a sequence", "expected a list [ … ]")
}

/// Where a key stands; inside `within` if that is given. Tagged variants lose their own position on the way through
/// the deserialiser, so that only the key's name is left to find it by.
fn span_of_key(text: &str, name: &str, within: Option<&Range<usize>>) -> Option<Range<usize>> {
    fn collect(value: &DeValue<'_>, name: &str, out: &mut Vec<Range<usize>>) {
        match value {
            DeValue::Table(table) => collect_table(table, name, out),
            DeValue::Array(array) => array.iter().for_each(|item| collect(item.get_ref(), name, out)),
            _ => {}
        }
    }
    fn collect_table(table: &DeTable<'_>, name: &str, out: &mut Vec<Range<usize>>) {
        for (key, value) in table {
            if key.get_ref().as_ref() == name {
                out.push(key.span());
            }
            collect(value.get_ref(), name, out);
        }
    }
    let document = DeTable::parse(text).ok()?;
    let mut found = Vec::new();
    collect_table(document.get_ref(), name, &mut found);
    found.sort_by_key(|s| s.start);
    // A table's own span is only its heading: the key follows it.
    let from = within.map_or(0, |w| w.start);
    found.into_iter().find(|s| s.start >= from)
}

/// The line, from 1, of a byte offset.
fn line_at(text: &str, offset: usize) -> usize {
    let before = &text.as_bytes()[..offset.min(text.len())];
    1 + before.split(|b| *b == b'\n').count().saturating_sub(1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Doc {
        #[allow(dead_code, reason = "only read by the deserialiser")]
        name: String,
        #[serde(default)]
        parts: Vec<Part>,
    }

    #[derive(Debug, Deserialize)]
    #[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
    enum Part {
        Load { ohm: f64 },
        Wire,
    }

    const KEYS: &[&str] = &["name", "parts", "kind", "ohm"];

    fn refused(text: &str) -> Error {
        parse::<Doc>(text, "x.toml", KEYS).unwrap_err()
    }

    #[test]
    fn a_good_file_is_read() {
        let doc: Doc = parse(
            "name = \"a\"\n[[parts]]\nkind = \"load\"\nohm = 8\n[[parts]]\nkind = \"wire\"\n",
            "x.toml",
            KEYS,
        )
        .unwrap();
        assert!(matches!(doc.parts[..], [Part::Load { ohm }, Part::Wire] if (ohm - 8.0).abs() < 1e-12));
    }

    #[test]
    fn a_misspelt_key_names_its_line_and_the_nearest_key() {
        let e = refused("name = \"a\"\n\n[[parts]]\nkind = \"load\"\nohmn = 8.0\n");
        assert_eq!(e.place(), Some("x.toml, line 5"));
        assert!(e.what().contains("\"ohmn\""));
        assert!(e.next_step().unwrap().contains("\"ohm\""));
    }

    #[test]
    fn a_known_key_in_the_wrong_table_is_refused_with_its_line() {
        let e = refused("name = \"a\"\n[[parts]]\nkind = \"load\"\nohm = 8.0\nname = \"b\"\n");
        assert_eq!(e.place(), Some("x.toml, line 5"), "{e}");
        let e = refused("name = \"a\"\nohm = 8.0\n");
        assert_eq!(e.place(), Some("x.toml, line 2"), "{e}");
    }

    #[test]
    fn every_unknown_key_is_listed() {
        let found = problems::<Doc>("nmae = \"a\"\nparst = []\n", "x.toml", KEYS);
        let places: Vec<_> = found.iter().filter_map(Error::place).collect();
        assert_eq!(places, ["x.toml, line 1", "x.toml, line 2"]);
    }

    #[test]
    fn syntax_missing_keys_and_wrong_types_read_plainly() {
        let e = refused("name = \"a\"\nparts = [1,\n");
        assert!(e.place().unwrap().starts_with("x.toml, line "), "{e}");
        let e = refused("parts = []\n");
        assert_eq!(e.what(), "the key \"name\" is missing");
        let e = refused("name = 3\n");
        assert_eq!(e.place(), Some("x.toml, line 1"), "{e}");
        assert!(e.what().contains("expected a string"), "{e}");
        let e = refused("name = \"a\"\n[[parts]]\nkind = \"lod\"\n");
        assert!(e.next_step().unwrap().contains("\"load\""), "{e}");
        let e = refused("name = \"a\"\n[[parts]]\nkind = \"load\"\nohm = \"8\"\n");
        assert!(e.what().contains("expected a number"), "{e}");
    }

    #[test]
    fn nan_and_infinity_are_no_values() {
        let e = refused("name = \"a\"\n[[parts]]\nkind = \"load\"\nohm = nan\n");
        assert_eq!(e.place(), Some("x.toml, line 4"), "{e}");
        assert!(e.what().contains("nan"));
        assert!(
            refused("name = \"a\"\nparts = [{ kind = \"load\", ohm = -inf }]\n")
                .what()
                .contains("-inf")
        );
        assert!(
            refused("name = \"a\"\nparts = [{ kind = \"load\", ohm = 1e999 }]\n")
                .what()
                .contains("ohm")
        );
    }

    #[test]
    fn the_line_of_a_value_is_found_by_its_path() {
        let text = "name = \"a\"\n[[parts]]\nkind = \"wire\"\n[[parts]]\nkind = \"load\"\nohm = 8.0\n";
        assert_eq!(line_of(text, &["parts", "1", "ohm"]), Some(6));
        assert_eq!(line_of(text, &["parts", "1", "none"]), Some(4));
        assert_eq!(line_of(text, &["none"]), None);
    }
}
