//! The JSON of `analyse --json`, key by key, as scripts of others read it.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

use assert_cmd::Command;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;

fn asleft() -> Command {
    Command::cargo_bin("asleft").unwrap()
}

fn generate(folder: &Path, name: &str, arguments: &[&str]) -> std::path::PathBuf {
    let path = folder.join(name);
    asleft()
        .arg("generate")
        .args(arguments)
        .arg("--out")
        .arg(&path)
        .assert()
        .success();
    path
}

fn analysed(arguments: &[&str], path: &Path) -> Value {
    let output = asleft()
        .arg("analyse")
        .arg("--json")
        .args(arguments)
        .arg(path)
        .output()
        .unwrap();
    serde_json::from_slice(&output.stdout).expect("one JSON document and nothing else on standard output")
}

fn keys(object: &Value) -> BTreeSet<&str> {
    object.as_object().unwrap().keys().map(String::as_str).collect()
}

fn set<'a>(names: &[&'a str]) -> BTreeSet<&'a str> {
    names.iter().copied().collect()
}

fn tone_file(folder: &Path) -> Value {
    let path = generate(
        folder,
        "tone.wav",
        &["tone", "--frequency", "997", "--level", "-3.01", "--seconds", "2"],
    );
    let document = analysed(&[], &path);
    assert_eq!(keys(&document), set(&["schema", "files"]));
    assert_eq!(document["schema"], "asleft.figures.v1");
    document["files"][0].clone()
}

#[test]
fn a_file_has_every_key_of_the_contract() {
    let folder = tempfile::tempdir().unwrap();
    let file = tone_file(folder.path());
    let expected = "file sha256 sample_rate_hz channels duration_s simulated recognised_as alignment integrity figures \
                    not_measured curves";
    assert_eq!(keys(&file), expected.split_whitespace().collect());
    assert_eq!(file["recognised_as"], "tone");
    assert_eq!(file["sample_rate_hz"], 48_000);
    assert_eq!(file["channels"], 2);
    assert_eq!(file["simulated"], false);
    assert_eq!(file["sha256"].as_str().unwrap().len(), 64);
    let integrity = &file["integrity"];
    assert_eq!(
        keys(integrity),
        set(&["clipped_samples", "flat_tops", "discontinuities", "notes"])
    );
    assert_eq!(integrity["clipped_samples"], serde_json::json!([0, 0]));
    assert_eq!(integrity["flat_tops"], serde_json::json!([false, false]));
    for missing in file["not_measured"].as_array().unwrap() {
        assert_eq!(keys(missing), set(&["id", "channel", "code", "reason"]));
    }
    let power = file["not_measured"]
        .as_array()
        .unwrap()
        .iter()
        .find(|n| n["id"] == "power")
        .unwrap();
    assert_eq!(power["code"], "uncalibrated");
}

#[test]
fn a_figure_has_every_key_of_the_contract() {
    let folder = tempfile::tempdir().unwrap();
    let file = tone_file(folder.path());
    let expected = "id channel value unit db uncertainty k interval order weighting bandwidth_hz conditions limited_by verdict";
    let conditions =
        "frequency_hz level_dbfs level_v load_ohm driven mode input volume termination harmonics reference";
    for figure in file["figures"].as_array().unwrap() {
        assert_eq!(keys(figure), expected.split_whitespace().collect());
        assert!(keys(&figure["conditions"]).is_superset(&conditions.split_whitespace().collect()));
        assert!(figure["uncertainty"].as_f64().unwrap() > 0.0, "{figure}");
        let (low, high) = (
            figure["interval"][0].as_f64().unwrap(),
            figure["interval"][1].as_f64().unwrap(),
        );
        let value = figure["value"].as_f64().unwrap();
        assert!(low <= value && value <= high, "{figure}");
    }
}

