//! The ceiling with a unit on the bench: every rule refuses, and lets pass what is just inside; and of whatever passes, not
//! one sample exceeds the ceiling, checked at the samples themselves.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

#[path = "ceiling/linear.rs"]
mod linear;

use asleft::bench::simulated::demo_rig;
use asleft::figure::Driven;
use asleft::procedure::{limits, plan};
use asleft::rig::Rig;
use asleft::rig::ceiling::{Answer, Ceiling, Cleared, UnitLimits, Wish};
use asleft::signal::stimulus::{Marks, NoiseColour, Signal, Stimulus};
use asleft::signal::take::Setup;
use asleft::unit::{UnitSpec, file};
use linear::DEMO;
use proptest::prelude::*;

const SENSITIVITY_V: f64 = 0.15;
/// 60 W into 8 Ω for 150 mV.
const GAIN: f64 = 21.908_902_3 / SENSITIVITY_V;

/// A rig whose numbers are round: 4 V at full scale, 8 Ω loads for 100 W, a pad of 1:100.
fn rig() -> Rig {
    let mut rig = demo_rig();
    for channel in &mut rig.channels {
        channel.output_full_scale_v.value = 4.0;
        channel.load_ohm.value = 8.0;
        channel.load_rating_w = 100.0;
    }
    for pad in &mut rig.pads {
        pad.ratio.iter_mut().for_each(|r| r.value = 0.01);
    }
    rig
}

fn unit() -> UnitSpec {
    file::parse(DEMO, "demo").unwrap()
}

fn setup() -> Setup {
    Setup {
        driven: Some(Driven::Both),
        mode: Some("class AB".to_owned()),
        input: Some("Aux".to_owned()),
        volume: Some(plan::FULL_VOLUME.to_owned()),
        tap: Some("power".to_owned()),
        loaded: Some(true),
        ..Setup::default()
    }
}

fn of_demo() -> UnitLimits {
    limits::of(&unit(), &setup()).unwrap()
}

fn dbfs(volts: f64) -> f64 {
    20.0 * (volts / 4.0).log10()
}

fn played(signal: &Signal, seconds: f64) -> Stimulus {
    Stimulus {
        lead_in_s: 0.2,
        lead_out_s: 0.2,
        ..Stimulus::stereo(192_000, seconds, signal, Driven::Both)
    }
}

fn tone(hz: f64, volts: f64, seconds: f64) -> Stimulus {
    let signal = Signal::Tone {
        frequency_hz: hz,
        level_dbfs: dbfs(volts),
    };
    played(&signal, seconds)
}

/// Input volts for this power into 8 Ω.
fn volts_for(watts: f64) -> f64 {
    (watts * 8.0).sqrt() / GAIN
}

struct At<'a> {
    setup: &'a Setup,
    unit: &'a UnitLimits,
    confirmed: bool,
}

impl At<'_> {
    fn wish<'b>(&'b self, stimulus: &'b Stimulus) -> Wish<'b> {
        Wish {
            stimulus,
            setup: self.setup,
            unit: self.unit,
            confirmed: self.confirmed,
        }
    }

    fn clear(&self, ceiling: &mut Ceiling<'_>, stimulus: &Stimulus) -> Result<Cleared, String> {
        ceiling
            .clear(&self.wish(stimulus))
            .map_err(|e| format!("{} / {}", e.what(), e.next_step().unwrap_or("")))
    }

    /// Creeps up to a proven connection.
    fn prove(&self, ceiling: &mut Ceiling<'_>) {
        for db in [-60.0, -40.0, -20.0] {
            let volts = SENSITIVITY_V * 10f64.powf(db / 20.0);
            self.clear(ceiling, &tone(997.0, volts, 1.0)).unwrap();
            assert_eq!(ceiling.answer(&[Some(volts * GAIN); 2]), Answer::AsExpected);
        }
        ceiling.rest(1e4);
    }
}

/// Refused with `word` in what is said, and what is just inside is not.
fn edge(at: &At<'_>, rig: &Rig, outside: &Stimulus, inside: &Stimulus, word: &str) {
    let mut ceiling = Ceiling::new(rig);
    at.prove(&mut ceiling);
    let said = at.clear(&mut ceiling, outside).unwrap_err();
    assert!(said.contains(word), "{said}");
    let passed = at.clear(&mut ceiling, inside);
    assert!(passed.is_ok(), "{word}: {passed:?}");
}

