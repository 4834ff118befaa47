//! A worn contact: a film whose resistance falls as the current through it grows.
//!
//! v(i) = R·I·asinh(i/I): R at small currents, logarithmic far above the knee I, the law of conduction through a thin
//! barrier. It is odd, so that its products are of odd order and mainly the third: −R·i³/(6I²).

/// A series contact with a film on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contact {
    /// Resistance at small currents, Ω.
    pub resistance_ohm: f64,
    /// Current at which the film begins to conduct better, A.
    pub knee_a: f64,
}

impl Contact {
    /// Voltage across the contact, V.
    pub fn voltage_v(&self, current_a: f64) -> f64 {
        self.resistance_ohm * self.knee_a * (current_a / self.knee_a).asinh()
    }

    /// Differential resistance, Ω.
    fn slope_ohm(&self, current_a: f64) -> f64 {
        self.resistance_ohm / (current_a / self.knee_a).hypot(1.0)
    }

    /// Current that `volts` drives through this contact in series with `ohm`, A.
    pub fn current_a(&self, volts: f64, ohm: f64) -> f64 {
        // i·R + v(i) is concave for i > 0 and volts/(R + R₀) lies left of the root: Newton's steps stay on one side.
        let target = volts.abs();
        let mut i = target / (ohm + self.resistance_ohm);
        for _ in 0..40 {
            let step = (target - i * ohm - self.voltage_v(i)) / (ohm + self.slope_ohm(i));
            i += step;
            if step.abs() <= 1e-15 * (1.0 + i) {
                break;
            }
        }
        i.copysign(volts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn current_and_voltage_obey_kirchhoff() {
        let contact = Contact {
            resistance_ohm: 0.2,
            knee_a: 0.3,
        };
        for volts in [-40.0, -1.0, 1e-6, 0.1, 3.0, 30.0] {
            let i = contact.current_a(volts, 8.0);
            assert!((i * 8.0 + contact.voltage_v(i) - volts).abs() < 1e-13 * volts.abs().max(1.0));
        }
    }
}
