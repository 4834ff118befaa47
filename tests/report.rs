//! The HTML report, from realistic results.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "tarnbeck/results.rs"]
mod results;
mod tarnbeck;

use asleft::cli::Ending;
use asleft::figure::{Channel, FigureId};
use asleft::job::capture::Health;
use asleft::job::{BenchKind, Stage, StageKind, Writer};
use asleft::report::ReportInput;
use asleft::report::html::html;
use asleft::report::letterhead::Letterhead;
use asleft::verdict::Outcome;

fn page_one(html: &str) -> &str {
    let start = html.find("<main").unwrap();
    &html[start..html.find("</main>").unwrap()]
}

/// The words a reader sees, without tags, styles and plots.
fn words(html: &str) -> String {
    let mut out = String::new();
    let mut rest = html;
    while let Some(open) = rest.find('<') {
        out.push_str(&rest[..open]);
        out.push(' ');
        let skip = ["<svg", "<style"].iter().find(|t| rest[open..].starts_with(**t));
        let end = match skip {
            Some(tag) => format!("</{}>", &tag[1..]),
            None => ">".to_owned(),
        };
        rest = &rest[open..];
        rest = &rest[rest.find(&end).unwrap() + end.len()..];
    }
    out.push_str(rest);
    let out = out
        .replace("&#39;", "'")
        .replace("&#60;", "<")
        .replace("&nbsp;", " ");
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn judged_as_left(input: &mut ReportInput, id: FigureId, outcome: Outcome) {
    for judgement in &mut input.stages[1].judgements {
        if judgement.figure.as_ref().is_some_and(|f| f.id == id) {
            judgement.verdict.outcome = outcome;
        }
    }
}

#[test]
fn the_same_input_gives_the_same_bytes_and_nothing_from_elsewhere() {
    let first = html(&results::input(BenchKind::Simulated), &Letterhead::default()).unwrap();
    // ASLEFT_LOOK=FILE keeps the page for looking at it.
    if let Ok(path) = std::env::var("ASLEFT_LOOK") {
        std::fs::write(path, &first).unwrap();
    }
    assert_eq!(
        first,
        html(&results::input(BenchKind::Simulated), &Letterhead::default()).unwrap()
    );
    for foreign in ["<script", "<link", "<img", "@import", "url(", "src="] {
        assert!(!first.contains(foreign), "{foreign}");
    }
    let addresses: Vec<&str> = first
        .match_indices("http")
        .map(|(i, _)| &first[i..i + 26])
        .collect();
    assert!(addresses.iter().all(|a| a == &"http://www.w3.org/2000/svg"));
}

#[test]
fn a_simulated_job_says_so_everywhere() {
    let text = html(&results::input(BenchKind::Simulated), &Letterhead::default()).unwrap();
    let plots: Vec<&str> = text
        .split("<svg")
        .skip(1)
        .map(|s| s.split("</svg>").next().unwrap())
        .collect();
    assert!(plots.len() >= 10);
    for plot in plots {
        assert!(plot.contains("<title>SIMULATED. "));
        assert!(plot.contains("\nSIMULATED\n"), "drawn, not only in the title");
    }
    assert!(page_one(&text).contains("SIMULATED"));
    assert!(
        text.contains("@top-center { content: \"SIMULATED"),
        "on every printed page"
    );
    let live = html(&results::input(BenchKind::Live), &Letterhead::default()).unwrap();
    assert!(!live.contains("SIMULATED"));
}

#[test]
fn page_one_alone_does_not_mislead() {
    let text = words(page_one(
        &html(&results::input(BenchKind::Live), &Letterhead::default()).unwrap(),
    ));
    for needed in [
        "Tarnbeck 60",
        "Demo Customer",
        "Example Bench",
        "as found 2026-03-14",
        "as left 2026-03-17",
        "Left channel sounds rough when loud",
        "Speaker relay replaced",
        "nothing was found outside its rating, but not all was shown to meet it",
        "6 pass, 0 fail, 1 cannot be told, 1 not measured",
        "It is not a pass",
        "no safety certificate",
        "Electrical safety was not tested",
        "Not measured: Distortion and noise (THD+N)",
        "DC offset (a meter reading; none is in this record)",
        // A channel without a figure has a row that says so.
        "50.6 ± 1.0 dB ? cannot tell Right – not measured not measured – not measured",
        // Value and uncertainty with the digits that the uncertainty supports, the fault beside the repair.
        "≤ 0.05 % Left ✗ 0.610 ± 0.037 % 0.01230 ± 0.00074 % ✓ pass",
    ] {
        assert!(text.contains(needed), "{needed}\nin\n{text}");
    }
    assert!(!text.contains("every rated figure meets"));
}

#[test]
fn the_summary_follows_the_gravest_verdict() {
    let mut input = results::input(BenchKind::Live);
    judged_as_left(&mut input, FigureId::Thd, Outcome::Fail);
    let failed = words(page_one(&html(&input, &Letterhead::default()).unwrap()));
    assert!(failed.contains("does not meet its rating in every figure") && failed.contains("✗ fail"));
    // With nothing rated but what passed, and only then, everything passes.
    let mut input = results::input(BenchKind::Live);
    input.record.unit.rated.truncate(1);
    let passed = words(page_one(&html(&input, &Letterhead::default()).unwrap()));
    assert!(passed.contains("every rated figure meets its rating"), "{passed}");
    // A channel of one figure missing takes that away.
    input.stages[1].judgements.retain(|j| {
        !(j.channel == Channel::Right && j.figure.as_ref().is_some_and(|f| f.id == FigureId::Thd))
    });
    let missing = words(page_one(&html(&input, &Letterhead::default()).unwrap()));
    assert!(!missing.contains("every rated figure meets"), "{missing}");
    input.stages.truncate(1);
    let none = words(page_one(&html(&input, &Letterhead::default()).unwrap()));
    assert!(
        none.contains("0 pass, 0 fail, 0 cannot be told, 2 not measured"),
        "{none}"
    );
}

#[test]
fn altered_captures_are_told_on_page_one() {
    let mut input = results::input(BenchKind::Live);
    let warned = html(&input, &Letterhead::default()).unwrap();
    assert!(page_one(&warned).contains("Do not rely on this report"));
    for (state, _) in &mut input.captures {
        state.health = Health::Intact;
    }
    assert!(
        !html(&input, &Letterhead::default())
            .unwrap()
            .contains("Do not rely on this report")
    );
}

#[test]
fn a_unit_that_came_inoperable_has_no_readings_before() {
    let mut input = results::input(BenchKind::Live);
    input.stages.remove(0);
    input.record.stages[0] = Stage {
        kind: StageKind::Inoperable,
        begun: tarnbeck::at("2026-03-14T10:00:00+01:00"),
        reason: Some("the series lamp stayed bright".to_owned()),
        measurements: Vec::new(),
    };
    let text = words(page_one(&html(&input, &Letterhead::default()).unwrap()));
    assert!(text.contains("could not be measured: the series lamp stayed bright"));
    assert!(text.contains("– inoperable 63.4 ± 1.4 W ✓ pass"), "{text}");
}

#[test]
fn what_an_owner_writes_stays_text() {
    let mut input = results::input(BenchKind::Live);
    let hostile = "</title></style><b onload=x>\" } body { display: none";
    input.record.owner = hostile.to_owned();
    input.record.workshop = hostile.to_owned();
    input.record.unit.model = hostile.to_owned();
    input.stages[1].measurements[0].setup.mode = Some("<b onload=x>".to_owned());
    let text = html(&input, &Letterhead::default()).unwrap();
    assert!(!text.contains("<b onload"));
    assert_eq!(text.matches("</style>").count(), 1);
    assert!(!text.contains("\" } body"));
}

#[test]
fn the_technical_pages_keep_what_a_second_bench_needs() {
    let text = words(&html(&results::input(BenchKind::Live), &Letterhead::default()).unwrap());
    for needed in [
        "95.45 % interval",
        "JCGM 106",
        "0.01156 … 0.01304",
        "−78.2 dB",
        "the rig's noise",
        "meter volts 64 %; meter ohms 25 %; repeatability 11 %",
        "as left, left, separation ≥ 50 dB (10 kHz, class AB): ? cannot tell. the interval 49.6 … 51.6 dB straddles",
        "as left, both channels, THD+N ≤ 0.02 % (1 kHz, 1 W, class AB): – not measured",
        "no capture drives the left channel alone",
        "the capture's clock is 12 ppm fast",
        "0908d868d1f99c32b2fd2d4b355f91bf9a4f820aac23d2031278614c1758a876",
        "8.06 Ω (u 0.5 %, meter ohms, 2026-03-01)",
        "asleft 0.1.0",
        "≤ −101.2 dB",
    ] {
        assert!(text.contains(needed), "{needed}");
    }
}

#[test]
fn vermillion_stands_only_where_a_limit_is_broken() {
    let mut input = results::input(BenchKind::Live);
    assert!(html(&input, &Letterhead::default()).unwrap().contains("#D55E00"));
    for stage in &mut input.stages {
        for judgement in &mut stage.judgements {
            judgement.verdict.outcome = Outcome::CannotTell;
        }
    }
    assert!(!html(&input, &Letterhead::default()).unwrap().contains("#D55E00"));
}

#[test]
fn the_report_is_written_into_the_job_and_judged() {
    let root = tempfile::TempDir::new().unwrap();
    let writer = Writer::create(root.path(), tarnbeck::record(BenchKind::Simulated)).unwrap();
    let mut input = results::input(BenchKind::Simulated);
    let (path, ending) = asleft::cli::report::write(&writer, &input, &Letterhead::default()).unwrap();
    assert_eq!(
        ending,
        Ending::Doubtful,
        "one figure cannot be told, one capture is altered"
    );
    assert_eq!(
        std::fs::read_to_string(path).unwrap(),
        html(&input, &Letterhead::default()).unwrap()
    );
    // Only what is rated, judged, passed and rests on intact captures is done.
    for (state, _) in &mut input.captures {
        state.health = Health::Intact;
    }
    input.record.unit.rated.truncate(1);
    input.stages[1]
        .judgements
        .retain(|j| j.verdict.outcome == Outcome::Pass);
    let judged = |input: &ReportInput| {
        asleft::cli::report::write(&writer, input, &Letterhead::default())
            .unwrap()
            .1
    };
    assert_eq!(judged(&input), Ending::Done);
    input.stages[1].judgements.clear();
    assert_eq!(judged(&input), Ending::Doubtful, "rated, but not judged");
}
