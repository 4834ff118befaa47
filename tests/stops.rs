//! The guard and the end of a take: what must stop it does, in time, and nothing else does.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

use asleft::bench::guard::Guard;
use asleft::bench::simulated::{Fault, SimulatedBench, bench_interface, demo_rig, tarnbeck_60};
use asleft::bench::{Bench, Flow, Loss, Played, Reason, Sink};
use asleft::error::{Kind, Result};
use asleft::figure::{Channel, Driven};
use asleft::job::capture::Health;
use asleft::job::{BenchKind, Moment, Record, StageKind, Writer};
use asleft::procedure::operator::{Answer, Meter, Notice, Operator, Question, Unattended};
use asleft::procedure::run::{ATTEMPTS, GAIN_OFF, HIGH_FREQUENCY, Session};
use asleft::procedure::{limits, plan};
use asleft::rig::ceiling::{Ceiling, Cleared, PROMPT_S, Wish};
use asleft::signal::source::Format;
use asleft::signal::stimulus::{Marks, Signal, Stimulus};
use asleft::signal::take::Setup;
use asleft::signal::wav_read;
use asleft::unit::file;
use std::collections::BTreeMap;
use tempfile::TempDir;

const DEMO: &str = include_str!("../units/tarnbeck-60.unit.toml");
const RATE: u32 = 96_000;

fn at() -> Moment {
    "2026-03-14T10:00:00+01:00".parse().unwrap()
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

/// A tone of about 6 W from a proven connection.
fn cleared(signal: &Signal, marks: bool) -> Cleared {
    let rig = demo_rig();
    let setup = setup();
    let unit = limits::of(&file::parse(DEMO, "demo").unwrap(), &setup).unwrap();
    let mut ceiling = Ceiling::new(&rig);
    let clear = |ceiling: &mut Ceiling<'_>, stimulus: &Stimulus| {
        ceiling
            .clear(&Wish {
                stimulus,
                setup: &setup,
                unit: &unit,
                confirmed: true,
            })
            .unwrap()
    };
    for db in [-60.0, -40.0, -20.0] {
        let volts = 0.15 * 10f64.powf(db / 20.0);
        let heard: Vec<Option<f64>> = rig.channels.iter().map(|_| Some(volts * 146.0)).collect();
        // One full scale serves both: the drawn rig's differ by 0.6 %, 0.05 dB.
        let level_dbfs = 20.0 * (volts / rig.channels[0].output_full_scale_v.value).log10();
        let tone = Signal::Tone {
            frequency_hz: 997.0,
            level_dbfs: level_dbfs - 1e-9,
        };
        clear(&mut ceiling, &Stimulus::stereo(RATE, 1.0, &tone, Driven::Both));
        ceiling.answer(&heard);
    }
    let mut stimulus = Stimulus::stereo(RATE, 1.0, signal, Driven::Both);
    stimulus.lead_in_s = 0.2;
    stimulus.lead_out_s = 0.2;
    stimulus.marks = marks.then(|| Marks {
        level_dbfs: -45.0,
        channels: vec![0, 1],
    });
    clear(&mut ceiling, &stimulus)
}

fn tone(level_dbfs: f64) -> Signal {
    Signal::Tone {
        frequency_hz: 997.0,
        level_dbfs,
    }
}

/// Shows the guard a recording that something happened to, and keeps what really came.
struct Tampered<'a> {
    cleared: &'a Cleared,
    guard: Option<Guard>,
    /// From this frame on.
    from: usize,
    change: fn(f64) -> f64,
    stop_at: Option<usize>,
    kept: Vec<Vec<f64>>,
    trigger: Option<usize>,
}

impl<'a> Tampered<'a> {
    fn new(cleared: &'a Cleared, from: usize, change: fn(f64) -> f64) -> Self {
        Self {
            cleared,
            guard: None,
            from,
            change,
            stop_at: None,
            kept: Vec::new(),
            trigger: None,
        }
    }
}

