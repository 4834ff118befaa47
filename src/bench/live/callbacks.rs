//! What runs in the device's own threads: plain structs without allocation, lock, log or wait, which need no device to
//! run.
//!
//! Samples cross to the ordinary thread through rings of `f64`, interleaved, one value a mapped channel; everything else
//! through atomics and a short ring of [`Event`]s. The fade lives here and not with whoever feeds the ring, so that what
//! still waits in the ring fades too: after a stop only what the device already holds is heard at full strength. A ring
//! that runs low fades out as well, whatever the ordinary thread is doing.

use super::sample::DeviceSample;
use rtrb::{Consumer, Producer};
use std::f64::consts::PI;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// "Not yet" in a counter of frames.
pub const NEVER: u64 = u64::MAX;

/// What the two callbacks and the ordinary thread know of each other. Frames of the recording are counted from the
/// first that the device delivered.
#[derive(Debug)]
pub struct Shared {
    /// Set by the ordinary thread: the stimulus begins.
    pub go: AtomicBool,
    /// Set by the ordinary thread: fade out now and stay silent.
    pub stop: AtomicBool,
    /// Frames that went to the device, silence included.
    pub output_frames: AtomicU64,
    /// Frames of the stimulus that went to the device.
    pub played: AtomicU64,
    /// Frame of the recording at which the stimulus' first frame went to the device; [`NEVER`] before.
    pub began_at: AtomicU64,
    /// Frame of the recording at which the last sound went to the device; [`NEVER`] before.
    pub ended_at: AtomicU64,
    /// Frames of silence that went to the device after the last sound.
    pub quiet: AtomicU64,
    /// Frame of the stimulus at which the ring ran low and the sound was faded out; [`NEVER`] where it did not.
    pub starved_at: AtomicU64,
    /// Frames that came from the device and were kept.
    pub recorded: AtomicU64,
    /// Frames that came from the device and found no room.
    pub dropped: AtomicU64,
    /// Most frames that the device asked for at once.
    pub output_period: AtomicU64,
    /// Most frames that the device delivered at once.
    pub input_period: AtomicU64,
    /// Longest time between handing a frame over and hearing it, as the device reports it, ns.
    pub output_delay_ns: AtomicU64,
    /// Longest time between a frame's arrival at the input and its delivery, as the device reports it, ns.
    pub input_delay_ns: AtomicU64,
    /// Events that found no room in their ring.
    pub unreported: AtomicU64,
}

impl Default for Shared {
    fn default() -> Self {
        Self {
            go: AtomicBool::new(false),
            stop: AtomicBool::new(false),
            output_frames: AtomicU64::new(0),
            played: AtomicU64::new(0),
            began_at: AtomicU64::new(NEVER),
            ended_at: AtomicU64::new(NEVER),
            quiet: AtomicU64::new(0),
            starved_at: AtomicU64::new(NEVER),
            recorded: AtomicU64::new(0),
            dropped: AtomicU64::new(0),
            output_period: AtomicU64::new(0),
            input_period: AtomicU64::new(0),
            output_delay_ns: AtomicU64::new(0),
            input_delay_ns: AtomicU64::new(0),
            unreported: AtomicU64::new(0),
        }
    }
}

/// Something that happened in a device's thread.
#[derive(Debug)]
pub struct Event {
    /// Frame of the recording at which it happened.
    pub at_frame: u64,
    /// What.
    pub what: Happening,
}

/// What an [`Event`] is about.
#[derive(Debug)]
pub enum Happening {
    /// This many frames came and found no room.
    Dropped(u64),
    /// The output's stream reports this.
    Output(cpal::Error),
    /// The input's stream reports this.
    Input(cpal::Error),
}

/// Tells the ordinary thread what happened.
#[derive(Debug)]
pub struct Reporter {
    shared: Arc<Shared>,
    ring: Producer<Event>,
}

impl Reporter {
    /// Reports into `ring`.
    pub fn new(shared: Arc<Shared>, ring: Producer<Event>) -> Self {
        Self { shared, ring }
    }

