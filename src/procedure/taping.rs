//! What a session does with a recording while it arrives: to the disk, past the guard, onto the meters.

use super::operator::{Meter, Operator};
use crate::bench::guard::Guard;
use crate::bench::{Flow, Reason, Sink};
use crate::error::{Error, Kind, Result};
use crate::quantity::Dbfs;
use crate::rig::ceiling::Cleared;
use crate::signal::source::{Encoding, Format};
use crate::signal::wav_stream::WavStream;
use std::path::{Path, PathBuf};

/// Times a second that the meters are shown.
const METERS_PER_S: u32 = 10;

/// The sink of one take. Dropped unfinished it leaves a WAV file that can be read as far as it goes.
pub(super) struct Taping<'a> {
    cleared: &'a Cleared,
    operator: &'a mut dyn Operator,
    path: PathBuf,
    running: Option<Running>,
}

/// What is there once a recording has begun.
struct Running {
    stream: WavStream,
    guard: Guard,
    meters: Meters,
    stopped: bool,
}

impl<'a> Taping<'a> {
    pub(super) fn new(cleared: &'a Cleared, path: &Path, operator: &'a mut dyn Operator) -> Self {
        Self {
            cleared,
            operator,
            path: path.to_owned(),
            running: None,
        }
    }

    /// Ends the file; its shape.
    ///
    /// # Errors
    /// Where nothing was recorded or the disk refuses.
    pub(super) fn finish(self) -> Result<Format> {
        match self.running {
            Some(running) => running.stream.finish(),
            None => {
                Err(Error::new(Kind::Unavailable, "the bench recorded nothing").next("run the step again"))
            }
        }
    }
}

impl Sink for Taping<'_> {
    fn begin(&mut self, format: &Format) -> Result<()> {
        let encoding = match format.encoding {
            Encoding::Int(16 | 24 | 32) => format.encoding,
            _ => Encoding::Float(32),
        };
        let stored = Format { encoding, ..*format };
        self.running = Some(Running {
            stream: WavStream::create(&self.path, stored)?,
            guard: Guard::new(self.cleared, format),
            meters: Meters::new(format),
            stopped: false,
        });
        Ok(())
    }

    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow> {
        let Some(running) = &mut self.running else {
            return Err(Error::new(
                Kind::Mismatch,
                "the bench handed over samples before it said what they are",
            )
            .next("please report this"));
        };
        running.stream.write(planes)?;
        if let Some(meter) = running.meters.add(planes) {
            self.operator.watch(&meter);
        }
        let flow = running.guard.block(planes);
        if running.stopped {
            return Ok(Flow::Go);
        }
        let flow = match flow {
            Flow::Go if self.operator.wants_to_stop() => Flow::Stop(Reason::Asked),
            other => other,
        };
        running.stopped = flow != Flow::Go;
        Ok(flow)
    }
}

/// Levels of the last tenth of a second.
struct Meters {
    rate: f64,
    frames: u64,
    of_frames: u64,
    every: u64,
    since: u64,
    square: Vec<f64>,
    peak: Vec<f64>,
}

impl Meters {
    fn new(format: &Format) -> Self {
        Self {
            rate: f64::from(format.sample_rate_hz),
            frames: 0,
            of_frames: format.frames,
            every: u64::from(format.sample_rate_hz / METERS_PER_S).max(1),
            since: 0,
            square: vec![0.0; format.channels],
            peak: vec![0.0; format.channels],
        }
    }

    /// Adds a block; what to show, where it is time.
    fn add(&mut self, planes: &[&[f64]]) -> Option<Meter> {
        let frames = planes.first().map_or(0, |p| p.len()) as u64;
        self.frames += frames;
        self.since += frames;
        for ((square, peak), plane) in self.square.iter_mut().zip(&mut self.peak).zip(planes) {
            *square += plane.iter().map(|x| x * x).sum::<f64>();
            *peak = plane.iter().fold(*peak, |p, x| p.max(x.abs()));
        }
        if self.since < self.every {
            return None;
        }
        let mean = |square: &f64| Dbfs::from_rms((square / self.since as f64).sqrt()).0;
        let meter = Meter {
            at_s: self.frames as f64 / self.rate,
            of_s: self.of_frames as f64 / self.rate,
            level_dbfs: self.square.iter().map(mean).collect(),
            peak_dbfs: self.peak.iter().map(|p| Dbfs::from_sine_peak(*p).0).collect(),
        };
        self.since = 0;
        self.square.iter_mut().for_each(|s| *s = 0.0);
        Some(meter)
    }
}

/// Why a session was stopped, as an error with what to do next.
pub(super) fn stopped(reason: Reason) -> Error {
    let (what, next) = match reason {
        Reason::Asked => (
            "stopped because you asked for it".to_owned(),
            "run the step again when you are ready",
        ),
        Reason::Clipped(channel) => (
            format!("the interface's input of the {channel} channel is at full scale"),
            "choose a tap that attenuates more; do not turn the interface's input gain, which is calibrated",
        ),
        Reason::Vanished(channel) => (
            format!("what came back on the {channel} channel is gone"),
            "listen for the unit's protection relay, then switch off and look at fuses, plugs and the load",
        ),
        Reason::Louder(channel, db) => (
            format!("the {channel} channel answers {db:.1} dB above what was predicted"),
            "look whether a control was moved or a tap changed; a unit that does this by itself may oscillate: switch it off",
        ),
        Reason::Uncalled(channel) => (
            format!("the {channel} channel is loud though nothing is played on it"),
            "the unit may oscillate: switch it off. If it only plays both channels, look at its mono switch and at crossed cables",
        ),
        Reason::NotANumber(channel) => (
            format!("the interface delivers samples of the {channel} channel that are not numbers"),
            "plug the interface in again, or choose another sample format or driver for it",
        ),
    };
    Error::new(Kind::Unavailable, format!("{what}; nothing plays any more")).next(format!(
        "{next}. What was recorded of it is kept and used for no figure"
    ))
}