impl Sink for Tampered<'_> {
    fn begin(&mut self, format: &Format) -> Result<()> {
        self.guard = Some(Guard::new(self.cleared, format));
        self.kept = vec![Vec::new(); format.channels];
        Ok(())
    }

    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow> {
        let first = self.kept[0].len();
        let seen: Vec<Vec<f64>> = planes
            .iter()
            .map(|p| {
                let change = |(n, x): (usize, &f64)| {
                    if first + n >= self.from {
                        (self.change)(*x)
                    } else {
                        *x
                    }
                };
                p.iter().enumerate().map(change).collect()
            })
            .collect();
        for (kept, plane) in self.kept.iter_mut().zip(planes) {
            kept.extend_from_slice(plane);
        }
        let seen: Vec<&[f64]> = seen.iter().map(Vec::as_slice).collect();
        let mut flow = self.guard.as_mut().unwrap().block(&seen);
        if self.stop_at.is_some_and(|s| self.kept[0].len() >= s) && self.trigger.is_none() {
            flow = Flow::Stop(Reason::Asked);
        }
        if flow != Flow::Go && self.trigger.is_none() {
            self.trigger = Some(self.kept[0].len());
        }
        Ok(flow)
    }
}

fn bench() -> SimulatedBench {
    SimulatedBench::new(tarnbeck_60(), bench_interface(), 7)
}

fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt()
}

/// Plays, and says why it stopped, how long after the change, and how many frames after that the recording was silent.
fn stops(cleared: &Cleared, change: fn(f64) -> f64, stop_at: Option<usize>) -> (Reason, usize, usize) {
    let from = 70_000;
    let mut sink = Tampered::new(cleared, from, change);
    sink.stop_at = stop_at;
    let played = bench().play(cleared, &setup(), &mut sink).unwrap();
    let (reason, frame) = played.stopped.unwrap();
    let trigger = sink.trigger.unwrap();
    assert_eq!(frame as usize, trigger);
    assert_eq!(played.frames as usize, sink.kept[0].len());
    let heard = rms(&sink.kept[0][40_000..60_000]);
    // Silent: 40 dB below the tone, over a period of it, to the end.
    let silent_from = |plane: &[f64]| {
        let loud = plane.chunks(96).rposition(|c| rms(c) > 0.01 * heard).unwrap();
        (loud + 1) * 96
    };
    let silent = sink.kept.iter().map(|p| silent_from(p)).max().unwrap();
    assert!(silent < sink.kept[0].len(), "some silence is recorded");
    // Up to the trigger the recording is that of a take that nobody stopped.
    let mut whole = Tampered::new(cleared, usize::MAX, |x| x);
    assert_eq!(bench().play(cleared, &setup(), &mut whole).unwrap().stopped, None);
    assert_eq!(whole.kept[0][..trigger], sink.kept[0][..trigger]);
    (reason, trigger.saturating_sub(from), silent - trigger)
}

#[test]
fn every_reason_ends_in_silence_within_the_buffer_and_twenty_milliseconds() {
    // What is on its way in the simulated interface: its latency, some 24 ms.
    let buffered = bench_interface().latency_frames;
    let rate = f64::from(RATE);
    assert!(buffered <= PROMPT_S * rate);
    let most = (buffered + 0.020 * rate) as usize;
    let cleared = cleared(&tone(-38.0), true);
    assert!(cleared.prompt());
    type Case = (fn(f64) -> f64, fn(Reason) -> bool);
    let changes: [Case; 3] = [
        (
            |x| (x * 1e3).clamp(-1.0, 1.0 - 1.2e-7),
            |r| matches!(r, Reason::Clipped(_)),
        ),
        (|_| 0.0, |r| matches!(r, Reason::Vanished(_))),
        (
            |x| 1.5 * x,
            |r| matches!(r, Reason::Louder(Channel::Left, db) if db > 3.0 && db < 3.6),
        ),
    ];
    for (change, is_it) in changes {
        let (reason, after, silent) = stops(&cleared, change, None);
        assert!(is_it(reason), "{reason:?}");
        // The guard sees a window of 20 ms and a part of one, the bench asks once a block.
        assert!(
            after <= (0.025 * rate) as usize + 1024,
            "{reason:?} after {after} frames"
        );
        assert!(silent <= most, "{reason:?}: {silent} of {most} frames");
    }
    let (reason, _, silent) = stops(&cleared, |x| x, Some(80_000));
    assert_eq!(reason, Reason::Asked);
    assert!(silent <= most, "{silent} of {most} frames");
}

