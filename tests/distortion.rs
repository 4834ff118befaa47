//! Distortion figures against closed forms and published values.
//!
//! Waveforms: Blagouchine and Moreau, IEEE Trans. Commun. 59(9), 2011, and the Fourier series of clipped sines. Sampled
//! waveforms alias, so each is made here as its band-limited Fourier series and compared with the sum of the same series
//! over the harmonics that the figure counts; the infinite sum is checked against the published value beside it.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test may stop at the first surprise"
)]

mod steady;

use asleft::figure::{Band, Driven, Figure, FigureId, LimitedBy, Unit};
use asleft::figures::Measurement;
use asleft::figures::distortion::Distortion;
use asleft::figures::power::Power;
use asleft::figures::tone::Tone;
use asleft::signal::source::{Encoding, MemorySource};
use std::f64::consts::{PI, TAU};
use steady::{RATE, audio, examined, figure, measure, noise, rig, series, take};

/// Fourier series of published waveforms up to `highest`, fundamental first; amplitudes of the n-th harmonic of a cosine
/// or sine series, signs included.
fn waveform(name: &str, highest: u32) -> Vec<(u32, f64, f64)> {
    (1..=highest)
        .map(|n| {
            let k = f64::from(n);
            let odd = n % 2 == 1;
            let a = match name {
                "square" => {
                    if odd {
                        4.0 / (PI * k)
                    } else {
                        0.0
                    }
                }
                "triangle" => {
                    if odd {
                        8.0 / (PI * k).powi(2)
                    } else {
                        0.0
                    }
                }
                "sawtooth" => 2.0 / (PI * k),
                "half_wave_rectified_sine" => match n {
                    1 => 0.5,
                    _ if odd => 0.0,
                    _ => 2.0 / (PI * (k * k - 1.0)),
                },
                _ => unreachable!("a name of this table"),
            };
            (n, a, 0.0)
        })
        .filter(|line| line.1 > 0.0)
        .collect()
}

fn sum_over_harmonics(lines: &[(u32, f64, f64)]) -> f64 {
    let squares: f64 = lines[1..].iter().map(|l| l.1 * l.1).sum();
    squares.sqrt() / lines[0].1
}

#[test]
fn waveforms_have_their_published_distortion() {
    // shared table: THD_F of the infinite series. A tail beyond n adds less than the tolerance: 1/n for the slowest.
    for (name, published) in [
        ("square", 0.483_425_847_609),
        ("triangle", 0.121_152_926_519),
        ("sawtooth", 0.803_077_870_974),
        ("half_wave_rectified_sine", 0.435_236_178_254),
    ] {
        let infinite = sum_over_harmonics(&waveform(name, 2_000_000));
        assert!((infinite / published - 1.0).abs() < 2e-6, "{name}: {infinite}");
        for seconds in [0.25, 6.0] {
            // 997 Hz: 20 harmonics inside 20 kHz (19.94 kHz), lines up to 0.49·96 kHz present.
            let lines = waveform(name, 47);
            let counted = sum_over_harmonics(&waveform(name, 20));
            let x: Vec<f64> = series(&lines, 997.0, seconds).iter().map(|v| 0.5 * v).collect();
            let found = measure(&Distortion::default(), &take(x, 997.2), None);
            let thd = audio(&found, FigureId::Thd);
            // Leakage between lines of a clean signal: below 1e-7.
            assert!(
                (thd.estimate.value / 100.0 / counted - 1.0).abs() < 1e-6,
                "{name} {seconds}: {}",
                thd.estimate.value
            );
            let orders: Vec<u32> = (2..=20).collect();
            assert_eq!(thd.conditions.harmonics, Some(orders));
            assert_eq!(thd.limited_by, None);
            assert!((thd.db.unwrap() - 20.0 * counted.log10()).abs() < 1e-5);
            // Whatever the harmonics, THD+N of a clean signal in a band that holds all of them is √(D²/(1 + D²)).
            let all = counted / (1.0 + counted * counted).sqrt();
            let thd_n = audio(&found, FigureId::ThdN);
            assert!(
                (thd_n.estimate.value / 100.0 / all - 1.0).abs() < 2e-3,
                "{name} {seconds}: {} {all}",
                thd_n.estimate.value
            );
        }
    }
}

/// Symmetric clipping of sin θ at c = sin α: b1 and odd bₙ in closed form.
fn clipped(c: f64, highest: u32) -> Vec<(u32, f64, f64)> {
    let alpha = c.asin();
    (1..=highest)
        .step_by(2)
        .map(|n| {
            let k = f64::from(n);
            let b = if n == 1 {
                2.0 / PI * (alpha + alpha.sin() * alpha.cos())
            } else {
                2.0 / (PI * k)
                    * (((k - 1.0) * alpha).sin() / (k - 1.0) + ((k + 1.0) * alpha).sin() / (k + 1.0))
            };
            // A sine series: cos(x − π/2).
            (n, b, -PI / 2.0)
        })
        .collect()
}

