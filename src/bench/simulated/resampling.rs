//! A recording clock that does not agree with the playing clock.
//!
//! The wave, already at twice its sample rate, is read at shifted instants by a windowed sinc (Kaiser, β = 18, 40
//! points). Passing up to a quarter of the doubled rate and stopping what images there are from three quarters on, it is
//! off by less than 1e-8 of the wave's peak, −160 dB.

use super::curve::cubic;
use super::oversampling::bessel_i0;
use std::f64::consts::PI;

const HALF_POINTS: u32 = 20;
const BETA: f64 = 18.0;
/// Tabulated values of the kernel a point; cubic interpolation between them errs by 1e-12.
const STEPS: u32 = 1024;

/// The interpolating kernel as a table.
#[derive(Debug, Clone)]
pub(super) struct Resampler(Vec<f64>);

impl Resampler {
    /// Builds the table.
    pub(super) fn new() -> Self {
        let at = |x: f64| {
            let sinc = if x.abs() < 1e-12 {
                1.0
            } else {
                (PI * x).sin() / (PI * x)
            };
            let edge = x / f64::from(HALF_POINTS);
            sinc * bessel_i0(BETA * (1.0 - edge * edge).max(0.0).sqrt()) / bessel_i0(BETA)
        };
        Self(
            (0..HALF_POINTS * STEPS + 3)
                .map(|i| at((f64::from(i) - 1.0) / f64::from(STEPS)))
                .collect(),
        )
    }

    /// The wave at `position` (in points of `doubled`); silence beyond its ends.
    pub(super) fn at(&self, doubled: &[f64], position: f64) -> f64 {
        let whole = position.floor();
        #[allow(
            clippy::cast_possible_truncation,
            reason = "takes are far shorter than 2^63 points"
        )]
        let first = whole as i64 - i64::from(HALF_POINTS) + 1;
        let mut sum = 0.0;
        for k in 0..2 * HALF_POINTS {
            let index = first + i64::from(k);
            let Some(sample) = usize::try_from(index).ok().and_then(|i| doubled.get(i)) else {
                continue;
            };
            let distance = (position - whole) + f64::from(HALF_POINTS) - 1.0 - f64::from(k);
            sum += sample * cubic(&self.0, distance.abs() * f64::from(STEPS));
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_band_limited_wave_is_read_between_its_points() {
        let r = Resampler::new();
        // 0.235 cycles a point: 45 kHz at 96 kHz, doubled.
        let wave = |x: f64| (2.0 * PI * 0.235 * x + 0.3).sin();
        let points: Vec<f64> = (0..400).map(|i| wave(f64::from(i))).collect();
        let mut worst = 0.0f64;
        for i in 0..500 {
            let x = 50.0 + f64::from(i) * 0.531_7;
            worst = worst.max((r.at(&points, x) - wave(x)).abs());
        }
        assert!(worst < 1e-8, "{worst}");
    }
}
