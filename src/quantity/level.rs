//! Logarithmic levels and their differences.

use super::Volts;
use serde::{Deserialize, Serialize};

/// Decibels of a small relative change of an amplitude: the slope 20/ln 10 of 20 lg x at x = 1.
pub const DB_PER_RELATIVE_AMPLITUDE: f64 = 20.0 / std::f64::consts::LN_10;

/// Decibels of a small relative change of a power: the slope 10/ln 10 of 10 lg x at x = 1.
pub const DB_PER_RELATIVE_POWER: f64 = 10.0 / std::f64::consts::LN_10;

/// A ratio in decibels.
#[derive(
    Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(transparent)]
pub struct Decibels(pub f64);

/// Level re a full-scale sine: the rms of a sine whose peaks touch full scale is 0 dBFS (AES17).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(transparent)]
pub struct Dbfs(pub f64);

/// Level re 1 V rms.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(transparent)]
pub struct Dbv(pub f64);

impl Decibels {
    /// 20 lg of an amplitude ratio.
    pub fn from_amplitude_ratio(ratio: f64) -> Self {
        Self(20.0 * ratio.abs().log10())
    }

    /// 10 lg of a power ratio.
    pub fn from_power_ratio(ratio: f64) -> Self {
        Self(10.0 * ratio.abs().log10())
    }

    /// The amplitude ratio, positive.
    pub fn amplitude_ratio(self) -> f64 {
        10f64.powf(self.0 / 20.0)
    }

    /// The power ratio, positive.
    pub fn power_ratio(self) -> f64 {
        10f64.powf(self.0 / 10.0)
    }
}

impl Dbfs {
    /// From the peak amplitude of a sine, in units of full scale.
    pub fn from_sine_peak(peak: f64) -> Self {
        Self(20.0 * peak.abs().log10())
    }

    /// From any rms, in units of full scale (a full-scale sine has rms 1/√2).
    pub fn from_rms(rms: f64) -> Self {
        Self(20.0 * (rms.abs() * std::f64::consts::SQRT_2).log10())
    }

    /// The rms in units of full scale.
    pub fn rms(self) -> f64 {
        10f64.powf(self.0 / 20.0) * std::f64::consts::FRAC_1_SQRT_2
    }

    /// The peak of the sine of this level, in units of full scale.
    pub fn sine_peak(self) -> f64 {
        10f64.powf(self.0 / 20.0)
    }
}

impl Dbv {
    /// The voltage of this level.
    pub fn to_volts(self) -> Volts {
        Volts(10f64.powf(self.0 / 20.0))
    }
}

macro_rules! level_arithmetic {
    ($level:ident) => {
        impl std::ops::Sub for $level {
            type Output = Decibels;
            fn sub(self, other: Self) -> Decibels {
                Decibels(self.0 - other.0)
            }
        }
        impl std::ops::Add<Decibels> for $level {
            type Output = Self;
            fn add(self, change: Decibels) -> Self {
                Self(self.0 + change.0)
            }
        }
        impl std::ops::Sub<Decibels> for $level {
            type Output = Self;
            fn sub(self, change: Decibels) -> Self {
                Self(self.0 - change.0)
            }
        }
    };
}

level_arithmetic!(Dbfs);
level_arithmetic!(Dbv);

impl std::ops::Add for Decibels {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl std::ops::Sub for Decibels {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl std::ops::Neg for Decibels {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn full_scale_conventions_of_aes17() {
        // AES17: a full-scale sine is 0 dBFS; a full-scale square wave, rms 1, is +3.01 dBFS (20 lg √2).
        assert!(Dbfs::from_sine_peak(1.0).0.abs() < 1e-12);
        assert!((Dbfs::from_rms(1.0).0 - 3.010_299_956_639_812).abs() < 1e-12);
        assert!((Dbfs(0.0).rms() - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-15);
    }
}
