//! Clean takes of the simulated amplifier, each with a twin that has the same amplifier, hum and mains phase but no noise:
//! what a loss alters is measured on the twin.

use crate::random::Random;
use asleft::bench::simulated::{AmplifierModel, InterfaceModel, SimulatedBench, bench_interface, tarnbeck_60};
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

/// One clean take.
pub struct Clean {
    pub stimulus: Stimulus,
    pub drive: Vec<Vec<f64>>,
    pub planes: Vec<Vec<f64>>,
    /// The same without noise.
    pub twin: Vec<Vec<f64>>,
    /// Rms of the noise of each channel.
    pub sigma: Vec<f64>,
    /// Frames of the recording in which the signal is fully on.
    pub inside: Range<usize>,
    pub seed: u64,
    interface: InterfaceModel,
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

impl Clean {
    pub fn new(stimulus: Stimulus, seed: u64) -> Self {
        Self::on(bench_interface(), stimulus, seed)
    }

    pub fn on(interface: InterfaceModel, stimulus: Stimulus, seed: u64) -> Self {
        let drive = samples(&Renderer::with_channels(&stimulus, 2).unwrap());
        let planes = SimulatedBench::new(tarnbeck_60(), interface.clone(), seed)
            .run(&drive, RATE, &setup())
            .unwrap()
            .planes;
        let (amplifier, silent) = quiet();
        let silent = InterfaceModel {
            latency_frames: interface.latency_frames,
            clock_ppm: interface.clock_ppm,
            ..silent
        };
        let twin = SimulatedBench::new(amplifier, silent, seed)
            .run(&drive, RATE, &setup())
            .unwrap()
            .planes;
        let latency = interface.latency_frames.ceil() as usize;
        let edge = stimulus.frames_in(stimulus.fade_s + 0.006) as usize;
        let start = latency + stimulus.lead_in_frames() as usize;
        let inside = start + edge..start + stimulus.signal_frames() as usize - edge;
        let sigma = planes
            .iter()
            .zip(&twin)
            .map(|(p, t)| {
                let squares: f64 = inside.clone().map(|n| (p[n] - t[n]).powi(2)).sum();
                (squares / inside.len() as f64).sqrt()
            })
            .collect();
        Self {
            stimulus,
            drive,
            planes,
            twin,
            sigma,
            inside,
            seed,
            interface,
        }
    }

    /// What is recorded when `drive` is played instead, with the same noise, hum and mains.
    pub fn replay(&self, drive: &[Vec<f64>]) -> Vec<Vec<f64>> {
        SimulatedBench::new(tarnbeck_60(), self.interface.clone(), self.seed)
            .run(drive, RATE, &setup())
            .unwrap()
            .planes
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
}

fn samples(source: &Renderer) -> Vec<Vec<f64>> {
    let format = source.format();
    let mut planes = vec![vec![0.0; format.frames as usize]; format.channels];
    let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
    let mut reader: Box<dyn BlockReader> = source.open().unwrap();
    reader.read(0, &mut slices).unwrap();
    planes
}
