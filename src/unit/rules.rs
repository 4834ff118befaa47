//! In which units, directions and conditions each figure can be rated.
//!
//! One table for the checker of unit files, for the questions of a new one and for matching measured figures with
//! rated ones. A new figure does not compile until it stands here.

use crate::figure::{FigureId, Unit};

/// Which way a limit may point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Less is better: the limit is a maximum.
    AtMost,
    /// More is better: the limit is a minimum.
    AtLeast,
    /// Either or both.
    Either,
    /// The figure has a sign: it is rated from a minimum to a maximum, both.
    Between,
}

/// Whether a condition belongs to a rated figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// The figure means nothing without it.
    Needed,
    /// Sheets state it sometimes.
    Allowed,
    /// It makes no sense for this figure.
    Never,
}

/// How a figure can be rated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rules {
    /// Units a limit may be given in; the first is the usual one.
    pub units: &'static [Unit],
    /// Direction of the limit.
    pub side: Side,
    /// Harmonic or mains order.
    pub order: Need,
    /// Frequency, or range of frequencies.
    pub frequency: Need,
    /// Output level.
    pub level: Need,
    /// Band.
    pub band: Need,
    /// Weighting.
    pub weighting: Need,
    /// Reference of a ratio.
    pub reference: Need,
}

const VOLTS: &[Unit] = &[Unit::Volts, Unit::Dbv];
const DECIBELS: &[Unit] = &[Unit::Decibels];
const RATIO: &[Unit] = &[Unit::Percent, Unit::Decibels];

const PLAIN: Rules = Rules {
    units: DECIBELS,
    side: Side::AtMost,
    order: Need::Never,
    frequency: Need::Never,
    level: Need::Allowed,
    band: Need::Never,
    weighting: Need::Never,
    reference: Need::Never,
};

const LEVEL: Rules = Rules {
    units: VOLTS,
    side: Side::Either,
    frequency: Need::Allowed,
    level: Need::Never,
    ..PLAIN
};

const DISTORTION: Rules = Rules {
    units: RATIO,
    frequency: Need::Needed,
    level: Need::Needed,
    band: Need::Allowed,
    ..PLAIN
};

const DISTORTION_AND_NOISE: Rules = Rules {
    weighting: Need::Allowed,
    ..DISTORTION
};

const SINAD: Rules = Rules {
    units: DECIBELS,
    side: Side::AtLeast,
    ..DISTORTION
};

const HARMONIC: Rules = Rules {
    units: &[Unit::Decibels, Unit::Percent],
    order: Need::Needed,
    band: Need::Never,
    ..DISTORTION
};

const HUM: Rules = Rules {
    units: VOLTS,
    level: Need::Never,
    band: Need::Allowed,
    ..PLAIN
};

const HUM_LINE: Rules = Rules {
    order: Need::Needed,
    band: Need::Never,
    ..HUM
};

const NOISE: Rules = Rules {
    weighting: Need::Allowed,
    ..HUM
};

const NOISE_CHANGE: Rules = Rules {
    units: DECIBELS,
    side: Side::Either,
    ..NOISE
};

const SIGNAL_TO_NOISE: Rules = Rules {
    units: DECIBELS,
    side: Side::AtLeast,
    reference: Need::Needed,
    ..NOISE
};

const LARGEST_IN_BAND: Rules = Rules {
    band: Need::Needed,
    ..PLAIN
};

const SMALLEST_IN_BAND: Rules = Rules {
    side: Side::AtLeast,
    ..LARGEST_IN_BAND
};

const CORNER: Rules = Rules {
    units: &[Unit::Hertz],
    ..PLAIN
};

const BALANCE: Rules = Rules {
    side: Side::Between,
    frequency: Need::Allowed,
    ..PLAIN
};

const LARGEST_BALANCE: Rules = Rules {
    side: Side::Between,
    ..LARGEST_IN_BAND
};

const SEPARATION: Rules = Rules {
    side: Side::AtLeast,
    frequency: Need::Needed,
    ..PLAIN
};

const INTERMODULATION: Rules = Rules {
    units: RATIO,
    order: Need::Allowed,
    level: Need::Needed,
    ..PLAIN
};

const POWER: Rules = Rules {
    units: &[Unit::Watts],
    side: Side::AtLeast,
    frequency: Need::Allowed,
    level: Need::Never,
    ..PLAIN
};

const HEADROOM: Rules = Rules {
    side: Side::AtLeast,
    level: Need::Never,
    ..PLAIN
};

const SENSITIVITY: Rules = Rules {
    side: Side::Between,
    ..LEVEL
};

const INPUT_OVERLOAD: Rules = Rules {
    side: Side::AtLeast,
    ..LEVEL
};

const SOURCE_IMPEDANCE: Rules = Rules {
    units: &[Unit::Ohms],
    frequency: Need::Allowed,
    ..PLAIN
};

const DAMPING_FACTOR: Rules = Rules {
    units: &[Unit::One],
    side: Side::AtLeast,
    ..SOURCE_IMPEDANCE
};

/// What is stated without a level, in this unit, at most.
const fn at_most(units: &'static [Unit]) -> Rules {
    Rules {
        units,
        level: Need::Never,
        ..PLAIN
    }
}

/// The same with a smallest and a largest value.
const fn between(units: &'static [Unit]) -> Rules {
    Rules {
        side: Side::Between,
        ..at_most(units)
    }
}