#[test]
fn a_new_connection_creeps_up() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let mut ceiling = Ceiling::new(&rig);
    let re = |db: f64| SENSITIVITY_V * 10f64.powf(db / 20.0);
    for reached in [-60.0, -40.0, -20.0] {
        assert!(!ceiling.is_proven(&setup));
        let said = at
            .clear(&mut ceiling, &tone(997.0, re(reached + 0.01), 1.0))
            .unwrap_err();
        assert!(said.contains("proven"), "{said}");
        at.clear(&mut ceiling, &tone(997.0, re(reached), 1.0)).unwrap();
        // Without an answer nothing louder is allowed.
        assert!(
            at.clear(&mut ceiling, &tone(997.0, re(reached + 20.0), 1.0))
                .is_err()
        );
        at.clear(&mut ceiling, &tone(997.0, re(reached), 1.0)).unwrap();
        assert_eq!(ceiling.answer(&[Some(re(reached) * GAIN); 2]), Answer::AsExpected);
    }
    assert!(ceiling.is_proven(&setup));
    at.clear(&mut ceiling, &tone(997.0, re(0.0), 1.0)).unwrap();
    assert!((ceiling.gain(&setup, 0).unwrap() - GAIN).abs() < 1e-9);
}

#[test]
fn whatever_is_plugged_anew_is_a_new_connection() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = |setup: &Setup| {
        let mut ceiling = Ceiling::new(&rig);
        let first = At {
            setup: &self::setup(),
            unit: &unit,
            confirmed: true,
        };
        first.prove(&mut ceiling);
        let silence = Stimulus::stereo(96_000, 1.0, &Signal::Silence, Driven::Both);
        let then = At {
            setup,
            unit: &unit,
            confirmed: true,
        };
        then.clear(&mut ceiling, &silence).unwrap();
        (ceiling.is_proven(setup), ceiling.is_proven(&self::setup()))
    };
    assert_eq!(at(&setup), (true, true));
    type Change = (&'static str, fn(&mut Setup));
    let changes: [Change; 3] = [
        ("tap", |s| s.tap = Some("noise".to_owned())),
        ("pad", |s| s.pad = Some("phono".to_owned())),
        ("input", |s| s.input = Some("Tuner".to_owned())),
    ];
    for (what, change) in changes {
        let mut other = setup.clone();
        change(&mut other);
        assert_eq!(at(&other), (false, false), "{what}: back again it is new as well");
    }
    // Another mode or volume must be heard, and the old one is still known.
    let mut other = setup.clone();
    other.mode = Some("class A".to_owned());
    assert_eq!(at(&other), (false, true));
    // A plug in the input has taken the cable's place.
    let plug = Setup {
        driven: None,
        termination: Some("shorted plug".to_owned()),
        ..setup.clone()
    };
    assert!(!at(&plug).1);
    // One channel of two that are proven is proven; the other way round it is not.
    let left = Setup {
        driven: Some(Driven::Left),
        ..setup.clone()
    };
    assert_eq!(at(&left), (true, true));
}

#[test]
fn an_answer_that_is_off_stops_before_power_and_may_be_confirmed() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let re = |db: f64| SENSITIVITY_V * 10f64.powf(db / 20.0);
    let db = |x: f64| 10f64.powf(x / 20.0);
    for (off, word) in [(1.01, "higher"), (-1.01, "lower")] {
        let mut ceiling = Ceiling::new(&rig);
        at.clear(&mut ceiling, &tone(997.0, re(-60.0), 1.0)).unwrap();
        let heard = re(-60.0) * GAIN;
        let Answer::Off(error) = ceiling.answer(&[Some(heard), Some(heard * db(off))]) else {
            panic!("{off} dB");
        };
        assert!(
            error.what().contains(word) && error.what().contains("right"),
            "{error}"
        );
        assert!(error.next_step().unwrap().contains("load"), "{error}");
        assert!(ceiling.gain(&setup, 1).is_none());
        assert!(at.clear(&mut ceiling, &tone(997.0, re(-40.0), 1.0)).is_err());
        // Confirmed, it is the gain that is expected from now on.
        at.clear(&mut ceiling, &tone(997.0, re(-60.0), 1.0)).unwrap();
        assert!(matches!(
            ceiling.answer(&[Some(heard), Some(heard * db(off))]),
            Answer::Off(_)
        ));
        ceiling.accept();
        at.clear(&mut ceiling, &tone(997.0, re(-40.0), 1.0)).unwrap();
        let later = re(-40.0) * GAIN;
        assert_eq!(
            ceiling.answer(&[Some(later), Some(later * db(off + 0.99))]),
            Answer::AsExpected
        );
    }
    // Just inside; and a later step is held against the first one.
    let mut ceiling = Ceiling::new(&rig);
    at.clear(&mut ceiling, &tone(997.0, re(-60.0), 1.0)).unwrap();
    let heard = re(-60.0) * GAIN;
    assert_eq!(
        ceiling.answer(&[Some(heard * db(0.99)), Some(heard * db(-0.99))]),
        Answer::AsExpected
    );
    at.clear(&mut ceiling, &tone(997.0, re(-40.0), 1.0)).unwrap();
    let Answer::Off(error) = ceiling.answer(&[Some(re(-40.0) * GAIN * db(-0.03)); 2]) else {
        panic!("1.02 dB below the first step");
    };
    assert!(error.what().contains("step before"), "{error}");
    // Nothing at all, or as good as nothing.
    for heard in [None, Some(0.0), Some(1e-9)] {
        let mut ceiling = Ceiling::new(&rig);
        at.clear(&mut ceiling, &tone(997.0, re(-60.0), 1.0)).unwrap();
        assert!(
            matches!(ceiling.answer(&[heard; 2]), Answer::NoSignal(_)),
            "{heard:?}"
        );
        ceiling.accept();
        assert!(!ceiling.is_proven(&setup) && ceiling.gain(&setup, 0).is_none());
    }
}

