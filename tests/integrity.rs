//! Integrity of a capture: clean signals of every kind raise nothing; damage put into them is found.
//!
//! The oracle is the construction: each capture is synthesised here, and what was done to it is known.

#![allow(clippy::unwrap_used, reason = "a helper of a test may fail the test")]

mod material;

use asleft::error::Kind;
use asleft::signal::source::{Encoding, MemorySource};
use asleft::take::integrity::{DiscontinuityKind, Inspection, inspect};
use material::*;
use std::f64::consts::TAU;

const RATE: u32 = 48_000;
const FS: f64 = 48_000.0;

fn assert_clean(name: &str, i: &Inspection) {
    assert!(i.integrity.notes.is_empty(), "{name}: {:?}", i.integrity.notes);
    assert!(
        i.integrity.discontinuities.is_empty(),
        "{name}: {:?}",
        i.integrity.discontinuities
    );
    assert!(
        i.integrity.clipped_samples.iter().all(|c| *c == 0),
        "{name}: {:?}",
        i.integrity.clipped_samples
    );
    assert!(i.integrity.flat_tops.iter().all(|f| !f), "{name}: flat tops");
}

const STORES: [Store; 6] = [
    Store::Dithered(16),
    Store::Rounded(16),
    Store::Dithered(24),
    Store::Rounded(24),
    Store::Float,
    Store::Double,
];

#[test]
fn clean_tones_raise_nothing() {
    let mut random = Random(1);
    for (i, hz) in [
        20.0, 61.3, 100.0, 997.0, 1000.0, 6000.0, 12_345.6, 19_999.0, 20_000.0,
    ]
    .into_iter()
    .enumerate()
    {
        for (j, how) in STORES.into_iter().enumerate() {
            for dbfs in [0.0, -3.0, -20.0, -60.0, -90.0, -100.0, -120.0] {
                let phase = (i * 7 + j) as f64;
                let x = tone(9_600, FS, hz, dbfs, phase);
                let (x, encoding) = store(x, how, &mut random);
                if x.iter().all(|v| v.abs() < 1e-12) {
                    continue;
                }
                let name = format!("{hz} Hz {dbfs} dBFS {how:?}");
                assert_clean(
                    &name,
                    &inspect(&MemorySource::new(RATE, vec![x]).stored_as(encoding)).unwrap(),
                );
            }
        }
    }
}

#[test]
fn clean_tones_with_noise_and_hum_raise_nothing() {
    let mut random = Random(2);
    for (hz, dbfs) in [
        (20.0, -0.1),
        (1000.0, -1.0),
        (997.0, -20.0),
        (15_000.0, -6.0),
        (20_000.0, -0.5),
    ] {
        for floor in [-140.0, -110.0, -90.0, -60.0, -30.0] {
            for how in [Store::Dithered(16), Store::Dithered(24), Store::Double] {
                let dbfs = f64::min(dbfs, -12.0 * peak(floor + 12.0));
                let x = add(
                    tone(48_000, FS, hz, dbfs, 0.4),
                    &white(48_000, floor, &mut random),
                );
                let x = add(x, &hum(48_000, FS, 50.0, -75.0));
                let i = inspect(&mono(RATE, x, how, &mut random)).unwrap();
                assert_clean(&format!("{hz} Hz {dbfs} dBFS, noise {floor} dBFS, {how:?}"), &i);
            }
        }
    }
}

