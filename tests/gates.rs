//! The gates before the first sound: every boundary, every order, every answer kept. The boundaries are those of bench
//! practice as the module's constants state them; here they stand as numbers again, so that a changed constant fails.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    dead_code,
    reason = "a test may stop where it stands; the scenario and the script serve several tests"
)]

mod script;
mod tarnbeck;

use asleft::error::Result;
use asleft::job::connection::{Circuit, Connection, Entered, Ground};
use asleft::job::{BenchKind, Job, Record, StageKind, Writer};
use asleft::procedure::connect;
use asleft::procedure::gates::limits::{self, Joined, Judged, LoadFault};
use asleft::procedure::gates::{Facts, Walk, walk};
use asleft::procedure::operator::{Answer, Meter, Notice, Operator, Question};
use asleft::rig::Rig;
use asleft::unit::{OutputStage, UnitSpec};
use proptest::prelude::*;
use script::{Script, good_order};

const STAGES: [OutputStage; 5] = [
    OutputStage::Grounded,
    OutputStage::CapacitorCoupled,
    OutputStage::TransformerCoupled,
    OutputStage::Bridged,
    OutputStage::Floating,
];

fn rig() -> Rig {
    asleft::bench::simulated::demo_rig()
}

fn unit(stage: OutputStage) -> UnitSpec {
    let mut unit = tarnbeck::unit();
    unit.outputs[0].stage = stage;
    unit
}

fn circuit() -> Circuit {
    Circuit {
        output: "Speakers A".to_owned(),
        taps: vec!["power".to_owned(), "noise".to_owned()],
        inputs: vec!["AUX".to_owned()],
        pad: None,
        rig_sha256: "0".repeat(64),
    }
}

fn walked(stage: OutputStage, script: &mut Script) -> Walk {
    let (unit, rig, circuit) = (unit(stage), rig(), circuit());
    let facts = Facts {
        unit: &unit,
        rig: &rig,
        circuit: &circuit,
        by: "Example Bench",
    };
    walk(&facts, script, &mut |_| Ok(()))
}

fn refusal(stage: OutputStage, mut script: Script) -> String {
    let error = walked(stage, &mut script).refused.expect("it should be refused");
    assert!(error.next_step().is_some_and(|n| n.len() > 20), "{error}");
    error.to_string()
}

fn passes(stage: OutputStage, mut script: Script) -> Walk {
    let walk = walked(stage, &mut script);
    assert!(walk.refused.is_none(), "{:?}", walk.refused);
    walk
}

#[test]
fn dc_above_100_mv_is_refused_and_above_20_mv_is_said() {
    for (volts, judged) in [
        (0.0, Judged::Fine),
        (0.020, Judged::Fine),
        (0.0201, Judged::Warned),
        (0.100, Judged::Warned),
        (0.1001, Judged::Refused),
        (40.0, Judged::Refused),
        (f64::NAN, Judged::Refused),
        (f64::INFINITY, Judged::Refused),
    ] {
        assert_eq!(limits::dc_at_terminals(volts), judged, "{volts}");
        assert_eq!(limits::dc_at_terminals(-volts), judged, "-{volts}");
    }
    for side in ["dc-left", "dc-right"] {
        let said = refusal(OutputStage::Grounded, good_order().reads(side, -0.35));
        assert!(
            said.contains("-350 mV") && said.contains("nothing is connected"),
            "{said}"
        );
        let walk = passes(OutputStage::Grounded, good_order().reads(side, 0.045));
        assert!(
            walk.warnings.len() == 1 && walk.warnings[0].contains("45 mV"),
            "{walk:?}"
        );
    }
}

#[test]
fn what_refuses_is_asked_before_anything_is_connected() {
    let mut script = good_order().reads("dc-left", 0.35);
    walked(OutputStage::Grounded, &mut script);
    assert_eq!(script.asked, ["who", "bare", "dc-left"]);
    let mut script = good_order()
        .reads("ohms-between", 400.0)
        .agrees("differential", false);
    walked(OutputStage::Grounded, &mut script);
    assert!(!script.asked.contains(&"load".to_owned()), "{:?}", script.asked);
}

