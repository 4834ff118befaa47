//! Sources of error that must be in the interval, and those that must not: the rig's noise and response, the load's
//! temperature, the converter's steps, a level that does not stand still.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test may stop at the first surprise"
)]

mod steady;

use asleft::dsp::tone::analyse;
use asleft::figure::{Band, Figure, FigureId, Findings, LimitedBy, Unit, Weighting};
use asleft::figures::distortion::Distortion;
use asleft::figures::power::Power;
use asleft::figures::tone::Tone;
use asleft::figures::{Context, of_take};
use asleft::rig::Rig;
use asleft::signal::source::{Encoding, MemorySource};
use asleft::take::{ChannelView, Content, Examined};
use asleft::unit::{Rated, UnitSpec, file};
use std::collections::BTreeSet;
use std::f64::consts::TAU;
use steady::{RATE, audio, examined, measure, noise, rig, series, take};

const NOISE: f64 = 1e-4;

/// A tone of 0.5 in white noise of rms [`NOISE`].
fn noisy_tone(seconds: f64) -> Vec<f64> {
    let mut x = series(&[(1, 0.5, 0.0)], 1000.0, seconds);
    for (v, n) in x.iter_mut().zip(noise((seconds * 96_000.0) as usize, NOISE, 11)) {
        *v += n;
    }
    x
}

/// A rig with white noise `db` re that of [`noisy_tone`].
fn noisy_rig(db: f64) -> Rig {
    let mut rig = rig(Vec::new());
    // White noise of mean square σ² up to 48 kHz; a full-scale sine has ½.
    let density = 10.0 * (2.0 * NOISE * NOISE / 48_000.0).log10() + db;
    rig.loopback[0].frequency_hz = vec![20.0, 20_000.0];
    rig.loopback[0].noise_dbfs_per_hz = vec![density; 2];
    rig
}

#[test]
fn the_rigs_noise_is_in_the_interval_of_distortion_and_noise() {
    let tone = take(noisy_tone(2.0), 1000.0);
    // All of the noise may be the rig's: the unit's own THD+N may be nothing, its SINAD anything.
    let found = measure(&Distortion::default(), &tone, Some(&noisy_rig(0.0)));
    let (thd_n, sinad) = (audio(&found, FigureId::ThdN), audio(&found, FigureId::Sinad));
    assert!(thd_n.estimate.interval().0 <= 0.0, "{thd_n:?}");
    assert!(sinad.estimate.interval().1 > sinad.estimate.value + 90.0);
    assert_eq!(thd_n.limited_by, Some(LimitedBy::RigNoise));
    assert_eq!(sinad.limited_by, Some(LimitedBy::RigNoise));
    // A quarter of it ±1 dB (two standard uncertainties of the loopback): √(1 − 0.25·1.2589) = 0.8279 of the value.
    let found = measure(&Distortion::default(), &tone, Some(&noisy_rig(-6.0206)));
    let (thd_n, sinad) = (audio(&found, FigureId::ThdN), audio(&found, FigureId::Sinad));
    let low = (thd_n.estimate.interval().0 + thd_n.estimate.expanded()) / thd_n.estimate.value;
    assert!((low - 0.8279).abs() < 1e-3, "{low}");
    let high = sinad.estimate.interval().1 - sinad.estimate.expanded() - sinad.estimate.value;
    assert!((high + 20.0 * 0.8279f64.log10()).abs() < 1e-2, "{high}");
    // 20 dB below it is not what limits.
    let found = measure(&Distortion::default(), &tone, Some(&noisy_rig(-20.0)));
    assert_eq!(audio(&found, FigureId::ThdN).limited_by, None);
}

fn level(findings: &Findings, unit: Unit) -> Figure {
    let fits = |f: &&Figure| f.id == FigureId::Level && f.unit == unit;
    findings.figures.iter().find(fits).unwrap().clone()
}

fn source(figure: &Figure, name: &str) -> Option<f64> {
    let mut lines = figure.estimate.budget().iter();
    lines.find(|c| c.source.name() == name).map(|c| c.u)
}

