//! Rig files: good ones are read and written, every mistake in a bad one is named with its line.

use asleft::rig::file;
use proptest::prelude::*;

const FIRST_VERSION: &str = include_str!("../fixtures/rig/first-version.rig.toml");

fn problems(text: &str) -> Vec<String> {
    let inspection = file::check(text, "x");
    inspection.problems.iter().map(ToString::to_string).collect()
}

/// The first version's file with one piece replaced; the piece must be there.
fn with(old: &str, new: &str) -> String {
    assert!(FIRST_VERSION.contains(old), "{old}");
    FIRST_VERSION.replacen(old, new, 1)
}

#[test]
fn the_template_is_valid_and_mentions_every_key() {
    let template = file::template();
    assert_eq!(problems(template), Vec::<String>::new());
    assert_eq!(file::check(template, "x").warnings, vec![]);
    let schema: serde_json::Value = serde_json::from_str(&file::json_schema()).unwrap();
    let types = schema["$defs"].as_object().unwrap().values().chain([&schema]);
    for key in types.flat_map(|t| t["properties"].as_object().unwrap().keys()) {
        assert!(template.contains(key), "the template does not mention {key}");
    }
    // What is commented out there must be valid too.
    let start = template.find("# [[loopback]]").unwrap();
    let filled: String = template[start..]
        .lines()
        .map(|l| format!("{}\n", l.trim_start_matches("# ")))
        .collect();
    assert_eq!(
        problems(&format!("{}{filled}", &template[..start])),
        Vec::<String>::new()
    );
}

#[test]
fn the_first_version_stays_readable() {
    let rig = file::parse(FIRST_VERSION, "x").unwrap();
    // 2.45 V through 0.0449; relative u √(0.29² + 0.2²) %.
    let volts = rig.volts_at_full_scale(0, Some("power")).unwrap();
    assert!((volts.value - 2.45 / 0.0449).abs() < 1e-9);
    let relative = volts.standard_uncertainty() / volts.value;
    assert!((relative - 0.01 * (0.29f64.powi(2) + 0.2f64.powi(2)).sqrt()).abs() < 1e-12);
    assert!((rig.load(0, true).unwrap().value - 8.06).abs() < 1e-12);
    assert_eq!(rig.loopback[0].harmonics_db.len(), 2);
}

#[test]
fn a_written_rig_reads_back_and_stays_legible() {
    for text in [FIRST_VERSION, file::template()] {
        let rig = file::parse(text, "x").unwrap();
        let written = file::to_text(&rig).unwrap();
        assert_eq!(file::parse(&written, "x").unwrap(), rig, "{written}");
        let line = written.lines().find(|l| l.starts_with("load_ohm")).unwrap();
        assert!(
            line.contains("{ value = 8.02, u_percent = 0.3, source = \"meter ohms\""),
            "{written}"
        );
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("bench.rig.toml");
    let mut rig = file::parse(FIRST_VERSION, "x").unwrap();
    file::write_new(&path, &rig).unwrap();
    assert_eq!(file::read(&path).unwrap(), rig);
    assert_eq!(
        file::write_new(&path, &rig).unwrap_err().kind(),
        asleft::error::Kind::Io
    );
    rig.ceiling_v = f64::NAN;
    assert!(file::write_new(&dir.path().join("other.toml"), &rig).is_err());
}

/// A piece of the file, what is written instead, what must be said about it, and what to do next.
const MISTAKES: &[(&str, &str, &str, &str)] = &[
    ("asleft.rig.v1", "asleft.rig.v2", "version 2", "newer"),
    (
        "ceiling_v = 1.0",
        "ceiling_v = -1.0",
        "ceiling_v = -1 V is impossible",
        "from",
    ),
    (
        "ceiling_v = 1.0",
        "ceiling = 1.0",
        "\"ceiling\" is not known",
        "\"ceiling_v\"",
    ),
    (
        "value = 2.0,",
        "value = 0,",
        "value = 0 V is impossible",
        "from 0.001",
    ),
    (
        "u_percent = 0.29",
        "u_percent = 0",
        "no calibration is without uncertainty",
        "0.29",
    ),
    (
        "u_percent = 0.29",
        "uncertainty = 0.29",
        "does not belong",
        "u_percent",
    ),
    (
        "source = \"meter volts\"",
        "source = \"\"",
        "source is empty",
        "write the source",
    ),
    (
        "date = \"2026-01-10\"",
        "date = \"10.1.2026\"",
        "no date",
        "YYYY-MM-DD",
    ),
    (
        "date = \"2026-01-10\"",
        "date = 2026-01-10",
        "bare date",
        "date = \"2026-01-10\"",
    ),
    (
        "date = \"2026-01-10\"",
        "date = \"2026-02-30\"",
        "no date",
        "YYYY-MM-DD",
    ),
    (
        "value = 0.0449",
        "value = 20",
        "value = 20 (output voltage / input voltage)",
        "to 1.01",
    ),
    (
        "name = \"power\"",
        "name = \"noise\"",
        "\"noise\" is there twice",
        "its own name",
    ),
    ("channel = 0", "channel = 4", "no channel 4", "from 0"),
    (
        "channel = 0",
        "channel = -1",
        "a whole number, not negative",
        "correct",
    ),
    (
        "frequency_hz = [20,",
        "frequency_hz = [2000,",
        "does not rise",
        "rising order",
    ),
    (
        "noise_dbfs_per_hz = [-150, ",
        "noise_dbfs_per_hz = [",
        "2 values for 3",
        "one value for each",
    ),
    (
        "response_deg = [8, 0, -12]",
        "response_deg = []",
        "0 values for 3",
        "one value for each",
    ),
    (
        "load_rating_w = 200",
        "",
        "\"load_rating_w\" is missing",
        "load_rating_w = …",
    ),
];

#[test]
fn each_mistake_is_named_with_its_line_and_what_to_do() {
    for (old, new, what, next) in MISTAKES {
        let found = problems(&with(old, new));
        let hit = found
            .iter()
            .any(|p| p.contains(what) && p.contains(next) && p.starts_with("x, line "));
        assert!(hit, "{new}: wanted \"{what}\" … \"{next}\", got {found:#?}");
    }
    let missing = with(
        "    { value = 0.0449, u_percent = 0.2, source = \"left divider\", date = \"2026-01-10\" },\n",
        "",
    );
    assert!(problems(&missing)[0].contains("\"power\" has 1 ratios for 2 channels"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_mutation_makes_the_reader_panic(
        start in 0usize..4_000,
        length in 0usize..60,
        new in prop_oneof![
            Just(String::new()),
            Just("inf".to_owned()),
            Just("[[taps]]\n".to_owned()),
            "[ -~\n]{0,12}",
            any::<f64>().prop_map(|x| x.to_string()),
        ],
    ) {
        let chars: Vec<char> = FIRST_VERSION.chars().collect();
        let start = start.min(chars.len());
        let end = (start + length).min(chars.len());
        let text: String = chars[..start].iter().copied().chain(new.chars()).chain(chars[end..].iter().copied()).collect();
        let found = file::check(&text, "x");
        prop_assert_eq!(found.problems.is_empty(), file::parse(&text, "x").is_ok());
    }
}
