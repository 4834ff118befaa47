//! A whole live run without hardware: the simulated unit behind a bench that says it is real, and a technician who answers
//! from a list. What is tested is what a person reads and does, in which order, and what is refused.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    dead_code,
    reason = "a test may stop where it stands; the script serves several tests"
)]

mod script;

use asleft::bench::simulated::{SimulatedBench, bench_interface, demo_rig, tarnbeck_60};
use asleft::bench::{Bench, Played, Sink};
use asleft::error::Result;
use asleft::job::connection::Ground;
use asleft::job::{BenchKind, Job, Moment, Record, StageKind, Writer, results};
use asleft::procedure::connect::Taps;
use asleft::procedure::guided::{self, Visit};
use asleft::procedure::plan::{self, Step};
use asleft::rig::ceiling::Cleared;
use asleft::rig::{Interface, Rig};
use asleft::signal::take::Setup;
use asleft::unit::{self, UnitSpec};
use assert_cmd::Command;
use script::{Script, good_order};
use std::path::Path;

const UNIT: &str = include_str!("../units/tarnbeck-60.unit.toml");

/// The simulated unit behind a bench that says it is real; keeps what was played, in order.
struct Pretended {
    bench: SimulatedBench,
    played: Vec<Setup>,
}

impl Pretended {
    fn new() -> Self {
        Self {
            bench: SimulatedBench::new(tarnbeck_60(), bench_interface(), 1),
            played: Vec::new(),
        }
    }
}

impl Bench for Pretended {
    fn play(&mut self, stimulus: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        self.played.push(setup.clone());
        self.bench.play(stimulus, setup, sink)
    }

    fn simulated(&self) -> bool {
        false
    }
}

fn now() -> Moment {
    "2026-03-14T10:00:00+01:00".parse().unwrap()
}

fn unit() -> UnitSpec {
    unit::file::parse(UNIT, "unit").unwrap()
}

fn rig() -> Rig {
    Rig {
        interface: Some(Interface {
            output: "Example Interface".to_owned(),
            input: "Example Interface".to_owned(),
            output_channels: vec![3, 4],
            input_channels: vec![1, 2],
            period_frames: None,
        }),
        ..demo_rig()
    }
}

fn record(rig: &Rig) -> Record {
    let mut record = Record {
        workshop: "Example Bench".to_owned(),
        ..Record::new(now(), unit(), "0042", BenchKind::Live)
    };
    record.keep_rig(rig).unwrap();
    record
}

fn steps(names: &[&str]) -> Vec<Step> {
    let rig = rig();
    let taps = Taps::of(&rig).unwrap();
    let all = plan::full(&unit(), taps.power, taps.noise).unwrap();
    all.into_iter()
        .filter(|s| names.contains(&s.name.as_str()))
        .collect()
}

fn run(
    writer: &mut Writer,
    bench: &mut Pretended,
    script: &mut Script,
    steps: &[Step],
) -> Result<Vec<String>> {
    let rig = rig();
    let visit = Visit {
        stage: StageKind::AsLeft,
        rig: &rig,
        output: None,
        rates_hz: &[],
        now: &now,
    };
    guided::measure(writer, bench, script, &visit, steps)
}

fn opened() -> (tempfile::TempDir, Writer) {
    let root = tempfile::TempDir::new().unwrap();
    let writer = Writer::create(root.path(), record(&rig())).unwrap();
    (root, writer)
}