#[test]
fn half_of_the_loopback_response_is_taken_out() {
    let mut rig = noisy_rig(-20.0);
    rig.loopback[0].response_hz = vec![20.0, 1000.0, 20_000.0];
    rig.loopback[0].response_db = vec![-0.6, 0.0, -1.2];
    // Halfway in ln f between two points, with no point near: L is half of the outer one's.
    for (hz, loss_db) in [(20_000f64.sqrt(), 0.3), (2e7f64.sqrt(), 0.6)] {
        let tone = take(series(&[(1, 0.5, 0.0)], hz, 1.0), hz);
        let volts = level(&measure(&Tone, &tone, Some(&rig)), Unit::Dbv);
        // 0.5 of 40 V is 26.0206 dBV as read; the input is low by 0 to L: L/2 is expected, L/2/√3 remains.
        let shift = volts.estimate.value - 26.020_6;
        assert!((shift - loss_db / 2.0).abs() < 1e-4, "{hz}: {shift}");
        let u = source(&volts, "rig response, left").unwrap();
        assert!((u - loss_db / 2.0 / 3f64.sqrt()).abs() < 1e-6, "{hz}: {u}");
        let (low, high) = volts.estimate.interval();
        assert!(low < 26.020_6 && high > 26.020_6 + loss_db, "{low} {high}");
    }
}

#[test]
fn a_load_warms_under_power() {
    let warming = "load temperature, left";
    let power = |rig: &Rig, amplitude: f64| {
        let tone = take(series(&[(1, amplitude, 0.0)], 1000.0, 0.5), 1000.0);
        measure(&Power, &tone, Some(rig)).figures[0].clone()
    };
    // 20 V into 8 Ω rated 100 W; half-width 1.5 % (100 ppm/K over 150 K), u = a/√3 (GUM 4.3.7).
    let mut rig = rig(Vec::new());
    let hard = power(&rig, 0.5);
    let u = source(&hard, warming).unwrap().abs() / hard.estimate.value;
    assert!((u - 0.015 / 3f64.sqrt()).abs() < 1e-9, "{u}");
    // 2 V: 0.5 W.
    assert_eq!(source(&power(&rig, 0.05), warming), None);
    // Known to rise to 8.16 Ω: 8.08 ± 0.08 Ω.
    let mut hot = rig.channels[0].load_ohm.clone();
    hot.value = 8.16;
    rig.channels[0].load_hot_ohm = Some(hot);
    let hard = power(&rig, 0.5);
    assert!((hard.estimate.value - 400.0 / 8.08).abs() < 1e-6);
    assert!((hard.conditions.load_ohm.unwrap() - 8.08).abs() < 1e-9);
    let u = source(&hard, warming).unwrap().abs() / hard.estimate.value;
    assert!((u - 0.08 / 8.08 / 3f64.sqrt()).abs() < 1e-9, "{u}");
    let soft = power(&rig, 0.05);
    assert!(source(&soft, warming).is_none() && (soft.estimate.value - 0.5).abs() < 1e-6);
}

#[test]
fn dither_leaves_no_step_in_the_interval() {
    let step = (-15f64).exp2();
    let seconds = 4.0;
    let tone = series(&[(1, 1e-3, 0.0)], 997.0, seconds);
    // TPDF: the sum of two rectangles of one step.
    let mut state = 5u64;
    let mut rectangle = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    };
    let stored = |x: Vec<f64>| {
        examined(
            MemorySource::new(RATE, vec![x]).stored_as(Encoding::Int(16)),
            997.0,
        )
    };
    let dithered = tone
        .iter()
        .map(|v| (v / step + rectangle() + rectangle()).round() * step)
        .collect();
    let figure = level(&measure(&Tone, &stored(dithered), None), Unit::Dbfs);
    // Total error of TPDF: Δ²/4 (Lipshitz et al. 1992); Cramér–Rao bound of the amplitude: var = 2σ²/N (IEEE 1057).
    let bound = 2.0 * (2.0 * step * step / 4.0 / (seconds * f64::from(RATE))).sqrt();
    let ratio = figure.estimate.expanded() / (8.685_889_638 * bound / 1e-3);
    // The noise is estimated from some tens of bins: within a third.
    assert!((0.75..1.33).contains(&ratio), "{ratio}");
    assert_eq!(source(&figure, "resolution, left"), None);
    let plain = tone.iter().map(|v| (v / step).round() * step).collect();
    let figure = level(&measure(&Tone, &stored(plain), None), Unit::Dbfs);
    assert!(source(&figure, "resolution, left").is_some());
}

/// The note of a changed level in what is found of `envelope(t)` times a tone in noise.
fn note_of_change(seconds: f64, envelope: impl Fn(f64) -> f64) -> Option<String> {
    let x: Vec<f64> = noisy_tone(seconds)
        .iter()
        .enumerate()
        .map(|(i, v)| v * envelope(i as f64 / f64::from(RATE)))
        .collect();
    let notes = measure(&Tone, &take(x, 1000.0), None).notes;
    assert!(notes.len() <= 1);
    notes.into_iter().next()
}

