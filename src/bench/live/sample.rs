//! Between a device's own samples and units of full scale.
//!
//! Full scale ±1 is 2^(bits − 1) codes, as in files. To a device a value goes to the nearest code and is held at the
//! ends; what is no number becomes silence. From a device every code comes out exact, so that code → f64 → code is the
//! identity for all of them.

use crate::signal::source::Encoding;
use cpal::{I24, Sample, SizedSample};

/// A sample as a device exchanges it.
pub trait DeviceSample: SizedSample + Send + 'static {
    /// The code of digital silence.
    const SILENCE: Self;
    /// How files store it.
    const ENCODING: Encoding;

    /// The nearest code to `value`, full scale ±1.
    fn from_unit(value: f64) -> Self;

    /// The value of a code, full scale ±1.
    fn to_unit(self) -> f64;
}

/// Codes from zero to full scale.
const STEPS_16: f64 = 32_768.0;
const STEPS_24: f64 = 8_388_608.0;
const STEPS_32: f64 = 2_147_483_648.0;

/// The nearest code to `value`; 0 for what is no number.
fn code(value: f64, full_scale: f64) -> i32 {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "held inside the range of the code; NaN becomes 0"
    )]
    let code = (value * full_scale).round().clamp(-full_scale, full_scale - 1.0) as i32;
    code
}

impl DeviceSample for i16 {
    const SILENCE: Self = 0;
    const ENCODING: Encoding = Encoding::Int(16);

    fn from_unit(value: f64) -> Self {
        #[allow(clippy::cast_possible_truncation, reason = "a code of 16 bits")]
        let code = code(value, STEPS_16) as Self;
        code
    }

    fn to_unit(self) -> f64 {
        f64::from(self) / STEPS_16
    }
}

impl DeviceSample for I24 {
    const SILENCE: Self = <I24 as Sample>::EQUILIBRIUM;
    const ENCODING: Encoding = Encoding::Int(24);

    fn from_unit(value: f64) -> Self {
        Self::new_unchecked(code(value, STEPS_24))
    }

    /// The upper 8 of the 32 bits are not part of the sample, and drivers fill them as they like.
    fn to_unit(self) -> f64 {
        f64::from((self.inner() << 8) >> 8) / STEPS_24
    }
}

impl DeviceSample for i32 {
    const SILENCE: Self = 0;
    const ENCODING: Encoding = Encoding::Int(32);

    fn from_unit(value: f64) -> Self {
        code(value, STEPS_32)
    }

    fn to_unit(self) -> f64 {
        f64::from(self) / STEPS_32
    }
}

impl DeviceSample for f32 {
    const SILENCE: Self = 0.0;
    const ENCODING: Encoding = Encoding::Float(32);

    fn from_unit(value: f64) -> Self {
        #[allow(clippy::cast_possible_truncation, reason = "rounds to the nearest float")]
        let sample = value.clamp(-1.0, 1.0) as Self;
        if sample.is_nan() { 0.0 } else { sample }
    }

    fn to_unit(self) -> f64 {
        f64::from(self)
    }
}
