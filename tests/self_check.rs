//! The self-check of a bare bench, on the simulated interface: every number against the interface's own closed forms, and
//! every fault that a path can have named for what it is. The faults are made here, from what is recorded.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

use asleft::bench::simulated::limiter::cut_off_v;
use asleft::bench::simulated::{InterfaceModel, SimulatedBench, bench_interface, demo_rig};
use asleft::bench::{BLOCK_FRAMES, Bench, Flow, InMemory, Loss, Played, Sink};
use asleft::error::Result;
use asleft::figures::distortion::rig_thd_percent;
use asleft::procedure::operator::{Answer, Expects, Meter, Notice, Operator, Question};
use asleft::procedure::self_check::trouble::Kind;
use asleft::procedure::self_check::{self, Purpose, Request, SelfCheck, loopback};
use asleft::quantity::Dbfs;
use asleft::report::{self_check as shown, table::Style};
use asleft::rig::ceiling::{BARE_DBFS, Cleared};
use asleft::rig::{Rig, file};
use asleft::signal::source::{BlockSource, Encoding, Format};
use asleft::signal::synthesis::Renderer;
use asleft::signal::take::Setup;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Says yes to everything, and keeps what it was asked.
#[derive(Default)]
struct Willing {
    asked: Vec<String>,
    refuses: Option<&'static str>,
}

impl Operator for Willing {
    fn tell(&mut self, _: &Notice) -> Result<()> {
        Ok(())
    }

    fn ask(&mut self, question: &Question) -> Result<Answer> {
        self.asked.push(question.key.clone());
        Ok(match &question.expects {
            Expects::Choice { default, .. } => Answer::Choice(*default),
            _ => Answer::Yes(self.refuses != Some(question.key.as_str())),
        })
    }

    fn watch(&mut self, _: &Meter) {}

    fn wants_to_stop(&mut self) -> bool {
        false
    }
}

/// What a fault does to a recording: planes, sample rate, whether anything was played.
type Spoil = Box<dyn FnMut(&mut Vec<Vec<f64>>, f64)>;

/// A simulated bench whose recordings are spoilt.
struct Spoilt {
    bench: SimulatedBench,
    spoil: Spoil,
    loudest_dbfs: f64,
}

impl Bench for Spoilt {
    fn play(&mut self, stimulus: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        for signal in &stimulus.stimulus().channels {
            let level = Dbfs::from_sine_peak(signal.peak_bound().max(1e-9)).0;
            self.loudest_dbfs = self.loudest_dbfs.max(level);
        }
        let mut tape = InMemory::default();
        let mut played = self.bench.play(stimulus, setup, &mut tape)?;
        let mut planes = tape.planes().to_vec();
        let format = tape.source().unwrap().format();
        (self.spoil)(&mut planes, f64::from(format.sample_rate_hz));
        let frames = planes[0].len();
        sink.begin(&Format {
            frames: frames as u64,
            ..format
        })?;
        for first in (0..frames).step_by(BLOCK_FRAMES) {
            let last = (first + BLOCK_FRAMES).min(frames);
            let block: Vec<&[f64]> = planes.iter().map(|p| &p[first..last]).collect();
            played.frames = last as u64;
            if let Flow::Stop(reason) = sink.block(&block)? {
                played.stopped = Some((reason, last as u64));
                break;
            }
        }
        Ok(played)
    }

    fn simulated(&self) -> bool {
        true
    }
}

/// A short check at one rate: what the faults need, many times over.
fn short(rate: u32) -> Request {
    Request {
        floor_s: 1.5,
        tone_s: 0.5,
        step_s: 0.8,
        sweep_s: 1.5,
        steady_s: 2.5,
        ..Request::at(rate, rate)
    }
}

/// The demo's interface with outputs that reach full scale of its inputs.
fn matched() -> InterfaceModel {
    InterfaceModel {
        output_full_scale_v: [8.0, 8.0],
        ..bench_interface()
    }
}

/// A rig that describes `interface` exactly.
fn rig_of(interface: &InterfaceModel) -> Rig {
    let mut rig = demo_rig();
    for (index, channel) in rig.channels.iter_mut().enumerate() {
        channel.output_full_scale_v.value = interface.output_full_scale_v[index];
        channel.input_full_scale_v.value = interface.input_full_scale_v[index];
        channel.output_impedance_ohm.value = interface.output_ohm;
        channel.input_impedance_ohm.value = interface.input_ohm;
    }
    rig.loopback.clear();
    rig
}

