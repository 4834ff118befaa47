//! What is on a capture. The oracle is the construction: every capture is synthesised here. Music and speech are
//! stand-ins (see `material`).

#![allow(clippy::unwrap_used, reason = "a helper of a test may fail the test")]

mod material;

use asleft::figure::Driven;
use asleft::signal::source::MemorySource;
use asleft::signal::stimulus::{Component, SCHEMA, Signal, Stimulus};
use asleft::take::integrity::inspect;
use asleft::take::recognise::{Heard, RecognisedAs, Recognition, Wanted, recognise};
use material::*;
use proptest::prelude::*;
use std::f64::consts::TAU;

const RATE: u32 = 48_000;
const FS: f64 = 48_000.0;

fn look(planes: Vec<Vec<f64>>) -> Recognition {
    look_with(planes, None, None)
}

fn look_with(planes: Vec<Vec<f64>>, stimulus: Option<&Stimulus>, wanted: Option<Wanted>) -> Recognition {
    let source = MemorySource::new(RATE, planes);
    let inspection = inspect(&source).unwrap();
    recognise(&source, &inspection, stimulus, wanted).unwrap()
}

fn assert_tone(name: &str, r: &Recognition, hz: f64, within: f64) {
    assert_eq!(r.kind, RecognisedAs::Tone, "{name}: {r:?}");
    assert!((r.frequencies_hz[0] - hz).abs() < within, "{name}: {r:?}");
}

fn assert_two(name: &str, r: &Recognition, a: f64, b: f64) {
    assert_eq!(r.kind, RecognisedAs::TwoTone, "{name}: {r:?}");
    let mut found = r.frequencies_hz.clone();
    found.sort_by(f64::total_cmp);
    assert!(
        (found[0] - a).abs() < 0.1 && (found[1] - b).abs() < 0.1,
        "{name}: {r:?}"
    );
}

#[test]
fn tones_of_all_frequencies_and_levels() {
    let mut random = Random(1);
    let n = 2 * RATE as usize;
    for hz in [
        10.0, 20.0, 31.5, 50.0, 60.0, 100.0, 150.0, 997.0, 1000.0, 3150.0, 12_345.6, 20_000.0, 21_600.0,
    ] {
        for dbfs in [-0.1, -20.0, -80.0] {
            if hz < 200.0 && dbfs < -40.0 {
                // Below −40 dBFS a lone line at a multiple of the mains is taken for hum: the documented limit.
                continue;
            }
            let x = add(tone(n, FS, hz, dbfs, 0.3), &white(n, -95.0, &mut random));
            let r = look(vec![x]);
            // Well under one bin of a spectrum of 1 s.
            assert_tone(&format!("{hz} Hz {dbfs} dBFS"), &r, hz, 0.1);
            assert_eq!(r.steady, 0..n as u64, "{hz} Hz {dbfs} dBFS");
        }
    }
}

#[test]
fn short_captures_from_five_periods_on() {
    let mut random = Random(2);
    for (periods, hz) in [5.0, 6.3, 12.5, 40.2]
        .into_iter()
        .flat_map(|p| [10.0, 20.0, 50.0, 100.0, 440.0, 1000.0, 5000.0, 15_000.0, 21_600.0].map(|hz| (p, hz)))
    {
        let n = (periods * FS / hz).ceil() as usize;
        let x = add(
            tone(n, FS, hz, -6.0, random.between(0.0, TAU)),
            &white(n, -80.0, &mut random),
        );
        let r = look(vec![x]);
        // A twentieth of a bin of the capture's own length.
        assert_tone(
            &format!("{periods} periods of {hz} Hz"),
            &r,
            hz,
            0.05 * hz / periods,
        );
    }
}

#[test]
fn weak_tones_as_far_as_they_stand_out() {
    let mut random = Random(3);
    let n = 10 * RATE as usize;
    // Noise of −90 dBFS (as a sine counts it) has a density of −90 − 10 lg 24,000 = −133.8 dB per Hz; in a spectrum of 10 s
    // a bin holds −143.8 dB, 2.0 × that with the window. A line at −120 stands 20 dB out; at −140 it cannot be seen.
    let noise = white(n, -90.0, &mut random);
    let seen = look(vec![add(tone(n, FS, 997.0, -120.0, 0.0), &noise)]);
    assert_tone("−120 dBFS", &seen, 997.0, 0.05);
    let unseen = look(vec![add(tone(n, FS, 997.0, -140.0, 0.0), &noise)]);
    assert_eq!(unseen.kind, RecognisedAs::Silence);
}

