//! Looking through one of our files from its version to its last value, and listing all that is wrong.
//!
//! Three steps, each only where the one before found nothing: the version ([`FormatOf::schema`]), the shape
//! ([`super::shape`]), and the values, which the file's own module checks with knowledge of what they mean.

use super::shape::{self, Stranger};
use super::{at_line, line_of};
use crate::error::{Error, Kind, Result};
use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use toml::de::DeTable;

/// What is to be known about one of our file formats.
#[derive(Debug, Clone, Copy)]
pub struct FormatOf {
    /// The kind of file, as messages say it: "unit".
    pub what: &'static str,
    /// The version this program writes.
    pub schema: &'static str,
    /// Keys that people write into it although they belong elsewhere.
    pub strangers: &'static [Stranger<'static>],
    /// The command that lists every problem of such a file.
    pub lister: &'static str,
}

/// What is wrong with a file, and what is merely unusual, in the order of lines.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Inspection {
    /// What must be mended before the file can be used.
    pub problems: Vec<Error>,
    /// What deserves a second look.
    pub warnings: Vec<Error>,
}

/// Faults of values, collected while their lines are not known: each with the path of its value.
#[derive(Debug, Default)]
pub struct Faults {
    problems: Vec<(Vec<String>, Error)>,
    warnings: Vec<(Vec<String>, Error)>,
}

impl Faults {
    /// Something that must be mended: the value's path ("rated.2.max"), what is wrong, what to do.
    pub fn problem(&mut self, path: &str, what: impl Into<String>, next: impl Into<String>) {
        self.problems
            .push((steps(path), Error::new(Kind::Value, what).next(next)));
    }

    /// Something unusual.
    pub fn warning(&mut self, path: &str, what: impl Into<String>, next: impl Into<String>) {
        self.warnings
            .push((steps(path), Error::new(Kind::Value, what).next(next)));
    }

    /// A number that must lie in a range; `unit` is said with it. Tells whether it does.
    pub fn range(
        &mut self,
        path: &str,
        value: f64,
        range: std::ops::RangeInclusive<f64>,
        unit: &str,
    ) -> bool {
        if range.contains(&value) {
            return true;
        }
        let name = path
            .rsplit('.')
            .find(|s| s.parse::<usize>().is_err())
            .unwrap_or(path);
        let (low, high) = (range.start(), range.end());
        self.problem(
            path,
            format!("{name} = {value} {unit} is impossible"),
            format!("write a value from {low} to {high} {unit}"),
        );
        false
    }

    /// A text that must say something.
    pub fn filled(&mut self, path: &str, text: &str) {
        if text.trim().is_empty() {
            let name = path.rsplit('.').next().unwrap_or(path);
            self.problem(
                path,
                format!("{name} is empty"),
                format!("write the {name} between the quotes"),
            );
        }
    }

    /// Names that must differ from one another; `list` is their array's path.
    pub fn distinct<'n>(&mut self, list: &str, names: impl Iterator<Item = &'n str>) {
        let mut seen: Vec<&str> = Vec::new();
        for (index, name) in names.enumerate() {
            let path = format!("{list}.{index}.name");
            self.filled(&path, name);
            if seen.contains(&name) {
                self.problem(
                    &path,
                    format!("\"{name}\" is there twice"),
                    "give each its own name",
                );
            }
            seen.push(name);
        }
    }

    /// The problems of values under one key of the top level.
    pub fn problems_under(self, key: &str) -> Vec<Error> {
        let under = |(path, _): &(Vec<String>, Error)| path.first().is_some_and(|first| first == key);
        self.problems
            .into_iter()
            .filter(under)
            .map(|(_, error)| error)
            .collect()
    }
}

fn steps(path: &str) -> Vec<String> {
    path.split('.').map(str::to_owned).collect()
}

/// The JSON schema of a format, as text.
pub fn json_schema<T: JsonSchema>() -> String {
    let mut text = serde_json::to_string_pretty(&schemars::schema_for!(T)).unwrap_or_default();
    text.push('\n');
    text
}