fn checked(interface: &InterfaceModel, request: &Request, spoil: Spoil) -> (SelfCheck, f64) {
    let mut bench = Spoilt {
        bench: SimulatedBench::loopback(interface.clone(), 3),
        spoil,
        loudest_dbfs: f64::NEG_INFINITY,
    };
    let rig = rig_of(interface);
    let check = self_check::run(&mut bench, &rig, request, &mut Willing::default()).unwrap();
    (check, bench.loudest_dbfs)
}

fn kinds(check: &SelfCheck) -> Vec<Kind> {
    check.troubles.iter().map(|t| t.kind).collect()
}

/// A fault that is named as `kind` and as nothing else.
#[track_caller]
fn is_named(kind: Kind, spoil: Spoil) -> SelfCheck {
    let (check, _) = checked(&matched(), &short(48_000), spoil);
    let crosstalk: Vec<_> = check.channels.iter().map(|c| &c.crosstalk).collect();
    assert_eq!(kinds(&check), [kind], "{:#?} {crosstalk:?}", check.troubles);
    check
}

fn close(what: &str, found: f64, truth: f64, within: f64) {
    assert!(
        (found - truth).abs() <= within,
        "{what}: {found}, truth {truth} ± {within}"
    );
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// A-weighting by the pole frequencies printed in IEC 61672-1 (20.6, 107.7, 737.9, 12194 Hz), power gain re 1 kHz.
fn a_weighting(hz: f64) -> f64 {
    let of = |f: f64| {
        let f2 = f * f;
        let poles = (f2 + 20.598_997f64.powi(2))
            * ((f2 + 107.652_65f64.powi(2)) * (f2 + 737.862_23f64.powi(2))).sqrt()
            * (f2 + 12_194.217f64.powi(2));
        (12_194.217f64.powi(2) * f2 * f2 / poles).powi(2)
    };
    of(hz) / of(1000.0)
}

#[test]
fn every_number_is_the_interfaces_own() {
    let interface = bench_interface();
    let rig = rig_of(&interface);
    let mut operator = Willing::default();
    let mut bench = SimulatedBench::loopback(interface.clone(), 7);
    let check = self_check::run(&mut bench, &rig, &Request::at(96_000, 192_000), &mut operator).unwrap();
    assert_eq!(
        operator.asked,
        ["loopback-bare", "loopback-termination", "loopback-cabled"]
    );
    assert!(check.troubles.is_empty(), "{:#?}", check.troubles);
    assert!(check.is_fit_for(&Purpose::ALL));
    let divider = interface.input_ohm / (interface.input_ohm + interface.output_ohm);
    // −1 dBFS at the outputs is the most that a bare interface plays; the left channel is the weaker.
    let top = BARE_DBFS + db(interface.output_full_scale_v[0] * divider / interface.input_full_scale_v[0]);
    close("highest level", check.highest_input_dbfs.unwrap(), top, 0.01);
    for (index, c) in check.channels.iter().enumerate() {
        let gain = db(interface.output_full_scale_v[index] * divider / interface.input_full_scale_v[index]);
        // 997 Hz instead of 1 kHz and the polynomial change it by less than 1e-4 dB; noise at −60 dBFS by some 1e-3 dB.
        close("gain", c.gain_db.unwrap(), gain, 0.003);
        close("expected gain", c.expected_gain_db.unwrap(), gain, 1e-9);
        floor_holds(&interface, index, c.floor.as_ref().unwrap());
        distortion_holds(&interface, &c.distortion);
        for x in &c.crosstalk {
            // A tone of −106 dBFS over a floor of −153 dB/Hz for a second: 47 dB, four times 0.03 dB.
            close("crosstalk", x.db, db(interface.crosstalk), 0.15);
            assert!(!x.at_most);
        }
        for step in &c.steps {
            // The interface has no steps of its own but 24-bit codes. Of 20 results two may lie outside U; none beyond 2 U.
            let d = step.deviation_db.unwrap();
            assert!(d.abs() <= 0.002 + 2.0 * step.expanded_db, "{step:?}");
            assert!(step.expanded_db < 0.05, "{step:?}");
        }
        assert!(c.wander_db.unwrap() < 0.005);
        assert!(
            c.skirts.unwrap().at_most && c.skirts.unwrap().db < -110.0,
            "{:?}",
            c.skirts
        );
        assert_eq!(c.polarity, Some(1));
        assert_eq!(c.bits, Some(24));
        let own = c.response.as_ref().unwrap();
        // Next to the start of the sweep the gate's limit is 0.05 dB, a rectangle: 0.029 dB; noise adds thousandths.
        assert!(own.u_db <= 0.03 && own.cut_off_hz.is_none(), "{own:?}");
        assert!(own.frequency_hz[0] < 5.1 && *own.frequency_hz.last().unwrap() > 79_000.0);
        for ((hz, db_found), deg) in own.frequency_hz.iter().zip(&own.db).zip(&own.deg) {
            let truth = interface.side_response(*hz) * interface.side_response(*hz);
            // Gating: 0.1 dB at most at the very start of the sweep, 0.005 dB where it has settled.
            let within = if *hz < 8.0 { 0.1 } else { 0.01 };
            close(
                &format!("response at {hz:.1} Hz"),
                *db_found,
                db(truth.norm()),
                within,
            );
            let within = if *hz < 8.0 { 1.0 } else { 0.2 };
            // What is called delay and what phase is a convention; their sum is not.
            let late = check.clock.unwrap().delay_s - interface.latency_frames / 192_000.0;
            let truth = truth.arg().to_degrees() + 360.0 * hz * late;
            close(&format!("phase at {hz:.1} Hz"), *deg, truth, within);
        }
    }
    let clock = check.clock.unwrap();
    close("clock", clock.ppm, 0.0, 0.05);
    // The delay is in frames of whatever rate; the response's own delay (some µs) is not told from it.
    close("delay", clock.delay_s, interface.latency_frames / 192_000.0, 5e-6);
    reads_well(&check);
}

fn floor_holds(interface: &InterfaceModel, index: usize, floor: &self_check::Floor) {
    let density = interface.noise_density(index, None);
    // A mean of n = B·T independent values scatters by 4.34/√n dB: 19,980 Hz × 6 s gives 0.013 dB, four of them 0.05.
    close(
        "noise",
        floor.flat_dbfs,
        10.0 * (2.0 * density * 19_980.0).log10(),
        0.05,
    );
    let weighted: f64 = (20..20_000).map(|hz| a_weighting(f64::from(hz) + 0.5)).sum();
    // A narrower band: 13.5 kHz, 0.015 dB, four of them.
    close(
        "A-weighted",
        floor.a_dbfs,
        10.0 * (2.0 * density * weighted).log10(),
        0.06,
    );
    let truth = 10.0 * (2.0 * density).log10();
    for (hz, found) in floor.frequency_hz.iter().zip(&floor.dbfs_per_hz) {
        // Third octave of 0.23·f, 6 s; the background is a median, which costs a factor of √2; four deviations.
        let deviation = 4.34 * (2.0 / (0.23 * hz * 6.0)).sqrt();
        close(
            &format!("density at {hz:.0} Hz"),
            *found,
            truth,
            0.1 + 4.0 * deviation,
        );
    }
    assert!(floor.frequency_hz[0] < 30.0 && *floor.frequency_hz.last().unwrap() > 30_000.0);
    assert!(floor.hum_dbfs.is_none() && floor.bus_dbfs.is_none() && !floor.zeros);
}

fn distortion_holds(interface: &InterfaceModel, found: &[self_check::OwnDistortion]) {
    assert_eq!(found.len(), 4);
    for own in found {
        let truth = interface.harmonics(Dbfs(own.level_dbfs).sine_peak());
        for (order, (line, truth)) in own.harmonics_db.iter().zip(truth).enumerate() {
            // Noise beside the line: −153 dB/Hz for some 0.9 s, re the tone.
            let noise = 10f64.powf((-152.0 - own.level_dbfs) / 20.0);
            let most = db(truth + 4.0 * noise);
            assert!(*line <= most + 0.1, "H{}: {line}, truth {}", order + 2, db(truth));
            if !own.at_most && truth > 8.0 * noise {
                close(
                    &format!("H{}", order + 2),
                    *line,
                    db(truth),
                    db(1.0 + 4.0 * noise / truth),
                );
            }
        }
        if own.at_most {
            let truth = truth[0].hypot(truth[1]);
            assert!(own.thd_percent >= 100.0 * truth);
        }
    }
}

/// As a technician reads it, at 80 columns.
fn reads_well(check: &SelfCheck) {
    let style = Style {
        width: 80,
        colour: false,
        simulated: false,
    };
    let text = shown::text(check, style);
    assert!(text.starts_with("SIMULATED"));
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    let json: serde_json::Value = serde_json::from_str(&shown::json(check, &Purpose::ALL).unwrap()).unwrap();
    assert_eq!(json["schema"], "asleft.rig-check.v1");
    assert_eq!(json["fit"], true);
    assert_eq!(json["fitness"].as_array().unwrap().len(), 5);
}

#[test]
fn limits_follow_from_the_floors() {
    let interface = bench_interface();
    let (check, _) = checked(&interface, &short(48_000), Box::new(|_, _| {}));
    let reach = |purpose: Purpose, tap: Option<&str>, what: &str| {
        let found = check.fitness.iter().find(|f| f.purpose == purpose).unwrap();
        found
            .limits
            .iter()
            .find(|l| l.tap.as_deref() == tap && l.what.contains(what))
            .unwrap()
            .value
    };
    // Own noise of the input as if at the unit's output: full scale × 10^(−110/20) / ratio; the noisier channel. The
    // estimate scatters by 4.34/√(19,980·1.5) = 0.025 dB, 0.3 %; four of them, and the rig's drawn calibration of 0.15 %.
    for (tap, ratio) in [("power", 0.043_93), ("noise", 0.952_1)] {
        let truth = 7.81 * 10f64.powf(-110.0 / 20.0) / ratio;
        let found = reach(Purpose::Noise, Some(tap), "20 Hz");
        assert!(
            (found / truth - 1.0).abs() < 0.02,
            "{tap}: {found} V, truth {truth} V"
        );
    }
    // 1 dB below full scale through the tap into the load: the channel that takes less.
    let truth = [(7.81, 0.043_93, 8.03), (7.74, 0.043_81, 7.96)]
        .map(|(v, ratio, load): (f64, f64, f64)| (v / ratio * 10f64.powf(-0.05)).powi(2) / load)
        .into_iter()
        .fold(f64::INFINITY, f64::min);
    let found = reach(Purpose::Power, Some("power"), "full scale");
    // The drawn calibration: load 0.6 %, ratio 2 × 0.15 %, each some two deviations.
    assert!((found / truth - 1.0).abs() < 0.03, "{found} W, truth {truth} W");
    close("separation", reach(Purpose::Separation, None, "up to"), 90.0, 0.5);
    // 10 dB above the bench's own: its best level has 1.1e-4 % or is hidden by noise of a few 1e-4 %.
    let thd = reach(Purpose::Distortion, None, "down to");
    assert!((3e-4..2e-3).contains(&thd), "{thd} %");
}

#[test]
fn a_sound_interface_raises_nothing() {
    let request = short(48_000);
    (0..50u64).into_par_iter().for_each(|seed| {
        let interface = if seed % 2 == 0 {
            bench_interface()
        } else {
            matched()
        };
        let rig = rig_of(&interface);
        let mut bench = SimulatedBench::loopback(interface, 1000 + seed);
        let check = self_check::run(&mut bench, &rig, &request, &mut Willing::default()).unwrap();
        assert!(check.troubles.is_empty(), "seed {seed}: {:#?}", check.troubles);
        assert!(
            check.is_fit_for(&Purpose::ALL),
            "seed {seed}: {:#?}",
            check.fitness
        );
    });
}

#[test]
fn a_drawn_calibration_is_no_moved_knob() {
    // Values that share one meter share its error, so that the gain it predicts is right all the same.
    for seed in 0..20 {
        let rig = asleft::bench::simulated::drawn_rig(seed);
        let interface = bench_interface();
        for channel in 0..2 {
            let divider = interface.input_ohm / (interface.input_ohm + interface.output_ohm);
            let truth =
                interface.output_full_scale_v[channel] * divider / interface.input_full_scale_v[channel];
            let expected = self_check::expected_gain(&rig, channel).unwrap();
            assert!(db(expected.value / truth).abs() < 0.005);
            assert!(expected.amplitude_to_db().standard_uncertainty() < 0.003);
        }
    }
}

#[test]
fn sixteen_bits_are_seen_in_the_samples() {
    let interface = InterfaceModel {
        bits: Some(16),
        ..matched()
    };
    let (check, _) = checked(&interface, &short(48_000), Box::new(|_, _| {}));
    assert_eq!(kinds(&check), [Kind::FewBits], "{:#?}", check.troubles);
    assert!(check.channels.iter().all(|c| c.bits == Some(16)));
    // Nothing is quieter than the steps: q²/12 over half a full-scale sine's power, −98.1 dBFS to half the sample rate.
    let least = 10.0 * (2f64.powi(-30) / 12.0 * 2.0 * 19_980.0 / 24_000.0).log10();
    for c in &check.channels {
        assert!(
            c.floor.as_ref().unwrap().flat_dbfs >= least - 0.01,
            "{:?}",
            c.floor
        );
    }
    // No number is infinite, however little is left of a tone.
    shown::json(&check, &Purpose::ALL).unwrap();
}

#[test]
fn another_clock_is_told_in_ppm() {
    let interface = InterfaceModel {
        clock_ppm: 50.0,
        ..matched()
    };
    let (check, _) = checked(&interface, &short(48_000), Box::new(|_, _| {}));
    assert_eq!(kinds(&check), [Kind::TwoClocks], "{:#?}", check.troubles);
    close("clock", check.clock.unwrap().ppm, 50.0, 0.2);
    assert!(check.is_fit_for(&Purpose::ALL));
}

#[test]
fn automatic_gain_is_named() {
    let spoil: Spoil = Box::new(|planes, rate| {
        for plane in planes {
            // Two thirds of the way to −20 dBFS, down in 5 ms and up in half a second.
            let mut envelope = 1e-3f64;
            for x in plane {
                let time = if x.abs() > envelope { 0.005 } else { 0.5 };
                envelope += (x.abs() - envelope) / (time * rate);
                *x *= (0.1 / envelope.max(1e-4)).powf(0.66).min(20.0) * 0.5;
            }
        }
    });
    let (check, _) = checked(&matched(), &short(48_000), spoil);
    let found = kinds(&check);
    // Its gain is no cable's either: with a faint tone it is far too high.
    assert!(
        found.contains(&Kind::AutomaticGain) || found.contains(&Kind::NoCable),
        "{:#?}",
        check.troubles
    );
    assert!(!check.is_fit_for(&[Purpose::Power]));
}

#[test]
fn a_gentle_automatic_gain_is_named() {
    // 1 dB more for each 10 dB below −20 dBFS: still a cable by its gain at −60 dBFS (+2.6 dB at that point).
    let spoil: Spoil = Box::new(|planes, rate| {
        for plane in planes {
            let mut envelope = 1e-3f64;
            for x in plane {
                let time = if x.abs() > envelope { 0.002 } else { 0.1 };
                envelope += (x.abs() - envelope) / (time * rate);
                *x *= (0.1 / envelope.max(1e-4)).powf(0.05);
            }
        }
    });
    let (check, _) = checked(&matched(), &short(48_000), spoil);
    assert!(
        kinds(&check).contains(&Kind::AutomaticGain),
        "{:#?}",
        check.troubles
    );
    assert!(!check.is_fit_for(&[Purpose::Power]));
}

#[test]
fn a_limiter_near_full_scale_is_named() {
    let check = is_named(
        Kind::Limiter,
        Box::new(|planes, _| {
            for x in planes.iter_mut().flatten() {
                *x -= cut_off_v(*x, 0.8, 0.01);
            }
        }),
    );
    assert!(!check.is_fit_for(&[Purpose::Power]) && !check.is_fit_for(&[Purpose::Distortion]));
    assert!(check.is_fit_for(&[Purpose::Noise, Purpose::Response, Purpose::Separation]));
}

#[test]
fn swapped_and_doubled_channels_are_named() {
    is_named(Kind::Swapped, Box::new(|planes, _| planes.swap(0, 1)));
    let check = is_named(
        Kind::OneTwice,
        Box::new(|planes, _| planes[1] = planes[0].clone()),
    );
    assert!(!check.is_fit_for(&[Purpose::Separation]));
}

/// A digital path: what is played comes back to the bit, and nothing while nothing is played.
struct Digital;

impl Bench for Digital {
    fn play(&mut self, stimulus: &Cleared, _: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        let played = Renderer::with_channels(stimulus.stimulus(), 2).unwrap();
        let frames = usize::try_from(played.format().frames).unwrap();
        let mut planes = vec![vec![0.0; frames]; 2];
        let mut all: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
        played.open().unwrap().read(0, &mut all).unwrap();
        let code = Encoding::Int(24).step().unwrap();
        for sample in planes.iter_mut().flatten() {
            *sample = (*sample / code).round() * code;
        }
        sink.begin(&Format {
            encoding: Encoding::Int(24),
            ..played.format()
        })?;
        let block: Vec<&[f64]> = planes.iter().map(Vec::as_slice).collect();
        sink.block(&block)?;
        Ok(Played {
            frames: frames as u64,
            ..Played::default()
        })
    }

    fn simulated(&self) -> bool {
        true
    }
}

/// Equal bits left and right and exact zeros in silence are right where no converter is in the path.
#[test]
fn a_path_without_converters_raises_nothing() {
    let interface = InterfaceModel {
        output_full_scale_v: [8.0, 8.0],
        input_full_scale_v: [8.0, 8.0],
        output_ohm: 1e-3,
        ..bench_interface()
    };
    let rig = rig_of(&interface);
    for rate in [48_000, 192_000] {
        let check = self_check::run(
            &mut Digital,
            &rig,
            &Request::at(rate, rate),
            &mut Willing::default(),
        )
        .unwrap();
        assert!(check.troubles.is_empty(), "{:#?}", check.troubles);
        assert!(check.is_fit_for(&Purpose::ALL), "{:#?}", check.fitness);
    }
}

/// A bench whose device says of the first takes that it lost samples, and did.
struct Losing {
    bench: SimulatedBench,
    losses: usize,
    takes: usize,
}

impl Bench for Losing {
    fn play(&mut self, stimulus: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        self.takes += 1;
        let mut played = self.bench.play(stimulus, setup, sink)?;
        if self.takes <= self.losses {
            played.losses.push(Loss {
                at_frame: 10,
                what: "the input lost samples (overrun)".to_owned(),
            });
        }
        Ok(played)
    }

    fn simulated(&self) -> bool {
        true
    }
}

#[test]
fn a_take_with_losses_is_made_again_and_three_end_the_check() {
    let run = |losses| {
        let mut bench = Losing {
            bench: SimulatedBench::loopback(matched(), 3),
            losses,
            takes: 0,
        };
        let rig = rig_of(&matched());
        let ended = self_check::run(&mut bench, &rig, &short(48_000), &mut Willing::default());
        (ended, bench.takes)
    };
    let (whole, takes) = run(0);
    let (repeated, more) = run(2);
    assert_eq!(more, takes + 2);
    assert!(whole.unwrap().troubles.is_empty() && repeated.unwrap().troubles.is_empty());
    let (given_up, takes) = run(3);
    assert_eq!(takes, 3);
    let error = given_up.unwrap_err().to_string();
    assert!(error.contains("overrun") && error.contains("3 times"), "{error}");
}

/// Rates as converters have them, AES5: 44.1, 48, 88.2, 96, 176.4, 192 kHz.
#[test]
fn rates_are_those_that_the_interface_offers() {
    let rates = |offered: &[u32], most| {
        let request = Request::within(offered, most)?;
        Some([request.sample_rate_hz, request.sweep_rate_hz])
    };
    let usual = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000];
    assert_eq!(rates(&usual, 192_000), Some([96_000, 192_000]));
    assert_eq!(rates(&usual, 48_000), Some([48_000, 48_000]));
    assert_eq!(rates(&[48_000], 192_000), Some([48_000, 48_000]));
    assert_eq!(rates(&[192_000], 192_000), Some([192_000, 192_000]));
    assert_eq!(rates(&[], 192_000), None);
}

