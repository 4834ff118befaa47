//! Every figure measured on the simulated bench against the truth of the simulated amplifier, whose closed forms share
//! no code with the analysis.
//!
//! A figure agrees when the truth lies inside its own interval, taken as it is (×1.0). One in 22 need not: the intervals
//! are 95.45 % ones. So each test counts those outside and allows what chance gives; none may be outside an interval of
//! twice the width. `tests/coverage.rs` does the counting over many rigs.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands, also in its own functions"
)]

use asleft::bench::simulated::{SimulatedBench, Truth, bench_interface, demo_rig, tarnbeck_60};
use asleft::bench::{Bench, InMemory};
use asleft::dsp::weighting::power_gain;
use asleft::figure::{Channel, Driven, Figure, FigureId, Findings, Unit};
use asleft::figures::{self, Context};
use asleft::rig::ceiling;
use asleft::signal::stimulus::{SCHEMA, Signal, Stimulus};
use asleft::signal::take::{Setup, Take};
use asleft::take::{Examined, examine};
use std::sync::Arc;

const MODES: [&str; 2] = ["class AB", "class A"];

fn setup(mode: &str, tap: &str, driven: Option<Driven>) -> Setup {
    Setup {
        driven,
        mode: Some(mode.to_owned()),
        input: Some("Aux".to_owned()),
        volume: Some("maximum".to_owned()),
        termination: Some("shorted plug".to_owned()),
        tap: Some(tap.to_owned()),
        pad: None,
        loaded: Some(true),
    }
}

/// Level that puts `emf_v` rms at `hertz` on the unit's input: the playing side's own full scale and response.
fn level_dbfs(channel: usize, hertz: f64, emf_v: f64) -> f64 {
    let interface = bench_interface();
    20.0 * (emf_v / (interface.output_full_scale_v[channel] * interface.side_response(hertz).norm())).log10()
}

fn record(
    bench: &mut SimulatedBench,
    signals: Vec<Signal>,
    rate: u32,
    seconds: f64,
    setup: &Setup,
) -> Examined {
    let stimulus = Stimulus {
        schema: SCHEMA.to_owned(),
        sample_rate_hz: rate,
        seconds,
        lead_in_s: 0.1,
        lead_out_s: 0.15,
        fade_s: ceiling::RAMP_S,
        marks: None,
        channels: signals,
    };
    let cleared = ceiling::clear(stimulus, &demo_rig(), None).unwrap();
    let mut tape = InMemory::default();
    bench.play(&cleared, setup, &mut tape).unwrap();
    let source = tape.source().unwrap();
    let take = Take {
        source: Arc::new(source),
        stimulus: Some(cleared.stimulus().clone()),
        setup: setup.clone(),
        simulated: true,
    };
    examine(take, None).unwrap()
}

fn found(examined: &Examined) -> Findings {
    let rig = demo_rig();
    figures::of_take(
        examined,
        &Context {
            rig: Some(&rig),
            ..Context::default()
        },
    )
}

/// Figures held against the truth.
#[derive(Default)]
struct Held {
    count: f64,
    outside: Vec<String>,
    far_outside: Vec<String>,
}

impl Held {
    fn check(&mut self, figure: &Figure, truth: f64) {
        let (low, high) = figure.estimate.interval();
        let what = format!(
            "{} {} order {:?} weighting {:?} band {:?} at {:?} Hz, {:?}",
            figure.id,
            figure.channel,
            figure.order,
            figure.weighting,
            figure.band.map(|b| (b.low_hz, b.high_hz)),
            figure.conditions.frequency_hz,
            figure.conditions.mode
        );
        // What is known to be below a limit reaches down to nothing, which a logarithm can only hint at.
        let low = if figure.upper_limit {
            f64::NEG_INFINITY
        } else {
            low
        };
        self.inside(&what, figure.estimate.value, (low, high), truth);
    }

    fn inside(&mut self, what: &str, value: f64, (low, high): (f64, f64), truth: f64) {
        self.count += 1.0;
        let line = format!("{what}: {value:.6e} [{low:.6e}, {high:.6e}], truth {truth:.6e}");
        if truth < value - 2.0 * (value - low) || truth > value + 2.0 * (high - value) {
            self.far_outside.push(line.clone());
        }
        if truth < low || truth > high {
            self.outside.push(line);
        }
    }