#[test]
fn clipped_sines_have_their_published_harmonics() {
    // Threshold/peak, h3/b1, THD_F over H2–H10, from the clipped-sine table.
    for (c, h3, thd) in [
        (0.99, 0.001_180_931, 0.002_218_965),
        (0.95, 0.012_440_650, 0.018_898_220),
        (0.9, 0.032_863_184, 0.041_898_335),
        (0.8, 0.081_859_157, 0.089_490_589),
        (0.5, 0.226_326_315, 0.232_478_227),
    ] {
        let x = series(&clipped(c, 9), 1000.0, 0.3);
        let found = measure(&Distortion::default(), &take(x, 1000.0), None);
        let third = figure(&found, FigureId::Harmonic, Some(3), None);
        // The table has nine decimals.
        assert!((10f64.powf(third.estimate.value / 20.0) - h3).abs() < 1e-9, "{c}");
        // sin 3θ over sin θ: φ₃ − 3φ₁ = −90° + 270° = 180° for cosines.
        assert!((third.conditions.phase_deg.unwrap().abs() - 180.0).abs() < 1e-6);
        assert!(
            (audio(&found, FigureId::Thd).estimate.value / 100.0 - thd).abs() < 1e-9,
            "{c}"
        );
    }
}

#[test]
fn polynomial_and_chebyshev_devices() {
    // y = x + .02x² + .01x³ + .004x⁴ + .002x⁵ of cos θ, and y = Σhₙ Tₙ with h = (1, .01, .003, .001, .0003), sample by
    // sample: 5 × 1 kHz stays below half the sample rate, so nothing aliases.
    let cosine = series(&[(1, 1.0, 0.0)], 1000.0, 0.4);
    for (powers, h, thd) in [
        (
            [0.0, 1.0, 0.02, 0.01, 0.004, 0.002],
            [1.00875, 0.012, 0.003_125, 0.0005, 0.000_125],
            0.012_303_279_0,
        ),
        (
            [-0.009, 0.9925, 0.012, 0.006, 0.008, 0.0048],
            [1.0, 0.01, 0.003, 0.001, 0.0003],
            0.010_492_378_2,
        ),
    ] {
        let x = cosine
            .iter()
            .map(|v| powers.iter().rev().fold(0.0, |y, a| y * v + a))
            .collect();
        let found = measure(&Distortion::default(), &take(x, 1000.0), None);
        for n in 2..=5u32 {
            let line = figure(&found, FigureId::Harmonic, Some(n), None);
            let expected = 20.0 * f64::log10(h[n as usize - 1] / h[0]);
            assert!(
                (line.estimate.value - expected).abs() < 1e-7,
                "H{n}: {} {expected}",
                line.estimate.value
            );
            assert!(line.conditions.phase_deg.unwrap().abs() < 1e-6);
        }
        assert!((audio(&found, FigureId::Thd).estimate.value / 100.0 - thd).abs() < 1e-9);
    }
}

#[test]
fn quantised_sines_have_the_sinad_of_their_bits() {
    // Ideal quantiser, full-scale sine, over the whole band: 49.99, 74.03, 98.08 dB (IEEE 1057 simulation, ±0.05 dB for
    // the frequency chosen); 6.020600·N + 1.760913 is the theory for large N.
    for (bits, sinad) in [(8u16, 49.99), (12, 74.03), (16, 98.08)] {
        let step = (-f64::from(bits - 1)).exp2();
        // The largest code is 1 − step: the sine just fills the codes.
        let x = series(&[(1, 1.0 - step, 0.2)], 997.013, 2.0)
            .iter()
            .map(|v| (v / step).round() * step)
            .collect();
        let source = MemorySource::new(RATE, vec![x]).stored_as(Encoding::Int(bits));
        let whole = Band {
            low_hz: 0.0,
            high_hz: 48_000.0,
        };
        let measurement = Distortion { bands: vec![whole] };
        let found = measure(&measurement, &examined(source, 997.0), None);
        let figure = figure(&found, FigureId::Sinad, None, Some(whole));
        assert!(
            (figure.estimate.value - sinad).abs() < 0.1,
            "{bits} bits: {}",
            figure.estimate.value
        );
        assert_eq!(figure.limited_by, Some(LimitedBy::Quantisation));
    }
}