#[test]
fn just_inside_nothing_stops() {
    let cleared = cleared(&tone(-38.0), true);
    // 2.9 dB more; 19 dB less; two samples at full scale.
    let changes: [fn(f64) -> f64; 2] = [|x| x * 1.39, |x| x * 0.112];
    for change in changes {
        let mut sink = Tampered::new(&cleared, 60_000, change);
        assert_eq!(bench().play(&cleared, &setup(), &mut sink).unwrap().stopped, None);
    }
    let format = Format {
        sample_rate_hz: RATE,
        channels: 2,
        frames: 0,
        encoding: asleft::signal::source::Encoding::Int(24),
    };
    let top = 1.0 - (-23f64).exp2();
    let mut guard = Guard::new(&cleared, &format);
    assert_eq!(
        guard.block(&[&[0.0, top, top, 0.0], &[-1.0, 0.0, 0.0, -1.0]]),
        Flow::Go
    );
    assert_eq!(
        guard.block(&[&[0.0, 0.0, 0.0], &[-1.0, -1.0, 0.5]]),
        Flow::Stop(Reason::Clipped(Channel::Right))
    );
}

fn watching(cleared: &Cleared) -> Guard {
    let format = Format {
        sample_rate_hz: RATE,
        channels: 2,
        frames: 0,
        encoding: asleft::signal::source::Encoding::Float(32),
    };
    Guard::new(cleared, &format)
}

/// What the guard says of `seconds` of 100 Hz of these rms levels re full scale.
fn says(guard: &mut Guard, seconds: f64, rms: [f64; 2]) -> Flow {
    let frames = (seconds * f64::from(RATE)) as usize;
    let plane = |rms: f64| -> Vec<f64> {
        (0..frames)
            .map(|n| {
                let t = n as f64 / f64::from(RATE);
                rms * 2f64.sqrt() * (2.0 * std::f64::consts::PI * 100.0 * t).sin()
            })
            .collect()
    };
    guard.block(&[&plane(rms[0]), &plane(rms[1])])
}

#[test]
fn what_is_no_number_stops_at_once() {
    let cleared = cleared(&tone(-38.0), false);
    for x in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert_eq!(
            watching(&cleared).block(&[&[0.0, 0.0], &[0.0, x]]),
            Flow::Stop(Reason::NotANumber(Channel::Right)),
            "{x}"
        );
    }
}

/// 60 W into 8 Ω and the tap's ratio: rms re full scale of rated output, as a channel of the demo's rig hears it.
fn rated_rms(channel: usize) -> f64 {
    let rig = demo_rig();
    let volts = 480f64.sqrt() * rig.taps.iter().find(|t| t.name == "power").unwrap().ratio[channel].value;
    volts / rig.channels[channel].input_full_scale_v.value / 2f64.sqrt()
}