#[test]
fn the_fundamental_is_not_always_the_largest_line() {
    let mut random = Random(4);
    let n = 3 * RATE as usize;
    let noise = white(n, -95.0, &mut random);
    let square = square(n, FS, 250.0, -6.0);
    let clipped: Vec<f64> = tone(n, FS, 1000.0, 6.0, 0.1)
        .iter()
        .map(|v| v.clamp(-0.5, 0.5))
        .collect();
    let sum = |parts: &[(f64, f64)]| {
        let silence = vec![0.0; n];
        parts.iter().fold(silence, |x, (hz, dbfs)| {
            add(x, &tone(n, FS, *hz, *dbfs, hz * 0.01))
        })
    };
    for (name, x, hz) in [
        (
            "third above the first",
            sum(&[(400.0, -14.0), (1200.0, -9.0), (2000.0, -25.0)]),
            400.0,
        ),
        (
            "harmonics",
            sum(&[(997.0, -3.0), (1994.0, -20.0), (2991.0, -25.0)]),
            997.0,
        ),
        ("subharmonic", sum(&[(1000.0, -3.0), (500.0, -50.0)]), 1000.0),
        ("square", square, 250.0),
        (
            "sawtooth with folded harmonics",
            (0..n)
                .map(|i| 0.8 * ((i as f64 * 4321.0 / FS).fract() - 0.5))
                .collect(),
            4321.0,
        ),
        ("clipped", clipped, 1000.0),
    ] {
        assert_tone(name, &look(vec![add(x, &noise)]), hz, 0.05);
    }
}

#[test]
fn hum_beside_a_tone_is_not_the_tone() {
    let mut random = Random(14);
    let n = 3 * RATE as usize;
    let noise = white(n, -95.0, &mut random);
    for (hz, dbfs, mains, hum_dbfs) in [
        (1000.0, -60.0, 50.0, -50.0),
        (1000.0, -3.0, 50.0, -43.0),
        (440.0, -23.0, 60.0, -50.0),
        (100.0, -3.0, 50.0, -85.0),
        (50.0, -10.0, 60.0, -80.0),
    ] {
        let x = add(
            add(tone(n, FS, hz, dbfs, 0.2), &hum(n, FS, mains, hum_dbfs)),
            &noise,
        );
        assert_tone(
            &format!("{hz} Hz at {dbfs}, {mains} Hz at {hum_dbfs}"),
            &look(vec![x]),
            hz,
            0.05,
        );
    }
}

#[test]
fn two_tones() {
    let mut random = Random(5);
    let n = 3 * RATE as usize;
    let noise = add(white(n, -95.0, &mut random), &hum(n, FS, 50.0, -85.0));
    for (a, la, b, lb) in [
        (60.0, -2.0, 7000.0, -14.0),
        (60.0, -22.0, 7000.0, -34.0),
        (250.0, -2.0, 8000.0, -14.0),
        (19_000.0, -6.1, 20_000.0, -6.1),
        (18_000.0, -10.0, 19_000.0, -10.0),
        (1000.0, -9.0, 1234.5, -9.0),
        (3150.0, -7.0, 15_000.0, -19.0),
    ] {
        let mut x = add(add(tone(n, FS, a, la, 0.1), &tone(n, FS, b, lb, 0.8)), &noise);
        // Some distortion of its own: products at −50 dB.
        x.iter_mut()
            .for_each(|v| *v += 0.005 * *v * *v + 0.003 * v.powi(3));
        assert_two(&format!("{a} + {b} Hz"), &look(vec![x]), a, b);
    }
}

