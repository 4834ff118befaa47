//! Unit files as people write them: good ones are read, every mistake in a bad one is named with its line.

use asleft::figure::{FigureId, Unit};
use asleft::unit::{UnitSpec, file};
use proptest::prelude::*;

const DEMO: &str = include_str!("../units/tarnbeck-60.unit.toml");
const FIRST_VERSION: &str = include_str!("../fixtures/unit/first-version.unit.toml");

fn problems(text: &str) -> Vec<String> {
    let inspection = file::check(text, "x");
    inspection.problems.iter().map(ToString::to_string).collect()
}

fn warnings(text: &str) -> Vec<String> {
    let inspection = file::check(text, "x");
    inspection.warnings.iter().map(ToString::to_string).collect()
}

/// The demo file with one piece replaced; the piece must be there.
fn demo_with(old: &str, new: &str) -> String {
    assert!(DEMO.contains(old), "{old}");
    DEMO.replacen(old, new, 1)
}

/// The line of the first `needle` in `text`, from 1.
fn line(text: &str, needle: &str) -> usize {
    text.lines().position(|l| l.contains(needle)).map_or(0, |n| n + 1)
}

#[test]
fn the_demo_file_is_what_its_sheet_says() {
    let spec = file::parse(DEMO, "x").unwrap();
    assert!((spec.power.volts().0 - 480f64.sqrt()).abs() < 1e-12);
    assert!((spec.power_in(Some("class A")).watts - 15.0).abs() < 1e-12);
    assert!((spec.power_in(Some("class AB")).watts - 60.0).abs() < 1e-12);
    assert_eq!(warnings(DEMO), Vec::<String>::new());
}

#[test]
fn the_template_is_valid_and_explains_every_key() {
    let template = file::template();
    assert_eq!(problems(template), Vec::<String>::new());
    file::parse(template, "template").unwrap();
    let every_key = file::parse(FIRST_VERSION, "x").unwrap();
    for key in keys(&serde_json::to_value(every_key).unwrap()) {
        assert!(template.contains(&key), "the template does not mention {key}");
    }
}

/// Every key of a JSON value.
fn keys(value: &serde_json::Value) -> Vec<String> {
    match value {
        serde_json::Value::Object(map) => map
            .iter()
            .flat_map(|(k, v)| std::iter::once(k.clone()).chain(keys(v)))
            .collect(),
        serde_json::Value::Array(items) => items.iter().flat_map(keys).collect(),
        _ => Vec::new(),
    }
}

#[test]
fn the_first_version_stays_readable() {
    let spec = file::parse(FIRST_VERSION, "x").unwrap();
    let harmonic = &spec.rated[0];
    assert_eq!(
        (harmonic.figure, harmonic.order, harmonic.unit),
        (FigureId::Harmonic, Some(3), Unit::Decibels)
    );
    // 1 W into the stated 4 Ω is 2 V; -3 dB re 40 W into 8 Ω is √320·10^(-3/20) V.
    assert!((harmonic.level(&spec, Some("quiet")).unwrap().0 - 2.0).abs() < 1e-12);
    assert!((spec.rated[1].level(&spec, None).unwrap().0 - 320f64.sqrt() * 10f64.powf(-0.15)).abs() < 1e-12);
    // 5 mV at an input of 2.5 mV for rated output refers to twice the rated output voltage.
    let reference: asleft::unit::Reference = spec.rated[3].reference.as_ref().unwrap().parse().unwrap();
    let volts = reference.volts(&spec.rated[3], &spec, None).unwrap();
    assert!((volts.0 - 2.0 * 320f64.sqrt()).abs() < 1e-9);
}

#[test]
fn a_written_file_reads_back() {
    for text in [DEMO, FIRST_VERSION, file::template()] {
        let spec = file::parse(text, "x").unwrap();
        let written = file::to_text(&spec).unwrap();
        assert_eq!(file::parse(&written, "x").unwrap(), spec, "{written}");
    }
}

