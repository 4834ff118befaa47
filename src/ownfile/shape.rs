//! Every fault of a file's shape in one go.
//!
//! The deserialiser stops at its first fault, and so a file with six mistakes would take six runs to mend. Here the
//! document is held against the JSON schema of its Rust type, which is derived from the type itself: unknown and
//! missing keys, wrong kinds of value and words that are not among the allowed ones are all found, each with its line.

use super::{at_line, is_finite, line_at, nearest, syntax_error, unknown_key};
use crate::error::{Error, Kind};
use schemars::{JsonSchema, generate::SchemaSettings};
use serde_json::Value;
use std::ops::Range;
use toml::de::{DeTable, DeValue};

/// A key that people write although it belongs elsewhere, and what to do about it.
pub type Stranger<'a> = (&'a str, &'a str);

/// Every fault of `text` as a `T`, in the order of lines. `strangers` are keys with an explanation of their own.
/// Empty means that `T` can be read from it, except where `T` refuses a value for a reason its schema does not tell.
pub fn faults<T: JsonSchema>(text: &str, place: &str, strangers: &[Stranger<'_>]) -> Vec<Error> {
    let (document, syntax) = DeTable::parse_recoverable(text);
    if !syntax.is_empty() {
        return syntax.iter().map(|c| syntax_error(text, place, c)).collect();
    }
    let schema = inline_schema::<T>();
    let mut walk = Walk {
        strangers,
        found: Vec::new(),
    };
    walk.table(&schema, document.get_ref(), 0);
    walk.found.sort_by_key(|(at, _)| *at);
    walk.found
        .into_iter()
        .map(|(at, error)| at_line(error, place, Some(line_at(text, at))))
        .collect()
}

/// The schema of `T` without references, so that it can be walked beside a document.
fn inline_schema<T: JsonSchema>() -> Value {
    let settings = SchemaSettings::default().with(|s| s.inline_subschemas = true);
    settings.into_generator().into_root_schema_for::<T>().to_value()
}

struct Walk<'a> {
    strangers: &'a [Stranger<'a>],
    found: Vec<(usize, Error)>,
}

impl Walk<'_> {
    fn table(&mut self, schema: &Value, table: &DeTable<'_>, at: usize) {
        let Some(properties) = schema["properties"].as_object() else {
            return;
        };
        let known: Vec<&str> = properties.keys().map(String::as_str).collect();
        let mut misspelt = Vec::new();
        for (key, value) in table {
            let name = key.get_ref().as_ref();
            if let Some(expected) = properties.get(name) {
                self.value(name, present(expected), value.get_ref(), &value.span());
            } else {
                misspelt.extend(nearest(name, &known));
                self.found.push((key.span().start, self.unknown(name, &known)));
            }
        }
        let required = schema["required"].as_array().into_iter().flatten();
        for name in required.filter_map(Value::as_str) {
            if !table.contains_key(name) && !misspelt.contains(&name) {
                self.found.push((at, missing(name, &properties[name])));
            }
        }
    }

    fn unknown(&self, name: &str, known: &[&str]) -> Error {
        if let Some((_, advice)) = self.strangers.iter().find(|(k, _)| *k == name) {
            return Error::new(Kind::Format, format!("\"{name}\" does not belong in this file"))
                .next(*advice);
        }
        unknown_key(name, known)
    }

    fn value(&mut self, name: &str, schema: &Value, value: &DeValue<'_>, span: &Range<usize>) {
        let fault = match (kind_of(schema), value) {
            (Some("object"), DeValue::Table(table)) => {
                self.table(schema, table, span.start);
                None
            }
            (Some("array"), DeValue::Array(items)) => {
                let item_schema = present(&schema["items"]);
                for item in items.iter() {
                    self.value(name, item_schema, item.get_ref(), &item.span());
                }
                wrong_length(name, schema, items.len())
            }
            (Some("number"), DeValue::Integer(_)) | (Some("boolean"), DeValue::Boolean(_)) => None,
            (Some("number"), DeValue::Float(number)) => (!is_finite(number)).then(|| {
                let what = format!("\"{name}\" must be an ordinary number, not {}", number.as_str());
                Error::new(Kind::Value, what).next("write the number")
            }),
            (Some("integer"), DeValue::Integer(whole)) => {
                let fits = i64::from_str_radix(&whole.as_str().replace('_', ""), whole.radix());
                let least = schema["minimum"].as_i64().unwrap_or(i64::MIN);
                let most = schema["maximum"].as_i64().unwrap_or(i64::from(u32::MAX));
                let fits = fits.is_ok_and(|n| n >= least && n <= most);
                (!fits).then(|| unfit(name, "a whole number, not negative", value))
            }
            (Some("string"), DeValue::String(word)) => wrong_word(name, schema, word),
            (Some("string"), DeValue::Datetime(date)) => Some(
                Error::new(
                    Kind::Format,
                    format!("\"{name}\" must be text, found a bare date"),
                )
                .next(format!("put it in quotes: {name} = \"{date}\"")),
            ),
            (Some(kind), other) => Some(unfit(name, said(kind), other)),
            (None, _) => None,
        };
        if let Some(error) = fault {
            self.found.push((span.start, error));
        }
    }
}

/// The schema of a value that is there: an optional one without its null.
fn present(schema: &Value) -> &Value {
    let choices = schema["anyOf"].as_array().into_iter().flatten();
    let mut choices = choices.filter(|s| s["type"] != "null");
    choices.next().unwrap_or(schema)
}

