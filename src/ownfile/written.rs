//! Our files as text that a person can read and edit.

use crate::error::{Error, Kind, Result};
use serde::Serialize;
use toml_edit::{DocumentMut, Item, Table, Value};

/// `value` as TOML. A table that has the key `inline` stands on one line, `{ … }`; `what` is the kind of file, for the
/// message.
///
/// # Errors
/// Where a value cannot be written as TOML.
pub fn to_text<T: Serialize>(value: &T, what: &str, inline: &str) -> Result<String> {
    let refused = |cause: String| Error::new(Kind::Format, format!("this {what} cannot be written: {cause}"));
    let plain = toml::to_string(value).map_err(|e| refused(e.to_string()))?;
    let mut document: DocumentMut = plain
        .parse()
        .map_err(|e: toml_edit::TomlError| refused(e.to_string()))?;
    fold(document.as_table_mut(), inline);
    Ok(document.to_string())
}

fn fold(table: &mut Table, inline: &str) {
    for (mut key, item) in table.iter_mut() {
        // The key of a section has no blank behind it, that of a line has.
        key.leaf_decor_mut().set_suffix(" ");
        match item {
            Item::Table(inner) if inner.contains_key(inline) => {
                let line = std::mem::take(inner).into_inline_table();
                *item = Item::Value(Value::InlineTable(line));
            }
            Item::ArrayOfTables(all) if all.iter().all(|t| t.contains_key(inline)) => {
                let mut lines = std::mem::take(all).into_array();
                for line in lines.iter_mut() {
                    line.decor_mut().set_prefix("\n    ");
                }
                lines.set_trailing("\n");
                lines.set_trailing_comma(true);
                *item = Item::Value(Value::Array(lines));
            }
            Item::Table(inner) => fold(inner, inline),
            Item::ArrayOfTables(all) => all.iter_mut().for_each(|t| fold(t, inline)),
            _ => {}
        }
    }
}