#[test]
fn an_inverted_plug_is_named_and_spoils_nothing() {
    let check = is_named(
        Kind::Inverted,
        Box::new(|planes, _| planes[0].iter_mut().for_each(|x| *x = -*x)),
    );
    assert_eq!(check.channels[0].polarity, Some(-1));
    assert_eq!(check.channels[1].polarity, Some(1));
    assert!(check.is_fit_for(&Purpose::ALL));
}

/// Lines of frequency and dBFS on every channel.
fn lines(lines: &'static [(f64, f64)]) -> Spoil {
    Box::new(move |planes, rate| {
        for plane in planes {
            for (n, x) in plane.iter_mut().enumerate() {
                let t = n as f64 / rate;
                *x += lines
                    .iter()
                    .map(|(hz, db)| Dbfs(*db).sine_peak() * (TAU * hz * t).sin())
                    .sum::<f64>();
            }
        }
    })
}

#[test]
fn combs_are_named_by_their_source() {
    let check = is_named(Kind::Hum, lines(&[(50.0, -92.0), (100.0, -98.0), (150.0, -95.0)]));
    let hum = check.channels[0].floor.as_ref().unwrap().hum_dbfs.unwrap();
    // 10^−9.2 + 10^−9.8 + 10^−9.5 as power.
    close(
        "hum",
        hum,
        10.0 * (10f64.powf(-9.2) + 10f64.powf(-9.8) + 10f64.powf(-9.5)).log10(),
        0.3,
    );
    let check = is_named(
        Kind::BusNoise,
        lines(&[(1000.0, -105.0), (2000.0, -106.0), (8000.0, -104.0)]),
    );
    let bus = check.channels[0].floor.as_ref().unwrap().bus_dbfs.unwrap();
    let truth = 10.0 * (10f64.powf(-10.5) + 10f64.powf(-10.6) + 10f64.powf(-10.4)).log10();
    close("bus", bus, truth, 0.5);
}

