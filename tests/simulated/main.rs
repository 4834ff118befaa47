//! The simulated bench against physical laws, closed forms and published tables. Takes are looked at with a plain
//! Fourier sum at bin-centred frequencies: no analysis code of the crate is involved.
#![allow(
    clippy::unwrap_used,
    reason = "a test fails by panicking, also in its own functions"
)]

mod interface;
mod linear;
mod noise;
mod nonlinear;
mod unit;

use asleft::bench::simulated::amplifier::NoiseVoltage;
use asleft::bench::simulated::power_stage::LoopGain;
use asleft::bench::simulated::thermal::CELSIUS_ZERO;
use asleft::bench::simulated::{
    AmplifierModel, Fault, InterfaceModel, Recording, Side, SimulatedBench, Truth, bench_interface,
    drawn_rig, tarnbeck_60,
};
use asleft::bench::{Bench, InMemory};
use asleft::figure::{Band, Driven};
use asleft::rig::ceiling::clear;
use asleft::signal::stimulus::{Signal, Stimulus};
use asleft::signal::take::Setup;
use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2, TAU};

const RATE: u32 = 96_000;
/// One second in which every whole number of hertz is bin-centred. Tones start a second before it, so that all has
/// settled, and end half a second after it: where a tone is cut off, a band-limited system rings before the cut as well.
const WINDOW: usize = 96_000;

/// An interface that changes nothing: a sample is a volt on both sides.
fn ideal_interface() -> InterfaceModel {
    InterfaceModel {
        output_full_scale_v: [FRAC_1_SQRT_2; 2],
        output_ohm: 0.0,
        output_range_db: f64::INFINITY,
        input_full_scale_v: [FRAC_1_SQRT_2; 2],
        input_ohm: 1e12,
        input_range_db: f64::INFINITY,
        bits: None,
        second: 0.0,
        third: 0.0,
        coupling_hz: 0.0,
        bandwidth_hz: f64::INFINITY,
        latency_frames: 0.0,
        clock_ppm: 0.0,
        crosstalk: 0.0,
        taps: vec![],
        pads: vec![],
        load_ohm: [Some(8.0); 2],
        load_rating_w: 200.0,
        kelvin: 0.0,
    }
}

/// The amplifier without noise and hum.
fn silent(mut model: AmplifierModel) -> AmplifierModel {
    let none = NoiseVoltage {
        density: 0.0,
        corner_hz: 0.0,
    };
    model.kelvin = 0.0;
    model.supply.leakage = 0.0;
    for input in &mut model.inputs {
        if let Some(phono) = &mut input.phono {
            phono.noise = none;
        }
    }
    for channel in &mut model.channels {
        channel.line_noise = none;
        channel.output_noise = none;
        channel.output_hum.clear();
        channel.input_hum.clear();
    }
    model
}

/// An amplifier of which nothing is left but gain 1, a rail that does not give, and an ideal limiter.
fn bare(rail_v: f64) -> AmplifierModel {
    let mut model = silent(tarnbeck_60());
    model.modes[0].rail_v = rail_v;
    model.volume.reference_db = 0.0;
    model.supply.resistance_ohm = 0.0;
    model.supply.reservoir_f = 1e9;
    for input in &mut model.inputs {
        input.resistance_ohm = 1e15;
        input.capacitance_f = 0.0;
    }
    for channel in &mut model.channels {
        channel.gain = 1.0;
        channel.track_error = 0.0;
        channel.coupling_f = 1.0;
        channel.bandwidth_hz.clear();
        channel.crosstalk.level = 0.0;
        channel.stage.loop_gain = LoopGain {
            dc: 1e15,
            corner_hz: 1e15,
        };
        channel.stage.wiring_ohm = 0.0;
        channel.stage.inductance_h = 0.0;
        channel.stage.dropout_v = 0.0;
        channel.stage.knee_v = 0.0;
    }
    model
}

fn ideal(model: AmplifierModel) -> SimulatedBench {
    SimulatedBench::new(model, ideal_interface(), 1)
}

/// Cosines of (Hz, peak) for `seconds`.
fn cosines(tones: &[(f64, f64)], seconds: f64) -> Vec<f64> {
    let frames = (seconds * f64::from(RATE)).round() as u32;
    (0..frames)
        .map(|n| {
            let wave = |(hertz, peak): &(f64, f64)| {
                let turns = (hertz * f64::from(n) / f64::from(RATE)).fract();
                peak * (TAU * turns).cos()
            };
            tones.iter().map(wave).sum()
        })
        .collect()
}

/// Complex peak of the component at a whole number of hertz over the window that begins at `first`, phase re a cosine
/// that began at frame 0.
fn component(plane: &[f64], first: usize, hertz: f64) -> Complex64 {
    let sum: Complex64 = plane[first..first + WINDOW]
        .iter()
        .zip(first..)
        .map(|(x, n)| {
            let turns = (hertz * n as f64 / f64::from(RATE)).fract();
            Complex64::cis(-TAU * turns) * *x
        })
        .sum();
    sum * (2.0 / WINDOW as f64)
}

/// Rms of what lies in the band, by a Fourier transform of the whole plane without a window function.
fn band_rms(plane: &[f64], low_hz: f64, high_hz: f64) -> f64 {
    let bin_hz = f64::from(RATE) / plane.len() as f64;
    let sum: f64 = spectrum(plane)
        .iter()
        .enumerate()
        .filter(|(bin, _)| (low_hz..=high_hz).contains(&(*bin as f64 * bin_hz)))
        .map(|(_, z)| z.norm_sqr())
        .sum();
    (2.0 * sum).sqrt() / plane.len() as f64
}

fn spectrum(plane: &[f64]) -> Vec<Complex64> {
    let fft = RealFftPlanner::new().plan_fft_forward(plane.len());
    let mut out = fft.make_output_vec();
    fft.process(&mut plane.to_vec(), &mut out).unwrap();
    out
}

fn play(bench: &mut SimulatedBench, drive: &[Vec<f64>], setup: &Setup) -> Recording {
    bench.run(drive, RATE, setup).unwrap()
}

fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

fn truth(bench: &SimulatedBench, setup: &Setup) -> Truth {
    bench.truth(setup).unwrap()
}
