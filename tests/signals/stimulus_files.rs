//! `.stimulus.toml`: every kind there and back, old versions for ever, mistakes named with their line.

use super::fixture;
use asleft::atomic::Existing;
use asleft::error::Error;
use asleft::signal::stimulus::{Component, NoiseColour, SCHEMA, Signal, Stimulus};
use asleft::signal::stimulus_file::{beside, parse, read, to_text, write};
use proptest::prelude::*;
use std::path::Path;

#[test]
fn the_first_version_reads_for_ever() {
    let stimulus = read(&fixture("stimulus/first-version.stimulus.toml")).unwrap();
    let sine = |frequency_hz, level_dbfs, phase_deg| Component {
        frequency_hz,
        level_dbfs,
        phase_deg,
    };
    let expected = Stimulus {
        schema: SCHEMA.to_owned(),
        sample_rate_hz: 48_000,
        seconds: 6.0,
        lead_in_s: 0.5,
        lead_out_s: 1.0,
        fade_s: 0.01,
        marks: None,
        channels: vec![
            Signal::Silence,
            Signal::Tone {
                frequency_hz: 997.0,
                level_dbfs: -3.0,
            },
            Signal::Tones {
                tones: vec![sine(60.0, -7.96, 0.0), sine(7000.0, -20.0, 90.0)],
            },
            Signal::Sweep {
                from_hz: 10.0,
                to_hz: 22_000.0,
                level_dbfs: -6.0,
            },
            Signal::Noise {
                colour: NoiseColour::Pink,
                level_dbfs: -12.0,
                seed: 7,
            },
            Signal::Burst {
                frequency_hz: 1000.0,
                level_dbfs: -6.0,
                on_s: 0.02,
                every_s: 0.5,
            },
        ],
    };
    assert_eq!(stimulus, expected);
    assert_eq!(parse(&to_text(&expected).unwrap(), "x").unwrap(), expected);
}

#[test]
fn a_file_is_named_after_its_wav() {
    assert_eq!(beside(Path::new("a/s.wav")), Path::new("a/s.stimulus.toml"));
    assert_eq!(beside(Path::new("take.1.WAV")), Path::new("take.1.stimulus.toml"));
}

const TONE: &str = "schema = \"asleft.stimulus.v1\"
sample_rate_hz = 48000
seconds = 6.0

[[channels]]
kind = \"tone\"
frequency_hz = 997.0
level_dbfs = -3.0
";

fn refused(from: &str, to: &str) -> Error {
    assert!(TONE.contains(from));
    parse(&TONE.replace(from, to), "t.stimulus.toml").unwrap_err()
}

#[test]
fn mistakes_are_named_with_their_line() {
    assert!(parse(TONE, "t").is_ok());
    for (from, to, line, word) in [
        ("frequency_hz", "frequncy_hz", 7, "frequncy_hz"),
        ("seconds", "second", 3, "second"),
        ("997.0", "30000.0", 7, "30000"),
        ("997.0", "\"997 Hz\"", 5, "expected a number"),
        ("997.0", "nan", 7, "nan"),
        ("-3.0", "3.0", 8, "3 dBFS"),
        ("48000", "48", 2, "48 Hz"),
        ("48000", "-48000", 2, "expected"),
        ("6.0", "0.0", 3, "0 s"),
        ("v1", "v2", 1, "v2"),
        ("\"tone\"", "\"tune\"", 6, "tune"),
        ("level_dbfs = -3.0\n", "level_dbfs = -3.0\nseed = 3\n", 9, "seed"),
        ("kind = \"tone\"", "kind = \"tone", 6, "cannot be read"),
    ] {
        let e = refused(from, to);
        let place = e.place().unwrap();
        assert_eq!(
            place,
            format!("t.stimulus.toml, line {line}"),
            "{from} → {to}: {e}"
        );
        assert!(e.what().contains(word), "{from} → {to}: {e}");
        assert!(e.next_step().is_some(), "{e}");
    }
    assert!(
        refused("frequency_hz", "frequncy_hz")
            .next_step()
            .unwrap()
            .contains("\"frequency_hz\"")
    );
    assert!(
        refused("level_dbfs = -3.0\n", "")
            .what()
            .contains("\"level_dbfs\" is missing")
    );
}

#[test]
fn a_file_is_written_whole_and_not_over_another() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.stimulus.toml");
    let stimulus = parse(TONE, "t").unwrap();
    write(&path, &stimulus, Existing::Keep).unwrap();
    assert!(write(&path, &stimulus, Existing::Keep).is_err());
    write(&path, &stimulus, Existing::Replace).unwrap();
    assert_eq!(read(&path).unwrap(), stimulus);
}

fn signal() -> impl Strategy<Value = Signal> {
    let hz = 1.0..20_000.0f64;
    let db = -120.0..-12.0f64;
    prop_oneof![
        Just(Signal::Silence),
        (hz.clone(), db.clone()).prop_map(|(frequency_hz, level_dbfs)| Signal::Tone {
            frequency_hz,
            level_dbfs
        }),
        (hz.clone(), hz.clone(), db.clone(), -360.0..360.0f64).prop_map(|(a, b, level_dbfs, phase_deg)| {
            let sine = |frequency_hz| Component {
                frequency_hz,
                level_dbfs,
                phase_deg,
            };
            Signal::Tones {
                tones: vec![sine(a), sine(b)],
            }
        }),
        (1.0..100.0f64, 200.0..20_000.0f64, db.clone()).prop_map(|(from_hz, to_hz, level_dbfs)| {
            Signal::Sweep {
                from_hz,
                to_hz,
                level_dbfs,
            }
        }),
        (any::<bool>(), db.clone(), 0..u64::MAX / 2).prop_map(|(pink, level_dbfs, seed)| Signal::Noise {
            colour: if pink {
                NoiseColour::Pink
            } else {
                NoiseColour::White
            },
            level_dbfs,
            seed
        }),
        (100.0..20_000.0f64, db, 0.02..0.1f64).prop_map(|(frequency_hz, level_dbfs, on_s)| Signal::Burst {
            frequency_hz,
            level_dbfs,
            on_s,
            every_s: on_s * 2.5
        }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    /// Whatever can be played can be written down and read again, to the last bit of every number.
    #[test]
    fn every_stimulus_survives_its_file(
        channels in prop::collection::vec(signal(), 1..5),
        seconds in 0.2..3.0f64,
        lead_in_s in 0.0..1.0f64,
        fade_s in 0.0..0.1f64,
    ) {
        let stimulus = Stimulus {
            schema: SCHEMA.to_owned(), sample_rate_hz: 48_000, seconds, lead_in_s, lead_out_s: 0.0, fade_s, marks: None, channels,
        };
        prop_assert_eq!(parse(&to_text(&stimulus).unwrap(), "x").unwrap(), stimulus);
    }
}
