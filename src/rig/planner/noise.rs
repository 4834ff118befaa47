//! Noise as if at the amplifier's output, and the signal-to-noise ratios it leaves room for.
//!
//! Uncorrelated noises add as squares. 0 dBFS is the rms of a full-scale sine.

use super::divider::Divider;
use super::interface::InterfaceFigures;
use crate::dsp::weighting::power_gain;
use crate::figure::{Band, Weighting};
use crate::quantity::Decibels;
use crate::rig::Loopback;
use serde::Serialize;
use std::sync::LazyLock;

/// What the bench adds, 20 Hz–20 kHz, unweighted unless a name says otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NoiseSeen {
    /// Of the resistors, V rms at the amplifier's output.
    pub thermal_v: f64,
    /// Of the interface, V rms at the amplifier's output.
    pub interface_v: f64,
    /// Both, V rms at the amplifier's output.
    pub total_v: f64,
    /// Both, A-weighted, V rms at the amplifier's output; both taken for white.
    pub total_a_v: f64,
    /// The best signal-to-noise ratio that can be read re 1 W into the rated load, dB.
    pub snr_1w_db: f64,
    /// The same A-weighted, dB.
    pub snr_1w_a_db: f64,
    /// The same re rated power, dB.
    pub snr_rated_db: f64,
    /// The same A-weighted, dB.
    pub snr_rated_a_db: f64,
}

/// Step of the integral over the A curve, Hz: it bends over hundreds of hertz, at its lower end over tens.
const STEP_HZ: f64 = 2.0;

static A_OF_WHITE: LazyLock<f64> = LazyLock::new(|| {
    let Band { low_hz, high_hz } = Band::AUDIO;
    let mut sum = 0.0;
    let mut hz = low_hz + STEP_HZ / 2.0;
    while hz < high_hz {
        sum += power_gain(Weighting::A, hz) * STEP_HZ;
        hz += STEP_HZ;
    }
    (sum / (high_hz - low_hz)).sqrt()
});

/// A-weighted rms / unweighted rms of white noise from 20 Hz to 20 kHz.
pub fn a_weighting_of_white() -> f64 {
    *A_OF_WHITE
}

/// Noise of a stored loopback between 20 Hz and 20 kHz, V rms: the density integrated over its own points
/// (trapezoids), the outermost values held to the band's edges.
pub fn of_loopback(loopback: &Loopback, full_scale_v: f64) -> f64 {
    let Band { low_hz, high_hz } = Band::AUDIO;
    let density = loopback
        .noise_dbfs_per_hz
        .iter()
        .map(|db| Decibels(*db).power_ratio());
    let inside = |(hz, _): &(f64, f64)| (low_hz..=high_hz).contains(hz);
    let mut points: Vec<(f64, f64)> = loopback
        .frequency_hz
        .iter()
        .copied()
        .zip(density)
        .filter(inside)
        .collect();
    let ends = (points.first().copied(), points.last().copied());
    if let (Some(first), Some(last)) = ends {
        points.insert(0, (low_hz, first.1));
        points.push((high_hz, last.1));
    }
    let trapezoid = |w: &[(f64, f64)]| (w[1].0 - w[0].0) * f64::midpoint(w[0].1, w[1].1);
    let share: f64 = points.windows(2).map(trapezoid).sum();
    full_scale_v * share.sqrt()
}

impl NoiseSeen {
    /// Through `divider`, or `legs` of them of which the difference is taken, for an output that gives `rated_v` and,
    /// at 1 W, `watt_v`.
    pub fn through(
        divider: &Divider,
        legs: u32,
        interface: &InterfaceFigures,
        rated_v: f64,
        watt_v: f64,
    ) -> Self {
        let sum = f64::from(legs).sqrt();
        let thermal_v = sum * divider.noise_at_top_v(Band::AUDIO);
        let interface_v = sum * interface.input_noise_v.value / divider.ratio(interface.input_ohm.value);
        let total_v = thermal_v.hypot(interface_v);
        let total_a_v = total_v * a_weighting_of_white();
        let snr = |signal: f64, noise: f64| Decibels::from_amplitude_ratio(signal / noise).0;
        Self {
            thermal_v,
            interface_v,
            total_v,
            total_a_v,
            snr_1w_db: snr(watt_v, total_v),
            snr_1w_a_db: snr(watt_v, total_a_v),
            snr_rated_db: snr(rated_v, total_v),
            snr_rated_a_db: snr(rated_v, total_a_v),
        }
    }
}