/// Clean material that is no single tone.
fn material(n: usize, random: &mut Random) -> Vec<(&'static str, Vec<f64>)> {
    let two = |f1: f64, l1: f64, f2: f64, l2: f64| add(tone(n, FS, f1, l1, 0.1), &tone(n, FS, f2, l2, 0.7));
    let high = |i: usize, half: usize| if (i / half).is_multiple_of(2) { 0.5 } else { -0.5 };
    let triangle = |i: usize| 0.57 * (TAU * 200.0 / FS * i as f64).sin().asin();
    vec![
        ("exponential sweep", sweep(n, FS, 10.0, 22_000.0, -6.0)),
        ("short sweep", sweep(n / 3, FS, 20.0, 20_000.0, -1.0)),
        ("19 + 20 kHz", two(19_000.0, -7.0, 20_000.0, -7.0)),
        ("60 Hz + 7 kHz", two(60.0, -2.0, 7000.0, -14.0)),
        ("burst", bursts(n, FS, 1000.0, -1.0, 0.02, 0.5)),
        (
            "burst over a tone",
            add(
                bursts(n, FS, 1000.0, -3.0, 0.02, 0.5),
                &tone(n, FS, 1000.0, -23.0, 0.0),
            ),
        ),
        ("20 kHz burst", bursts(n, FS, 20_000.0, -1.0, 0.005, 0.1)),
        ("5 kHz burst of 10 ms", bursts(n, FS, 5000.0, -6.0, 0.01, 0.2)),
        ("white", white(n, -20.0, random)),
        ("quiet white", white(n, -95.0, random)),
        ("pink", pink(n, FS, -20.0, random)),
        ("hum", add(hum(n, FS, 50.0, -70.0), &white(n, -100.0, random))),
        ("square 100 Hz", square(n, FS, 100.0, -6.0)),
        ("square 997 Hz", square(n, FS, 997.0, -6.0)),
        ("naive square 200 Hz", (0..n).map(|i| high(i, 120)).collect()),
        ("naive square 20 Hz", (0..n).map(|i| high(i, 1200)).collect()),
        ("triangle", (0..n).map(triangle).collect()),
        (
            "sawtooth",
            (0..n)
                .map(|i| 0.8 * ((i as f64 * 441.3 / FS).fract() - 0.5))
                .collect(),
        ),
        ("music", music(n, FS, random)),
        ("speech", speech(n, FS, random)),
    ]
}

#[test]
fn other_clean_material_raises_nothing() {
    let mut random = Random(3);
    for (name, x) in material(2 * RATE as usize, &mut random) {
        for how in [Store::Double, Store::Dithered(16), Store::Dithered(24)] {
            let i = inspect(&mono(RATE, x.clone(), how, &mut random)).unwrap();
            assert_clean(&format!("{name} {how:?}"), &i);
        }
    }
}

/// One kind of damage at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Damage {
    Drop(usize),
    Repeat(usize),
    Zero(usize),
    Corrupt(f64),
}

fn damaged(mut x: Vec<f64>, at: usize, damage: Damage) -> Vec<f64> {
    match damage {
        Damage::Drop(n) => {
            x.drain(at..at + n);
        }
        Damage::Repeat(n) => {
            let again = x[at - n..at].to_vec();
            x.splice(at..at, again);
        }
        Damage::Zero(n) => x[at..at + n].iter_mut().for_each(|v| *v = 0.0),
        Damage::Corrupt(by) => x[at] += by,
    }
    x
}

/// Whether exactly one break is reported, near `at`.
fn found(i: &Inspection, at: usize, within: usize) -> bool {
    i.integrity.discontinuities.len() == 1
        && (i.integrity.discontinuities[0].at_s * FS - at as f64).abs() <= within as f64 + 0.01
}

/// The step that `damage` makes in a sine, in units of its own samples.
fn step(x: &[f64], at: usize, damage: Damage) -> f64 {
    match damage {
        Damage::Drop(n) => x[at + n] - x[at],
        Damage::Repeat(n) => x[at - n] - x[at],
        Damage::Zero(_) => x[at],
        Damage::Corrupt(by) => by,
    }
    .abs()
}

#[test]
fn one_frame_lost_from_a_tone_is_found_where_the_jump_exceeds_six_sigma() {
    let mut random = Random(4);
    let sigma = peak(-90.0) / 2f64.sqrt();
    let (mut tried, mut missed) = (0, Vec::new());
    for hz in [
        20.0, 50.0, 100.0, 315.0, 1000.0, 3150.0, 9876.5, 15_000.0, 20_000.0,
    ] {
        for dbfs in [-1.0, -20.0, -40.0] {
            for damage in [Damage::Drop(1), Damage::Repeat(1)] {
                let clean = tone(48_000, FS, hz, dbfs, random.between(0.0, TAU));
                let at = random.index(4000, 44_000);
                if step(&clean, at, damage) < 6.0 * sigma {
                    continue;
                }
                let x = add(damaged(clean, at, damage), &white(48_000, -90.0, &mut random));
                let i = inspect(&mono(RATE, x, Store::Double, &mut random)).unwrap();
                tried += 1;
                if !found(&i, at, 40) {
                    missed.push((hz, dbfs, damage, at, i.integrity.discontinuities.clone()));
                }
            }
        }
    }
    assert!(tried > 40, "{tried}");
    assert!(missed.is_empty(), "{} of {tried}: {missed:#?}", missed.len());
}

