//! A gain that moves while a session runs: the tone that began it ends it, and where the two differ volts and watts are
//! withheld. The knob is the simulated interface's own sensitivity.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

use asleft::bench::simulated::{SimulatedBench, bench_interface, demo_rig, tarnbeck_60};
use asleft::bench::{Bench, Played, Sink};
use asleft::error::Result;
use asleft::figure::{FigureId, Findings, Unit};
use asleft::job::results::{self, StageResults};
use asleft::job::steadiness::{CHECK, CODE, CONNECTION, NOT_VERIFIED};
use asleft::job::{BenchKind, Moment, Record, StageKind, Writer};
use asleft::procedure::operator::Unattended;
use asleft::procedure::plan;
use asleft::procedure::run::{GAIN_OFF, HIGH_FREQUENCY, Session};
use asleft::rig::ceiling::Cleared;
use asleft::signal::take::Setup;
use asleft::unit::file;
use asleft::verdict::{Judgement, Outcome};
use std::cell::Cell;
use std::rc::Rc;
use tempfile::TempDir;

fn at() -> Moment {
    "2026-03-14T09:30:00+01:00".parse().unwrap()
}

fn record() -> Record {
    let unit = file::parse(include_str!("../units/tarnbeck-60.unit.toml"), "demo").unwrap();
    Record::new(at(), unit, "", BenchKind::Simulated)
}

/// A simulated bench whose inputs' gain knobs can be turned between two takes.
struct Knobs {
    bench: SimulatedBench,
    change_db: Rc<Cell<[f64; 2]>>,
    says_live: bool,
}

impl Bench for Knobs {
    fn play(&mut self, stimulus: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        let volts = &mut self.bench.interface.input_full_scale_v;
        for (volts, db) in volts.iter_mut().zip(self.change_db.take()) {
            *volts /= 10f64.powf(db / 20.0);
        }
        self.bench.play(stimulus, setup, sink)
    }

    fn simulated(&self) -> bool {
        !self.says_live
    }
}

/// Sessions of one stage, each with the gain that changed before it and its steps; a step that is refused ends it. Nobody
/// confirms a gain that is off.
fn sessions(says_live: bool, all: &[(f64, &[&str])]) -> StageResults {
    let root = TempDir::new().unwrap();
    let record = record();
    let steps = plan::full(&record.unit, "power", "noise").unwrap();
    let mut writer = Writer::create(root.path(), record).unwrap();
    let knobs = Rc::new(Cell::new([0.0; 2]));
    let mut bench = Knobs {
        bench: SimulatedBench::new(tarnbeck_60(), bench_interface(), 1),
        change_db: knobs.clone(),
        says_live,
    };
    let rig = demo_rig();
    for (change_db, names) in all {
        let mut operator = Unattended::default();
        let mut session = Session::new(
            &mut writer,
            &mut bench,
            &rig,
            StageKind::AsLeft,
            &at,
            &mut operator,
        );
        knobs.set([*change_db; 2]);
        for name in *names {
            if session
                .run(steps.iter().find(|s| s.name == *name).unwrap())
                .is_err()
            {
                break;
            }
        }
    }
    results::of(writer.job()).unwrap().stages.remove(0)
}

const TONE: &str = "power-600mw";

#[test]
fn a_connection_that_no_check_follows_gives_no_watts_on_a_live_bench() {
    let unchecked = all(&sessions(true, &[(0.0, &[TONE])]));
    assert_eq!(of_volts(&unchecked), 0);
    assert!(
        unchecked
            .not_measured
            .iter()
            .any(|n| n.id == FigureId::Power && n.code == NOT_VERIFIED)
    );
    assert!(of_volts(&all(&sessions(true, &[(0.0, &[TONE, CHECK])]))) > 10);
    // On the simulated bench nobody turns a knob.
    assert!(of_volts(&all(&sessions(false, &[(0.0, &[TONE])]))) > 10);
}

