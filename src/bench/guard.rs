//! Watches a take while it runs and says when to stop: a state machine fed with the recording, block by block.
//!
//! It knows what is played and what level is predicted to come back, but not when it arrives: it waits for the level. The
//! first part of the lead-in, before anything can sound, shows the floor; all levels are rms over a window of
//! [`WINDOW_S`] (half a period of the lowest tone where that is longer), about the floor's mean.
//!
//! - **Clipped**: [`CLIPPED_RUN`] samples in a row at full scale of the interface. A unit that clips has flat tops below
//!   full scale and is left alone.
//! - **Louder**: more than [`LOUDER`] above what is predicted, the floor's power aside. What is predicted below ten times
//!   the floor's power f counts as that: a tone of power e that meets hum of its own frequency and phase adds up to
//!   (√e + √f)², which without the floor is e + 2√(ef) ≤ 16.4 f, less than the 20 f that stop. Where the volume may stand
//!   anywhere, the prediction is that of full volume.
//! - **Uncalled**: a level above what the ceiling says of a silent channel, on one that nothing is played on, or on any
//!   before anything can sound.
//! - **Not a number**: one sample.
//! - **Vanished**: the signal had come, should still sound, and is gone. Not watched in bursts, which go by themselves,
//!   nor where a signal cannot be told from the floor.

use super::{Flow, Reason};
use crate::figure::Channel;
use crate::quantity::{Dbfs, Decibels};
use crate::rig::ceiling::Cleared;
use crate::signal::mark;
use crate::signal::source::Format;
use crate::signal::stimulus::{Signal, Stimulus};

/// Shortest window of a level, s.
pub const WINDOW_S: f64 = 0.020;
/// Longest window, s: half a period of 5 Hz.
const LONGEST_WINDOW_S: f64 = 0.100;
/// Parts of a window that levels are taken at.
const PARTS: usize = 4;
/// Samples in a row at full scale that are clipping: two may straddle a crest.
pub const CLIPPED_RUN: usize = 3;
/// An answer this much above its prediction stops a take.
pub const LOUDER: Decibels = Decibels(3.0);
/// A steady signal this far below its prediction is gone.
const GONE: Decibels = Decibels(-20.0);
/// The same of a sweep, which a unit may well attenuate at its ends.
const GONE_FROM_SWEEP: Decibels = Decibels(-40.0);
/// A prediction this far above the floor can be told from it: hum of the tone's own frequency and phase then adds 2.1 dB.
const ABOVE_FLOOR: Decibels = Decibels(10.0);
/// How long a signal must have sounded to have come: longer than a mark is seen.
const COME_S: f64 = mark::MARK_S + 2.0 * LONGEST_WINDOW_S;
/// How long before a signal's end its absence is no more looked for, s.
const ENDING_S: f64 = 0.050;

/// The guard of one take.
#[derive(Debug, Clone)]
pub struct Guard {
    channels: Vec<Watched>,
    full_scale: f64,
    /// Frames of one part of a window.
    part: usize,
    within: usize,
    /// Frames in which nothing can sound yet.
    quiet_frames: u64,
    frames: u64,
    stopped: bool,
}

/// One channel.
#[derive(Debug, Clone)]
struct Watched {
    channel: Channel,
    /// Mean square that is predicted at the most; `None` where nothing is.
    most: Option<f64>,
    /// Mean square that must not be exceeded while nothing is played; `None` where that is not watched.
    silent: Option<f64>,
    /// Whether a sample was no number.
    not_a_number: bool,
    /// Mean square below which the signal is gone; `None` where that is not watched.
    gone: Option<f64>,
    /// Parts from the signal's coming in which it must sound, and by which it has come.
    must_sound_parts: u64,
    come_parts: u64,
    run: usize,
    sum: f64,
    square: f64,
    recent: [(f64, f64); PARTS],
    parts: u64,
    floor: Floor,
    /// Parts for which the level has been there.
    there: u64,
    /// Parts for which it has been gone.
    away: u64,
    come: bool,
}

/// What is there before anything sounds.
#[derive(Debug, Clone, Copy, Default)]
struct Floor {
    mean: f64,
    square: f64,
}

impl Guard {
    /// The guard of `cleared`, which is recorded as `format`.
    pub fn new(cleared: &Cleared, format: &Format) -> Self {
        let stimulus = cleared.stimulus();
        let rate = f64::from(format.sample_rate_hz);
        let part_s = window_s(stimulus) / PARTS as f64;
        let before = stimulus
            .marks
            .as_ref()
            .map_or(0.0, |_| mark::MARK_S + mark::GAP_S);
        let parts = |seconds: f64| whole((seconds / part_s).floor());
        let watched = |index: usize| {
            let signal = stimulus.channel(index);
            let expected_dbfs = cleared.expected_dbfs(index);
            let gone_by = match signal {
                Some(Signal::Tone { .. } | Signal::Tones { .. } | Signal::Noise { .. }) => Some(GONE),
                Some(Signal::Sweep { .. }) => Some(GONE_FROM_SWEEP),
                Some(Signal::Burst { .. } | Signal::Silence) | None => None,
            };
            let square = |dbfs: f64| Dbfs(dbfs).rms().powi(2);
            Watched {
                channel: Channel::at(index),
                most: cleared.most_dbfs(index).map(square),
                silent: cleared.silent_dbfs(index).map(square),
                not_a_number: false,
                gone: expected_dbfs.zip(gone_by).map(|(e, by)| square(e + by.0)),
                must_sound_parts: parts(stimulus.seconds - stimulus.fade_s - ENDING_S),
                come_parts: parts(COME_S) + 1,
                run: 0,
                sum: 0.0,
                square: 0.0,
                recent: [(0.0, 0.0); PARTS],
                parts: 0,
                floor: Floor::default(),
                there: 0,
                away: 0,
                come: false,
            }
        };
        Self {
            channels: (0..format.channels).map(watched).collect(),
            full_scale: format.encoding.full_scale(),
            part: usize::try_from(whole((part_s * rate).round()))
                .unwrap_or(1)
                .max(1),
            within: 0,
            quiet_frames: whole(((stimulus.lead_in_s - before).max(0.0) * rate).floor()),
            frames: 0,
            stopped: false,
        }
    }