/// Hears `gain` re the rated one at every step of the proof, and takes it for the unit's.
fn prove_accepting(at: &At<'_>, ceiling: &mut Ceiling<'_>, gain_db: f64) {
    for db in [-60.0, -40.0, -20.0] {
        let volts = SENSITIVITY_V * 10f64.powf(db / 20.0);
        at.clear(ceiling, &tone(997.0, volts, 1.0)).unwrap();
        let heard = volts * GAIN * 10f64.powf(gain_db / 20.0);
        match ceiling.answer(&[Some(heard); 2]) {
            Answer::Off(_) => ceiling.accept(),
            Answer::AsExpected => {}
            other => panic!("{other:?}"),
        }
    }
    ceiling.rest(1e4);
    assert!(ceiling.is_proven(at.setup));
}

/// A tap plug that is half in loses 20 dB on the way back; the unit amplifies as ever.
#[test]
fn what_is_too_far_off_for_a_unit_is_a_connection() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let elsewhere = Setup {
        volume: Some("reference".to_owned()),
        ..setup.clone()
    };
    let other = limits::of(&self::unit(), &elsewhere).unwrap();
    let volts = SENSITIVITY_V * 1e-3;
    let cases: [(&Setup, &UnitLimits, f64, bool); 7] = [
        (&setup, &unit, -20.0, false),
        (&setup, &unit, -12.1, false),
        (&setup, &unit, -11.9, true),
        (&setup, &unit, 5.9, true),
        (&setup, &unit, 6.1, false),
        // Below full volume a gain may be as low as it likes, but no higher than at full.
        (&elsewhere, &other, -20.0, true),
        (&elsewhere, &other, 6.1, false),
    ];
    for (setup, unit, db, may) in cases {
        let at = At {
            setup,
            unit,
            confirmed: true,
        };
        let mut ceiling = Ceiling::new(&rig);
        at.clear(&mut ceiling, &tone(997.0, volts, 1.0)).unwrap();
        let answer = ceiling.answer(&[Some(volts * GAIN * 10f64.powf(db / 20.0)); 2]);
        if let Answer::WrongConnection(error) = &answer {
            assert!(error.what().contains("a connection, not a unit"), "{error}");
        }
        assert_eq!(
            !matches!(answer, Answer::WrongConnection(_)),
            may,
            "{db} dB: {answer:?}"
        );
        ceiling.accept();
        assert_eq!(ceiling.gain(setup, 0).is_some(), may, "{db} dB");
    }
}

