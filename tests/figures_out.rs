//! Figures as JSON, CSV and a terminal's table, from realistic results.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "tarnbeck/results.rs"]
mod results;
mod tarnbeck;

use asleft::figure::{Channel, FigureId, Findings, Unit};
use asleft::job::BenchKind;
use asleft::quantity::Estimate;
use asleft::report::contract::{AnalysedFile, Document, FileFacts};
use asleft::report::csv;
use asleft::report::table::{self, Line, Style};
use asleft::signal::source::{Encoding, Format};
use asleft::take::alignment::Alignment;
use asleft::take::integrity::{Discontinuity, DiscontinuityKind, Integrity};
use asleft::verdict::{Outcome, Verdict};
use serde_json::Value;

fn facts() -> FileFacts {
    FileFacts {
        file: "cap.wav".to_owned(),
        sha256: "00".repeat(32),
        format: Format {
            sample_rate_hz: 48_000,
            channels: 2,
            frames: 480_000,
            encoding: Encoding::Int(24),
        },
        simulated: false,
        recognised_as: "tone",
        alignment: Some(Alignment {
            delay_s: 0.031,
            clock_ppm: 12.0,
            polarity: vec![1, -1],
        }),
        integrity: Integrity {
            clipped_samples: vec![0, 0],
            flat_tops: vec![false, false],
            discontinuities: vec![Discontinuity {
                channel: Channel::Left,
                at_s: 3.21,
                kind: DiscontinuityKind::Repeated,
            }],
            damage: Vec::new(),
            notes: vec!["…".to_owned()],
        },
    }
}

fn document() -> Value {
    let measurements = &results::input(BenchKind::Live).stages[1].measurements;
    let mut findings = measurements[0].findings.clone();
    findings.curves = measurements[1].findings.curves.clone();
    let verdict = Verdict {
        outcome: Outcome::CannotTell,
        limit: Some(60.0),
        reason: "straddles".to_owned(),
    };
    let file = AnalysedFile::new(facts(), &findings, &[Some(verdict)]);
    assert!(!file.to_json_line().unwrap().contains('\n'));
    serde_json::from_str(&Document::of(vec![file]).to_json().unwrap()).unwrap()
}

fn has_keys(value: &Value, expected: &str) {
    let mut found: Vec<&String> = value.as_object().unwrap().keys().collect();
    let mut expected: Vec<&str> = expected.split_whitespace().collect();
    found.sort();
    expected.sort_unstable();
    assert_eq!(found, expected);
}

/// Keys of the JSON document in DEVELOPERS.md, section "analyse --json".
#[test]
fn the_document_has_every_key_of_the_contract() {
    let document = document();
    has_keys(&document, "schema files");
    let json = &document["files"][0];
    has_keys(
        json,
        "file sha256 sample_rate_hz channels duration_s simulated recognised_as alignment integrity figures \
         not_measured curves",
    );
    has_keys(&json["alignment"], "delay_s clock_ppm polarity");
    has_keys(
        &json["integrity"],
        "clipped_samples flat_tops discontinuities notes",
    );
    has_keys(&json["integrity"]["discontinuities"][0], "channel at_s kind");
    has_keys(
        &json["figures"][0],
        "id channel value unit db uncertainty k interval order weighting bandwidth_hz conditions limited_by verdict",
    );
    has_keys(
        &json["figures"][0]["conditions"],
        "frequency_hz level_dbfs level_v load_ohm driven mode input volume termination harmonics reference",
    );
    has_keys(&json["figures"][0]["verdict"], "outcome limit reason");
    has_keys(&json["not_measured"][0], "id channel code reason");
    has_keys(
        &json["curves"][0],
        "id channel order x x_unit y y_unit corrected_for_rig",
    );
}

#[test]
fn the_document_writes_values_as_the_contract_does() {
    let document = document();
    assert_eq!(document["schema"], "asleft.figures.v1");
    let json = &document["files"][0];
    assert_eq!(json["duration_s"], 10.0);
    assert_eq!(json["alignment"]["polarity"], serde_json::json!([1, -1]));
    assert_eq!(json["integrity"]["discontinuities"][0]["kind"], "repeated");
    assert_eq!(json["figures"][0]["verdict"]["outcome"], "cannot_tell");
    assert_eq!(json["figures"][0]["conditions"]["driven"], "both");
    let thd = &json["figures"][1];
    assert_eq!(
        (&thd["unit"], &thd["channel"]),
        (&Value::from("%"), &Value::from("left"))
    );
    assert_eq!(thd["bandwidth_hz"], serde_json::json!([20.0, 20_000.0]));
    // U is k·u, and the interval of a symmetric estimate is value ± U.
    let number = |v: &Value| v.as_f64().unwrap();
    let (value, u) = (number(&thd["value"]), number(&thd["uncertainty"]));
    assert!((number(&thd["interval"][0]) - (value - u)).abs() < 1e-15);
    assert!((number(&thd["interval"][1]) - (value + u)).abs() < 1e-15);
    let figures = json["figures"].as_array().unwrap();
    let harmonic = figures.iter().find(|f| f["id"] == "harmonic").unwrap();
    assert_eq!(
        (&harmonic["order"], &harmonic["unit"]),
        (&Value::from(2), &Value::from("dB"))
    );
    assert!(harmonic["conditions"]["phase_deg"].is_number());
}

