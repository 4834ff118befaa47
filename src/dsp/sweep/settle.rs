//! The first order next to the start of the sweep, where its gate has spectrum on one side only.
//!
//! A one-sided average of a sloping response is shifted along the slope. So the sloping response itself is used as a
//! model: what the gate makes of the sweep times the model, compared with what it makes of the capture, says how far
//! the model is off at this point, now without the slope. Three rounds bring a tenth of a decibel to a thousandth.

use super::gate::{Gate, Spectra};
use rustfft::num_complex::Complex64;

/// Rounds of the correction.
const ROUNDS: usize = 3;

/// A transfer function between and a little beyond its points.
struct Model<'a> {
    frequency: &'a [f64],
    /// ln of the transfer, its imaginary part continuous.
    logarithm: Vec<Complex64>,
}

impl<'a> Model<'a> {
    fn of(frequency: &'a [f64], transfer: &[Complex64]) -> Self {
        let phase = super::phase::unwrap(transfer.iter().map(|h| h.arg()));
        let logarithm = transfer
            .iter()
            .zip(phase)
            .map(|(h, p)| Complex64::new(h.norm().ln(), p))
            .collect();
        Self { frequency, logarithm }
    }

    /// On straight lines of ln H over ln f; the first and the last line go on.
    fn at(&self, hz: f64) -> Complex64 {
        let last = self.frequency.len() - 1;
        let i = self.frequency.partition_point(|f| *f < hz).clamp(1, last);
        let (f0, f1) = (self.frequency[i - 1], self.frequency[i]);
        let share = (hz / f0).ln() / (f1 / f0).ln();
        (self.logarithm[i - 1] * (1.0 - share) + self.logarithm[i] * share).exp()
    }
}

/// Corrects `transfer` of one channel (the only captured one of `spectra`) below `settled_hz`. `gate` is that of the
/// first order at a frequency. Left alone where noise is more than a twentieth of the transfer.
pub(super) fn settle(
    spectra: &Spectra<'_>,
    gate: impl Fn(f64) -> Gate,
    frequency: &[f64],
    transfer: &mut [Complex64],
    u: &[f64],
    settled_hz: f64,
) {
    let unsettled = frequency.partition_point(|f| *f < settled_hz);
    // The gates below reach about as far above.
    let modelled = frequency.partition_point(|f| *f < 3.0 * settled_hz);
    let clean = |(h, u): (&Complex64, &f64)| h.norm() > 0.0 && *u < 0.05 * h.norm();
    if modelled < 2 || !transfer[..modelled].iter().zip(u).all(clean) {
        return;
    }
    for _ in 0..ROUNDS {
        let model = Model::of(&frequency[..modelled], &transfer[..modelled]);
        let corrected: Vec<Complex64> = frequency[..unsettled]
            .iter()
            .map(|hz| spectra.against(gate(*hz), *hz, &|f| model.at(f)) * model.at(*hz))
            .collect();
        transfer[..unsettled].copy_from_slice(&corrected);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_power_law_is_followed_beyond_its_points() {
        let f = [10.0, 20.0, 40.0];
        let h: Vec<Complex64> = f
            .iter()
            .map(|f| Complex64::from_polar(f * f, -0.01 * f))
            .collect();
        let model = Model::of(&f, &h);
        assert!((model.at(5.0).norm() - 25.0).abs() < 1e-9 && (model.at(80.0).norm() - 6400.0).abs() < 1e-6);
    }
}
