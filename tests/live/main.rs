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

mod commands;
mod exact;
mod faults;
mod kept;
mod loaded;
mod nonlinear;
mod nothing_left;
#[path = "../plugin/mod.rs"]
mod plugin;
mod probe;
mod prompt;
mod rig_check;
mod server;
mod take;

use std::panic::catch_unwind;
use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;

/// Every test, in the order they run: one server at a time, because each wants the machine for itself.
const TESTS: [(&str, fn()); 23] = [
    (
        "a server and its amplifier end with the test",
        nothing_left::ended,
    ),
    (
        "a test that dies leaves no process behind",
        nothing_left::orphaned,
    ),
    (
        "48 kHz: two tones and noise come back bit for bit",
        exact::tones_and_noise_48,
    ),
    (
        "96 kHz: noise and a sweep come back bit for bit",
        exact::noise_and_sweep_96,
    ),
    (
        "192 kHz: a sweep and a tone come back bit for bit",
        exact::sweep_and_tone_192,
    ),
    ("exchanged channels are heard exchanged", exact::swapped),
    ("a path that changes nothing is flat", exact::flat),
    (
        "48 kHz: a valve's harmonics as a plain DFT finds them",
        nonlinear::valve_48,
    ),
    (
        "96 kHz: harmonics against their Chebyshev closed form",
        nonlinear::chebyshev_96,
    ),
    (
        "192 kHz: harmonics against their Chebyshev closed form",
        nonlinear::chebyshev_192,
    ),
    ("busy cores: a take with losses is found", loaded::busy_cores),
    ("stalled programs: a take with losses is found", loaded::stalled),
    ("48 kHz: silence follows a stop", prompt::silence_follows_48),
    ("192 kHz: silence follows a stop", prompt::silence_follows_192),
    ("96 kHz: from sound to answer", prompt::round_trip_96),
    (
        "the server is killed in the middle of a take",
        faults::server_killed,
    ),
    (
        "the amplifier is killed in the middle of a take",
        faults::amplifier_killed,
    ),
    ("nothing but zeros comes back", faults::all_zeros),
    (
        "a rate that the server does not run at is refused",
        faults::wrong_rate,
    ),
    ("no amplifier is there", faults::no_amplifier),
    (
        "a device or a channel that is not there is refused",
        faults::not_there,
    ),
    ("the interface is listed", commands::interfaces),
    (
        "48, 96, 192 kHz: the self-check of a bit-exact path, and of one that distorts",
        rig_check::four_benches,
    ),
];

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.first().map(String::as_str) {
        Some(nothing_left::DIE) => nothing_left::die(),
        Some(probe::PLAY) => {
            probe::play(Path::new(words.last().expect("an order")));
            return ExitCode::SUCCESS;
        }
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
