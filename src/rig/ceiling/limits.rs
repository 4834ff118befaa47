//! What the ceiling must know of the unit on the bench, as plain numbers: the unit file is a later layer.

use crate::error::{Error, Kind, Result};
use std::f64::consts::TAU;

/// What the specification says of the input, the mode and the output in use.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitLimits {
    /// Input voltage for rated output at the selected input, V rms.
    pub sensitivity_v: f64,
    /// Output voltage that the sensitivity is stated for, at full volume, V rms.
    pub sensitivity_output_v: f64,
    /// Whether the volume control stands where the sensitivity is stated.
    pub full_volume: bool,
    /// Whether the selected input has the disc equalisation.
    pub phono: bool,
    /// Rated power in the selected mode, W.
    pub rated_w: f64,
    /// Load of the rated power, Ω.
    pub rated_load_ohm: f64,
    /// Loads that the maker allows at the output, Ω.
    pub loads_ohm: Vec<f64>,
    /// Whether the output has a transformer: without a load its voltages rise until something breaks down.
    pub transformer_coupled: bool,
}

impl UnitLimits {
    /// Voltage gain at full volume that the specification implies.
    pub fn rated_gain(&self) -> f64 {
        self.sensitivity_output_v / self.sensitivity_v
    }

    /// Rated output in the selected mode, V rms.
    pub fn rated_v(&self) -> f64 {
        (self.rated_w * self.rated_load_ohm).sqrt()
    }

    /// How much more than at 1 kHz the selected input amplifies at `hz`: the disc equalisation with its time constants of
    /// 3180, 318 and 75 µs (IEC 60098); 1 at other inputs.
    pub(super) fn tilt(&self, hz: f64) -> f64 {
        if !self.phono {
            return 1.0;
        }
        let corner = |f: f64, s: f64| (1.0 + (TAU * f * s).powi(2)).sqrt();
        let curve = |f: f64| corner(f, 318e-6) / (corner(f, 3180e-6) * corner(f, 75e-6));
        curve(hz.max(0.0)) / curve(1_000.0)
    }

    /// What is no number must not pass for a limit.
    ///
    /// # Errors
    /// Names the first value that is not above zero.
    pub(super) fn check(&self) -> Result<()> {
        let values = [
            ("the sensitivity of the selected input", self.sensitivity_v),
            (
                "the output that sensitivity is stated for",
                self.sensitivity_output_v,
            ),
            ("the rated power", self.rated_w),
            ("the load of the rated power", self.rated_load_ohm),
        ];
        match values.iter().find(|(_, v)| !(v.is_finite() && *v > 0.0)) {
            None => Ok(()),
            Some((name, value)) => Err(Error::new(
                Kind::Value,
                format!("{name} is {value}, which limits nothing"),
            )
            .next("correct the unit file: asleft unit check names the line")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_disc_equalisation_has_its_published_values() {
        // IEC 60098, replay curve re 1 kHz: +19.27 dB at 20 Hz, +13.09 dB at 100 Hz, −13.73 dB at 10 kHz, −19.62 dB at
        // 20 kHz; half a unit of the last digit.
        let unit = UnitLimits {
            sensitivity_v: 0.0025,
            sensitivity_output_v: 20.0,
            full_volume: true,
            phono: true,
            rated_w: 50.0,
            rated_load_ohm: 8.0,
            loads_ohm: vec![8.0],
            transformer_coupled: false,
        };
        for (hz, db) in [
            (20.0, 19.27),
            (100.0, 13.09),
            (10_000.0, -13.73),
            (20_000.0, -19.62),
        ] {
            let found = 20.0 * unit.tilt(hz).log10();
            assert!((found - db).abs() < 0.0051, "{hz} Hz: {found}");
        }
        assert!((UnitLimits { phono: false, ..unit }.tilt(20.0) - 1.0).abs() < 1e-15);
    }
}
