//! The callbacks of the live bench, driven without a device: they never allocate, convert every sample format exactly,
//! keep every frame in its place, fade to silence in time, and count what is lost.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

use asleft::bench::live::callbacks::{Event, Happening, NEVER, Playing, Recording, Reporter, Shared};
use asleft::bench::live::sample::DeviceSample;
use assert_no_alloc::{AllocDisabler, assert_no_alloc, violation_count};
use cpal::I24;
use proptest::prelude::*;
use rtrb::{Consumer, Producer, RingBuffer};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

/// Channels of the device, and those that are used: not the first, not in order.
const CHANNELS: usize = 4;
const MAP: [usize; 2] = [3, 1];
/// Largest period, frames.
const LONGEST: usize = 4_096;
const NO_DELAY: Duration = Duration::ZERO;

fn shared() -> Arc<Shared> {
    Arc::new(Shared::default())
}

fn reporter(shared: &Arc<Shared>, events: usize) -> (Reporter, Consumer<Event>) {
    let (to, from) = RingBuffer::new(events);
    (Reporter::new(shared.clone(), to), from)
}

/// A playing callback that has begun, with room for `room` frames.
fn playing<T: DeviceSample>(frames: u64, fade: u64, room: usize) -> (Playing<T>, Producer<f64>, Arc<Shared>) {
    let shared = shared();
    let (to, from) = RingBuffer::new(room * MAP.len());
    shared.go.store(true, Ordering::Release);
    (
        Playing::new(shared.clone(), from, &MAP, CHANNELS, frames, fade),
        to,
        shared,
    )
}

fn recording<T: DeviceSample>(
    room: usize,
    events: usize,
) -> (Recording<T>, Consumer<f64>, Consumer<Event>, Arc<Shared>) {
    let shared = shared();
    let (to, from) = RingBuffer::new(room * MAP.len());
    let (reporter, events) = reporter(&shared, events);
    let callback = Recording::new(shared.clone(), to, reporter, &MAP, CHANNELS);
    (callback, from, events, shared)
}

/// Lengths of periods that vary as no driver's would: 1…[`LONGEST`] frames.
fn period(index: usize) -> usize {
    (index * 2_654_435_761) % LONGEST + 1
}

/// Both callbacks through thousands of periods. Each round plays until its ring runs low or a stop is asked for, and
/// goes on in silence; the ring of the recording is emptied only now and then, so that it runs full.
fn drive<T: DeviceSample>() {
    const ROUNDS: usize = 80;
    const PERIODS: usize = 40;
    const ROOM: usize = 3 * LONGEST;
    let (mut record, mut recorded, mut events, counted) = recording::<T>(ROOM, 8);
    let mut output = [T::SILENCE; LONGEST * CHANNELS];
    let input: Vec<T> = (0..LONGEST * CHANNELS)
        .map(|n| T::from_unit(f64::from(u32::try_from(n).unwrap()) / 65_536.0))
        .collect();
    let (mut came, before) = (0u64, violation_count());
    for round in 0..ROUNDS {
        let (mut play, mut to_play, shared) = playing::<T>(u64::MAX, 100, ROOM);
        for index in 0..PERIODS {
            while index < PERIODS / 2 && to_play.push(0.25).is_ok() {}
            let stopped = index > PERIODS / 2 && round % 2 == 1;
            shared.stop.store(stopped, Ordering::Release);
            let frames = period(round * PERIODS + index);
            assert_no_alloc(|| {
                play.fill(&mut output[..frames * CHANNELS], NO_DELAY);
                record.keep(&input[..frames * CHANNELS], NO_DELAY);
            });
            came += frames as u64;
            if index % 9 == 0 {
                let there = recorded.slots();
                recorded.read_chunk(there).unwrap().commit_all();
                while events.pop().is_ok() {}
            }
        }
        assert!(shared.played.load(Ordering::Acquire) > 0);
        assert!(shared.quiet.load(Ordering::Acquire) > 0);
    }
    assert_eq!(violation_count(), before, "a callback allocated");
    let (kept, dropped) = (
        counted.recorded.load(Ordering::Acquire),
        counted.dropped.load(Ordering::Acquire),
    );
    assert_eq!(kept + dropped, came);
    assert!(kept > 0 && dropped > 0, "the ring was meant to run full");
}

