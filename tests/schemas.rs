//! The JSON schemas that are published for editors agree with the types that read the files.
//!
//! After a change of a file format run `UPDATE_SCHEMAS=1 cargo test --test schemas` and commit what it writes.

use std::path::Path;

#[allow(clippy::unwrap_used, reason = "only where schemas are written on purpose")]
fn current(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas").join(name);
    if std::env::var_os("UPDATE_SCHEMAS").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    let committed = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        committed == text,
        "{name} is out of date: run UPDATE_SCHEMAS=1 cargo test --test schemas"
    );
}

#[test]
fn the_schema_of_unit_files_is_current() {
    current("unit.schema.json", &asleft::unit::file::json_schema());
}

#[test]
fn the_schema_of_rig_files_is_current() {
    current("rig.schema.json", &asleft::rig::file::json_schema());
}
