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
pub use truth::{ToneTruth, Truth};

use super::{BLOCK_FRAMES, Bench, Flow, Played, Sink};
use crate::error::{Error, Kind, Result};
use crate::figure::Driven;
use crate::rig::ceiling::Cleared;
use crate::signal::source::{BlockSource, Encoding, Format};
use crate::signal::synthesis::Renderer;
use crate::signal::take::Setup;
use path::AmplifierPath;
use realfft::RealFftPlanner;
use simulation::{Session, Start};

/// Sample rates that can be simulated, Hz.
const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=768_000;

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

impl Recording {
    /// Hands the recording to `sink` block by block.
    fn hand_over(&self, sink: &mut dyn Sink) -> Result<Played> {
        let frames = self.planes.first().map_or(0, Vec::len);
        sink.begin(&Format {
            sample_rate_hz: self.sample_rate_hz,
            channels: self.planes.len(),
            frames: frames as u64,
            encoding: Encoding::Int(self.bits),
        })?;
        let mut played = Played {
            loaded: self.loaded,
            ..Played::default()
        };
        for first in (0..frames).step_by(BLOCK_FRAMES) {
            let last = (first + BLOCK_FRAMES).min(frames);
            let block: Vec<&[f64]> = self.planes.iter().map(|p| &p[first..last]).collect();
            played.frames = last as u64;
            if let Flow::Stop(reason) = sink.block(&block)? {
                played.stopped = Some((reason, last as u64));
                break;
            }
        }
        Ok(played)
    }
}

/// An interface, and an amplifier or a cable between its outputs and inputs.
pub struct SimulatedBench {
    /// The unit under test; `None` is a cable from outputs to inputs, without tap.
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
        let (left, right) = both_channels(drive, sample_rate_hz)?;
        let path = self.path(setup)?;
        let start = Start {
            sample_rate_hz,
            frames: left.len(),
            seed: self.seed,
            take: self.takes,
            terminated: setup.driven.is_none() && setup.termination.is_some(),
        };
        let attenuators = (self.interface.tap(setup)?, self.interface.pad(setup)?);
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
        self.takes += 1;
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
        let recording = self.run(&drive, format.sample_rate_hz, setup)?;
        recording.hand_over(sink)
    }

    fn simulated(&self) -> bool {
        true
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
