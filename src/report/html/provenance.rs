//! Where the figures come from: the rig, and every capture with its hash.

use crate::figure::Unit;
use crate::job::capture::Health;
use crate::report::input::ReportInput;
use crate::report::number::setting;
use crate::rig::{Calibrated, Rig};
use crate::signal::take::Setup;
use serde::Serialize;

/// One rig of the job.
#[derive(Serialize)]
pub(super) struct RigSummary {
    pub(super) name: String,
    pub(super) rows: Vec<(String, String)>,
}

/// One capture.
#[derive(Serialize)]
pub(super) struct CaptureRow {
    pub(super) name: String,
    pub(super) recorded: String,
    pub(super) shape: String,
    pub(super) setup: String,
    pub(super) sha256: String,
    pub(super) state: &'static str,
    pub(super) intact: bool,
}

pub(super) fn rigs(input: &ReportInput) -> Vec<RigSummary> {
    input.record.rigs.values().map(rig).collect()
}

fn rig(rig: &Rig) -> RigSummary {
    let mut rows = Vec::new();
    for (index, channel) in rig.channels.iter().enumerate() {
        let of = |name: &str| format!("{name}, {}", crate::figure::Channel::at(index));
        rows.push((of("load"), calibrated(&channel.load_ohm, Unit::Ohms)));
        if let Some(hot) = &channel.load_hot_ohm {
            rows.push((of("load, hot"), calibrated(hot, Unit::Ohms)));
        }
        rows.push((
            of("input full scale"),
            calibrated(&channel.input_full_scale_v, Unit::Volts),
        ));
        rows.push((
            of("output full scale"),
            calibrated(&channel.output_full_scale_v, Unit::Volts),
        ));
    }
    for tap in &rig.taps {
        let ratios: Vec<String> = tap.ratio.iter().map(ratio).collect();
        rows.push((format!("tap {}", tap.name), ratios.join("; ")));
    }
    rows.push(("ceiling".to_owned(), setting(rig.ceiling_v, Unit::Volts)));
    RigSummary {
        name: rig.name.clone(),
        rows,
    }
}

fn calibrated(c: &Calibrated, unit: Unit) -> String {
    format!(
        "{} (u {} %, {}, {})",
        setting(c.value, unit),
        crate::quantity::significant(c.u_percent, 2),
        c.source,
        c.date
    )
}

fn ratio(c: &Calibrated) -> String {
    let db = crate::quantity::Decibels::from_amplitude_ratio(c.value);
    format!(
        "{} (u {} %, {})",
        crate::report::number::signed(&format!("{:.2} dB", db.0)),
        crate::quantity::significant(c.u_percent, 2),
        c.date
    )
}

pub(super) fn captures(input: &ReportInput) -> Vec<CaptureRow> {
    let rows = input.captures.iter().map(|(state, sidecar)| {
        let sidecar = sidecar.as_ref();
        CaptureRow {
            name: state.capture.clone(),
            recorded: sidecar.map_or_else(String::new, |s| s.recorded.in_words()),
            shape: sidecar.map_or_else(String::new, |s| {
                format!(
                    "{}, {} ch, {} s",
                    setting(f64::from(s.format.sample_rate_hz), Unit::Hertz),
                    s.format.channels,
                    crate::quantity::significant(s.format.seconds(), 4)
                )
            }),
            setup: sidecar.map_or_else(String::new, |s| setup(&s.setup)),
            sha256: sidecar.map_or_else(String::new, |s| s.sha256.clone()),
            state: state.health.in_words(),
            intact: state.health == Health::Intact,
        }
    });
    rows.collect()
}

/// How the unit stood, in one line.
pub(super) fn setup(setup: &Setup) -> String {
    let mut parts = Vec::new();
    parts.extend(setup.mode.clone());
    parts.extend(setup.input.as_ref().map(|x| format!("input {x}")));
    parts.extend(setup.volume.as_ref().map(|x| format!("volume {x}")));
    parts.extend(
        setup
            .termination
            .as_ref()
            .map(|x| format!("input terminated with {x}")),
    );
    parts.extend(setup.driven.map(|d| crate::report::words::driven(d).to_owned()));
    parts.extend(setup.tap.as_ref().map(|x| format!("tap {x}")));
    parts.extend(setup.pad.as_ref().map(|x| format!("pad {x}")));
    parts.extend(
        setup
            .loaded
            .map(|on| if on { "loaded" } else { "no load" }.to_owned()),
    );
    parts.join(", ")
}
