//! How often the interval of a figure holds the truth: over many rigs, each calibrated with errors drawn from what its
//! file states, and over many draws of noise.
//!
//! The rig's errors are in its file and not in the samples, so one recording serves many rigs; a few recordings of
//! different noise serve in turn. `ASLEFT_COVERAGE_RUNS` sets the number of rigs (120 without it), and with it that of
//! the recordings.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands, also in its own functions"
)]

use asleft::bench::simulated::{SimulatedBench, Truth, bench_interface, demo_rig, drawn_rig, tarnbeck_60};
use asleft::bench::{Bench, InMemory};
use asleft::dsp::weighting::power_gain;
use asleft::figure::{Driven, Figure, FigureId, Unit};
use asleft::figures::{self, Context};
use asleft::rig::ceiling;
use asleft::signal::stimulus::{SCHEMA, Signal, Stimulus};
use asleft::signal::take::{Setup, Take};
use asleft::take::{Examined, examine};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Rigs without `ASLEFT_COVERAGE_RUNS`.
const RIGS: u64 = 120;
/// Rigs that share one recording.
const RIGS_A_RECORDING: u64 = 12;
/// What every figure must reach over many rigs.
const LEAST: f64 = 0.93;

const HERTZ: f64 = 997.0;

/// One recording with the truth behind it.
struct Known {
    examined: Examined,
    truth: Truth,
    emf_v: f64,
}

fn setup(tap: &str, driven: Option<Driven>) -> Setup {
    Setup {
        driven,
        mode: Some("class AB".to_owned()),
        input: Some("Aux".to_owned()),
        volume: Some("maximum".to_owned()),
        termination: Some("shorted plug".to_owned()),
        tap: Some(tap.to_owned()),
        pad: None,
        loaded: Some(true),
    }
}

/// Plays on a bench of its own noise; `watts` of a tone, or silence.
fn record(seed: u64, watts: Option<f64>) -> Known {
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), seed);
    let (tap, driven, seconds) = match watts {
        Some(_) => ("power", Some(Driven::Both), 0.6),
        None => ("noise", None, 3.0),
    };
    let setup = setup(tap, driven);
    let truth = bench.truth(&setup).unwrap();
    let emf_v = watts.map_or(0.0, |w| truth.emf_for_power_v(0, HERTZ, w).unwrap().unwrap());
    let interface = bench_interface();
    let signal = |c: usize| match watts {
        Some(_) => Signal::Tone {
            frequency_hz: HERTZ,
            level_dbfs: 20.0 * (emf_v / interface.output_full_scale_v[c]).log10(),
        },
        None => Signal::Silence,
    };
    let stimulus = Stimulus {
        schema: SCHEMA.to_owned(),
        sample_rate_hz: 48_000,
        seconds,
        lead_in_s: 0.1,
        lead_out_s: 0.15,
        fade_s: ceiling::RAMP_S,
        marks: None,
        channels: (0..2).map(signal).collect(),
    };
    let cleared = ceiling::clear(stimulus, &demo_rig(), None).unwrap();
    let mut tape = InMemory::default();
    bench.play(&cleared, &setup, &mut tape).unwrap();
    let source = tape.source().unwrap();
    let take = Take {
        source: Arc::new(source),
        stimulus: Some(cleared.stimulus().clone()),
        setup,
        simulated: true,
    };
    Known {
        examined: examine(take, None).unwrap(),
        truth,
        emf_v,
    }
}

