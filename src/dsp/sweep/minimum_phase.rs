//! The phase of a minimum-phase network, from its magnitude.
//!
//! φ(f₀) = (1/π) ∫ d ln|H| / d ln f · ln coth(|ln f/f₀| / 2) d ln f
//!
//! (Bode, Network Analysis and Feedback Amplifier Design, 1945, ch. XIV). Outside the measured band the magnitude is
//! continued as its last octave lets expect; what lies beyond cannot be known, and acts inside like a delay.

use super::least_squares::least_squares;
use std::f64::consts::{LN_2, PI};

/// Phase of the minimum-phase network of this magnitude, radians, one value a frequency.
pub(super) fn minimum_phase(frequency: &[f64], gain: &[f64]) -> Vec<f64> {
    if frequency.len() < 2 {
        return vec![0.0; frequency.len()];
    }
    let points = continued(frequency, gain);
    frequency
        .iter()
        .map(|f| {
            let centre = f.ln();
            let signed = |u: f64| {
                let x = u - centre;
                bode_weight(x.abs()).copysign(x)
            };
            let mut sum = 0.0;
            let mut before = signed(points[0].0);
            for pair in points.windows(2) {
                let after = signed(pair[1].0);
                sum += (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0) * (after - before);
                before = after;
            }
            sum / PI
        })
        .collect()
}

/// ∫₀ˣ ln coth(t/2) dt, x ≥ 0.
fn bode_weight(x: f64) -> f64 {
    if x < 0.7 {
        if x <= 0.0 {
            return 0.0;
        }
        let x2 = x * x;
        // ln coth(t/2) = −ln(t/2) + t²/12 − 7t⁴/1440 + 31t⁶/90720 − …
        return x
            * (1.0 - (x / 2.0).ln() + x2 / 36.0 - 7.0 * x2 * x2 / 7200.0 + 31.0 * x2.powi(3) / 635_040.0);
    }
    // ln coth(t/2) = 2 Σ e^{−kt}/k over odd k.
    let tail: f64 = (0..20)
        .map(|i| {
            let k = f64::from(2 * i + 1);
            (-k * x).exp() / (k * k)
        })
        .sum();
    PI * PI / 4.0 - 2.0 * tail
}

/// A magnitude, continued outside the measured band: ln f and ln |H|, both rising in ln f.
fn continued(frequency: &[f64], gain: &[f64]) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = Vec::with_capacity(frequency.len() + 120);
    let low = End::of(frequency, gain, false);
    let high = End::of(frequency, gain, true);
    // Sixth octaves over ten octaves either side; farther out the integral's weight is below 1e-3.
    points.extend((1..=60).rev().map(|i| low.at(f64::from(i) / 6.0)));
    points.extend(frequency.iter().zip(gain).map(|(f, h)| (f.ln(), h.ln())));
    points.extend((1..=60).map(|i| high.at(f64::from(i) / 6.0)));
    points
}

/// The continuation at one end: 1/|H|² = a + b·r² + c/r², r the frequency ratio re the edge, growing away from the band.
///
/// b is a first-order network yet to come, c the foot of a hump inside the band; the last octave tells them apart.
struct End {
    edge_ln_f: f64,
    edge_ln_h: f64,
    direction: f64,
    shape: Shape,
}

enum Shape {
    /// a, b and c.
    Gentle(f64, f64, f64),
    /// Slope d ln|H| / d ln r of an end that falls faster than first order.
    Steep(f64),
}

/// Slope from which an end is taken as falling faster than first order.
const STEEP: f64 = -1.2;

impl End {
    fn of(frequency: &[f64], gain: &[f64], high: bool) -> Self {
        let direction: f64 = if high { 1.0 } else { -1.0 };
        let edge = if high { frequency.len() - 1 } else { 0 };
        let octave: Vec<(f64, f64)> = frequency
            .iter()
            .zip(gain)
            .map(|(f, h)| (direction * (f / frequency[edge]).ln(), *h))
            .filter(|(ln_r, _)| *ln_r >= -1.01 * LN_2)
            .collect();
        Self {
            edge_ln_f: frequency[edge].ln(),
            edge_ln_h: gain[edge].ln(),
            direction,
            shape: Shape::of(&octave),
        }
    }