/// The order in which hands are in the unit, on the load and on the interface.
#[test]
fn the_order_is_safe_to_do_by_hand() {
    for stage in STAGES {
        let mut script = good_order().agrees("differential", true);
        walked(stage, &mut script);
        let at = |key: &str| {
            let found = script.asked.iter().position(|k| k == key);
            found.unwrap_or_else(|| panic!("{stage:?}: {key} was not asked"))
        };
        let order = [
            "unplugged",
            "reservoirs",
            "ohms-left",
            "ohms-right",
            "ohms-between",
            "load-left",
            "load-right",
            "load",
            "on-load",
            "between-dc",
            "between-ac",
            "attenuator",
            "phantom-off",
            "ears-and-speakers",
            "load-clear",
            "input",
            "on",
        ];
        assert!(
            order.windows(2).all(|pair| at(pair[0]) < at(pair[1])),
            "{stage:?}: {:?}",
            script.asked
        );
        if stage == OutputStage::TransformerCoupled {
            // Never on without its load: the first time it is on, the load is there.
            assert!(at("load") < at("on-load") && at("on-load") < at("dc-left"));
            assert!(!script.asked.contains(&"bare".to_owned()));
        } else {
            assert!(at("bare") < at("dc-left") && at("dc-right") < at("unplugged"));
        }
    }
}

#[test]
fn charge_that_creeps_back_is_measured_again_three_times() {
    assert!(limits::discharged(3.0) && limits::discharged(-3.0));
    assert!(!limits::discharged(3.01) && !limits::discharged(-3.01) && !limits::discharged(f64::NAN));
    let volts = |v: &[f64]| v.iter().map(|v| Answer::Number(*v)).collect::<Vec<_>>();
    let walk = passes(
        OutputStage::Grounded,
        good_order().says("reservoirs", &volts(&[42.0, -5.0, 1.0])),
    );
    let kept = walk.answers.iter().filter(|a| a.key == "reservoirs").count();
    assert_eq!(kept, 3, "every reading is kept");
    let said = refusal(
        OutputStage::Grounded,
        good_order().says("reservoirs", &volts(&[42.0, 12.0, 3.2, 1.0])),
    );
    assert!(said.contains("3 attempts"), "{said}");
}

#[test]
fn grounds_are_joined_below_1_ohm_and_doubtful_up_to_50() {
    for (ohms, joined) in [
        ([0.0, 0.0, 0.0], Joined::Yes),
        ([0.99, 0.99, 0.99], Joined::Yes),
        ([0.2, 0.3, 1.0], Joined::Perhaps),
        ([10.0, 10.0, 0.1], Joined::Perhaps),
        ([10.0, 10.0, 20.0], Joined::Perhaps),
        ([50.0, 50.0, 0.1], Joined::Perhaps),
        ([50.1, 50.1, 0.1], Joined::No),
        ([0.2, 1e8, 1e8], Joined::No),
        ([1e8, 1e8, 1e8], Joined::No),
        // One node by two readings, but not by the third: a probe slipped.
        ([0.2, 0.3, 1e8], Joined::Contradictory),
        ([100.0, 0.2, 0.2], Joined::Contradictory),
    ] {
        assert_eq!(limits::grounds_joined(ohms), joined, "{ohms:?}");
    }
    assert_eq!(
        passes(OutputStage::Grounded, good_order()).ground,
        Some(Ground::Common)
    );
}

#[test]
fn a_ground_break_resistor_is_asked_for_and_never_assumed() {
    let ten = good_order().reads("ohms-left", 10.0).reads("ohms-right", 10.0);
    let walk = passes(OutputStage::Grounded, ten.clone().agrees("ground-break", true));
    assert_eq!(walk.ground, Some(Ground::BreakResistor));
    let neither = ten.agrees("ground-break", false);
    let said = refusal(
        OutputStage::Grounded,
        neither.clone().agrees("differential", false),
    );
    assert!(said.contains("differential"), "{said}");
    let walk = passes(OutputStage::Grounded, neither.agrees("differential", true));
    assert_eq!(walk.ground, Some(Ground::Differential));
    // Beyond 50 Ω nobody is asked whether it is a resistor.
    let mut open = good_order()
        .reads("ohms-left", 1e8)
        .reads("ohms-right", 1e8)
        .agrees("ground-break", true)
        .agrees("differential", true);
    let walk = walked(OutputStage::Grounded, &mut open);
    assert_eq!(walk.ground, Some(Ground::Differential));
    assert!(!open.asked.contains(&"ground-break".to_owned()));
}