#[test]
fn an_accepted_low_gain_loosens_no_limit() {
    let (mut rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let low_db = -10.0;
    let sweep = |watts: f64| {
        let signal = Signal::Sweep {
            from_hz: 5.0,
            to_hz: 80_000.0,
            level_dbfs: dbfs(volts_for(watts)),
        };
        played(&signal, 5.0)
    };
    // Watts that the unit would deliver with its rated gain, whatever is heard of them: 3 dB above 60 W are 119.7 W.
    let cases = [
        (
            tone(997.0, volts_for(120.0), 1.0),
            tone(997.0, volts_for(119.0), 1.0),
            500.0,
            "harder",
        ),
        (
            tone(997.0, volts_for(100.1), 1.0),
            tone(997.0, volts_for(99.9), 1.0),
            100.0,
            "rated gain",
        ),
        (sweep(6.02), sweep(5.99), 100.0, "sweep"),
        (
            tone(20_000.0, volts_for(60.0), 0.51),
            tone(20_000.0, volts_for(60.0), 0.5),
            100.0,
            "bursts",
        ),
    ];
    for (outside, inside, rating_w, word) in cases {
        rig.channels.iter_mut().for_each(|c| c.load_rating_w = rating_w);
        let mut ceiling = Ceiling::new(&rig);
        prove_accepting(&at, &mut ceiling, low_db);
        let said = at.clear(&mut ceiling, &outside).unwrap_err();
        assert!(said.contains(word) && said.contains("accepted"), "{word}: {said}");
        let cleared = at.clear(&mut ceiling, &inside).unwrap();
        // It is heated as a sound unit would be …
        let mut sound = Ceiling::new(&rig);
        at.prove(&mut sound);
        let as_sound = at.clear(&mut sound, &inside).unwrap();
        let long = tone(997.0, volts_for(60.0), 25.0);
        let rest = ceiling.rest_before(&at.wish(&long)).unwrap();
        assert!(
            (rest - sound.rest_before(&at.wish(&long)).unwrap()).abs() < 1e-4,
            "{rest}"
        );
        // … and predicted as it is heard.
        let less = cleared.expected_dbfs(0).unwrap() - as_sound.expected_dbfs(0).unwrap();
        assert!((less - low_db).abs() < 1e-6, "{less}");
        assert!(cleared.prompt());
    }
}

#[test]
fn a_gain_that_is_as_expected_is_believed() {
    let (mut rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    rig.channels.iter_mut().for_each(|c| c.load_rating_w = 100.0);
    let mut ceiling = Ceiling::new(&rig);
    prove_accepting(&at, &mut ceiling, -0.9);
    at.clear(&mut ceiling, &tone(997.0, volts_for(100.1), 1.0))
        .unwrap();
}

#[test]
fn what_would_overload_the_interface_is_not_played() {
    let (mut rig, unit, setup) = (rig(), of_demo(), setup());
    // 4 V at full scale: a tap of 1:10 takes 40 V, one of 1:4 takes 16 V rms, and −1 dBFS of that is 14.26 V: 25.42 W.
    for channel in &mut rig.channels {
        channel.input_full_scale_v.value = 4.0;
    }
    let ratios = |rig: &mut Rig, power: f64, noise: f64| {
        for tap in &mut rig.taps {
            let ratio = if tap.name == "power" { power } else { noise };
            tap.ratio.iter_mut().for_each(|r| r.value = ratio);
        }
    };
    let noise = Setup {
        tap: Some("noise".to_owned()),
        ..setup.clone()
    };
    let of = |setup| At {
        setup,
        unit: &unit,
        confirmed: true,
    };
    let (outside, inside) = (
        tone(997.0, volts_for(25.5), 1.0),
        tone(997.0, volts_for(25.3), 1.0),
    );
    ratios(&mut rig, 0.1, 0.25);
    edge(&of(&noise), &rig, &outside, &inside, "connect the tap \"power\"");
    ratios(&mut rig, 0.25, 1.0);
    edge(&of(&setup), &rig, &outside, &inside, "asleft rig plan");
    // A loud mark counts as well: 10 dB below 60 W, where 2.5 V are the most.
    ratios(&mut rig, 1.6 / 10f64.powf(1.0 / 20.0), 1.0);
    let marked = |watts: f64| Stimulus {
        marks: Some(Marks {
            level_dbfs: dbfs(volts_for(watts)),
            channels: vec![0, 1],
        }),
        ..tone(997.0, volts_for(0.1), 1.0)
    };
    edge(&of(&setup), &rig, &marked(0.79), &marked(0.62), "input clips");
}

#[test]
fn a_tone_that_came_back_otherwise_is_remarked() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let mut ceiling = Ceiling::new(&rig);
    at.prove(&mut ceiling);
    for (hz, off, word) in [
        (997.0, 0.99, None),
        (997.0, -0.99, None),
        (997.0, 1.01, Some("left came back 1.0 dB above")),
        (
            997.0,
            -2.1,
            Some("left came back 2.1 dB below prediction: it clips"),
        ),
        (20.0, -2.9, None),
        (20.0, -3.1, Some("3.1 dB below")),
        (20_000.0, -3.1, Some("3.1 dB below")),
        (997.0, f64::NAN, Some("left")),
    ] {
        let cleared = at.clear(&mut ceiling, &tone(hz, volts_for(1.0), 0.5)).unwrap();
        let predicted = cleared.expected_dbfs(0).unwrap();
        let said = Ceiling::came_back(&cleared, &[Some(predicted + off), None]);
        match word {
            None => assert_eq!(said, None, "{hz} {off}"),
            Some(word) => assert!(said.as_ref().unwrap().contains(word), "{said:?}"),
        }
    }
}

#[test]
fn a_gain_at_another_volume_is_what_it_is() {
    let rig = rig();
    let setup = Setup {
        volume: Some("reference".to_owned()),
        ..setup()
    };
    let unit = limits::of(&unit(), &setup).unwrap();
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let mut ceiling = Ceiling::new(&rig);
    let first = at
        .clear(&mut ceiling, &tone(997.0, SENSITIVITY_V * 1e-3, 1.0))
        .unwrap();
    assert_eq!(first.expected_dbfs(0), None);
    assert_eq!(
        ceiling.answer(&[Some(SENSITIVITY_V * 1e-3 * GAIN * 0.3); 2]),
        Answer::AsExpected
    );
}

#[test]
fn a_sensitive_input_needs_a_pad() {
    let rig = rig();
    let phono = Setup {
        input: Some("Phono".to_owned()),
        ..setup()
    };
    let faint = tone(997.0, 2.5e-6, 1.0);
    let unit = limits::of(&unit(), &phono).unwrap();
    let at = |setup: &Setup, unit: &UnitLimits, stimulus: &Stimulus| {
        At {
            setup,
            unit,
            confirmed: true,
        }
        .clear(&mut Ceiling::new(&rig), stimulus)
    };
    assert!(at(&phono, &unit, &faint).unwrap_err().contains("pad"));
    let padded = Setup {
        pad: Some("phono".to_owned()),
        ..phono.clone()
    };
    at(&padded, &unit, &faint).unwrap();
    // The pad is in the level: the same samples are 40 dB less.
    at(&padded, &unit, &tone(997.0, 2.5e-4, 1.0)).unwrap();
    assert!(at(&padded, &unit, &tone(997.0, 2.6e-4, 1.0)).is_err());
    let nameless = Setup {
        pad: Some("no such pad".to_owned()),
        ..phono
    };
    assert!(at(&nameless, &unit, &faint).unwrap_err().contains("no such pad"));
    // 50 mV is the line between them.
    for (sensitivity_v, passes) in [(0.0499, false), (0.05, true)] {
        let unit = UnitLimits {
            sensitivity_v,
            ..of_demo()
        };
        assert_eq!(at(&setup(), &unit, &tone(997.0, 4e-5, 1.0)).is_ok(), passes);
    }
}

#[test]
fn no_power_above_the_loads_rating() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    edge(
        &at,
        &rig,
        &tone(997.0, volts_for(100.1), 1.0),
        &tone(997.0, volts_for(99.9), 1.0),
        "rated 100 W",
    );
    // Half the resistance takes twice the power.
    let mut low = rig.clone();
    low.channels.iter_mut().for_each(|c| c.load_ohm.value = 4.0);
    edge(
        &at,
        &low,
        &tone(997.0, volts_for(50.1), 1.0),
        &tone(997.0, volts_for(49.9), 1.0),
        "rated 100 W",
    );
    // Two tones of half the voltage each carry half the power together; their rms counts, not their peak.
    let two = |volts: f64| {
        let tones = [900.0, 1_100.0].map(|frequency_hz| asleft::signal::stimulus::Component {
            frequency_hz,
            level_dbfs: dbfs(volts / 2f64.sqrt()),
            phase_deg: 0.0,
        });
        played(
            &Signal::Tones {
                tones: tones.to_vec(),
            },
            1.0,
        )
    };
    edge(
        &at,
        &rig,
        &two(volts_for(100.1)),
        &two(volts_for(99.9)),
        "rated 100 W",
    );
}

