//! Johnson–Nyquist noise of a resistance.

/// Boltzmann's constant, J/K (exact in the SI of 2019).
pub const BOLTZMANN: f64 = 1.380_649e-23;

/// 0 °C in kelvin.
pub const CELSIUS_ZERO: f64 = 273.15;

/// Power density of the open-circuit noise voltage of a resistance, V²/Hz, one-sided: 4kTR (Nyquist 1928).
pub fn johnson_density(ohm: f64, kelvin: f64) -> f64 {
    4.0 * BOLTZMANN * kelvin * ohm
}
