//! Finding the mains and the power of its lines in synthetic captures whose content is known.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod periodogram;

use asleft::dsp::mains::find;
use asleft::dsp::spectrum::PowerSpectrum;
use asleft::dsp::window::Window;
use asleft::figure::Band;
use periodogram::{SplitMix, welch};
use std::f64::consts::TAU;

const RATE: f64 = 48_000.0;

/// Noise of the given rms with lines (order, peak) of a mains whose frequency wanders by ±`wander` Hz every 9 s.
fn hum(seconds: f64, mains: f64, wander: f64, lines: &[(u32, f64)], noise: f64, seed: u64) -> Vec<f64> {
    hum_at(RATE, seconds, mains, wander, lines, noise, seed)
}

fn hum_at(
    rate: f64,
    seconds: f64,
    mains: f64,
    wander: f64,
    lines: &[(u32, f64)],
    noise: f64,
    seed: u64,
) -> Vec<f64> {
    let mut samples = SplitMix(seed).white((seconds * rate) as usize, noise);
    let slow = TAU / 9.0;
    for (n, x) in samples.iter_mut().enumerate() {
        let t = n as f64 / rate;
        let phase = TAU * mains * t - TAU * wander / slow * (slow * t).cos();
        *x += lines
            .iter()
            .map(|(order, peak)| peak * (f64::from(*order) * phase + f64::from(*order)).sin())
            .sum::<f64>();
    }
    samples
}

fn spectrum(samples: &[f64]) -> PowerSpectrum {
    welch(samples, RATE, Window::Hann, 131_072)
}

fn db(power: f64, peak: f64) -> f64 {
    10.0 * (power / (peak * peak / 2.0)).log10()
}

const LINES: [(u32, f64); 8] = [
    (1, 1e-4),
    (2, 3e-4),
    (3, 5e-5),
    (4, 1e-4),
    (5, 2e-5),
    (6, 4e-5),
    (12, 1e-5),
    (30, 5e-6),
];

#[test]
fn a_wandering_comb_keeps_its_power() {
    // One frequency over 20 s would lose 5 dB on the sixth line; the bins around n·f hold it all. Noise in the bins of a
    // line is 20…50 dB below the strong ones: 0.1 dB; the weak twelfth and thirtieth within their own uncertainty.
    for (mains, wander) in [
        (50.0, 0.0),
        (49.73, 0.02),
        (50.31, 0.02),
        (60.02, 0.02),
        (59.5, 0.01),
    ] {
        let found = find(
            &spectrum(&hum(20.0, mains, wander, &LINES, 1e-5, 3)),
            Band::AUDIO,
            &[],
        )
        .unwrap();
        assert!(
            (found.frequency_hz - mains).abs() < 0.005,
            "{mains}: {}",
            found.frequency_hz
        );
        assert!(found.frequency_u > 0.0 && found.frequency_u < 0.05);
        for (order, peak) in LINES {
            let line = found.lines.iter().find(|l| l.order == order).unwrap();
            let error = line.level.power.value - peak * peak / 2.0;
            assert!(line.level.is_distinct(), "{mains} {order}");
            assert!(
                db(line.level.power.value, peak).abs() < 0.1 || error.abs() < 3.0 * line.level.power.u,
                "{mains} {order}: {}",
                db(line.level.power.value, peak)
            );
        }
        let squares = |parity: u32| -> f64 {
            let chosen = LINES.iter().filter(|l| l.0 % 2 == parity);
            chosen.map(|l| l.1 * l.1 / 2.0).sum()
        };
        for parity in [0, 1] {
            let sum = found.sum(|n| n % 2 == parity).unwrap();
            assert!(
                (10.0 * (sum.power.value / squares(parity)).log10()).abs() < 0.1,
                "{mains} {parity}"
            );
        }
    }
}

#[test]
fn lines_that_are_not_there_are_limits() {
    let found = find(
        &spectrum(&hum(20.0, 50.0, 0.0, &LINES, 1e-5, 8)),
        Band::AUDIO,
        &[],
    )
    .unwrap();
    let absent: Vec<_> = found
        .lines
        .iter()
        .filter(|l| l.order <= 40 && LINES.iter().all(|(order, _)| *order != l.order))
        .collect();
    assert!(absent.len() >= 30);
    // 3 σ, one-sided: of 32 lines more than two are chance in ten thousand.
    assert!(absent.iter().filter(|l| l.level.is_distinct()).count() <= 2);
    assert!(absent.iter().all(|l| l.level.upper_limit() > 0.0));
}

