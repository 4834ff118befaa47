//! The recording side of a take: from the voltages at the loads to samples.

use super::{Session, Spectrum, Stream, stream};
use crate::bench::simulated::hum::HumWave;
use crate::bench::simulated::path::AmplifierPath;
use crate::bench::simulated::resampling::Resampler;
use crate::error::Result;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Below this peak the interface's polynomial makes less than 1e-12 of full scale.
const UNDISTORTED: f64 = 2e-4;

impl Session<'_> {
    /// Through tap and input side to samples: response, crosstalk, latency.
    pub(super) fn to_samples(&self, outputs: [Spectrum; 2]) -> [Spectrum; 2] {
        let scale: Vec<f64> = (0..2).map(|c| self.sample_per_volt(c)).collect();
        let [mut left, mut right] = outputs;
        for (bin, (l, r)) in left.iter_mut().zip(&mut right).enumerate() {
            let hertz = self.hertz(bin);
            let delay = (hertz / self.rate * self.interface.latency_frames).fract();
            let path = self.interface.side_response(hertz) * Complex64::cis(-TAU * delay);
            let (a, b) = (*l * scale[0], *r * scale[1]);
            *l = (a + b * self.interface.crosstalk) * path;
            *r = (b + a * self.interface.crosstalk) * path;
        }
        [left, right]
    }

    fn sample_per_volt(&self, channel: usize) -> f64 {
        self.interface.sample_per_volt(channel, self.tap)
    }

    /// The converter: own noise, own distortion, clock, hum, full scale, rounding.
    pub(super) fn record(&self, channel: usize, mut spectrum: Spectrum, current: &[f64]) -> Result<Vec<f64>> {
        let mut random = stream(self.seed, self.take, Stream::Noise, 2 + channel);
        let sigma = (self.interface.noise_density(channel, self.tap) * self.bin_variance()).sqrt();
        if sigma > 0.0 {
            for z in spectrum.iter_mut().skip(1) {
                let (re, im) = random.normal_pair(f64::INFINITY);
                *z += Complex64::new(re, im) * sigma;
            }
        }
        if let Some(last) = spectrum.last_mut() {
            *last = Complex64::ZERO;
        }
        let mut samples = self.convert(spectrum)?;
        if let Some(path) = self.amplifier {
            self.add_hum(path, channel, current, &mut samples);
        }
        self.interface.round(&mut samples);
        Ok(samples)
    }

    /// Own distortion and the recording clock; samples of the recording's length.
    fn convert(&self, mut spectrum: Spectrum) -> Result<Vec<f64>> {
        let (second, third) = (self.interface.second, self.interface.third);
        if second.abs() + third.abs() > 0.0 {
            // Twice the rate is enough for a cubic: products of what lies below half the sample rate fold back to above it.
            let mut wave = self.doubled.inverse(spectrum.clone())?;
            let peak = 2.0 * wave.iter().fold(0.0f64, |m, v| m.max(v.abs()));
            if peak > UNDISTORTED {
                for x in &mut wave {
                    let v = 2.0 * *x;
                    *x = v * v * (second + third * v);
                }
                let products = self.doubled.forward(&wave)?;
                let last = spectrum.len().saturating_sub(1);
                for (z, product) in spectrum.iter_mut().zip(&products).take(last).skip(1) {
                    *z += product * 0.5;
                }
            }
        }
        if self.interface.clock_ppm.abs() > 0.0 {
            let doubled = self.doubled.inverse(spectrum)?;
            let resampler = Resampler::new();
            let step = 2.0 / (1.0 + self.interface.clock_ppm * 1e-6);
            #[allow(
                clippy::cast_precision_loss,
                reason = "takes are far shorter than 2^52 frames"
            )]
            return Ok((0..self.recorded)
                .map(|n| 2.0 * resampler.at(&doubled, n as f64 * step))
                .collect());
        }
        let mut samples = self.whole.inverse(spectrum)?;
        samples.truncate(self.recorded);
        Ok(samples)
    }

    fn add_hum(&self, path: &AmplifierPath, channel: usize, current: &[f64], samples: &mut [f64]) {
        let scale = self.sample_per_volt(channel);
        let mains = path.supply.mains.frequency_hz;
        let recorded = |(order, peak): (u32, Complex64)| {
            let response = self.interface.side_response(f64::from(order) * mains);
            (order, peak * response * scale)
        };
        let Some(own) = path.channels.get(channel) else {
            return;
        };
        let fixed: Vec<_> = own.hum_lines().into_iter().map(recorded).collect();
        let ripple: Vec<_> = path.ripple_lines().into_iter().map(recorded).collect();
        let (fixed, ripple) = (HumWave::new(&fixed), HumWave::new(&ripple));
        let rate = self.rate * (1.0 + self.interface.clock_ppm * 1e-6);
        let last = current.last().copied().unwrap_or(0.0);
        self.at_mains_cycles(&path.supply, rate, samples, |frame, cycles, sample| {
            let amperes = current.get(frame).copied().unwrap_or(last);
            *sample += fixed.at(cycles) + amperes * ripple.at(cycles);
        });
    }
}
