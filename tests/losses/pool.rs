//! Clean takes of the simulated amplifier: its answers without noise, and its noise apart from them, so that any number of
//! takes are made of a few simulations and what a loss alters is known without noise.

use crate::random::Random;
use asleft::bench::simulated::{
    AmplifierModel, InterfaceModel, SimulatedBench, bench_interface, tarnbeck_60,
};
use asleft::figure::Driven;
use asleft::signal::source::{BlockReader, BlockSource, Encoding, MemorySource};
use asleft::signal::stimulus::{Marks, Signal, Stimulus};
use asleft::signal::synthesis::Renderer;
use asleft::signal::take::{Setup, Take};
use asleft::take::losses::Clocks;
use asleft::take::{Examined, examine_with};
use std::ops::Range;
use std::sync::Arc;

pub const RATE: u32 = 48_000;

/// Marks, dBFS: some 10 dB below a tone near rated power.
const MARKS_DBFS: f64 = -40.0;

/// What the bench answers to one stimulus, without noise.
pub struct Answer {
    pub stimulus: Stimulus,
    pub drive: Vec<Vec<f64>>,
    pub planes: Vec<Vec<f64>>,
    /// Frames of the recording in which the signal is fully on.
    pub inside: Range<usize>,
    seed: u64,
}

/// Answers and noises, from which any number of takes are made: an answer, a noise turned round by any number of
/// frames, and the converter's rounding.
pub struct Pool {
    pub answers: Vec<Answer>,
    noises: Vec<Vec<Vec<f64>>>,
    /// Rms of the noise of each channel.
    pub sigma: Vec<f64>,
}

pub fn setup() -> Setup {
    Setup {
        driven: Some(Driven::Both),
        mode: Some("class AB".to_owned()),
        input: Some("Aux".to_owned()),
        volume: Some("reference".to_owned()),
        termination: None,
        tap: Some("power".to_owned()),
        pad: None,
        loaded: Some(true),
    }
}

pub fn stimulus(signal: &Signal, seconds: f64, driven: Driven) -> Stimulus {
    Stimulus {
        lead_in_s: 0.1,
        lead_out_s: 0.1,
        fade_s: 0.01,
        marks: Some(Marks {
            level_dbfs: MARKS_DBFS,
            channels: vec![0, 1],
        }),
        ..Stimulus::stereo(RATE, seconds, signal, driven)
    }
}

pub fn tone(frequency_hz: f64, level_dbfs: f64) -> Signal {
    Signal::Tone {
        frequency_hz,
        level_dbfs,
    }
}

/// A tone, sweep or silence of the `index`-th kind, with its frequency and level drawn.
pub fn drawn(index: u64, random: &mut Random) -> Stimulus {
    let both = Driven::Both;
    match index % 5 {
        0 => stimulus(&Signal::Silence, 0.8, both),
        1 => {
            let sweep = Signal::Sweep {
                from_hz: 20.0,
                to_hz: 20_000.0,
                level_dbfs: -40.0 + 8.0 * random.symmetric(),
            };
            stimulus(&sweep, 1.5, both)
        }
        _ => {
            // 40 Hz to 16 kHz, evenly in octaves; −65 dBFS (a thousandth of rated power) to −23 dBFS (half of it).
            let hertz = 800.0 * 20f64.powf(random.symmetric());
            stimulus(&tone(hertz.round(), -44.0 + 21.0 * random.symmetric()), 0.8, both)
        }
    }
}

/// The same amplifier and interface without a sound of their own; hum stays.
fn quiet() -> (AmplifierModel, InterfaceModel) {
    let (mut amplifier, mut interface) = (tarnbeck_60(), bench_interface());
    for channel in &mut amplifier.channels {
        channel.line_noise.density = 0.0;
        channel.output_noise.density = 0.0;
    }
    amplifier.kelvin = 0.0;
    interface.kelvin = 0.0;
    interface.input_range_db = 400.0;
    interface.output_range_db = 400.0;
    interface.bits = None;
    (amplifier, interface)
}

/// Frames of a noise: longer than any take.
const NOISE_FRAMES: usize = 96_000;

