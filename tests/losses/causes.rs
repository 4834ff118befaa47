//! Takes that are not what they should be, each called by its name.

use crate::POOL;
use crate::pool::{Answer, stimulus, tone};
use crate::random::Random;
use asleft::figure::{Channel, Driven};
use asleft::signal::stimulus::Signal;
use asleft::signal::take::{Setup, Take};
use asleft::take::integrity::{Damage, Integrity};
use asleft::take::losses::Clocks;
use asleft::take::{examine_with, marks};

fn integrity(answer: &Answer, planes: Vec<Vec<f64>>, clocks: Clocks) -> Integrity {
    answer.examine(planes, clocks).unwrap().integrity
}

fn steady() -> Answer {
    Answer::new(stimulus(&tone(1000.0, -30.0), 0.8, Driven::Both), 500)
}

fn clean(answer: &Answer) -> Vec<Vec<f64>> {
    POOL.with_noise(&answer.planes, &mut Random::new(42))
}

#[test]
fn whole_periods_lost_from_a_tone_are_counted() {
    // 1000 Hz at 48 kHz: 48 frames a period. The waveform goes on as if nothing had been.
    let answer = steady();
    for periods in [1, 7, 50] {
        let mut planes = clean(&answer);
        for p in &mut planes {
            p.drain(20_000..20_000 + 48 * periods);
        }
        let damage = integrity(&answer, planes, Clocks::One).damage;
        assert_eq!(
            damage,
            [Damage::FramesMissing {
                frames: 48 * periods as u64
            }]
        );
    }
}

#[test]
fn two_clocks_under_a_tone_are_told_from_losses() {
    let far = Answer::by_clock(stimulus(&tone(997.0, -30.0), 0.8, Driven::Both), 501, 80.0);
    let planes = POOL.with_noise(&far.planes, &mut Random::new(43));
    let examined = far.examine(planes.clone(), Clocks::Unknown).unwrap();
    assert!(
        !examined.integrity.is_damaged(),
        "{:?}",
        examined.integrity.reasons()
    );
    // 80 ppm was simulated; the tone's frequency is good to far below a tenth of a ppm at this level.
    let ppm = examined.alignment.unwrap().clock_ppm;
    assert!((ppm - 80.0).abs() < 0.1, "{ppm}");
    // 963 frames are twenty periods of 997 Hz within 0.1 frames: nearly the same phase.
    let mut short = planes;
    for p in &mut short {
        p.drain(20_000..20_963);
    }
    let damage = integrity(&far, short, Clocks::Unknown).damage;
    assert_eq!(damage, [Damage::FramesMissing { frames: 963 }]);
}

#[test]
fn a_knob_moved_during_a_take_is_damage() {
    let answer = steady();
    let mut planes = clean(&answer);
    // −0.2 dB over 50 ms in the middle, on the right channel.
    let gain = 10f64.powf(-0.2 / 20.0);
    for (n, v) in planes[1].iter_mut().enumerate() {
        let part = ((n as f64 - 22_000.0) / 2400.0).clamp(0.0, 1.0);
        *v *= gain.powf(part);
    }
    let damage = integrity(&answer, planes, Clocks::One).damage;
    let moved = damage
        .iter()
        .any(|d| matches!(d, Damage::GainMoved { channel: Channel::Right, db } if (db + 0.2).abs() < 0.02));
    assert!(moved, "{damage:?}");
}

#[test]
fn automatic_gain_is_damage() {
    let answer = steady();
    let mut planes = clean(&answer);
    // A compressor that takes a tone down by 3 dB in a quarter of a second and lets it up again after it.
    for p in &mut planes {
        for (n, v) in p.iter_mut().enumerate() {
            if answer.inside.contains(&n) {
                let t = (n - answer.inside.start) as f64 / 48_000.0;
                *v *= 10f64.powf(-3.0 / 20.0 * (1.0 - (-t / 0.25).exp()));
            }
        }
    }
    let damage = integrity(&answer, planes, Clocks::One).damage;
    assert!(
        damage.iter().any(|d| matches!(d, Damage::AutomaticGain { .. })),
        "{damage:?}"
    );
}