impl Known {
    /// The truth of a figure; `None` of those that are not studied.
    fn of(&self, figure: &Figure) -> Option<f64> {
        let t = &self.truth;
        if figure.id == FigureId::Balance {
            return Some(t.balance_db(HERTZ));
        }
        let c = figure.channel.index()?;
        let tone = || t.tone(c, HERTZ, self.emf_v).unwrap();
        match (figure.id, figure.unit) {
            (FigureId::Level, Unit::Volts) => Some(tone().level_v()),
            (FigureId::Power, Unit::Watts) => t.power_w(c, &tone()),
            (FigureId::Thd, Unit::Percent) => Some(100.0 * tone().thd(figure.band?)),
            (FigureId::Harmonic, _) => Some(tone().harmonic_db(figure.order? as usize)),
            (FigureId::HumLine, Unit::Volts) => {
                Some(t.hum_line_at_v(c, figure.order?, t.rail_current_a(HERTZ, self.emf_v)))
            }
            (FigureId::Hum, Unit::Volts) if self.emf_v <= 0.0 => Some(self.hum_v(c, |_| 1.0, 0.0)),
            (FigureId::Noise, Unit::Volts) => {
                let weight = |hz: f64| figure.weighting.map_or(1.0, |w| power_gain(w, hz).sqrt());
                let band = figure.band?;
                Some(
                    t.noise_v(c, band, &weight)
                        .hypot(self.hum_v(c, weight, band.low_hz)),
                )
            }
            _ => None,
        }
    }

    fn hum_v(&self, channel: usize, weight: impl Fn(f64) -> f64, from_hz: f64) -> f64 {
        let lines = (1..=40).map(|order| (order, f64::from(order) * self.truth.mains_hz()));
        let squares = lines
            .filter(|(_, hz)| *hz > from_hz)
            .map(|(order, hz)| (self.truth.hum_line_v(channel, order) * weight(hz)).powi(2));
        squares.sum::<f64>().sqrt()
    }
}

/// Inside and tried, by figure.
type Tally = BTreeMap<String, (u64, u64)>;

fn count(known: &Known, rig_seed: u64, tally: &mut Tally) {
    let rig = drawn_rig(rig_seed);
    let findings = figures::of_take(
        &known.examined,
        &Context {
            rig: Some(&rig),
            ..Context::default()
        },
    );
    for figure in &findings.figures {
        let Some(truth) = known.of(figure) else { continue };
        let (low, high) = figure.estimate.interval();
        // An upper limit holds what is below it.
        let inside = (figure.upper_limit || truth >= low) && truth <= high;
        let name = format!(
            "{}{}{}{}",
            figure.id,
            figure.order.map_or_else(String::new, |n| format!(" {n}")),
            figure.weighting.map_or_else(String::new, |w| format!(" {w:?}")),
            figure
                .band
                .map_or_else(String::new, |b| format!(" {:.0}-{:.0} Hz", b.low_hz, b.high_hz)),
        );
        let (hit, tried) = tally.entry(name).or_default();
        *hit += u64::from(inside);
        *tried += 1;
    }
}

#[test]
fn the_truth_lies_inside_the_interval() {
    let rigs = std::env::var("ASLEFT_COVERAGE_RUNS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(RIGS);
    let recordings = rigs.div_ceil(RIGS_A_RECORDING);
    let mut tally = Tally::new();
    for watts in [Some(1.0), None] {
        for r in 0..recordings {
            let known = record(1000 + r, watts);
            for rig in (0..rigs).filter(|rig| rig % recordings == r) {
                count(&known, rig, &mut tally);
            }
        }
    }
    let mut short = Vec::new();
    for (name, (hit, tried)) in &tally {
        println!("{name}: {hit} of {tried}");
        // The recordings and their two channels are the independent draws where noise decides, the rigs where the
        // calibration does; the fewer of the two bounds the scatter: 3σ of a binomial (1 in 700).
        let draws = 2.0 * recordings as f64;
        let least = LEAST - 3.0 * (LEAST * (1.0 - LEAST) / draws).sqrt();
        if (*hit as f64) < least * *tried as f64 {
            short.push(format!(
                "{name}: {hit} of {tried}, at least {:.1} % expected",
                100.0 * least
            ));
        }
    }
    assert!(tally.len() > 25, "{} figures", tally.len());
    assert!(short.is_empty(), "{}", short.join("\n"));
}