#[test]
fn bridged_and_floating_outputs_are_differential_whatever_is_read() {
    for stage in [OutputStage::Bridged, OutputStage::Floating] {
        let said = refusal(stage, good_order().agrees("differential", false));
        assert!(said.contains("do not connect the interface"), "{said}");
        let walk = passes(stage, good_order().agrees("differential", true));
        assert_eq!(walk.ground, Some(Ground::Differential), "{stage:?}");
    }
}

#[test]
fn volts_between_the_grounds_refuse() {
    for (dc, ac, fine) in [
        (0.050, 0.050, true),
        (-0.051, 0.0, false),
        (0.051, 0.0, false),
        (0.0, 0.051, false),
        (f64::NAN, 0.0, false),
        (0.0, f64::NAN, false),
    ] {
        for ground in [Ground::Common, Ground::BreakResistor] {
            assert_eq!(
                limits::between_grounds(ground, dc, ac, Some(20.0)),
                fine,
                "{dc} {ac}"
            );
        }
    }
    for key in ["between-dc", "between-ac"] {
        let said = refusal(OutputStage::Grounded, good_order().reads(key, 0.2));
        assert!(
            said.contains("200 mV") && said.contains("do not connect"),
            "{said}"
        );
    }
}

#[test]
fn a_differential_input_takes_what_its_range_takes() {
    // A sine of 10 V rms has peaks of 14.14 V; 4 V DC and 7 V rms together reach 13.90 V, 5 V DC and 7 V rms 14.90 V.
    for (dc, ac, fine) in [
        (0.0, 10.0, true),
        (0.0, 10.01, false),
        (14.14, 0.0, true),
        (-14.15, 0.0, false),
        (4.0, 7.0, true),
        (-5.0, 7.0, false),
    ] {
        let found = limits::between_grounds(Ground::Differential, dc, ac, Some(10.0));
        assert_eq!(found, fine, "{dc} {ac}");
    }
    assert!(!limits::between_grounds(Ground::Differential, 1.0, 0.0, None));
    // The least attenuating tap decides.
    let rig = rig();
    let taps = ["power".to_owned(), "noise".to_owned()];
    let through_noise = rig.volts_at_full_scale(0, Some("noise")).unwrap().value;
    let largest = limits::largest_at_terminals(&rig, &taps).unwrap();
    assert!(
        (largest / through_noise - 1.0).abs() < 0.05,
        "{largest} {through_noise}"
    );
    let half_supply = good_order()
        .agrees("differential", true)
        .reads("between-dc", 35.0);
    assert!(refusal(OutputStage::Bridged, half_supply).contains("more attenuation"));
}

#[test]
fn only_the_load_of_the_unit_and_of_the_rig_is_connected() {
    // The unit allows 8 and 4 Ω, the rig has 8 Ω.
    let (unit, rig) = (unit(OutputStage::Grounded), rig());
    let output = &unit.outputs[0];
    for (ohms, fault) in [
        (8.0, false),
        (7.3, false),
        (8.7, false),
        (6.0, true),
        (16.0, true),
        (0.0, true),
        (1e9, true),
    ] {
        let found = limits::load_fits(ohms, output, &rig, 0);
        assert_eq!(found == Some(LoadFault::NotAllowed), fault, "{ohms}: {found:?}");
    }
    assert!(matches!(
        limits::load_fits(4.0, output, &rig, 1),
        Some(LoadFault::NotTheRigs(own)) if (own - 8.0).abs() < 0.5
    ));
    assert!(refusal(OutputStage::Grounded, good_order().reads("load-right", 16.0)).contains("8 Ω, 4 Ω"));
    assert!(refusal(OutputStage::Grounded, good_order().reads("load-left", 4.0)).contains("rig file says"));
}