#[test]
fn a_noise_gate_is_damage() {
    let answer = Answer::new(stimulus(&Signal::Silence, 0.8, Driven::Both), 502);
    let mut planes = clean(&answer);
    // It holds for 100 ms after the first mark and opens with the second.
    let [first, second] = answer.stimulus.mark_frames().map(|f| f as usize + 2311);
    for p in &mut planes {
        for (n, v) in p.iter_mut().enumerate() {
            if n > first + 960 + 4800 && n < second {
                *v *= 0.01;
            }
        }
    }
    let damage = integrity(&answer, planes, Clocks::One).damage;
    assert!(
        damage.iter().any(|d| matches!(d, Damage::Gate { .. })),
        "{damage:?}"
    );
}

#[test]
fn exchanged_channels_and_a_mono_switch_are_named() {
    let answer = steady();
    let mut planes = clean(&answer);
    planes.swap(0, 1);
    let notes = integrity(&answer, planes, Clocks::One).notes;
    assert!(notes.iter().any(|n| n.contains("changed places")), "{notes:?}");
    let mut planes = clean(&answer);
    let (left, right) = planes.split_at_mut(1);
    for (l, r) in left[0].iter_mut().zip(&mut right[0]) {
        let middle = 0.5 * (*l + *r);
        (*l, *r) = (middle, middle + 0.3 * (*r - middle));
    }
    let notes = integrity(&answer, planes, Clocks::One).notes;
    assert!(notes.iter().any(|n| n.contains("mono switch")), "{notes:?}");
}

#[test]
fn marks_that_do_not_come_back_are_said() {
    // The unit's input is silent, and nothing but its hum and noise is there.
    let answer = Answer::new(stimulus(&Signal::Silence, 0.8, Driven::Both), 503);
    let unmarked = answer.to(&[vec![0.0; answer.drive[0].len()], vec![0.0; answer.drive[0].len()]]);
    let planes = POOL.with_noise(&unmarked, &mut Random::new(44));
    let said = integrity(&answer, planes.clone(), Clocks::One);
    assert!(!said.is_damaged() && said.notes.iter().any(|n| n.contains("did not come back")));
    // Behind a shorted plug none are expected.
    let take = Take {
        setup: Setup {
            driven: None,
            termination: Some("shorted plug".to_owned()),
            ..crate::pool::setup()
        },
        ..answer.take(planes)
    };
    let said = examine_with(take, None, Clocks::One).unwrap().integrity;
    assert!(!said.is_damaged() && said.notes.iter().any(|n| n.contains("terminated")));
    // A tone that comes back without them has lost them.
    let tone = steady();
    let start = tone.stimulus.lead_in_frames() as usize;
    let end = start + tone.stimulus.signal_frames() as usize;
    let mut drive = tone.drive.clone();
    for p in &mut drive {
        p[..start].fill(0.0);
        p[end..].fill(0.0);
    }
    let planes = POOL.with_noise(&tone.to(&drive), &mut Random::new(45));
    let damage = integrity(&tone, planes, Clocks::One).damage;
    assert_eq!(damage, [Damage::NoMarks]);
}

#[test]
fn the_marks_of_an_amplifier_are_where_they_were_played() {
    // Latency 2311.4 frames; two low-passes of the interface at 180 kHz and of the amplifier at 150 and 300 kHz delay by
    // 1/(2πf) each: 0.16 frames together.
    let answer = steady();
    let take = answer.take(clean(&answer));
    let found = marks::find(take.source.as_ref(), &answer.stimulus)
        .unwrap()
        .unwrap();
    let u = found.ends[0].as_ref().unwrap().u_frames;
    let delay = found.delay_s * 48_000.0;
    assert!((delay - 2311.56).abs() < 0.05 + 5.0 * u, "{delay} ± {u}");
    let d = found.distance.unwrap();
    assert!(
        (d.frames - d.nominal_frames).abs() < 5.0 * d.u_frames + 1e-3,
        "{d:?}"
    );
}
