//! A bench whose amplifier is a factor, which looks at every sample that goes out.

use asleft::bench::simulated::demo_rig;
use asleft::bench::{BLOCK_FRAMES, Bench, Flow, Played, Sink};
use asleft::error::Result;
use asleft::job::{BenchKind, Moment, Record, StageKind, Writer};
use asleft::procedure::operator::Unattended;
use asleft::procedure::run::{HIGH_FREQUENCY, Session};
use asleft::procedure::{limits, plan};
use asleft::rig::Rig;
use asleft::rig::ceiling::{Cleared, UnitLimits};
use asleft::signal::source::{BlockSource, Encoding, Format};
use asleft::signal::synthesis::Renderer;
use asleft::signal::take::Setup;
use asleft::unit::{UnitSpec, file};
use std::collections::BTreeMap;

/// The demo's unit file.
pub(crate) const DEMO: &str = include_str!("../../units/tarnbeck-60.unit.toml");

/// Unit files that differ in what the ceiling looks at.
pub(crate) fn units() -> [fn(&mut UnitSpec); 4] {
    [
        |_| {},
        // Small and sensitive, without modes.
        |u| {
            u.modes.clear();
            u.rated.retain(|r| r.mode.is_none());
            u.power.watts = 10.0;
            u.inputs
                .iter_mut()
                .filter(|i| !i.phono)
                .for_each(|i| i.sensitivity_v = 0.06);
        },
        // Large and insensitive, into 8 Ω only.
        |u| {
            u.power.watts = 110.0;
            u.outputs[0].loads_ohm = vec![8.0];
            u.inputs
                .iter_mut()
                .filter(|i| !i.phono)
                .for_each(|i| i.sensitivity_v = 0.5);
        },
        // Output transformers, and a band to 15 kHz.
        |u| {
            u.power.watts = 15.0;
            u.power.band_hz.high_hz = 15_000.0;
            u.modes.truncate(1);
            u.rated.retain(|r| r.mode.as_deref() != Some("class A"));
            u.outputs[0].stage = asleft::unit::OutputStage::TransformerCoupled;
        },
    ]
}

/// The samples that a bench of `channels` outputs would play.
pub(crate) fn rendered(cleared: &Cleared, channels: usize) -> Result<Vec<Vec<f64>>> {
    let renderer = Renderer::with_channels(cleared.stimulus(), channels)?;
    let frames = usize::try_from(renderer.format().frames).unwrap();
    let mut drive = vec![vec![0.0; frames]; channels];
    let mut planes: Vec<&mut [f64]> = drive.iter_mut().map(Vec::as_mut_slice).collect();
    renderer.open()?.read(0, &mut planes)?;
    Ok(drive)
}

/// An amplifier of constant gain on `rig`.
pub(crate) struct Linear<'a> {
    rig: &'a Rig,
    gain: f64,
    unit: &'a UnitSpec,
    heard: bool,
}

impl Linear<'_> {
    /// A sine's peak re its rms.
    pub(crate) const PEAK_OF_SINE: f64 = std::f64::consts::SQRT_2;

    fn check(&mut self, cleared: &Cleared, setup: &Setup, drive: &[Vec<f64>]) {
        let unit: UnitLimits = limits::of(self.unit, setup).unwrap();
        for (channel, plane) in drive.iter().enumerate() {
            let full_scale_v = self.rig.channels[channel].output_full_scale_v.value * Self::PEAK_OF_SINE;
            let peak_v = plane.iter().fold(0.0f64, |p, x| p.max(x.abs())) * full_scale_v;
            // 1e-9: rounding of powers of ten.
            let most_v = self.rig.ceiling_v * Self::PEAK_OF_SINE * (1.0 + 1e-9);
            assert!(peak_v <= most_v, "{peak_v} V peak of {most_v} V: {cleared:?}");
            if peak_v > 0.0 && !self.heard {
                let first_v = unit.sensitivity_v * 1e-3 * Self::PEAK_OF_SINE;
                assert!(peak_v <= first_v * (1.0 + 1e-9), "{peak_v} V peak at first");
            }
            let output_v = peak_v / Self::PEAK_OF_SINE * self.gain;
            let watts = output_v * output_v / self.rig.channels[channel].load_ohm.value;
            // The gain that was read differs from the true one by the noise of this bench: none.
            assert!(
                watts <= self.rig.channels[channel].load_rating_w * 1.001,
                "{watts} W"
            );
            let rated_v = (unit.rated_w * unit.rated_load_ohm).sqrt();
            assert!(
                cleared.prompt() || output_v <= 0.01 * rated_v * 1.001,
                "{output_v} V"
            );
        }
        self.heard |= drive.iter().flatten().any(|x| x.abs() > 0.0);
    }
}

