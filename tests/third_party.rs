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

use assert_cmd::cargo::cargo_bin;
use serde_json::Value;
use std::path::Path;
use std::process::{Command, ExitCode};

/// Closed form within this many decibels: the plugin computes in 32-bit floats (−150 dBFS spurs), the rest is margin
/// for the plugin's own rounding of its control values.
const TOLERANCE_DB: f64 = 0.05;

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

/// The plugin sums Chebyshev polynomials: y = Σ hₙ Tₙ(x). With x = ½ cos θ and h = (1, 0.01, 0.001):
/// T₂ gives ¼ cos 2θ · 2·½ = 0.25 cos 2θ, T₃ = 4x³ − 3x gives 0.125 cos 3θ − 1.125 cos θ, so
/// H2/H1 = 0.0025 / 0.498 875 = −46.000 dB and H3/H1 = 0.000 125 / 0.498 875 = −72.021 dB. The plugin scales its
/// output; ratios do not care.
fn harmonic_generator(folder: &Path) -> Result<(), String> {
    let captured = through(folder, "chebyshev", "-el:harmonicGen,1,0.01,0.001,0,0,0,0,0,0,0")?;
    let fundamental = 0.5 + 0.001 * (4.0 * 0.125 * 0.75 - 1.5);
    for (order, amplitude) in [(2, 0.01 * 0.25), (3, 0.001 * 0.125)] {
        let expected = 20.0 * f64::log10(amplitude / fundamental);
        let found = harmonic(&captured, order)?;
        if (found - expected).abs() > TOLERANCE_DB {
            return Err(format!("H{order}: {found:.4} dB, closed form {expected:.4} dB"));
        }
    }
    Ok(())
}

/// No closed form is published for this plugin. The tone is bin-centred, so a plain DFT over whole periods, written
/// here in five lines, is an exact second opinion.
fn valve(folder: &Path) -> Result<(), String> {
    let captured = through(folder, "valve", "-el:valve,0.1,0.2")?;
    let samples = float_samples(&folder.join("valve-out.wav"))?;
    let one_second = &samples[96_000..192_000];
    let amplitude = |order: u32| {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, x) in one_second.iter().enumerate() {
            let (s, c) =
                (std::f64::consts::TAU * (f64::from(order) * 1000.0 * n as f64 / 96_000.0).fract()).sin_cos();
            re += x * c;
            im -= x * s;
        }
        f64::hypot(re, im)
    };
    for order in 2..=6 {
        let expected = 20.0 * f64::log10(amplitude(order) / amplitude(1));
        let found = harmonic(&captured, order)?;
        if (found - expected).abs() > TOLERANCE_DB {
            return Err(format!("H{order}: {found:.4} dB, DFT {expected:.4} dB"));
        }
    }
    Ok(())
}

/// Generates a 1 kHz tone of half full scale, sends it through the plugin, analyses what comes out.
fn through(folder: &Path, name: &str, plugin: &str) -> Result<Value, String> {
    let (tone, out) = (
        folder.join(format!("{name}-in.wav")),
        folder.join(format!("{name}-out.wav")),
    );
    let level = format!("{}", 20.0 * f64::log10(0.5));
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
    let bytes: Vec<u8> = float_samples(&tone)?
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

fn succeed(command: &mut Command) -> Result<String, String> {
    let output = command.output().map_err(|e| format!("{command:?}: {e}"))?;
    if !output.status.success() {
        return Err(format!(
            "{command:?} ended with {}: {}",
            output.status,
            String::from_utf8_lossy(&output.stderr)
        ));
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

fn harmonic(document: &Value, order: u32) -> Result<f64, String> {
    document["files"][0]["figures"]
        .as_array()
        .into_iter()
        .flatten()
        .find(|f| f["id"] == "harmonic" && f["channel"] == "left" && f["order"] == order)
        .and_then(|f| f["value"].as_f64())
        .ok_or_else(|| format!("no harmonic of order {order} in the result"))
}

/// First channel of a 32-bit float WAV, by hound's own iterator.
fn float_samples(path: &Path) -> Result<Vec<f64>, String> {
    let mut reader = hound::WavReader::open(path).map_err(|e| e.to_string())?;
    let step = usize::from(reader.spec().channels);
    reader
        .samples::<f32>()
        .step_by(step)
        .map(|s| s.map(f64::from).map_err(|e| e.to_string()))
        .collect()
}