#[test]
fn noise_and_thd_n_agree() {
    // White noise of rms σ in B of 48 kHz beside a sine of rms 0.5/√2: SINAD = 10 lg(0.125 / (σ²·19 980/48 000)).
    for seconds in [1.0, 8.0] {
        let mut x = series(&[(1, 0.5, 0.0), (2, 1e-8, 0.0)], 1000.0, seconds);
        for (v, n) in x.iter_mut().zip(noise((seconds * 96_000.0) as usize, 1e-4, 7)) {
            *v += n;
        }
        let found = measure(&Distortion::default(), &take(x, 1000.0), None);
        let expected = 10.0 * f64::log10(0.125 / (1e-8 * 19_980.0 / 48_000.0));
        let sinad = audio(&found, FigureId::Sinad);
        assert!(
            (sinad.estimate.value - expected).abs() < 1.5 * sinad.estimate.expanded(),
            "{} {expected}",
            sinad.estimate.value
        );
        assert!(sinad.estimate.expanded() < 0.2);
        // H2 = −154 dB is far below what seconds of this noise can tell: u = σ√(2/M).
        let h2 = figure(&found, FigureId::Harmonic, Some(2), None);
        assert!(
            h2.upper_limit && h2.estimate.value > -154.0 && h2.estimate.value < -110.0,
            "{h2:?}"
        );
        let thd = audio(&found, FigureId::Thd);
        assert!(
            thd.upper_limit && thd.limited_by == Some(LimitedBy::Duration),
            "{thd:?}"
        );
        assert!(thd.estimate.interval().0.abs() < 1e-12);
    }
}

#[test]
fn noise_under_the_lines_is_taken_out() {
    // H2–H5 of 1e-4 each with noise as strong as a line: without taking it out THD would read 3 dB too much.
    let mut squares = 0.0;
    let runs = 40;
    for seed in 0..runs {
        let lines: Vec<(u32, f64, f64)> = (1..=5)
            .map(|n| (n, if n == 1 { 0.5 } else { 5e-5 }, 0.0))
            .collect();
        let mut x = series(&lines, 4000.0, 0.2);
        for (v, n) in x.iter_mut().zip(noise(19_200, 2e-3, seed + 3)) {
            *v += n;
        }
        let found = measure(&Distortion::default(), &take(x, 4000.0), None);
        let thd = audio(&found, FigureId::Thd);
        squares += (thd.estimate.value / 100.0).powi(2);
        let (low, high) = thd.estimate.interval();
        if thd.upper_limit {
            assert!(low <= 0.0 + 1e-12 && high > 0.0);
        }
    }
    // Mean of THD² is 4·1e-8 plus what upper limits add; noise alone would be 4·(1e-4 + 4·2e-3²/19200/0.25) = 5 times.
    let mean = squares / runs as f64;
    assert!(mean < 4.0 * 4e-8, "{mean:e}");
}

#[test]
fn the_band_decides_what_counts() {
    let lines = [
        (1, 0.5, 0.0),
        (2, 5e-4, 0.0),
        (3, 5e-4, 0.0),
        (20, 5e-4, 0.0),
        (21, 5e-4, 0.0),
    ];
    // A clock 200 ppm fast: H20 is at 20 004 Hz and counts all the same.
    let found = measure(
        &Distortion::default(),
        &take(series(&lines, 1000.2, 0.5), 1000.0),
        None,
    );
    let thd = audio(&found, FigureId::Thd);
    assert!(
        (thd.estimate.value - 0.1 * 3f64.sqrt()).abs() < 1e-5,
        "{}",
        thd.estimate.value
    );
    let thd_n = audio(&found, FigureId::ThdN);
    assert!(
        (thd_n.estimate.value / thd.estimate.value - 1.0).abs() < 1e-3,
        "{}",
        thd_n.estimate.value
    );
    // 20 kHz to 80 kHz is more than 96 kHz can hold.
    assert!(
        found
            .figures
            .iter()
            .all(|f| f.band.is_none_or(|b| b.high_hz < 48_000.0))
    );
    // H2 of 10 kHz only: fewer than H2–H5.
    let found = measure(
        &Distortion::default(),
        &take(series(&[(1, 0.5, 0.0), (2, 5e-4, 0.0)], 10_000.0, 0.1), 10_000.0),
        None,
    );
    assert_eq!(
        audio(&found, FigureId::Thd).limited_by,
        Some(LimitedBy::Bandwidth)
    );
    let found = measure(
        &Distortion::default(),
        &take(series(&[(1, 0.5, 0.0)], 19_000.0, 0.1), 19_000.0),
        None,
    );
    assert!(
        found
            .not_measured
            .iter()
            .any(|n| n.id == FigureId::Thd && n.code == "bandwidth")
    );
}

