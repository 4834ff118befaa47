//! The power at a distortion limit against the closed form of a hard clipper and of a power law; it, gain and sensitivity
//! against the simulated amplifier's own parameters.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands, also in its own functions"
)]

use asleft::bench::simulated::{SimulatedBench, Truth, bench_interface, demo_rig, tarnbeck_60};
use asleft::bench::{Bench, InMemory};
use asleft::figure::{Band, Channel, Conditions, Driven, Figure, FigureId, LimitedBy, Unit};
use asleft::figures::power_at_limit::{ONSET_PERCENT, Point, Reached, first_reaching};
use asleft::figures::{self, Context};
use asleft::quantity::Estimate;
use asleft::rig::ceiling;
use asleft::signal::stimulus::{SCHEMA, Signal, Stimulus};
use asleft::signal::take::{Setup, Take};
use asleft::take::examine;
use asleft::unit::{UnitSpec, file};
use std::f64::consts::{FRAC_PI_2, PI};
use std::sync::Arc;

const HERTZ: f64 = 997.0;

fn figure(id: FigureId, unit: Unit, value: f64, relative_u: f64) -> Figure {
    Figure {
        id,
        channel: Channel::Left,
        estimate: Estimate::exact(value).with("x", value * relative_u),
        unit,
        db: None,
        order: None,
        weighting: None,
        band: None,
        conditions: Conditions {
            frequency_hz: Some(HERTZ),
            level_v: Some(1.0),
            load_ohm: Some(8.0),
            driven: Some(Driven::Both),
            ..Conditions::default()
        },
        limited_by: None,
        upper_limit: false,
    }
}

fn pairs(curve: &[(f64, f64)], relative_u: f64) -> Vec<(Figure, Figure)> {
    curve
        .iter()
        .map(|(watts, percent)| {
            (
                figure(FigureId::Power, Unit::Watts, *watts, relative_u),
                figure(FigureId::Thd, Unit::Percent, *percent, 0.0),
            )
        })
        .collect()
}

fn search(pairs: &[(Figure, Figure)], percent: f64) -> Reached {
    let points: Vec<Point<'_>> = pairs
        .iter()
        .map(|(power, distortion)| Point { power, distortion })
        .collect();
    first_reaching(&points, FigureId::PowerAtLimit, percent)
}

fn at(reached: Reached) -> Figure {
    match reached {
        Reached::At(figure) => *figure,
        other => panic!("{other:?}"),
    }
}

/// Power of the fundamental into 8 Ω and THD, percent, of a sine of peak `volts` through a clipper at ±`rail`.
///
/// Fourier integrals over a quarter period, θ = asin(rail/volts) being where the clipper takes hold:
/// b₁ = (2V/π)(θ + sin θ cos θ), mean square = (2/π)[V²(θ/2 − sin 2θ/4) + rail²(π/2 − θ)].
fn clipped(volts: f64, rail: f64) -> (f64, f64) {
    let theta = (rail / volts).min(1.0).asin();
    let b1 = 2.0 * volts / PI * (theta + theta.sin() * theta.cos());
    let square = 2.0 / PI
        * (volts * volts * (theta / 2.0 - (2.0 * theta).sin() / 4.0) + rail * rail * (FRAC_PI_2 - theta));
    let own = b1 * b1 / 2.0;
    (own / 8.0, 100.0 * ((square - own).max(0.0) / own).sqrt())
}

#[test]
fn a_power_law_is_read_off_exactly() {
    // d = 0.001·P^1.5 is a straight line in logarithms: P = (d/0.001)^(2/3), whatever the steps.
    let curve: Vec<(f64, f64)> = [5.0, 20.0, 31.0, 70.0, 95.0]
        .iter()
        .map(|p: &f64| (*p, 0.001 * p.powf(1.5)))
        .collect();
    let found = at(search(&pairs(&curve, 0.02), 0.3));
    let want = 300f64.powf(2.0 / 3.0);
    assert!((found.estimate.value / want - 1.0).abs() < 1e-12);
    // One meter reads both powers 2 % high: so is the result, and the line adds s·√(⅓ − t + t²).
    let (step, share) = ((70f64 / 31.0).ln(), (want / 31.0).ln() / (70f64 / 31.0).ln());
    let line = step * (1.0 / 3.0 - share + share * share).sqrt();
    let u = found.estimate.standard_uncertainty() / want;
    assert!((u - 0.02f64.hypot(line)).abs() < 1e-9, "{u}");
    assert_eq!(found.conditions.reference.as_deref(), Some("THD 0.3 %"));
    assert_eq!(found.conditions.level_v, None);
}