/// How `figure` can be rated.
///
/// # Errors
/// Where it cannot: the reason, with what to write instead.
pub fn rules(figure: FigureId) -> Result<Rules, &'static str> {
    match not_ratable(figure) {
        Some(why) => Err(why),
        None => of_a_signal(figure)
            .or_else(|| of_the_unit(figure))
            .ok_or("no specification states it"),
    }
}

/// Why a figure cannot be rated, with what to write instead.
fn not_ratable(figure: FigureId) -> Option<&'static str> {
    match figure {
        FigureId::Frequency => Some("a frequency is what is played, not what a unit is rated for"),
        FigureId::Power => Some("rated power has its own table: write it under [power], or under a mode"),
        FigureId::Response => Some("it is a curve: rate its extremes, response_min and response_max"),
        FigureId::GroupDelay
        | FigureId::Phase
        | FigureId::RiaaError
        | FigureId::Tracking
        | FigureId::ToneControl
        | FigureId::Drift => Some("it is a curve without a single value"),
        FigureId::HarmonicResponse => Some("it is a curve: rate thd over a range, with frequency_range_hz"),
        FigureId::ContactEvents => Some("a contact is sound or it is not: no limit is stated for it"),
        FigureId::Polarity | FigureId::ChannelOrder => {
            Some("it is right or it is not: no limit is stated for it")
        }
        FigureId::DcOffset | FigureId::IdleVoltage | FigureId::IdleCurrent | FigureId::Reading => {
            Some("a meter reads it: write its target under [[adjustments]]")
        }
        _ => None,
    }
}

/// What is read from a signal that comes out: distortion, noise, response, balance.
fn of_a_signal(figure: FigureId) -> Option<Rules> {
    Some(match figure {
        FigureId::Level => LEVEL,
        FigureId::Thd => DISTORTION,
        FigureId::ThdN => DISTORTION_AND_NOISE,
        FigureId::Sinad => SINAD,
        FigureId::Harmonic => HARMONIC,
        FigureId::Noise => NOISE,
        FigureId::Snr => SIGNAL_TO_NOISE,
        FigureId::HumLine => HUM_LINE,
        FigureId::Hum => HUM,
        FigureId::NoiseChange => NOISE_CHANGE,
        FigureId::ResponseMax | FigureId::RiaaMax => LARGEST_IN_BAND,
        FigureId::BalanceMax | FigureId::TrackingMax => LARGEST_BALANCE,
        FigureId::ResponseMin => SMALLEST_IN_BAND,
        FigureId::CornerLow => CORNER,
        FigureId::CornerHigh => Rules {
            side: Side::AtLeast,
            ..CORNER
        },
        FigureId::Balance => BALANCE,
        FigureId::Separation => SEPARATION,
        FigureId::ImdSmpte | FigureId::Dim => INTERMODULATION,
        FigureId::ImdDifference => Rules {
            order: Need::Needed,
            ..INTERMODULATION
        },
        _ => return None,
    })
}

/// What is found from several signals, or from the unit's behaviour in time.
fn of_the_unit(figure: FigureId) -> Option<Rules> {
    Some(match figure {
        FigureId::PowerAtLimit | FigureId::ClippingOnset => POWER,
        FigureId::Headroom => HEADROOM,
        FigureId::Gain => BALANCE,
        FigureId::Sensitivity => SENSITIVITY,
        FigureId::InputOverload => INPUT_OVERLOAD,
        FigureId::SourceImpedance => SOURCE_IMPEDANCE,
        FigureId::DampingFactor => DAMPING_FACTOR,
        FigureId::ContactSpread => at_most(DECIBELS),
        FigureId::MuteDelay => between(&[Unit::Seconds]),
        FigureId::Thump => at_most(&[Unit::Volts]),
        FigureId::SpeedError => between(&[Unit::Percent]),
        FigureId::WowFlutter => at_most(&[Unit::Percent]),
        FigureId::Azimuth => between(&[Unit::Degrees]),
        _ => return None,
    })
}

/// Whether an extreme over a wider band is at least as far out as over a narrower one, so that it can break a limit
/// in part of the rated band already.
pub fn is_extreme(figure: FigureId) -> bool {
    matches!(
        figure,
        FigureId::ResponseMax | FigureId::ResponseMin | FigureId::BalanceMax
    )
}

/// Whether a figure is stated without a signal: hum and noise that were seen beside a tone do not answer it.
pub fn is_of_silence(figure: FigureId) -> bool {
    matches!(
        figure,
        FigureId::Noise | FigureId::Snr | FigureId::Hum | FigureId::HumLine
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_ratable_figure_has_a_unit_of_its_kind() {
        for id in FigureId::ALL {
            // Every figure is in exactly one of the three lists, so that a new one is not forgotten.
            let lists = [
                not_ratable(id).is_some(),
                of_a_signal(id).is_some(),
                of_the_unit(id).is_some(),
            ];
            assert_eq!(lists.iter().filter(|l| **l).count(), 1, "{id}");
            if let Ok(rules) = rules(id) {
                assert!(!rules.units.is_empty(), "{id}");
                assert!(
                    !rules.units.contains(&Unit::Dbfs),
                    "{id}: a sheet knows no full scale"
                );
            }
        }
    }
}