#[test]
fn the_values_of_a_clean_tone_are_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let file = tone_file(folder.path());
    let figures = file["figures"].as_array().unwrap();
    let find = |id: &str| {
        figures
            .iter()
            .find(|f| f["id"] == id && f["channel"] == "left")
            .unwrap()
    };
    assert_eq!(find("level")["unit"], "dBFS");
    // 24-bit TPDF dither: the level is exact to far better than the 0.001 dB asked of clean captures.
    assert!((find("level")["value"].as_f64().unwrap() + 3.01).abs() < 0.001);
    let thd = find("thd");
    assert_eq!(thd["unit"], "%");
    // The dither of 24 bits lies 141 dB below full scale in all; no harmonic can be above −120 dB.
    assert!(thd["db"].as_f64().unwrap() < -120.0);
    assert_eq!(thd["bandwidth_hz"], serde_json::json!([20.0, 20_000.0]));
    assert!(
        thd["conditions"]["harmonics"]
            .as_array()
            .unwrap()
            .contains(&serde_json::json!(2))
    );
}

#[test]
fn a_sweep_has_curves_and_an_alignment() {
    let folder = tempfile::tempdir().unwrap();
    let path = generate(
        folder.path(),
        "s.wav",
        &[
            "sweep",
            "--from",
            "10",
            "--to",
            "22000",
            "--seconds",
            "6",
            "--rate",
            "48000",
            "--level",
            "-6",
        ],
    );
    assert!(folder.path().join("s.stimulus.toml").is_file());
    let stimulus = folder.path().join("s.stimulus.toml");
    let document = analysed(&["--stimulus", stimulus.to_str().unwrap()], &path);
    let file = &document["files"][0];
    assert_eq!(file["recognised_as"], "sweep");
    assert_eq!(
        keys(&file["alignment"]),
        set(&["delay_s", "clock_ppm", "polarity"])
    );
    assert!(file["alignment"]["delay_s"].as_f64().unwrap().abs() < 1e-4);
    assert_eq!(file["alignment"]["polarity"], serde_json::json!([1, 1]));
    let curve = file["curves"]
        .as_array()
        .unwrap()
        .iter()
        .find(|c| c["id"] == "response")
        .unwrap();
    assert_eq!(
        keys(curve),
        set(&[
            "id",
            "channel",
            "order",
            "x",
            "x_unit",
            "y",
            "y_unit",
            "corrected_for_rig"
        ])
    );
    assert_eq!(
        curve["x"].as_array().unwrap().len(),
        curve["y"].as_array().unwrap().len()
    );
    assert_eq!((&curve["x_unit"], &curve["y_unit"]), (&"Hz".into(), &"dB".into()));
}

#[test]
fn silence_and_noise_have_no_distortion() {
    let folder = tempfile::tempdir().unwrap();
    for (name, arguments, recognised) in [
        ("quiet.wav", vec!["silence", "--seconds", "5"], "silence"),
        (
            "noise.wav",
            vec!["noise", "--level", "-20", "--seconds", "5"],
            "noise",
        ),
    ] {
        let path = generate(folder.path(), name, &arguments);
        let document = analysed(&[], &path);
        let file = &document["files"][0];
        assert_eq!(file["recognised_as"], recognised, "{name}");
        for figure in file["figures"].as_array().unwrap() {
            assert!(!["thd", "thd_n", "sinad", "harmonic"].contains(&figure["id"].as_str().unwrap()));
        }
    }
}

#[test]
fn json_lines_gives_one_file_a_line() {
    let folder = tempfile::tempdir().unwrap();
    let a = generate(folder.path(), "a.wav", &["tone", "--seconds", "1"]);
    let b = generate(
        folder.path(),
        "b.wav",
        &["tone", "--seconds", "1", "--frequency", "440"],
    );
    let output = asleft()
        .args(["analyse", "--json-lines"])
        .arg(&a)
        .arg(&b)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(lines.len(), 2);
    assert!(lines[0]["file"].as_str().unwrap().ends_with("a.wav"));
}

#[test]
fn an_unreadable_file_does_not_stop_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let good = generate(folder.path(), "good.wav", &["tone", "--seconds", "1"]);
    let bad = folder.path().join("bad.wav");
    std::fs::write(&bad, "this is a letter, not a recording").unwrap();
    let output = asleft()
        .args(["analyse", "--json"])
        .arg(&bad)
        .arg(&good)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["files"].as_array().unwrap().len(), 1);
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(
        said.contains("bad.wav") && said.contains("next:") && said.lines().count() < 24,
        "{said}"
    );
}