impl Pool {
    /// `answers` kinds of takes and as many noises as the machine's patience allows.
    pub fn new(answers: u64, noises: u64) -> Self {
        let answers = (0..answers)
            .map(|i| Answer::new(drawn(i, &mut Random::new(77 + i)), i))
            .collect();
        let noises: Vec<_> = (0..noises).map(noise).collect();
        let sigma = (0..2)
            .map(|c| {
                let squares: f64 = noises
                    .iter()
                    .flat_map(|n: &Vec<Vec<f64>>| &n[c])
                    .map(|v| v * v)
                    .sum();
                (squares / (noises.len() * NOISE_FRAMES) as f64).sqrt()
            })
            .collect();
        Self {
            answers,
            noises,
            sigma,
        }
    }

    /// A take of `answer` with a noise of its own.
    pub fn with_noise(&self, answer: &[Vec<f64>], random: &mut Random) -> Vec<Vec<f64>> {
        let noise = &self.noises[random.below(self.noises.len())];
        let turn = random.below(NOISE_FRAMES);
        let codes = f64::from(1u32 << 23);
        answer
            .iter()
            .zip(noise)
            .map(|(a, n)| {
                let noise = n.iter().cycle().skip(turn);
                a.iter()
                    .zip(noise)
                    .map(|(a, n)| ((a + n) * codes).round() / codes)
                    .collect()
            })
            .collect()
    }
}

/// The noise of the bench with the unit on it: what two silent takes of the same hum differ by, one of them without noise.
fn noise(seed: u64) -> Vec<Vec<f64>> {
    let silent = vec![vec![0.0; NOISE_FRAMES]; 2];
    let noisy = run(tarnbeck_60(), bench_interface(), seed, &silent);
    let (amplifier, interface) = quiet();
    let twin = run(amplifier, interface, seed, &silent);
    noisy
        .iter()
        .zip(&twin)
        .map(|(n, t)| n.iter().zip(t).map(|(n, t)| n - t).take(NOISE_FRAMES).collect())
        .collect()
}

fn run(amplifier: AmplifierModel, interface: InterfaceModel, seed: u64, drive: &[Vec<f64>]) -> Vec<Vec<f64>> {
    SimulatedBench::new(amplifier, interface, seed)
        .run(drive, RATE, &setup())
        .unwrap()
        .planes
}

impl Answer {
    pub fn new(stimulus: Stimulus, seed: u64) -> Self {
        Self::by_clock(stimulus, seed, 0.0)
    }

    /// The same recorded by a clock that counts `ppm` more.
    pub fn by_clock(stimulus: Stimulus, seed: u64, ppm: f64) -> Self {
        let drive = samples(&Renderer::with_channels(&stimulus, 2).unwrap());
        let latency = bench_interface().latency_frames.ceil() as usize;
        let edge = stimulus.frames_in(stimulus.fade_s + 0.006) as usize;
        let start = latency + stimulus.lead_in_frames() as usize;
        let inside = start + edge..start + stimulus.signal_frames() as usize - edge;
        let (amplifier, mut interface) = quiet();
        interface.clock_ppm = ppm;
        Self {
            planes: run(amplifier, interface, seed, &drive),
            stimulus,
            drive,
            inside,
            seed,
        }
    }

    /// What comes back when `drive` is played instead, by the same hum.
    pub fn to(&self, drive: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let (amplifier, interface) = quiet();
        run(amplifier, interface, self.seed, drive)
    }

    pub fn take(&self, planes: Vec<Vec<f64>>) -> Take {
        let source = MemorySource::new(RATE, planes).stored_as(Encoding::Int(24));
        Take {
            source: Arc::new(source),
            stimulus: Some(self.stimulus.clone()),
            setup: setup(),
            simulated: true,
        }
    }

    pub fn examine(&self, planes: Vec<Vec<f64>>, clocks: Clocks) -> asleft::error::Result<Examined> {
        examine_with(self.take(planes), None, clocks)
    }

    pub fn frames_in(&self, seconds: f64) -> usize {
        self.stimulus.frames_in(seconds) as usize
    }
}

fn samples(source: &Renderer) -> Vec<Vec<f64>> {
    let format = source.format();
    let mut planes = vec![vec![0.0; format.frames as usize]; format.channels];
    let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
    let mut reader: Box<dyn BlockReader> = source.open().unwrap();
    reader.read(0, &mut slices).unwrap();
    planes
}
