//! What a user's files can hold must end in words: exit code 2, at most one screen on standard error saying what, where
//! and what to do next, nothing but results on standard output, and the other files of a list analysed all the same.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands, also in its own functions"
)]

use assert_cmd::Command;
use serde_json::Value;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};

/// One screen of an ordinary terminal.
const MOST_LINES: usize = 24;
/// Characters of a line that still reads on a wide terminal.
const LONGEST_LINE: usize = 120;

fn asleft() -> Command {
    Command::cargo_bin("asleft").unwrap()
}

fn run(arguments: &[&str], files: &[&Path]) -> Output {
    asleft().args(arguments).args(files).output().unwrap()
}

/// A good capture: one second of a tone.
fn good(folder: &Path) -> PathBuf {
    let path = folder.join("good.wav");
    let arguments = [
        "generate",
        "tone",
        "--frequency",
        "997",
        "--level",
        "-6",
        "--seconds",
        "1",
        "--out",
    ];
    asleft().args(arguments).arg(&path).assert().success();
    path
}

/// Standard error of a run that could not do what was asked.
fn complaint(what: &str, output: &Output) -> String {
    let said = String::from_utf8(output.stderr.clone()).unwrap();
    assert_eq!(output.status.code(), Some(2), "{what}: {said}");
    assert!(said.contains("next:"), "{what}: no next step in: {said}");
    assert!(
        !said.contains("panicked") && !said.contains("the program itself failed"),
        "{what}: {said}"
    );
    assert!(
        said.lines().count() <= MOST_LINES,
        "{what}: more than a screen:\n{said}"
    );
    let longest = said.lines().map(|l| l.chars().count()).max().unwrap_or(0);
    assert!(
        longest <= LONGEST_LINE,
        "{what}: a line of {longest} characters:\n{said}"
    );
    said
}

