//! The second tap, for noise and hum: nearly the whole output voltage, through a series resistor and the clamp.
//!
//! Through the attenuator the interface's noise looks many times larger than a good amplifier's. With nothing playing
//! the output is millivolts at most, and can be heard directly; the series resistor is there for the day it is not.

use super::divider::Divider;
use super::e24;
use super::interface::InterfaceFigures;
use super::noise::NoiseSeen;
use super::parts;
use crate::quantity::Decibels;
use serde::Serialize;

/// Loss through the tap, at most, dB.
const MOST_LOSS_DB: f64 = 3.0;

/// Loss at 20 kHz with the cable, at most, dB.
const MOST_DROOP_DB: f64 = 0.1;

/// Series resistor, at most, Ω: its noise in 20 kHz is then near 1 µV, well below an interface's.
const MOST_OHM: f64 = 4_700.0;

/// Series resistor, at least, Ω: less protects nothing.
pub(super) const LEAST_OHM: f64 = 470.0;

/// The tap.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NoiseTap {
    /// Series resistor, Ω.
    pub series_ohm: f64,
    /// Rating to buy, W: it outlives rated power or the supply's DC on the wrong tap.
    pub rating_w: f64,
    /// Interface / output, dB.
    pub ratio_db: f64,
    /// Loss at 20 kHz with the cable, dB.
    pub droop_20k_db: f64,
    /// Output voltage that reads 0 dBFS, V rms: more must never come while this tap is connected.
    pub full_scale_v: f64,
    /// Current into the clamp at the supply's DC, A.
    pub clamped_current_a: f64,
    /// What the bench adds.
    pub noise: NoiseSeen,
}

/// What the tap has to deal with.
#[derive(Debug, Clone, Copy)]
pub(super) struct Task<'a> {
    pub(super) interface: &'a InterfaceFigures,
    pub(super) cable_farad: f64,
    pub(super) legs: u32,
    pub(super) rated_v: f64,
    pub(super) watt_v: f64,
    /// The most DC that a failed amplifier puts on one leg, V.
    pub(super) rail_v: f64,
}

/// A series resistor and nothing to ground.
fn series(ohm: f64) -> Divider {
    Divider {
        top_ohm: ohm,
        bottom_ohm: f64::INFINITY,
    }
}

fn loss_db(divider: &Divider, input_ohm: f64) -> f64 {
    -Decibels::from_amplitude_ratio(divider.ratio(input_ohm)).0
}

/// Whether an input of `input_ohm` takes too much off even behind the least resistor.
pub(super) fn loads_too_much(input_ohm: f64) -> bool {
    loss_db(&series(LEAST_OHM), input_ohm) > MOST_LOSS_DB
}

impl Task<'_> {
    /// The largest series resistor that costs little; `None` where even the least costs too much.
    pub(super) fn choose(&self) -> Option<NoiseTap> {
        let input_ohm = self.interface.input_ohm.value;
        let droop = |d: &Divider| d.droop_db(20_000.0, input_ohm, self.cable_farad);
        let divider = e24::between(LEAST_OHM, MOST_OHM)
            .into_iter()
            .rev()
            .map(series)
            .find(|d| loss_db(d, input_ohm) <= MOST_LOSS_DB && droop(d) <= MOST_DROOP_DB)?;
        let rail_w = self.rail_v.powi(2) / divider.top_ohm;
        Some(NoiseTap {
            series_ohm: divider.top_ohm,
            rating_w: parts::rating(rail_w),
            ratio_db: -loss_db(&divider, input_ohm),
            droop_20k_db: droop(&divider),
            full_scale_v: self.interface.input_full_scale_v.value / divider.ratio(input_ohm),
            clamped_current_a: divider.clamped_current_a(self.rail_v),
            noise: NoiseSeen::through(&divider, self.legs, self.interface, self.rated_v, self.watt_v),
        })
    }
}