/// Damages a tone of `hz` in noise at a random place; `None` where the step is too small to ask for, else the place and
/// whether it was found, alone.
fn trial(hz: f64, how: Store, damage: Damage, random: &mut Random) -> Option<(usize, bool)> {
    let clean = tone(32_000, FS, hz, -3.0, random.between(0.0, TAU));
    let at = random.index(9000, 22_000);
    if step(&clean, at, damage) < 0.01 {
        return None;
    }
    let x = damaged(add(clean, &white(32_000, -100.0, random)), at, damage);
    let (mut x, encoding) = store(x, how, random);
    if let Damage::Zero(_) = damage {
        // Dither must not fill the gap.
        x = damaged(x, at, damage);
    }
    let i = inspect(&MemorySource::new(RATE, vec![x]).stored_as(encoding)).unwrap();
    Some((at, found(&i, at, 40)))
}

#[test]
fn damage_of_any_length_is_found_in_tones() {
    let mut random = Random(5);
    let (mut tried, mut missed) = (0, Vec::new());
    for length in [1, 2, 3, 10, 17, 64, 480, 1000, 4096] {
        for damage in [Damage::Drop(length), Damage::Repeat(length), Damage::Zero(length)] {
            for (hz, how) in [100.0, 997.0, 10_000.0]
                .into_iter()
                .flat_map(|hz| [Store::Dithered(16), Store::Dithered(24), Store::Double].map(|how| (hz, how)))
            {
                let Some((at, seen)) = trial(hz, how, damage, &mut random) else {
                    continue;
                };
                tried += 1;
                if !seen {
                    missed.push((hz, how, damage, at));
                }
            }
        }
    }
    assert!(tried > 150, "{tried}");
    assert!(missed.is_empty(), "{} of {tried}: {missed:#?}", missed.len());
}

#[test]
fn a_corrupt_sample_is_found_in_tones_noise_and_speech() {
    let mut random = Random(6);
    let n = 48_000;
    // In noise and tones the sample is off by 13.5 σ of the noise: 8 σ are asked for, its own noise may take 4 σ of it and
    // the predictor's share (1 + 2/32) another 3 %. In speech, whose glottal pulses are as sudden,
    // it is off by 0.4 of full scale.
    let material: Vec<(&str, Vec<f64>, f64)> = vec![
        (
            "tone",
            add(tone(n, FS, 1000.0, -6.0, 0.0), &white(n, -90.0, &mut random)),
            14.0 * peak(-93.0),
        ),
        (
            "20 kHz",
            add(tone(n, FS, 20_000.0, -6.0, 0.0), &white(n, -90.0, &mut random)),
            14.0 * peak(-93.0),
        ),
        (
            "two tones",
            add(
                add(tone(n, FS, 60.0, -6.0, 0.0), &tone(n, FS, 7000.0, -18.0, 0.0)),
                &white(n, -90.0, &mut random),
            ),
            14.0 * peak(-93.0),
        ),
        ("white", white(n, -60.0, &mut random), 14.0 * peak(-63.0)),
        ("pink", pink(n, FS, -60.0, &mut random), 14.0 * peak(-63.0)),
        ("speech", speech(n, FS, &mut random), 0.4),
    ];
    for (name, x, size) in material {
        for sign in [1.0, -1.0] {
            let at = random.index(9000, 39_000);
            let i = inspect(&mono(
                RATE,
                damaged(x.clone(), at, Damage::Corrupt(sign * size)),
                Store::Dithered(24),
                &mut random,
            ))
            .unwrap();
            assert!(
                found(&i, at, 0),
                "{name} at {}: {:?}",
                at as f64 / FS,
                i.integrity.discontinuities
            );
            assert_eq!(
                i.integrity.discontinuities[0].kind,
                DiscontinuityKind::Jump,
                "{name}"
            );
        }
    }
}