#[test]
fn the_callbacks_never_allocate() {
    drive::<i16>();
    drive::<I24>();
    drive::<i32>();
    drive::<f32>();
}

/// The counter above counts: without this, a counter that is not linked would pass everything.
#[test]
fn an_allocation_would_be_counted() {
    let before = violation_count();
    let kept = assert_no_alloc(|| vec![1u8; 4_096]);
    assert!(violation_count() > before && kept.len() == 4_096);
}

/// An error of the stream is told without allocating or freeing, also when nobody listens any more.
#[test]
fn reports_never_allocate() {
    let shared = shared();
    let (mut reporter, mut events) = reporter(&shared, 4);
    let before = violation_count();
    for _ in 0..10 {
        let error =
            cpal::Error::with_message(cpal::ErrorKind::BackendError, "in words of its own".to_owned());
        assert_no_alloc(|| reporter.tell(Happening::Output(error)));
    }
    assert_eq!(violation_count(), before);
    assert_eq!(std::iter::from_fn(|| events.pop().ok()).count(), 4);
    assert_eq!(shared.unreported.load(Ordering::Relaxed), 6);
}

/// Full scale is 2^(bits − 1) codes, as in AES17's and every file's two's complement; what lies beyond is held.
#[test]
fn full_scale_and_beyond() {
    assert_eq!(i16::from_unit(-1.0), i16::MIN);
    assert_eq!(i16::from_unit(1.0), i16::MAX);
    assert_eq!(I24::from_unit(-7.0).inner(), -8_388_608);
    assert_eq!(I24::from_unit(7.0).inner(), 8_388_607);
    assert_eq!(i32::from_unit(1.0), i32::MAX);
    assert_eq!(i32::from_unit(-1.0), i32::MIN);
    assert_eq!(f32::from_unit(2.0).to_bits(), 1f32.to_bits());
    for wrong in [f64::NAN, -f64::NAN] {
        assert_eq!(i16::from_unit(wrong), 0);
        assert_eq!(I24::from_unit(wrong).inner(), 0);
        assert_eq!(i32::from_unit(wrong), 0);
        assert_eq!(f32::from_unit(wrong).to_bits(), 0);
    }
    assert_eq!(i16::from_unit(0.5), 16_384);
}

