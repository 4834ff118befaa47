//! Speed of the tone engine: one minute of 96 kHz stereo in memory (the file's decoding is measured elsewhere).
//!
//! Ten minutes must take about 1.1 s on two cores, decoding and integrity included: 13 ns a sample for this engine.

#![allow(missing_docs, reason = "criterion's macros make undocumented items")]
#![allow(clippy::unwrap_used, reason = "a bench may stop at the first surprise")]

use asleft::dsp::tone::analyse;
use asleft::error::Result;
use asleft::signal::source::{BlockReader, BlockSource, Encoding, Format, MemorySource};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use std::f64::consts::TAU;

const RATE: u32 = 96_000;

/// A 997 Hz sine with two harmonics and a little noise.
fn channel(seconds: u32, phase: f64) -> Vec<f64> {
    let mut state = 1u64;
    (0..seconds * RATE)
        .map(|n| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let noise = ((state >> 40) as f64 / f64::from(1u32 << 24) - 0.5) * 1e-6;
            let cycles = (997.0 / f64::from(RATE) * f64::from(n)).fract();
            0.5 * (TAU * cycles + phase).cos() + 1e-4 * (TAU * 2.0 * cycles).cos() + noise
        })
        .collect()
}

/// Ten seconds played over and over: a take of any length without its memory.
#[derive(Debug)]
struct Looped {
    source: MemorySource,
    frames: u64,
}

impl BlockSource for Looped {
    fn format(&self) -> Format {
        Format {
            frames: self.frames,
            encoding: Encoding::Int(24),
            ..self.source.format()
        }
    }

    fn open(&self) -> Result<Box<dyn BlockReader>> {
        let period = self.source.format().frames;
        Ok(Box::new(LoopedReader {
            reader: self.source.open()?,
            period,
        }))
    }
}

struct LoopedReader {
    reader: Box<dyn BlockReader>,
    period: u64,
}

impl BlockReader for LoopedReader {
    fn read(&mut self, first: u64, planes: &mut [&mut [f64]]) -> Result<usize> {
        self.reader.read(first % self.period, planes)
    }
}

fn engine(c: &mut Criterion) {
    let mut group = c.benchmark_group("tone");
    group.sample_size(10);
    for seconds in [5, 60] {
        let source = MemorySource::new(RATE, vec![channel(seconds, 0.0), channel(seconds, 1.0)]);
        let frames = source.format().frames;
        group.throughput(Throughput::Elements(2 * frames));
        let guesses = [vec![997.0], vec![997.0]];
        group.bench_function(format!("{seconds} s, 96 kHz stereo"), |b| {
            b.iter(|| analyse(&source, 0..frames, &guesses).unwrap());
        });
    }
    let looped = Looped {
        source: MemorySource::new(RATE, vec![channel(10, 0.0), channel(10, 1.0)]),
        frames: 600 * u64::from(RATE),
    };
    group.throughput(Throughput::Elements(2 * looped.frames));
    group.bench_function("600 s, 96 kHz stereo", |b| {
        b.iter(|| analyse(&looped, 0..looped.frames, &[vec![997.0], vec![997.0]]).unwrap());
    });
    group.finish();
}

criterion_group!(benches, engine);
criterion_main!(benches);