#[test]
fn silence_noise_and_what_is_neither() {
    let mut random = Random(6);
    let n = 5 * RATE as usize;
    let floor = white(n, -95.0, &mut random);
    let mut transient = add(hum(n, FS, 50.0, -75.0), &floor);
    transient
        .iter_mut()
        .take(9000)
        .enumerate()
        .for_each(|(i, v)| *v += 0.3 * (-(i as f64) / 1500.0).exp());
    let expect = [
        ("hum", add(hum(n, FS, 50.0, -60.0), &floor), RecognisedAs::Silence),
        (
            "hum of 60 Hz",
            add(hum(n, FS, 60.0, -50.0), &floor),
            RecognisedAs::Silence,
        ),
        (
            "one line of hum",
            add(tone(n, FS, 50.02, -55.0, 0.0), &floor),
            RecognisedAs::Silence,
        ),
        ("quiet white", floor.clone(), RecognisedAs::Silence),
        ("hiss", white(n, -55.0, &mut random), RecognisedAs::Silence),
        (
            "quiet pink",
            pink(n, FS, -70.0, &mut random),
            RecognisedAs::Silence,
        ),
        ("with a thump", transient, RecognisedAs::Silence),
        ("white", white(n, -20.0, &mut random), RecognisedAs::Noise),
        ("pink", pink(n, FS, -20.0, &mut random), RecognisedAs::Noise),
        ("music", music(n, FS, &mut random), RecognisedAs::Unknown),
        ("speech", speech(n, FS, &mut random), RecognisedAs::Unknown),
        (
            "a second of speech",
            speech(RATE as usize, FS, &mut random),
            RecognisedAs::Unknown,
        ),
        (
            "two seconds of music",
            music(2 * RATE as usize, FS, &mut random),
            RecognisedAs::Unknown,
        ),
        (
            "sweep without its stimulus",
            sweep(n, FS, 20.0, 20_000.0, -6.0),
            RecognisedAs::Unknown,
        ),
    ];
    for (name, x, kind) in expect {
        assert_eq!(look(vec![x]).kind, kind, "{name}");
    }
    let r = look(vec![vec![0.0; n]; 2]);
    assert_eq!(
        (r.kind, r.channels),
        (RecognisedAs::Unknown, vec![Heard::Nothing; 2])
    );
}

#[test]
fn a_chance_line_in_speech_is_no_tone() {
    // Speech whose uneven noise once let a peak at 20.5 kHz stand out of the average.
    let mut random = Random(26 * 7919);
    let n = 3 * RATE as usize;
    music(n, FS, &mut random);
    assert_eq!(look(vec![speech(n, FS, &mut random)]).kind, RecognisedAs::Unknown);
}

#[test]
fn a_thump_at_switch_on_is_not_in_the_steady_range() {
    let mut random = Random(7);
    let n = 5 * RATE as usize;
    let mut x = white(n, -90.0, &mut random);
    x.iter_mut()
        .take(9000)
        .enumerate()
        .for_each(|(i, v)| *v += 0.3 * (-(i as f64) / 1500.0).exp());
    let r = look(vec![x]);
    assert_eq!(r.kind, RecognisedAs::Silence);
    assert!(
        r.steady.start >= 9000 && r.steady.start < 40_000 && r.steady.end == n as u64,
        "{:?}",
        r.steady
    );
}

#[test]
fn the_steady_range_leaves_out_lead_in_fade_and_trail() {
    let mut random = Random(8);
    for (hz, lead, fade) in [
        (1000.0, 24_000usize, 0usize),
        (1000.0, 300, 0),
        (20.0, 30_000, 4800),
        (997.0, 20_000, 4800),
        (15_000.0, 1000, 480),
    ] {
        let n = 4 * RATE as usize;
        let mut x = tone(n, FS, hz, -6.0, 0.0);
        for i in 0..fade {
            let g = (std::f64::consts::FRAC_PI_2 * i as f64 / fade as f64)
                .sin()
                .powi(2);
            x[i] *= g;
            x[n - 1 - i] *= g;
        }
        let mut whole = vec![0.0; lead];
        whole.extend(x);
        whole.extend(vec![0.0; lead]);
        let length = whole.len();
        let r = look(vec![add(whole, &white(length, -90.0, &mut random))]);
        let name = format!("{hz} Hz lead {lead} fade {fade}: {:?}", r.steady);
        assert_tone(&name, &r, hz, 0.05);
        let (start, end) = (r.steady.start as usize, r.steady.end as usize);
        // A fade may count as steady where it is within 0.3 % of the tone: its last 3.5 %.
        let inner = (0.95 * fade as f64) as usize;
        assert!(start >= lead + inner && start <= lead + fade + 128, "{name}");
        assert!(
            end + inner <= length - lead && end + fade + 128 >= length - lead,
            "{name}"
        );
    }
}

