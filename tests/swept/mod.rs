//! Captures of sweeps and closed-form devices for the tests.
//!
//! Written from the published form of the sweep (Novak, Lotton and Simon, JAES 63(10), 2015), not by the program's own
//! synthesis. Samples are exact values of the continuous signal at the capture's instants, so fractions of a sample
//! and clock offsets need no interpolation.
#![allow(dead_code, reason = "each test file uses its own part")]

use asleft::dsp::sweep::SweepParameters;
use std::f64::consts::PI;

/// A full-scale sweep with 10 ms fades after 0.2 s of silence.
pub(crate) fn parameters(from_hz: f64, to_hz: f64, seconds: f64, sample_rate_hz: u32) -> SweepParameters {
    SweepParameters {
        from_hz,
        to_hz,
        seconds,
        level_dbfs: 0.0,
        fade_s: 0.01,
        lead_in_s: 0.2,
        sample_rate_hz,
    }
}

/// The short sweep of most tests: 10 Hz to 21.5 kHz in 2 s at 48 kHz.
pub(crate) fn short() -> SweepParameters {
    parameters(10.0, 21_500.0, 2.0, 48_000)
}

/// The sweep at second `t` after its start, amplitude 1, faded; 0 outside.
pub(crate) fn sweep_at(p: &SweepParameters, t: f64) -> f64 {
    if t < 0.0 || t > p.seconds {
        return 0.0;
    }
    let l = p.seconds / (p.to_hz / p.from_hz).ln();
    let edge = t.min(p.seconds - t) / p.fade_s;
    let w = if edge < 1.0 {
        0.5 - 0.5 * (PI * edge).cos()
    } else {
        1.0
    };
    w * (2.0 * PI * p.from_hz * l * (t / l).exp()).sin()
}

/// A capture of the sweep and 0.7 s of silence, in which the stimulus starts at `delay`, by a clock `ppm` fast.
pub(crate) fn capture(p: &SweepParameters, delay: f64, ppm: f64) -> Vec<f64> {
    let rate = f64::from(p.sample_rate_hz);
    let frames = ((p.seconds + 0.7) * rate).round() as usize;
    (0..frames)
        .map(|k| sweep_at(p, (k as f64 / rate - delay - p.lead_in_s) / (1.0 + ppm * 1e-6)))
        .collect()
}

/// First-order low-pass by the bilinear transform. Its exact response at f is 1/(1 + j·r), r = tan(πf/fs)/tan(πfc/fs).
pub(crate) fn low_pass(x: &[f64], corner_hz: f64, rate: f64) -> Vec<f64> {
    let g = (PI * corner_hz / rate).tan();
    let mut state = 0.0;
    x.iter()
        .map(|v| {
            let y = (g * v + state) / (1.0 + g);
            state = g * (v - y) + y;
            y
        })
        .collect()
}

/// First-order high-pass by the bilinear transform: 1/(1 − j/r) with the r of [`low_pass`].
pub(crate) fn high_pass(x: &[f64], corner_hz: f64, rate: f64) -> Vec<f64> {
    low_pass(x, corner_hz, rate)
        .iter()
        .zip(x)
        .map(|(l, v)| v - l)
        .collect()
}

/// The r of [`low_pass`].
pub(crate) fn warped(hz: f64, corner_hz: f64, rate: f64) -> f64 {
    (PI * hz / rate).tan() / (PI * corner_hz / rate).tan()
}

/// Nearly normal noise (twelve uniforms), reproducible.
pub(crate) fn noise(n: usize, rms: f64, start: u64) -> Vec<f64> {
    let mut s = start.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut uniform = move || {
        s ^= s << 13;
        s ^= s >> 7;
        s ^= s << 17;
        (s >> 11) as f64 / (1u64 << 53) as f64
    };
    (0..n)
        .map(|_| rms * ((0..12).map(|_| uniform()).sum::<f64>() - 6.0))
        .collect()
}

/// 20 lg.
pub(crate) fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Difference of two angles in degrees, between −180 and 180.
pub(crate) fn apart(a: f64, b: f64) -> f64 {
    (a - b + 180.0).rem_euclid(360.0) - 180.0
}
