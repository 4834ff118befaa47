//! One take: starts the streams, feeds and collects, and leaves the output silent however it ends.

use super::callbacks::{NEVER, Shared};
use super::collector::Collector;
use super::feeder::Feeder;
use super::offer::{PERIODS, Wish};
use super::stream::Streams;
use super::watch::Watch;
use super::words::{self, Side};
use crate::bench::{Played, Reason, Sink};
use crate::error::{Error, Kind, Result};
use crate::rig::ceiling::{PROMPT_S, RAMP_S};
use crate::signal::stimulus::{Signal, Stimulus};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Time between two looks at rings and events: a small part of any period, so that nothing waits long for its meter.
const LOOK_EVERY: Duration = Duration::from_millis(2);
/// Periods of silence before the stimulus, in which the device shows how much it lets wait.
const RUN_IN_PERIODS: u64 = 4;
/// Time that converters, plugs and servers may need beyond the buffers that are known, s. Common practice, no source.
const BEYOND_BUFFERS_S: f64 = 0.1;
/// Patience beyond the expected end of a fade, on a device that may have gone.
const LAST_WAIT: Duration = Duration::from_millis(500);

/// What the device turned out to do in a take, counted in frames of the recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Frame of the recording at which the stimulus' first frame was handed to the device.
    pub began_at: u64,
    /// Frames that the device takes at once.
    pub output_period: u64,
    /// Frames that the device delivers at once.
    pub input_period: u64,
    /// The most frames that waited in the device to be heard, as it reports them.
    pub waiting: u64,
}

/// How the playing ended.
enum Ending {
    Whole,
    Stopped(Reason, u64),
    Starved,
    /// A stream was late.
    Late(Side),
    /// The sink takes no more.
    Unkept(Error),
    /// A device failed.
    Failed(Error),
}

/// A take that is ready to start.
pub(super) struct Session<'a> {
    pub(super) shared: Arc<Shared>,
    pub(super) streams: Streams,
    pub(super) feeder: Feeder,
    pub(super) collector: Collector,
    pub(super) watch: Watch<'a>,
    pub(super) stimulus: &'a Stimulus,
    /// What was asked of the output.
    pub(super) wish: Wish,
    /// Names of output and input.
    pub(super) names: [&'a str; 2],
}

