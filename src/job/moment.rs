//! A date and time as the workshop's clock showed it.

use crate::error::{Error, Kind, Result};
use jiff::fmt::temporal::Pieces;
use jiff::tz::{Offset, TimeZone};
use jiff::{Timestamp, ZonedDateTime};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// A moment with the offset from UTC that held where it was recorded, to the second.
///
/// It is kept as RFC 3339 text without a zone name, so that a record reads the same in every country and on a machine
/// without a time-zone database.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    timestamp: Timestamp,
    offset: Offset,
}

impl Moment {
    /// The date, YYYY-MM-DD.
    pub fn date(self) -> String {
        self.zoned().strftime("%Y-%m-%d").to_string()
    }

    /// Date and time of day with the offset, for people.
    pub fn in_words(self) -> String {
        self.zoned().strftime("%Y-%m-%d %H:%M (UTC%:z)").to_string()
    }

    /// Seconds that passed from `earlier` to this moment; negative where it is later.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        self.timestamp.duration_since(earlier.timestamp).as_secs_f64()
    }

    fn zoned(self) -> ZonedDateTime {
        self.timestamp.to_zoned_datetime(TimeZone::fixed(self.offset))
    }
}

impl From<&ZonedDateTime> for Moment {
    fn from(zoned: &ZonedDateTime) -> Self {
        let whole = Timestamp::from_second(zoned.timestamp().as_second());
        Self {
            timestamp: whole.unwrap_or_else(|_| zoned.timestamp()),
            offset: zoned.offset(),
        }
    }
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.zoned().strftime("%Y-%m-%dT%H:%M:%S%:z"))
    }
}

impl FromStr for Moment {
    type Err = Error;
    fn from_str(text: &str) -> Result<Self> {
        let refuse = || {
            Error::new(Kind::Value, format!("\"{text}\" is not a date and time"))
                .next("write it like 2026-03-14T09:30:00+01:00")
        };
        let pieces = Pieces::parse(text).map_err(|_| refuse())?;
        let offset = pieces.to_numeric_offset().ok_or_else(refuse)?;
        let time = pieces.time().ok_or_else(refuse)?;
        let timestamp = offset
            .to_timestamp(pieces.date().to_datetime(time))
            .map_err(|_| refuse())?;
        Ok(Self { timestamp, offset })
    }
}

impl Serialize for Moment {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Moment {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse()
            .map_err(|e: Error| serde::de::Error::custom(e.what()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_keeps_the_offset_it_was_written_with() {
        for text in ["2026-03-14T09:30:00+01:00", "1999-12-31T23:59:59-03:30"] {
            assert_eq!(text.parse::<Moment>().unwrap().to_string(), text);
        }
        // RFC 3339 section 4.3: Z means an offset of zero.
        let utc: Moment = "2026-03-14T08:30:00Z".parse().unwrap();
        assert_eq!(utc.to_string(), "2026-03-14T08:30:00+00:00");
    }

    #[test]
    fn time_passes_across_offsets() {
        let [a, b] =
            ["2026-03-14T09:30:00+01:00", "2026-03-14T08:31:30Z"].map(|t| t.parse::<Moment>().unwrap());
        assert!((b.seconds_since(a) - 90.0).abs() < 1e-9 && (a.seconds_since(b) + 90.0).abs() < 1e-9);
    }

    #[test]
    fn without_offset_or_time_it_is_refused() {
        for text in ["2026-03-14", "2026-03-14T09:30:00", "yesterday", ""] {
            assert!(text.parse::<Moment>().is_err(), "{text}");
        }
    }
}