#[test]
fn an_undriven_channel_follows_the_driven_one() {
    let mut random = Random(9);
    let n = 4 * RATE as usize;
    let driven = add(tone(n, FS, 1000.0, -6.0, 0.0), &white(n, -95.0, &mut random));
    let crosstalk = add(
        add(tone(n, FS, 1000.0, -76.0, 1.0), &white(n, -95.0, &mut random)),
        &hum(n, FS, 50.0, -70.0),
    );
    let r = look(vec![driven.clone(), crosstalk]);
    assert_tone("left driven", &r, 1000.0, 0.05);
    assert_eq!(r.driven, [true, false]);
    assert!(
        matches!(r.channels[1], Heard::Tone { hz } if (hz - 1000.0).abs() < 0.05),
        "{r:?}"
    );
    let r = look(vec![
        add(hum(n, FS, 50.0, -70.0), &white(n, -95.0, &mut random)),
        driven.clone(),
    ]);
    assert_tone("right driven", &r, 1000.0, 0.05);
    assert_eq!(
        (r.driven.as_slice(), r.channels[0]),
        ([false, true].as_slice(), Heard::Silence)
    );
    let r = look(vec![driven.clone(), vec![0.0; n]]);
    assert_eq!(r.channels[1], Heard::Nothing);
    let r = look(vec![driven.clone(), driven.iter().map(|v| 0.5 * v).collect()]);
    assert_eq!(r.driven, [true, true]);
}

#[test]
fn a_channel_with_a_tone_of_its_own_is_driven() {
    let n = 2 * RATE as usize;
    let mut random = Random(12);
    let mut of = |hz, dbfs| add(tone(n, FS, hz, dbfs, 0.2), &white(n, -95.0, &mut random));
    let r = look(vec![of(1000.0, -10.0), of(3000.0, -10.0)]);
    assert_eq!(r.driven, [true, true], "{r:?}");
    // Well under one bin of a spectrum of 1 s.
    assert!((r.frequencies_of(0)[0] - 1000.0).abs() < 0.1);
    assert!((r.frequencies_of(1)[0] - 3000.0).abs() < 0.1);
    // A line that is only a part of a crosstalk stays with the driven channel's frequency.
    let r = look(vec![of(1000.0, -10.0), of(3000.0, -70.0)]);
    assert_eq!(r.driven, [true, false], "{r:?}");
    assert!((r.frequencies_of(1)[0] - 1000.0).abs() < 0.1);
}

fn stimulus(signal: &Signal) -> Stimulus {
    Stimulus {
        schema: SCHEMA.to_owned(),
        ..Stimulus::stereo(RATE, 2.0, signal, Driven::Both)
    }
}