#[test]
fn a_muted_input_is_no_quiet_one() {
    let check = is_named(
        Kind::Muted,
        Box::new(|planes, _| planes.iter_mut().flatten().for_each(|x| *x = 0.0)),
    );
    assert!(!check.is_fit_for(&[Purpose::Noise]));
    assert!(loopback::entries(&check, "2026-03-01").is_err());
}

#[test]
fn a_noise_gate_is_named() {
    is_named(
        Kind::Gate,
        Box::new(|planes, rate| {
            for plane in planes {
                for part in plane.chunks_mut((0.02 * rate) as usize) {
                    if part.iter().all(|x| x.abs() < Dbfs(-70.0).sine_peak()) {
                        part.fill(0.0);
                    }
                }
            }
        }),
    );
}

#[test]
fn nothing_loud_is_played_into_what_is_no_cable() {
    let gain = |factor: f64| -> Spoil {
        Box::new(move |planes, _| planes.iter_mut().flatten().for_each(|x| *x *= factor))
    };
    let (check, loudest) = checked(&matched(), &short(48_000), gain(10.0));
    assert_eq!(kinds(&check), [Kind::NoCable]);
    assert!(loudest < -59.9, "{loudest} dBFS was played");
    // 2 dB less is a knob: volts are doubtful, ratios are not.
    let check = is_named(Kind::GainMoved, gain(10f64.powf(-0.1)));
    assert!(!check.is_fit_for(&[Purpose::Power]) && !check.is_fit_for(&[Purpose::Noise]));
    assert!(check.is_fit_for(&[Purpose::Distortion, Purpose::Response, Purpose::Separation]));
    assert!(
        check.troubles[0].what.contains("left −2.00 dB") || check.troubles[0].what.contains("left -2.00 dB")
    );
}