proptest! {
    /// Every code comes back as it was: a double holds 53 bits.
    #[test]
    fn codes_go_there_and_back(code in any::<i32>(), float in -1f32..=1.0, upper in any::<u8>()) {
        prop_assert_eq!(i32::from_unit(code.to_unit()), code);
        let short = i16::try_from(code >> 16).unwrap();
        prop_assert_eq!(i16::from_unit(short.to_unit()), short);
        prop_assert_eq!(f32::from_unit(float.to_unit()).to_bits(), float.to_bits());
        // Three bytes of sample, whatever the driver leaves in the fourth: two's complement of 24 bits.
        let [low, middle, high, _] = code.to_le_bytes();
        let sign = if high & 0x80 == 0 { 0 } else { 0xFF };
        let plain = i32::from_le_bytes([low, middle, high, sign]);
        let littered = I24::new_unchecked(i32::from_le_bytes([low, middle, high, upper]));
        prop_assert_eq!(I24::from_unit(littered.to_unit()).inner(), plain);
    }

    /// What goes into the ring comes out on the mapped channels, frame by frame, in periods of any length; all other
    /// channels stay silent.
    #[test]
    fn every_frame_is_played_in_its_place(
        frames in 1usize..3_000,
        periods in prop::collection::vec(1usize..700, 1..40),
    ) {
        let (mut play, mut ring, shared) = playing::<i32>(frames as u64, 10, frames);
        for n in 0..frames {
            for channel in 0..MAP.len() {
                ring.push(value(n, channel)).unwrap();
            }
        }
        let mut heard = Vec::new();
        for length in periods {
            let mut data = vec![7i32; length * CHANNELS];
            play.fill(&mut data, NO_DELAY);
            heard.extend(data);
        }
        let total = heard.len() / CHANNELS;
        for (n, frame) in heard.chunks(CHANNELS).enumerate() {
            let mut wanted = [0i32; CHANNELS];
            if n < frames {
                for (channel, to) in MAP.into_iter().enumerate() {
                    wanted[to] = code(value(n, channel));
                }
            }
            prop_assert_eq!(frame, &wanted[..], "frame {}", n);
        }
        prop_assert_eq!(shared.played.load(Ordering::Acquire), frames.min(total) as u64);
        prop_assert_eq!(shared.starved_at.load(Ordering::Acquire), NEVER);
    }

    /// What the device delivers on the mapped channels comes out of the ring, frame by frame; what finds no room is
    /// counted with its place.
    #[test]
    fn every_frame_is_kept_or_counted(
        room in 1usize..2_000,
        periods in prop::collection::vec(1usize..700, 1..20),
    ) {
        let (mut record, mut ring, mut events, shared) = recording::<i16>(room, 64);
        let mut came = 0usize;
        for length in periods {
            let data: Vec<i16> = (came..came + length)
                .flat_map(|n| (0..CHANNELS).map(move |c| sample(n, c)))
                .collect();
            record.keep(&data, NO_DELAY);
            came += length;
        }
        let kept = came.min(room);
        for n in 0..kept {
            for channel in MAP {
                // Exact: 16 bits fit into a double.
                prop_assert_eq!(ring.pop().unwrap().to_bits(), sample(n, channel).to_unit().to_bits());
            }
        }
        prop_assert!(ring.is_empty());
        let mut dropped = 0;
        while let Ok(event) = events.pop() {
            prop_assert_eq!(event.at_frame, kept as u64);
            let Happening::Dropped(frames) = event.what else { panic!("{event:?}") };
            dropped += frames;
        }
        prop_assert_eq!(dropped, (came - kept) as u64);
        prop_assert_eq!(shared.dropped.load(Ordering::Relaxed), dropped);
    }

    /// After a stop the sound falls along a raised cosine, never rises, is silent after the fade's length, and stays so
    /// whatever is still in the ring.
    #[test]
    fn a_stop_fades_in_time(
        before in 0usize..500,
        fade in 1usize..400,
        periods in prop::collection::vec(1usize..300, 8..20),
    ) {
        let (mut play, mut ring, shared) = playing::<f32>(u64::MAX, fade as u64, 20_000);
        while ring.push(0.5).is_ok() {}
        let mut data = vec![0f32; before * CHANNELS];
        play.fill(&mut data, NO_DELAY);
        prop_assert!(data.chunks(CHANNELS).all(|f| f[MAP[0]].to_bits() == 0.5f32.to_bits()));
        shared.stop.store(true, Ordering::Release);
        let mut heard = Vec::new();
        for length in periods {
            let mut data = vec![0f32; length * CHANNELS];
            play.fill(&mut data, NO_DELAY);
            heard.extend(data.chunks(CHANNELS).map(|f| f64::from(f[MAP[0]])));
        }
        let mut last = 0.5;
        for (n, sample) in heard.iter().enumerate() {
            let share = ((n + 1) as f64 / fade as f64).min(1.0);
            let wanted = 0.25 * (1.0 + (std::f64::consts::PI * share).cos());
            // Half a step of a 24-bit significand below 0.5.
            prop_assert!((sample - wanted).abs() <= 0.5 * 2f64.powi(-24), "frame {}", n);
            prop_assert!(*sample <= last);
            last = *sample;
        }
        prop_assert!(heard.iter().skip(fade).all(|x| x.to_bits() == 0));
        let silent = shared.quiet.load(Ordering::Acquire);
        prop_assert!(heard.len() < fade + 600 || silent > 0);
    }

    /// A ring that runs low while the stimulus goes on fades out instead of breaking off, says where, and does not
    /// begin again.
    #[test]
    fn a_ring_that_runs_low_fades_out(length in 1usize..300, fade in 1u64..500, filled in 900usize..2_000) {
        let (mut play, mut ring, shared) = playing::<f32>(u64::MAX, fade, 4_000);
        for _ in 0..filled * MAP.len() {
            ring.push(0.5).unwrap();
        }
        let mut heard: Vec<f32> = Vec::new();
        while heard.len() < filled + 1_000 {
            let mut data = vec![0f32; length * CHANNELS];
            play.fill(&mut data, NO_DELAY);
            heard.extend(data.chunks(CHANNELS).map(|f| f[MAP[0]]));
        }
        let at = usize::try_from(shared.starved_at.load(Ordering::Acquire)).unwrap();
        let fade = usize::try_from(fade).unwrap();
        prop_assert!(at + fade <= filled, "the fade must find its frames in the ring");
        prop_assert!(heard[..at].iter().all(|x| x.to_bits() == 0.5f32.to_bits()));
        prop_assert!(heard[at + fade..].iter().all(|x| x.to_bits() == 0));
        // Largest step of a raised cosine of N frames from 0.5: 0.5·π/(2N).
        let steepest = 0.5 * std::f64::consts::PI / (2.0 * fade as f64) + 1e-6;
        let jumps = heard.windows(2).map(|w| f64::from(w[0]) - f64::from(w[1]));
        prop_assert!(jumps.fold(0.0, f64::max) <= steepest.min(0.5));
        while ring.push(0.5).is_ok() {}
        let mut data = vec![0f32; length * CHANNELS];
        play.fill(&mut data, NO_DELAY);
        prop_assert!(data.iter().all(|x| x.to_bits() == 0));
    }
}

