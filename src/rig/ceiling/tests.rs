//! What is played on outputs without an amplifier, sample by sample.

use super::*;
use crate::figure::Driven;
use crate::rig::file;
use crate::signal::stimulus::{Component, NoiseColour};
use proptest::prelude::*;

fn rig() -> Rig {
    file::parse(file::template(), "template").unwrap()
}

fn tone(level_dbfs: f64) -> Signal {
    Signal::Tone {
        frequency_hz: 1_000.0,
        level_dbfs,
    }
}

fn stereo(signal: &Signal) -> Stimulus {
    Stimulus::stereo(48_000, 1.0, signal, Driven::Both)
}

#[test]
fn the_ceiling_is_an_rms_voltage_at_the_unit() {
    // The template's outputs give 2.00 and 2.01 V at 0 dBFS, its ceiling is 1 V: 20 lg(1/2.01) = -6.064 dBFS.
    assert!(clear(stereo(&tone(-6.07)), &rig(), None).is_ok());
    let error = clear(stereo(&tone(-6.06)), &rig(), None).unwrap_err();
    assert!(
        error.what().contains("1.000 V") && error.what().contains("ceiling"),
        "{error}"
    );
    // Through a pad of 1:100 the same level is harmless.
    assert!(clear(stereo(&tone(0.0)), &rig(), Some("phono")).is_ok());
    assert!(clear(stereo(&tone(-60.0)), &rig(), Some("no such pad")).is_err());
    // The peaks of two equal tones meet: 6.02 dB less each.
    let two = |level_dbfs| Signal::Tones {
        tones: [19e3, 20e3]
            .map(|frequency_hz| Component {
                frequency_hz,
                level_dbfs,
                phase_deg: 0.0,
            })
            .to_vec(),
    };
    assert!(clear(stereo(&two(-12.1)), &rig(), None).is_ok());
    assert!(clear(stereo(&two(-12.0)), &rig(), None).is_err());
}

#[test]
fn what_is_no_number_is_not_played() {
    for level in [f64::NAN, f64::INFINITY] {
        assert!(clear(stereo(&tone(level)), &rig(), None).is_err(), "{level}");
    }
    let lengths: [fn(&mut Stimulus); 5] = [
        |s| s.seconds = f64::NAN,
        |s| s.seconds = 0.0,
        |s| s.seconds = LONGEST_S + 1.0,
        |s| s.lead_in_s = f64::INFINITY,
        |s| s.lead_out_s = -1.0,
    ];
    for change in lengths {
        let mut stimulus = stereo(&tone(-60.0));
        change(&mut stimulus);
        assert!(clear(stimulus.clone(), &rig(), None).is_err(), "{stimulus:?}");
    }
    for wrong in [f64::NAN, f64::INFINITY, -2.0] {
        let mut rig = rig();
        rig.channels[1].output_full_scale_v.value = wrong;
        assert!(clear(stereo(&tone(0.0)), &rig, None).is_err(), "{wrong}");
    }
    let mut rig = rig();
    rig.ceiling_v = f64::NAN;
    assert!(clear(stereo(&tone(-100.0)), &rig, None).is_err());
}

#[test]
fn an_output_without_calibration_plays_nothing_but_silence() {
    let mut mono = rig();
    mono.channels.truncate(1);
    assert!(clear(stereo(&tone(-60.0)), &mono, None).is_err());
    let left = Stimulus::stereo(48_000, 1.0, &tone(-60.0), Driven::Left);
    assert!(clear(left, &mono, None).is_ok());
    mono.channels.clear();
    let everywhere = Stimulus {
        channels: vec![tone(-60.0)],
        ..stereo(&Signal::Silence)
    };
    assert!(clear(everywhere, &mono, None).is_err());
}