#[test]
fn every_no_ends_the_walk_with_what_to_do() {
    let mut script = good_order();
    walked(OutputStage::Grounded, &mut script);
    let confirmed = [
        "bare",
        "unplugged",
        "load",
        "on-load",
        "attenuator",
        "phantom-off",
        "ears-and-speakers",
        "load-clear",
        "input",
        "on",
    ];
    for key in confirmed {
        assert!(script.asked.contains(&key.to_owned()), "{key} is never asked");
        let mut no = good_order().agrees(key, false);
        let walk = walked(OutputStage::Grounded, &mut no);
        assert!(walk.refused.is_some(), "{key}");
        assert_eq!(no.asked.last().unwrap(), key, "nothing is asked after a no");
        assert_eq!(walk.answers.last().unwrap().answer, Entered::Yes(false));
    }
}

#[test]
fn the_pad_and_the_numbered_sockets_are_named() {
    let (unit, mut rig) = (unit(OutputStage::Grounded), rig());
    rig.interface = Some(asleft::rig::Interface {
        output: "out".to_owned(),
        input: "in".to_owned(),
        output_channels: vec![3, 4],
        input_channels: vec![1, 2],
        period_frames: None,
    });
    let circuit = Circuit {
        pad: Some("phono".to_owned()),
        ..circuit()
    };
    let facts = Facts {
        unit: &unit,
        rig: &rig,
        circuit: &circuit,
        by: "",
    };
    let mut script = good_order();
    assert!(walk(&facts, &mut script, &mut |_| Ok(())).refused.is_none());
    for words in [
        "output 3 for left and 4 for right",
        "input 1 for left and 2 for right",
        "pad \"phono\"",
    ] {
        assert!(script.dialogue.contains(words), "{words}: {}", script.dialogue);
    }
}

#[test]
fn a_sensitive_input_is_driven_through_a_pad_or_not_at_all() {
    let (mut unit, rig) = (unit(OutputStage::Grounded), rig());
    for (sensitivity_v, pad, passes) in [
        (0.050, None, true),
        (0.0499, None, false),
        (0.0499, Some("phono".to_owned()), true),
    ] {
        unit.inputs[0].sensitivity_v = sensitivity_v;
        let circuit = Circuit { pad, ..circuit() };
        let facts = Facts {
            unit: &unit,
            rig: &rig,
            circuit: &circuit,
            by: "",
        };
        let mut script = good_order();
        let walk = walk(&facts, &mut script, &mut |_| Ok(()));
        assert_eq!(
            walk.refused.is_none(),
            passes,
            "{sensitivity_v} {:?}",
            walk.refused
        );
        assert!(passes || script.asked.is_empty(), "said before any work is done");
    }
}

#[test]
fn nothing_is_called_safe_and_every_question_has_its_reason() {
    for stage in STAGES {
        let mut script = good_order().agrees("differential", true);
        walked(stage, &mut script);
        let said = script.dialogue.to_lowercase();
        for word in ["is safe", "unit safe", "safely", "electrically safe"] {
            assert!(!said.contains(word), "{word}: {said}");
        }
        for words in [
            "rules of the place",
            "licensed",
            "alone",
            "electrical safety",
            "phantom",
            "headphones",
            "200 °c",
        ] {
            assert!(said.contains(words), "{words}: {said}");
        }
    }
}

fn opened() -> (tempfile::TempDir, Writer) {
    let root = tempfile::TempDir::new().unwrap();
    let mut record: Record = tarnbeck::record(BenchKind::Live);
    record.keep_rig(&rig()).unwrap();
    let writer = Writer::create(root.path(), record).unwrap();
    (root, writer)
}

