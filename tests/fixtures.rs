//! Every fixture has its provenance: a file that fixtures/README.md does not list fails here.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

use std::path::{Path, PathBuf};

fn files(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, into);
        } else {
            into.push(path);
        }
    }
}

#[test]
fn every_fixture_is_listed_and_every_listed_one_is_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    let readme = std::fs::read_to_string(root.join("README.md")).unwrap();
    // The first cell of each row of the table: `file` or `folder/`.
    let listed: Vec<&str> = readme
        .lines()
        .filter_map(|line| line.strip_prefix("| `")?.split_once('`').map(|(name, _)| name))
        .collect();
    let mut found = Vec::new();
    files(&root, &mut found);
    for path in &found {
        let name = path
            .strip_prefix(&root)
            .unwrap()
            .to_str()
            .unwrap()
            .replace('\\', "/");
        let known = listed
            .iter()
            .any(|l| *l == name || (l.ends_with('/') && name.starts_with(l)));
        assert!(
            known || name == "README.md",
            "fixtures/{name} is not in fixtures/README.md"
        );
    }
    for name in listed {
        assert!(
            root.join(name).exists(),
            "fixtures/README.md lists {name}, which is not there"
        );
    }
}
