//! Data flow is the architecture: a file imports only from layers above it in the list, and the pure layers touch no
//! file, clock, device or terminal.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

use std::fs;
use std::path::{Path, PathBuf};

/// The layers, from the top of the flow to its end. `lib.rs` and `main.rs` see all of them.
const LAYERS: [&str; 19] = [
    "error",
    "atomic",
    "ownfile",
    "quantity",
    "figure",
    "signal",
    "dsp",
    "rig",
    "unit",
    "take",
    "figures",
    "verdict",
    "hints",
    "job",
    "bench",
    "procedure",
    "report",
    "page",
    "cli",
];

/// Layers that are arithmetic and wording only.
const PURE: [&str; 5] = ["dsp", "take", "figures", "verdict", "report"];

/// What a pure layer must not name.
const OUTSIDE_WORLD: [&str; 8] = [
    "std::fs",
    "std::net",
    "std::process",
    "std::env",
    "std::time::SystemTime",
    "std::io::stdout",
    "jiff::Timestamp::now",
    "std::time::Instant",
];

fn source_files() -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut open = vec![root];
    let mut found = Vec::new();
    while let Some(dir) = open.pop() {
        for entry in fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                found.push((path, text));
            }
        }
    }
    found.sort();
    found
}

fn layer_of(path: &Path) -> Option<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let first = path.strip_prefix(root).unwrap().components().next().unwrap();
    let name = Path::new(first.as_os_str())
        .file_stem()
        .unwrap()
        .to_str()
        .unwrap()
        .to_owned();
    (name != "lib" && name != "main").then_some(name)
}

/// The code of a file without its comments and without its test module.
fn code(text: &str) -> String {
    let body = text.split("#[cfg(test)]").next().unwrap_or_default();
    body.lines()
        .map(|l| l.split("//").next().unwrap_or_default())
        .collect::<Vec<_>>()
        .join("\n")
}

/// Crate modules a file names, as `crate::NAME` also inside braces: `use crate::{error::Result, unit}`.
fn imports(code: &str) -> Vec<String> {
    let mut names = Vec::new();
    for part in code.split("crate::").skip(1) {
        let group = match part.strip_prefix('{') {
            Some(rest) => rest.split(';').next().unwrap_or_default().to_owned(),
            None => part.to_owned(),
        };
        let heads: Vec<&str> = if part.starts_with('{') {
            split_top_level(&group)
        } else {
            vec![group.as_str()]
        };
        for head in heads {
            let name: String = head
                .trim()
                .chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect();
            if !name.is_empty() {
                names.push(name);
            }
        }
    }
    names
}

fn split_top_level(group: &str) -> Vec<&str> {
    let (mut depth, mut start, mut parts) = (0, 0, Vec::new());
    for (i, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => {
                parts.push(&group[start..i]);
                return parts;
            }
            '}' => depth -= 1,
            ',' if depth == 0 => {
                parts.push(&group[start..i]);
                start = i + 1;
            }
            _ => {}
        }
    }
    parts.push(&group[start..]);
    parts
}

#[test]
fn every_file_belongs_to_a_known_layer() {
    for (path, _) in source_files() {
        if let Some(layer) = layer_of(&path) {
            assert!(
                LAYERS.contains(&layer.as_str()),
                "{} is in no layer of the map",
                path.display()
            );
        }
    }
}

#[test]
fn imports_only_from_above() {
    let rank = |name: &str| LAYERS.iter().position(|l| *l == name);
    for (path, text) in source_files() {
        let Some(own) = layer_of(&path).and_then(|l| rank(&l)) else {
            continue;
        };
        for name in imports(&code(&text)) {
            let Some(other) = rank(&name) else { continue };
            assert!(
                other <= own,
                "{} imports {name}, which lies below it in the flow",
                path.display()
            );
        }
    }
}

#[test]
fn the_simulated_amplifier_does_not_know_the_analysis() {
    for (path, text) in source_files() {
        if !path.to_string_lossy().contains("simulated") {
            continue;
        }
        for name in imports(&code(&text)) {
            assert!(
                !["dsp", "take", "figures", "verdict", "hints"].contains(&name.as_str()),
                "{} imports {name}: it would prove itself right",
                path.display()
            );
        }
    }
}

#[test]
fn pure_layers_touch_no_file_clock_device_or_terminal() {
    for (path, text) in source_files() {
        let Some(layer) = layer_of(&path) else { continue };
        if !PURE.contains(&layer.as_str()) {
            continue;
        }
        let code = code(&text);
        for word in OUTSIDE_WORLD {
            assert!(!code.contains(word), "{} names {word}", path.display());
        }
    }
}

#[test]
fn no_catch_all_modules() {
    for (path, _) in source_files() {
        let stem = path.file_stem().unwrap().to_string_lossy().to_string();
        for name in ["util", "utils", "common", "helper", "helpers", "misc"] {
            assert_ne!(stem, name, "{} has no place in the flow", path.display());
        }
    }
}

#[test]
fn the_import_reader_sees_braces_and_paths() {
    let code = "use crate::{error::{Error, Result}, unit, take::x};\nlet y = crate::dsp::tone::z();";
    assert_eq!(imports(code), ["error", "unit", "take", "dsp"]);
}
