//! The wave that a set of mains lines makes, read off at any phase of the mains.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Points of one mains period. The 40th harmonic has 102 of them; cubic interpolation then errs by 3e-7 of its line.
const POINTS: u32 = 4096;

/// One period of hum.
#[derive(Debug, Clone)]
pub(super) struct HumWave(Vec<f64>);

impl HumWave {
    /// The wave of `lines`: (mains order, complex peak re the mains' cosine).
    pub(super) fn new(lines: &[(u32, Complex64)]) -> Self {
        let at = |point: f64| -> f64 {
            lines
                .iter()
                .map(|(order, peak)| {
                    let turn = (f64::from(*order) * point / f64::from(POINTS)).fract();
                    (peak * Complex64::cis(TAU * turn)).re
                })
                .sum()
        };
        Self((0..POINTS + 3).map(|i| at(f64::from(i) - 1.0)).collect())
    }

    /// Its value at `cycles` of the mains, in the unit of the lines.
    #[inline]
    pub(super) fn at(&self, cycles: f64) -> f64 {
        super::curve::cubic(&self.0, cycles.rem_euclid(1.0) * f64::from(POINTS))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wave_is_the_sum_of_its_lines() {
        let lines = [(1, Complex64::new(0.0, 1.0)), (40, Complex64::new(0.5, 0.0))];
        let wave = HumWave::new(&lines);
        for i in 0..1000 {
            let cycles = f64::from(i) * 0.012_345;
            let expected = -(TAU * cycles).sin() + 0.5 * (TAU * 40.0 * cycles).cos();
            assert!((wave.at(cycles) - expected).abs() < 1e-6);
        }
    }
}
