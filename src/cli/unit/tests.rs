//! `asleft unit` as a technician or a script uses it.

use super::{Args, run_with};
use crate::cli::{CommandResult, Ending, Streams};
use crate::figure::{FigureId, Weighting};
use crate::unit::file;
use clap::Parser;
use std::path::Path;

/// The command alone, as the program embeds it.
#[derive(Debug, Parser)]
struct Program {
    #[command(flatten)]
    unit: Args,
}

struct Ran {
    result: CommandResult,
    out: String,
    err: String,
}

fn unit(args: &[&str], answers: &str) -> Ran {
    let program = Program::try_parse_from(std::iter::once(&"unit").chain(args)).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut io = Streams {
        out: &mut out,
        err: &mut err,
        interactive: false,
    };
    let result = run_with(&program.unit, &mut io, &mut answers.as_bytes());
    Ran {
        result,
        out: String::from_utf8_lossy(&out).into_owned(),
        err: String::from_utf8_lossy(&err).into_owned(),
    }
}

fn path_in(dir: &tempfile::TempDir, name: &str) -> String {
    dir.path().join(name).display().to_string()
}

/// Answers for a whole interview with a few mistakes, each of which is asked again.
const ANSWERS: &[&str] = &[
    "Example 40",
    "service sheet",
    // Output: name, loads, stage, another?
    "",
    "4 8",
    "ground",
    "grounded",
    "",
    // Power: the model's watts must be answered; then load, driven, band, THD.
    "",
    "forty",
    "40 W",
    "",
    "both",
    "20 Hz to 20 kHz",
    "0.1",
    // Inputs: aux typed in volts as if millivolts had been asked, which makes no plausible gain.
    "aux",
    "no",
    "150 V",
    "47k",
    "",
    // … so the section is asked again.
    "aux",
    "no",
    "150",
    "47k",
    "phono",
    "yes",
    "2.5 mV",
    "47 kΩ",
    "",
    // Modes.
    "",
    // Rated figures: distortion, response, S/N aux, S/N phono, hum, separation twice, balance.
    "0.08",
    "1",
    "0.5",
    "",
    "",
    "90",
    "",
    "",
    "75",
    "",
    "5 mV at the input",
    "0.5",
    "50",
    "",
    "1",
    // Adjustments.
    "30",
    "12",
    "2",
    "",
    // Write it?
    "yes",
];

#[test]
fn the_interview_writes_a_file_that_can_be_used() {
    let dir = tempfile::tempdir().unwrap();
    let path = path_in(&dir, "example.unit.toml");
    let ran = unit(&["new", &path], &(ANSWERS.join("\n") + "\n"));
    assert_eq!(ran.result, Ok(Ending::Done), "{}", ran.err);
    assert!(ran.out.starts_with(&path), "{}", ran.out);
    for said in [
        "\"ground\" is not among",
        "did you mean grounded",
        "has no default",
        "\"forty\" is not a number",
        "a gain of -18 dB",
        "these questions once more",
        "input phono: 0.0025 V, 47000 Ω, phono",
    ] {
        assert!(ran.err.contains(said), "{said}: {}", ran.err);
    }
    let spec = file::read(Path::new(&path)).unwrap();
    assert_eq!(spec.model, "Example 40");
    assert!((spec.power.watts - 40.0).abs() < 1e-12);
    assert_eq!(spec.inputs.len(), 2);
    assert!((spec.inputs[1].sensitivity_v - 0.0025).abs() < 1e-12 && spec.inputs[1].phono);
    let figures: Vec<FigureId> = spec.rated.iter().map(|r| r.figure).collect();
    assert_eq!(
        figures,
        [
            FigureId::Thd,
            FigureId::ResponseMin,
            FigureId::ResponseMax,
            FigureId::Snr,
            FigureId::Snr,
            FigureId::Hum,
            FigureId::Separation,
            FigureId::Balance,
        ]
    );
    assert_eq!(spec.rated[3].weighting, Some(Weighting::A));
    assert_eq!(spec.rated[4].reference.as_deref(), Some("0.005 V at the input"));
    assert_eq!(spec.adjustments.len(), 2);
    // A specification sheet is no secret: nothing but the file is left in the folder.
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn answers_that_end_early_write_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = path_in(&dir, "example.unit.toml");
    for count in [0, 1, 7, 20, ANSWERS.len() - 1] {
        let ran = unit(&["new", &path], &(ANSWERS[..count].join("\n") + "\n"));
        let error = ran.result.unwrap_err();
        assert!(
            error.what().contains("ended before the last question"),
            "{count}: {error}"
        );
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0, "{count}");
    }
    let mut no = ANSWERS.to_vec();
    no.pop();
    let ran = unit(&["new", &path], &(no.join("\n") + "\nno\n"));
    assert_eq!(ran.result, Ok(Ending::Done));
    assert!(ran.err.contains("Nothing was written"));
    assert!(!Path::new(&path).exists());
}

#[test]
fn an_existing_file_is_never_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    let path = path_in(&dir, "example.unit.toml");
    std::fs::write(&path, "mine").unwrap();
    for args in [vec!["new", &path], vec!["new", "--template", &path]] {
        let error = unit(&args, &ANSWERS.join("\n")).result.unwrap_err();
        assert!(error.next_step().unwrap().contains("move the exist"), "{error}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "mine");
    }
}

#[test]
fn the_template_is_written_and_printed() {
    let dir = tempfile::tempdir().unwrap();
    let path = path_in(&dir, "t.unit.toml");
    assert_eq!(unit(&["new", "--template", &path], "").result, Ok(Ending::Done));
    let printed = unit(&["new", "--template"], "").out;
    assert_eq!(std::fs::read_to_string(&path).unwrap(), printed);
    let checked = unit(&["check", &path], "");
    assert_eq!(checked.result, Ok(Ending::Done));
    assert!(
        checked.out.ends_with("can be used, no warnings\n"),
        "{}",
        checked.out
    );
    let missing = unit(&["new", "--template", &path_in(&dir, "none/t.toml")], "")
        .result
        .unwrap_err();
    assert!(missing.next_step().unwrap().contains("folder"), "{missing}");
}

#[test]
fn check_lists_every_problem_of_every_file() {
    let dir = tempfile::tempdir().unwrap();
    let good = path_in(&dir, "good.toml");
    let bad = path_in(&dir, "bad.toml");
    std::fs::write(&good, file::template()).unwrap();
    let broken = file::template()
        .replace("watts = 40 ", "wats = 40 ")
        .replace("unit = \"%\"", "unit = \"percent\"");
    std::fs::write(&bad, broken).unwrap();
    let ran = unit(&["check", &bad, &path_in(&dir, "none.toml"), &good], "");
    assert_eq!(ran.result, Ok(Ending::Incomplete));
    assert!(ran.out.contains("did you mean \"watts\""), "{}", ran.out);
    assert!(ran.out.contains("\"percent\" is no unit"), "{}", ran.out);
    assert!(
        ran.out.contains("bad.toml: 2 problems, no warnings"),
        "{}",
        ran.out
    );
    assert!(ran.out.contains("good.toml: can be used"), "{}", ran.out);
    assert!(ran.err.contains("none.toml"), "{}", ran.err);
}

#[test]
fn the_schema_is_printed() {
    let schema: serde_json::Value = serde_json::from_str(&unit(&["schema"], "").out).unwrap();
    assert_eq!(schema["title"], "UnitSpec");
}