#[test]
fn a_channel_that_sounds_by_itself_is_stopped() {
    let rig = demo_rig();
    let setup = Setup {
        driven: Some(Driven::Left),
        ..setup()
    };
    let unit = limits::of(&file::parse(DEMO, "demo").unwrap(), &setup).unwrap();
    let db = |x: f64| 10f64.powf(x / 20.0);
    for signal in [tone(-100.0), Signal::Silence] {
        let mut stimulus = Stimulus::stereo(RATE, 1.0, &signal, Driven::Left);
        stimulus.lead_in_s = 0.2;
        let wish = Wish {
            stimulus: &stimulus,
            setup: &setup,
            unit: &unit,
            confirmed: true,
        };
        let cleared = Ceiling::new(&rig).clear(&wish).unwrap();
        let quiet = [1e-6, 1e-6];
        for (off, stop) in [(-10.1, false), (-9.9, true)] {
            let loud = [1e-6, rated_rms(1) * db(off)];
            let is_it = |flow| (flow == Flow::Stop(Reason::Uncalled(Channel::Right))) == stop;
            // From the beginning, and later.
            assert!(
                is_it(says(&mut watching(&cleared), 0.2, loud)),
                "{off} {signal:?}"
            );
            let mut guard = watching(&cleared);
            assert_eq!(says(&mut guard, 0.3, quiet), Flow::Go);
            assert!(is_it(says(&mut guard, 0.2, loud)), "{off} {signal:?}");
        }
        // A driven one must be silent before it is driven.
        let early = says(&mut watching(&cleared), 0.2, [rated_rms(0) * db(-9.9), 1e-6]);
        assert_eq!(early, Flow::Stop(Reason::Uncalled(Channel::Left)));
    }
}

#[test]
fn a_faint_tone_below_the_floor_is_watched() {
    let rig = demo_rig();
    let elsewhere = Setup {
        volume: Some("reference".to_owned()),
        ..setup()
    };
    // Full volume, and a volume that is not known: there the rated gain predicts the most that may come.
    for setup in [setup(), elsewhere] {
        let unit = limits::of(&file::parse(DEMO, "demo").unwrap(), &setup).unwrap();
        let volts = 0.15e-3 * 0.99;
        let level = 20.0 * (volts / rig.channels[0].output_full_scale_v.value).log10();
        let mut stimulus = Stimulus::stereo(RATE, 1.0, &tone(level), Driven::Both);
        stimulus.lead_in_s = 0.2;
        let wish = Wish {
            stimulus: &stimulus,
            setup: &setup,
            unit: &unit,
            confirmed: true,
        };
        let cleared = Ceiling::new(&rig).clear(&wish).unwrap();
        let predicted = rated_rms(0) * 0.99e-3;
        // Hum as loud as the tone and in phase with it, and 10 dB less: amplitudes add up.
        for hum in [predicted, predicted / 10f64.sqrt() * 1.001] {
            let mut guard = watching(&cleared);
            assert_eq!(says(&mut guard, 0.2, [hum; 2]), Flow::Go);
            assert_eq!(says(&mut guard, 0.3, [hum + predicted; 2]), Flow::Go, "{setup:?}");
            // 21 times the floor's power is 20 above it.
            let most = hum * 21f64.sqrt();
            assert_eq!(says(&mut guard, 0.3, [most * 0.99; 2]), Flow::Go);
            let flow = says(&mut guard, 0.3, [most * 1.01; 2]);
            assert!(
                matches!(flow, Flow::Stop(Reason::Louder(Channel::Left, _))),
                "{flow:?}, {setup:?}"
            );
        }
    }
}

#[test]
fn no_take_of_a_clean_unit_is_stopped() {
    let sweep = Signal::Sweep {
        from_hz: 5.0,
        to_hz: 40_000.0,
        level_dbfs: -42.0,
    };
    let low = Signal::Tone {
        frequency_hz: 20.0,
        level_dbfs: -38.0,
    };
    let noise = Signal::Noise {
        colour: asleft::signal::stimulus::NoiseColour::Pink,
        level_dbfs: -44.0,
        seed: 3,
    };
    let two = Signal::Tones {
        tones: [19_000.0, 20_000.0]
            .map(|frequency_hz| asleft::signal::stimulus::Component {
                frequency_hz,
                level_dbfs: -44.0,
                phase_deg: 0.0,
            })
            .to_vec(),
    };
    let burst = Signal::Burst {
        frequency_hz: 1_000.0,
        level_dbfs: -38.0,
        on_s: 0.02,
        every_s: 0.5,
    };
    let silence = Signal::Silence;
    for signal in [sweep, low, noise, two, burst, silence] {
        for marks in [false, true] {
            let cleared = cleared(&signal, marks);
            let mut sink = Tampered::new(&cleared, usize::MAX, |x| x);
            let played = bench().play(&cleared, &setup(), &mut sink).unwrap();
            assert_eq!(played.stopped, None, "{signal:?}, marks: {marks}");
        }
    }
}