/// A RIFF file of one `fmt ` and one `data` chunk.
fn wav(tag: u16, channels: u16, rate: u32, bits: u16, data: &[u8]) -> Vec<u8> {
    let align = channels.wrapping_mul(bits / 8);
    let mut out = b"RIFF".to_vec();
    out.extend((36 + data.len() as u32).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend(16u32.to_le_bytes());
    out.extend(tag.to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(rate.to_le_bytes());
    out.extend(rate.wrapping_mul(u32::from(align)).to_le_bytes());
    out.extend(align.to_le_bytes());
    out.extend(bits.to_le_bytes());
    out.extend(b"data");
    out.extend((data.len() as u32).to_le_bytes());
    out.extend(data);
    out
}

fn float_tone(spoilt: f32) -> Vec<u8> {
    let sample = |n: u32| {
        if n == 20_000 {
            spoilt
        } else {
            0.5 * (f64::from(n) * 0.1).sin() as f32
        }
    };
    let data: Vec<u8> = (0..48_000).flat_map(|n| sample(n).to_le_bytes()).collect();
    wav(3, 1, 48_000, 32, &data)
}

/// Files that no recording can be read from, by name.
fn unreadable() -> Vec<(&'static str, Vec<u8>)> {
    let whole = wav(1, 2, 48_000, 16, &[0; 4000]);
    let mut huge_chunk = b"RIFF\xff\xff\xff\xffWAVEfmt ".to_vec();
    huge_chunk.extend(u32::MAX.to_le_bytes());
    huge_chunk.extend([1; 64]);
    vec![
        ("letter.wav", b"this is a letter, not a recording".to_vec()),
        ("empty.wav", Vec::new()),
        ("riff-only.wav", b"RIFF".to_vec()),
        ("cut-in-header.wav", whole[..30].to_vec()),
        ("no-frames.wav", wav(1, 2, 48_000, 16, &[])),
        ("no-channels.wav", wav(1, 0, 48_000, 16, &[0; 400])),
        ("many-channels.wav", wav(1, 65_535, 48_000, 16, &[0; 400])),
        ("no-rate.wav", wav(1, 2, 0, 16, &[0; 400])),
        ("absurd-rate.wav", wav(1, 2, u32::MAX, 16, &[0; 400])),
        ("no-bits.wav", wav(1, 2, 48_000, 0, &[0; 400])),
        ("absurd-bits.wav", wav(1, 2, 48_000, 65_535, &[0; 400])),
        ("strange-tag.wav", wav(0x1234, 2, 48_000, 16, &[0; 400])),
        ("huge-chunk.wav", huge_chunk),
        ("zip.flac", b"PK\x03\x04 not a flac file at all".to_vec()),
        ("cut.flac", b"fLaC\x00\x00\x00\x22".to_vec()),
        ("nan.wav", float_tone(f32::NAN)),
        ("infinite.wav", float_tone(f32::INFINITY)),
        ("minus-infinite.wav", float_tone(f32::NEG_INFINITY)),
    ]
}

#[test]
fn what_is_no_recording_is_named_and_the_others_are_analysed() {
    let folder = tempfile::tempdir().unwrap();
    let good = good(folder.path());
    for (name, bytes) in unreadable() {
        let bad = folder.path().join(name);
        std::fs::write(&bad, bytes).unwrap();
        let output = run(&["analyse", "--json"], &[&bad, &good]);
        let said = complaint(name, &output);
        assert!(said.contains(name), "{name} is not named: {said}");
        let document: Value = serde_json::from_slice(&output.stdout).expect(name);
        let files = document["files"].as_array().unwrap();
        assert_eq!(files.len(), 1, "{name}");
        assert!(files[0]["file"].as_str().unwrap().ends_with("good.wav"), "{name}");
    }
}

#[test]
fn a_folder_and_a_missing_file_are_no_recordings() {
    let folder = tempfile::tempdir().unwrap();
    let good = good(folder.path());
    let missing = folder.path().join("nothing-here.wav");
    for bad in [folder.path(), missing.as_path()] {
        let output = run(&["analyse", "--json-lines"], &[bad, &good]);
        let said = complaint("folder or missing", &output);
        assert!(
            said.contains(bad.file_name().unwrap().to_str().unwrap()),
            "{said}"
        );
        assert_eq!(String::from_utf8(output.stdout).unwrap().lines().count(), 1);
    }
}

#[test]
fn nothing_readable_gives_no_figures() {
    let folder = tempfile::tempdir().unwrap();
    let bad = folder.path().join("letter.wav");
    std::fs::write(&bad, "dear customer").unwrap();
    for format in ["--csv", "--json-lines"] {
        let output = run(&["analyse", format], &[&bad]);
        complaint(format, &output);
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(!text.contains("letter.wav"), "{format}: {text}");
    }
}

/// A stimulus file as `generate` writes it, with one text replaced.
fn spoilt_stimulus(folder: &Path, kind: &[&str], replace: (&str, &str)) -> (PathBuf, PathBuf) {
    let path = folder.join("s.wav");
    asleft()
        .arg("generate")
        .args(kind)
        .arg("--out")
        .arg(&path)
        .assert()
        .success();
    let written = folder.join("s.stimulus.toml");
    let text = std::fs::read_to_string(&written).unwrap();
    assert!(text.contains(replace.0), "{} is not in:\n{text}", replace.0);
    let spoilt = folder.join("spoilt.stimulus.toml");
    std::fs::write(&spoilt, text.replacen(replace.0, replace.1, 1)).unwrap();
    (path, spoilt)
}

#[test]
fn a_spoilt_stimulus_file_is_refused_with_the_place() {
    let sweep = ["sweep", "--from", "20", "--to", "20000", "--seconds", "1"];
    for (replace, said_about) in [
        (("seconds", "secconds"), "seconds"),
        (("from_hz", "from_herz"), "from_hz"),
        (("\"asleft.stimulus.v1\"", "\"asleft.stimulus.v99\""), "v99"),
        (("sample_rate_hz = ", "sample_rate_hz = -"), "line 3"),
        (("to_hz = ", "to_hz = nan #"), "line 12"),
        (("from_hz = ", "from_hz = -"), "-20 Hz"),
        (("schema", "[[["), "spoilt"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let (capture, spoilt) = spoilt_stimulus(folder.path(), &sweep, replace);
        let output = run(&["analyse", "--stimulus", spoilt.to_str().unwrap()], &[&capture]);
        let said = complaint(replace.1, &output);
        assert!(said.contains("spoilt.stimulus.toml"), "{said}");
        assert!(said.contains(said_about), "{}: {said}", replace.1);
    }
}

#[test]
fn spoilt_unit_and_rig_files_are_refused_with_the_place() {
    let folder = tempfile::tempdir().unwrap();
    let good = good(folder.path());
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let unit = std::fs::read_to_string(root.join("units/tarnbeck-60.unit.toml")).unwrap();
    let rig = std::fs::read_to_string(root.join("fixtures/rig/first-version.rig.toml")).unwrap();
    for (option, text, replace, said_about) in [
        (
            "--unit",
            &unit,
            ("sensitivity_v", "sensitivty_v"),
            "sensitivity_v",
        ),
        ("--unit", &unit, ("watts = 60", "watts = -60"), "watts"),
        ("--unit", &unit, ("watts = 60", "watts = nan"), "watts"),
        ("--unit", &unit, ("figure = \"thd\"", "figure = \"thdd\""), "thd"),
        ("--unit", &unit, ("[power]", "[power"), "spoilt"),
        ("--rig", &rig, ("ceiling_v", "celling_v"), "ceiling_v"),
        ("--rig", &rig, ("u_percent = ", "u_percent = -"), "u_percent"),
        ("--rig", &rig, ("value = ", "value = -"), "value"),
        ("--rig", &rig, ("value = ", "value = inf #"), "value"),
        (
            "--rig",
            &rig,
            ("\"asleft.rig.v1\"", "\"asleft.rig.v9\""),
            "version 9",
        ),
    ] {
        let spoilt = folder.path().join("spoilt.toml");
        assert!(text.contains(replace.0), "{}", replace.0);
        std::fs::write(&spoilt, text.replacen(replace.0, replace.1, 1)).unwrap();
        let output = run(&["analyse", option, spoilt.to_str().unwrap()], &[&good]);
        let what = format!("{option} {}", replace.1);
        let said = complaint(&what, &output);
        assert!(said.contains("spoilt.toml"), "{what}: {said}");
        assert!(said.contains(said_about), "{what}: {said}");
        assert!(output.stdout.is_empty(), "{what}");
    }
    let missing = folder.path().join("no.toml");
    for option in ["--unit", "--rig", "--stimulus", "--reference"] {
        let output = run(&["analyse", option, missing.to_str().unwrap()], &[&good]);
        assert!(complaint(option, &output).contains("no.toml"));
    }
}

#[test]
fn a_sweep_needs_its_own_stimulus() {
    let folder = tempfile::tempdir().unwrap();
    let here = |name: &str| folder.path().join(name);
    let make = |name: &str, arguments: &[&str]| {
        asleft()
            .arg("generate")
            .args(arguments)
            .arg("--out")
            .arg(here(name))
            .assert()
            .success();
    };
    make(
        "s.wav",
        &["sweep", "--from", "20", "--to", "20000", "--seconds", "2"],
    );
    make(
        "other.wav",
        &["sweep", "--from", "5", "--to", "2000", "--seconds", "5"],
    );
    make("tone.wav", &["tone", "--frequency", "1000", "--seconds", "2"]);
    for wrong in ["other.stimulus.toml", "tone.stimulus.toml"] {
        let stimulus = here(wrong);
        let output = run(
            &[
                "analyse",
                "--as",
                "sweep",
                "--stimulus",
                stimulus.to_str().unwrap(),
            ],
            &[&here("s.wav")],
        );
        complaint(wrong, &output);
    }
    // Said to be a sweep, with no stimulus beside it.
    std::fs::rename(here("s.wav"), here("alone.wav")).unwrap();
    complaint(
        "no stimulus",
        &run(&["analyse", "--as", "sweep"], &[&here("alone.wav")]),
    );
    // Not said to be anything: no test signal that is recognised, and no figures of one.
    let output = run(&["analyse", "--json"], &[&here("alone.wav")]);
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["files"][0]["recognised_as"], "unknown");
    assert_eq!(document["files"][0]["figures"].as_array().unwrap().len(), 0);
}

#[test]
fn a_reader_that_goes_away_is_no_fault() {
    let folder = tempfile::tempdir().unwrap();
    let good = good(folder.path());
    for format in [&["--json"][..], &["--csv"], &[]] {
        let mut child = std::process::Command::new(assert_cmd::cargo::cargo_bin("asleft"))
            .arg("analyse")
            .args(format)
            .args(std::iter::repeat_n(&good, 3))
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // Closed before anything was written.
        drop(child.stdout.take());
        let mut said = String::new();
        child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
        let status = child.wait().unwrap();
        assert!(
            !said.contains("panicked") && !said.contains("program itself"),
            "{said}"
        );
        assert!(!said.contains("could not write"), "{said}");
        assert_eq!(status.code(), Some(0), "{said}");
    }
}
