//! The quasi-peak meter of ITU-R BS.468-4.
//!
//! The capture passes the exact weighting network, is interpolated so that no peak hides between samples, rectified
//! full-wave, held by a detector that charges fast and discharges slowly, and shown by a sluggish reading device:
//! v follows |x| with τ = 1.448 ms where |x| > v and falls with τ = 295.7 ms elsewhere; the reading follows v with
//! τ = 140.4 ms. The Recommendation gives no time constants, only windows for 5 kHz bursts; these were fitted to them
//! and meet all eleven at every rate, which is what the tests hold on to. A steady 1 kHz sine reads its rms (clause
//! 2.6).
//!
//! Network and interpolation are one multiplication in the frequency domain (overlap-save): the response is that of the
//! analogue network up to the Nyquist frequency, not a bilinear image of it. Memory does not grow with the capture but
//! for the readings themselves, 16 a second.

use super::weighting::itu468_response;
use crate::error::{Error, Kind, Result};
use crate::signal::source::BlockSource;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, SQRT_2, TAU};
use std::sync::Arc;

/// Time constant with which the detector follows a rising rectified signal, s.
const CHARGE_S: f64 = 1.448e-3;

/// Time constant with which it falls, s.
const DISCHARGE_S: f64 = 295.7e-3;

/// Time constant of the reading device, s.
const READING_DEVICE_S: f64 = 140.4e-3;

/// The detector runs at least this fast, Hz: it then misses at most 0.05 dB of a peak of the network's loudest
/// frequency, 6.2 kHz.
const DETECTOR_HZ: f64 = 176_400.0;

/// Readings are this far apart, s.
const INTERVAL_S: f64 = 1.0 / 16.0;

/// Lowest and highest sample rate the meter takes.
const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=384_000;

/// The network has forgotten after this time, s (its slowest pole decays with 53 µs).
const MEMORY_S: f64 = 5e-3;

/// Shortest overlap at each end of a block, samples: the tails of the interpolation fade within it.
const SHORTEST_OVERLAP: usize = 512;

/// Fewest readings that a median is taken of.
const FEWEST_READINGS: usize = 16;

/// Readings of the meter along a capture, in units of full scale, rms-calibrated.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    /// Time between readings, s. Reading `i` is that at (i + 1)·interval.
    pub interval_s: f64,
    /// The readings.
    pub values: Vec<f64>,
}

/// The median of readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MedianReading {
    /// Median, in the unit of the readings.
    pub value: f64,
    /// Its standard uncertainty, with the correlation of neighbouring readings.
    pub u: f64,
    /// Degrees of freedom of `u`.
    pub dof: f64,
}

/// Readings of `channel` (from 0) 16 times a second.
///
/// # Errors
/// Where the capture cannot be read, has no such channel, holds samples that are not numbers, or its rate is outside
/// 8…384 kHz.
pub fn readings(source: &dyn BlockSource, channel: usize) -> Result<Readings> {
    readings_every(source, channel, INTERVAL_S)
}

/// Readings of `channel` about every `interval_s` (rounded to samples of the detector).
///
/// # Errors
/// As [`readings`].
pub fn readings_every(source: &dyn BlockSource, channel: usize, interval_s: f64) -> Result<Readings> {
    let format = source.format();
    if !RATES_HZ.contains(&format.sample_rate_hz) {
        return Err(Error::new(
            Kind::Unavailable,
            format!(
                "the quasi-peak meter does not work at {} Hz",
                format.sample_rate_hz
            ),
        )
        .next("record at 48, 96 or 192 kHz"));
    }
    if channel >= format.channels {
        return Err(Error::new(
            Kind::Mismatch,
            format!(
                "the capture has {} channels, not {}",
                format.channels,
                channel + 1
            ),
        )
        .next("choose a channel that was recorded"));
    }
    let rate = f64::from(format.sample_rate_hz);
    let mut network = Network::new(rate);
    let mut meter = Meter::new(rate * network.factor as f64, interval_s);
    let mut reader = source.open()?;
    let hop = network.hop() as u64;
    let mut block = vec![vec![0.0; network.length]; format.channels];
    for first in (0..format.frames).step_by(network.hop()) {
        // The block starts one overlap before the samples it yields; before the capture there is silence.
        let missing = (network.overlap as u64).saturating_sub(first) as usize;
        block.iter_mut().for_each(|plane| plane.fill(0.0));
        let mut planes: Vec<&mut [f64]> = block.iter_mut().map(|p| &mut p[missing..]).collect();
        reader.read(first.saturating_sub(network.overlap as u64), &mut planes)?;
        if block[channel].iter().any(|x| !x.is_finite()) {
            return Err(
                Error::new(Kind::Format, "the capture holds samples that are not numbers")
                    .at(format!("near second {:.2}", first as f64 / rate))
                    .next("record it again; a float file from another program may need repair there"),
            );
        }
        let frames = usize::try_from((format.frames - first).min(hop)).unwrap_or(usize::MAX);
        meter.follow(network.weigh(&mut block[channel], frames)?);
    }
    Ok(meter.readings)
}