#[test]
fn answers_are_kept_and_asked_again_for_another_connection_or_day() {
    let (_root, mut writer) = opened();
    let today = || tarnbeck::at("2026-03-14T10:00:00+01:00");
    let connect = |writer: &mut Writer, circuit: &Circuit, script: &mut Script, now: &dyn Fn() -> _| {
        connect::connect(writer, &rig(), StageKind::AsFound, circuit, script, now)
    };
    let mut first = good_order();
    let standing = connect(&mut writer, &circuit(), &mut first, &today).unwrap();
    assert_eq!(standing.setup.volume.as_deref(), Some("minimum"));
    assert_eq!(standing.ground, Some(Ground::Common));
    let all = first.asked.clone();

    // The same, later that day: one question.
    let mut again = good_order();
    let standing = connect(&mut writer, &circuit(), &mut again, &today).unwrap();
    assert_eq!(again.asked, ["still-connected"]);
    assert_eq!(standing.setup.volume, None, "who knows where the controls are");
    // A part of it: the same.
    let mut part = good_order();
    let one_tap = Circuit {
        taps: vec!["noise".to_owned()],
        ..circuit()
    };
    connect(&mut writer, &one_tap, &mut part, &today).unwrap();
    assert_eq!(part.asked, ["still-connected"]);

    // Something else: all of it.
    let others = [
        Circuit {
            taps: vec!["third".to_owned()],
            ..circuit()
        },
        Circuit {
            inputs: vec!["Tape".to_owned()],
            ..circuit()
        },
        Circuit {
            pad: Some("phono".to_owned()),
            ..circuit()
        },
        Circuit {
            rig_sha256: "1".repeat(64),
            ..circuit()
        },
    ];
    for other in others {
        let mut script = good_order();
        connect(&mut writer, &other, &mut script, &today).unwrap();
        assert_eq!(script.asked, all, "{other:?}");
    }
}

#[test]
fn a_connection_ends_with_another_with_work_on_it_with_the_day_and_with_a_refusal() {
    let (_root, mut writer) = opened();
    let today = || tarnbeck::at("2026-03-14T10:00:00+01:00");
    let tomorrow = || tarnbeck::at("2026-03-15T10:00:00+01:00");
    let connect = |writer: &mut Writer, circuit: &Circuit, script: &mut Script, now: &dyn Fn() -> _| {
        connect::connect(writer, &rig(), StageKind::AsFound, circuit, script, now)
    };
    let mut first = good_order();
    connect(&mut writer, &circuit(), &mut first, &today).unwrap();
    let all = first.asked;
    let other = Circuit {
        taps: vec!["third".to_owned()],
        ..circuit()
    };
    connect(&mut writer, &other, &mut good_order(), &today).unwrap();
    // The latest connection counts: the first was taken apart for the others.
    let mut script = good_order();
    connect(&mut writer, &circuit(), &mut script, &today).unwrap();
    assert_eq!(script.asked, all);
    // Another stage: the unit was worked on in between.
    let mut script = good_order();
    connect::connect(
        &mut writer,
        &rig(),
        StageKind::AsLeft,
        &circuit(),
        &mut script,
        &today,
    )
    .unwrap();
    assert_eq!(script.asked, all);
    let mut script = good_order();
    connect(&mut writer, &circuit(), &mut script, &today).unwrap();
    assert_eq!(script.asked, all, "back again");
    // Something was done to it since, or another day.
    let mut script = good_order().agrees("still-connected", false);
    connect(&mut writer, &circuit(), &mut script, &today).unwrap();
    assert_eq!(script.asked.len(), all.len() + 1);
    let mut script = good_order();
    connect(&mut writer, &circuit(), &mut script, &tomorrow).unwrap();
    assert_eq!(script.asked, all);
    // After a refusal nothing stands.
    let mut script = good_order()
        .reads("dc-left", 1.0)
        .agrees("still-connected", false);
    assert!(connect(&mut writer, &circuit(), &mut script, &tomorrow).is_err());
    let mut script = good_order();
    connect(&mut writer, &circuit(), &mut script, &tomorrow).unwrap();
    assert_eq!(script.asked, all);
}

#[test]
fn the_record_holds_every_connection_and_reads_back() {
    let (_root, mut writer) = opened();
    let now = || tarnbeck::at("2026-03-14T10:00:00+01:00");
    let mut script = good_order().reads("dc-left", 0.35);
    assert!(
        connect::connect(
            &mut writer,
            &rig(),
            StageKind::AsFound,
            &circuit(),
            &mut script,
            &now
        )
        .is_err()
    );
    let mut script = good_order().reads("dc-left", 0.03);
    connect::connect(
        &mut writer,
        &rig(),
        StageKind::AsFound,
        &circuit(),
        &mut script,
        &now,
    )
    .unwrap();
    let folder = writer.job().folder().to_owned();
    let kept = writer.job().record().connections.clone();
    drop(writer);
    let read = Job::read(&folder).unwrap();
    assert_eq!(read.record().connections, kept);
    let [refused, made]: &[Connection; 2] = kept.as_slice().try_into().unwrap();
    assert!(
        refused.refused.as_ref().unwrap().contains("350 mV"),
        "{refused:?}"
    );
    assert_eq!((made.refused.as_ref(), made.by.as_str()), (None, "Example Bench"));
    assert_eq!((made.warnings.len(), made.at), (1, now()));
    let volts = made.answers.iter().find(|a| a.key == "dc-left").unwrap();
    assert_eq!(
        volts.answer,
        Entered::Number {
            value: 0.03,
            unit: "V".to_owned()
        }
    );
    assert!(volts.question.contains("left speaker terminals"));
}

