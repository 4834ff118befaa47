//! Opens the two streams of a take and connects their callbacks with the ordinary thread.

use super::callbacks::{Event, Happening, Playing, Recording, Reporter, Shared};
use super::offer::Chosen;
use super::sample::DeviceSample;
use super::words::{self, Side};
use crate::error::{Error, Kind, Result};
use crate::rig::ceiling::RAMP_S;
use crate::signal::source::Encoding;
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{I24, SampleFormat, Stream};
use rtrb::{Consumer, Producer, RingBuffer};
use std::sync::Arc;
use std::time::Duration;

/// Sound that waits for the output's callback, s: rides out a slow disk. It fades with the rest after a stop, so it
/// does not count as sound that waits.
const PLAYING_RING_S: f64 = 0.25;
/// Room for what was recorded and not yet handed over, s.
const RECORDED_RING_S: f64 = 4.0;
/// Events that can wait.
const EVENTS: usize = 256;
/// How often a stream without samples looks whether its device is still there.
const LOOK_AFTER: Duration = Duration::from_millis(200);

/// One side of a take.
#[derive(Debug, Clone)]
pub(super) struct End<'a> {
    pub(super) name: &'a str,
    pub(super) device: &'a cpal::Device,
    pub(super) chosen: Chosen,
    /// Channels of the device, from 0.
    pub(super) map: &'a [usize],
}

/// The ordinary thread's ends of the rings.
pub(super) struct Link {
    pub(super) shared: Arc<Shared>,
    pub(super) to_play: Producer<f64>,
    pub(super) recorded: Consumer<f64>,
    pub(super) events: Vec<Consumer<Event>>,
}

/// Both streams, open and not yet running. The output goes first when they are dropped.
pub(super) struct Streams {
    output: Stream,
    input: Stream,
    pub(super) output_period: u32,
    pub(super) input_period: u32,
}

impl Streams {
    /// Starts recording, then playing.
    ///
    /// # Errors
    /// Where a device refuses.
    pub(super) fn start(&self, output: &str, input: &str) -> Result<()> {
        self.input
            .play()
            .map_err(|e| words::opening(&e, Side::Input, input))?;
        self.output
            .play()
            .map_err(|e| words::opening(&e, Side::Output, output))
    }
}

/// Opens both streams for `frames` frames of stimulus.
///
/// # Errors
/// Where a device refuses.
pub(super) fn open(output: &End<'_>, input: &End<'_>, frames: u64) -> Result<(Link, Streams)> {
    let shared = Arc::new(Shared::default());
    let rate = output.chosen.config.sample_rate;
    let fade = frames_in(RAMP_S, rate);
    let least = 4 * period_of(&output.chosen) + fade;
    let (to_play, playing) =
        RingBuffer::new((frames_in(PLAYING_RING_S, rate) + fade).max(least) * output.map.len());
    let (kept, recorded) =
        RingBuffer::new(frames_in(RECORDED_RING_S, rate).max(8 * period_of(&input.chosen)) * input.map.len());
    let mut events = Vec::new();
    let mut reporter = || {
        let (to, from) = RingBuffer::new(EVENTS);
        events.push(from);
        Reporter::new(shared.clone(), to)
    };
    let parts = Parts {
        playing: (playing, frames, fade as u64, reporter()),
        recording: (kept, reporter(), reporter()),
    };
    let (playing, recording) = (parts.playing, parts.recording);
    let input_stream = match input.chosen.format {
        SampleFormat::I16 => record::<i16>(input, &shared, recording),
        SampleFormat::I24 => record::<I24>(input, &shared, recording),
        SampleFormat::I32 => record::<i32>(input, &shared, recording),
        SampleFormat::F32 => record::<f32>(input, &shared, recording),
        other => Err(unused(other, input.name)),
    }?;
    let output_stream = match output.chosen.format {
        SampleFormat::I16 => play::<i16>(output, &shared, playing),
        SampleFormat::I24 => play::<I24>(output, &shared, playing),
        SampleFormat::I32 => play::<i32>(output, &shared, playing),
        SampleFormat::F32 => play::<f32>(output, &shared, playing),
        other => Err(unused(other, output.name)),
    }?;
    let granted = |stream: &Stream, chosen: &Chosen| {
        stream
            .buffer_size()
            .unwrap_or(u32::try_from(period_of(chosen)).unwrap_or(u32::MAX))
    };
    let streams = Streams {
        output_period: granted(&output_stream, &output.chosen),
        input_period: granted(&input_stream, &input.chosen),
        output: output_stream,
        input: input_stream,
    };
    let link = Link {
        shared,
        to_play,
        recorded,
        events,
    };
    Ok((link, streams))
}