#[test]
fn hum_can_be_left_out() {
    let mut x = series(&[(1, 0.5, 0.0), (2, 5e-5, 0.0)], 1000.0, 2.0);
    for (i, v) in x.iter_mut().enumerate() {
        *v += 5e-3 * (TAU * 50.0 * i as f64 / 96_000.0).sin();
    }
    let found = measure(&Distortion::default(), &take(x, 1000.0), None);
    let with = audio(&found, FigureId::ThdN).estimate.value;
    let without = figure(
        &found,
        FigureId::ThdN,
        None,
        Some(Band {
            low_hz: 200.0,
            high_hz: 20_000.0,
        }),
    )
    .estimate
    .value;
    // 1 % of hum, 0.01 % of H2.
    assert!(
        (with - 1.0).abs() < 1e-3 && (without - 0.01).abs() < 1e-5,
        "{with} {without}"
    );
}

#[test]
fn volts_and_watts_need_a_rig() {
    let tone = take(series(&[(1, 0.5, 0.0)], 1000.0, 0.5), 1000.0);
    let bare = measure(&Power, &tone, None);
    assert!(bare.figures.is_empty());
    assert_eq!(bare.not_measured[0].code, "uncalibrated");
    let rig = rig(Vec::new());
    // 0.5 of 40 V rms is 20 V; 20²/8 = 50 W; u: √((2·0.3)² + 0.5² + 1.5²/3) = 1.166 %, the last of the load's warming.
    let power = &measure(&Power, &tone, Some(&rig)).figures[0];
    assert!((power.estimate.value - 50.0).abs() < 1e-6);
    assert!((power.estimate.standard_uncertainty() / 50.0 - 0.011_661_9).abs() < 1e-6);
    let names: Vec<&str> = power.estimate.budget().iter().map(|c| c.source.name()).collect();
    assert!(
        names.contains(&"meter volts") && names.contains(&"meter ohms"),
        "{names:?}"
    );
    let levels = measure(&Tone, &tone, Some(&rig));
    let of = |unit| {
        levels
            .figures
            .iter()
            .find(|f| f.id == FigureId::Level && f.unit == unit)
            .unwrap()
            .estimate
            .value
    };
    assert!((of(Unit::Volts) - 20.0).abs() < 1e-9);
    assert!((of(Unit::Dbv) - 20.0 * 20f64.log10()).abs() < 1e-9);
    assert!((of(Unit::Dbfs) + 6.020_599_913).abs() < 1e-8);
    let frequency = levels
        .figures
        .iter()
        .find(|f| f.id == FigureId::Frequency)
        .unwrap();
    assert!((frequency.estimate.value - 1000.0).abs() < 1e-8);
}

#[test]
fn the_rigs_own_harmonics_widen_the_interval() {
    let tone = take(series(&[(1, 0.5, 0.0), (2, 5e-5, 0.3)], 1000.0, 0.5), 1000.0);
    let half_width = |f: &Figure| f.estimate.expanded();
    // H2 at −80 dB; the rig's 20 dB below: ±0.1 relative at most, u = 0.1/√2 → 0.614 dB, k = 2.
    let far = measure(&Distortion::default(), &tone, Some(&rig(vec![-100.0])));
    let h2 = figure(&far, FigureId::Harmonic, Some(2), None);
    assert!((h2.estimate.value + 80.0).abs() < 1e-6);
    assert!(
        (half_width(&h2) - 2.0 * 0.614_185).abs() < 1e-4,
        "{}",
        half_width(&h2)
    );
    assert_eq!(h2.limited_by, None);
    // Equal: anything from nothing to twice as much.
    let equal = measure(&Distortion::default(), &tone, Some(&rig(vec![-80.0])));
    let h2 = figure(&equal, FigureId::Harmonic, Some(2), None);
    assert_eq!(h2.limited_by, Some(LimitedBy::RigDistortion));
    let (low, high) = h2.estimate.interval();
    assert!(
        low < -150.0 && high > -80.0 + 6.02 && high < -60.0,
        "{low} {high}"
    );
    let thd = audio(&equal, FigureId::Thd);
    assert_eq!(thd.limited_by, Some(LimitedBy::RigDistortion));
    let (low, high) = thd.estimate.interval();
    assert!(low <= 0.0 && high >= 0.02, "{low} {high}");
    assert_eq!(
        audio(&equal, FigureId::ThdN).limited_by,
        Some(LimitedBy::RigDistortion)
    );
}

#[test]
fn a_channel_that_was_not_driven_has_no_distortion() {
    let driven = series(&[(1, 0.5, 0.0)], 1000.0, 0.5);
    let other: Vec<f64> = driven.iter().map(|v| 1e-4 * v).collect();
    let mut take = examined(MemorySource::new(RATE, vec![driven, other]), 1000.0);
    take.take.setup.driven = Some(Driven::Left);
    for measurement in [&Tone as &dyn Measurement, &Power, &Distortion::default()] {
        let found = measure(measurement, &take, Some(&rig(Vec::new())));
        assert!(found.figures.iter().all(|f| f.channel.index() == Some(0)));
        assert!(
            found
                .not_measured
                .iter()
                .any(|n| n.channel.index() == Some(1) && n.code == "no_signal")
        );
    }
}