#[test]
fn noise_has_no_mains() {
    for seed in 0..40 {
        let samples = SplitMix(seed).white(10 * 8000, 1e-4);
        let s = welch(&samples, 8000.0, Window::Hann, 10_922);
        assert!(find(&s, Band::AUDIO, &[]).is_none(), "seed {seed}");
    }
}

#[test]
fn test_tones_are_not_hum() {
    let tone = |f: f64| -> Vec<f64> {
        let noise = SplitMix(4).white(10 * 48_000, 1e-6);
        let with = noise.iter().enumerate().map(|(n, x)| {
            let phase = TAU * (n as f64 * f / RATE).fract();
            x + (1..=4)
                .map(|k| 0.1f64.powi(k) * (f64::from(k) * phase).sin())
                .sum::<f64>()
        });
        with.collect()
    };
    for f in [50.0, 100.0, 120.0, 1000.0] {
        let excluded: Vec<f64> = (1..200).map(|k| f64::from(k) * f).collect();
        let s = welch(&tone(f), RATE, Window::BlackmanHarris, 65_536);
        assert!(find(&s, Band::AUDIO, &excluded).is_none(), "{f}");
    }
    // A comb of 1 kHz is made of multiples of 50 Hz, but it is no mains.
    let s = welch(&tone(1000.0), RATE, Window::BlackmanHarris, 65_536);
    assert!(find(&s, Band::AUDIO, &[]).is_none());
}

#[test]
fn hum_beside_a_test_tone_is_found() {
    let mut samples = hum(10.0, 50.0, 0.005, &LINES, 1e-6, 2);
    for (n, x) in samples.iter_mut().enumerate() {
        *x += 0.1 * (TAU * (n as f64 * 1000.0 / RATE).fract()).sin();
    }
    let s = welch(&samples, RATE, Window::BlackmanHarris, 131_072);
    let excluded: Vec<f64> = (1..=20).map(|k| f64::from(k) * 1000.0).collect();
    let found = find(&s, Band::AUDIO, &excluded).unwrap();
    assert!(found.hidden.contains(&20) && !found.lines.iter().any(|l| l.order == 20));
    let second = found.lines.iter().find(|l| l.order == 2).unwrap();
    assert!(db(second.level.power.value, 3e-4).abs() < 0.05);
}

#[test]
fn a_lone_line_is_said_to_be_lone() {
    let found = find(
        &spectrum(&hum(20.0, 50.02, 0.01, &[(2, 1e-3)], 1e-5, 6)),
        Band::AUDIO,
        &[],
    )
    .unwrap();
    assert_eq!(found.comb, 1);
    assert!((found.frequency_hz - 50.02).abs() < 0.01);
    let total = found.sum(|_| true).unwrap();
    assert!(db(total.power.value, 1e-3).abs() < 0.05);
}

#[test]
fn the_claimed_uncertainty_of_a_weak_sum_holds() {
    // 60 captures of hum 4 dB under the noise of the band. At 95 % the truth lies within 2 u in 57 ± 1.7 of them; fewer
    // than 51 would be chance in 300.
    let lines = [(1, 2e-5), (2, 3e-5), (3, 1e-5)];
    let truth: f64 = lines.iter().map(|l| l.1 * l.1 / 2.0).sum();
    let inside = (0..60)
        .filter(|seed| {
            let samples = hum_at(8000.0, 6.0, 50.0, 0.0, &lines, 4e-5, 500 + seed);
            let s = welch(&samples, 8000.0, Window::Hann, 16_000);
            let low = find(&s, Band::AUDIO, &[]).unwrap().sum(|n| n <= 3).unwrap();
            (low.power.value - truth).abs() < 2.0 * low.power.u
        })
        .count();
    assert!(inside >= 51, "{inside} of 60");
}

#[test]
fn short_captures_cannot_tell() {
    let samples = hum(0.1, 50.0, 0.0, &LINES, 1e-6, 1);
    assert!(find(&welch(&samples, RATE, Window::Hann, 4800), Band::AUDIO, &[]).is_none());
}