impl Session<'_> {
    /// Plays and records.
    ///
    /// # Errors
    /// Where a device or the sink fails; the output is silent then, too.
    pub(super) fn run(mut self, sink: &mut dyn Sink) -> Result<(Played, Timing)> {
        self.feeder.feed()?;
        self.streams.start(self.names[0], self.names[1])?;
        self.run_in()?;
        self.collector.skip();
        self.watch.begin(self.collector.before());
        self.shared.go.store(true, Ordering::Release);
        let ending = self.take(sink);
        let unkept = self.wind_down(&ending, sink);
        let timing = self.timing();
        let Session {
            shared,
            streams,
            collector,
            mut watch,
            stimulus,
            wish,
            names,
            ..
        } = self;
        drop(streams);
        watch.check_pace(&shared, wish.rate);
        let mut played = Played {
            frames: collector.handed(),
            ..Played::default()
        };
        match ending {
            Ending::Unkept(error) | Ending::Failed(error) => return Err(error),
            Ending::Stopped(reason, frame) => played.stopped = Some((reason, frame)),
            Ending::Starved => watch.add(
                collector.handed(),
                "this machine or its disk was too slow to go on playing; the sound was faded out".to_owned(),
            ),
            Ending::Late(side) => match watch.gone(side) {
                Some(error) => return Err(error),
                None => watch.add(collector.handed(), words::late(side)),
            },
            Ending::Whole => {
                for what in exact_zeros(collector.alive(), stimulus, names[1])? {
                    watch.add(0, what);
                }
            }
        }
        played.losses = watch.finish(&shared, played.frames);
        unkept.map_or(Ok((played, timing)), Err)
    }

    /// Lets the streams run in silence until both move, and sees how much sound waits in the output.
    fn run_in(&mut self) -> Result<()> {
        loop {
            self.collector.skip();
            self.watch.look(&self.shared)?;
            let out_period = u64::from(self.streams.output_period).max(self.count(|s| &s.output_period));
            let played = self.count(|s| &s.output_frames);
            if out_period > 0 && played >= RUN_IN_PERIODS * out_period && self.count(|s| &s.recorded) > 0 {
                break;
            }
            std::thread::sleep(LOOK_EVERY);
        }
        let waiting = self.waiting();
        let allowed = self.frames_in(PROMPT_S);
        if self.wish.prompt && waiting > allowed {
            let each = u32::try_from(waiting / u64::from(PERIODS)).unwrap_or(u32::MAX / PERIODS);
            let longest = allowed / u64::from(PERIODS);
            return Err(self.wish.too_slow(
                self.names[0],
                each,
                &format!("set the period of its driver or sound server to {longest} frames or less"),
            ));
        }
        Ok(())
    }

    /// Feeds and collects until the take ends.
    fn take(&mut self, sink: &mut dyn Sink) -> Ending {
        loop {
            if let Err(error) = self.feeder.feed() {
                return Ending::Failed(error);
            }
            match self.collector.collect(sink) {
                Err(error) => return Ending::Unkept(error),
                Ok(Some((reason, frame))) => return Ending::Stopped(reason, frame),
                Ok(None) => {}
            }
            if let Err(error) = self.watch.look(&self.shared) {
                return Ending::Failed(error);
            }
            if self.wish.prompt
                && let Some(side) = self.watch.late()
            {
                return Ending::Late(side);
            }
            if self.count(|s| &s.starved_at) != NEVER {
                return Ending::Starved;
            }
            if self.came_back() {
                return Ending::Whole;
            }
            std::thread::sleep(LOOK_EVERY);
        }
    }

    /// Fades out and waits until the silence is heard; hands over what comes in meanwhile. Gives back what the sink
    /// refuses.
    fn wind_down(&mut self, ending: &Ending, sink: &mut dyn Sink) -> Option<Error> {
        self.shared.stop.store(true, Ordering::Release);
        let (mut keep, mut refused) = (!matches!(ending, Ending::Unkept(_)), None);
        let failed = matches!(ending, Ending::Failed(_));
        let deadline = Instant::now() + self.patience();
        loop {
            if keep && let Err(error) = self.collector.collect(sink) {
                (keep, refused) = (false, Some(error));
            }
            // Of a stream that was late it is of interest whether it goes on.
            if matches!(ending, Ending::Late(_)) && self.watch.look(&self.shared).is_err() {
                return refused;
            }
            let silent = self.count(|s| &s.quiet) > self.waiting();
            let heard = failed || !keep || self.came_back();
            // The fade's own frames are in the recording when the silence after it is.
            if (silent && heard) || matches!(ending, Ending::Whole) || Instant::now() > deadline {
                return refused;
            }
            std::thread::sleep(LOOK_EVERY);
        }
    }

    fn patience(&self) -> Duration {
        #[allow(clippy::cast_precision_loss, reason = "a few seconds at most")]
        let frames = (self.frames_in(RAMP_S) + self.tail()) as f64;
        LAST_WAIT + Duration::from_secs_f64(2.0 * frames / f64::from(self.wish.rate))
    }

    /// Whether the last sound has come back, at the largest possible latency.
    fn came_back(&self) -> bool {
        let ended_at = self.count(|s| &s.ended_at);
        ended_at != NEVER && self.collector.next() >= ended_at + self.tail()
    }

    /// The largest possible latency from output to input, frames: what the buffers hold, a period for each server in
    /// between, and what the converters need.
    fn tail(&self) -> u64 {
        let periods = |granted: u32, seen: u64| u64::from(PERIODS + 1) * u64::from(granted).max(seen);
        let buffers = periods(self.streams.output_period, self.count(|s| &s.output_period))
            + periods(self.streams.input_period, self.count(|s| &s.input_period));
        let reported = self.frames_of_ns(self.count(|s| &s.output_delay_ns))
            + self.frames_of_ns(self.count(|s| &s.input_delay_ns));
        buffers.max(reported) + self.frames_in(BEYOND_BUFFERS_S)
    }

    /// The most frames that wait in the device to be heard: those that it reports before it takes the next period, and
    /// that period.
    fn waiting(&self) -> u64 {
        let period = u64::from(self.streams.output_period).max(self.count(|s| &s.output_period));
        period + self.frames_of_ns(self.count(|s| &s.output_delay_ns))
    }

    fn timing(&self) -> Timing {
        let began_at = self.count(|s| &s.began_at);
        Timing {
            began_at: began_at.saturating_sub(self.collector.before()),
            output_period: self.count(|s| &s.output_period),
            input_period: self.count(|s| &s.input_period),
            waiting: self.waiting(),
        }
    }

    fn count(&self, counter: impl Fn(&Shared) -> &AtomicU64) -> u64 {
        counter(&self.shared).load(Ordering::Acquire)
    }

    fn frames_in(&self, seconds: f64) -> u64 {
        self.stimulus.frames_in(seconds)
    }

    fn frames_of_ns(&self, ns: u64) -> u64 {
        #[allow(clippy::cast_precision_loss, reason = "delays are far shorter than 2^52 ns")]
        let seconds = ns as f64 * 1e-9;
        self.frames_in(seconds)
    }
}

