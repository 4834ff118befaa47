//! The whole chain in real time: stimulus → `bench::live` → audio server → an amplifier nobody here wrote → recording.
//!
//! Needs the Debian packages that `server` names. Where one is missing, every test here says by name that it was
//! skipped: this test has a main of its own, because the usual harness swallows what a passing test prints. Words given
//! on the command line choose the tests whose names hold one of them.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands"
)]

mod kept;
mod nothing_left;
mod server;

use std::panic::catch_unwind;
use std::process::ExitCode;
use std::time::Instant;

/// Every test, in the order they run: one server at a time, because each wants the machine for itself.
const TESTS: [(&str, fn()); 2] = [
    (
        "a server and its amplifier end with the test, and leave nothing",
        nothing_left::ended,
    ),
    (
        "a test that dies leaves no process behind",
        nothing_left::orphaned,
    ),
];

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.first().map(String::as_str) {
        Some(nothing_left::DIE) => nothing_left::die(),
        Some("--list") => {
            TESTS.iter().for_each(|(name, _)| println!("{name}: test"));
            return ExitCode::SUCCESS;
        }
        _ => {}
    }
    let words: Vec<&String> = words.iter().filter(|w| !w.starts_with('-')).collect();
    let chosen = |name: &str| words.is_empty() || words.iter().any(|w| name.contains(w.as_str()));
    let missing = server::missing_package();
    let (mut passed, mut failed, mut skipped) = (0, 0, 0);
    for (name, test) in TESTS.into_iter().filter(|(name, _)| chosen(name)) {
        if let Some(package) = missing {
            println!(
                "live: SKIPPED {name}: {package} is not installed ({})",
                server::INSTALL
            );
            skipped += 1;
            continue;
        }
        let since = Instant::now();
        let held = catch_unwind(test).is_ok();
        let seconds = since.elapsed().as_secs_f64();
        println!(
            "live: {name} ... {} ({seconds:.1} s)",
            if held { "ok" } else { "FAILED" }
        );
        if held { passed += 1 } else { failed += 1 }
    }
    println!("{passed} passed, {failed} failed, {skipped} skipped");
    if failed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