/// Nothing is played before the go, also when the ring is full; a stop before it is for good.
#[test]
fn silence_before_the_beginning() {
    let shared = shared();
    let (mut ring, from) = RingBuffer::new(1_000);
    while ring.push(0.5).is_ok() {}
    let mut play = Playing::<i16>::new(shared.clone(), from, &MAP, CHANNELS, 500, 10);
    let mut data = vec![9i16; 64 * CHANNELS];
    play.fill(&mut data, NO_DELAY);
    assert!(data.iter().all(|x| *x == 0));
    assert_eq!(shared.began_at.load(Ordering::Acquire), NEVER);
    shared.stop.store(true, Ordering::Release);
    play.fill(&mut data, NO_DELAY);
    shared.go.store(true, Ordering::Release);
    play.fill(&mut data, NO_DELAY);
    assert!(data.iter().all(|x| *x == 0));
    assert_eq!(shared.played.load(Ordering::Acquire), 0);
    assert!(shared.quiet.load(Ordering::Acquire) >= 64);
}

/// Where the stimulus begins and ends is told in frames of the recording.
#[test]
fn places_are_counted_in_the_recording() {
    let (mut play, mut ring, shared) = playing::<i16>(100, 10, 100);
    while ring.push(0.5).is_ok() {}
    shared.recorded.store(1_234, Ordering::Release);
    let mut data = vec![0i16; 60 * CHANNELS];
    play.fill(&mut data, Duration::from_millis(3));
    assert_eq!(shared.began_at.load(Ordering::Acquire), 1_234);
    assert_eq!(shared.ended_at.load(Ordering::Acquire), NEVER);
    shared.recorded.store(1_300, Ordering::Release);
    play.fill(&mut data, Duration::from_millis(2));
    assert_eq!(shared.ended_at.load(Ordering::Acquire), 1_300);
    assert_eq!(shared.output_delay_ns.load(Ordering::Relaxed), 3_000_000);
    assert_eq!(shared.output_period.load(Ordering::Relaxed), 60);
    assert_eq!(shared.output_frames.load(Ordering::Relaxed), 120);
}

/// A value of its own for each frame and channel.
fn value(frame: usize, channel: usize) -> f64 {
    let n = f64::from(u32::try_from(frame * 2 + channel).unwrap());
    (n * 0.618_033_988_7).fract() - 0.5
}

/// The nearest code of 32 bits.
fn code(value: f64) -> i32 {
    #[allow(clippy::cast_possible_truncation, reason = "inside the range of the code")]
    let code = (value * 2_147_483_648.0).round() as i32;
    code
}

fn sample(frame: usize, channel: usize) -> i16 {
    i16::try_from((frame * 7 + channel * 4_099) % 32_768).unwrap()
}