/// What the callbacks take with them.
struct Parts {
    playing: ForPlaying,
    recording: ForRecording,
}

/// Ring, frames of the stimulus, frames of the fade, reporter of the stream's errors.
type ForPlaying = (Consumer<f64>, u64, u64, Reporter);
/// Ring, reporter of the callback, reporter of the stream's errors.
type ForRecording = (Producer<f64>, Reporter, Reporter);

fn play<T: DeviceSample>(end: &End<'_>, shared: &Arc<Shared>, parts: ForPlaying) -> Result<Stream> {
    let (ring, frames, fade, mut reporter) = parts;
    let channels = usize::from(end.chosen.config.channels);
    let mut playing = Playing::<T>::new(shared.clone(), ring, end.map, channels, frames, fade);
    end.device
        .build_output_stream(
            end.chosen.config,
            move |data: &mut [T], info| {
                let at = info.timestamp();
                playing.fill(data, at.playback.saturating_duration_since(at.callback));
            },
            move |error| reporter.tell(Happening::Output(error)),
            Some(LOOK_AFTER),
        )
        .map_err(|e| words::opening(&e, Side::Output, end.name))
}

fn record<T: DeviceSample>(end: &End<'_>, shared: &Arc<Shared>, parts: ForRecording) -> Result<Stream> {
    let (ring, of_callback, mut of_stream) = parts;
    let channels = usize::from(end.chosen.config.channels);
    let mut recording = Recording::<T>::new(shared.clone(), ring, of_callback, end.map, channels);
    end.device
        .build_input_stream(
            end.chosen.config,
            move |data: &[T], info| {
                let at = info.timestamp();
                recording.keep(data, at.callback.saturating_duration_since(at.capture));
            },
            move |error| of_stream.tell(Happening::Input(error)),
            Some(LOOK_AFTER),
        )
        .map_err(|e| words::opening(&e, Side::Input, end.name))
}

/// How samples of a format are stored.
///
/// # Errors
/// Where the format is not one of those that are used.
pub(super) fn encoding(chosen: &Chosen, name: &str) -> Result<Encoding> {
    match chosen.format {
        SampleFormat::I16 => Ok(<i16 as DeviceSample>::ENCODING),
        SampleFormat::I24 => Ok(<I24 as DeviceSample>::ENCODING),
        SampleFormat::I32 => Ok(<i32 as DeviceSample>::ENCODING),
        SampleFormat::F32 => Ok(<f32 as DeviceSample>::ENCODING),
        other => Err(unused(other, name)),
    }
}

fn unused(format: SampleFormat, name: &str) -> Error {
    Error::new(
        Kind::Unavailable,
        format!("samples as {format} are not used here"),
    )
    .at(name)
    .next("run `asleft interfaces` and choose another device")
}

fn period_of(chosen: &Chosen) -> usize {
    match chosen.config.buffer_size {
        cpal::BufferSize::Fixed(frames) => usize::try_from(frames).unwrap_or(usize::MAX),
        cpal::BufferSize::Default => 0,
    }
}

/// The nearest whole number of frames.
fn frames_in(seconds: f64, rate: u32) -> usize {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a few seconds at most"
    )]
    let frames = (seconds * f64::from(rate)).round() as usize;
    frames
}