impl Readings {
    /// Median of the readings taken later than `seconds`; `None` where there is less than a second of them.
    ///
    /// The variance of a median of correlated normal values is σ²/n·Σ arcsin ρₖ over all lags (ρ₀ = 1 gives the π/2 of
    /// independent values). The correlations are summed up to where pairs of them cease to be positive (Geyer 1992).
    pub fn median_after(&self, seconds: f64) -> Option<MedianReading> {
        let skip = (seconds / self.interval_s).ceil().max(0.0) as usize;
        let kept = self.values.get(skip..)?;
        if kept.len() < FEWEST_READINGS {
            return None;
        }
        let mut sorted = kept.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let n = kept.len();
        let value = (sorted[(n - 1) / 2] + sorted[n / 2]) / 2.0;
        let mean = kept.iter().sum::<f64>() / n as f64;
        let covariance = |lag: usize| -> f64 {
            let pairs = kept.iter().zip(&kept[lag..]);
            pairs.map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / n as f64
        };
        let variance = covariance(0);
        if variance <= 0.0 {
            let dof = (n - 1) as f64;
            return Some(MedianReading { value, u: 0.0, dof });
        }
        let (mut arcsines, mut correlations) = (FRAC_PI_2, 1.0);
        for lag in (1..n / 2).step_by(2) {
            let pair = [covariance(lag) / variance, covariance(lag + 1) / variance];
            if pair[0] + pair[1] <= 0.0 {
                break;
            }
            for rho in pair {
                arcsines += 2.0 * rho.clamp(-1.0, 1.0).asin();
                correlations += 2.0 * rho;
            }
        }
        // The mean of correlated values takes up a part of their variance: n/(n − correlations) gives it back.
        let independent = (n as f64 / correlations.max(1.0)).max(2.0);
        let spread = variance * independent / (independent - 1.0);
        Some(MedianReading {
            value,
            u: (spread * arcsines / n as f64).sqrt(),
            dof: independent - 1.0,
        })
    }
}

/// The weighting network with interpolation by a whole factor, block by block.
struct Network {
    /// Samples out for one in, a power of two.
    factor: usize,
    /// Samples in a block.
    length: usize,
    /// Samples at each end of a block that are not used.
    overlap: usize,
    response: Vec<Complex64>,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
    bins: Vec<Complex64>,
    wide_bins: Vec<Complex64>,
    out: Vec<f64>,
}

impl Network {
    fn new(rate: f64) -> Self {
        let factor = ((DETECTOR_HZ / rate).ceil().max(1.0) as usize).next_power_of_two();
        let overlap = SHORTEST_OVERLAP.max((MEMORY_S * rate).ceil() as usize);
        let length = (16 * overlap).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(length);
        let inverse = planner.plan_fft_inverse(length * factor);
        let scale = 1.0 / length as f64;
        let mut response: Vec<Complex64> = (0..=length / 2)
            .map(|i| itu468_response(i as f64 * rate * scale) * scale)
            .collect();
        // At the Nyquist frequency only the real part of a response means anything to real samples; interpolated, the
        // bin stands for half a line on either side.
        if let Some(nyquist) = response.last_mut() {
            let share = if factor > 1 { 0.5 } else { 1.0 };
            *nyquist = Complex64::new(nyquist.re * share, 0.0);
        }
        Self {
            factor,
            length,
            overlap,
            response,
            bins: forward.make_output_vec(),
            wide_bins: inverse.make_input_vec(),
            out: inverse.make_output_vec(),
            forward,
            inverse,
        }
    }

    /// Samples from one block to the next.
    fn hop(&self) -> usize {
        self.length - 2 * self.overlap
    }

