//! The live bench: a real audio interface, through `cpal`.
//!
//! # The path of a sample
//!
//! ```text
//! ordinary thread:  Renderer ─► Feeder ─► ring ┐                       ┌ ring ─► Collector ─► Sink (disk, meters)
//!                                   (f64, 0.25 s)                      (f64, 4 s)
//! device's threads:                            └► Playing ─► device    device ─► Recording ┘
//!                                                  fade, rounding, channel map
//! ```
//!
//! [`callbacks`] run in the device's threads and neither allocate, lock, log nor wait; everything else happens in the
//! thread that called [`Bench::play`]. The ordinary thread looks at rings and reports every 2 ms.
//!
//! # How long it takes
//!
//! | from | to | at most |
//! | --- | --- | --- |
//! | the sink's stop, a failure, a ring that runs low | the fade begins | one look (2 ms) and one period |
//! | an input or output stands still ([`Cleared::prompt`]) | the fade begins | 4 periods, at least 60 ms, and the above |
//! | a frame taken by [`callbacks::Playing`] | heard | 2 periods of the output, 50 ms where the stimulus is [`Cleared::prompt`] |
//! | the fade begins | silence | 10 ms ([`RAMP_S`](crate::rig::ceiling::RAMP_S)) |
//! | heard | at the sink | 1 period of the input and one look |
//!
//! The ring before the output does not count as sound that waits: the fade is applied where samples leave it. What waits
//! in the device is asked for as two periods, and measured in a run-in of silence before the first sound; a device that
//! lets more wait is refused. With periods of 1024 frames at 96 kHz the way from the ring to the sink's block takes at
//! most four periods, 43 ms, and one look.
//!
//! # What is refused and what is reported
//!
//! Rate and format are the device's own or refused ([`offer`]); names that are known to convert are refused
//! ([`devices`]). Lost samples are reported as [`Loss`](super::Loss), and so is a stream that stood still for a while; one
//! that fails, does not go on, or
//! delivers nothing but exact zeros while something was played is an error. After a stop the recording goes on until the
//! fade and the silence after it are in it, so that both can be counted there; the sink's further wishes are ignored.
//!
//! A rig that plays on one device and records from another has two clocks ([`Interface::has_one_clock`]); the analysis
//! measures the difference. On a single device both streams count the same clock.

pub mod callbacks;
mod collector;
mod devices;
mod feeder;
mod offer;
pub mod sample;
mod session;
mod stream;
mod watch;
mod words;

pub use devices::{Ends, InterfaceInfo, interfaces};
pub use session::Timing;

use super::{Bench, Played, Sink};
use crate::error::{Error, Kind, Result};
use crate::rig::Interface;
use crate::rig::ceiling::Cleared;
use crate::signal::source::{Encoding, Format};
use crate::signal::stimulus::{Signal, Stimulus};
use crate::signal::synthesis::Renderer;
use crate::signal::take::Setup;
use collector::Collector;
use cpal::SupportedStreamConfigRange;
use feeder::Feeder;
use offer::{Chosen, Wish};
use session::Session;
use std::collections::BTreeSet;
use std::time::Duration;
use stream::End;
use watch::Watch;
use words::Side;

/// An audio interface that a rig names, ready to play and record.
pub struct LiveBench {
    interface: Interface,
    output: Device,
    input: Device,
    timing: Option<Timing>,
    notes: Vec<String>,
}

/// One of its two devices.
struct Device {
    device: cpal::Device,
    offers: Vec<SupportedStreamConfigRange>,
    /// Channels from 0.
    map: Vec<usize>,
    highest: u16,
}

impl std::fmt::Debug for LiveBench {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LiveBench")
            .field("interface", &self.interface)
            .field("timing", &self.timing)
            .finish_non_exhaustive()
    }
}

impl LiveBench {
    /// Finds the devices that `interface` names and asks what they offer. Nothing is played.
    ///
    /// # Errors
    /// Where a device is not there, busy, converts, or lacks the channels that the rig uses.
    pub fn open(interface: &Interface) -> Result<Self> {
        let (outputs, inputs) = (&interface.output_channels, &interface.input_channels);
        Ok(Self {
            output: Device::find(&interface.output, Side::Output, outputs)?,
            input: Device::find(&interface.input, Side::Input, inputs)?,
            interface: interface.clone(),
            timing: None,
            notes: Vec::new(),
        })
    }

    /// Rates at which both devices play and record on the rig's channels, rising, Hz.
    pub fn rates_hz(&self) -> Vec<u32> {
        let inputs = self.input.rates_hz();
        self.output.rates_hz().intersection(&inputs).copied().collect()
    }

    /// What the last take was like in time; `None` before the first.
    pub fn timing(&self) -> Option<Timing> {
        self.timing
    }

