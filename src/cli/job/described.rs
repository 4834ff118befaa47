//! A job in words: its facts, what it is measured with, when it was connected, its stages.

use crate::job::{BenchKind, Connection, Job, Record, Stage};
use crate::procedure::connect::Taps;
use crate::rig::Rig;
use serde_json::json;

/// Everything but the captures.
pub(super) fn job(job: &Job) -> String {
    let r = job.record();
    let mut text = String::new();
    if r.bench == BenchKind::Simulated {
        text.push_str("SIMULATED: no real amplifier was measured\n");
    }
    let facts = [
        ("job", r.id.clone()),
        ("folder", job.folder().display().to_string()),
        ("unit", r.unit.model.clone()),
        ("serial", r.serial.clone()),
        ("owner", r.owner.clone()),
        ("workshop", r.workshop.clone()),
        ("opened", r.opened.in_words()),
        ("bench", bench_words(r.bench).to_owned()),
        ("complaint", r.complaint.clone()),
        ("found", r.found.clone()),
        ("done", r.work.join(" ")),
    ];
    for (name, value) in facts.into_iter().filter(|(_, v)| !v.is_empty()) {
        text.push_str(&format!("{name:<10}{value}\n"));
    }
    text.push_str(&equipment(r));
    for connection in &r.connections {
        text.push_str(&connected(connection));
    }
    for stage in &r.stages {
        let (kind, date) = (stage.kind.in_words(), stage.begun.date());
        text.push_str(&match &stage.reason {
            Some(reason) => format!("{kind} {date}: {reason}\n"),
            None => format!("{kind} {date}: {}\n", measured(stage)),
        });
    }
    text
}

/// What a live job is measured with, or why it cannot be; nothing for a simulated one.
pub(super) fn equipment(record: &Record) -> String {
    let Some(rig) = record.rig().filter(|_| record.bench == BenchKind::Live) else {
        return String::new();
    };
    let mut text = format!("{:<10}{}\n", "rig", rig.name);
    match &rig.interface {
        Some(i) if i.output == i.input => text.push_str(&format!("{:<10}{}\n", "interface", i.output)),
        Some(i) => text.push_str(&format!(
            "{:<10}plays on {}, records on {}\n",
            "interface", i.output, i.input
        )),
        None => text.push_str(&format!("{:<10}none: {}\n", "interface", only_for_analysis(rig))),
    }
    match Taps::of(rig) {
        Ok(taps) if taps.are_one() => text.push_str(&format!(
            "{:<10}\"{}\" for power and, being the only one, for noise too: the interface's own noise then hides that of \
             a quiet unit\n",
            "taps", taps.power
        )),
        Ok(taps) => text.push_str(&format!(
            "{:<10}\"{}\" for power, \"{}\" for noise\n",
            "taps", taps.power, taps.noise
        )),
        Err(_) => text.push_str(&format!(
            "{:<10}none: without an attenuator nothing is measured at a power stage\n",
            "taps"
        )),
    }
    text
}

/// What is missing where the rig names no interface, and how to add it.
pub(super) fn only_for_analysis(rig: &Rig) -> String {
    format!(
        "this job is for analysing captures only; add [interface] to the rig file of \"{}\" with a device that \
         `asleft interfaces` lists, and measure with --rig FILE",
        rig.name
    )
}

/// The same for scripts: `interface` and `taps`, each null where there is none.
pub(super) fn equipment_json(record: &Record) -> serde_json::Value {
    let rig = record.rig().filter(|_| record.bench == BenchKind::Live);
    let taps = rig.and_then(|r| Taps::of(r).ok());
    json!({
        "rig": rig.map(|r| &r.name),
        "interface": rig.and_then(|r| r.interface.as_ref()),
        "taps": taps.map(|t| json!({ "power": t.power, "noise": t.noise })),
    })
}

fn connected(connection: &Connection) -> String {
    let Connection {
        at,
        by,
        circuit,
        ground,
        refused,
        ..
    } = connection;
    let ground = ground.map_or(String::new(), |g| format!(", {}", g.in_words()));
    let who = if by.is_empty() {
        String::new()
    } else {
        format!(" by {by}")
    };
    let outcome = match refused {
        None => String::new(),
        Some(why) => format!(": NOT connected: {why}"),
    };
    let mut text = format!(
        "connected {}{who}: \"{}\" through {}{ground}{outcome}\n",
        at.in_words(),
        circuit.output,
        circuit.taps.join(", ")
    );
    for warning in &connection.warnings {
        text.push_str(&format!("  note: {warning}\n"));
    }
    text
}

fn measured(stage: &Stage) -> String {
    let names = stage.measurements.iter();
    let names: Vec<String> = names
        .map(|m| format!("{} ({} takes)", m.name, m.takes.len()))
        .collect();
    names.join(", ")
}

/// What a job is measured on, in one word.
pub(super) fn bench_words(bench: BenchKind) -> &'static str {
    match bench {
        BenchKind::Simulated => "SIMULATED",
        BenchKind::Live => "live",
    }
}
