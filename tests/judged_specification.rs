//! A specification judged line by line: which figure answers which rating, and rated power.

mod made;

use asleft::figure::{
    Band, Channel, Conditions, Driven, Figure, FigureId, Findings, LimitedBy, NotMeasured, Unit,
};
use asleft::quantity::Estimate;
use asleft::unit::{RatedPower, UnitSpec, file};
use asleft::verdict::{Limit, Outcome, judge, judge_all, judge_each, judge_power, judge_rated, matching};
use made::{figure, thd};

// ---- matching with a specification -----------------------------------------------------------------------------

#[allow(clippy::unwrap_used, reason = "a test's fixture")]
fn demo() -> UnitSpec {
    file::parse(include_str!("../units/tarnbeck-60.unit.toml"), "demo").unwrap()
}

fn rated_index(spec: &UnitSpec, id: FigureId) -> Option<usize> {
    spec.rated.iter().position(|r| r.figure == id)
}

/// Distortion at 1 W into 8 Ω, as the demo's specification states it.
fn thd_at_one_watt() -> Figure {
    Figure {
        band: Some(Band::AUDIO),
        conditions: Conditions {
            frequency_hz: Some(997.0),
            level_v: Some(8f64.sqrt()),
            load_ohm: Some(7.96),
            mode: Some("class A".to_owned()),
            input: Some("Aux".to_owned()),
            ..Conditions::default()
        },
        ..thd(0.01, 0.000_1)
    }
}

#[test]
#[allow(
    clippy::too_many_lines,
    reason = "one table of conditions and one loop over it"
)]
fn a_figure_answers_only_under_the_stated_conditions() {
    let spec = demo();
    let rated = &spec.rated[rated_index(&spec, FigureId::Thd).unwrap()];
    let good = thd_at_one_watt();
    let find = |figure: Figure| {
        matching(rated, &spec, Some("class A"), Channel::Left, &[figure]).map(|a| (a.gap, a.granted))
    };
    assert_eq!(find(good.clone()), Ok((None, vec![])));
    type Change = fn(&mut Figure);
    let changes: [(Change, &str); 10] = [
        (
            |f| f.conditions.frequency_hz = Some(1_020.0),
            "measured at 1.02 kHz, the rating is for 1 kHz",
        ),
        (
            |f| f.conditions.frequency_hz = None,
            "frequency it was measured at is not known",
        ),
        (
            |f| f.conditions.level_v = Some(20.0),
            "measured at 20 V, the rating is for 2.83 V",
        ),
        (|f| f.conditions.level_v = None, "level in volts is not known"),
        (
            |f| {
                f.band = Some(Band {
                    low_hz: 20.0,
                    high_hz: 80_000.0,
                });
            },
            "20 Hz to 80 kHz",
        ),
        (
            |f| f.weighting = Some(asleft::figure::Weighting::A),
            "measured weighted A, the rating is unweighted",
        ),
        (
            |f| f.conditions.mode = Some("class AB".to_owned()),
            "with mode \"class AB\"",
        ),
        (
            |f| f.conditions.input = Some("Phono".to_owned()),
            "through a phono input",
        ),
        (|f| f.conditions.load_ohm = Some(4.0), "into 4 Ω"),
        (
            |f| {
                f.conditions.load_ohm = None;
                f.conditions.unloaded = true;
            },
            "no load was connected",
        ),
    ];
    for (change, words) in changes {
        let mut figure = good.clone();
        change(&mut figure);
        let why = find(figure).unwrap_err();
        assert!(why.contains(words), "{why}");
    }
    let mut other = good.clone();
    other.id = FigureId::ThdN;
    assert_eq!(find(other).unwrap_err(), "thd was not measured");
    // What only the operator knows is granted, and said.
    let mut unknown = good.clone();
    unknown.conditions.mode = None;
    unknown.conditions.load_ohm = None;
    let granted = vec!["load 8 Ω".to_owned(), "mode \"class A\"".to_owned()];
    assert_eq!(find(unknown), Ok((None, granted)));
    let mut both = spec.clone();
    let index = rated_index(&spec, FigureId::Thd).unwrap();
    both.rated[index].driven = Some(Driven::Both);
    let figures = [good];
    let answer = matching(
        &both.rated[index],
        &both,
        Some("class A"),
        Channel::Left,
        &figures,
    )
    .unwrap();
    assert_eq!(answer.granted, ["both driven"]);
}

