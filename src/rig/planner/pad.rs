//! Input pads: from the interface's output to the millivolts of a phono input.

use super::divider::Divider;
use super::e24;
use super::interface::InterfaceFigures;
use crate::figure::Band;
use crate::quantity::Decibels;
use crate::rig::SENSITIVE_INPUT_V;
use serde::Serialize;

/// Full scale at the unit's input / its rated sensitivity. The inverse of the disc equalisation lifts 20 kHz by 19.6 dB
/// re 1 kHz (IEC 60098, time constants 3180, 318 and 75 µs): a factor of 10 lets a sweep with it reach rated level.
const FULL_SCALE_TIMES: f64 = 10.0;

/// Least and most of the bottom resistor, Ω: low enough that neither its noise nor the unit's input capacitance count.
const BOTTOM_OHM: (f64, f64) = (10.0, 51.0);

/// The least that an output should have to drive, Ω. Common practice, no source.
const LEAST_DRIVEN_OHM: f64 = 600.0;

/// A pad for one input.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PadPlan {
    /// The unit's input.
    pub input: String,
    /// Its rated sensitivity, V rms.
    pub sensitivity_v: f64,
    /// The pad. Its bottom resistor sits at the unit's end of the cable.
    pub divider: Divider,
    /// Unit's input / interface's open output, the interface's own impedance counted.
    pub ratio_db: f64,
    /// V rms at the unit's input at 0 dBFS.
    pub full_scale_v: f64,
    /// dBFS at which the unit gets its rated sensitivity.
    pub sensitivity_dbfs: f64,
    /// Resistance that the unit's input sees, Ω.
    pub source_ohm: f64,
    /// Thermal noise of that resistance, 20 Hz–20 kHz, V rms at the unit's input.
    pub thermal_v: f64,
    /// Sensitivity re that noise, dB, unweighted, before any equalisation.
    pub snr_db: f64,
}

impl PadPlan {
    /// A pad for an input of `sensitivity_v`; `None` where it needs none.
    pub fn new(input: &str, sensitivity_v: f64, interface: &InterfaceFigures) -> Option<Self> {
        let full_scale = interface.output_full_scale_v.value;
        let wanted = FULL_SCALE_TIMES * sensitivity_v / full_scale;
        if sensitivity_v >= SENSITIVE_INPUT_V || wanted >= 0.5 {
            return None;
        }
        let own = interface.output_ohm.value;
        let divider = closest(wanted, own)?;
        // The output's own resistance is part of the top resistor.
        let driven = Divider {
            top_ohm: divider.top_ohm + own,
            ..divider
        };
        let ratio = driven.ratio(f64::INFINITY);
        let thermal_v = driven.noise_at_top_v(Band::AUDIO) * ratio;
        let db = |ratio: f64| Decibels::from_amplitude_ratio(ratio).0;
        Some(Self {
            input: input.to_owned(),
            sensitivity_v,
            divider,
            ratio_db: db(ratio),
            full_scale_v: full_scale * ratio,
            sensitivity_dbfs: db(sensitivity_v / (full_scale * ratio)),
            source_ohm: driven.source_ohm(),
            thermal_v,
            snr_db: db(sensitivity_v / thermal_v),
        })
    }
}

/// The E24 pair whose ratio, driven from `own_ohm`, is closest to `wanted`.
fn closest(wanted: f64, own_ohm: f64) -> Option<Divider> {
    let pairs = e24::between(BOTTOM_OHM.0, BOTTOM_OHM.1)
        .into_iter()
        .flat_map(|bottom| {
            let ideal = bottom * (1.0 / wanted - 1.0) - own_ohm;
            [e24::at_most(ideal), e24::at_least(ideal)]
                .into_iter()
                .flatten()
                .filter(move |top| top + bottom >= LEAST_DRIVEN_OHM)
                .map(move |top| {
                    (
                        Divider {
                            top_ohm: top,
                            bottom_ohm: bottom,
                        },
                        own_ohm,
                    )
                })
        });
    let miss = |d: &Divider| {
        let whole = d.top_ohm + own_ohm + d.bottom_ohm;
        (d.bottom_ohm / whole / wanted).ln().abs()
    };
    pairs.map(|(d, _)| d).min_by(|a, b| miss(a).total_cmp(&miss(b)))
}
