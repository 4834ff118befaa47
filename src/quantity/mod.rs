//! Physical quantities whose scale is in the type, and estimates that carry their uncertainty.
//!
//! Linear quantities ([`Volts`], [`Hertz`], …) add and scale; logarithmic levels ([`Dbfs`], [`Dbv`]) cannot be added
//! to one another: their difference is a [`Decibels`], and only a [`Decibels`] moves a level. Only combinations with a
//! physical meaning compile.
//!
//! ```
//! use asleft::quantity::{Dbfs, Decibels, Ohms, Volts};
//! let power = Volts(20.0) * (Volts(20.0) / Ohms(8.0));
//! assert!((power.0 - 50.0).abs() < 1e-12);
//! let change: Decibels = Dbfs(-3.0) - Dbfs(-9.0);
//! assert!((change.0 - 6.0).abs() < 1e-12);
//! ```
//!
//! Two levels do not add:
//! ```compile_fail
//! use asleft::quantity::Dbfs;
//! let nonsense = Dbfs(-3.0) + Dbfs(-9.0);
//! ```
//! Levels of different reference do not subtract:
//! ```compile_fail
//! use asleft::quantity::{Dbfs, Dbv};
//! let nonsense = Dbfs(-3.0) - Dbv(0.0);
//! ```
//! Volts are not watts:
//! ```compile_fail
//! use asleft::quantity::{Volts, Watts};
//! let nonsense = Volts(1.0) + Watts(1.0);
//! ```

mod entered;
mod estimate;
mod level;
mod rounding;
pub mod thermal;

pub use entered::entered;
pub use estimate::{Contribution, Estimate, Source, coverage_factor};
pub use level::{DB_PER_RELATIVE_AMPLITUDE, DB_PER_RELATIVE_POWER, Dbfs, Dbv, Decibels};
pub use rounding::{significant, with_uncertainty};

use serde::{Deserialize, Serialize};

macro_rules! linear_quantity {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize, schemars::JsonSchema)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl std::ops::Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }
        impl std::ops::Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }
        impl std::ops::Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }
        impl std::ops::Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }
        /// The ratio of two like quantities is a plain number.
        impl std::ops::Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }
    };
}

linear_quantity!(
    /// Frequency in hertz.
    Hertz
);
linear_quantity!(
    /// Voltage in volts, rms unless a name says peak.
    Volts
);
linear_quantity!(
    /// Current in amperes, rms unless a name says peak.
    Amperes
);
linear_quantity!(
    /// Power in watts.
    Watts
);
linear_quantity!(
    /// Resistance or impedance magnitude in ohms.
    Ohms
);
linear_quantity!(
    /// Time in seconds.
    Seconds
);

/// Ohm's law.
impl std::ops::Div<Ohms> for Volts {
    type Output = Amperes;
    fn div(self, resistance: Ohms) -> Amperes {
        Amperes(self.0 / resistance.0)
    }
}

/// Ohm's law.
impl std::ops::Mul<Ohms> for Amperes {
    type Output = Volts;
    fn mul(self, resistance: Ohms) -> Volts {
        Volts(self.0 * resistance.0)
    }
}

/// Power of a voltage and the current in phase with it.
impl std::ops::Mul<Amperes> for Volts {
    type Output = Watts;
    fn mul(self, current: Amperes) -> Watts {
        Watts(self.0 * current.0)
    }
}

impl Volts {
    /// V²/R.
    pub fn power_into(self, resistance: Ohms) -> Watts {
        self * (self / resistance)
    }

    /// Level re 1 V rms. Zero volts has no level: minus infinity.
    pub fn to_dbv(self) -> Dbv {
        Dbv(20.0 * self.0.abs().log10())
    }
}

impl Watts {
    /// The rms voltage that dissipates this power in `resistance`: √(P·R).
    pub fn volts_across(self, resistance: Ohms) -> Volts {
        Volts((self.0 * resistance.0).sqrt())
    }
}