/// The kind of value a schema asks for; `None` where it asks for nothing that can be judged here.
fn kind_of(schema: &Value) -> Option<&str> {
    match &schema["type"] {
        Value::String(kind) => Some(kind),
        Value::Array(kinds) => kinds.iter().filter_map(Value::as_str).find(|k| *k != "null"),
        // Words with a description each are a list of constants.
        _ => (!words(schema).is_empty()).then_some("string"),
    }
}

/// The words a schema allows; empty where any will do.
fn words(schema: &Value) -> Vec<&str> {
    let listed = schema["enum"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(Value::as_str);
    let choices = schema["oneOf"].as_array().into_iter().flatten();
    let described = choices.flat_map(|choice| {
        let one = choice["const"].as_str();
        let several = choice["enum"].as_array().into_iter().flatten();
        one.into_iter().chain(several.filter_map(Value::as_str))
    });
    listed.chain(described).collect()
}

fn wrong_word(name: &str, schema: &Value, word: &str) -> Option<Error> {
    let allowed = words(schema);
    if allowed.is_empty() || allowed.contains(&word) {
        return None;
    }
    let error = Error::new(
        Kind::Format,
        format!("\"{word}\" is no {name} that is known here"),
    );
    Some(match nearest(word, &allowed) {
        Some(known) => error.next(format!(
            "did you mean \"{known}\"? Known are: {}",
            allowed.join(", ")
        )),
        None => error.next(format!("write one of: {}", allowed.join(", "))),
    })
}

fn wrong_length(name: &str, schema: &Value, found: usize) -> Option<Error> {
    let least = schema["minItems"].as_u64()?;
    let most = schema["maxItems"].as_u64()?;
    let right = u64::try_from(found).is_ok_and(|n| (least..=most).contains(&n));
    (!right).then(|| {
        let what = format!("\"{name}\" must have {least} values, found {found}");
        Error::new(Kind::Format, what).next(format!("write {name} = [low, high]"))
    })
}

fn missing(name: &str, schema: &Value) -> Error {
    let advice = match kind_of(present(schema)) {
        Some("object") => format!("add a section [{name}]"),
        Some("array") if kind_of(present(&schema["items"])) == Some("object") => {
            format!("add a section [[{name}]]")
        }
        _ => format!("add  {name} = …"),
    };
    Error::new(Kind::Format, format!("the key \"{name}\" is missing")).next(advice)
}

fn unfit(name: &str, wanted: &str, value: &DeValue<'_>) -> Error {
    let found = match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number that does not fit",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a section",
    };
    let next = match (wanted, value) {
        ("a number", DeValue::String(_)) => "write the number without quotes and without its unit",
        ("text", _) => "put it in \"quotes\"",
        ("a list", DeValue::Table(_)) => "write its heading in double brackets [[ … ]]",
        ("a section", DeValue::Array(_)) => "write its heading in single brackets [ … ]",
        _ => "correct the value on this line",
    };
    Error::new(
        Kind::Format,
        format!("\"{name}\" must be {wanted}, found {found}"),
    )
    .next(next)
}

fn said(kind: &str) -> &'static str {
    match kind {
        "number" => "a number",
        "integer" => "a whole number",
        "string" => "text",
        "boolean" => "true or false",
        "array" => "a list",
        _ => "a section",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(JsonSchema, serde::Deserialize)]
    #[allow(dead_code, reason = "only its schema is read")]
    #[serde(deny_unknown_fields)]
    struct Doc {
        name: String,
        load: Option<f64>,
        order: Option<u32>,
        band: Option<crate::figure::Band>,
        weighting: Option<crate::figure::Weighting>,
        #[serde(default)]
        parts: Vec<Part>,
        box_: Part,
    }

    #[derive(JsonSchema, serde::Deserialize)]
    #[allow(dead_code, reason = "only its schema is read")]
    #[serde(deny_unknown_fields)]
    struct Part {
        ohm: f64,
    }

    fn lines(text: &str) -> Vec<String> {
        let found = faults::<Doc>(text, "x", &[("serial", "it belongs to the job")]);
        found.iter().map(Error::to_string).collect()
    }

    #[test]
    fn a_good_document_has_no_faults() {
        let text = "name = \"a\"\nload = 8\norder = 2\nband = [20, 20e3]\nweighting = \"itu468\"\nbox_ = { ohm = 1 }\n[[parts]]\nohm = 8.0\n";
        assert_eq!(lines(text), Vec::<String>::new());
    }

    #[test]
    fn every_fault_is_found_with_its_line() {
        let text = "nam = 1\nserial = \"7\"\nload = \"8\"\norder = -2\nband = [20]\nweighting = \"B\"\n[[parts]]\nohmm = 8.0\n[[parts]]\nohm = nan\n";
        let found = lines(text);
        for (line, words) in [
            ("x, line 1: ", "did you mean \"name\""),
            ("x, line 2: ", "belongs to the job"),
            ("x, line 3: ", "without quotes"),
            ("x, line 4: ", "not negative"),
            ("x, line 5: ", "must have 2 values"),
            ("x, line 6: ", "one of: A, C, itu468, itu468_2k"),
            ("x, line 8: ", "did you mean \"ohm\""),
            ("x, line 10: ", "not nan"),
            ("x, line 1: ", "add a section [box_]"),
        ] {
            let hit = found
                .iter()
                .filter(|f| f.starts_with(line) && f.contains(words))
                .count();
            assert_eq!(hit, 1, "{line}{words}: {found:#?}");
        }
        // A misspelt name is one fault, not also a missing key.
        assert_eq!(found.len(), 9, "{found:#?}");
    }

    #[test]
    fn a_bare_date_is_told_to_be_quoted() {
        let found = lines("name = 2026-01-02\nbox_ = { ohm = 1 }\n");
        assert!(found[0].contains("name = \"2026-01-02\""), "{found:?}");
    }
}
