//! Delay, clock and polarity from the phase of a transfer function.
//!
//! A delay τ turns the phase by −2πfτ; a capture clock that runs p fast turns that of an exponential sweep by
//! −2πf·p·L·ln(f/f₁); an amplifier turns it too. What the amplifier does is known from its magnitude
//! ([`super::minimum_phase`]) but for what lies outside the measured band; that acts inside the band as f, f³, f⁵ and
//! 1/f, which the fit therefore has beside delay and clock. What is left over, the excess phase, is a fraction of a
//! degree for any amplifier; a gain that changed with time while the sweep ran has changed the magnitude without its
//! phase, and shows.

use super::least_squares::least_squares;
use super::minimum_phase::minimum_phase;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Delay, clock and polarity found in a phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PhaseFit {
    /// Delay left in the transfer function, s.
    pub(super) delay_s: f64,
    /// Clock offset left in it (capture re playing clock).
    pub(super) clock: f64,
    /// Standard uncertainty of `clock`.
    pub(super) clock_u: f64,
    /// +1 or −1.
    pub(super) polarity: i8,
    /// Largest phase in mid-band that no minimum-phase network, delay, clock or noise explains, degrees.
    pub(super) excess_deg: f64,
}

/// Phase made continuous along the grid, radians.
pub(super) fn unwrap(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut out: Vec<f64> = Vec::new();
    for v in values {
        let turns = out.last().map_or(0.0, |last| ((v - last) / (2.0 * PI)).round());
        out.push(v - 2.0 * PI * turns);
    }
    out
}

/// What the phase fit looks at.
pub(super) struct PhaseData<'a> {
    /// Hz, rising.
    pub(super) frequency: &'a [f64],
    /// Transfer.
    pub(super) transfer: &'a [Complex64],
    /// Standard uncertainty of each value's modulus.
    pub(super) u: &'a [f64],
    /// L of the sweep, s.
    pub(super) rate: f64,
    /// First frequency of the sweep, Hz: where a delay is counted from.
    pub(super) from_hz: f64,
}

impl PhaseData<'_> {
    /// Fits delay and, where `with_clock`, the clock. `None` where the transfer has too few usable values.
    pub(super) fn fit(&self, with_clock: bool) -> Option<PhaseFit> {
        let used: Vec<usize> = (0..self.frequency.len())
            .filter(|&i| self.transfer[i].norm() > 0.0 && self.u[i] < 0.2 * self.transfer[i].norm())
            .collect();
        let (first, last) = (*used.first()?, *used.last()?);
        let (low, high) = (self.frequency[first], self.frequency[last]);
        if used.len() < 16 || high < 4.0 * low {
            return None;
        }
        let f: Vec<f64> = used.iter().map(|&i| self.frequency[i]).collect();
        let gain: Vec<f64> = used.iter().map(|&i| self.transfer[i].norm()).collect();
        let smooth = minimum_phase(&f, &gain);
        let excess = unwrap(used.iter().zip(&smooth).map(|(&i, m)| self.transfer[i].arg() - m));
        let phase_u: Vec<f64> = used
            .iter()
            .map(|&i| self.u[i] / self.transfer[i].norm())
            .collect();
        Basis {
            low,
            high,
            rate: self.rate,
            from_hz: self.from_hz,
            with_clock,
        }
        .solve(&f, &excess, &phase_u)
    }
}

/// The shapes that the excess phase is made of.
struct Basis {
    low: f64,
    high: f64,
    rate: f64,
    from_hz: f64,
    with_clock: bool,
}

impl Basis {
    /// Constant, delay, f³, f⁵, 1/f and, last, clock.
    fn row(&self, hz: f64) -> Vec<f64> {
        let x = hz / self.high;
        let mut row = vec![1.0, x, x.powi(3), x.powi(5), self.low / hz];
        if self.with_clock {
            row.push(x * x.ln());
        }
        row
    }

    /// Weight of a value: Bode's integral is worth about 0.3° in mid-band, and less near the ends of the band.
    fn weight(&self, hz: f64, phase_u: f64) -> f64 {
        let end = (1.5 * self.low / hz).powi(2) + (hz / (1.5 * self.high)).powi(4);
        1.0 / (phase_u.powi(2) + (0.005 + 0.05 * end).powi(2))
    }

    fn solve(&self, f: &[f64], excess: &[f64], phase_u: &[f64]) -> Option<PhaseFit> {
        let weight: Vec<f64> = f
            .iter()
            .zip(phase_u)
            .map(|(hz, u)| self.weight(*hz, *u))
            .collect();
        let rows: Vec<Vec<f64>> = f.iter().map(|&hz| self.row(hz)).collect();
        let free = least_squares(&rows, excess, &weight)?;
        // An amplifier inverts or does not: the constant is a whole number of half turns.
        let half_turns = (free.0[0] / PI).round();
        let fixed: Vec<Vec<f64>> = rows.iter().map(|r| r[1..].to_vec()).collect();
        let target: Vec<f64> = excess.iter().map(|e| e - PI * half_turns).collect();
        let (x, variance) = least_squares(&fixed, &target, &weight)?;
        let residual: Vec<f64> = fixed
            .iter()
            .zip(&target)
            .map(|(row, t)| t - row.iter().zip(&x).map(|(a, b)| a * b).sum::<f64>())
            .collect();
        let turn = -2.0 * PI * self.high;
        let clock = if self.with_clock {
            x[4] / (turn * self.rate)
        } else {
            0.0
        };
        let inside = |hz: f64| hz >= 2.0 * self.low && hz <= 0.6 * self.high;
        // What noise can do to a phase is no excess.
        let excess_deg = (1..residual.len().saturating_sub(1))
            .filter(|&i| inside(f[i]))
            .map(|i| median3(residual[i - 1], residual[i], residual[i + 1]).abs() - 3.0 * phase_u[i])
            .fold(0.0, f64::max)
            .to_degrees();
        Some(PhaseFit {
            // −2πf·p·L·ln(f/f₁) = −2πf·p·L·[ln(f/high) + ln(high/f₁)]; the second part looks like a delay.
            delay_s: x[0] / turn - clock * self.rate * (self.high / self.from_hz).ln(),
            clock,
            clock_u: if self.with_clock {
                (variance[4].sqrt() / (turn * self.rate)).abs()
            } else {
                0.0
            },
            polarity: if half_turns.rem_euclid(2.0) > 0.5 { -1 } else { 1 },
            excess_deg,
        })
    }
}

fn median3(a: f64, b: f64, c: f64) -> f64 {
    a.min(b).max(a.max(b).min(c))
}
