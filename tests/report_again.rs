//! A report written twice from the same captures, by the program itself.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use assert_cmd::Command;
use std::path::Path;

fn asleft(jobs: &Path, arguments: &[&str]) -> std::process::Output {
    let mut command = Command::cargo_bin("asleft").unwrap();
    command.args(arguments).arg("--jobs").arg(jobs).output().unwrap()
}

#[test]
fn the_same_captures_give_the_same_bytes() {
    let jobs = tempfile::TempDir::new().unwrap();
    // Hum in one mode: a faint tone and some seconds of silence.
    let measured = asleft(jobs.path(), &["measure", "hum", "--mode", "class A"]);
    assert_eq!(
        measured.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&measured.stderr)
    );
    assert!(String::from_utf8_lossy(&measured.stdout).starts_with("SIMULATED"));
    let folder = std::fs::read_dir(jobs.path())
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let job = folder.to_str().unwrap();
    let report = || {
        // Exit code 1: most of the specification was not measured.
        let written = asleft(jobs.path(), &["report", job]);
        assert_eq!(
            written.status.code(),
            Some(1),
            "{}",
            String::from_utf8_lossy(&written.stderr)
        );
        std::fs::read_to_string(folder.join("report.html")).unwrap()
    };
    let first = report();
    assert_eq!(first, report());
    assert!(first.contains("SIMULATED: no real amplifier was measured"));
    assert!(first.contains("not all was shown to meet it"));
}
