//! What temperature does to electrons: Johnson–Nyquist noise and the thermal voltage of a junction.

pub use crate::quantity::thermal::{BOLTZMANN, CELSIUS_ZERO, johnson_density};

/// Elementary charge, C (exact in the SI of 2019).
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;

/// Thermal voltage kT/q of a junction, V.
pub fn thermal_voltage(kelvin: f64) -> f64 {
    BOLTZMANN * kelvin / ELEMENTARY_CHARGE
}