#[test]
fn sweeps_stay_ten_decibels_below_rated_power() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let sweep = |watts: f64| {
        let signal = Signal::Sweep {
            from_hz: 5.0,
            to_hz: 80_000.0,
            level_dbfs: dbfs(volts_for(watts)),
        };
        played(&signal, 5.0)
    };
    edge(&at, &rig, &sweep(6.02), &sweep(5.99), "sweep");
    // Marks are short sweeps.
    let marked = |watts: f64| Stimulus {
        marks: Some(Marks {
            level_dbfs: dbfs(volts_for(watts)),
            channels: vec![0, 1],
        }),
        ..tone(997.0, volts_for(1.0), 1.0)
    };
    edge(&at, &rig, &marked(6.02), &marked(5.99), "sweep");
}

#[test]
fn high_frequencies_at_power_are_bursts_and_confirmed() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let burst = |on_s: f64, every_s: f64| {
        let signal = Signal::Burst {
            frequency_hz: 20_000.0,
            level_dbfs: dbfs(volts_for(60.0)),
            on_s,
            every_s,
        };
        played(&signal, 20.0)
    };
    let high = |seconds: f64| tone(20_000.0, volts_for(60.0), seconds);
    edge(&at, &rig, &high(0.51), &high(0.5), "bursts");
    // At 5 kHz, and up to a quarter of the rated power, nothing of that.
    edge(
        &at,
        &rig,
        &tone(5_001.0, volts_for(60.0), 2.0),
        &tone(5_000.0, volts_for(60.0), 2.0),
        "bursts",
    );
    edge(
        &at,
        &rig,
        &tone(20_000.0, volts_for(15.1), 2.0),
        &tone(20_000.0, volts_for(14.9), 2.0),
        "bursts",
    );
    edge(&at, &rig, &burst(0.5, 9.9), &burst(0.5, 10.0), "bursts");
    // Confirmation, and the rest that keeps the duty at 5 %: 0.5 s of every 10 s.
    let mut ceiling = Ceiling::new(&rig);
    at.prove(&mut ceiling);
    let unasked = At {
        confirmed: false,
        ..at
    };
    assert!(
        unasked
            .clear(&mut ceiling, &high(0.5))
            .unwrap_err()
            .contains("confirmed")
    );
    let once = high(0.5);
    let said = ceiling.needs_confirmation(&at.wish(&once)).unwrap().unwrap();
    assert!(said.contains("20000 Hz") && said.contains("60 W"), "{said}");
    let low = tone(997.0, volts_for(60.0), 0.5);
    assert_eq!(ceiling.needs_confirmation(&at.wish(&low)).unwrap(), None);
    let cleared = at.clear(&mut ceiling, &once).unwrap();
    assert!((cleared.rest_after_s() - 9.5).abs() < 1e-9);
    // The silences around the signal are part of the rest.
    let rest = ceiling.rest_before(&at.wish(&once)).unwrap();
    assert!((rest - 9.3).abs() < 1e-9, "{rest}");
    assert!(at.clear(&mut ceiling, &once).unwrap_err().contains("cool"));
    ceiling.rest(rest - 0.01);
    assert!(at.clear(&mut ceiling, &once).is_err());
    ceiling.rest(0.01);
    at.clear(&mut ceiling, &once).unwrap();
}