#[test]
fn a_rating_in_percent_is_answered_in_decibels() {
    let spec = demo();
    let rated = &spec.rated[rated_index(&spec, FigureId::Thd).unwrap()];
    let db = Figure {
        unit: Unit::Decibels,
        estimate: Estimate::exact(-80.0).with("x", 0.1),
        ..thd_at_one_watt()
    };
    let figures = [db];
    let answer = matching(rated, &spec, Some("class A"), Channel::Left, &figures).unwrap();
    let verdict = judge(Some(answer.figures[0]), &Limit::from(rated));
    // 0.05 % is 20 lg 0.0005 = −66.0206 dB.
    assert!((verdict.limit.unwrap() + 66.020_6).abs() < 5e-5);
    assert_eq!(verdict.outcome, Outcome::Pass);
}

#[test]
fn the_reference_of_a_ratio_must_agree() {
    let spec = demo();
    let rated = &spec.rated[rated_index(&spec, FigureId::Snr).unwrap()];
    let snr = |reference: &str| Figure {
        weighting: Some(asleft::figure::Weighting::A),
        band: Some(Band::AUDIO),
        conditions: Conditions {
            reference: Some(reference.to_owned()),
            input: Some("Aux".to_owned()),
            mode: Some("class AB".to_owned()),
            ..Conditions::default()
        },
        ..figure(
            FigureId::Snr,
            Estimate::exact(97.0).with("x", 0.1),
            Unit::Decibels,
        )
    };
    let find = |text: &str| {
        let figures = [snr(text)];
        matching(rated, &spec, Some("class AB"), Channel::Left, &figures).map(|_| ())
    };
    // 60 W into 8 Ω are √480 = 21.9089 V.
    for same in ["rated output", "60 W", "21.9 V", "150 mV at the input"] {
        assert_eq!(find(same), Ok(()), "{same}");
    }
    for other in ["1 W", "2.83 V", "something else"] {
        assert!(
            find(other).unwrap_err().contains("the rating is re rated output"),
            "{other}"
        );
    }
}

#[test]
fn a_narrower_band_can_break_a_limit_but_not_prove_it() {
    let spec = demo();
    let index = rated_index(&spec, FigureId::ResponseMin).unwrap();
    let response = |db: f64, high_hz: f64| Findings {
        figures: vec![Figure {
            band: Some(Band {
                low_hz: 10.0,
                high_hz,
            }),
            ..figure(
                FigureId::ResponseMin,
                Estimate::exact(db).with("x", 0.01),
                Unit::Decibels,
            )
        }],
        ..Findings::default()
    };
    let judged = |findings: &Findings| {
        judge_rated(&spec, index, Some("class AB"), Channel::Left, findings)
            .unwrap()
            .verdict
    };
    assert_eq!(judged(&response(-0.4, 50_000.0)).outcome, Outcome::Pass);
    let part = judged(&response(-0.4, 22_000.0));
    assert_eq!(part.outcome, Outcome::NotMeasured);
    assert!(
        part.reason.contains("as far as it was measured"),
        "{}",
        part.reason
    );
    assert!(
        part.reason
            .contains("from 10 Hz to 22 kHz, the rating is from 10 Hz to 50 kHz"),
        "{}",
        part.reason
    );
    assert_eq!(judged(&response(-1.4, 22_000.0)).outcome, Outcome::Fail);
    // The reason a measurement gave for having no figure is passed on.
    let none = Findings {
        not_measured: vec![NotMeasured {
            id: FigureId::ResponseMin,
            channel: Channel::Left,
            code: "no_stimulus".to_owned(),
            reason: "the sweep's stimulus file is missing".to_owned(),
        }],
        ..Findings::default()
    };
    assert_eq!(judged(&none).reason, "the sweep's stimulus file is missing");
}

