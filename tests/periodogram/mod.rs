//! A direct averaged periodogram and reproducible noise for tests: short, and independent of the crate's own spectra.

#![allow(dead_code, reason = "each test binary uses its own part of this")]

use asleft::dsp::spectrum::PowerSpectrum;
use asleft::dsp::window::Window;

/// SplitMix64 (Steele, Lea and Flood 2014); the fixture script has the same, so both sides see the same samples.
pub(crate) struct SplitMix(pub(crate) u64);

impl SplitMix {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in [−1, 1).
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 * (2f64.powi(-53) * 2.0) - 1.0
    }

    /// Normal, unit variance (Box and Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let u = (self.uniform() + 1.0) / 2.0;
        let v = self.uniform();
        (-2.0 * (1.0 - u).ln()).sqrt() * (std::f64::consts::PI * v).cos()
    }

    pub(crate) fn white(&mut self, frames: usize, rms: f64) -> Vec<f64> {
        (0..frames).map(|_| rms * self.normal()).collect()
    }
}

/// One-sided density of one stretch: |FFT|² scaled so that the bins add up to the mean square under the window.
fn one(stretch: &[f64], window: Option<&[f64]>, bin_hz: f64) -> Vec<f64> {
    let n = stretch.len();
    let mut samples: Vec<f64> = match window {
        Some(w) => stretch.iter().zip(w).map(|(x, w)| x * w).collect(),
        None => stretch.to_vec(),
    };
    let squares = window.map_or(n as f64, |w| w.iter().map(|w| w * w).sum());
    let plan = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(n);
    let mut bins = plan.make_output_vec();
    plan.process(&mut samples, &mut bins).unwrap();
    let last = bins.len() - 1;
    bins.iter()
        .enumerate()
        .map(|(i, b)| {
            let sides = if i == 0 || (i == last && n.is_multiple_of(2)) {
                1.0
            } else {
                2.0
            };
            sides * b.norm_sqr() / (n as f64 * squares) / bin_hz
        })
        .collect()
}

/// The whole of `samples` at once, without a window.
pub(crate) fn whole(samples: &[f64], rate: f64) -> PowerSpectrum {
    let bin_hz = rate / samples.len() as f64;
    PowerSpectrum {
        bin_hz,
        density: one(samples, None, bin_hz),
        line_width_bins: 1.0,
        averages: 1.0,
        segments: Vec::new(),
    }
}

fn mean(of: &[Vec<f64>]) -> Vec<f64> {
    let mut sum = vec![0.0; of[0].len()];
    for density in of {
        for (s, d) in sum.iter_mut().zip(density) {
            *s += d / of.len() as f64;
        }
    }
    sum
}

/// Welch's method: `length` samples a stretch, half overlapped, in up to 16 segments where there are as many stretches.
pub(crate) fn welch(samples: &[f64], rate: f64, window: Window, length: usize) -> PowerSpectrum {
    let w = window.samples(length);
    let bin_hz = rate / length as f64;
    let stretches: Vec<Vec<f64>> = (0..)
        .map(|k| k * length / 2)
        .take_while(|start| start + length <= samples.len())
        .map(|start| one(&samples[start..start + length], Some(&w), bin_hz))
        .collect();
    let count = stretches.len();
    // Half-overlapped Hann stretches are correlated by (1/6)²: 1/(1 + 2/36).
    let averages = if count > 1 {
        count as f64 / (1.0 + 2.0 / 36.0)
    } else {
        1.0
    };
    let a_segment = count / 16;
    PowerSpectrum {
        bin_hz,
        density: mean(&stretches),
        line_width_bins: window.nenbw(),
        averages,
        segments: if a_segment > 0 {
            stretches.chunks_exact(a_segment).take(16).map(mean).collect()
        } else {
            Vec::new()
        },
    }
}

pub(crate) fn sine(frames: usize, rate: f64, hz: f64, peak: f64) -> Vec<f64> {
    (0..frames)
        .map(|n| {
            let periods = (n as f64 * hz / rate).fract();
            peak * (std::f64::consts::TAU * periods).sin()
        })
        .collect()
}