fn record() -> Record {
    Record {
        schema: asleft::job::record::SCHEMA.to_owned(),
        id: "2026-03-14-tarnbeck-60".to_owned(),
        opened: at(),
        workshop: "Example Bench".to_owned(),
        owner: "Demo Customer".to_owned(),
        serial: String::new(),
        complaint: String::new(),
        found: String::new(),
        work: Vec::new(),
        notes: Vec::new(),
        unit: file::parse(DEMO, "demo").unwrap(),
        bench: BenchKind::Simulated,
        rigs: BTreeMap::new(),
        connections: Vec::new(),
        rig_in_use: None,
        stages: Vec::new(),
    }
}

/// Runs the named steps; the writer afterwards, and what the last step said.
fn run(
    root: &TempDir,
    bench: &mut dyn Bench,
    operator: &mut dyn Operator,
    names: &[&str],
) -> (Writer, std::result::Result<String, asleft::error::Error>) {
    let record = record();
    let steps = plan::full(&record.unit, "power", "noise").unwrap();
    let rig = demo_rig();
    let mut writer = Writer::create(root.path(), record).unwrap();
    let mut session = Session::new(&mut writer, bench, &rig, StageKind::AsFound, &at, operator);
    let mut last = Ok(String::new());
    for name in names {
        last = session.run(steps.iter().find(|s| s.name == *name).unwrap());
        if last.is_err() {
            break;
        }
    }
    (writer, last)
}

/// An operator who asks to stop after so many blocks.
struct Impatient {
    blocks: usize,
    meters: usize,
}

impl Operator for Impatient {
    fn tell(&mut self, _: &Notice) -> Result<()> {
        Ok(())
    }
    fn ask(&mut self, _: &Question) -> Result<Answer> {
        Ok(Answer::Yes(false))
    }
    fn watch(&mut self, meter: &Meter) {
        assert!(meter.at_s <= meter.of_s && meter.level_dbfs.len() == 2);
        self.meters += 1;
    }
    fn wants_to_stop(&mut self) -> bool {
        self.blocks = self.blocks.saturating_sub(1);
        self.blocks == 0
    }
}

#[test]
fn a_stopped_take_can_be_read_and_is_used_for_nothing() {
    let root = TempDir::new().unwrap();
    let mut operator = Impatient {
        blocks: 60,
        meters: 0,
    };
    let (writer, said) = run(&root, &mut bench(), &mut operator, &["connection"]);
    let error = said.unwrap_err();
    assert!(error.what().contains("you asked"), "{error}");
    assert!(error.place().unwrap().starts_with("connection"), "{error}");
    assert_eq!(writer.job().record().takes().count(), 0);
    let states = writer.job().verify().unwrap();
    assert_eq!(states.len(), 1);
    assert_eq!(states[0].health, Health::Unfinished);
    // 60 blocks, then what was on its way, the ramp and 0.1 s of silence.
    let source = wav_read::open(&writer.job().samples_path(&states[0].capture)).unwrap();
    let expected = 60 * 1024 + (bench_interface().latency_frames + 0.11 * f64::from(RATE)) as u64;
    assert!(
        source.format().frames.abs_diff(expected) <= 2,
        "{}",
        source.format().frames
    );
    // Ten times a second.
    assert!((6..=8).contains(&operator.meters), "{}", operator.meters);
}

/// A bench that loses something in the first takes.
struct Losing {
    bench: SimulatedBench,
    bad_takes: usize,
    by_itself: bool,
    takes: usize,
}

struct Cutting<'a>(&'a mut dyn Sink, usize);

impl Sink for Cutting<'_> {
    fn begin(&mut self, format: &Format) -> Result<()> {
        self.0.begin(format)
    }
    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow> {
        self.1 += 1;
        if self.1 == 60 {
            // 500 frames of a block are not there.
            let short: Vec<&[f64]> = planes.iter().map(|p| &p[500..]).collect();
            return self.0.block(&short);
        }
        self.0.block(planes)
    }
}

