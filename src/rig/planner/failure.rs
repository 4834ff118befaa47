//! What reaches the interface, and what gets hot, when something fails.

use super::divider::Divider;
use super::{Coupling, Request, attenuator, e24, share_of_a_leg};
use crate::quantity::{Decibels, Ohms, Volts};
use serde::Serialize;
use std::f64::consts::SQRT_2;

/// Clamp level / working peak, at least: nearer, its leakage bends the signal. Common practice, no source.
const CLAMP_TIMES: f64 = 3.0;

/// The faults that a bench has to outlive.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Failures {
    /// Peak at the interface at rated power, V.
    pub working_peak_v: f64,
    /// Level of the clamp, V: a value of E24.
    pub clamp_v: f64,
    /// DC that a failed output stage may put on a terminal, V: about its supply, taken from the clipping peak.
    pub rail_v: f64,
    /// What the interface sees of it, V.
    pub rail_at_interface_v: f64,
    /// Dissipation of the whole top at that DC, W.
    pub top_w_at_rail: f64,
    /// Power in the rated load at that DC, W.
    pub load_w_at_rail: f64,
    /// The most current into the clamp, A.
    pub clamped_current_a: f64,
    /// Peak at the interface at clipping if the bottom is open and there is no clamp, V.
    pub bottom_open_v: f64,
    /// Rise of the level if one of the two bottom resistors opens, dB.
    pub one_open_db: f64,
}

impl Failures {
    /// For one `divider` that gives `rated_interface_v` rms at rated power, and gets `clipping_v` rms at clipping.
    pub(super) fn new(request: &Request, divider: &Divider, rated_interface_v: f64, clipping_v: f64) -> Self {
        let input_ohm = request.interface.input_ohm.value;
        let working_peak_v = rated_interface_v * SQRT_2;
        let peak = clipping_v * SQRT_2;
        // A capacitor-coupled stage swings half of its one supply; the capacitor may fail to a short.
        let rail_v = match request.coupling {
            Coupling::Capacitor => 2.0 * peak,
            Coupling::Direct | Coupling::Transformer => peak,
        };
        let least = CLAMP_TIMES * working_peak_v;
        let ratio = divider.ratio(input_ohm);
        let one_less = Divider {
            bottom_ohm: divider.bottom_ohm * f64::from(attenuator::BOTTOM_COUNT),
            ..*divider
        };
        // Across the load lie both legs' DC at the worst.
        let across = rail_v / share_of_a_leg(request.negative);
        Self {
            working_peak_v,
            clamp_v: e24::at_least(least).unwrap_or(least),
            rail_v,
            rail_at_interface_v: rail_v * ratio,
            top_w_at_rail: divider.top_watts(rail_v, input_ohm),
            load_w_at_rail: Volts(across).power_into(Ohms(request.load_ohm)).0,
            clamped_current_a: divider.clamped_current_a(rail_v),
            bottom_open_v: divider.bottom_open_v(peak, input_ohm),
            one_open_db: Decibels::from_amplitude_ratio(one_less.ratio(input_ohm) / ratio).0,
        }
    }
}
