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

/// How `figure` can be rated.
///
/// # Errors
/// Where it cannot: the reason, with what to write instead.
pub fn rules(figure: FigureId) -> Result<Rules, &'static str> {
    match figure {
        FigureId::Frequency => Err("a frequency is what is played, not what a unit is rated for"),
        FigureId::Power => Err("rated power has its own table: write it under [power], or under a mode"),
        FigureId::Response => Err("it is a curve: rate its extremes, response_min and response_max"),
        FigureId::GroupDelay | FigureId::Phase => Err("it is a curve without a single value"),
        FigureId::HarmonicResponse => Err("it is a curve: rate thd over a range, with frequency_range_hz"),
        FigureId::Level => Ok(LEVEL),
        FigureId::Thd => Ok(DISTORTION),
        FigureId::ThdN => Ok(DISTORTION_AND_NOISE),
        FigureId::Sinad => Ok(SINAD),
        FigureId::Harmonic => Ok(HARMONIC),
        FigureId::Noise => Ok(NOISE),
        FigureId::Snr => Ok(SIGNAL_TO_NOISE),
        FigureId::HumLine => Ok(HUM_LINE),
        FigureId::Hum => Ok(HUM),
        FigureId::NoiseChange => Ok(NOISE_CHANGE),
        FigureId::ResponseMax => Ok(LARGEST_IN_BAND),
        FigureId::BalanceMax => Ok(LARGEST_BALANCE),
        FigureId::ResponseMin => Ok(SMALLEST_IN_BAND),
        FigureId::CornerLow => Ok(CORNER),
        FigureId::CornerHigh => Ok(Rules {
            side: Side::AtLeast,
            ..CORNER
        }),
        FigureId::Balance => Ok(BALANCE),
        FigureId::Separation => Ok(SEPARATION),
        FigureId::ImdSmpte => Ok(INTERMODULATION),
        FigureId::ImdDifference => Ok(Rules {
            order: Need::Needed,
            ..INTERMODULATION
        }),
        FigureId::Dim => Ok(INTERMODULATION),
        FigureId::PowerAtLimit | FigureId::ClippingOnset => Ok(Rules {
            units: &[Unit::Watts],
            side: Side::AtLeast,
            frequency: Need::Allowed,
            level: Need::Never,
            ..PLAIN
        }),
        FigureId::Headroom => Ok(Rules {
            side: Side::AtLeast,
            level: Need::Never,
            ..PLAIN
        }),
        FigureId::Gain => Ok(Rules {
            side: Side::Between,
            frequency: Need::Allowed,
            ..PLAIN
        }),
        FigureId::Sensitivity => Ok(Rules {
            side: Side::Between,
            level: Need::Never,
            ..LEVEL
        }),
        FigureId::InputOverload => Ok(Rules {
            side: Side::AtLeast,
            ..LEVEL
        }),
        FigureId::SourceImpedance => Ok(Rules {
            units: &[Unit::Ohms],
            frequency: Need::Allowed,
            ..PLAIN
        }),
        FigureId::DampingFactor => Ok(Rules {
            units: &[Unit::One],
            side: Side::AtLeast,
            frequency: Need::Allowed,
            ..PLAIN
        }),
        FigureId::RiaaMax => Ok(LARGEST_IN_BAND),
        FigureId::TrackingMax => Ok(LARGEST_BALANCE),
        FigureId::ContactSpread => Ok(Rules {
            level: Need::Never,
            ..PLAIN
        }),
        FigureId::MuteDelay => Ok(Rules {
            units: &[Unit::Seconds],
            side: Side::Between,
            level: Need::Never,
            ..PLAIN
        }),
        FigureId::Thump => Ok(Rules {
            units: &[Unit::Volts],
            level: Need::Never,
            ..PLAIN
        }),
        FigureId::SpeedError => Ok(Rules {
            units: &[Unit::Percent],
            side: Side::Between,
            level: Need::Never,
            ..PLAIN
        }),
        FigureId::WowFlutter => Ok(Rules {
            units: &[Unit::Percent],
            level: Need::Never,
            ..PLAIN
        }),
        FigureId::Azimuth => Ok(Rules {
            units: &[Unit::Degrees],
            side: Side::Between,
            frequency: Need::Allowed,
            ..PLAIN
        }),
        FigureId::RiaaError | FigureId::Tracking | FigureId::ToneControl | FigureId::Drift => {
            Err("it is a curve without a single value")
        }
        FigureId::ContactEvents => Err("a contact is sound or it is not: any event is reported"),
        FigureId::Polarity | FigureId::ChannelOrder => Err("it is a sign, reported where it is wrong"),
        FigureId::DcOffset | FigureId::IdleVoltage | FigureId::IdleCurrent | FigureId::Reading => {
            Err("a meter reads it: write its target under [[adjustments]]")
        }
    }
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
