//! What a signal would deliver, and which rules power obeys.
//!
//! Sweeps stay 10 dB below rated power, and high frequencies near rated power are bursts: the network at an amplifier's
//! output takes a power that rises with the square of the frequency, and slow output devices conduct across one another.
//! Both limits are common practice, no source.

use super::limits::UnitLimits;
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::quantity::{Dbfs, Decibels};
use crate::rig::{RigChannel, SAME_LOAD};
use crate::signal::mark;
use crate::signal::stimulus::Signal;

/// Sweeps play at most this much re rated power.
pub const SWEEP_RE_RATED: Decibels = Decibels(-10.0);

/// Frequencies above this, Hz, near rated power are played in bursts only.
pub const HIGH_HZ: f64 = 5_000.0;

/// Part of the rated power above which they are.
pub const HIGH_SHARE: f64 = 0.25;

/// Longest such burst, s.
pub const BURST_S: f64 = 0.5;

/// Most of the time that such bursts may take.
pub const DUTY: f64 = 0.05;

/// Rounding of levels that were computed to meet a limit, relative power.
const HAIR: f64 = 1e-3;

/// What a signal is made of, as far as power goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Make {
    /// Rms while it sounds re the rms of a full-scale sine.
    pub(super) level: f64,
    /// Highest short-time level, re the rms of a full-scale sine.
    pub(super) crest: f64,
    /// Lowest and highest frequency, Hz.
    pub(super) band_hz: [f64; 2],
    /// Longest time that it sounds without a break, s; and from one such start to the next.
    pub(super) on_s: f64,
    pub(super) every_s: f64,
}

impl Make {
    pub(super) fn of(signal: &Signal, seconds: f64, rate_hz: u32) -> Option<Self> {
        let steady = |level_dbfs: f64, band_hz: [f64; 2]| Self {
            level: Dbfs(level_dbfs).sine_peak(),
            crest: Dbfs(level_dbfs).sine_peak(),
            band_hz,
            on_s: seconds,
            every_s: seconds,
        };
        Some(match signal {
            Signal::Silence => return None,
            Signal::Tone {
                frequency_hz,
                level_dbfs,
            } => steady(*level_dbfs, [*frequency_hz; 2]),
            Signal::Sweep {
                from_hz,
                to_hz,
                level_dbfs,
            } => steady(*level_dbfs, [*from_hz, *to_hz]),
            Signal::Tones { tones } => {
                let peaks = || tones.iter().map(|t| Dbfs(t.level_dbfs).sine_peak());
                let low = tones.iter().map(|t| t.frequency_hz).fold(f64::INFINITY, f64::min);
                let high = tones.iter().map(|t| t.frequency_hz).fold(0.0, f64::max);
                Self {
                    level: peaks().map(|p| p * p).sum::<f64>().sqrt(),
                    // Where all of them meet.
                    crest: peaks().sum(),
                    ..steady(0.0, [low, high])
                }
            }
            Signal::Noise { level_dbfs, .. } => {
                let all = steady(*level_dbfs, [10.0, f64::from(rate_hz) / 2.0]);
                Self {
                    // Pink noise wanders by some 3 dB from one fiftieth of a second to the next.
                    crest: all.level * std::f64::consts::SQRT_2,
                    ..all
                }
            }
            Signal::Burst {
                frequency_hz,
                level_dbfs,
                on_s,
                every_s,
            } => Self {
                on_s: on_s.min(seconds),
                every_s: *every_s,
                ..steady(*level_dbfs, [*frequency_hz; 2])
            },
        })
    }

    /// A mark: some hundredths of a second that heat nothing.
    pub(super) fn of_mark(level_dbfs: f64) -> Self {
        Self {
            level: Dbfs(level_dbfs).sine_peak(),
            crest: Dbfs(level_dbfs).sine_peak(),
            band_hz: [mark::LOW_HZ, mark::HIGH_HZ],
            on_s: 0.0,
            every_s: f64::INFINITY,
        }
    }

    /// Part of the time that it sounds.
    pub(super) fn duty(&self) -> f64 {
        (self.on_s / self.every_s).min(1.0)
    }
}