/// A piece of the demo file, what is written instead, what must be said about it, and what to do next.
const MISTAKES: &[(&str, &str, &str, &str)] = &[
    (
        "sensitivity_v = 0.15",
        "sensitivity_v = 150",
        "gain of -17 dB",
        "150 mV is 0.15",
    ),
    (
        "sensitivity_v = 0.0025",
        "sensitivity_v = 0.0000025",
        "gain of 139 dB",
        "check the",
    ),
    (
        "load_ohm = 8",
        "load_ohm = 6",
        "no output allows a load of 6 Ω",
        "4, 8",
    ),
    (
        "band_hz = [20, 20_000]",
        "band_hz = [20_000, 20]",
        "begins at 20000 Hz",
        "lower edge first",
    ),
    (
        "watts = 15",
        "watts = -15",
        "watts = -15 W is impossible",
        "from 0.001",
    ),
    (
        "mode = \"class AB\"",
        "mode = \"class B\"",
        "no mode called \"class B\"",
        "class AB",
    ),
    (
        "input = \"Aux\"",
        "input = \"Aus\"",
        "no input called \"Aus\"",
        "did you mean \"Aux\"",
    ),
    (
        "figure = \"snr\"\nmin = 95",
        "figure = \"snr\"\nmax = 95",
        "better the larger",
        "min instead of max",
    ),
    (
        "min = 55\nunit = \"dB\"",
        "min = 55\nunit = \"%\"",
        "separation is not rated in %",
        "\"dB\"",
    ),
    (
        "reference = \"rated output\"\n",
        "",
        "the comparison is false",
        "reference = ",
    ),
    (
        "reference = \"rated output\"",
        "reference = \"loud\"",
        "\"loud\" is not a reference",
        "1 W",
    ),
    (
        "reference = \"rated output\"\ninput = \"Aux\"",
        "reference = \"5 mV at the input\"",
        "no input is named",
        "input =",
    ),
    (
        "frequency_hz = 1_000\npower_w = 1",
        "frequency_hz = 1_000",
        "without its output level",
        "power_w = 1",
    ),
    (
        "power_w = 1",
        "power_w = 1\nlevel_v = 2.8",
        "more than one way",
        "keep one",
    ),
    (
        "power_w = 1",
        "power_w = 1\nweighting = \"A\"",
        "thd has no weighting",
        "take this line out",
    ),
    (
        "power_w = 1",
        "power_w = 1\nband_hz = [20, 500]",
        "1000 Hz is outside the band",
        "correct the frequency",
    ),
    (
        "power_w = 1",
        "power_w = 1\nfrequency_range_hz = [20, 20_000]",
        "stated together",
        "keep frequency_hz",
    ),
    (
        "max = 0.05\nunit = \"%\"",
        "max = 0.05\nunit = \"dB\"",
        "more than the signal itself",
        "negative",
    ),
    (
        "max = 0.05\nunit = \"%\"",
        "unit = \"%\"",
        "thd has no limit",
        "no more than",
    ),
    (
        "figure = \"balance\"\nmin = -1\n",
        "figure = \"balance\"\n",
        "has a sign",
        "give both",
    ),
    (
        "figure = \"thd\"",
        "figure = \"power\"",
        "power cannot be rated here",
        "take this section out",
    ),
    (
        "figure = \"thd\"",
        "figure = \"thdn\"",
        "\"thdn\" is no figure",
        "did you mean \"thd",
    ),
    (
        "model = \"Tarnbeck 60\"",
        "model = \"\"",
        "model is empty",
        "write the model",
    ),
    (
        "model =",
        "serial_number = \"12\"\nmodel =",
        "does not belong",
        "belongs to the job",
    ),
    (
        "loads_ohm = [4, 8]",
        "loads_ohm = []",
        "allows no load",
        "list the loads",
    ),
    (
        "name = \"Tuner\"",
        "name = \"Aux\"",
        "\"Aux\" is there twice",
        "its own name",
    ),
    (
        "mode = \"class A\"\nwhere",
        "mode = \"class AB\"\nwhere",
        "target twice",
        "take one out",
    ),
    (
        "tolerance_mv = 30",
        "tolerance_mv = 0",
        "tolerance_mv = 0 mV is impossible",
        "from 0.001",
    ),
    (
        "stage = \"grounded\"",
        "stage = \"ground\"",
        "\"ground\" is no stage",
        "did you mean \"grounded\"",
    ),
    ("asleft.unit.v1", "asleft.unit.v9", "version 9", "newer"),
    (
        "asleft.unit.v1",
        "asleft.rig.v1",
        "no unit file",
        "asleft.unit.v1",
    ),
];

