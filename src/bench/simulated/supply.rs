//! Mains and power supply: rails that sag and ripple, and the phase of the mains.
//!
//! One reservoir a rail serves both channels. Between two charging pulses, at twice the mains frequency, it loses
//! I·t/C; its mean falls by the mean current times the resistance of transformer and rectifier. Only the mean current
//! over [`Supply::settling_s`] counts: what the rail does within one period of a tone is left out, so that below about
//! 30 Hz clipping is simulated a little too kindly (the ripple at 2f of a 20 Hz tone would add 3 % of the sag).

use std::f64::consts::{PI, TAU};

/// Transformer, rectifier and reservoirs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Supply {
    /// Resistance of transformer, rectifier and reservoir as the mean current sees it, Ω.
    pub resistance_ohm: f64,
    /// Reservoir of one rail, F.
    pub reservoir_f: f64,
    /// Time constant of the sag, s.
    pub settling_s: f64,
    /// Fraction of each half period of the mains in which the reservoir is charged.
    pub charging: f64,
    /// How much of the ripple reaches the output, V/V.
    pub leakage: f64,
    /// Mains.
    pub mains: Mains,
}

impl Supply {
    /// Ripple of a rail, V peak to peak, at a mean current: the charge drawn between two charging pulses over C.
    pub fn ripple_v(&self, current_a: f64) -> f64 {
        current_a * (1.0 - self.charging) / (2.0 * self.mains.frequency_hz * self.reservoir_f)
    }

    /// How far the rail is below its charged value at `cycles` of the mains: 0…1 of the ripple. It falls while
    /// discharging and rises while charging, both in straight lines.
    pub fn ripple_shape(&self, cycles: f64) -> f64 {
        let x = (2.0 * cycles).rem_euclid(1.0);
        let discharging = 1.0 - self.charging;
        if x < discharging {
            x / discharging
        } else {
            (1.0 - x) / self.charging
        }
    }

    /// Peak of the `order`-th mains harmonic of that shape, V per volt of ripple: a triangle with its corner at the
    /// discharging fraction has lines |sin(πnd)|/(π²n²d(1 − d)) at even mains orders 2n.
    pub fn ripple_line(&self, order: u32) -> f64 {
        if order == 0 || !order.is_multiple_of(2) {
            return 0.0;
        }
        let n = f64::from(order / 2);
        let d = self.charging;
        (PI * n * d).sin().abs() / (PI * PI * n * n * d * (1.0 - d))
    }
}

/// The mains, with the slow wander that a real grid has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mains {
    /// Mean frequency, Hz.
    pub frequency_hz: f64,
    /// Largest deviation, Hz; 0.02 is ordinary, 0 switches the wander off.
    pub wander_hz: f64,
}

/// Periods of the two slow sines that the wander is made of, s; incommensurate.
const WANDER_S: [f64; 2] = [11.3, 7.9];

impl Mains {
    /// Cycles since the start of a take, with the phases that the take began at (each 0…1).
    pub fn cycles(&self, seconds: f64, start: [f64; 3]) -> f64 {
        let [phase, rest @ ..] = start;
        let wander: f64 = WANDER_S
            .iter()
            .zip(rest)
            .map(|(period, p)| period / TAU * ((TAU * p).cos() - (TAU * (seconds / period + p)).cos()))
            .sum();
        phase + self.frequency_hz * seconds + 0.5 * self.wander_hz * wander
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn supply() -> Supply {
        Supply {
            resistance_ohm: 1.0,
            reservoir_f: 10e-3,
            settling_s: 0.1,
            charging: 0.0,
            leakage: 1e-4,
            mains: Mains {
                frequency_hz: 50.0,
                wander_hz: 0.02,
            },
        }
    }

    #[test]
    fn ripple_is_charge_over_capacitance() {
        // reference-values §10: 1 A from 10 mF gives 1.0 V at 50 Hz, 0.833 V at 60 Hz.
        let mut s = supply();
        assert!((s.ripple_v(1.0) - 1.0).abs() < 1e-12);
        s.mains.frequency_hz = 60.0;
        assert!((s.ripple_v(1.0) - 0.8333).abs() < 1e-4);
    }

    #[test]
    fn lines_of_the_ripple_are_those_of_its_shape() {
        let s = Supply {
            charging: 0.15,
            ..supply()
        };
        let n = 4800;
        for order in [2u32, 4, 6, 14] {
            let (mut re, mut im) = (0.0, 0.0);
            for i in 0..n {
                let cycles = f64::from(i) / f64::from(n);
                let (sin, cos) = (TAU * f64::from(order) * cycles).sin_cos();
                re += s.ripple_shape(cycles) * cos;
                im += s.ripple_shape(cycles) * sin;
            }
            let peak = 2.0 * f64::hypot(re, im) / f64::from(n);
            // Sampling a kinked wave: aliases of order (n/2/harmonic)⁻².
            assert!((peak - s.ripple_line(order)).abs() < 1e-5, "{order}");
        }
        assert!(s.ripple_line(3).abs() < 1e-15);
    }

    #[test]
    fn the_wander_stays_within_its_limit() {
        let mains = supply().mains;
        for i in 0..2000 {
            let t = f64::from(i) * 0.05;
            let hz = (mains.cycles(t + 1e-3, [0.1, 0.2, 0.7]) - mains.cycles(t, [0.1, 0.2, 0.7])) / 1e-3;
            assert!((hz - 50.0).abs() < 0.0201);
        }
    }
}