#[test]
fn the_worst_that_can_happen_to_a_check_withholds_watts_too() {
    // Lost by 100 dB; off by more than the decibel that is asked about, with nobody who confirms it.
    // Lost by 100 dB: the marks do not come back and no take is whole. Louder by 3 dB: the guard stops it, and no capture is
    // left. Lower by 3 dB: heard, asked about, and confirmed by nobody.
    for (change_db, code, is_kept) in [
        (-100.0, NOT_VERIFIED, false),
        (3.0, NOT_VERIFIED, false),
        (-3.0, CODE, true),
    ] {
        let stage = turned_before_check(change_db);
        let found = all(&stage);
        let kept = stage.measurements.iter().any(|m| m.name == CHECK);
        assert_eq!(kept, is_kept, "{change_db}");
        assert_eq!(of_volts(&found), 0, "{change_db}");
        assert!(found.not_measured.iter().any(|n| n.code == code), "{change_db}");
    }
}

/// The gain changes right before the check, which is refused.
fn turned_before_check(change_db: f64) -> StageResults {
    let root = TempDir::new().unwrap();
    let record = record();
    let steps = plan::full(&record.unit, "power", "noise").unwrap();
    let mut writer = Writer::create(root.path(), record).unwrap();
    let knobs = Rc::new(Cell::new([0.0; 2]));
    let mut bench = Knobs {
        bench: SimulatedBench::new(tarnbeck_60(), bench_interface(), 1),
        change_db: knobs.clone(),
        says_live: true,
    };
    let (rig, mut operator) = (demo_rig(), Unattended::default());
    let mut session = Session::new(
        &mut writer,
        &mut bench,
        &rig,
        StageKind::AsLeft,
        &at,
        &mut operator,
    );
    let named = |name: &str| steps.iter().find(|s| s.name == name).unwrap();
    session.run(named(TONE)).unwrap();
    knobs.set([change_db; 2]);
    session.run(named(CHECK)).unwrap_err();
    results::of(writer.job()).unwrap().stages.remove(0)
}

#[test]
fn sessions_of_a_stage_are_held_against_each_other() {
    let whole: &[&str] = &[TONE, CHECK];
    // How many readings of watts are left of the takes: two channels each.
    let watts = |changes: &[f64]| {
        let all_of: Vec<(f64, &[&str])> = changes.iter().map(|db| (*db, whole)).collect();
        let found = all(&sessions(false, &all_of));
        found.figures.iter().filter(|f| f.id == FigureId::Power).count()
    };
    let of_one = watts(&[0.0]);
    assert_eq!(watts(&[0.0, 0.0]), 2 * of_one);
    assert_eq!(watts(&[0.0, 0.3]), 0, "nobody knows which is right");
    assert_eq!(watts(&[0.0, 0.3, -0.3]), 2 * of_one, "two against one");
}

/// Connection, noise and rated power in the first mode; then `change_db` on the inputs' gain; then the check.
fn measured(change_db: [f64; 2]) -> StageResults {
    let root = TempDir::new().unwrap();
    let record = record();
    let steps = plan::full(&record.unit, "power", "noise").unwrap();
    let mut writer = Writer::create(root.path(), record).unwrap();
    let knobs = Rc::new(Cell::new([0.0; 2]));
    let mut bench = Knobs {
        bench: SimulatedBench::new(tarnbeck_60(), bench_interface(), 1),
        change_db: knobs.clone(),
        says_live: false,
    };
    let rig = demo_rig();
    let named = |name: &str| steps.iter().find(|s| s.name == name).unwrap();
    let mut operator = Unattended::yes_to(&[HIGH_FREQUENCY, GAIN_OFF]);
    let mut session = Session::new(
        &mut writer,
        &mut bench,
        &rig,
        StageKind::AsLeft,
        &at,
        &mut operator,
    );
    // The session plays the connection's tones by itself, before the first step that sounds.
    for name in ["noise", "power-rated"] {
        session.run(named(name)).unwrap();
    }
    knobs.set(change_db);
    session.run(named(CHECK)).unwrap();
    results::of(writer.job()).unwrap().stages.remove(0)
}

fn all(stage: &StageResults) -> Findings {
    let mut all = Findings::default();
    for m in &stage.measurements {
        all.extend(m.findings.clone());
    }
    all
}

fn of_volts(findings: &Findings) -> usize {
    let volts = |unit| matches!(unit, Unit::Volts | Unit::Dbv | Unit::Watts);
    findings.figures.iter().filter(|f| volts(f.unit)).count()
}