#[test]
fn the_knee_of_a_hard_clipper_lies_inside_the_interval() {
    const RAIL: f64 = 30.0;
    const FLOOR_PERCENT: f64 = 0.01;
    let device = |volts: f64| {
        let (watts, thd) = clipped(volts, RAIL);
        (watts, thd.hypot(FLOOR_PERCENT))
    };
    for limit in [0.05, 0.1, 1.0, 10.0] {
        let (mut low, mut high) = (RAIL * 0.5, RAIL * 5.0);
        for _ in 0..100 {
            let middle = 0.5 * (low + high);
            if device(middle).1 < limit {
                low = middle;
            } else {
                high = middle;
            }
        }
        let truth = device(low).0;
        for start in 0..20 {
            // Steps of half a decibel, begun at every twentieth of a step.
            let curve: Vec<(f64, f64)> = (0..40)
                .map(|k| device(20.0 * 10f64.powf(0.025 * (f64::from(k) + f64::from(start) / 20.0))))
                .collect();
            let found = at(search(&pairs(&curve, 0.0), limit));
            let (least, most) = found.estimate.interval();
            assert!(
                least <= truth && truth <= most,
                "{limit} %: {truth} not in {least}…{most}"
            );
            // Both takes' powers are within half a decibel, and so is the crossing.
            assert!((found.estimate.value / truth).log10().abs() < 0.05);
        }
    }
}

#[test]
fn what_was_not_reached_is_said() {
    let clean = pairs(&[(1.0, 0.02), (10.0, 0.01), (50.0, 0.03)], 0.0);
    let up_to = Reached::NotUpTo {
        watts: 50.0,
        percent: 0.03,
    };
    assert_eq!(search(&clean, 0.1), up_to);
    let bad = pairs(&[(1.0, 2.0), (10.0, 1.5)], 0.0);
    assert_eq!(search(&bad, 0.1), Reached::AlwaysAbove { watts: 1.0 });
    assert_eq!(search(&[], 0.1), Reached::Nothing);
    // Crossover distortion at low power comes before the search; a repeated take counts instead of the first.
    let mut crossover = pairs(
        &[(0.01, 0.5), (1.0, 0.02), (60.0, 0.9), (60.2, 0.02), (80.0, 0.5)],
        0.0,
    );
    let found = at(search(&crossover, 0.1)).estimate.value;
    assert!(found > 60.2 && found < 80.0, "{found}");
    // A capture that the converter clipped says nothing.
    crossover[4].1.limited_by = Some(LimitedBy::Clipping);
    assert!(matches!(search(&crossover, 0.1), Reached::NotUpTo { .. }));
}

fn setup() -> Setup {
    Setup {
        driven: Some(Driven::Both),
        mode: Some("class AB".to_owned()),
        input: Some("Aux".to_owned()),
        volume: Some("maximum".to_owned()),
        termination: None,
        tap: Some("power".to_owned()),
        pad: None,
        loaded: Some(true),
    }
}

fn demo_unit() -> UnitSpec {
    file::parse(include_str!("../units/tarnbeck-60.unit.toml"), "demo").unwrap()
}

