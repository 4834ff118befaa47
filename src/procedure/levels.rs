//! From a step to its stimulus: how high each channel's generator must be set, and at which level the marks sound.

use super::plan::{Drive, Play, Step};
use crate::error::{Error, Kind, Result};
use crate::quantity::{Dbfs, Decibels, Ohms, Volts};
use crate::rig::Rig;
use crate::rig::ceiling::{Ceiling, RAMP_S, UnitLimits};
use crate::signal::stimulus::{Marks, SCHEMA, Signal, Stimulus};
use crate::signal::take::Setup;

/// Silence before each signal, s: the path's delay, the floor and a mark must fit into it.
pub const LEAD_IN_S: f64 = 0.2;
/// Silence after each signal, s.
pub const LEAD_OUT_S: f64 = 0.2;

/// Marks sound at most this much re rated output.
const MARKS_RE_RATED: Decibels = Decibels(-20.0);
/// Marks beside a silent generator, re the input's sensitivity.
const SILENT_MARKS_RE_SENSITIVITY: Decibels = Decibels(-40.0);

/// What levels depend on.
pub(super) struct Levels<'a> {
    pub(super) rig: &'a Rig,
    pub(super) ceiling: &'a Ceiling<'a>,
    pub(super) limits: &'a UnitLimits,
    pub(super) setup: &'a Setup,
    /// Whether takes carry marks.
    pub(super) marks: bool,
}

impl Levels<'_> {
    /// The stimulus of `step`.
    ///
    /// # Errors
    /// Where the rig lacks a channel or pad, or a level needs a gain that was not found yet.
    pub(super) fn stimulus(&self, step: &Step) -> Result<Stimulus> {
        let channels = (0..2)
            .map(|channel| {
                if self.is_driven(channel) {
                    self.signal(step, channel)
                } else {
                    Ok(Signal::Silence)
                }
            })
            .collect::<Result<Vec<_>>>()?;
        let marks = if self.marks { self.marks(&channels)? } else { None };
        Ok(Stimulus {
            schema: SCHEMA.to_owned(),
            sample_rate_hz: step.sample_rate_hz,
            seconds: step.seconds,
            lead_in_s: LEAD_IN_S,
            lead_out_s: LEAD_OUT_S,
            fade_s: RAMP_S,
            marks,
            channels,
        })
    }

    /// Whether the interface's output is connected and meant to sound at this channel.
    fn is_driven(&self, channel: usize) -> bool {
        match self.setup.driven {
            Some(driven) => driven.includes(channel),
            None => self.setup.termination.is_none(),
        }
    }

    fn signal(&self, step: &Step, channel: usize) -> Result<Signal> {
        Ok(match step.play {
            Play::Silence => Signal::Silence,
            Play::Tone { frequency_hz, drive } => Signal::Tone {
                frequency_hz,
                level_dbfs: self.level(channel, drive, false)?,
            },
            Play::Sweep {
                from_hz,
                to_hz,
                drive,
            } => Signal::Sweep {
                from_hz,
                to_hz,
                // A sweep need not reach its level, but must not exceed it where a gain that was accepted is a contact's.
                level_dbfs: self.level(channel, drive, true)?,
            },
        })
    }

    /// The generator's level for `channel`, dBFS: for an output as the unit was heard to amplify, or at most that output.
    fn level(&self, channel: usize, drive: Drive, at_most: bool) -> Result<f64> {
        let input = match drive {
            Drive::ReSensitivity(change) => Volts(self.limits.sensitivity_v * change.amplitude_ratio()),
            Drive::Output(watts) => {
                let heard = self.ceiling.gain(self.setup, channel).ok_or_else(|| {
                    Error::new(Kind::Unavailable, "the gain is not known yet")
                        .next("run the connection steps first")
                })?;
                let gain = if at_most {
                    self.ceiling.limiting_gain(self.setup, self.limits, channel)
                } else {
                    heard
                };
                // The nominal load: what the level aims at need not be exact, what comes back is measured.
                watts.volts_across(Ohms(self.limits.rated_load_ohm)) / gain
            }
        };
        Ok(Dbfs::from_sine_peak(input / self.output_full_scale(channel)?).0)
    }

    /// V rms at the unit's input of a 0 dBFS sine.
    pub(super) fn output_full_scale(&self, channel: usize) -> Result<Volts> {
        self.rig
            .volts_at_unit(channel, self.setup.pad.as_deref())
            .map(Volts)
    }

    /// Marks as loud as the signal, within what marks may be; `None` where no input is connected.
    fn marks(&self, signals: &[Signal]) -> Result<Option<Marks>> {
        let (mut channels, mut level_dbfs) = (Vec::new(), 0.0f64);
        for (channel, signal) in signals.iter().enumerate() {
            if !self.is_driven(channel) {
                continue;
            }
            let full_scale = self.output_full_scale(channel)?;
            let own = match signal {
                Signal::Silence => {
                    Volts(self.limits.sensitivity_v * SILENT_MARKS_RE_SENSITIVITY.amplitude_ratio())
                }
                sounding => full_scale * sounding.peak_bound(),
            };
            let gain = self.ceiling.limiting_gain(self.setup, self.limits, channel);
            let most = Volts(self.limits.rated_v() * MARKS_RE_RATED.amplitude_ratio() / gain);
            let volts = if own < most { own } else { most };
            channels.push(channel);
            level_dbfs = level_dbfs.min(Dbfs::from_sine_peak(volts / full_scale).0);
        }
        Ok((!channels.is_empty()).then_some(Marks { level_dbfs, channels }))
    }
}