#[test]
fn each_mistake_is_named_with_its_line_and_what_to_do() {
    for (old, new, what, next) in MISTAKES {
        let found = problems(&demo_with(old, new));
        let hit = found
            .iter()
            .any(|p| p.contains(what) && p.contains(next) && p.starts_with("x, line "));
        assert!(hit, "{new}: wanted \"{what}\" … \"{next}\", got {found:#?}");
    }
}

#[test]
fn every_problem_is_listed_in_the_order_of_lines() {
    let mut text = demo_with("watts = 60", "watts = 0");
    for (old, new) in [
        ("min = 55", "max = 55"),
        ("tolerance_mv = 25", "tolerance_mv = -25"),
        ("figure = \"hum\"\nmax = 0.0005", "figure = \"hum\"\nmax = 5000"),
    ] {
        assert!(text.contains(old));
        text = text.replacen(old, new, 1);
    }
    let found = problems(&text);
    let lines: Vec<String> = [
        line(&text, "watts = 0"),
        line(&text, "max = 5000"),
        line(&text, "max = 55"),
        line(&text, "tolerance_mv = -25"),
    ]
    .iter()
    .map(|n| format!("x, line {n}: "))
    .collect();
    // A rated power of nothing makes every sensitivity implausible as well; those come first.
    let rest = found
        .iter()
        .filter(|p| !p.contains("a gain of"))
        .collect::<Vec<_>>();
    assert_eq!(rest.len(), 4, "{found:#?}");
    for (problem, start) in rest.iter().zip(lines) {
        assert!(problem.starts_with(&start), "{problem} should start {start}");
    }
    // Reading names the first and says that there are more.
    let error = file::parse(&text, "x").unwrap_err();
    assert!(
        error
            .next_step()
            .unwrap()
            .contains("more: `asleft unit check` lists them all"),
        "{error}"
    );
}

#[test]
fn outputs_that_need_care_are_pointed_out() {
    for (stage, words) in [
        ("transformer-coupled", "never run without its load"),
        ("bridged", "not ground"),
        ("floating", "not ground"),
    ] {
        let text = demo_with("stage = \"grounded\"", &format!("stage = \"{stage}\""));
        assert_eq!(problems(&text), Vec::<String>::new());
        assert!(warnings(&text).iter().any(|w| w.contains(words)), "{stage}");
    }
    let text = demo_with("max = 0.25", "max = 0");
    assert!(warnings(&text).iter().any(|w| w.contains("exactly nothing")));
}

#[test]
fn a_specification_made_by_a_program_is_checked_alike() {
    let mut spec: UnitSpec = file::parse(DEMO, "x").unwrap();
    spec.power.watts = f64::NAN;
    let text = file::to_text(&spec).unwrap();
    assert!(problems(&text)[0].contains("nan"), "{:?}", problems(&text));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever stands in a file, checking it neither panics nor contradicts reading it.
    #[test]
    fn no_text_makes_the_reader_panic(text in "\\PC{0,200}") {
        let found = file::check(&text, "x");
        prop_assert_eq!(found.problems.is_empty(), file::parse(&text, "x").is_ok());
    }

    /// A good file with a piece cut out, doubled or replaced.
    #[test]
    fn no_mutation_makes_the_reader_panic(
        start in 0usize..4_000,
        length in 0usize..60,
        new in prop_oneof![
            Just(String::new()),
            Just("nan".to_owned()),
            Just("-1e308".to_owned()),
            Just("[[rated]]\n".to_owned()),
            Just("= \"".to_owned()),
            "[ -~\n]{0,12}",
            any::<f64>().prop_map(|x| x.to_string()),
            any::<i64>().prop_map(|x| x.to_string()),
        ],
    ) {
        let chars: Vec<char> = DEMO.chars().collect();
        let start = start.min(chars.len());
        let end = (start + length).min(chars.len());
        let text: String = chars[..start].iter().copied().chain(new.chars()).chain(chars[end..].iter().copied()).collect();
        let found = file::check(&text, "x");
        prop_assert_eq!(found.problems.is_empty(), file::parse(&text, "x").is_ok());
    }
}