    /// Reports `what`, as of the recording's present end; without allocating or freeing anything.
    pub fn tell(&mut self, what: Happening) {
        let at_frame = self.shared.recorded.load(Ordering::Acquire);
        if let Err(full) = self.ring.push(Event { at_frame, what }) {
            // An error may own its words, and freeing them may wait for another thread. They are lost to the machine; so
            // many errors are not told that the take is over anyway.
            std::mem::forget(full);
            self.shared.unreported.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// Where the output stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Before,
    Sounding,
    /// Frames of the fade that are over.
    Fading(u64),
    Silent,
}

/// The output's callback.
#[derive(Debug)]
pub struct Playing<T> {
    shared: Arc<Shared>,
    ring: Consumer<f64>,
    map: Box<[usize]>,
    channels: usize,
    left: u64,
    fade_frames: u64,
    phase: Phase,
    sample: std::marker::PhantomData<fn() -> T>,
}

impl<T: DeviceSample> Playing<T> {
    /// Plays `frames` frames from `ring` (interleaved, one value an entry of `map`) on the device's channels `map`
    /// (from 0, of `channels`); all others stay silent. A stop fades over `fade_frames`.
    pub fn new(
        shared: Arc<Shared>,
        ring: Consumer<f64>,
        map: &[usize],
        channels: usize,
        frames: u64,
        fade_frames: u64,
    ) -> Self {
        Self {
            shared,
            ring,
            map: map.into(),
            channels: channels.max(1),
            left: frames,
            fade_frames: fade_frames.max(1),
            phase: Phase::Before,
            sample: std::marker::PhantomData,
        }
    }

    /// Fills `data`, interleaved, `channels` samples a frame; `delay` is the device's own word for how long it will be
    /// until its first frame is heard.
    pub fn fill(&mut self, data: &mut [T], delay: Duration) {
        data.fill(T::SILENCE);
        let frames = (data.len() / self.channels) as u64;
        let waiting = self.in_ring();
        self.turn(frames, waiting);
        if matches!(self.phase, Phase::Sounding | Phase::Fading(_)) {
            self.sound(data, frames.min(self.left).min(waiting));
        } else if self.phase == Phase::Silent {
            self.shared.quiet.fetch_add(frames, Ordering::Release);
        }
        let shared = &self.shared;
        shared.output_period.fetch_max(frames, Ordering::Relaxed);
        shared.output_delay_ns.fetch_max(nanos(delay), Ordering::Relaxed);
        shared.output_frames.fetch_add(frames, Ordering::Release);
    }

    fn in_ring(&self) -> u64 {
        (self.ring.slots() / self.map.len().max(1)) as u64
    }

    /// Begins, or begins to fade, where that is due.
    fn turn(&mut self, frames: u64, waiting: u64) {
        if self.phase == Phase::Before && self.shared.go.load(Ordering::Acquire) {
            let now = self.shared.recorded.load(Ordering::Acquire);
            self.shared.began_at.store(now, Ordering::Release);
            self.phase = Phase::Sounding;
        }
        let stop = self.shared.stop.load(Ordering::Acquire);
        if self.phase == Phase::Before && stop {
            self.end();
        }
        if self.phase == Phase::Sounding {
            let low = waiting < self.left && waiting < frames + self.fade_frames;
            if low && !stop {
                let at = self.shared.played.load(Ordering::Acquire);
                self.shared.starved_at.store(at, Ordering::Release);
            }
            if low || stop {
                self.phase = Phase::Fading(0);
            }
        }
    }

    /// Plays `frames` frames that are in the ring.
    fn sound(&mut self, data: &mut [T], frames: u64) {
        let samples = usize::try_from(frames).unwrap_or(0) * self.map.len();
        let Ok(chunk) = self.ring.read_chunk(samples) else {
            return;
        };
        let mut values = chunk.into_iter();
        let mut phase = self.phase;
        for frame in data
            .chunks_exact_mut(self.channels)
            .take(usize::try_from(frames).unwrap_or(0))
        {
            let gain = gain(&mut phase, self.fade_frames);
            for &channel in &self.map {
                if let (Some(to), Some(value)) = (frame.get_mut(channel), values.next()) {
                    *to = T::from_unit(value * gain);
                }
            }
        }
        drop(values);
        self.phase = phase;
        self.left -= frames;
        self.shared.played.fetch_add(frames, Ordering::Release);
        // A fade that finds the ring empty is over: there is nothing left to fade.
        let dry = matches!(phase, Phase::Fading(_)) && self.ring.is_empty();
        if self.left == 0 || phase == Phase::Silent || dry {
            self.end();
        }
    }

    fn end(&mut self) {
        self.phase = Phase::Silent;
        let now = self.shared.recorded.load(Ordering::Acquire);
        self.shared.ended_at.store(now, Ordering::Release);
    }
}

/// The gain of the next frame: a raised cosine down to silence while fading.
fn gain(phase: &mut Phase, fade_frames: u64) -> f64 {
    match *phase {
        Phase::Sounding => 1.0,
        Phase::Before | Phase::Silent => 0.0,
        Phase::Fading(done) => {
            let done = done + 1;
            *phase = if done < fade_frames {
                Phase::Fading(done)
            } else {
                Phase::Silent
            };
            #[allow(clippy::cast_precision_loss, reason = "some thousand frames")]
            let share = done as f64 / fade_frames as f64;
            0.5 + 0.5 * (PI * share).cos()
        }
    }
}

/// The input's callback.
#[derive(Debug)]
pub struct Recording<T> {
    shared: Arc<Shared>,
    ring: Producer<f64>,
    reporter: Reporter,
    map: Box<[usize]>,
    channels: usize,
    sample: std::marker::PhantomData<fn() -> T>,
}

impl<T: DeviceSample> Recording<T> {
    /// Keeps the device's channels `map` (from 0, of `channels`) in `ring`, interleaved.
    pub fn new(
        shared: Arc<Shared>,
        ring: Producer<f64>,
        reporter: Reporter,
        map: &[usize],
        channels: usize,
    ) -> Self {
        Self {
            shared,
            ring,
            reporter,
            map: map.into(),
            channels: channels.max(1),
            sample: std::marker::PhantomData,
        }
    }

    /// Keeps `data`, interleaved, `channels` samples a frame; `delay` is the device's own word for the age of its first
    /// frame. What finds no room is counted and reported.
    pub fn keep(&mut self, data: &[T], delay: Duration) {
        let frames = data.len() / self.channels;
        let room = self.ring.slots() / self.map.len().max(1);
        let kept = frames.min(room);
        if let Ok(chunk) = self.ring.write_chunk_uninit(kept * self.map.len()) {
            let map = &self.map;
            let values = data.chunks_exact(self.channels).take(kept).flat_map(|frame| {
                map.iter()
                    .map(|&channel| frame.get(channel).map_or(0.0, |s| s.to_unit()))
            });
            chunk.fill_from_iter(values);
        }
        let shared = &self.shared;
        shared.input_period.fetch_max(frames as u64, Ordering::Relaxed);
        shared.input_delay_ns.fetch_max(nanos(delay), Ordering::Relaxed);
        shared.recorded.fetch_add(kept as u64, Ordering::Release);
        if kept < frames {
            let lost = (frames - kept) as u64;
            shared.dropped.fetch_add(lost, Ordering::Relaxed);
            self.reporter.tell(Happening::Dropped(lost));
        }
    }
}

fn nanos(duration: Duration) -> u64 {
    u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX)
}