#[test]
fn only_loads_that_the_maker_allows() {
    let (unit, setup) = (of_demo(), setup());
    let faint = tone(997.0, SENSITIVITY_V * 1e-3, 1.0);
    let with = |ohm: f64, unit: &UnitLimits, setup: &Setup| {
        let mut rig = rig();
        rig.channels.iter_mut().for_each(|c| c.load_ohm.value = ohm);
        At {
            setup,
            unit,
            confirmed: true,
        }
        .clear(&mut Ceiling::new(&rig), &faint)
    };
    // 4 and 8 Ω, each ±5 %: the tolerance of ordinary load resistors (IEC 60063, E24).
    for (ohm, passes) in [
        (3.79, false),
        (3.81, true),
        (4.19, true),
        (4.21, false),
        (7.59, false),
        (7.61, true),
        (8.39, true),
        (8.41, false),
        (f64::NAN, false),
    ] {
        let found = with(ohm, &unit, &setup);
        assert_eq!(found.is_ok(), passes, "{ohm}: {found:?}");
    }
    // Nothing connected: a transistor output bears it, an output transformer does not, nor when nobody knows.
    let open = Setup {
        loaded: Some(false),
        ..setup.clone()
    };
    let unknown = Setup {
        loaded: None,
        ..setup.clone()
    };
    let transformer = UnitLimits {
        transformer_coupled: true,
        ..unit.clone()
    };
    assert!(with(100.0, &unit, &open).is_ok());
    assert!(with(8.0, &transformer, &setup).is_ok());
    for setup in [&open, &unknown] {
        assert!(
            with(8.0, &transformer, setup)
                .unwrap_err()
                .contains("transformer")
        );
    }
}

#[test]
fn load_and_unit_get_their_rest() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    // A cold unit (a hundredth of its limit √⅛) bears rated power for 70·ln((1 − √⅛/100)/(1 − √⅛)) = 30.3 s: Newton's law
    // of cooling, with the numbers of the heat model.
    let limit = 0.125f64.sqrt();
    let longest = 70.0 * ((1.0 - 0.01 * limit) / (1.0 - limit)).ln();
    edge(
        &at,
        &rig,
        &tone(997.0, volts_for(60.0), longest + 0.1),
        &tone(997.0, volts_for(60.0), longest - 0.1),
        "overheat the unit",
    );
    // After 20 s, another 20 s need a rest, and with it they pass; without it they do not.
    let long = tone(997.0, volts_for(60.0), 20.0);
    let mut ceiling = Ceiling::new(&rig);
    at.prove(&mut ceiling);
    at.clear(&mut ceiling, &long).unwrap();
    let rest = ceiling.rest_before(&at.wish(&long)).unwrap();
    // θ after 20 s is 1 − e^{−2/7}; it may be 1 − (1 − √⅛)·e^{2/7} at the next start; lead-out and lead-in count.
    let (had, may) = (
        1.0 - (-2.0f64 / 7.0).exp(),
        1.0 - (1.0 - 0.125f64.sqrt()) * (2.0f64 / 7.0).exp(),
    );
    let expected = 70.0 * (had / may).ln() - 0.2;
    assert!((rest - expected).abs() < 1e-6, "{rest} {expected}");
    assert!(at.clear(&mut ceiling, &long).unwrap_err().contains("cool"));
    ceiling.rest(rest);
    at.clear(&mut ceiling, &long).unwrap();
    // An eighth of the rated power may last.
    let mut ceiling = Ceiling::new(&rig);
    at.prove(&mut ceiling);
    at.clear(&mut ceiling, &tone(997.0, volts_for(7.4), 599.0))
        .unwrap();
    // A load at its rating: half its heat after 60·ln(0.995/0.5) = 41.3 s, with a unit that is made for more.
    let large = UnitLimits {
        rated_w: 6_000.0,
        ..unit.clone()
    };
    let at = At { unit: &large, ..at };
    let limit = 60.0 * (0.995f64 / 0.5).ln();
    edge(
        &at,
        &rig,
        &tone(997.0, volts_for(99.999), limit + 0.1),
        &tone(997.0, volts_for(99.999), limit - 0.1),
        "overheat the load",
    );
}