#[test]
fn a_level_that_changes_is_said() {
    // 3 % up in the middle: 20 lg 1.03 = 0.26 dB.
    for seconds in [2.0, 10.0] {
        let note = note_of_change(seconds, |t| if t < seconds / 2.0 { 1.0 } else { 1.03 }).unwrap();
        let (_, after) = note.split_once("about ").unwrap();
        let db: f64 = after.split_once(' ').unwrap().0.parse().unwrap();
        assert!(
            note.starts_with("left: the level changed") && (0.2..0.33).contains(&db),
            "{note}"
        );
        assert_eq!(note_of_change(seconds, |_| 1.0), None);
    }
    // A slow tremolo of ±2 %.
    assert!(note_of_change(10.0, |t| 1.0 + 0.02 * (TAU * 0.3 * t).sin()).is_some());
    // 0.01 dB of drift is nothing to speak of.
    assert_eq!(note_of_change(10.0, |t| 1.0 + 1e-4 * t), None);
}

fn views(samples: Vec<f64>, guesses: &[f64]) -> Vec<ChannelView> {
    let source = MemorySource::new(RATE, vec![samples]);
    let frames = asleft::signal::source::BlockSource::format(&source).frames;
    analyse(&source, 0..frames, &[guesses.to_vec()])
        .unwrap()
        .into_iter()
        .map(|c| ChannelView {
            tones: c.tones,
            spectrum: c.spectrum,
            dc: c.dc,
            quasi_peak: None,
        })
        .collect()
}

#[test]
fn two_sines_are_told_apart() {
    for (low, high, order_of_low) in [(0.4, 0.1, 1), (0.1, 0.4, 2), (0.25, 0.2501, 1)] {
        let x: Vec<f64> = series(&[(1, low, 0.0)], 60.0, 2.0)
            .iter()
            .zip(series(&[(1, high, 0.0)], 7000.0, 2.0))
            .map(|(a, b)| a + b)
            .collect();
        let content = Content::TwoTone(views(x.clone(), &[60.0, 7000.0]));
        let both = Examined {
            content,
            ..take(x, 60.0)
        };
        let found = measure(&Tone, &both, None).figures;
        let known: BTreeSet<_> = found.iter().map(|f| (f.id, f.channel, f.unit, f.order)).collect();
        assert_eq!((known.len(), found.len()), (4, 4));
        for f in &found {
            let is_low = f.conditions.frequency_hz.unwrap() < 1000.0;
            assert_eq!(
                f.order,
                Some(if is_low { order_of_low } else { 3 - order_of_low })
            );
        }
    }
}

fn rating(figure: FigureId, band_hz: Option<Band>, weighting: Option<Weighting>) -> UnitSpec {
    let mut spec = file::parse(file::template(), "x").unwrap();
    let rated = Rated {
        figure,
        band_hz,
        weighting,
        ..spec.rated[0].clone()
    };
    spec.rated = vec![rated];
    spec
}

#[test]
fn what_the_unit_file_rates_is_measured() {
    let band = Band {
        low_hz: 30.0,
        high_hz: 15_000.0,
    };
    let mut quiet = noise(4 * 96_000, 1e-5, 3);
    for (i, v) in quiet.iter_mut().enumerate() {
        let turns = TAU * 50.0 * i as f64 / f64::from(RATE);
        *v += 1e-4 * turns.sin() + 1e-4 * (3.0 * turns).sin();
    }
    let silence = Examined {
        content: Content::Silence(views(quiet.clone(), &[])),
        ..take(quiet, 50.0)
    };
    let tone = take(noisy_tone(1.0), 1000.0);
    for (id, weighting, examined) in [
        (FigureId::ThdN, None, &tone),
        (FigureId::Noise, Some(Weighting::A), &silence),
        (FigureId::Hum, None, &silence),
    ] {
        let spec = rating(id, Some(band), weighting);
        let has = |unit: Option<&UnitSpec>| {
            let context = Context {
                unit,
                ..Context::default()
            };
            let figures = of_take(examined, &context).figures;
            let known = |f: &Figure| {
                (
                    f.id,
                    f.unit,
                    f.order,
                    f.weighting.map(|w| format!("{w:?}")),
                    f.band.map(|b| (b.low_hz as i64, b.high_hz as i64)),
                )
            };
            let ids: BTreeSet<_> = figures.iter().map(known).collect();
            assert_eq!(
                ids.len(),
                figures.len(),
                "{id}: every figure is known by its conditions"
            );
            let fits = |f: &&Figure| f.id == id && f.band == Some(band) && f.weighting == weighting;
            figures.iter().filter(fits).count()
        };
        assert_eq!((has(None), has(Some(&spec))), (0, 1), "{id}");
    }
}
