//! An amplifier nobody here wrote: stimulus → stock LADSPA plugins, run file to file by ecasound → `analyse`.
//!
//! Needs the Debian packages `ecasound` and `swh-plugins`. Where they are missing, this test says so by name: it has a
//! main of its own, because the usual harness swallows what a passing test prints.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands"
)]

mod plugin;

use assert_cmd::cargo::cargo_bin;
use plugin::{float_samples, succeed};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, ExitCode};

fn main() -> ExitCode {
    if let Some(missing) = missing_package() {
        println!(
            "third_party: SKIPPED harmonic generator and valve plugin: {missing} is not installed (apt-get install ecasound swh-plugins)"
        );
        println!("0 passed, 0 failed, 2 skipped");
        return ExitCode::SUCCESS;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut failed = 0;
    for (name, test) in [
        (
            "harmonic generator against its Chebyshev closed form",
            harmonic_generator as fn(&Path) -> Result<(), String>,
        ),
        (
            "valve model: even and odd harmonics as a plain DFT finds them",
            valve,
        ),
    ] {
        match test(folder.path()) {
            Ok(()) => println!("third_party: {name} ... ok"),
            Err(why) => {
                failed += 1;
                println!("third_party: {name} ... FAILED: {why}");
            }
        }
    }
    println!("{} passed, {failed} failed, 0 skipped", 2 - failed);
    if failed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn missing_package() -> Option<&'static str> {
    // It ends with 1 after telling its version.
    let runs = Command::new("ecasound").arg("--version").output().is_ok();
    if !runs {
        return Some("ecasound");
    }
    let plugin = [
        "/usr/lib/ladspa/harmonic_gen_1220.so",
        "/usr/local/lib/ladspa/harmonic_gen_1220.so",
    ];
    if plugin.iter().any(|p| Path::new(p).exists()) {
        None
    } else {
        Some("swh-plugins")
    }
}

fn harmonic_generator(folder: &Path) -> Result<(), String> {
    let captured = through(folder, "chebyshev", plugin::HARMONIC_GENERATOR)?;
    for (order, expected) in plugin::closed_form() {
        plugin::compare(order, plugin::harmonic(&captured, "left", order)?, expected)?;
    }
    Ok(())
}

/// No closed form is published for this plugin: a plain DFT is the second opinion.
fn valve(folder: &Path) -> Result<(), String> {
    let captured = through(folder, "valve", plugin::VALVE)?;
    let samples = float_samples(&folder.join("valve-out.wav"), 0)?;
    for order in 2..=6 {
        let expected = plugin::dft_db(&samples[96_000..192_000], 1000.0, order);
        plugin::compare(order, plugin::harmonic(&captured, "left", order)?, expected)?;
    }
    Ok(())
}

/// Generates a 1 kHz tone of half full scale, sends it through the plugin, analyses what comes out.
fn through(folder: &Path, name: &str, plugin: &str) -> Result<Value, String> {
    let (tone, out) = (
        folder.join(format!("{name}-in.wav")),
        folder.join(format!("{name}-out.wav")),
    );
    let level = format!("{}", 20.0 * f64::log10(plugin::PEAK));
    let mut generate = Command::new(cargo_bin("asleft"));
    generate.args([
        "generate",
        "tone",
        "--frequency",
        "1000",
        "--seconds",
        "4",
        "--rate",
        "96000",
        "--bits",
        "float",
    ]);
    generate.args(["--level", &level, "--out"]).arg(&tone);
    succeed(&mut generate)?;
    // ecasound knows no extensible WAV header, which 32-bit floats have: it gets the bare samples.
    let raw = folder.join(format!("{name}-in.raw"));
    let bytes: Vec<u8> = float_samples(&tone, 0)?
        .into_iter()
        .flat_map(|x| [x, x])
        .flat_map(|x| (x as f32).to_le_bytes())
        .collect();
    std::fs::write(&raw, bytes).map_err(|e| e.to_string())?;
    let mut effect = Command::new("ecasound");
    effect
        .args(["-q", "-f:f32_le,2,96000", "-i"])
        .arg(&raw)
        .arg(plugin)
        .args(["-f:f32_le,2,96000", "-o"])
        .arg(&out);
    succeed(&mut effect)?;
    let mut analyse = Command::new(cargo_bin("asleft"));
    analyse.args(["analyse", "--json"]).arg(&out);
    let text = succeed(&mut analyse)?;
    serde_json::from_str(&text).map_err(|e| e.to_string())
}