#[test]
fn rates_that_do_not_agree_are_named() {
    // Recorded at 44.1 kHz and called 48 kHz, read between its samples along straight lines.
    let (check, loudest) = checked(
        &matched(),
        &short(48_000),
        Box::new(|planes, _| {
            for plane in planes {
                let step = 48.0 / 44.1;
                let frames = (plane.len() as f64 / step) as usize - 1;
                *plane = (0..frames)
                    .map(|n| {
                        let at = n as f64 * step;
                        let (i, share) = (at as usize, at.fract());
                        plane[i] * (1.0 - share) + plane[i + 1] * share
                    })
                    .collect();
            }
        }),
    );
    assert_eq!(kinds(&check), [Kind::WrongRate], "{:#?}", check.troubles);
    assert!(loudest < -59.9);
}

#[test]
fn a_conversion_shows_where_the_response_ends() {
    // A windowed sinc (Blackman, 255 points) of 22 kHz at 96 kHz: what a mixer that runs at 44.1 or 48 kHz leaves.
    let half = 127i32;
    let taps: Vec<f64> = (-half..=half)
        .map(|k| {
            let (x, w) = (f64::from(k), TAU * f64::from(k + half) / f64::from(2 * half));
            let cut = 22.0 / 96.0;
            let sinc = if k == 0 {
                2.0 * cut
            } else {
                (TAU * cut * x).sin() / (x * TAU / 2.0)
            };
            sinc * (0.42 - 0.5 * w.cos() + 0.08 * (2.0 * w).cos())
        })
        .collect();
    let spoil: Spoil = Box::new(move |planes, _| {
        for plane in planes {
            let from = plane.clone();
            for (n, x) in plane.iter_mut().enumerate() {
                *x = taps
                    .iter()
                    .enumerate()
                    .map(|(k, tap)| {
                        tap * (n + k)
                            .checked_sub(127)
                            .and_then(|i| from.get(i))
                            .copied()
                            .unwrap_or(0.0)
                    })
                    .sum();
            }
        }
    });
    let (check, _) = checked(&matched(), &short(96_000), spoil);
    let own = check.channels[0]
        .response
        .as_ref()
        .map(|r| (&r.frequency_hz, &r.db));
    assert_eq!(kinds(&check), [Kind::Converted], "{:#?} {own:?}", check.troubles);
    let end = check.channels[0].response.as_ref().unwrap().cut_off_hz.unwrap();
    // −6 dB at 22 kHz; its transition is 5.5/255 of the rate wide.
    close("end", end, 22_300.0, 1_000.0);
    assert!(!check.is_fit_for(&[Purpose::Response]));
}