/// The frames that a recording of `stimulus` is expected to have.
pub(super) fn expected_frames(stimulus: &Stimulus, streams: &Streams) -> u64 {
    let periods = u64::from(streams.output_period) + u64::from(streams.input_period);
    stimulus.total_frames() + u64::from(PERIODS + 1) * periods + stimulus.frames_in(BEYOND_BUFFERS_S)
}

/// What is to be said of inputs that gave exact zeros throughout. A converter always has noise, so exact zeros while
/// something was played are a failure and not silence. An input that heard nothing because nothing was played on its
/// channel is left alone as long as another is alive: a virtual input may be silent to the bit.
///
/// # Errors
/// Where all inputs are dead though something was played.
pub(super) fn exact_zeros(alive: &[bool], stimulus: &Stimulus, name: &str) -> Result<Vec<String>> {
    let marked = |channel: usize| {
        let marks = stimulus.marks.as_ref();
        marks.is_some_and(|m| m.channels.contains(&channel))
    };
    let sounding = |channel: usize| {
        let signal = stimulus.channel(channel);
        marked(channel) || signal.is_some_and(|s| !matches!(s, Signal::Silence))
    };
    let channels = stimulus.channels.len().max(alive.len());
    if !(0..channels).any(sounding) {
        return Ok(Vec::new());
    }
    if alive.iter().all(|a| !a) {
        return Err(Error::new(
            Kind::Unavailable,
            "the inputs gave nothing but exact zeros: no converter is that quiet",
        )
        .at(name)
        .next(
            "allow this program the microphone in the system's privacy settings; check that the inputs are not muted \
             and that a digital input has its cable and its clock",
        ));
    }
    let dead = |(channel, alive): (usize, &bool)| {
        (!alive && sounding(channel)).then(|| {
            format!(
                "input {} of the rig gave nothing but exact zeros: it is muted, or its digital cable or clock is missing",
                channel + 1
            )
        })
    };
    Ok(alive.iter().enumerate().filter_map(dead).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::Driven;
    use crate::signal::stimulus::Marks;

    fn stimulus(driven: Driven) -> Stimulus {
        let tone = Signal::Tone {
            frequency_hz: 1e3,
            level_dbfs: -20.0,
        };
        Stimulus::stereo(48_000, 1.0, &tone, driven)
    }

    #[test]
    fn dead_inputs_are_told_from_silent_ones() {
        let said = |alive: [bool; 2], s: &Stimulus| exact_zeros(&alive, s, "card");
        let left = stimulus(Driven::Left);
        assert!(
            said([false, false], &left)
                .unwrap_err()
                .to_string()
                .contains("microphone")
        );
        assert!(said([true, false], &left).unwrap().is_empty());
        assert_eq!(said([false, true], &left).unwrap().len(), 1);
        assert_eq!(said([true, false], &stimulus(Driven::Both)).unwrap().len(), 1);
        let mut nothing = Stimulus::stereo(48_000, 1.0, &Signal::Silence, Driven::Both);
        assert!(said([false, false], &nothing).unwrap().is_empty());
        nothing.marks = Some(Marks {
            level_dbfs: -40.0,
            channels: vec![0],
        });
        assert!(said([false, false], &nothing).is_err());
        assert!(said([true, false], &nothing).unwrap().is_empty());
    }
}