    /// Binomial: 4.55 % of n figures, and three standard deviations (1 in 700).
    fn verdict(self, at_least: f64) {
        assert!(
            self.count >= at_least,
            "only {} figures were held against the truth",
            self.count
        );
        assert!(
            self.far_outside.is_empty(),
            "far outside:\n{}",
            self.far_outside.join("\n")
        );
        let (p, n) = (0.0455, self.count);
        let allowed = n * p + 3.0 * (n * p * (1.0 - p)).sqrt();
        let outside = self.outside.len();
        assert!(
            outside as f64 <= allowed,
            "{outside} of {n} outside:\n{}",
            self.outside.join("\n")
        );
    }
}

fn pick(findings: &Findings, id: FigureId, channel: Channel, unit: Unit) -> impl Iterator<Item = &Figure> {
    findings
        .figures
        .iter()
        .filter(move |f| f.id == id && f.channel == channel && f.unit == unit)
}

fn truth(bench: &SimulatedBench, setup: &Setup) -> Truth {
    bench.truth(setup).unwrap()
}

/// Noise with its hum in the weighting and band of `figure`; `None` of a quasi-peak reading, which has no closed form.
fn noise_v(truth: &Truth, index: usize, figure: &Figure) -> Option<f64> {
    let band = figure.band?;
    let weight = |hz: f64| figure.weighting.map_or(1.0, |w| power_gain(w, hz).sqrt());
    let lines: f64 = (1..=40)
        .map(|order| (order, f64::from(order) * truth.mains_hz()))
        .filter(|(_, hz)| band.counts(*hz))
        .map(|(order, hz)| (truth.hum_line_v(index, order) * weight(hz)).powi(2))
        .sum();
    Some(truth.noise_v(index, band, &weight).hypot(lines.sqrt()))
}

#[test]
fn noise_and_hum() {
    let mut held = Held::default();
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 20);
    for mode in MODES {
        for (input, volume) in [("Aux", "maximum"), ("Aux", "minimum"), ("Phono", "maximum")] {
            let setup = Setup {
                input: Some(input.to_owned()),
                volume: Some(volume.to_owned()),
                ..setup(mode, "noise", None)
            };
            silence(&mut bench, &setup, &mut held);
        }
    }
    held.verdict(150.0);
}

fn silence(bench: &mut SimulatedBench, setup: &Setup, held: &mut Held) {
    let truth = truth(bench, setup);
    let findings = found(&record(bench, vec![Signal::Silence; 2], 96_000, 6.0, setup));
    for figure in findings.figures.iter().filter(|f| f.unit == Unit::Volts) {
        let index = figure.channel.index().unwrap();
        let line = |order| truth.hum_line_v(index, order);
        let known = match figure.id {
            FigureId::Noise => noise_v(&truth, index, figure),
            FigureId::HumLine => figure.order.map(line),
            FigureId::Hum => Some((1..=40).map(|o| line(o).powi(2)).sum::<f64>().sqrt()),
            _ => None,
        };
        if let Some(known) = known {
            held.check(figure, known);
        }
    }
}

#[test]
fn tones() {
    let mut held = Held::default();
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 21);
    for mode in MODES {
        // Frequencies none of whose harmonics falls on a mains line, whose hum it would take for its own.
        for (hertz, watts) in [(997.0, 1.0), (997.0, 12.0), (41.0, 6.0), (5003.0, 6.0)] {
            let setup = setup(mode, "power", Some(Driven::Both));
            let truth = truth(&bench, &setup);
            let emf = truth.emf_for_power_v(0, hertz, watts).unwrap().unwrap();
            let signals = (0..2)
                .map(|c| Signal::Tone {
                    frequency_hz: hertz,
                    level_dbfs: level_dbfs(c, hertz, emf),
                })
                .collect();
            let take = record(&mut bench, signals, 96_000, 1.5, &setup);
            let findings = found(&take);
            for index in 0..2 {
                let channel = Channel::at(index);
                let tone = truth.tone(index, hertz, emf).unwrap();
                for figure in pick(&findings, FigureId::Level, channel, Unit::Volts) {
                    held.check(figure, tone.level_v());
                }
                for figure in pick(&findings, FigureId::Power, channel, Unit::Watts) {
                    held.check(figure, truth.power_w(index, &tone).unwrap());
                }
                for figure in pick(&findings, FigureId::Thd, channel, Unit::Percent) {
                    held.check(figure, 100.0 * tone.thd(figure.band.unwrap()));
                }
                for figure in pick(&findings, FigureId::Harmonic, channel, Unit::Decibels) {
                    held.check(figure, tone.harmonic_db(figure.order.unwrap() as usize));
                }
            }
            let rail_a = truth.rail_current_a(hertz, emf);
            for figure in findings
                .figures
                .iter()
                .filter(|f| f.id == FigureId::HumLine && f.unit == Unit::Volts)
            {
                let index = figure.channel.index().unwrap();
                held.check(figure, truth.hum_line_at_v(index, figure.order.unwrap(), rail_a));
            }
            for figure in pick(&findings, FigureId::Balance, Channel::Pair, Unit::Decibels) {
                held.check(figure, truth.balance_db(hertz));
            }
        }
    }
    held.verdict(200.0);
}

