//! A resistive divider with what hangs on its tap: arithmetic only.
//!
//! Ohm and Kirchhoff for voltages and dissipation; Johnson (1928) and Nyquist (1928) for the noise; a single pole
//! 1/(2πRC) for the cable. The input's resistance may be infinite: nothing connected.

use crate::figure::Band;
use crate::quantity::thermal::{CELSIUS_ZERO, johnson_density};
use serde::Serialize;
use std::f64::consts::TAU;

/// Temperature of the resistors, 25 °C, in kelvin.
const ROOM_K: f64 = CELSIUS_ZERO + 25.0;

/// Top resistor from the source to the tap, bottom resistor from the tap to ground.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Divider {
    /// Ω, > 0.
    pub top_ohm: f64,
    /// Ω, > 0; infinite where there is none.
    pub bottom_ohm: f64,
}

/// Two resistances side by side, Ω; either may be infinite.
pub fn parallel(a_ohm: f64, b_ohm: f64) -> f64 {
    1.0 / (1.0 / a_ohm + 1.0 / b_ohm)
}

impl Divider {
    /// Tap voltage / top voltage with `input_ohm` on the tap.
    pub fn ratio(&self, input_ohm: f64) -> f64 {
        let below = parallel(self.bottom_ohm, input_ohm);
        if below.is_infinite() {
            return 1.0;
        }
        below / (self.top_ohm + below)
    }

    /// Resistance that the input sees, the source being of no resistance, Ω.
    pub fn source_ohm(&self) -> f64 {
        parallel(self.top_ohm, self.bottom_ohm)
    }

    /// What the divider takes from its source as a resistance, Ω.
    pub fn taken_ohm(&self, input_ohm: f64) -> f64 {
        self.top_ohm + parallel(self.bottom_ohm, input_ohm)
    }

    /// Dissipation of the top resistor at `volts` rms, W.
    pub fn top_watts(&self, volts: f64, input_ohm: f64) -> f64 {
        (volts / self.taken_ohm(input_ohm)).powi(2) * self.top_ohm
    }

    /// Dissipation of the bottom resistor at `volts` rms, W.
    pub fn bottom_watts(&self, volts: f64, input_ohm: f64) -> f64 {
        (volts * self.ratio(input_ohm)).powi(2) / self.bottom_ohm
    }

    /// −3 dB frequency with `farad` across the tap, Hz.
    pub fn corner_hz(&self, input_ohm: f64, farad: f64) -> f64 {
        1.0 / (TAU * parallel(self.source_ohm(), input_ohm) * farad)
    }

    /// Loss at `hz` re low frequencies with `farad` across the tap, dB ≥ 0: 10 lg(1 + (f/f₃)²).
    pub fn droop_db(&self, hz: f64, input_ohm: f64, farad: f64) -> f64 {
        10.0 * (hz / self.corner_hz(input_ohm, farad)).powi(2).ln_1p() / std::f64::consts::LN_10
    }

    /// Thermal noise of the divider's source resistance in `band`, as if at the top, V rms: √(4kTRΔf) / ratio, 25 °C.
    /// An input on the tap attenuates noise and signal alike.
    pub fn noise_at_top_v(&self, band: Band) -> f64 {
        let width = band.high_hz - band.low_hz;
        (johnson_density(self.source_ohm(), ROOM_K) * width).sqrt() / self.ratio(f64::INFINITY)
    }

    /// Current into a tap that is held at ground while `volts` are at the top, A: the most a clamp has to take.
    pub fn clamped_current_a(&self, volts: f64) -> f64 {
        volts / self.top_ohm
    }

    /// Voltage at `input_ohm` when the bottom resistor is open, V.
    pub fn bottom_open_v(&self, volts: f64, input_ohm: f64) -> f64 {
        let open = Self {
            bottom_ohm: f64::INFINITY,
            ..*self
        };
        volts * open.ratio(input_ohm)
    }
}
