//! Captures of steady sines in noise, a rig, and their figures.
#![allow(dead_code, reason = "each test file uses its own part")]

use asleft::dsp::tone::analyse;
use asleft::figure::{Band, Figure, FigureId, Findings};
use asleft::figures::{Measurement, Next};
use asleft::rig::{Calibrated, Loopback, Rig, RigChannel};
use asleft::signal::source::{BlockSource, MemorySource};
use asleft::signal::take::Take;
use asleft::take::integrity::Integrity;
use asleft::take::{ChannelView, Content, Examined};
use std::f64::consts::TAU;
use std::sync::Arc;

pub(crate) const RATE: u32 = 96_000;

/// Σ aₙ cos(2πn f t + φₙ) of (order, amplitude, phase).
pub(crate) fn series(lines: &[(u32, f64, f64)], hz: f64, seconds: f64) -> Vec<f64> {
    let nu = hz / f64::from(RATE);
    let frames = (seconds * f64::from(RATE)) as u32;
    (0..frames)
        .map(|i| {
            let t = f64::from(i);
            let turns = nu * t - (nu * t).floor() + nu.mul_add(t, -(nu * t));
            lines
                .iter()
                .map(|(n, a, phase)| a * (TAU * (f64::from(*n) * turns).fract() + phase).cos())
                .sum()
        })
        .collect()
}

pub(crate) fn noise(frames: usize, rms: f64, seed: u64) -> Vec<f64> {
    let mut state = seed;
    let mut uniform = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    };
    (0..frames)
        .map(|_| rms * (-2.0 * uniform().ln()).sqrt() * (TAU * uniform()).cos())
        .collect()
}

/// A take of one tone of about `hz` on every channel.
pub(crate) fn examined(source: MemorySource, hz: f64) -> Examined {
    let format = source.format();
    let guesses = vec![vec![hz]; format.channels];
    let views = analyse(&source, 0..format.frames, &guesses)
        .unwrap()
        .into_iter()
        .map(|c| ChannelView {
            tones: c.tones,
            spectrum: c.spectrum,
            dc: c.dc,
            quasi_peak: None,
        })
        .collect();
    Examined {
        take: Take::of(Arc::new(source)),
        integrity: Integrity::default(),
        alignment: None,
        identical: Vec::new(),
        content: Content::Tone(views),
    }
}

pub(crate) fn take(samples: Vec<f64>, hz: f64) -> Examined {
    examined(MemorySource::new(RATE, vec![samples]), hz)
}

pub(crate) fn measure(measurement: &dyn Measurement, take: &Examined, rig: Option<&Rig>) -> Findings {
    let Next::Done(findings) = measurement.next(&[take], rig) else {
        panic!("all is there")
    };
    for f in &findings.figures {
        assert!(
            f.estimate.expanded() > 0.0 && f.estimate.expanded().is_finite(),
            "{f:?}"
        );
        assert!(f.estimate.value.is_finite(), "{f:?}");
        let (low, high) = f.estimate.interval();
        assert!(low <= f.estimate.value && f.estimate.value <= high);
    }
    findings
}

pub(crate) fn figure(findings: &Findings, id: FigureId, order: Option<u32>, band: Option<Band>) -> Figure {
    let fits = |f: &&Figure| f.id == id && f.order == order && f.band == band;
    findings
        .figures
        .iter()
        .find(fits)
        .unwrap_or_else(|| panic!("{id}"))
        .clone()
}

pub(crate) fn audio(findings: &Findings, id: FigureId) -> Figure {
    figure(findings, id, None, Some(Band::AUDIO))
}

pub(crate) fn rig(harmonics_db: Vec<f64>) -> Rig {
    let calibrated = |value, u_percent, source: &str| Calibrated {
        value,
        u_percent,
        source: source.to_owned(),
        date: "2026-01-01".to_owned(),
    };
    Rig {
        schema: asleft::rig::SCHEMA.to_owned(),
        name: "Example Bench".to_owned(),
        interface: None,
        channels: vec![RigChannel {
            output_full_scale_v: calibrated(2.0, 0.3, "meter volts"),
            output_impedance_ohm: calibrated(100.0, 1.0, "meter ohms"),
            input_full_scale_v: calibrated(40.0, 0.3, "meter volts"),
            input_impedance_ohm: calibrated(10_000.0, 1.0, "meter ohms"),
            load_ohm: calibrated(8.0, 0.5, "meter ohms"),
            load_hot_ohm: None,
            load_rating_w: 100.0,
        }],
        taps: Vec::new(),
        pads: Vec::new(),
        ceiling_v: 2.0,
        loopback: vec![Loopback {
            channel: 0,
            level_dbfs: -6.0,
            date: "2026-01-01".to_owned(),
            frequency_hz: Vec::new(),
            noise_dbfs_per_hz: Vec::new(),
            response_hz: Vec::new(),
            response_db: Vec::new(),
            response_deg: Vec::new(),
            response_u_db: 0.0,
            harmonics_db,
        }],
    }
}
