//! How a line's level and frequency go over the capture: (highest re lowest power, largest deviation of frequency, Hz).

use crate::take::lines::Spectrum;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// From this many stretches on their spectra tell; below, the capture is followed by quarters.
pub(super) const ENOUGH: usize = 4;

/// Periods that a quarter must hold, so that the window keeps the line's own mirror and DC out.
const PERIODS: f64 = 4.0;

/// Spread of a line over the stretches: highest re lowest power, and largest deviation of frequency from the median, Hz.
pub(super) fn over_spectra(spectra: &[Spectrum], bin: usize, rate: f64) -> (f64, f64) {
    let mut powers = Vec::new();
    let mut hz = Vec::new();
    for s in spectra {
        let reach = s.lobe();
        let range = bin.saturating_sub(reach).max(1)..(bin + reach + 1).min(s.power.len());
        let peak = range
            .max_by(|a, b| s.power[*a].total_cmp(&s.power[*b]))
            .unwrap_or(bin);
        powers.push(s.lobe_power(bin));
        hz.push(s.interpolate(peak) * rate / TAU);
    }
    hz.sort_by(f64::total_cmp);
    let median = hz[hz.len() / 2];
    let highest = powers.iter().copied().fold(0.0, f64::max);
    let lowest = powers.iter().copied().fold(f64::INFINITY, f64::min);
    let far = hz.iter().map(|f| (f - median).abs()).fold(0.0, f64::max);
    (highest / lowest.max(f64::MIN_POSITIVE), far)
}

/// Spread of a line over the quarters of a capture, each seen through a Hann window. No spread where a quarter holds too
/// few periods to say.
pub(super) fn over_quarters(x: &[f64], omega: f64, rate: f64) -> (f64, f64) {
    let length = x.len() / 4;
    if length as f64 * omega < PERIODS * TAU {
        return (1.0, 0.0);
    }
    let amplitudes: Vec<Complex64> = x
        .chunks_exact(length)
        .take(4)
        .enumerate()
        .map(|(q, part)| {
            let start = Complex64::cis(-omega * (q * length) as f64);
            let turn = Complex64::cis(-omega);
            let (mut phasor, mut sum) = (start, Complex64::new(0.0, 0.0));
            for (i, v) in part.iter().enumerate() {
                let hann = 1.0 - (TAU * (i as f64 + 0.5) / length as f64).cos();
                sum += phasor * (v * hann);
                phasor *= turn;
            }
            sum
        })
        .collect();
    let powers = amplitudes.iter().map(Complex64::norm_sqr);
    let highest = powers.clone().fold(0.0, f64::max);
    let lowest = powers.fold(f64::INFINITY, f64::min);
    // Phase that advances from quarter to quarter is a frequency beside `omega`; what differs between the steps is wander.
    let steps: Vec<f64> = amplitudes
        .windows(2)
        .map(|w| (w[1] * w[0].conj()).arg())
        .collect();
    let mean = steps.iter().sum::<f64>() / steps.len() as f64;
    let far = steps.iter().map(|s| (s - mean).abs()).fold(0.0, f64::max);
    (
        highest / lowest.max(f64::MIN_POSITIVE),
        far / TAU * rate / length as f64,
    )
}
