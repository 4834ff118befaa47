//! The simulated bench: an amplifier and an interface from physics, with faults that have names and figures that are
//! known in closed form.
//!
//! One take runs like this: samples → e.m.f. at the unit's input ([`interface`]) → input divider, disc equaliser,
//! crosstalk, volume, tone, coupling, bandwidth ([`path`]) → output stage with sagging rails, crossover, contact and
//! falling loop gain, oversampled ([`power_stage`]) → noise and hum → tap, converter, clock → samples. [`truth`] gives
//! the figures of the same equations without simulating, so that end-to-end tests have an oracle that shares no code
//! with the analysis.
//!
//! It knows physics and not figures: nothing here imports `dsp`, `take` or `figures`. Every take is reproducible: equal
//! models, seed and order of takes give equal samples.

pub mod amplifier;
pub mod analogue;
pub mod contact;
mod curve;
pub mod demo;
pub mod fault;
mod hum;
pub mod interface;
pub mod limiter;
pub mod multimeter;
pub mod output_pair;
mod oversampling;
pub mod path;
pub mod power_stage;
mod resampling;
mod simulation;
pub mod supply;
pub mod thermal;
mod transform;
pub mod truth;

pub use amplifier::AmplifierModel;
pub use demo::{bench_interface, demo_rig, drawn_rig, tarnbeck_60};
pub use fault::{Fault, Side};
pub use interface::InterfaceModel;
pub use multimeter::MultimeterModel;
pub use truth::{ToneTruth, Truth};

use super::{BLOCK_FRAMES, Bench, Flow, Played, Reason, Sink};
use crate::error::{Error, Kind, Result};
use crate::figure::Driven;
use crate::rig::ceiling::{Cleared, PROMPT_S, RAMP_S};
use crate::signal::source::{BlockSource, Encoding, Format};
use crate::signal::synthesis::Renderer;
use crate::signal::take::Setup;
use path::AmplifierPath;
use realfft::RealFftPlanner;
use simulation::{Session, Start};

/// Sample rates that can be simulated, Hz.
const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=768_000;

/// Silence that is recorded after a take was stopped, s.
const SILENCE_S: f64 = 0.1;

/// A recording of the simulated interface: planar samples of its inputs, full scale ±1.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// Bits of the interface's converter.
    pub bits: u16,
    /// One vector a channel.
    pub planes: Vec<Vec<f64>>,
    /// Whether every channel had its load; `None` where there is no amplifier.
    pub loaded: Option<bool>,
}

/// An interface, and an amplifier or a cable between its outputs and inputs.
pub struct SimulatedBench {
    /// The unit under test; `None` is a cable from outputs to inputs, through a tap where the setup names one. What is
    /// behind the cable loads the outputs as the inputs do.
    pub amplifier: Option<AmplifierModel>,
    /// The interface with taps, pads and loads.
    pub interface: InterfaceModel,
    seed: u64,
    takes: u64,
    planner: RealFftPlanner<f64>,
}

impl std::fmt::Debug for SimulatedBench {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SimulatedBench")
            .field("amplifier", &self.amplifier)
            .field("interface", &self.interface)
            .field("seed", &self.seed)
            .field("takes", &self.takes)
            .finish_non_exhaustive()
    }
}

impl SimulatedBench {
    /// An amplifier on the bench. `seed` decides noise and the mains' phase of every take.
    pub fn new(amplifier: AmplifierModel, interface: InterfaceModel, seed: u64) -> Self {
        Self {
            amplifier: Some(amplifier),
            ..Self::loopback(interface, seed)
        }
    }

    /// A cable instead of an amplifier.
    pub fn loopback(interface: InterfaceModel, seed: u64) -> Self {
        Self {
            amplifier: None,
            interface,
            seed,
            takes: 0,
            planner: RealFftPlanner::new(),
        }
    }

    /// The same bench with a fault in it.
    #[must_use]
    pub fn with_fault(mut self, fault: Fault) -> Self {
        fault.apply(&mut self);
        self
    }

    /// Plays samples (left and right, or one for both; full scale ±1) and records. The recording is longer than the drive by the
    /// interface's latency.
    ///
    /// # Errors
    /// Where the drive is empty, uneven or not finite, or the setup is impossible on this bench.
    pub fn run(&mut self, drive: &[Vec<f64>], sample_rate_hz: u32, setup: &Setup) -> Result<Recording> {
        let recording = self.simulate(drive, sample_rate_hz, setup)?;
        self.takes += 1;
        Ok(recording)
    }

    /// One take, which may be repeated from its beginning with another drive.
    fn simulate(&mut self, drive: &[Vec<f64>], sample_rate_hz: u32, setup: &Setup) -> Result<Recording> {
        let (left, right) = both_channels(drive, sample_rate_hz)?;
        let path = self.path(setup)?;
        let start = Start {
            sample_rate_hz,
            frames: left.len(),
            seed: self.seed,
            take: self.takes,
            terminated: setup.driven.is_none() && setup.termination.is_some(),
        };
        // A cable goes straight to the inputs unless a tap is asked for by name.
        let tapped = self.amplifier.is_some() || setup.tap.is_some();
        let tap = if tapped { self.interface.tap(setup)? } else { None };
        let attenuators = (tap, self.interface.pad(setup)?);
        let session = Session::new(
            &mut self.planner,
            &self.interface,
            path.as_ref(),
            attenuators,
            &start,
        )?;
        let planes = session.run([left, right])?;
        let surroundings = self.interface.surroundings(setup)?;
        let all_loaded = surroundings.iter().all(|s| s.load_ohm.is_some());
        Ok(Recording {
            sample_rate_hz,
            bits: self.interface.bits.unwrap_or(64),
            planes,
            loaded: self.amplifier.as_ref().map(|_| all_loaded),
        })
    }