/// What one channel would deliver.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Delivered {
    pub(super) channel: usize,
    pub(super) make: Make,
    /// V rms at the unit's output while the signal sounds.
    pub(super) output_v: f64,
    /// Into the rig's load, W; 0 without one.
    pub(super) watts: f64,
    /// Whether it is a sweep.
    pub(super) sweeps: bool,
}

impl Delivered {
    /// Output re rated output, as a power ratio, whatever the load.
    pub(super) fn share(&self, unit: &UnitLimits) -> f64 {
        (self.output_v / unit.rated_v()).powi(2)
    }

    /// Whether it is a mark.
    pub(super) fn is_mark(&self) -> bool {
        self.make.on_s <= 0.0
    }

    /// Whether it is a high frequency near rated power.
    pub(super) fn is_high(&self, unit: &UnitLimits) -> bool {
        self.make.band_hz[1] > HIGH_HZ && self.share(unit) > HIGH_SHARE * (1.0 + HAIR)
    }

    /// The rules of power but for heat.
    pub(super) fn check(&self, load: &RigChannel, unit: &UnitLimits) -> Result<()> {
        let name = Channel::at(self.channel);
        let share = self.share(unit);
        if !(self.watts.is_finite() && share.is_finite()) {
            return Err(
                Error::new(Kind::Value, format!("{name}: the power cannot be predicted"))
                    .next("check the rig file and the unit file"),
            );
        }
        // Not "watts > rating": what is not a number must not pass.
        let within = self.watts <= load.load_rating_w;
        if !within {
            return Err(Error::new(
                Kind::Value,
                format!(
                    "{name}: about {:.1} W would go into a load that is rated {:.0} W",
                    self.watts, load.load_rating_w
                ),
            )
            .next("lower the level, or connect a load of a higher rating and correct the rig file"));
        }
        if self.sweeps && share > SWEEP_RE_RATED.power_ratio() * (1.0 + HAIR) {
            return Err(Error::new(
                Kind::Value,
                format!(
                    "{name}: a sweep of {:.1} dB re rated power; above {:.0} dB its high end overheats output networks",
                    Decibels::from_power_ratio(share).0,
                    SWEEP_RE_RATED.0
                ),
            )
            .next("lower the sweep"));
        }
        if self.is_high(unit) && !(self.make.on_s <= BURST_S && self.every_is_long_enough()) {
            return Err(Error::new(
                Kind::Value,
                format!(
                    "{name}: {:.0} Hz above a quarter of the rated power may only sound in bursts of at most {BURST_S} s, {:.0} % of the time",
                    self.make.band_hz[1],
                    DUTY * 100.0
                ),
            )
            .next("shorten it, or lower the level: steady high frequencies at power destroy output networks"));
        }
        Ok(())
    }

    /// A single burst takes its rest before the next take; several in one take have it between them.
    fn every_is_long_enough(&self) -> bool {
        self.make.every_s <= self.make.on_s || self.make.duty() <= DUTY * (1.0 + HAIR)
    }
}

/// The load of a channel must be one that the maker allows.
pub(super) fn refuse_wrong_load(channel: usize, load_ohm: f64, unit: &UnitLimits) -> Result<()> {
    let fits = |allowed: &f64| (load_ohm / allowed - 1.0).abs() <= SAME_LOAD;
    if unit.loads_ohm.iter().any(fits) {
        return Ok(());
    }
    let allowed: Vec<String> = unit.loads_ohm.iter().map(|ohm| format!("{ohm} Ω")).collect();
    Err(Error::new(
        Kind::Mismatch,
        format!(
            "{}: the load has {load_ohm:.2} Ω; the unit may drive {}",
            Channel::at(channel),
            if allowed.is_empty() {
                "no load that its file names".to_owned()
            } else {
                allowed.join(" or ")
            }
        ),
    )
    .next("connect a load that the unit file allows, and correct the rig file"))
}

/// An output transformer without its load is destroyed by its own voltages.
pub(super) fn refuse_open_transformer(loaded: Option<bool>, unit: &UnitLimits) -> Result<()> {
    if !unit.transformer_coupled || loaded == Some(true) {
        return Ok(());
    }
    Err(Error::new(
        Kind::Mismatch,
        "this unit has output transformers, and its loads are not known to be connected: open, they break down",
    )
    .next("switch it off, connect the loads, and say so"))
}