/// A sweep of 3 s from 10 Hz to 40 kHz that brings 6 W at 1 kHz.
fn swept(bench: &mut SimulatedBench, setup: &Setup, driven: Driven) -> Examined {
    let truth = truth(bench, setup);
    let loudest = usize::from(driven == Driven::Right);
    let emf = truth.emf_for_power_v(loudest, 1000.0, 6.0).unwrap().unwrap();
    let signal = |c: usize| Signal::Sweep {
        from_hz: 10.0,
        to_hz: 40_000.0,
        level_dbfs: level_dbfs(c, 1000.0, emf),
    };
    let signals = (0..2)
        .map(|c| {
            if driven.includes(c) {
                signal(c)
            } else {
                Signal::Silence
            }
        })
        .collect();
    record(bench, signals, 96_000, 3.0, setup)
}

#[test]
fn sweeps() {
    let mut held = Held::default();
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 22);
    for mode in MODES {
        let both = setup(mode, "power", Some(Driven::Both));
        let truth = truth(&bench, &both);
        let findings = found(&swept(&mut bench, &both, Driven::Both));
        for curve in findings.curves.iter().filter(|c| c.id == FigureId::Response) {
            let index = curve.channel.index().unwrap();
            // Five points of the grid from the lowest to the highest octave.
            for hertz in [20.0, 100.0, 5_000.0, 10_000.0, 20_000.0] {
                let near = |a: &&usize| (curve.x[**a] / hertz).ln().abs();
                let points: Vec<usize> = (0..curve.x.len()).collect();
                let i = *points.iter().min_by(|a, b| near(a).total_cmp(&near(b))).unwrap();
                let (value, reach) = (curve.y[i], 2.0 * curve.u[i]);
                let what = format!("response {} at {} Hz, {mode}", curve.channel, curve.x[i]);
                held.inside(
                    &what,
                    value,
                    (value - reach, value + reach),
                    truth.response_db(index, curve.x[i]),
                );
            }
        }
        for (id, worse) in [
            (FigureId::ResponseMax, f64::max as fn(f64, f64) -> f64),
            (FigureId::ResponseMin, f64::min),
        ] {
            for figure in findings.figures.iter().filter(|f| f.id == id) {
                let index = figure.channel.index().unwrap();
                let band = figure.band.unwrap();
                let octaves = (band.high_hz / band.low_hz).log2();
                let points = (0..=1000).map(|i| band.low_hz * (octaves * f64::from(i) / 1000.0).exp2());
                let extreme = points
                    .map(|hz| truth.response_db(index, hz))
                    .reduce(worse)
                    .unwrap();
                held.check(figure, extreme);
            }
        }
        for figure in pick(&findings, FigureId::Balance, Channel::Pair, Unit::Decibels) {
            held.check(figure, truth.balance_db(1000.0));
        }
        for (driven, index) in [(Driven::Left, 0), (Driven::Right, 1)] {
            let one = setup(mode, "power", Some(driven));
            let truth = self::truth(&bench, &one);
            let findings = found(&swept(&mut bench, &one, driven));
            for figure in findings.figures.iter().filter(|f| f.id == FigureId::Separation) {
                held.check(
                    figure,
                    truth.separation_db(index, figure.conditions.frequency_hz.unwrap()),
                );
            }
        }
    }
    held.verdict(30.0);
}
