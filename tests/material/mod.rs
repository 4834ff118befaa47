//! Synthetic captures for the tests of integrity and recognition. All random parts come from a seed.
//!
//! Music and speech are stand-ins built here, not recordings: decaying harmonic notes with attacks, vibrato and rests;
//! glottal pulses through formant resonators with bursts of noise and pauses.

#![allow(dead_code, reason = "each test file uses its own part of the material")]

use asleft::signal::source::{Encoding, MemorySource};
use std::f64::consts::TAU;

/// Reproducible random numbers (splitmix64: Steele, Lea and Flood 2014).
#[derive(Debug, Clone)]
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in 0…1.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform in low…high.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Standard normal (Box and Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        r * (TAU * self.unit()).cos()
    }

    pub(crate) fn index(&mut self, low: usize, high: usize) -> usize {
        low + (self.bits() % (high - low) as u64) as usize
    }
}

/// Peak of a sine, or rms·√2 of noise, of this level.
pub(crate) fn peak(dbfs: f64) -> f64 {
    10f64.powf(dbfs / 20.0)
}

pub(crate) fn tone(n: usize, rate: f64, hz: f64, dbfs: f64, phase: f64) -> Vec<f64> {
    let a = peak(dbfs);
    (0..n)
        .map(|i| a * (TAU * hz / rate * i as f64 + phase).sin())
        .collect()
}

/// White noise whose rms is that of a sine of this level (dBFS as AES17 counts it).
pub(crate) fn white(n: usize, dbfs: f64, random: &mut Random) -> Vec<f64> {
    let sigma = peak(dbfs) / 2f64.sqrt();
    (0..n).map(|_| sigma * random.normal()).collect()
}

