//! What stock LADSPA plugins do to a sine, and the commands that say what they did: the oracle of every test that sends a
//! stimulus through an amplifier nobody here wrote.
#![allow(dead_code, reason = "each test file uses its own part")]

use serde_json::Value;
use std::path::Path;
use std::process::Command;

/// A recorded harmonic against its closed form, dB. The plugins compute in 32-bit floats (−150 dBFS spurs), the rest is
/// margin for the plugin's own rounding of its control values.
pub(crate) const TOLERANCE_DB: f64 = 0.05;

/// Peak of the sine that goes into a plugin, in units of full scale.
pub(crate) const PEAK: f64 = 0.5;

/// Chebyshev polynomials with the weights 1, 0.01, 0.001; as `ecasound` takes it.
pub(crate) const HARMONIC_GENERATOR: &str = "-el:harmonicGen,1,0.01,0.001,0,0,0,0,0,0,0";

/// An asymmetric valve stage.
pub(crate) const VALVE: &str = "-el:valve,0.1,0.2";

/// Orders and levels re the fundamental, dB, that [`HARMONIC_GENERATOR`] makes of a sine of [`PEAK`].
///
/// The plugin sums Chebyshev polynomials: y = Σ hₙ Tₙ(x). With x = ½ cos θ and h = (1, 0.01, 0.001):
/// T₂ gives ¼ cos 2θ · 2·½ = 0.25 cos 2θ, T₃ = 4x³ − 3x gives 0.125 cos 3θ − 1.125 cos θ, so
/// H2/H1 = 0.0025 / 0.498 875 = −46.001 dB and H3/H1 = 0.000 125 / 0.498 875 = −72.021 dB. The plugin scales its
/// output; ratios do not care.
pub(crate) fn closed_form() -> [(u32, f64); 2] {
    closed_form_at(PEAK)
}

/// The same for a sine of another peak.
pub(crate) fn closed_form_at(peak: f64) -> [(u32, f64); 2] {
    let fundamental = fundamental(peak);
    [(2, 0.01 * peak.powi(2)), (3, 0.001 * peak.powi(3))]
        .map(|(order, amplitude)| (order, 20.0 * f64::log10(amplitude / fundamental)))
}

/// Peak of the fundamental that [`HARMONIC_GENERATOR`] makes of a sine of `peak`, but for the plugin's own scale.
pub(crate) fn fundamental(peak: f64) -> f64 {
    peak + 0.001 * (4.0 * peak.powi(3) * 0.75 - 3.0 * peak)
}

/// Level of a harmonic of `hz` re the fundamental, dB, by a plain DFT. `one_second` must be one second of a steady tone of
/// a whole number of hertz: the lines are then bin-centred, and this is exact.
pub(crate) fn dft_db(one_second: &[f64], hz: f64, order: u32) -> f64 {
    let rate = one_second.len() as f64;
    let amplitude = |order: u32| {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, x) in one_second.iter().enumerate() {
            let turns = (f64::from(order) * hz * n as f64 / rate).fract();
            let (s, c) = (std::f64::consts::TAU * turns).sin_cos();
            re += x * c;
            im -= x * s;
        }
        f64::hypot(re, im)
    };
    20.0 * f64::log10(amplitude(order) / amplitude(1))
}

/// The harmonic of `order` in what `analyse --json` printed, dB re fundamental.
pub(crate) fn harmonic(document: &Value, channel: &str, order: u32) -> Result<f64, String> {
    document["files"][0]["figures"]
        .as_array()
        .into_iter()
        .flatten()
        .find(|f| f["id"] == "harmonic" && f["channel"] == channel && f["order"] == order)
        .and_then(|f| f["value"].as_f64())
        .ok_or_else(|| format!("no harmonic of order {order} of the {channel} channel in the result"))
}

/// Compares a harmonic with what it must be.
pub(crate) fn compare(order: u32, found: f64, expected: f64) -> Result<(), String> {
    if (found - expected).abs() <= TOLERANCE_DB {
        return Ok(());
    }
    Err(format!("H{order}: {found:.4} dB, expected {expected:.4} dB"))
}

/// Runs a command to its end and gives what it printed.
pub(crate) fn succeed(command: &mut Command) -> Result<String, String> {
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

/// The channel at `index` of a 32-bit float WAV, by hound's own iterator.
pub(crate) fn float_samples(path: &Path, index: usize) -> Result<Vec<f64>, String> {
    let mut reader = hound::WavReader::open(path).map_err(|e| e.to_string())?;
    let step = usize::from(reader.spec().channels);
    reader
        .samples::<f32>()
        .skip(index)
        .step_by(step)
        .map(|s| s.map(f64::from).map_err(|e| e.to_string()))
        .collect()
}