impl Bench for Linear<'_> {
    fn play(&mut self, cleared: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        let drive = rendered(cleared, 2)?;
        self.check(cleared, setup, &drive);
        let rate = cleared.stimulus().sample_rate_hz;
        let frames = drive[0].len();
        sink.begin(&Format {
            sample_rate_hz: rate,
            channels: 2,
            frames: frames as u64,
            encoding: Encoding::Int(24),
        })?;
        // White noise of −110 dBFS from a linear congruence, so that no two samples repeat.
        let mut state = 12_345u64;
        let mut noise = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            ((state >> 33) as f64 / f64::from(1u32 << 30) - 1.0) * 4e-6
        };
        let heard: Vec<Vec<f64>> = drive
            .iter()
            .enumerate()
            .map(|(channel, plane)| {
                let out = self.rig.channels[channel].output_full_scale_v.value;
                let at = self
                    .rig
                    .volts_at_full_scale(channel, setup.tap.as_deref())
                    .unwrap()
                    .value;
                plane.iter().map(|x| x * out * self.gain / at + noise()).collect()
            })
            .collect();
        for first in (0..frames).step_by(BLOCK_FRAMES) {
            let last = (first + BLOCK_FRAMES).min(frames);
            let block: Vec<&[f64]> = heard.iter().map(|p| &p[first..last]).collect();
            if let Flow::Stop(reason) = sink.block(&block)? {
                panic!("{reason:?} at frame {first} of {cleared:?}");
            }
        }
        Ok(Played {
            frames: frames as u64,
            loaded: Some(true),
            ..Played::default()
        })
    }

    fn simulated(&self) -> bool {
        true
    }
}

fn at() -> Moment {
    "2026-03-14T10:00:00+01:00".parse().unwrap()
}

/// Runs the plan of a unit; the steps that were refused, with the reasons.
pub(crate) fn run_all(
    change: fn(&mut UnitSpec),
    ceiling_v: f64,
    gain_db: f64,
    marks: bool,
) -> Vec<(String, String)> {
    let mut unit = file::parse(DEMO, "demo").unwrap();
    change(&mut unit);
    let steps = plan::full(&unit, "power", "noise").unwrap();
    let mut rig = demo_rig();
    rig.ceiling_v = ceiling_v;
    let line = plan::line_input(&unit).unwrap();
    let gain = unit.power.volts().0 / line.sensitivity_v * 10f64.powf(gain_db / 20.0);
    let root = tempfile::TempDir::new().unwrap();
    let record = Record {
        schema: asleft::job::record::SCHEMA.to_owned(),
        id: "2026-03-14-tarnbeck-60".to_owned(),
        opened: at(),
        workshop: "Example Bench".to_owned(),
        owner: "Demo Customer".to_owned(),
        serial: String::new(),
        complaint: String::new(),
        found: String::new(),
        work: Vec::new(),
        notes: Vec::new(),
        unit: unit.clone(),
        bench: BenchKind::Simulated,
        rigs: BTreeMap::new(),
        connections: Vec::new(),
        rig_in_use: None,
        stages: Vec::new(),
    };
    let mut writer = Writer::create(root.path(), record).unwrap();
    let mut bench = Linear {
        rig: &rig,
        gain,
        unit: &unit,
        heard: false,
    };
    let mut operator = Unattended::yes_to(&[HIGH_FREQUENCY]);
    let mut session = Session::new(
        &mut writer,
        &mut bench,
        &rig,
        StageKind::AsLeft,
        &at,
        &mut operator,
    );
    session.marks = marks;
    let mut refused = Vec::new();
    // Silence plays nothing, and takes longest to analyse.
    for step in steps.iter().filter(|s| s.play != plan::Play::Silence) {
        if let Err(error) = session.run(step) {
            refused.push((step.name.clone(), error.what().to_owned()));
        }
    }
    refused
}