#[test]
fn a_rating_over_a_range_needs_its_edges() {
    let mut spec = demo();
    let index = rated_index(&spec, FigureId::Thd).unwrap();
    spec.rated[index].frequency_hz = None;
    spec.rated[index].frequency_range_hz = Some(Band::AUDIO);
    let at = |hz: f64, percent: f64| Figure {
        estimate: Estimate::exact(percent).with("x", 0.000_1),
        conditions: Conditions {
            frequency_hz: Some(hz),
            ..thd_at_one_watt().conditions
        },
        ..thd_at_one_watt()
    };
    let judged = |figures: Vec<Figure>| {
        let findings = Findings {
            figures,
            ..Findings::default()
        };
        judge_rated(&spec, index, Some("class A"), Channel::Left, &findings)
            .unwrap()
            .verdict
    };
    let all = [at(20.0, 0.01), at(1_000.0, 0.01), at(20_000.0, 0.03)];
    let verdict = judged(all.to_vec());
    assert_eq!(verdict.outcome, Outcome::Pass);
    assert!(
        verdict.reason.starts_with("at 20 kHz: "),
        "the tightest margin is shown: {}",
        verdict.reason
    );
    let verdict = judged(all[..2].to_vec());
    assert_eq!(verdict.outcome, Outcome::NotMeasured);
    assert!(
        verdict.reason.contains("not measured at 20 kHz"),
        "{}",
        verdict.reason
    );
    // A later measurement at the same frequency takes the place of the earlier.
    let mut mended = vec![at(20_000.0, 0.4)];
    assert_eq!(judged(mended.clone()).outcome, Outcome::Fail);
    mended.extend(all);
    assert_eq!(judged(mended).outcome, Outcome::Pass);
}

#[test]
fn a_whole_specification_is_judged_line_by_line() {
    let spec = demo();
    let nothing = judge_all(&spec, &Findings::default());
    // Two modes × two channels of power, distortion and hum; in class AB alone, on two channels each, four limits of
    // response, two S/N and two separations; and one balance of the pair.
    assert_eq!(nothing.len(), 3 * 4 + 8 * 2 + 1);
    assert!(nothing.iter().all(|j| j.verdict.outcome == Outcome::NotMeasured));
    let json = serde_json::to_value(judge_each(&spec, vec![thd_at_one_watt(), thd(1.0, 0.1)])).unwrap();
    assert_eq!(json[0]["id"], "thd");
    assert_eq!(json[0]["verdict"]["outcome"], "pass");
    assert!(json[1]["verdict"].is_null());
}

// ---- rated power -----------------------------------------------------------------------------------------------

fn rated_power() -> RatedPower {
    RatedPower {
        watts: 60.0,
        load_ohm: 8.0,
        driven: Driven::Both,
        band_hz: Band::AUDIO,
        thd_percent: 0.05,
    }
}

/// A point at `hz`: power ± 1 W, distortion ± 0.002 %.
fn point(hz: f64, watts: f64, percent: f64) -> (Figure, Figure) {
    let conditions = Conditions {
        frequency_hz: Some(hz),
        load_ohm: Some(8.02),
        driven: Some(Driven::Both),
        ..Conditions::default()
    };
    let power = Figure {
        conditions: conditions.clone(),
        ..figure(
            FigureId::Power,
            Estimate::exact(watts).with("meter volts", 0.5),
            Unit::Watts,
        )
    };
    (
        power,
        Figure {
            conditions,
            ..thd(percent, 0.001)
        },
    )
}

/// The same points at both edges of the rated band and at 1 kHz.
fn across_the_band(points: &[(f64, f64)]) -> Vec<(Figure, Figure)> {
    [20.0, 1_000.0, 20_000.0]
        .iter()
        .flat_map(|hz| points.iter().map(|(watts, percent)| point(*hz, *watts, *percent)))
        .collect()
}

