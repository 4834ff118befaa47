//! `asleft rig check` as a technician runs it, its answers piped: through a path that changes nothing it must find nothing,
//! and through a plugin that distorts it must find what the plugin does.

use super::plugin::{self, HARMONIC_GENERATOR, TOLERANCE_DB};
use super::server::{DEVICE, Server};
use serde_json::Value;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::Stdio;

/// Bare; outputs cabled to inputs.
const ANSWERS: &str = "yes\ncabled\n";

/// Own distortion of a path that passes every bit of a 32-bit float on, %: its rounding is 24 bits below the tone, and
/// −120 dB is far above all that the analysis may add.
const EXACT_PERCENT: f64 = 1e-4;

/// Response of a path that changes nothing, dB: a sweep of 4 s, rendered and analysed without any bench, is off by less.
const FLAT_DB: f64 = 0.001;

/// Two streams of one device have one clock: what remains is the uncertainty of comparing them, ppm.
const ONE_CLOCK_PPM: f64 = 0.01;

/// One server a bench, all at once: a self-check lasts a minute and keeps a machine idle for most of it. The servers are
/// started one after another, since several that start at the same moment may miss one another's names.
pub(crate) fn four_benches() {
    let exact_benches = [48_000, 96_000, 192_000].map(|rate| (rate, Server::with_amplifier(rate, &[])));
    let distorting_bench = Server::with_amplifier(96_000, &[HARMONIC_GENERATOR]);
    std::thread::scope(|threads| {
        let mut benches: Vec<_> = exact_benches
            .iter()
            .map(|(rate, server)| threads.spawn(move || exact(*rate, server)))
            .collect();
        benches.push(threads.spawn(|| distorting(&distorting_bench)));
        let ended: Vec<_> = benches
            .into_iter()
            .map(std::thread::ScopedJoinHandle::join)
            .collect();
        assert!(ended.iter().all(Result::is_ok), "see above");
    });
}

/// The rig file of a server's device. Full scale out, 2 V into 10 kΩ behind 100 Ω, is full scale in: 2·10 000/10 100 V.
pub(crate) fn rig_file(server: &Server) -> PathBuf {
    let calibrated = |value: &str| {
        format!("{{ value = {value}, u_percent = 0.1, source = \"meter\", date = \"2026-01-10\" }}")
    };
    let channel = [
        ("output_full_scale_v", "2.0"),
        ("output_impedance_ohm", "100"),
        ("input_full_scale_v", "1.980198"),
        ("input_impedance_ohm", "10000"),
        ("load_ohm", "8.0"),
    ]
    .map(|(key, value)| format!("{key} = {}\n", calibrated(value)))
    .concat();
    let channel = format!("[[channels]]\n{channel}load_rating_w = 200\n");
    let ratio = calibrated("0.0449");
    let text = format!(
        "schema = \"asleft.rig.v1\"\nname = \"Example Bench\"\nceiling_v = 1.5\n\
         [interface]\noutput = \"{DEVICE}\"\ninput = \"{DEVICE}\"\n\
         output_channels = [1, 2]\ninput_channels = [1, 2]\n\
         {channel}{channel}\
         [[taps]]\nname = \"power\"\nratio = [{ratio}, {ratio}]\nsource_impedance_ohm = 449\n"
    );
    let path = server.folder().join("bench.rig.toml");
    std::fs::write(&path, text).unwrap();
    path
}