/// A ceiling that is told what another one played wants the same rest as that one.
#[test]
fn a_new_ceiling_takes_over_heat_and_bursts() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let long = tone(997.0, volts_for(60.0), 20.0);
    let burst = tone(20_000.0, volts_for(60.0), 0.5);
    for stimulus in [&long, &burst] {
        let mut first = Ceiling::new(&rig);
        at.prove(&mut first);
        at.clear(&mut first, stimulus).unwrap();
        first.rest(4.0);
        let rest = first.rest_before(&at.wish(stimulus)).unwrap();
        assert!(rest > 1.0, "{rest}");
        // Proving is followed by a long rest here, so it is told afterwards.
        let mut second = Ceiling::new(&rig);
        at.prove(&mut second);
        second.assume_played(&at.wish(stimulus), 4.0);
        let again = second.rest_before(&at.wish(stimulus)).unwrap();
        // The first's heat of proving, a microwatt, is the whole difference.
        assert!((again - rest).abs() < 1e-4, "{again} {rest}");
        assert!(at.clear(&mut second, stimulus).unwrap_err().contains("cool"));
        second.rest(again);
        at.clear(&mut second, stimulus).unwrap();
    }
    // Told before anything is proven, and of long ago, it does nothing; of a pad that is gone, it waits.
    let mut third = Ceiling::new(&rig);
    third.assume_played(&at.wish(&long), 1e6);
    let nameless = Setup {
        pad: Some("no such pad".to_owned()),
        ..setup.clone()
    };
    let gone = At {
        setup: &nameless,
        ..at
    };
    at.prove(&mut third);
    assert_eq!(third.rest_before(&at.wish(&long)), Ok(0.0));
    third.assume_played(&gone.wish(&long), f64::NAN);
    assert!(third.rest_before(&at.wish(&long)).unwrap() > 10.0);
}

#[test]
fn prompt_from_forty_decibels_below_rated_output() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let mut ceiling = Ceiling::new(&rig);
    at.prove(&mut ceiling);
    let mut prompt = |stimulus: &Stimulus| at.clear(&mut ceiling, stimulus).unwrap().prompt();
    assert!(!prompt(&tone(997.0, 0.0099 * SENSITIVITY_V, 1.0)));
    assert!(prompt(&tone(997.0, 0.0101 * SENSITIVITY_V, 1.0)));
    let marked = Stimulus {
        marks: Some(Marks {
            level_dbfs: dbfs(0.0101 * SENSITIVITY_V),
            channels: vec![0],
        }),
        ..tone(997.0, 0.001 * SENSITIVITY_V, 1.0)
    };
    assert!(prompt(&marked));
}

#[test]
fn nothing_is_played_into_a_plug_that_terminates() {
    let (rig, unit) = (rig(), of_demo());
    let setup = Setup {
        driven: Some(Driven::Left),
        termination: Some("shorted plug".to_owned()),
        ..setup()
    };
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let faint = tone(997.0, SENSITIVITY_V * 1e-3, 1.0);
    assert!(
        at.clear(&mut Ceiling::new(&rig), &faint)
            .unwrap_err()
            .contains("terminated")
    );
    let signal = faint.channels[0].clone();
    let left = Stimulus::stereo(96_000, 1.0, &signal, Driven::Left);
    at.clear(&mut Ceiling::new(&rig), &left).unwrap();
    // A mark is heard as well.
    let marked = Stimulus {
        marks: Some(Marks {
            level_dbfs: -120.0,
            channels: vec![1],
        }),
        ..left
    };
    assert!(at.clear(&mut Ceiling::new(&rig), &marked).is_err());
}

#[test]
fn the_prediction_is_what_ohm_and_the_rig_say() {
    let (rig, unit, setup) = (rig(), of_demo(), setup());
    let at = At {
        setup: &setup,
        unit: &unit,
        confirmed: true,
    };
    let mut ceiling = Ceiling::new(&rig);
    at.prove(&mut ceiling);
    let cleared = at
        .clear(&mut ceiling, &tone(997.0, volts_for(60.0), 1.0))
        .unwrap();
    for channel in 0..2 {
        let expected = 20.0
            * (480f64.sqrt() * rig.taps[0].ratio[channel].value
                / rig.channels[channel].input_full_scale_v.value)
                .log10();
        assert!((cleared.expected_dbfs(channel).unwrap() - expected).abs() < 1e-9);
    }
    assert_eq!(cleared.expected_dbfs(2), None);
}

#[test]
fn what_is_no_number_limits_nothing_and_is_not_played() {
    let (rig, setup) = (rig(), setup());
    let faint = tone(997.0, SENSITIVITY_V * 1e-3, 1.0);
    let changes: [fn(&mut UnitLimits, f64); 4] = [
        |u, x| u.sensitivity_v = x,
        |u, x| u.sensitivity_output_v = x,
        |u, x| u.rated_w = x,
        |u, x| u.rated_load_ohm = x,
    ];
    for change in changes {
        for x in [f64::NAN, 0.0, -1.0, f64::INFINITY] {
            let mut unit = of_demo();
            change(&mut unit, x);
            let at = At {
                setup: &setup,
                unit: &unit,
                confirmed: true,
            };
            assert!(at.clear(&mut Ceiling::new(&rig), &faint).is_err(), "{x}");
        }
    }
}