/// Looks through `text` as a `T`; `values` checks what the values mean. The `T` is there if it can be read at all.
pub fn inspect<T: DeserializeOwned + JsonSchema>(
    text: &str,
    place: &str,
    format: FormatOf,
    values: impl Fn(&T, &mut Faults),
) -> (Option<T>, Inspection) {
    let only = |problems| Inspection {
        problems,
        warnings: Vec::new(),
    };
    if let Some(error) = wrong_version(text, place, format) {
        return (None, only(vec![error]));
    }
    let shape = shape::faults::<T>(text, place, format.strangers);
    if !shape.is_empty() {
        return (None, only(shape));
    }
    match super::parse::<T>(text, place, &[]) {
        Err(error) => (None, only(vec![error])),
        Ok(value) => {
            let mut faults = Faults::default();
            values(&value, &mut faults);
            let inspection = Inspection {
                problems: placed(text, place, faults.problems),
                warnings: placed(text, place, faults.warnings),
            };
            (Some(value), inspection)
        }
    }
}

/// Reads `text` as a `T` whose inspection finds no problem.
///
/// # Errors
/// The first problem, with its line, saying how many more there are and which command lists them.
pub fn parse<T: DeserializeOwned + JsonSchema>(
    text: &str,
    place: &str,
    format: FormatOf,
    values: impl Fn(&T, &mut Faults),
) -> Result<T> {
    let (value, inspection) = inspect(text, place, format, values);
    match (value, inspection.problems.split_first()) {
        (Some(value), None) => Ok(value),
        (_, Some((first, rest))) => Err(first_of(first, rest.len(), format.lister)),
        (None, None) => Err(Error::new(Kind::Format, format!("this is no {} file", format.what)).at(place)),
    }
}

fn first_of(first: &Error, more: usize, lister: &str) -> Error {
    if more == 0 {
        return first.clone();
    }
    let next = first.next_step().unwrap_or("correct this line").to_owned();
    first
        .clone()
        .next(format!("{next}; {more} more: `{lister}` lists them all"))
}

fn placed(text: &str, place: &str, faults: Vec<(Vec<String>, Error)>) -> Vec<Error> {
    let mut found: Vec<(Option<usize>, Error)> = faults
        .into_iter()
        .map(|(path, error)| {
            let steps: Vec<&str> = path.iter().map(String::as_str).collect();
            let line = line_of(text, &steps);
            (line, at_line(error, place, line))
        })
        .collect();
    found.sort_by_key(|(line, _)| *line);
    found.into_iter().map(|(_, error)| error).collect()
}

/// `None` also where the text is no TOML at all: the next step says that better.
fn wrong_version(text: &str, place: &str, format: FormatOf) -> Option<Error> {
    let FormatOf { what, schema, .. } = format;
    let document = DeTable::parse(text).ok()?;
    let error = match document.get_ref().get("schema") {
        None => Error::new(
            Kind::Format,
            format!("the key \"schema\" is missing, so this may be no {what} file"),
        )
        .next(format!("add  schema = \"{schema}\"  as its first line")),
        Some(value) => {
            let found = value.get_ref().as_str().unwrap_or_default();
            let stem = schema.trim_end_matches(|c: char| c.is_ascii_digit());
            match found.strip_prefix(stem) {
                _ if found == schema => return None,
                Some(version) => Error::new(
                    Kind::Format,
                    format!("this {what} file is of version {version}, which this program does not know"),
                )
                .next("use the version of asleft that wrote it, or a newer one"),
                None => Error::new(
                    Kind::Format,
                    format!("this is no {what} file: its schema is \"{found}\""),
                )
                .next(format!("give a {what} file, or write  schema = \"{schema}\"")),
            }
        }
    };
    let line = line_of(text, &["schema"]).or(Some(1));
    Some(at_line(error, place, line))
}