#[test]
fn kinds_of_damage_are_told_apart() {
    let mut random = Random(7);
    let n = 48_000;
    let two = add(tone(n, FS, 1000.0, -9.0, 0.0), &tone(n, FS, 1234.5, -9.0, 1.0));
    let one = tone(n, FS, 100.0, -6.0, 0.3);
    let noise = white(n, -70.0, &mut random);
    let cases = [
        (
            "one frame of one tone",
            one.clone(),
            Damage::Drop(1),
            DiscontinuityKind::Dropped,
        ),
        (
            "one frame twice",
            one.clone(),
            Damage::Repeat(1),
            DiscontinuityKind::Repeated,
        ),
        (
            "a buffer of two tones",
            two.clone(),
            Damage::Drop(512),
            DiscontinuityKind::Dropped,
        ),
        (
            "a buffer twice",
            two.clone(),
            Damage::Repeat(512),
            DiscontinuityKind::Repeated,
        ),
        (
            "zeros in a tone",
            one,
            Damage::Zero(300),
            DiscontinuityKind::Zeros,
        ),
        (
            "zeros in noise",
            vec![0.0; n],
            Damage::Zero(300),
            DiscontinuityKind::Splice,
        ),
    ];
    for (name, x, damage, kind) in cases {
        let at = random.index(9000, 39_000);
        let noise = if matches!(damage, Damage::Zero(_)) {
            damaged(noise.clone(), at, damage)
        } else {
            noise.clone()
        };
        let x = damaged(x, at, damage);
        let i = inspect(&mono(RATE, add(x, &noise), Store::Rounded(24), &mut random)).unwrap();
        assert!(
            found(&i, at, 40),
            "{name} at {}: {:?}",
            at as f64 / FS,
            i.integrity.discontinuities
        );
        assert_eq!(i.integrity.discontinuities[0].kind, kind, "{name}");
    }
}

#[test]
fn clipping_is_counted_exactly_and_only_where_it_is() {
    let mut random = Random(8);
    for how in STORES {
        for (hz, over_db) in [
            (20.0, 0.5),
            (100.0, 0.2),
            (997.0, 0.5),
            (997.0, 6.0),
            (3000.0, 3.0),
        ] {
            let raw = tone(24_000, FS, hz, over_db, 0.2);
            let x: Vec<f64> = raw.iter().map(|v| v.clamp(-1.0, 1.0)).collect();
            let (x, encoding) = store(x, how, &mut random);
            // Oracle: the samples that the clamp cut, in runs of three or more.
            let mut expected = 0;
            let mut i = 0;
            while i < raw.len() {
                let run = raw[i..].iter().take_while(|v| v.abs() >= 1.0).count();
                expected += if run >= 3 { run as u64 } else { 0 };
                i += run.max(1);
            }
            let found = inspect(&MemorySource::new(RATE, vec![x]).stored_as(encoding))
                .unwrap()
                .integrity;
            assert!(
                found.clipped_samples[0] > 0,
                "{hz} Hz +{over_db} dB {how:?}: none"
            );
            let error = found.clipped_samples[0].abs_diff(expected);
            // A crest's neighbours within two codes of the top belong to it as well: at 20 Hz, where the clipped
            // sine falls by ω·√(2·0.06) = 0.0009 = 30 codes of 16 bits a sample, none; one a run is allowed for.
            assert!(
                error as f64 <= 0.02 * expected as f64,
                "{hz} Hz +{over_db} dB {how:?}: {} of {expected}",
                found.clipped_samples[0]
            );
            assert!(
                found.notes.iter().any(|n| n.contains("clipped")),
                "{:?}",
                found.notes
            );
        }
    }
}

#[test]
fn flat_tops_below_full_scale_are_seen_through_noise() {
    let mut random = Random(9);
    for hz in [50.0, 100.0, 400.0, 1000.0] {
        for over_db in [0.5, 1.0, 3.0, 6.0] {
            let x: Vec<f64> = tone(48_000, FS, hz, -6.0 + over_db, 0.2)
                .iter()
                .map(|v| v.clamp(-0.501, 0.501))
                .collect();
            let x = add(x, &white(48_000, -85.0, &mut random));
            let i = inspect(&mono(RATE, x, Store::Dithered(24), &mut random))
                .unwrap()
                .integrity;
            assert!(i.flat_tops[0], "{hz} Hz +{over_db} dB");
            assert_eq!(i.clipped_samples[0], 0);
            assert!(
                i.discontinuities.is_empty(),
                "{hz} Hz +{over_db} dB: {:?}",
                i.discontinuities
            );
        }
    }
}