fn any_signal() -> impl Strategy<Value = Signal> {
    let level = prop_oneof![
        -140.0..20.0f64,
        Just(f64::NAN),
        Just(f64::NEG_INFINITY),
        Just(f64::INFINITY)
    ];
    prop_oneof![
        Just(Signal::Silence),
        (1.0..9e4f64, level.clone()).prop_map(|(frequency_hz, level_dbfs)| Signal::Tone {
            frequency_hz,
            level_dbfs
        }),
        prop::collection::vec((1.0..9e4f64, level.clone(), 0.0..360.0f64), 0..5).prop_map(|tones| {
            let one = |(frequency_hz, level_dbfs, phase_deg)| Component {
                frequency_hz,
                level_dbfs,
                phase_deg,
            };
            Signal::Tones {
                tones: tones.into_iter().map(one).collect(),
            }
        }),
        level.clone().prop_map(|level_dbfs| Signal::Noise {
            colour: NoiseColour::White,
            level_dbfs,
            seed: 1,
        }),
        level.prop_map(|level_dbfs| Signal::Burst {
            frequency_hz: 1e3,
            level_dbfs,
            on_s: 0.02,
            every_s: 0.5,
        }),
    ]
}

/// The largest |sample| of the first millisecond in units of full scale: physics, not the rule under test.
fn sampled_peak(signal: &Signal) -> f64 {
    let sine = |hz: f64, db: f64, deg: f64, t: f64| {
        10f64.powf(db / 20.0) * (2.0 * std::f64::consts::PI * hz * t + deg.to_radians()).sin()
    };
    let at = |t: f64| match signal {
        Signal::Tone {
            frequency_hz,
            level_dbfs,
        }
        | Signal::Burst {
            frequency_hz,
            level_dbfs,
            ..
        } => sine(*frequency_hz, *level_dbfs, 0.0, t),
        Signal::Tones { tones } => tones
            .iter()
            .map(|c| sine(c.frequency_hz, c.level_dbfs, c.phase_deg, t))
            .sum(),
        // A noise of rms 1 (its dBFS are 3.01 dB above its rms) with its promised crest factor of 5.
        Signal::Noise { level_dbfs, .. } => 5.0 * 10f64.powf((level_dbfs - 3.010_299_956_6) / 20.0),
        Signal::Silence | Signal::Sweep { .. } => 0.0,
    };
    (0..500)
        .map(|n| at(f64::from(n) * 2e-6).abs())
        .fold(0.0, f64::max)
}

proptest! {
    /// Whatever is cleared stays below the ceiling, has its ramps, and ends.
    #[test]
    fn nothing_cleared_exceeds_the_ceiling(
        signals in prop::collection::vec(any_signal(), 1..4),
        seconds in -1.0..700.0f64,
        fade_s in prop_oneof![-1.0..400.0f64, Just(f64::NAN)],
        padded in any::<bool>(),
        full_scale in 0.1..20.0f64,
        ceiling in 0.001..5.0f64,
    ) {
        let mut rig = rig();
        rig.ceiling_v = ceiling;
        rig.channels.iter_mut().for_each(|c| c.output_full_scale_v.value = full_scale);
        let stimulus = Stimulus {
            seconds,
            fade_s,
            channels: signals,
            ..stereo(&Signal::Silence)
        };
        let pad = padded.then_some("phono");
        if let Ok(cleared) = clear(stimulus, &rig, pad) {
            let s = cleared.stimulus();
            prop_assert!(s.seconds > 0.0 && s.seconds <= LONGEST_S);
            prop_assert!(s.fade_s >= RAMP_S.min(s.seconds / 2.0) && s.fade_s <= s.seconds / 2.0);
            let ratio = if padded { 0.01 } else { 1.0 };
            for index in 0..4 {
                let sampled = s.channel(index).map_or(0.0, sampled_peak);
                // Dither of ±1 step and half a step of rounding on a converter of 16 bits.
                let peak = if sampled > 0.0 { sampled + 1.5 / 32_768.0 } else { 0.0 };
                // Peak volts of a sine of the ceiling's rms voltage; 1e-9: rounding of the powers of ten.
                let volts = peak * full_scale * ratio * std::f64::consts::SQRT_2;
                prop_assert!(volts <= ceiling * std::f64::consts::SQRT_2 * (1.0 + 1e-9), "{volts} V peak");
            }
        }
    }
}