    /// Takes the next frames, planar. Once it has said stop it has no more to say.
    pub fn block(&mut self, planes: &[&[f64]]) -> Flow {
        let frames = planes.iter().map(|p| p.len()).min().unwrap_or(0);
        for frame in 0..frames {
            for (watched, plane) in self.channels.iter_mut().zip(planes) {
                watched.sample(plane[frame], self.full_scale);
            }
            self.frames += 1;
            self.within += 1;
            let mut reason = self.channels.iter().find_map(Watched::at_once);
            if self.within == self.part {
                self.within = 0;
                let quiet = self.frames <= self.quiet_frames;
                for watched in &mut self.channels {
                    let said = watched.part(self.part as f64, quiet);
                    reason = reason.or(said);
                }
            }
            if let (Some(reason), false) = (reason, self.stopped) {
                self.stopped = true;
                return Flow::Stop(reason);
            }
        }
        Flow::Go
    }
}

impl Watched {
    fn sample(&mut self, x: f64, full_scale: f64) {
        self.not_a_number |= !x.is_finite();
        self.run = if x.abs() >= full_scale { self.run + 1 } else { 0 };
        self.sum += x;
        self.square += x * x;
    }

    /// What a single sample can say.
    fn at_once(&self) -> Option<Reason> {
        if self.not_a_number {
            return Some(Reason::NotANumber(self.channel));
        }
        (self.run >= CLIPPED_RUN).then_some(Reason::Clipped(self.channel))
    }

    /// The end of a part of a window of `frames` frames.
    fn part(&mut self, frames: f64, quiet: bool) -> Option<Reason> {
        self.recent.rotate_left(1);
        self.recent[PARTS - 1] = (self.sum / frames, self.square / frames);
        (self.sum, self.square) = (0.0, 0.0);
        self.parts += 1;
        if self.parts < PARTS as u64 {
            return None;
        }
        let over = |of: fn(&(f64, f64)) -> f64| self.recent.iter().map(of).sum::<f64>() / PARTS as f64;
        let (mean, square) = (over(|p| p.0), over(|p| p.1));
        if quiet {
            // The loudest window of the floor counts, and the mean of the latest.
            self.floor.mean = mean;
            self.floor.square = self.floor.square.max(square - mean * mean);
            return self.uncalled(square - mean * mean);
        }
        let offset = self.floor.mean;
        let level = square - 2.0 * offset * mean + offset * offset;
        self.judge(level)
    }

    fn uncalled(&self, level: f64) -> Option<Reason> {
        let silent = self.silent?;
        (level > silent).then_some(Reason::Uncalled(self.channel))
    }

    fn judge(&mut self, level: f64) -> Option<Reason> {
        let Some(most) = self.most else {
            return self.uncalled(level);
        };
        let floor = self.floor.square;
        let told = floor * ABOVE_FLOOR.power_ratio();
        let answer = level - floor;
        if answer > most.max(told) * LOUDER.power_ratio() {
            let db = Decibels::from_power_ratio(answer / most).0;
            return Some(Reason::Louder(self.channel, db));
        }
        let gone = self.gone.filter(|g| *g > told)?;
        if level > gone {
            self.there += 1 + self.away;
            self.away = 0;
        } else if self.come {
            self.away += 1;
        } else {
            self.there = 0;
        }
        self.come |= self.there >= self.come_parts;
        let should_sound = self.there + self.away <= self.must_sound_parts;
        (self.come && self.away > 0 && should_sound).then_some(Reason::Vanished(self.channel))
    }
}

/// Half a period of the lowest frequency, within reason.
fn window_s(stimulus: &Stimulus) -> f64 {
    let lowest = |signal: &Signal| match signal {
        Signal::Tone { frequency_hz, .. } | Signal::Burst { frequency_hz, .. } => *frequency_hz,
        Signal::Tones { tones } => tones.iter().map(|t| t.frequency_hz).fold(f64::INFINITY, f64::min),
        Signal::Sweep { from_hz, .. } => *from_hz,
        Signal::Noise { .. } | Signal::Silence => f64::INFINITY,
    };
    let hz = stimulus.channels.iter().map(lowest).fold(f64::INFINITY, f64::min);
    (0.5 / hz).clamp(WINDOW_S, LONGEST_WINDOW_S)
}

/// A whole number; 0 for what is negative or none.
fn whole(value: f64) -> u64 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "saturates, which is what a length out of range should do"
    )]
    let whole = value as u64;
    whole
}