    /// The true figures of the amplifier at a setup.
    ///
    /// # Errors
    /// Where there is no amplifier, or the setup is impossible.
    pub fn truth(&self, setup: &Setup) -> Result<Truth> {
        let path = self.path(setup)?.ok_or_else(|| {
            Error::new(
                Kind::Unavailable,
                "a cable on the bench has no figures of its own",
            )
            .next("put an amplifier on the simulated bench")
        })?;
        Ok(Truth::new(path, setup.driven.unwrap_or(Driven::Both)))
    }

    fn path(&self, setup: &Setup) -> Result<Option<AmplifierPath>> {
        let surroundings = self.interface.surroundings(setup)?;
        self.amplifier
            .as_ref()
            .map(|model| AmplifierPath::new(model, setup, surroundings))
            .transpose()
    }
}

impl Bench for SimulatedBench {
    fn play(&mut self, stimulus: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        let renderer = Renderer::with_channels(stimulus.stimulus(), 2)?;
        let format = renderer.format();
        let frames = usize::try_from(format.frames).unwrap_or(usize::MAX);
        let mut drive = vec![vec![0.0; frames]; format.channels];
        let mut planes: Vec<&mut [f64]> = drive.iter_mut().map(Vec::as_mut_slice).collect();
        renderer.open()?.read(0, &mut planes)?;
        let rate = format.sample_rate_hz;
        let recording = self.simulate(&drive, rate, setup)?;
        let mut handing = HandingOver::begin(&recording, sink)?;
        if handing.up_to(&recording, usize::MAX, sink)? {
            // What the device holds already still sounds; then it goes silent, and the silence is heard as well.
            let stopped = handing.frames;
            let latency = self.interface.latency_frames.max(0.0);
            let held = if stimulus.prompt() {
                latency.min(PROMPT_S * f64::from(rate))
            } else {
                latency
            };
            let ramp = RAMP_S * f64::from(rate);
            let from = (stopped as f64 + held - latency).max(0.0);
            ramp_down(&mut drive, from, ramp);
            let ended = self.simulate(&drive, rate, setup)?;
            let silent = stopped as f64 + held + ramp + SILENCE_S * f64::from(rate);
            handing.up_to(&ended, simulation::to_frames(silent), sink)?;
        }
        self.takes += 1;
        Ok(handing.played(&recording))
    }

    fn simulated(&self) -> bool {
        true
    }
}

/// A recording on its way to a sink.
#[derive(Debug, Default)]
struct HandingOver {
    frames: usize,
    stopped: Option<(Reason, u64)>,
}

impl HandingOver {
    fn begin(recording: &Recording, sink: &mut dyn Sink) -> Result<Self> {
        sink.begin(&Format {
            sample_rate_hz: recording.sample_rate_hz,
            channels: recording.planes.len(),
            frames: recording.planes.first().map_or(0, Vec::len) as u64,
            encoding: Encoding::Int(recording.bits),
        })?;
        Ok(Self::default())
    }

    /// Hands over up to frame `last`, block by block; true where the sink says stop for the first time.
    fn up_to(&mut self, recording: &Recording, last: usize, sink: &mut dyn Sink) -> Result<bool> {
        let last = last.min(recording.planes.first().map_or(0, Vec::len));
        while self.frames < last {
            let first = self.frames;
            self.frames = (first + BLOCK_FRAMES).min(last);
            let block: Vec<&[f64]> = recording.planes.iter().map(|p| &p[first..self.frames]).collect();
            if let (Flow::Stop(reason), None) = (sink.block(&block)?, self.stopped) {
                self.stopped = Some((reason, self.frames as u64));
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn played(self, recording: &Recording) -> Played {
        Played {
            frames: self.frames as u64,
            loaded: recording.loaded,
            losses: Vec::new(),
            stopped: self.stopped,
        }
    }
}

/// Brings `drive` to silence in a raised cosine of `ramp` frames that begins at frame `from`.
fn ramp_down(drive: &mut [Vec<f64>], from: f64, ramp: f64) {
    for plane in drive {
        for (frame, x) in plane.iter_mut().enumerate() {
            let part = ((frame as f64 - from) / ramp).clamp(0.0, 1.0);
            *x *= 0.5 + 0.5 * (std::f64::consts::PI * part).cos();
        }
    }
}

/// Checks what is to be played.
fn both_channels(drive: &[Vec<f64>], sample_rate_hz: u32) -> Result<(&[f64], &[f64])> {
    let (left, right) = match drive {
        [one] => (one, one),
        [left, right] => (left, right),
        _ => {
            return Err(Error::new(
                Kind::Value,
                format!("the simulated bench has two outputs, not {}", drive.len()),
            )
            .next("play one channel, or left and right"));
        }
    };
    if left.is_empty() || left.len() != right.len() {
        return Err(Error::new(
            Kind::Value,
            "there is nothing to play, or the channels are of unequal length",
        )
        .next("give both channels the same number of samples"));
    }
    if !left.iter().chain(right).all(|x| x.is_finite()) {
        return Err(
            Error::new(Kind::Value, "the samples to play hold values that are no numbers")
                .next("check the file or the stimulus they come from"),
        );
    }
    if !RATES_HZ.contains(&sample_rate_hz) {
        return Err(Error::new(
            Kind::Value,
            format!("{sample_rate_hz} Hz is outside what the simulated bench can do"),
        )
        .next("choose a sample rate from 8000 to 768000 Hz"));
    }
    Ok((left, right))
}
