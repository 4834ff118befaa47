//! A bench whose load is not connected: nothing is dissipated, so nothing may be said in watts, and no rating that
//! holds at a load is answered (Ohm's law: V²/R with R infinite).

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use asleft::bench::simulated::{Fault, SimulatedBench, bench_interface, demo_rig, tarnbeck_60};
use asleft::figure::FigureId;
use asleft::job::{BenchKind, Moment, Record, StageKind, Writer, results};
use asleft::procedure::{operator::Unattended, plan, run::Session};
use asleft::unit::file;
use asleft::verdict::Outcome;
use tempfile::TempDir;

fn at() -> Moment {
    "2026-03-14T10:00:00+01:00".parse().unwrap()
}

fn record() -> Record {
    let unit = file::parse(include_str!("../units/tarnbeck-60.unit.toml"), "demo").unwrap();
    Record::new(at(), unit, "", BenchKind::Simulated)
}

/// Gain and rated power at 1 kHz in the first mode.
fn measured(fault: Option<Fault>) -> results::Results {
    let root = TempDir::new().unwrap();
    let record = record();
    let steps = plan::full(&record.unit, "power", "noise").unwrap();
    let mut writer = Writer::create(root.path(), record).unwrap();
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 1);
    if let Some(fault) = fault {
        bench = bench.with_fault(fault);
    }
    let rig = demo_rig();
    let mut operator = Unattended::default();
    let mut session = Session::new(
        &mut writer,
        &mut bench,
        &rig,
        StageKind::AsFound,
        &at,
        &mut operator,
    );
    for step in steps
        .iter()
        .filter(|s| ["connection", "power-rated"].contains(&s.name.as_str()))
    {
        session.run(step).unwrap();
    }
    results::of(writer.job()).unwrap()
}

#[test]
fn no_load_gives_neither_watts_nor_a_verdict_on_them() {
    let results = measured(Some(Fault::MissingLoad));
    let stage = &results.stages[0];
    let rated = stage
        .measurements
        .iter()
        .find(|m| m.name == "power-rated")
        .unwrap();
    // The sidecar holds what the bench knew, not what the step wanted.
    assert_eq!(rated.setup.loaded, Some(false));
    assert!(rated.findings.figures.iter().all(|f| f.id != FigureId::Power));
    let refusals: Vec<_> = rated
        .findings
        .not_measured
        .iter()
        .filter(|n| n.id == FigureId::Power)
        .collect();
    assert_eq!(refusals.len(), 2);
    assert!(refusals.iter().all(|n| n.code == "no_load"));
    assert!(
        rated
            .findings
            .figures
            .iter()
            .all(|f| f.conditions.load_ohm.is_none() && f.conditions.unloaded)
    );
    for judgement in stage.judgements.iter().filter(|j| j.id == FigureId::Power) {
        assert_eq!(judgement.verdict.outcome, Outcome::NotMeasured);
        assert!(
            judgement.verdict.reason.contains("no load was connected"),
            "{}",
            judgement.verdict.reason
        );
    }
    // The same steps with the load: watts, into the rig's load.
    let loaded = measured(None);
    let rated = loaded.stages[0]
        .measurements
        .iter()
        .find(|m| m.name == "power-rated")
        .unwrap();
    assert_eq!(rated.setup.loaded, Some(true));
    let powers = rated.findings.figures.iter().filter(|f| f.id == FigureId::Power);
    assert_eq!(powers.filter(|f| f.conditions.load_ohm.is_some()).count(), 2);
}