#[test]
fn rated_power_is_distortion_inside_its_limit_at_a_level_that_reaches_it() {
    let judged = |points: &[(f64, f64)]| judge_power(&across_the_band(points), &rated_power());
    for (points, expected, words) in [
        (
            &[(55.0, 0.01), (61.5, 0.03)][..],
            Outcome::Pass,
            "meets 0.05 % at 60 W",
        ),
        // Reached only within the uncertainty of the power.
        (&[(60.5, 0.03)][..], Outcome::CannotTell, "slightly higher level"),
        // Clean but never loud enough.
        (&[(50.0, 0.01)][..], Outcome::CannotTell, "no higher level"),
        // Clips well below.
        (
            &[(45.0, 0.03), (50.0, 0.9), (55.0, 4.0)][..],
            Outcome::Fail,
            "already too much",
        ),
        // Clean and clipped on either side: the rated power lies between.
        (
            &[(55.0, 0.02), (65.0, 2.0)][..],
            Outcome::CannotTell,
            "just below",
        ),
        (&[(61.5, 0.05)][..], Outcome::CannotTell, "cannot be told"),
        // Too much at a low level only is no failure of the rated power.
        (&[(1.0, 0.4), (61.5, 0.03)][..], Outcome::Pass, "meets"),
        (
            &[(1.0, 0.4), (55.0, 0.03)][..],
            Outcome::CannotTell,
            "no higher level",
        ),
    ] {
        let verdict = judged(points);
        assert_eq!(verdict.outcome, expected, "{points:?}: {}", verdict.reason);
        assert!(verdict.reason.contains(words), "{points:?}: {}", verdict.reason);
    }
}

#[test]
fn rated_power_is_stated_over_a_band_with_its_load_and_driven_channels() {
    let one = [point(1_000.0, 62.0, 0.01)];
    let verdict = judge_power(&one, &rated_power());
    assert_eq!(verdict.outcome, Outcome::NotMeasured);
    assert!(
        verdict.reason.contains("not measured at 20 Hz and 20 kHz"),
        "{}",
        verdict.reason
    );
    // One bad edge breaks the rating even where the other is missing.
    let verdict = judge_power(
        &[point(20.0, 50.0, 0.9), point(1_000.0, 62.0, 0.01)],
        &rated_power(),
    );
    assert_eq!(verdict.outcome, Outcome::Fail);
    assert!(verdict.reason.starts_with("at 20 Hz"), "{}", verdict.reason);
    let mut alone = point(1_000.0, 62.0, 0.01);
    alone.0.conditions.driven = Some(Driven::Left);
    assert!(
        judge_power(&[alone], &rated_power())
            .reason
            .contains("left was driven")
    );
    let mut four = point(1_000.0, 62.0, 0.01);
    four.0.conditions.load_ohm = Some(4.0);
    assert!(judge_power(&[four], &rated_power()).reason.contains("into 4 Ω"));
    assert_eq!(judge_power(&[], &rated_power()).outcome, Outcome::NotMeasured);
}

#[test]
fn hum_is_judged_without_a_signal() {
    let spec = demo();
    let rated = &spec.rated[rated_index(&spec, FigureId::Hum).unwrap()];
    let hum = |driven| Figure {
        id: FigureId::Hum,
        unit: Unit::Volts,
        estimate: Estimate::exact(40e-6).with("repeatability", 1e-6),
        band: Some(Band::AUDIO),
        conditions: Conditions {
            frequency_hz: Some(50.0),
            mode: Some("class A".to_owned()),
            input: Some("Aux".to_owned()),
            load_ohm: Some(7.96),
            driven,
            ..Conditions::default()
        },
        ..thd(0.01, 0.000_1)
    };
    // The one beside the tone was measured later, and is known worse.
    let figures = [hum(None), hum(Some(Driven::Both))];
    let answer = matching(rated, &spec, Some("class A"), Channel::Left, &figures).unwrap();
    assert_eq!(answer.figures, [&figures[0]]);
    let why = matching(rated, &spec, Some("class A"), Channel::Left, &figures[1..]).unwrap_err();
    assert!(why.contains("beside a signal"), "{why}");
}