fn any_signal() -> impl Strategy<Value = Signal> {
    let level = prop_oneof![-140.0..6.0f64, Just(f64::NAN), Just(f64::NEG_INFINITY)];
    let hz = 20.0..40_000.0f64;
    prop_oneof![
        Just(Signal::Silence),
        (hz.clone(), level.clone()).prop_map(|(frequency_hz, level_dbfs)| Signal::Tone {
            frequency_hz,
            level_dbfs
        }),
        prop::collection::vec((hz.clone(), level.clone(), 0.0..360.0f64), 2..4).prop_map(|tones| {
            let one = |(frequency_hz, level_dbfs, phase_deg)| asleft::signal::stimulus::Component {
                frequency_hz,
                level_dbfs,
                phase_deg,
            };
            Signal::Tones {
                tones: tones.into_iter().map(one).collect(),
            }
        }),
        level.clone().prop_map(|level_dbfs| Signal::Sweep {
            from_hz: 20.0,
            to_hz: 20_000.0,
            level_dbfs
        }),
        (level.clone(), any::<bool>()).prop_map(|(level_dbfs, pink)| Signal::Noise {
            colour: if pink {
                NoiseColour::Pink
            } else {
                NoiseColour::White
            },
            level_dbfs,
            seed: 7,
        }),
        (hz, level).prop_map(|(frequency_hz, level_dbfs)| Signal::Burst {
            frequency_hz,
            level_dbfs,
            on_s: 0.06,
            every_s: 0.1,
        }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    /// Every kind of stimulus, marks included: of what is cleared over a proven or a new connection, no sample exceeds the
    /// ceiling, and over a new one none is above −60 dB re sensitivity.
    #[test]
    fn not_one_sample_exceeds_the_ceiling(
        left in any_signal(),
        right in any_signal(),
        seconds in 0.05..0.3f64,
        mark_dbfs in prop_oneof![-140.0..0.0f64, Just(f64::NAN)],
        marked in prop::collection::vec(0usize..3, 0..3),
        ceiling_v in 0.001..5.0f64,
        proven in any::<bool>(),
        confirmed in any::<bool>(),
    ) {
        let mut rig = rig();
        rig.ceiling_v = ceiling_v;
        let (unit, setup) = (of_demo(), setup());
        let at = At { setup: &setup, unit: &unit, confirmed };
        let stimulus = Stimulus {
            sample_rate_hz: 96_000,
            channels: vec![left, right],
            marks: (!marked.is_empty()).then_some(Marks { level_dbfs: mark_dbfs, channels: marked }),
            ..played(&Signal::Silence, seconds)
        };
        let mut ceiling = Ceiling::new(&rig);
        // The last step of a proof is 15 mV.
        let proven = proven && ceiling_v > 0.0151;
        if proven {
            at.prove(&mut ceiling);
        }
        if let Ok(cleared) = at.clear(&mut ceiling, &stimulus) {
            // What no bench can play reaches no unit.
            let Ok(drive) = linear::rendered(&cleared, 2) else { return Ok(()); };
            let peak = drive.iter().flatten().fold(0.0f64, |p, x| p.max(x.abs()));
            let peak_v = peak * 4.0;
            // The codes of a converter of 16 bits, at the worst of triangular dither of ±1 step (its definition).
            let code_v = if peak > 0.0 { (peak * 32_768.0 + 1.0).round() / 32_768.0 * 4.0 } else { 0.0 };
            // 1e-9 and 1e-6: rounding of powers of ten, and the hair of the rule.
            prop_assert!(code_v <= ceiling_v * (1.0 + 1e-9), "{code_v} V of {ceiling_v} V");
            prop_assert!(
                proven || peak_v <= SENSITIVITY_V * 1e-3 * (1.0 + 1e-6),
                "{peak_v} V on a new connection"
            );
        }
    }
}

proptest! {
    // Each case is a whole plan, analysed.
    #![proptest_config(ProptestConfig::with_cases(2))]

    /// Every step of the plans of several units, run by a session on an amplifier that is a factor: the ceiling is never
    /// exceeded at the samples that go out, whatever it is set to.
    #[test]
    fn no_step_of_any_plan_exceeds_the_ceiling(
        which in 0usize..4,
        ceiling_v in 0.0001..0.3f64,
        gain_db in -0.9..0.9f64,
    ) {
        linear::run_all(linear::units()[which], ceiling_v, gain_db, false);
    }
}

#[test]
fn the_plan_of_a_good_unit_is_played_whole() {
    for unit in linear::units() {
        let refused = linear::run_all(unit, 2.5, 0.0, false);
        assert!(refused.is_empty(), "{refused:?}");
    }
}
