//! One take, from the samples played to the samples recorded.
//!
//! Everything linear is done by multiplying the spectrum of the whole take with a closed form; the output stage runs
//! oversampled in blocks ([`super::oversampling`]); noise is made as a spectrum of independent normal bins whose
//! variance is the closed-form density, so that one draw a channel stands for all of its sources.

mod amplify;
mod record;

use super::interface::{Attenuator, InterfaceModel};
use super::oversampling::Oversampler;
use super::path::AmplifierPath;
use super::supply::Supply;
use super::transform::{Transform, fast_length};
use crate::error::Result;
use crate::signal::random::Random;
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;

/// Silence after the take in which the slowest responses die away, s.
const TAIL_S: f64 = 1.0;
/// Frames over which the mains frequency is taken as steady.
const MAINS_STEP: usize = 256;

type Spectrum = Vec<Complex64>;

/// Lengths, plans and numbers of one take.
pub(super) struct Session<'a> {
    pub(super) interface: &'a InterfaceModel,
    pub(super) amplifier: Option<&'a AmplifierPath>,
    pub(super) tap: Option<&'a Attenuator>,
    pub(super) pad: Option<&'a Attenuator>,
    terminated: bool,
    rate: f64,
    frames: usize,
    recorded: usize,
    whole: Transform,
    doubled: Transform,
    oversampler: Oversampler,
    seed: u64,
    take: u64,
    mains_start: [f64; 3],
}

/// Which random stream of a take is for what.
#[derive(Clone, Copy)]
enum Stream {
    Mains = 0,
    Noise = 1,
}

/// A fresh stream: eight a take.
fn stream(seed: u64, take: u64, which: Stream, channel: usize) -> Random {
    Random::stream(
        seed,
        take.wrapping_mul(8).wrapping_add(which as u64 + channel as u64),
    )
}

/// What a session needs to know beside the models.
pub(super) struct Start {
    pub(super) sample_rate_hz: u32,
    pub(super) frames: usize,
    pub(super) seed: u64,
    pub(super) take: u64,
    /// Where there is no amplifier: the inputs are terminated and no cable joins them to the outputs.
    pub(super) terminated: bool,
}