#[test]
fn records_from_before_connections_were_kept_read_on() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/job/v1");
    let job = Job::read(&folder).unwrap();
    assert!(job.record().connections.is_empty());
    assert!(job.record().rig().is_some(), "its only rig is the one in use");
    // What is not there is not written either: the record stays readable for the version that wrote it.
    let text = job.record().to_text().unwrap();
    assert!(!text.contains("connections") && !text.contains("rig_in_use"));
}

#[test]
fn the_rig_that_was_kept_last_is_in_use() {
    let mut record = tarnbeck::record(BenchKind::Live);
    let [mut older, mut newer] = [rig(), rig()];
    older.name = "older".to_owned();
    newer.name = "newer".to_owned();
    for (kept, name) in [(&older, "older"), (&newer, "newer"), (&older, "older")] {
        record.keep_rig(kept).unwrap();
        assert_eq!(record.rig().unwrap().name, name);
    }
}

#[test]
fn who_leaves_in_the_middle_has_connected_nothing() {
    let all = {
        let mut script = good_order();
        walked(OutputStage::Grounded, &mut script);
        script.asked.len()
    };
    for left_after in 0..all {
        let mut script = good_order();
        script.leaves_after = Some(left_after);
        let walk = walked(OutputStage::Grounded, &mut script);
        assert!(walk.refused.is_some(), "{left_after}");
        assert_eq!(walk.answers.len(), left_after, "what was answered is kept");
    }
}

#[test]
fn an_unknown_output_is_named_with_the_known_ones() {
    let unit = unit(OutputStage::Grounded);
    let error = connect::output(&unit, Some("Speakers B"), &mut Script::default()).unwrap_err();
    assert!(error.to_string().contains("Speakers A"), "{error}");
    assert_eq!(
        connect::output(&unit, None, &mut Script::default()).unwrap().name,
        "Speakers A"
    );
    let mut two = unit.clone();
    two.outputs.push(two.outputs[0].clone());
    two.outputs[1].name = "Speakers B".to_owned();
    let mut script = Script::default().says("output", &[Answer::Choice(1)]);
    assert_eq!(
        connect::output(&two, None, &mut script).unwrap().name,
        "Speakers B"
    );
    assert_eq!(
        connect::output(&two, Some("speakers b"), &mut script)
            .unwrap()
            .name,
        "Speakers B"
    );
}

#[test]
fn power_takes_the_tap_with_the_most_attenuation() {
    let mut rig = rig();
    let taps = connect::Taps::of(&rig).unwrap();
    assert_eq!(
        (taps.power, taps.noise, taps.are_one()),
        ("power", "noise", false)
    );
    rig.taps.reverse();
    assert_eq!(connect::Taps::of(&rig).unwrap().power, "power");
    rig.taps.truncate(1);
    assert!(connect::Taps::of(&rig).unwrap().are_one());
    rig.taps.clear();
    assert!(
        connect::Taps::of(&rig)
            .unwrap_err()
            .to_string()
            .contains("[[taps]]")
    );
}