/// The figures of a tone of `emf_v` rms on both inputs of the simulated amplifier.
fn taken(bench: &mut SimulatedBench, emf_v: f64) -> Vec<Figure> {
    let interface = bench_interface();
    let level = |c: usize| {
        let full_scale = interface.output_full_scale_v[c] * interface.side_response(HERTZ).norm();
        20.0 * (emf_v / full_scale).log10()
    };
    let stimulus = Stimulus {
        schema: SCHEMA.to_owned(),
        sample_rate_hz: 48_000,
        seconds: 0.6,
        lead_in_s: 0.1,
        lead_out_s: 0.15,
        fade_s: ceiling::RAMP_S,
        marks: None,
        channels: (0..2)
            .map(|c| Signal::Tone {
                frequency_hz: HERTZ,
                level_dbfs: level(c),
            })
            .collect(),
    };
    let cleared = ceiling::clear(stimulus, &demo_rig(), None).unwrap();
    let mut tape = InMemory::default();
    bench.play(&cleared, &setup(), &mut tape).unwrap();
    let take = Take {
        source: Arc::new(tape.source().unwrap()),
        stimulus: Some(cleared.stimulus().clone()),
        setup: setup(),
        simulated: true,
    };
    let (rig, unit) = (demo_rig(), demo_unit());
    let context = Context {
        rig: Some(&rig),
        unit: Some(&unit),
        reference: None,
    };
    figures::of_take(&examine(take, None).unwrap(), &context).figures
}

fn of(figures: &[Figure], id: FigureId, unit: Unit, channel: Channel) -> Option<&Figure> {
    figures
        .iter()
        .find(|f| f.id == id && f.unit == unit && f.channel == channel)
}

/// Power at which the amplifier's own model has `percent` of THD, W.
fn true_power(truth: &Truth, channel: usize, percent: f64) -> f64 {
    let thd = |emf: f64| 100.0 * truth.tone(channel, HERTZ, emf).unwrap().thd(Band::AUDIO);
    let (mut low, mut high) = (0.1, 0.3);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if thd(middle) < percent {
            low = middle;
        } else {
            high = middle;
        }
    }
    truth
        .power_w(channel, &truth.tone(channel, HERTZ, low).unwrap())
        .unwrap()
}

#[test]
fn the_simulated_amplifier_clips_where_its_rails_say() {
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 7);
    let truth = bench.truth(&setup()).unwrap();
    let rated = truth.emf_for_power_v(0, HERTZ, 60.0).unwrap().unwrap();
    // Half-decibel steps from half a decibel below rated up to 2.5 dB above.
    let takes: Vec<Vec<Figure>> = (-1..=5)
        .map(|k| taken(&mut bench, rated * 10f64.powf(0.025 * f64::from(k))))
        .collect();
    for (index, channel) in [Channel::Left, Channel::Right].into_iter().enumerate() {
        let points: Vec<Point<'_>> = takes
            .iter()
            .map(|t| Point {
                power: of(t, FigureId::Power, Unit::Watts, channel).unwrap(),
                distortion: of(t, FigureId::Thd, Unit::Percent, channel).unwrap(),
            })
            .collect();
        let found = at(first_reaching(&points, FigureId::ClippingOnset, ONSET_PERCENT));
        let want = true_power(&truth, index, ONSET_PERCENT);
        let touches = truth.clipping_onset_w(index).unwrap().unwrap();
        let (least, most) = found.estimate.interval();
        println!(
            "{channel}: {} W ± {}, true {want}, rail touched at {touches}",
            found.estimate.value,
            found.estimate.expanded()
        );
        assert!(
            least <= want && want <= most,
            "{channel}: {want} not in {least}…{most}"
        );
        // At 1 % a sine is flattened: the rails were touched at less power.
        assert!(touches < want);
    }
}

#[test]
fn gain_and_sensitivity_are_those_of_the_simulated_amplifier() {
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 8);
    let truth = bench.truth(&setup()).unwrap();
    let emf_v = truth.emf_for_power_v(0, HERTZ, 1.0).unwrap().unwrap();
    let figures = taken(&mut bench, emf_v);
    for (index, channel) in [Channel::Left, Channel::Right].into_iter().enumerate() {
        let gain = truth.tone(index, HERTZ, emf_v).unwrap().level_v() / emf_v;
        let rated_v = (60.0f64 * 8.0).sqrt();
        for (id, unit, want) in [
            (FigureId::Gain, Unit::Decibels, 20.0 * gain.log10()),
            (FigureId::Sensitivity, Unit::Volts, rated_v / gain),
        ] {
            let found = of(&figures, id, unit, channel).unwrap();
            let (least, most) = found.estimate.interval();
            println!(
                "{channel} {id}: {} ± {}, true {want}",
                found.estimate.value,
                found.estimate.expanded()
            );
            assert!(
                least <= want && want <= most,
                "{channel} {id}: {want} not in {least}…{most}"
            );
        }
    }
}