/// Pink noise: a sum of first-order low-passes an octave apart, within about 1 dB of −3 dB/octave from 10 Hz up.
pub(crate) fn pink(n: usize, rate: f64, dbfs: f64, random: &mut Random) -> Vec<f64> {
    let poles: Vec<(f64, f64)> = (0..12)
        .map(|k| {
            let f = 10.0 * 2f64.powi(k);
            let p = (-TAU * f / rate).exp();
            (p, (1.0 - p) * (1.0 / f).sqrt())
        })
        .collect();
    let mut state = vec![0.0; poles.len()];
    let mut x: Vec<f64> = (0..n)
        .map(|_| {
            let mut sum = 0.0;
            for (s, (p, g)) in state.iter_mut().zip(&poles) {
                *s = p * *s + g * random.normal();
                sum += *s;
            }
            sum
        })
        .collect();
    let rms = (x.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt();
    let scale = peak(dbfs) / 2f64.sqrt() / rms;
    x.iter_mut().for_each(|v| *v *= scale);
    x
}

pub(crate) fn add(mut a: Vec<f64>, b: &[f64]) -> Vec<f64> {
    a.iter_mut().zip(b).for_each(|(p, q)| *p += q);
    a
}

/// Mains hum: the fundamental at `dbfs` and a comb that falls slowly, with a little wander of the frequency.
pub(crate) fn hum(n: usize, rate: f64, mains: f64, dbfs: f64) -> Vec<f64> {
    let mut phase = 0.0;
    (0..n)
        .map(|i| {
            let wander = 1.0 + 2e-4 * (TAU * 0.11 * i as f64 / rate).sin();
            phase += TAU * mains * wander / rate;
            (1..=10)
                .map(|k| {
                    peak(dbfs - 3.0 * f64::from(k - 1)) * (f64::from(k) * phase + f64::from(k * k)).sin()
                })
                .sum()
        })
        .collect()
}

/// Exponential sweep.
pub(crate) fn sweep(n: usize, rate: f64, from: f64, to: f64, dbfs: f64) -> Vec<f64> {
    let t = n as f64 / rate;
    let l = t / (to / from).ln();
    (0..n)
        .map(|i| peak(dbfs) * (TAU * from * l * ((i as f64 / rate / l).exp() - 1.0)).sin())
        .collect()
}

/// A sine switched on for whole periods.
pub(crate) fn bursts(n: usize, rate: f64, hz: f64, dbfs: f64, on_s: f64, every_s: f64) -> Vec<f64> {
    let every = (every_s * rate).round() as usize;
    let on = ((on_s * hz).round() / hz * rate).round() as usize;
    tone(n, rate, hz, dbfs, 0.0)
        .into_iter()
        .enumerate()
        .map(|(i, _)| {
            let k = i % every;
            if k < on {
                peak(dbfs) * (TAU * hz / rate * k as f64).sin()
            } else {
                0.0
            }
        })
        .collect()
}

/// Sums that fold at the Nyquist frequency are avoided: a band-limited square wave from its Fourier series.
pub(crate) fn square(n: usize, rate: f64, hz: f64, dbfs: f64) -> Vec<f64> {
    (0..n)
        .map(|i| {
            let mut sum = 0.0;
            let mut k = 1.0;
            while k * hz < 0.48 * rate {
                sum += (TAU * k * hz / rate * i as f64 + 0.1).sin() / k;
                k += 2.0;
            }
            peak(dbfs) * 4.0 / std::f64::consts::PI * sum
        })
        .collect()
}

/// A stand-in for music: notes of a scale with attack, decay, vibrato and harmonics, over a bass and a cymbal of noise.
pub(crate) fn music(n: usize, rate: f64, random: &mut Random) -> Vec<f64> {
    let mut x = vec![0.0; n];
    let mut start = 0usize;
    while start < n {
        for _ in 0..random.index(1, 4) {
            let hz = 110.0 * 2f64.powf(random.index(0, 36) as f64 / 12.0);
            let (a, decay) = (random.between(0.05, 0.2), random.between(0.1, 0.6));
            let vibrato = random.between(0.0, 0.004);
            let mut phase = 0.0;
            for (i, v) in x[start..].iter_mut().take((2.5 * rate) as usize).enumerate() {
                let t = i as f64 / rate;
                let bend = 1.0 + vibrato * (TAU * 5.5 * t).sin();
                phase += TAU * hz * bend / rate;
                let envelope = a * (t / 0.004).min(1.0) * (-t / decay).exp();
                *v += envelope
                    * (1..=6)
                        .map(|k| (f64::from(k) * phase).sin() / f64::from(k * k))
                        .sum::<f64>();
            }
        }
        let hit = random.between(0.01, 0.1);
        for (i, v) in x[start..].iter_mut().take((0.2 * rate) as usize).enumerate() {
            *v += hit * random.normal() * (-(i as f64) / rate / 0.03).exp();
        }
        start += (random.between(0.1, 0.5) * rate) as usize;
    }
    let loudest = x.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    let floor = white(n, -80.0, random);
    x.iter().zip(floor).map(|(v, f)| 0.7 * v / loudest + f).collect()
}

/// A stand-in for speech: glottal pulses of wandering pitch through two resonators, hisses, pauses.
pub(crate) fn speech(n: usize, rate: f64, random: &mut Random) -> Vec<f64> {
    let mut x = vec![0.0; n];
    let mut at = 0usize;
    while at < n {
        let length = (random.between(0.08, 0.25) * rate) as usize;
        let kind = random.index(0, 4);
        let formants = [random.between(300.0, 800.0), random.between(900.0, 2500.0)];
        let pitch = random.between(90.0, 220.0);
        let (mut y, mut glottis) = ([[0.0; 2]; 2], 0.0);
        for i in 0..length.min(n - at) {
            let t = i as f64 / length as f64;
            glottis += pitch * (1.0 + 0.15 * t) / rate;
            let excitation = match kind {
                0 => 0.0,
                1 => 0.05 * random.normal(),
                _ if glottis >= 1.0 => {
                    glottis -= 1.0;
                    1.0
                }
                _ => 0.0,
            };
            let mut v = excitation;
            for (f, s) in formants.iter().zip(&mut y) {
                let r = (-std::f64::consts::PI * 90.0 / rate).exp();
                let out = v + 2.0 * r * (TAU * f / rate).cos() * s[0] - r * r * s[1];
                *s = [out, s[0]];
                v = out * 0.05;
            }
            x[at + i] = v * (std::f64::consts::PI * t).sin();
        }
        at += length;
    }
    let loudest = x.iter().fold(1e-9, |m: f64, v| m.max(v.abs()));
    let floor = white(n, -75.0, random);
    x.iter().zip(floor).map(|(v, f)| 0.5 * v / loudest + f).collect()
}

/// How samples are stored in a test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Store {
    /// Integer with triangular dither of two steps.
    Dithered(u16),
    /// Integer, rounded.
    Rounded(u16),
    /// 32-bit float.
    Float,
    /// As computed.
    Double,
}

/// The samples as such a file would hold them, and the encoding it states.
pub(crate) fn store(x: Vec<f64>, how: Store, random: &mut Random) -> (Vec<f64>, Encoding) {
    let integer = |x: Vec<f64>, bits: u16, mut dither: Box<dyn FnMut() -> f64>| {
        let scale = f64::from(bits - 1).exp2();
        let y = x
            .iter()
            .map(|v| (v * scale + dither()).round().clamp(-scale, scale - 1.0) / scale)
            .collect();
        (y, Encoding::Int(bits))
    };
    match how {
        Store::Dithered(bits) => {
            let mut own = random.clone();
            random.bits();
            integer(x, bits, Box::new(move || own.unit() - own.unit()))
        }
        Store::Rounded(bits) => integer(x, bits, Box::new(|| 0.0)),
        Store::Float => (
            x.iter().map(|v| f64::from(*v as f32)).collect(),
            Encoding::Float(32),
        ),
        Store::Double => (x, Encoding::Float(64)),
    }
}

/// A mono capture.
pub(crate) fn mono(rate: u32, x: Vec<f64>, how: Store, random: &mut Random) -> MemorySource {
    let (x, encoding) = store(x, how, random);
    MemorySource::new(rate, vec![x]).stored_as(encoding)
}