#[test]
fn every_mode_ends_as_it_began() {
    let record = record();
    let steps = plan::full(&record.unit, "power", "noise").unwrap();
    let checks: Vec<usize> = (0..steps.len())
        .filter(|i| steps[*i].name.starts_with(CHECK))
        .collect();
    assert_eq!(checks.len(), record.unit.modes.len());
    for index in &checks {
        let check = &steps[*index];
        // The loudest of the connection's tones is the last of them.
        let first = steps[..*index]
            .iter()
            .rev()
            .find(|s| s.name.starts_with(CONNECTION))
            .unwrap();
        assert_eq!(
            (&check.play, &check.setup, check.seconds),
            (&first.play, &first.setup, first.seconds)
        );
    }
    assert_eq!(checks.last(), Some(&(steps.len() - 1)));
}

#[test]
fn a_gain_that_holds_withholds_nothing() {
    // Below the limit of 0.1 dB by more than the tones' uncertainty, which is some thousandths.
    for change in [[0.0, 0.0], [0.08, -0.08]] {
        let found = all(&measured(change));
        assert!(of_volts(&found) > 10);
        assert!(found.not_measured.iter().all(|n| n.code != CODE), "{change:?}");
    }
}

#[test]
fn a_moved_gain_withholds_volts_and_watts_and_keeps_ratios() {
    let held = measured([0.0, 0.0]);
    for (change, who) in [
        ([0.3, 0.0], "of the left channel"),
        ([0.0, -0.15], "of the right channel"),
        ([-0.5, -0.5], "both channels"),
        ([0.5, -0.5], "more than one control"),
    ] {
        let stage = measured(change);
        let found = all(&stage);
        assert_eq!(of_volts(&found), 0, "{change:?}");
        let told: Vec<_> = found.not_measured.iter().filter(|n| n.code == CODE).collect();
        for id in [FigureId::Power, FigureId::Level, FigureId::Noise, FigureId::Snr] {
            assert!(told.iter().any(|n| n.id == id), "{id} is withheld without a word");
        }
        for (db, channel) in change.iter().zip(["left", "right"]) {
            let text = format!("{channel} {db:+.2} dB");
            // Noise of the two tones: a few thousandths of a decibel may round the last digit.
            let near = format!("{channel} {:+.2} dB", db + 0.01);
            let under = format!("{channel} {:+.2} dB", db - 0.01);
            let reason = &told[0].reason;
            let says = [text, near, under].iter().any(|t| reason.contains(t.as_str()));
            assert!(says || db.abs() < 0.01, "{reason}");
        }
        assert!(told[0].reason.contains(who), "{}", told[0].reason);
        assert!(found.figures.iter().all(|f| f.conditions.level_v.is_none()));
        // Ratios are those of the session that held, to the last digit.
        let thd = |f: &Findings| -> Vec<f64> {
            let of = f
                .figures
                .iter()
                .filter(|f| f.id == FigureId::Thd && f.unit == Unit::Percent);
            of.map(|f| f.estimate.value).take(2).collect()
        };
        assert_eq!(thd(&found), thd(&all(&held)));
        // What the session could have judged is not judged, for this reason and no other.
        let moved = |j: &&Judgement| j.verdict.reason.contains("the gain of the path moved");
        let lost: Vec<&Judgement> = stage
            .judgements
            .iter()
            .zip(&held.judgements)
            .filter(|(own, was)| own.verdict.outcome != was.verdict.outcome)
            .map(|(own, _)| own)
            .collect();
        assert!(lost.iter().any(|j| j.id == FigureId::Snr));
        assert!(
            lost.iter()
                .all(|j| j.verdict.outcome == Outcome::NotMeasured && moved(j))
        );
        assert!(
            stage
                .judgements
                .iter()
                .filter(|j| j.id == FigureId::Power)
                .all(|j| moved(&j))
        );
    }
}

#[test]
fn balance_holds_unless_the_channels_parted() {
    let has_balance = |change| {
        let found = all(&measured(change));
        found.figures.iter().any(|f| f.id == FigureId::Balance)
    };
    assert!(has_balance([-0.5, -0.5]));
    assert!(!has_balance([-0.5, 0.0]));
}
