//! Values of a plan as people read them: two or three digits, never more than parts of one percent support.

use crate::figure::Unit;
use crate::quantity::significant;
use crate::report::number::{Scale, signed};

/// Three significant digits with the prefix that suits.
fn short(value: f64, unit: Unit) -> String {
    let scale = Scale::for_value(value, unit);
    format!(
        "{} {}",
        signed(&significant(value * scale.factor, 3)),
        scale.symbol
    )
}

pub(super) fn ohms(value: f64) -> String {
    short(value, Unit::Ohms)
}

pub(super) fn volts(value: f64) -> String {
    short(value, Unit::Volts)
}

pub(super) fn watts(value: f64) -> String {
    short(value, Unit::Watts)
}

/// A rating as it is sold: always in watts.
pub(super) fn rating(value: f64) -> String {
    format!("{} W", significant(value, 3))
}

/// Two significant digits: what is only roughly known.
pub(super) fn about(value: f64, unit: Unit) -> String {
    let scale = Scale::for_value(value, unit);
    format!(
        "{} {}",
        signed(&significant(value * scale.factor, 2)),
        scale.symbol
    )
}

/// Tenths of a decibel.
fn tenths(value: f64) -> String {
    signed(&format!("{value:.1}"))
}

pub(super) fn dbfs(value: f64) -> String {
    format!("{} dBFS", tenths(value))
}

pub(super) fn decibels(value: f64) -> String {
    format!("{} dB", tenths(value))
}

/// A small loss: below a hundredth of a decibel it is nothing.
pub(super) fn loss(value: f64) -> String {
    if value < 0.005 {
        "less than 0.01 dB".to_owned()
    } else {
        format!("{value:.2} dB")
    }
}

pub(super) fn milliamperes(ampere: f64) -> String {
    format!("{} mA", significant(ampere * 1e3, 2))
}

pub(super) fn frequency(hz: f64) -> String {
    if hz >= 1e6 {
        format!("{} MHz", significant(hz * 1e-6, 2))
    } else {
        format!("{} kHz", significant(hz * 1e-3, 2))
    }
}

pub(super) fn picofarads(farad: f64) -> String {
    format!("{} pF", significant(farad * 1e12, 3))
}