#[test]
fn jitter_shows_as_skirts() {
    // 5 ns rms at 137 Hz: the wave is read a little earlier and later, x(t + τ) ≈ x + τ·x'.
    let check = is_named(
        Kind::Skirts,
        Box::new(|planes, rate| {
            for plane in planes {
                let from = plane.clone();
                for n in 1..from.len() - 1 {
                    let slope = (from[n + 1] - from[n - 1]) / 2.0 * rate;
                    let tau = 5e-9 * 2f64.sqrt() * (TAU * 137.0 * n as f64 / rate).sin();
                    plane[n] += tau * slope;
                }
            }
        }),
    );
    let found = check.channels[0].skirts.unwrap().jitter_s;
    // The central difference is sin(x)/x of the slope with x = 2π·9973/48000: 0.739.
    assert!((found / (5e-9 * 0.739) - 1.0).abs() < 0.03, "{found} s");
    assert!(check.is_fit_for(&Purpose::ALL));
}

#[test]
fn without_a_yes_nothing_is_played() {
    for key in ["loopback-bare", "loopback-cabled"] {
        let mut bench = Spoilt {
            bench: SimulatedBench::loopback(matched(), 1),
            spoil: Box::new(|_, _| {}),
            loudest_dbfs: f64::NEG_INFINITY,
        };
        let mut operator = Willing {
            refuses: Some(key),
            ..Willing::default()
        };
        let refused = self_check::run(&mut bench, &rig_of(&matched()), &short(48_000), &mut operator);
        assert!(refused.unwrap_err().next_step().is_some());
        assert!(bench.loudest_dbfs < -150.0, "{}", bench.loudest_dbfs);
    }
}