#[test]
fn a_live_run_reads_asks_plays_and_keeps_all_of_it() {
    let (_root, mut writer) = opened();
    let mut bench = Pretended::new();
    let mut script = good_order();
    let steps = steps(&["noise", "connection", "power-600mw"]);
    assert_eq!(steps.len(), 3);
    run(&mut writer, &mut bench, &mut script, &steps).unwrap();
    let said = &script.dialogue;
    let at = |words: &str| said.find(words).unwrap_or_else(|| panic!("{words}: {said}"));
    let order = [
        "rules of the place",
        "DC between + and −",
        "pull its mains plug",
        "Resistance from",
        "Go with the attenuator \"power\" from each load to the interface, input 1 for left and 2 for right",
        "output 3 for left and 4 for right, to Aux",
        "Switch the unit to \"class AB\"",
        "Put the shorted plug into Aux, left and right",
        "Step 1 of 3: noise",
        "Switch the unit off. Unplug the attenuator \"noise\"",
        "Connect the interface's outputs to Aux",
        "Step 2 of 3: connection",
        "Step 3 of 3: power-600mw",
        "Before anything is unplugged",
    ];
    assert!(order.windows(2).all(|pair| at(pair[0]) < at(pair[1])), "{said}");

    let record = writer.job().record();
    let [connection] = record.connections.as_slice() else {
        panic!("{:?}", record.connections);
    };
    assert_eq!(connection.ground, Some(Ground::Common));
    assert_eq!(connection.circuit.output, "speakers");
    assert_eq!(connection.circuit.inputs, ["Aux"]);
    for take in record.takes() {
        assert!(
            !writer.job().sidecar(&take.capture).unwrap().simulated,
            "{}",
            take.capture
        );
    }
    let found = results::of(writer.job()).unwrap();
    assert!(!found.stages[0].measurements.is_empty());
    let folder = writer.job().folder().to_owned();
    drop(writer);
    assert_eq!(Job::read(&folder).unwrap().record().connections.len(), 1);
}

#[test]
fn nothing_plays_where_a_gate_refuses() {
    let refusing = [
        good_order().reads("dc-right", 0.2),
        good_order().reads("reservoirs", 40.0),
        good_order()
            .reads("ohms-right", 300.0)
            .agrees("differential", false),
        good_order().reads("load-left", 4.0),
        good_order().reads("between-ac", 1.5),
        good_order().agrees("phantom-off", false),
        good_order().agrees("on", false),
    ];
    for mut script in refusing {
        let (_root, mut writer) = opened();
        let mut bench = Pretended::new();
        let error = run(&mut writer, &mut bench, &mut script, &steps(&["connection"])).unwrap_err();
        assert!(bench.played.is_empty(), "{error}");
        let record = writer.job().record();
        assert_eq!(record.connections[0].refused.as_deref(), Some(error.what()));
        assert!(record.stages.is_empty());
    }
}

#[test]
fn a_change_that_is_not_made_plays_nothing_more_and_says_how_to_take_it_apart() {
    let (_root, mut writer) = opened();
    let mut bench = Pretended::new();
    use asleft::procedure::operator::Answer::Yes;
    let mut script = good_order().says("changed", &[Yes(true), Yes(false)]);
    let error = run(
        &mut writer,
        &mut bench,
        &mut script,
        &steps(&["noise", "connection"]),
    )
    .unwrap_err();
    assert!(error.what().contains("change on the bench"), "{error}");
    assert_eq!(bench.played.len(), 1);
    assert!(script.dialogue.contains("Before anything is unplugged"));
    assert_eq!(
        writer.job().record().takes().count(),
        1,
        "what was recorded is kept"
    );
}

#[test]
fn nothing_is_asked_between_steps_that_need_no_change() {
    let (_root, mut writer) = opened();
    let mut script = good_order();
    let steps = steps(&["connection", "power-60mw", "power-600mw"]);
    assert_eq!(steps.len(), 3);
    run(&mut writer, &mut Pretended::new(), &mut script, &steps).unwrap();
    let changes = script.asked.iter().filter(|k| *k == "changed").count();
    assert_eq!(changes, 1, "mode and volume once: {:?}", script.asked);
}

fn asleft(jobs: &Path, words: &[&str]) -> (Option<i32>, String, String) {
    let mut command = Command::cargo_bin("asleft").unwrap();
    let out = command.args(words).env("ASLEFT_JOBS", jobs).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (out.status.code(), text(&out.stdout), text(&out.stderr))
}

struct Files {
    root: tempfile::TempDir,
    unit: String,
    with_interface: String,
    without: String,
}

fn files() -> Files {
    let root = tempfile::TempDir::new().unwrap();
    let at = |name: &str| root.path().join(name);
    std::fs::write(at("unit.toml"), UNIT).unwrap();
    let mut absent = rig();
    let interface = absent.interface.as_mut().unwrap();
    interface.output = "No Such Interface".to_owned();
    interface.input = interface.output.clone();
    asleft::rig::file::write_new(&at("with.toml"), &absent).unwrap();
    asleft::rig::file::write_new(&at("without.toml"), &demo_rig()).unwrap();
    let text = |name: &str| at(name).to_str().unwrap().to_owned();
    Files {
        unit: text("unit.toml"),
        with_interface: text("with.toml"),
        without: text("without.toml"),
        root,
    }
}

