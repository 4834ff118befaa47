//! Sine bursts of whole periods, each from one zero crossing to another.

use super::oscillator::Oscillator;

/// A sine switched on for a whole number of periods, again and again, each time at phase 0 on a frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bursts {
    sine: Oscillator,
    /// Frames that sound in one burst.
    on: u64,
    /// Frames from one start to the next.
    every: u64,
    /// Frames of the whole signal.
    frames: u64,
}

impl Bursts {
    /// Bursts of the whole number of periods nearest to `on_s`, `every` frames apart, in a signal of `frames` frames.
    /// A burst that would not end inside the signal is left out.
    pub(super) fn new(frequency_hz: f64, sample_rate_hz: u32, on_s: f64, every: u64, frames: u64) -> Self {
        let periods = (on_s * frequency_hz).round().max(1.0);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a positive length that was checked to fit into the signal"
        )]
        let on = (periods * f64::from(sample_rate_hz) / frequency_hz).ceil() as u64;
        Self {
            sine: Oscillator::new(frequency_hz, sample_rate_hz, 0.0),
            on,
            // Bursts may touch, never overlap.
            every: every.max(on).max(1),
            frames,
        }
    }

    /// The sample of frame `n`, −1…1.
    pub(super) fn sample(&self, n: u64) -> f64 {
        let within = n % self.every;
        let start = n - within;
        if within < self.on && start + self.on <= self.frames {
            self.sine.sine(within)
        } else {
            0.0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twenty_milliseconds_of_1_khz_in_half_a_second() {
        // IHF/EIA dynamic headroom burst: 20 ms = 20 periods of 1 kHz = 960 frames at 48 kHz, every 24 000.
        let bursts = Bursts::new(1000.0, 48_000, 0.020, 24_000, 48_000);
        let samples: Vec<f64> = (0..48_000).map(|n| bursts.sample(n)).collect();
        for start in [0, 24_000] {
            let energy: f64 = samples[start..start + 960].iter().map(|x| x * x).sum();
            // Whole periods of a sine have mean square ½ exactly.
            assert!((energy - 480.0).abs() < 1e-9);
            let sum: f64 = samples[start..start + 960].iter().sum();
            assert!(sum.abs() < 1e-9);
            assert!(samples[start + 960..start + 24_000].iter().all(|x| *x == 0.0));
        }
    }

    #[test]
    fn an_unfinished_burst_is_left_out() {
        let bursts = Bursts::new(1000.0, 48_000, 0.020, 24_000, 24_500);
        assert!((24_000..24_500).all(|n| bursts.sample(n) == 0.0));
    }
}
