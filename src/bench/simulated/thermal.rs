//! What temperature does to electrons: Johnson–Nyquist noise and the thermal voltage of a junction.

/// Boltzmann's constant, J/K (exact in the SI of 2019).
pub const BOLTZMANN: f64 = 1.380_649e-23;

/// Elementary charge, C (exact in the SI of 2019).
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;

/// 0 °C in kelvin.
pub const CELSIUS_ZERO: f64 = 273.15;

/// Power density of the open-circuit noise voltage of a resistance, V²/Hz, one-sided: 4kTR (Nyquist 1928).
pub fn johnson_density(ohm: f64, kelvin: f64) -> f64 {
    4.0 * BOLTZMANN * kelvin * ohm
}

/// Thermal voltage kT/q of a junction, V.
pub fn thermal_voltage(kelvin: f64) -> f64 {
    BOLTZMANN * kelvin / ELEMENTARY_CHARGE
}