#[test]
fn a_live_job_without_its_interface_is_an_error_and_never_simulated() {
    let f = files();
    let jobs = f.root.path().join("jobs");
    let new = |rig: &str| {
        asleft(
            &jobs,
            &[
                "job",
                "new",
                "--unit",
                &f.unit,
                "--owner",
                "Demo Customer",
                "--rig",
                rig,
                "--json",
            ],
        )
    };
    for (rig, words) in [
        (&f.without, "names no audio interface"),
        (&f.with_interface, "No Such Interface"),
    ] {
        let (code, out, err) = new(rig);
        assert_eq!(code, Some(0), "{err}");
        let opened: serde_json::Value = serde_json::from_str(&out).unwrap();
        assert_eq!(opened["simulated"], false);
        assert_eq!(opened["interface"].is_null(), rig == &f.without, "{out}");
        assert_eq!(opened["taps"]["power"], "power");
        let (code, out, err) = asleft(
            &jobs,
            &["measure", "thd", "--job", opened["id"].as_str().unwrap()],
        );
        assert_eq!(code, Some(2), "{out}{err}");
        assert!(
            out.is_empty() && err.contains(words) && err.contains("next:"),
            "{err}"
        );
        let record = Job::read(Path::new(opened["folder"].as_str().unwrap())).unwrap();
        assert_eq!(record.record().takes().count(), 0);
    }
}

#[test]
fn a_scratch_measurement_needs_rig_and_unit_and_leaves_nothing_behind_where_it_fails() {
    let f = files();
    let jobs = f.root.path().join("jobs");
    let (code, _, err) = asleft(&jobs, &["measure", "thd", "--rig", &f.with_interface]);
    assert!(code == Some(2) && err.contains("--unit"), "{err}");
    let (code, _, err) = asleft(&jobs, &["measure", "thd", "--unit", &f.unit]);
    assert!(code == Some(2) && err.contains("--rig"), "{err}");
    let both = ["measure", "thd", "--rig", &f.with_interface, "--unit", &f.unit];
    let (code, _, err) = asleft(&jobs, &both);
    assert!(code == Some(2) && err.contains("No Such Interface"), "{err}");
    assert!(!jobs.exists(), "no empty job is left");
    let (code, _, err) = asleft(&jobs, &[&both[..], &["--fault", "under-bias"]].concat());
    assert!(code == Some(2) && err.contains("its own faults"), "{err}");
}

#[test]
fn a_simulated_job_stays_simulated() {
    let f = files();
    let jobs = f.root.path().join("jobs");
    let words = [
        "job",
        "new",
        "--unit",
        &f.unit,
        "--owner",
        "Demo Customer",
        "--simulated",
        "--json",
    ];
    let (_, out, _) = asleft(&jobs, &words);
    let opened: serde_json::Value = serde_json::from_str(&out).unwrap();
    let id = opened["id"].as_str().unwrap();
    let (code, _, err) = asleft(
        &jobs,
        &["measure", "noise", "--job", id, "--rig", &f.with_interface],
    );
    assert!(code == Some(2) && err.contains("simulated"), "{err}");
    let (code, out, _) = asleft(&jobs, &["measure", "noise", "--job", id, "--json"]);
    assert_eq!(code, Some(0));
    let measured: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(measured["simulated"], true);
}

#[test]
fn a_job_says_what_it_is_measured_with() {
    let f = files();
    let jobs = f.root.path().join("jobs");
    let open = |rig: &str| {
        let words = [
            "job",
            "new",
            "--unit",
            &f.unit,
            "--owner",
            "Demo Customer",
            "--rig",
            rig,
        ];
        asleft(&jobs, &words).1
    };
    let out = open(&f.with_interface);
    assert!(
        out.contains("(live)")
            && out.contains("interface No Such Interface\n")
            && out.contains("\"power\" for power, \"noise\" for noise"),
        "{out}"
    );
    let out = open(&f.without);
    assert!(
        out.contains("for analysing captures only") && out.contains("[interface]"),
        "{out}"
    );
    let mut one = demo_rig();
    one.taps.retain(|t| t.name == "power");
    let path = f.root.path().join("one.toml");
    asleft::rig::file::write_new(&path, &one).unwrap();
    let out = open(path.to_str().unwrap());
    assert!(out.contains("the only one"), "{out}");
}