#[test]
fn saving_keeps_the_rest_of_the_file() {
    let interface = bench_interface();
    let (check, _) = checked(&interface, &short(48_000), Box::new(|_, _| {}));
    let entries = loopback::entries(&check, "2026-03-01").unwrap();
    let text = loopback::with_entries(file::template(), "template", &entries).unwrap();
    let rig = file::parse(&text, "template").unwrap();
    assert_eq!(rig.loopback, entries);
    // Every line that was there still is, comments included, and in its order.
    let mut lines = text.lines();
    for line in file::template().lines().filter(|l| !l.trim().is_empty()) {
        assert!(lines.any(|l| l == line), "lost: {line}");
    }
    // Saving again replaces.
    let again = loopback::with_entries(&text, "template", &entries[..1]).unwrap();
    assert_eq!(file::parse(&again, "template").unwrap().loopback, entries[..1]);
    // And it is the floor that figures refer to: THD of the closed form at −6 dBFS, within what noise lets be known.
    let thd = rig_thd_percent(&rig, 0, Dbfs(-6.0), &[2, 3]).unwrap();
    let [h2, h3] = interface.harmonics(Dbfs(-6.0).sine_peak());
    let truth = 100.0 * h2.hypot(h3);
    // Noise beside a line of a half-second tone: −150 dB re full scale, −144 dB re the tone, 0.6e-5 % of each part.
    assert!(
        (thd - truth).abs() < 4.0 * 0.9e-5 + 0.01 * truth,
        "{thd} %, truth {truth} %"
    );
    assert!(loopback::with_entries("schema = 1", "x", &entries).is_err());
}