proptest! {
    /// Resistance between the nodes of a real network is never contradictory: a star of three resistors makes any
    /// resistance between three nodes, and a meter with its leads is off by at most 5 % and 0.3 Ω.
    #[test]
    fn a_real_unit_never_contradicts_itself(
        star in prop::array::uniform3(0.0..1e5f64),
        off in prop::array::uniform3(-1.0..1.0f64),
    ) {
        let [shell, left, right] = star;
        let true_ohms = [shell + left, shell + right, left + right];
        let read: Vec<f64> = true_ohms
            .iter()
            .zip(off)
            .map(|(r, e)| (r * (1.0 + 0.04 * e) + 0.3 * e).max(0.0))
            .collect();
        prop_assert_ne!(limits::grounds_joined([read[0], read[1], read[2]]), Joined::Contradictory);
    }

    /// A higher reading is never judged better.
    #[test]
    fn no_reading_is_better_for_being_larger(a in 0.0..10.0f64, more in 0.0..10.0f64) {
        let rank = |j| match j { Judged::Fine => 0, Judged::Warned => 1, Judged::Refused => 2 };
        prop_assert!(rank(limits::dc_at_terminals(a)) <= rank(limits::dc_at_terminals(a + more)));
        prop_assert!(limits::discharged(a) || !limits::discharged(a + more));
        for ground in [Ground::Common, Ground::Differential] {
            let fine = |dc, ac| limits::between_grounds(ground, dc, ac, Some(5.0));
            prop_assert!(fine(a, 0.0) || !fine(a + more, 0.0));
            prop_assert!(fine(0.0, a) || !fine(0.0, a + more));
        }
    }

    /// Whatever is answered, a walk that is not refused has read what it must have read.
    #[test]
    fn what_passes_was_read(
        dc in -0.2..0.2f64,
        charge in -5.0..5.0f64,
        ohms in prop::array::uniform3(prop_oneof![0.0..1.2f64, 0.0..60.0f64, Just(1e8)]),
        between in prop::array::uniform2(0.0..0.1f64),
        resistor in any::<bool>(),
        differential in any::<bool>(),
        stage in 0..5usize,
    ) {
        let mut script = good_order()
            .reads("dc-left", dc)
            .reads("reservoirs", charge)
            .reads("ohms-left", ohms[0])
            .reads("ohms-right", ohms[1])
            .reads("ohms-between", ohms[2])
            .reads("between-dc", between[0])
            .reads("between-ac", between[1])
            .agrees("ground-break", resistor)
            .agrees("differential", differential);
        let stage = STAGES[stage];
        let walk = walked(stage, &mut script);
        if walk.refused.is_none() {
            prop_assert!(dc.abs() <= 0.1 && charge.abs() <= 3.0);
            let joined = !matches!(stage, OutputStage::Bridged | OutputStage::Floating)
                && ohms.iter().all(|r| *r < 1.0 || (*r <= 50.0 && resistor));
            prop_assert!(joined || differential);
            if walk.ground != Some(Ground::Differential) {
                prop_assert!(joined && between.iter().all(|v| *v <= 0.05));
            }
        }
    }
}

/// Reads the record from the disk at every question, as if the program were killed there.
struct Killed {
    script: Script,
    folder: std::path::PathBuf,
}

impl Operator for Killed {
    fn tell(&mut self, notice: &Notice) -> Result<()> {
        self.script.tell(notice)
    }

    fn ask(&mut self, question: &Question) -> Result<Answer> {
        let job = Job::read(&self.folder)?;
        let answered = self.script.asked.len();
        match job.record().connections.as_slice() {
            [] => assert_eq!(answered, 0),
            [begun] => {
                let keys: Vec<&str> = begun.answers.iter().map(|a| a.key.as_str()).collect();
                assert_eq!(keys, self.script.asked);
                assert!(begun.refused.is_some(), "no connection yet");
            }
            more => panic!("{}", more.len()),
        }
        self.script.ask(question)
    }

    fn watch(&mut self, _: &Meter) {}

    fn wants_to_stop(&mut self) -> bool {
        false
    }
}

#[test]
fn a_program_that_is_killed_at_a_question_has_kept_every_answer() {
    let (_root, mut writer) = opened();
    let mut operator = Killed {
        script: good_order(),
        folder: writer.job().folder().to_owned(),
    };
    let now = || tarnbeck::at("2026-03-14T10:00:00+01:00");
    connect::connect(
        &mut writer,
        &rig(),
        StageKind::AsFound,
        &circuit(),
        &mut operator,
        &now,
    )
    .unwrap();
    let [connection] = writer.job().record().connections.as_slice() else {
        panic!("one connection");
    };
    assert_eq!(connection.answers.len(), operator.script.asked.len());
    assert_eq!(connection.refused, None);
}