    /// Remarks on how the last take was made, in a technician's words; none before the first.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// How the devices are to be opened for `stimulus`.
    fn choose(&self, stimulus: &Cleared) -> Result<(Wish, Chosen, Chosen)> {
        let rate = stimulus.stimulus().sample_rate_hz;
        let wish = Wish {
            side: Side::Output,
            rate,
            channels: self.output.highest,
            period_frames: self.interface.period_frames,
            prompt: stimulus.prompt(),
        };
        let output = wish.choose(&self.interface.output, &self.output.offers)?;
        let hear = Wish {
            side: Side::Input,
            channels: self.input.highest,
            ..wish
        };
        let input = hear.choose(&self.interface.input, &self.input.offers)?;
        Ok((wish, output, input))
    }

    fn remark(&mut self, played_as: Encoding, recorded_as: Encoding) {
        self.notes.clear();
        for (encoding, side) in [(played_as, Side::Output), (recorded_as, Side::Input)] {
            if encoding == Encoding::Int(16) {
                self.notes.push(format!(
                    "the {side} has 16 bits only: noise and distortion below about -96 dBFS are its own"
                ));
            }
        }
        if !self.interface.has_one_clock() {
            self.notes.push(
                "output and input are two devices with a clock each; the difference is measured and corrected"
                    .to_owned(),
            );
        }
    }
}

impl Device {
    fn find(name: &str, side: Side, channels: &[u16]) -> Result<Self> {
        let map = channel_map(channels, side).map_err(|e| e.at(name))?;
        let device = devices::find(name, side)?;
        let offers = devices::offers(&device, side)?;
        let highest = channels.iter().copied().max().unwrap_or(0);
        Ok(Self {
            device,
            offers,
            map,
            highest,
        })
    }

    /// Rates in usable formats on all channels that are used.
    fn rates_hz(&self) -> BTreeSet<u32> {
        let usable = |o: &&SupportedStreamConfigRange| {
            o.channels() >= self.highest && offer::FORMATS.contains(&o.sample_format())
        };
        devices::rates_hz(self.offers.iter().filter(usable))
    }

    fn end<'a>(&'a self, name: &'a str, chosen: Chosen) -> End<'a> {
        End {
            name,
            device: &self.device,
            chosen,
            map: &self.map,
        }
    }
}

/// Channel numbers from 1 as indices from 0.
fn channel_map(numbers: &[u16], side: Side) -> Result<Vec<usize>> {
    let twice = |(index, number): (usize, &u16)| numbers[..index].contains(number);
    let wrong = if numbers.is_empty() {
        Some(format!("the rig names no {side}"))
    } else if numbers.contains(&0) {
        Some(format!("there is no {side} 0: the first is 1"))
    } else if numbers.iter().enumerate().any(twice) {
        Some(format!("the rig uses one {side} for two channels"))
    } else {
        None
    };
    match wrong {
        Some(what) => Err(Error::new(Kind::Value, what).next(format!(
            "correct {side}_channels in the rig file: one number a channel, counted from 1"
        ))),
        None => Ok(numbers.iter().map(|n| usize::from(*n) - 1).collect()),
    }
}

/// The stimulus as it is played on `outputs` outputs.
fn renderer(stimulus: &Stimulus, outputs: usize) -> Result<Renderer> {
    let sounding = |index: &usize| !matches!(stimulus.channel(*index), None | Some(Signal::Silence));
    let of_signals = (0..stimulus.channels.len()).filter(sounding).max();
    let of_marks = stimulus
        .marks
        .as_ref()
        .and_then(|m| m.channels.iter().copied().max());
    match of_signals.max(of_marks) {
        Some(last) if last >= outputs => Err(Error::new(
            Kind::Mismatch,
            format!(
                "this signal plays on {} channels, the rig has {outputs} outputs",
                last + 1
            ),
        )
        .next("play on fewer channels, or add the output's number to output_channels in the rig file")),
        _ => Renderer::with_channels(stimulus, outputs),
    }
}

impl Bench for LiveBench {
    fn play(&mut self, stimulus: &Cleared, _: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        let renderer = renderer(stimulus.stimulus(), self.output.map.len())?;
        let (wish, play, hear) = self.choose(stimulus)?;
        let names = [self.interface.output.as_str(), self.interface.input.as_str()];
        let output = self.output.end(names[0], play);
        let input = self.input.end(names[1], hear);
        let played_as = stream::encoding(&play, names[0])?;
        let recorded_as = stream::encoding(&hear, names[1])?;
        let frames = stimulus.stimulus().total_frames();
        let (link, streams) = stream::open(&output, &input, frames)?;
        let channels = self.input.map.len();
        sink.begin(&Format {
            sample_rate_hz: wish.rate,
            channels,
            frames: session::expected_frames(stimulus.stimulus(), &streams),
            encoding: recorded_as,
        })?;
        let longest = streams.output_period.max(streams.input_period);
        let period = Duration::from_secs_f64(f64::from(longest) / f64::from(wish.rate));
        let session = Session {
            shared: link.shared,
            streams,
            feeder: Feeder::new(&renderer, link.to_play, played_as)?,
            collector: Collector::new(link.recorded, channels),
            watch: Watch::new(link.events, names, period),
            stimulus: stimulus.stimulus(),
            wish,
            names,
        };
        let (played, timing) = session.run(sink)?;
        self.timing = Some(timing);
        self.remark(played_as, recorded_as);
        Ok(played)
    }

    fn simulated(&self) -> bool {
        false
    }
}