    /// The point `octaves` outside the edge.
    fn at(&self, octaves: f64) -> (f64, f64) {
        let away = octaves * LN_2;
        let fall = match self.shape {
            Shape::Steep(slope) => slope * away,
            Shape::Gentle(a, b, c) => {
                let r2 = (2.0 * away).exp();
                -0.5 * ((a + b * r2 + c / r2) / (a + b + c)).ln()
            }
        };
        (self.edge_ln_f + self.direction * away, self.edge_ln_h + fall)
    }
}

impl Shape {
    /// From the points (ln r, |H|) of the last octave.
    fn of(octave: &[(f64, f64)]) -> Self {
        let flat = Self::Gentle(1.0, 0.0, 0.0);
        let weight = vec![1.0; octave.len()];
        let line: Vec<Vec<f64>> = octave.iter().map(|(ln_r, _)| vec![1.0, *ln_r]).collect();
        let ln_h: Vec<f64> = octave.iter().map(|(_, h)| h.ln()).collect();
        // Second half of the octave only: the slope that counts is the one at the edge.
        let half = octave.iter().filter(|(ln_r, _)| *ln_r < -0.5 * LN_2).count();
        let (near, away) = (octave.len() - half, octave.len());
        if near < 3 || away < 8 {
            return flat;
        }
        let outer = |v: &[f64]| {
            v.iter()
                .zip(octave)
                .filter(|(_, o)| o.0 >= -0.5 * LN_2)
                .map(|(x, _)| *x)
                .collect::<Vec<_>>()
        };
        let rows: Vec<Vec<f64>> = line.iter().filter(|row| row[1] >= -0.5 * LN_2).cloned().collect();
        if let Some((slope, _)) = least_squares(&rows, &outer(&ln_h), &weight[..rows.len()])
            && slope[1] < STEEP
        {
            return Self::Steep(slope[1]);
        }
        let inverse: Vec<f64> = octave.iter().map(|(_, h)| h.powi(-2)).collect();
        let rows: Vec<Vec<f64>> = octave
            .iter()
            .map(|(ln_r, _)| vec![1.0, (2.0 * ln_r).exp(), (-2.0 * ln_r).exp()])
            .collect();
        let Some((x, variance)) = least_squares(&rows, &inverse, &weight) else {
            return flat;
        };
        let (a, b, c) = (x[0], x[1], x[2]);
        // A rise is not continued, nor a fall that noise may have made.
        let b_told = b > 2.0 * variance[1].sqrt();
        let (a, b) = if b_told { (a, b) } else { (a + b, 0.0) };
        let stays_positive = (0..=20).all(|i| {
            let r2 = f64::from(i).exp2();
            a + b * r2 + c / r2 > 0.0
        });
        if stays_positive {
            Self::Gentle(a, b, c)
        } else {
            flat
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bode_weight_joins_and_ends_at_pi_squared_over_4() {
        // ∫₀^∞ ln coth(t/2) dt = π²/4 (twice Σ 1/k² over odd k); the two expansions meet at 0.7,
        // where the first term left out of the small one is 127·2/18900·(x/2)⁸·x/9 ≈ 1.6e-7 at most.
        assert!((bode_weight(60.0) - PI * PI / 4.0).abs() < 1e-14);
        assert!((bode_weight(0.7 - 1e-12) - bode_weight(0.7 + 1e-12)).abs() < 2e-7);
    }

    #[test]
    fn minimum_phase_of_a_first_order_low_pass() {
        // H = 1/(1 + jf/fc) with fc = 10 kHz: phase −atan(f/fc). Tolerance 0.2°: twelfth-octave grid, first-order
        // continuation is exact here.
        let f: Vec<f64> = (0..120).map(|i| 20.0 * (f64::from(i) / 12.0).exp2()).collect();
        let gain: Vec<f64> = f
            .iter()
            .map(|f| (1.0 + (f / 1e4).powi(2)).sqrt().recip())
            .collect();
        for (f, phase) in f.iter().zip(minimum_phase(&f, &gain)) {
            let expected = -(f / 1e4).atan().to_degrees();
            assert!(
                (phase.to_degrees() - expected).abs() < 0.2,
                "{f} Hz: {}",
                phase.to_degrees()
            );
        }
    }
}