#[test]
fn what_is_not_a_number_never_reaches_the_document() {
    let mut findings = Findings::default();
    for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let broken = results::figure(FigureId::Level, Channel::Left, Unit::Dbfs, Estimate::exact(value));
        findings.figures.push(broken);
    }
    let mut odd = results::figure(FigureId::Thd, Channel::Left, Unit::Percent, Estimate::exact(0.1));
    odd.db = Some(f64::NAN);
    odd.conditions.level_dbfs = Some(f64::NEG_INFINITY);
    findings.figures.push(odd);
    let mut curve = results::input(BenchKind::Live).stages[1].measurements[1]
        .findings
        .curves[0]
        .clone();
    curve.y[3] = f64::NAN;
    findings.curves.push(curve);
    let file = AnalysedFile::new(facts(), &findings, &[]);
    assert_eq!((file.figures.len(), file.not_measured.len()), (1, 3));
    let json: Value = serde_json::from_str(&file.to_json_line().unwrap()).unwrap();
    assert!(json["figures"][0]["db"].is_null() && json["figures"][0]["conditions"]["level_dbfs"].is_null());
    let (x, y) = (&json["curves"][0]["x"], &json["curves"][0]["y"]);
    assert_eq!(x.as_array().unwrap().len(), 239);
    assert!(y.as_array().unwrap().iter().all(Value::is_number));
}

#[test]
fn csv_has_one_line_a_figure_and_quotes_what_needs_it() {
    let mut findings = results::input(BenchKind::Live).stages[1].measurements[0]
        .findings
        .clone();
    findings.figures[0].conditions.mode = Some("class \"A\", warm".to_owned());
    let file = AnalysedFile::new(facts(), &findings, &[]);
    let lines = file.figures.len() + file.not_measured.len();
    let text = csv::figures(&[file]);
    assert_eq!(text.matches("\r\n").count(), 1 + lines);
    let columns = text.lines().next().unwrap().split(',').count();
    // RFC 4180 section 2.7: quotes inside a quoted field are doubled.
    assert!(text.contains(",\"class \"\"A\"\", warm\","));
    let plain = text.lines().find(|l| l.contains(",thd,left,")).unwrap();
    assert_eq!(plain.split(',').count(), columns);
    let missing = text.lines().find(|l| l.contains(",separation,right,,")).unwrap();
    assert!(missing.contains("not_measured"));
}

fn table(width: usize, colour: bool) -> String {
    let input = results::input(BenchKind::Live);
    let findings = &input.stages[1].measurements[0].findings;
    let verdicts: Vec<Option<Verdict>> = findings
        .figures
        .iter()
        .map(|f| input.stages[1].verdict_on(f).cloned())
        .collect();
    let lines: Vec<Line<'_>> = findings
        .figures
        .iter()
        .zip(&verdicts)
        .map(|(figure, verdict)| Line {
            figure,
            rated: (figure.id == FigureId::Thd).then(|| "≤ 0.05 %".to_owned()),
            verdict: verdict.as_ref(),
        })
        .collect();
    let style = Style {
        width,
        colour,
        simulated: true,
    };
    table::figures(&lines, &findings.not_measured, style)
}

#[test]
fn the_terminal_table_reads_across_the_channels() {
    let text = table(100, false);
    if std::env::var("ASLEFT_LOOK").is_ok() {
        std::fs::write("/dev/stderr", &text).unwrap();
    }
    assert!(text.starts_with("SIMULATED"));
    let thd = text.lines().find(|l| l.trim_start().starts_with("THD")).unwrap();
    let cells: Vec<&str> = thd.split_whitespace().collect();
    assert_eq!(cells.join(" "), "THD 0.01230 0.01230 ± 0.00074 % ≤ 0.05 % ✓ pass");
    assert!(text.contains("– separation, right: not measured: no capture drives"));
    assert!(!text.contains('\u{1b}'));
}

#[test]
fn a_narrow_terminal_keeps_every_word() {
    let text = table(48, false);
    assert!(text.lines().all(|l| l.chars().count() <= 48), "{text}");
    for needed in ["0.01230", "≤ 0.05 %", "✓ pass", "not measured"] {
        assert!(text.contains(needed), "{needed}\n{text}");
    }
    // Colour only adds: without its escapes the text is the same.
    let coloured = table(100, true);
    assert!(coloured.contains("\u{1b}[32m"));
    let plain = coloured.replace("\u{1b}[32m", "").replace("\u{1b}[0m", "");
    assert_eq!(plain, table(100, false));
}