impl Bench for Losing {
    fn play(&mut self, cleared: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        self.takes += 1;
        if self.takes > self.bad_takes {
            return self.bench.play(cleared, setup, sink);
        }
        if self.by_itself {
            return self.bench.play(cleared, setup, &mut Cutting(sink, 0));
        }
        let played = self.bench.play(cleared, setup, sink)?;
        Ok(Played {
            losses: vec![Loss {
                at_frame: 1234,
                what: "overrun".to_owned(),
            }],
            ..played
        })
    }
    fn simulated(&self) -> bool {
        true
    }
}

#[test]
fn a_damaged_take_is_made_again_and_given_up_in_the_end() {
    for (bad_takes, by_itself) in [(2, false), (2, true), (ATTEMPTS, false), (ATTEMPTS, true)] {
        let root = TempDir::new().unwrap();
        let mut losing = Losing {
            bench: bench(),
            bad_takes,
            by_itself,
            takes: 0,
        };
        let (writer, said) = run(&root, &mut losing, &mut Unattended::default(), &["connection"]);
        let states = writer.job().verify().unwrap();
        assert_eq!(losing.takes, ATTEMPTS, "{bad_takes} {by_itself}");
        assert_eq!(states.len(), ATTEMPTS, "all are kept");
        let recorded = writer.job().record().takes().count();
        if bad_takes < ATTEMPTS {
            assert_eq!(said.unwrap(), "003-connection");
            assert_eq!(recorded, 1);
        } else {
            let error = said.unwrap_err();
            assert_eq!(error.kind(), Kind::Unavailable);
            let word = if by_itself { "missing" } else { "overrun" };
            assert!(error.what().contains(word), "{error}");
            assert_eq!(recorded, 0);
        }
    }
}

#[test]
fn a_wrong_gain_is_asked_about_and_written_down() {
    let mut quiet = tarnbeck_60();
    quiet.channels[1].gain *= 0.8;
    for (yes, recorded) in [(&[][..], 0), (&[GAIN_OFF][..], 1)] {
        let root = TempDir::new().unwrap();
        let mut bench = SimulatedBench::new(quiet.clone(), bench_interface(), 7);
        let (writer, said) = run(&root, &mut bench, &mut Unattended::yes_to(yes), &["connection"]);
        let record = writer.job().record();
        assert_eq!(record.takes().count(), recorded);
        assert_eq!(record.notes.len(), recorded);
        if recorded == 1 {
            assert!(
                record.notes[0].contains("right") && record.notes[0].contains("Confirmed"),
                "{:?}",
                record.notes
            );
        } else {
            assert!(said.unwrap_err().what().contains("lower"));
        }
    }
    // A dead channel is not asked about.
    let mut dead = tarnbeck_60();
    dead.channels[0].gain = 1e-6;
    let root = TempDir::new().unwrap();
    let mut bench = SimulatedBench::new(dead, bench_interface(), 7);
    let (_, said) = run(
        &root,
        &mut bench,
        &mut Unattended::yes_to(&[GAIN_OFF]),
        &["connection"],
    );
    assert!(said.unwrap_err().what().contains("no signal"));
}

#[test]
fn a_unit_that_clips_is_measured_and_a_burst_that_is_declined_is_not() {
    let root = TempDir::new().unwrap();
    let mut bench = bench().with_fault(Fault::DryReservoirCapacitors);
    let names = ["connection", "power-rated", "power-rated-low", "power-rated-high"];
    let (writer, said) = run(&root, &mut bench, &mut Unattended::default(), &names);
    let error = said.unwrap_err();
    assert!(error.what().contains("confirmed"), "{error}");
    // −60 dB, then the way up from −60 again for power, then two tones.
    assert_eq!(writer.job().record().takes().count(), 6);
    let root = TempDir::new().unwrap();
    let mut bench = self::bench();
    let (_, said) = run(
        &root,
        &mut bench,
        &mut Unattended::yes_to(&[HIGH_FREQUENCY]),
        &names,
    );
    said.unwrap();
}