/// Runs `asleft` with `words` and `answers` piped to it: exit code and what it printed.
pub(crate) fn answered(server: &Server, words: &[&str], answers: &str) -> (i32, String) {
    let mut command = server.command(env!("CARGO_BIN_EXE_asleft"));
    command.args(words).stdin(Stdio::piped());
    let mut child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(answers.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    let code = output.status.code().unwrap_or(-1);
    if said.is_empty() {
        panic!("{code}: {}", String::from_utf8_lossy(&output.stderr));
    }
    (code, said)
}

fn checked(server: &Server) -> (i32, Value) {
    let rig = rig_file(server);
    let words = ["rig", "check", rig.to_str().unwrap(), "--json"];
    let (code, said) = answered(server, &words, ANSWERS);
    (code, serde_json::from_str(&said).unwrap())
}

/// The bit-exact path, at the one rate that its server offers and without a word about rates.
fn exact(rate: u32, server: &Server) {
    let (code, found) = checked(server);
    assert_eq!(found["troubles"], serde_json::json!([]), "{rate}: {found:#}");
    assert_eq!(
        (code, found["fit"].as_bool()),
        (0, Some(true)),
        "{rate}: {found:#}"
    );
    assert_eq!(found["sample_rates_hz"], serde_json::json!([rate, rate]));
    let ppm = found["clock"]["ppm"].as_f64().expect("a clock");
    assert!(ppm.abs() <= ONE_CLOCK_PPM, "{rate}: {ppm} ppm");
    for channel in found["channels"].as_array().expect("channels") {
        let own = channel["distortion"].as_array().expect("levels");
        assert_eq!(own.len(), 5, "{rate}: {channel:#}");
        for own in own {
            let percent = own["thd_percent"].as_f64().unwrap();
            assert!(percent < EXACT_PERCENT, "{rate}: {own:#}");
        }
        let numbers = |key: &str| {
            let all = channel["response"][key].as_array().expect("a response");
            all.iter().map(|x| x.as_f64().unwrap()).collect::<Vec<_>>()
        };
        let inside = |hz: &f64| (20.0..=20_000.0).contains(hz);
        let response: Vec<_> = numbers("frequency_hz").into_iter().zip(numbers("db")).collect();
        // Third octaves from 25 Hz to 20 kHz; that of 20 Hz is at 10^(−1.7) kHz = 19.95 Hz (IEC 61260-1).
        assert_eq!(response.iter().filter(|(hz, _)| inside(hz)).count(), 30);
        for (hz, db) in response {
            assert!(!inside(&hz) || db.abs() <= FLAT_DB, "{rate}: {db} dB at {hz} Hz");
        }
    }
}

/// A path that distorts is not fit for distortion, and its harmonics are those of the plugin's closed form at each level.
fn distorting(server: &Server) {
    let (code, found) = checked(server);
    assert_eq!(code, 1, "{found:#}");
    let fitness = found["fitness"].as_array().expect("purposes");
    let distortion = fitness.iter().find(|f| f["purpose"] == "distortion").unwrap();
    assert_eq!(distortion["fit"], false, "{distortion:#}");
    let because = distortion["because"].as_str().unwrap();
    assert!(
        because.contains("distortion is 0.0") && because.contains('%'),
        "{because}"
    );
    for channel in found["channels"].as_array().expect("channels") {
        let scale = scale(channel["gain_db"].as_f64().unwrap());
        let own = channel["distortion"].as_array().unwrap();
        assert_eq!(own.len(), 5, "{channel:#}");
        for own in own {
            let peak = played(own["level_dbfs"].as_f64().unwrap(), scale);
            for (order, expected) in plugin::closed_form_at(peak) {
                let found = own["harmonics_db"][order as usize - 2].as_f64().unwrap();
                assert!(
                    (found - expected).abs() <= TOLERANCE_DB,
                    "{own:#}: H{order} {expected}"
                );
            }
        }
    }
}

/// The plugin's own scale, from the gain of a sine of −60 dBFS.
fn scale(gain_db: f64) -> f64 {
    10f64.powf(gain_db / 20.0) * 1e-3 / plugin::fundamental(1e-3)
}

/// Peak of the sine that comes back at `level_dbfs`: the closed form, solved by iteration; each step takes the error down
/// by 0.009 at least.
fn played(level_dbfs: f64, scale: f64) -> f64 {
    let wanted = 10f64.powf(level_dbfs / 20.0) / scale;
    (0..8).fold(wanted, |peak, _| peak + wanted - plugin::fundamental(peak))
}