    /// Weighs one block, destroying it, and returns the `frames` samples after its first overlap, interpolated.
    fn weigh(&mut self, block: &mut [f64], frames: usize) -> Result<&[f64]> {
        let refused = |e: realfft::FftError| Error::new(Kind::Value, format!("a transform failed: {e}"));
        self.forward.process(block, &mut self.bins).map_err(refused)?;
        self.wide_bins.fill(Complex64::new(0.0, 0.0));
        for ((wide, bin), h) in self.wide_bins.iter_mut().zip(&self.bins).zip(&self.response) {
            *wide = bin * h;
        }
        self.inverse
            .process(&mut self.wide_bins, &mut self.out)
            .map_err(refused)?;
        let start = self.overlap * self.factor;
        Ok(&self.out[start..start + frames * self.factor])
    }
}

/// Detector and reading device. The steps are exact for the rate: 1 − e^{−1/(rate·τ)}.
#[derive(Debug)]
struct Meter {
    detector: Detector,
    calibration: f64,
    device_step: f64,
    reading: f64,
    every: usize,
    since: usize,
    readings: Readings,
}

#[derive(Debug)]
struct Detector {
    charge_step: f64,
    discharge: f64,
    held: f64,
}

impl Detector {
    fn new(rate: f64) -> Self {
        Self {
            charge_step: -(-1.0 / (rate * CHARGE_S)).exp_m1(),
            discharge: (-1.0 / (rate * DISCHARGE_S)).exp(),
            held: 0.0,
        }
    }

    #[inline]
    fn follow(&mut self, sample: f64) -> f64 {
        let rectified = sample.abs();
        if rectified > self.held {
            self.held += self.charge_step * (rectified - self.held);
        } else {
            self.held *= self.discharge;
        }
        self.held
    }

    /// Mean of what it holds of a steady 1 kHz sine of rms 1: settled for 0.2 s (it settles within a few charging
    /// times), then averaged over 100 periods.
    fn of_reference_sine(rate: f64) -> f64 {
        let mut detector = Self::new(rate);
        let (settle, measure) = ((0.2 * rate) as u32, (0.1 * rate) as u32);
        let mut sum = 0.0;
        for n in 0..settle + measure {
            let held = detector.follow(SQRT_2 * (TAU * (f64::from(n) * 1000.0 / rate).fract()).sin());
            if n >= settle {
                sum += held;
            }
        }
        sum / f64::from(measure)
    }
}

impl Meter {
    fn new(rate: f64, interval_s: f64) -> Self {
        let every = (interval_s * rate).round().max(1.0) as usize;
        Self {
            detector: Detector::new(rate),
            calibration: 1.0 / Detector::of_reference_sine(rate),
            device_step: -(-1.0 / (rate * READING_DEVICE_S)).exp_m1(),
            reading: 0.0,
            every,
            since: 0,
            readings: Readings {
                interval_s: every as f64 / rate,
                values: Vec::new(),
            },
        }
    }

    fn follow(&mut self, samples: &[f64]) {
        for &sample in samples {
            let held = self.detector.follow(sample);
            self.reading += self.device_step * (held - self.reading);
            self.since += 1;
            if self.since == self.every {
                self.since = 0;
                self.readings.values.push(self.reading * self.calibration);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::source::MemorySource;

    #[test]
    fn a_constant_reading_is_its_own_median() {
        let r = Readings {
            interval_s: 0.1,
            values: vec![2.0; 100],
        };
        let m = r.median_after(3.0).unwrap();
        assert!((m.value - 2.0).abs() < 1e-15 && m.u.abs() < 1e-15);
        assert!(r.median_after(9.0).is_none() && r.median_after(1e9).is_none());
    }

    #[test]
    fn what_it_cannot_take_is_refused_in_words() {
        let at = |rate, value| MemorySource::new(rate, vec![vec![value; 4000]]);
        for (source, channel) in [
            (at(4_000, 0.0), 0),
            (at(768_000, 0.0), 0),
            (at(48_000, 0.0), 1),
            (at(48_000, f64::NAN), 0),
        ] {
            assert!(readings(&source, channel).unwrap_err().next_step().is_some());
        }
    }

    #[test]
    fn an_empty_capture_has_no_readings() {
        let source = MemorySource::new(48_000, vec![vec![]]);
        assert!(readings(&source, 0).unwrap().values.is_empty());
    }
}
