//! A sweep taken off its recording: the first orders along the sweep's own phase, fitted in short stretches.
//!
//! Within a stretch of 21 ms a sweep of a few seconds moves by a few percent, over which an amplifier's gain bends hardly;
//! the complex gain of each order is therefore a parabola in time, found by least squares beside the others. Against a
//! transfer function read through gates and put back, this leaves nothing of the gates' own leakage (0.005 dB, −64 dB of the
//! signal), which noise must not drown in.

use crate::dsp::cholesky::Cholesky;
use crate::dsp::sweep::SweepParameters;
use std::f64::consts::TAU;

/// Stretch, s.
const STRETCH_S: f64 = 0.021;

/// Orders that are taken off.
const ORDERS: u32 = 5;

/// Terms of a gain's course: constant, slope, bend.
const TERMS: usize = 3;

/// Below this frequency a stretch holds fewer than six periods, and the predictor follows the sweep by itself.
pub(super) const SLOWEST_HZ: f64 = 6.0 / STRETCH_S;

/// Takes the sweep off `x`, whose first sample is `begin_s` seconds after the sweep's start by the capture's clock.
pub(super) fn remove(x: &mut [f64], begin_s: f64, rate: f64, sweep: &SweepParameters, clock: f64) {
    let length = ((STRETCH_S * rate) as usize).max(64);
    let count = (x.len() / length).max(1);
    let each = x.len().div_ceil(count);
    for (index, part) in x.chunks_mut(each).enumerate() {
        let begin = begin_s + (index * each) as f64 / rate;
        stretch(part, begin, rate, sweep, clock);
    }
}

fn stretch(x: &mut [f64], begin_s: f64, rate: f64, sweep: &SweepParameters, clock: f64) {
    let time = |n: f64| (begin_s + n / rate) / (1.0 + clock);
    let middle = sweep.frequency_at(time(x.len() as f64 / 2.0));
    if x.len() < 64 {
        return;
    }
    let orders = (1..=ORDERS)
        .filter(|n| f64::from(*n) * middle < 0.47 * rate)
        .count();
    if orders == 0 {
        return;
    }
    let unknowns = orders * 2 * TERMS;
    let rows: Vec<Vec<f64>> = (0..x.len())
        .map(|n| {
            row(
                time(n as f64),
                n as f64 / x.len() as f64 * 2.0 - 1.0,
                orders,
                sweep,
            )
        })
        .collect();
    let mut matrix = vec![0.0; unknowns * unknowns];
    let mut right = vec![0.0; unknowns];
    for (row, v) in rows.iter().zip(x.iter()) {
        for (i, a) in row.iter().enumerate() {
            for (m, b) in matrix[i * unknowns..=i * unknowns + i].iter_mut().zip(row) {
                *m += a * b;
            }
            right[i] += a * v;
        }
    }
    let ridge = 1e-12 * x.len() as f64;
    let entry = |i: usize, j: usize| matrix[i * unknowns + j] + if i == j { ridge } else { 0.0 };
    let Some(factor) = Cholesky::new(unknowns, entry) else {
        return;
    };
    factor.solve(&mut right);
    for (row, v) in rows.iter().zip(x) {
        *v -= row.iter().zip(&right).map(|(a, b)| a * b).sum::<f64>();
    }
}

/// cos(nφ) and sin(nφ) of every order at second `t` of the sweep, each times 1, u, u².
fn row(t: f64, u: f64, orders: usize, sweep: &SweepParameters) -> Vec<f64> {
    let cycles = sweep.frequency_at(t) * sweep.rate();
    let phase = TAU * (cycles - cycles.floor());
    let mut row = Vec::with_capacity(orders * 2 * TERMS);
    for order in 1..=orders {
        let (sin, cos) = (order as f64 * phase).sin_cos();
        for wave in [cos, sin] {
            row.extend([wave, wave * u, wave * (1.5 * u * u - 0.5)]);
        }
    }
    row
}