/// A point whose capture the converter clipped.
fn clipped(hz: f64, watts: f64, percent: f64) -> (Figure, Figure) {
    let (mut power, mut thd) = point(hz, watts, percent);
    power.limited_by = Some(LimitedBy::Clipping);
    thd.limited_by = Some(LimitedBy::Clipping);
    (power, thd)
}

#[test]
fn a_clipped_capture_neither_passes_nor_fails_rated_power() {
    for (watts, percent) in [(62.0, 0.01), (50.0, 4.0)] {
        let points: Vec<_> = [20.0, 1_000.0, 20_000.0]
            .map(|hz| clipped(hz, watts, percent))
            .into();
        let verdict = judge_power(&points, &rated_power());
        assert_eq!(verdict.outcome, Outcome::CannotTell, "{}", verdict.reason);
        assert!(
            verdict.reason.contains("the capture is clipped"),
            "{}",
            verdict.reason
        );
    }
    // A sound take at another level decides as without it.
    let mut points = across_the_band(&[(62.0, 0.01)]);
    points.push(clipped(1_000.0, 70.0, 4.0));
    assert_eq!(judge_power(&points, &rated_power()).outcome, Outcome::Pass);
}

#[test]
fn a_later_take_at_the_same_level_replaces_an_earlier_one() {
    // 61.9 W and 62 W lie 0.007 dB apart.
    let mut points = across_the_band(&[(62.0, 0.01)]);
    points.push(point(1_000.0, 61.9, 0.4));
    let verdict = judge_power(&points, &rated_power());
    assert_ne!(verdict.outcome, Outcome::Pass, "{}", verdict.reason);
    points.push(point(1_000.0, 62.0, 0.01));
    assert_eq!(judge_power(&points, &rated_power()).outcome, Outcome::Pass);
}

#[test]
fn unknown_driven_channels_are_granted_for_rated_power() {
    let mut points = across_the_band(&[(62.0, 0.01)]);
    for (power, thd) in &mut points {
        power.conditions.driven = None;
        thd.conditions.driven = None;
    }
    let verdict = judge_power(&points, &rated_power());
    assert_eq!(verdict.outcome, Outcome::Pass);
    assert!(
        verdict.reason.contains("taken as rated: both driven"),
        "{}",
        verdict.reason
    );
}

#[test]
fn a_power_is_judged_with_the_distortion_of_its_take() {
    let spec = demo();
    let judged = |watts, percent| {
        let (mut power, mut thd) = point(997.0, watts, percent);
        for figure in [&mut power, &mut thd] {
            figure.conditions.mode = Some("class AB".to_owned());
        }
        judge_each(&spec, vec![power, thd])[0]
            .verdict
            .as_ref()
            .map(|v| v.outcome)
    };
    assert_eq!(judged(62.0, 0.01), Some(Outcome::Pass));
    assert_eq!(judged(50.0, 4.0), Some(Outcome::Fail));
    // A watt is not rated power.
    assert_eq!(judged(1.0, 0.01), None);
}

#[test]
fn the_power_that_decided_is_shown() {
    let spec = demo();
    let points = across_the_band(&[(62.0, 0.01), (70.0, 4.0)]);
    let mut findings = Findings::default();
    for (mut power, mut thd) in points {
        // Two figures of one take share its level: V = √(P·R).
        for figure in [&mut power, &mut thd] {
            figure.conditions.mode = Some("class AB".to_owned());
        }
        let volts = (power.estimate.value * 8.02).sqrt();
        power.conditions.level_v = Some(volts);
        thd.conditions.level_v = Some(volts);
        findings.figures.extend([power, thd]);
    }
    let all = judge_all(&spec, &findings);
    let of_power = all
        .iter()
        .find(|j| j.rated.is_none() && j.mode.as_deref() == Some("class AB") && j.channel == Channel::Left)
        .unwrap();
    assert_eq!(
        of_power.verdict.outcome,
        Outcome::Pass,
        "{}",
        of_power.verdict.reason
    );
    let shown = of_power.figure.as_ref().unwrap().estimate.value;
    assert!((shown - 62.0).abs() < 1e-9, "{shown}");
}