impl<'a> Session<'a> {
    pub(super) fn new(
        planner: &mut RealFftPlanner<f64>,
        interface: &'a InterfaceModel,
        amplifier: Option<&'a AmplifierPath>,
        (tap, pad): (Option<&'a Attenuator>, Option<&'a Attenuator>),
        start: &Start,
    ) -> Result<Self> {
        let rate = f64::from(start.sample_rate_hz);
        let played = start.frames + to_frames(interface.latency_frames.max(0.0).ceil());
        #[allow(
            clippy::cast_precision_loss,
            reason = "takes are far shorter than 2^52 frames"
        )]
        let recorded = to_frames(played as f64 * (1.0 + interface.clock_ppm * 1e-6));
        let length = fast_length(played.max(recorded) + to_frames(TAIL_S * rate));
        let mut random = stream(start.seed, start.take, Stream::Mains, 0);
        Ok(Self {
            interface,
            amplifier,
            tap,
            pad,
            terminated: start.terminated,
            rate,
            frames: start.frames,
            recorded,
            whole: Transform::plan(planner, length),
            doubled: Transform::plan(planner, 2 * length),
            oversampler: Oversampler::new(planner, rate)?,
            seed: start.seed,
            take: start.take,
            mains_start: std::array::from_fn(|_| 0.5 + 0.5 * random.symmetric()),
        })
    }

    /// Plays `drive` (left, right) and returns what is recorded.
    pub(super) fn run(&self, drive: [&[f64]; 2]) -> Result<Vec<Vec<f64>>> {
        let [left, right] = drive;
        let (left, right) = rayon::join(|| self.source_emf(0, left), || self.source_emf(1, right));
        let emf = [left?, right?];
        let (outputs, current) = match self.amplifier {
            Some(path) => self.amplify(path, emf)?,
            None => (self.cable(emf), Vec::new()),
        };
        let samples = self.to_samples(outputs);
        let [left, right] = samples;
        let (left, right) = rayon::join(
            || self.record(0, left, &current),
            || self.record(1, right, &current),
        );
        Ok(vec![left?, right?])
    }

    fn hertz(&self, bin: usize) -> f64 {
        #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
        let cycles = bin as f64 / self.whole.length() as f64;
        cycles * self.rate
    }

    /// Variance of a bin's real and imaginary part is the density times this.
    fn bin_variance(&self) -> f64 {
        #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
        let length = self.whole.length() as f64;
        length * self.rate / 4.0
    }

    /// E.m.f. at one input, V; `None` where nothing drives it.
    fn source_emf(&self, channel: usize, drive: &[f64]) -> Result<Option<Spectrum>> {
        let connected = self
            .amplifier
            .and_then(|a| a.channels.get(channel))
            .is_none_or(|c| c.surroundings.driven);
        if !connected || drive.iter().all(|x| x.abs() < f64::MIN_POSITIVE) {
            return Ok(None);
        }
        let volts = self.interface.drive_v(channel, self.pad);
        let mut spectrum = self.whole.forward(drive)?;
        for (bin, z) in spectrum.iter_mut().enumerate() {
            *z *= self.interface.side_response(self.hertz(bin)) * volts;
        }
        Ok(Some(spectrum))
    }

    /// Hands every frame its phase of the mains, in cycles.
    fn at_mains_cycles(
        &self,
        supply: &Supply,
        rate: f64,
        frames: &mut [f64],
        mut visit: impl FnMut(usize, f64, &mut f64),
    ) {
        #[allow(
            clippy::cast_precision_loss,
            reason = "takes are far shorter than 2^52 frames"
        )]
        let cycles_at = |frame: usize| supply.mains.cycles(frame as f64 / rate, self.mains_start);
        let mut first = 0;
        for chunk in frames.chunks_mut(MAINS_STEP) {
            let (from, to) = (cycles_at(first), cycles_at(first + MAINS_STEP));
            #[allow(clippy::cast_precision_loss, reason = "a small constant")]
            let step = (to - from) / MAINS_STEP as f64;
            let mut cycles = from;
            for (offset, value) in chunk.iter_mut().enumerate() {
                visit(first + offset, cycles, value);
                cycles += step;
            }
            first += MAINS_STEP;
        }
    }

    /// A cable instead of an amplifier: voltages at the inputs, with the playing side's noise; nothing where the inputs
    /// are terminated.
    fn cable(&self, emf: [Option<Spectrum>; 2]) -> [Spectrum; 2] {
        if self.terminated {
            let bins = self.whole.length() / 2 + 1;
            return emf.map(|_| vec![Complex64::ZERO; bins]);
        }
        let source = self.pad.map_or(self.interface.output_ohm, |p| p.source_ohm);
        let divider = self.interface.input_ohm / (self.interface.input_ohm + source);
        let bins = self.whole.length() / 2 + 1;
        let mut index = 0;
        emf.map(|spectrum| {
            let mut random = stream(self.seed, self.take, Stream::Noise, index);
            let density = self.interface.output_noise_density(index, self.pad);
            let sigma = (density * self.bin_variance()).sqrt();
            index += 1;
            let mut spectrum = spectrum.unwrap_or_else(|| vec![Complex64::ZERO; bins]);
            for z in &mut spectrum {
                let (re, im) = random.normal_pair(f64::INFINITY);
                *z = (*z + Complex64::new(re, im) * sigma) * divider;
            }
            spectrum
        })
    }
}

/// A whole number of frames; negative and non-finite become 0.
pub(super) fn to_frames(frames: f64) -> usize {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the cast saturates, which is what is wanted"
    )]
    let whole = frames as usize;
    whole
}