#[test]
fn a_stimulus_says_what_to_look_for() {
    let mut random = Random(10);
    let n = 3 * RATE as usize;
    let noise = white(n, -95.0, &mut random);
    let tone_of = |hz| {
        stimulus(&Signal::Tone {
            frequency_hz: hz,
            level_dbfs: -6.0,
        })
    };
    // By itself 100 Hz at −60 dBFS is taken for hum; played, it is the tone. The clocks differ by 150 ppm.
    let quiet = add(tone(n, FS, 100.015, -60.0, 0.0), &noise);
    assert_eq!(look(vec![quiet.clone()]).kind, RecognisedAs::Silence);
    assert_tone(
        "played",
        &look_with(vec![quiet], Some(&tone_of(100.0)), None),
        100.015,
        0.05,
    );
    let other = look_with(
        vec![add(tone(n, FS, 500.0, -6.0, 0.0), &noise)],
        Some(&tone_of(1000.0)),
        None,
    );
    assert_tone("another tone", &other, 500.0, 0.05);
    assert!(
        other.notes.iter().any(|n| n.contains("1000 Hz of the stimulus")),
        "{:?}",
        other.notes
    );
    let part = |frequency_hz, level_dbfs| Component {
        frequency_hz,
        level_dbfs,
        phase_deg: 0.0,
    };
    // One an exact multiple of the other: two tones only because they were played.
    let two = stimulus(&Signal::Tones {
        tones: vec![part(2000.0, -12.0), part(1000.0, -6.0)],
    });
    let x = add(
        add(tone(n, FS, 1000.0, -6.0, 0.0), &tone(n, FS, 2000.0, -12.0, 0.0)),
        &noise,
    );
    let r = look_with(vec![x], Some(&two), None);
    assert_two("harmonic pair", &r, 1000.0, 2000.0);
    assert!(r.frequencies_hz[0] < 1500.0, "the stronger first");
    let swept = stimulus(&Signal::Sweep {
        from_hz: 20.0,
        to_hz: 20_000.0,
        level_dbfs: -6.0,
    });
    let r = look_with(vec![sweep(n, FS, 20.0, 20_000.0, -6.0)], Some(&swept), None);
    assert_eq!((r.kind, r.steady), (RecognisedAs::Sweep, 0..n as u64));
}

#[test]
fn the_user_has_the_last_word() {
    let mut random = Random(11);
    let n = 3 * RATE as usize;
    let x = add(
        add(tone(n, FS, 50.0, -60.0, 0.0), &tone(n, FS, 333.0, -70.0, 0.0)),
        &white(n, -95.0, &mut random),
    );
    for (wanted, kind) in [
        (Wanted::Tone, RecognisedAs::Tone),
        (Wanted::TwoTone, RecognisedAs::TwoTone),
        (Wanted::Silence, RecognisedAs::Silence),
        (Wanted::Noise, RecognisedAs::Noise),
        (Wanted::Sweep, RecognisedAs::Sweep),
    ] {
        let r = look_with(vec![x.clone()], None, Some(wanted));
        assert_eq!(r.kind, kind, "{wanted:?}");
    }
    let r = look_with(vec![white(n, -60.0, &mut random)], None, Some(Wanted::Tone));
    assert_eq!(r.kind, RecognisedAs::Unknown);
}

#[test]
fn names_in_json() {
    let name = |k: RecognisedAs| serde_json::to_string(&k).unwrap();
    assert_eq!(name(RecognisedAs::TwoTone), "\"two_tone\"");
    assert_eq!(name(RecognisedAs::Unknown), "\"unknown\"");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, max_shrink_iters: 4, failure_persistence: None, ..ProptestConfig::default() })]

    /// Scale, polarity and a shift in time change nothing of what is recognised.
    #[test]
    fn invariant_under_scale_polarity_and_shift(
        kind in 0..4usize,
        gain in 0.1f64..1.0,
        flip in any::<bool>(),
        shift in 0..20_000usize,
        seed in any::<u64>(),
    ) {
        let mut random = Random(seed);
        let n = 100_000;
        let x = match kind {
            0 => tone(n, FS, random.between(200.0, 20_000.0), -3.0, 0.0),
            1 => add(tone(n, FS, 60.0, -3.0, 0.0), &tone(n, FS, 7000.0, -15.0, 0.0)),
            2 => white(n, -15.0, &mut random),
            _ => music(n, FS, &mut random),
        };
        let x = add(x, &white(n, -85.0, &mut random));
        let sign = if flip { -1.0 } else { 1.0 };
        let y: Vec<f64> = x[shift..].iter().map(|v| sign * gain * v).collect();
        // Noise has its own level rule at −40 dBFS; −15 dBFS and 20 dB less are above.
        let (a, b) = (look(vec![x]), look(vec![y]));
        prop_assert_eq!(a.kind, b.kind);
        for (p, q) in a.frequencies_hz.iter().zip(&b.frequencies_hz) {
            prop_assert!((p - q).abs() < 0.05, "{} {}", p, q);
        }
    }
}
