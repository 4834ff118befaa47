//! The complementary pair of emitter followers at the output: an ideal exponential junction in series with a resistance,
//! twice.
//!
//! With i = i₁ − i₂ the load current and a fixed bias voltage between the bases, both devices obey
//! V_T·ln(i₁·i₂/I²) + R·(i₁ + i₂ − 2I) = 0, I being the idle current and R the emitter resistor plus the device's own
//! resistance. The voltage lost in the upper device, re idle, is e(i) = V_T·ln(i₁/I) + R·(i₁ − I). Its slope at i = 0
//! is ½(V_T/I + R), far away it is R: they agree, and crossover distortion is least, near I·R = V_T
//! (B. M. Oliver, 1971).

/// The pair at one temperature and bias.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutputPair {
    /// Idle current, A.
    pub idle_a: f64,
    /// Emitter resistor plus internal resistance of one device, Ω.
    pub resistance_ohm: f64,
    /// Thermal voltage of the junctions, V.
    pub thermal_v: f64,
}

impl OutputPair {
    /// Current of the device that the load current drives towards cut-off, A, for a load current `load_a` ≥ 0.
    fn minor_current(&self, load_a: f64) -> f64 {
        // Solved for w = ln(i₂/I): the equation rises and is convex in w, and w = 0 lies right of its root, so that
        // Newton's steps come down to the root without ever passing it.
        let (r, vt, idle) = (self.resistance_ohm, self.thermal_v, self.idle_a);
        let x = load_a / idle;
        let mut w = 0.0f64;
        for _ in 0..60 {
            let n = w.exp();
            let value = vt * (w + (n + x).ln()) + r * idle * (2.0 * n + x - 2.0);
            let slope = vt * (1.0 + n / (n + x)) + 2.0 * r * idle * n;
            let step = value / slope;
            w -= step;
            if step.abs() < 1e-14 * (1.0 + w.abs()) {
                break;
            }
        }
        idle * w.exp()
    }

    /// Voltage lost between bases and emitters' output re idle, V, at a load current of `load_a`; odd.
    pub fn drop_v(&self, load_a: f64) -> f64 {
        let minor = self.minor_current(load_a.abs());
        // Through the minor device, where no digits cancel: e = −V_T·ln(i₂/I) − R·(i₂ − I).
        let drop = -self.thermal_v * (minor / self.idle_a).ln() - self.resistance_ohm * (minor - self.idle_a);
        drop.copysign(load_a)
    }

    /// Slope of [`Self::drop_v`] at no current, Ω.
    pub fn idle_resistance_ohm(&self) -> f64 {
        0.5 * (self.thermal_v / self.idle_a + self.resistance_ohm)
    }

    /// Mean of both devices' currents, A: what each supply rail delivers on average over a symmetrical wave.
    ///
    /// √(i² + 4I²)/2, exact for R = 0.
    pub fn rail_current_a(&self, load_a: f64) -> f64 {
        0.5 * load_a.hypot(2.0 * self.idle_a)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(idle_mv: f64) -> OutputPair {
        let r = 0.22;
        OutputPair {
            idle_a: idle_mv * 1e-3 / r,
            resistance_ohm: r,
            thermal_v: 25.852e-3,
        }
    }

    #[test]
    fn both_devices_obey_kirchhoff() {
        // The defining equation, put the other way round: the drop through the upper device equals that through the lower.
        for mv in [0.5, 5.0, 26.0, 200.0] {
            let p = pair(mv);
            for i in [1e-6, 1e-3, 0.05, 0.5, 4.0] {
                let minor = p.minor_current(i);
                let major = minor + i;
                let upper = p.thermal_v * (major / p.idle_a).ln() + p.resistance_ohm * (major - p.idle_a);
                assert!((upper - p.drop_v(i)).abs() < 1e-12, "{mv} mV, {i} A");
                assert!((p.drop_v(-i) + p.drop_v(i)).abs() < 1e-18);
            }
        }
    }

    #[test]
    fn resistance_at_no_current_is_that_of_the_published_check() {
        // reference-values §9: r_out(0)/R_E = 0.9972 at 26 mV, 1.363 (printed to 4 digits: ½(25.852/15 + 1) = 1.3617)
        // at 15 mV, 0.823 at 40 mV, for V_T = 25.852 mV. Half a unit of the last digit, 0.002 for 15 mV.
        for (mv, ratio, tolerance) in [(26.0, 0.9972, 6e-5), (15.0, 1.363, 2e-3), (40.0, 0.823, 6e-4)] {
            let p = pair(mv);
            let h = 1e-6;
            let slope = (p.drop_v(h) - p.drop_v(-h)) / (2.0 * h);
            assert!(
                (slope / 0.22 - ratio).abs() < tolerance,
                "{mv} mV: {}",
                slope / 0.22
            );
            assert!((slope - p.idle_resistance_ohm()).abs() < 1e-6);
        }
    }
}