#[test]
fn what_is_not_damage_is_a_note() {
    let mut random = Random(10);
    let n = 48_000;
    let signal = add(tone(n, FS, 1000.0, -6.0, 0.0), &white(n, -90.0, &mut random));
    let (signal, _) = store(signal, Store::Rounded(24), &mut random);
    let note = |planes: Vec<Vec<f64>>, encoding| {
        let i = inspect(&MemorySource::new(RATE, planes).stored_as(encoding)).unwrap();
        assert!(
            i.integrity.discontinuities.is_empty(),
            "{:?}",
            i.integrity.discontinuities
        );
        i.integrity.notes.join("; ")
    };
    let int = Encoding::Int(24);
    assert!(note(vec![vec![0.0; n]; 2], int).contains("permission"));
    assert!(note(vec![signal.clone(), signal.clone()], int).contains("bit for bit"));
    assert!(
        note(
            vec![signal.iter().map(|v| v * 0.5 + 0.05).collect()],
            Encoding::Float(64)
        )
        .contains("DC of 5.0 %")
    );
    assert!(
        note(
            vec![signal.iter().map(|v| v * 4.0).collect()],
            Encoding::Float(32)
        )
        .contains("times full scale")
    );
    let mut led = vec![0.0; 5000];
    led.extend(&signal);
    assert!(note(vec![led], int).contains("begins with 0.104 s"));
    let mut trailed = signal.clone();
    trailed.extend(vec![0.0; 5000]);
    assert!(note(vec![trailed], int).contains("ends with 0.104 s"));
    assert_eq!(note(vec![signal], int), "");
}

#[test]
fn a_sample_that_is_no_number_is_an_error_with_its_place() {
    for (bad, word) in [
        (f64::NAN, "not a number"),
        (f64::INFINITY, "infinite"),
        (f64::NEG_INFINITY, "infinite"),
    ] {
        let mut planes = vec![vec![0.1; 100_000]; 2];
        planes[1][72_000] = bad;
        let e = inspect(&MemorySource::new(RATE, planes)).unwrap_err();
        assert_eq!(e.kind(), Kind::Format);
        assert!(e.what().contains(word), "{e}");
        let place = e.place().unwrap();
        assert!(place.contains("right") && place.contains("1.500000 s"), "{place}");
        assert!(e.next_step().is_some());
    }
}

#[test]
fn levels_are_those_of_closed_form() {
    // 997 whole periods: rms A/√2, mean the offset; tolerance is rounding over 10⁵ additions.
    let x: Vec<f64> = tone(96_000, FS, 997.0, -20.0, 0.3)
        .iter()
        .map(|v| v + 0.003)
        .collect();
    let i = inspect(&MemorySource::new(RATE, vec![x, vec![0.0; 96_000]])).unwrap();
    assert!((i.rms[0] - 0.1 / 2f64.sqrt()).abs() < 1e-11 && (i.dc[0] - 0.003).abs() < 1e-11);
    assert!((i.peak[0] - 0.103).abs() < 1e-6);
    assert_eq!(i.zero_runs, vec![vec![], vec![0..96_000]]);
    assert!(i.identical.is_empty());
}

#[test]
fn runs_and_counts_do_not_depend_on_seams() {
    // The same damage, shifted in steps across the seams of blocks (4096) and segments (2¹⁹).
    let mut random = Random(11);
    let n = 540_000;
    let clean = add(tone(n, FS, 440.0, -6.0, 0.0), &white(n, -90.0, &mut random));
    for seam in [4096usize, 524_288] {
        for shift in [-3000isize, -200, -17, -1, 0, 1, 40] {
            let at = seam.saturating_add_signed(shift);
            let x = damaged(
                damaged(clean.clone(), at + 9000, Damage::Drop(5)),
                at,
                Damage::Zero(2500),
            );
            let i = inspect(&mono(RATE, x, Store::Float, &mut random)).unwrap();
            assert_eq!(i.zero_runs[0], vec![at as u64..at as u64 + 2500]);
            assert_eq!(
                i.integrity.discontinuities.len(),
                2,
                "{seam} {shift}: {:?}",
                i.integrity.discontinuities
            );
            assert!((i.integrity.discontinuities[1].at_s * FS - (at + 9000) as f64).abs() <= 40.0);
        }
    }
}
