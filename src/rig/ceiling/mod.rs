//! The only maker of what a bench plays.
//!
//! A [`Cleared`] stimulus cannot be made anywhere else: its fields are private to this module. With a unit on the bench
//! it is made by [`Ceiling`], which remembers what was proven of the connection and how hot load and unit are. Without
//! one, [`clear`] serves for loopback and [`clear_bare`] for outputs that are not calibrated yet.
//!
//! Of whatever is cleared: no sample can exceed the rig's ceiling at the unit's input, marks and the dither of a converter
//! of 16 bits or more included; the signal begins and ends in a raised-cosine ramp; it ends in time. Whatever is not a number is refused, and so is a channel whose
//! calibration is not known.

mod came_back;
mod connection;
mod heat;
mod limits;
mod power;
mod returned;
mod session;
#[cfg(test)]
mod tests;

pub use connection::{
    ACCEPTED_HIGHEST, ACCEPTED_LOWEST, Answer, FIRST_RE_SENSITIVITY, PROVEN_RE_SENSITIVITY, STEP, WRONG_GAIN,
};
pub use limits::UnitLimits;
pub use power::{BURST_S, DUTY, HIGH_HZ, HIGH_SHARE, SWEEP_RE_RATED};
pub use returned::RETURN_DBFS;
pub use session::{Ceiling, DRIVE_RE_RATED, SILENT_RE_RATED, Wish};

use super::Rig;
use crate::error::{Error, Kind, Result};
use crate::quantity::Dbfs;
use crate::signal::stimulus::{Signal, Stimulus};

/// Shortest ramp at either end of what is played, s.
pub const RAMP_S: f64 = 0.010;

/// The most sound that may wait in buffers where a bench must go silent promptly, s.
pub const PROMPT_S: f64 = 0.050;

/// The highest level that is played before the outputs are calibrated, dBFS.
pub const BARE_DBFS: f64 = -1.0;

/// Longest signal that is played in one go, s.
pub const LONGEST_S: f64 = 600.0;

/// What a converter may add to a sample, in units of full scale: triangular dither of ±1 step and half a step of rounding
/// are 1.5 steps, of 16 bits at the coarsest. Two are kept free below the ceiling.
pub const DITHER_PEAK: f64 = 2.0 / 32_768.0;

/// A stimulus that may be played.
#[derive(Debug, Clone, PartialEq)]
pub struct Cleared {
    stimulus: Stimulus,
    prompt: bool,
    expected_dbfs: Vec<Option<f64>>,
    most_dbfs: Vec<Option<f64>>,
    silent_dbfs: Vec<Option<f64>>,
    rest_after_s: f64,
}

impl Cleared {
    /// What may be played.
    pub fn stimulus(&self) -> &Stimulus {
        &self.stimulus
    }

    /// Whether a bench must be able to go silent promptly: it may then hold no more than [`PROMPT_S`] of sound in its
    /// buffers.
    pub fn prompt(&self) -> bool {
        self.prompt
    }

    /// The highest short-time level that is predicted to come back on each channel of the interface, dBFS of a sine;
    /// `None` where nothing can be predicted.
    pub fn expected_dbfs(&self, channel: usize) -> Option<f64> {
        self.expected_dbfs.get(channel).copied().flatten()
    }

    /// The same where the volume may stand anywhere: what would come back at full volume with the rated gain. `None` where
    /// nothing is played or the rig does not tell.
    pub fn most_dbfs(&self, channel: usize) -> Option<f64> {
        self.most_dbfs.get(channel).copied().flatten()
    }

    /// The level that must not come back while nothing is played on this channel, dBFS of a sine; `None` without a unit.
    pub fn silent_dbfs(&self, channel: usize) -> Option<f64> {
        self.silent_dbfs.get(channel).copied().flatten()
    }

    /// Rest that must follow before the next signal of this kind, s: a burst of high frequency at power.
    pub fn rest_after_s(&self) -> f64 {
        self.rest_after_s
    }

    /// As it leaves this module: with its ramps.
    fn new(mut stimulus: Stimulus) -> Self {
        stimulus.fade_s = stimulus.fade_s.max(RAMP_S).min(stimulus.seconds / 2.0);
        Self {
            stimulus,
            prompt: true,
            expected_dbfs: Vec::new(),
            most_dbfs: Vec::new(),
            silent_dbfs: Vec::new(),
            rest_after_s: 0.0,
        }
    }
}

/// Clears `stimulus` for outputs that nothing but a meter, a resistor or the interface's own inputs is connected to,
/// while their voltage is not known yet. The operator has been told so.
///
/// # Errors
/// Where the signal is above [`BARE_DBFS`], too long, or no number.
pub fn clear_bare(stimulus: Stimulus) -> Result<Cleared> {
    refuse_endless(&stimulus)?;
    let marks = stimulus
        .marks
        .as_ref()
        .map_or(0.0, |m| Dbfs(m.level_dbfs).sine_peak());
    let peak = stimulus
        .channels
        .iter()
        .map(Signal::peak_bound)
        .fold(marks, f64::max);
    let limit = Dbfs(BARE_DBFS).sine_peak();
    if peak.is_nan() || marks.is_nan() || peak > limit {
        return Err(Error::new(
            Kind::Value,
            format!("without a calibration nothing above {BARE_DBFS} dBFS is played"),
        )
        .next("lower the level"));
    }
    Ok(Cleared::new(stimulus))
}

/// Clears `stimulus` for the outputs of `rig` with nothing behind them that could be harmed: the interface's own inputs,
/// through `pad` if one is fitted. With a unit on the bench, ask [`Ceiling::clear`].
///
/// # Errors
/// Where any channel would put more than the rig's ceiling on what is connected, plays on an output that the rig does
/// not describe, or the signal is too long.
pub fn clear(stimulus: Stimulus, rig: &Rig, pad: Option<&str>) -> Result<Cleared> {
    refuse_endless(&stimulus)?;
    for channel in sounding(&stimulus, rig) {
        within_ceiling(&stimulus, channel, rig, pad)?;
    }
    Ok(Cleared::new(stimulus))
}

/// Channels that carry a signal or a mark, also such as the rig does not describe.
fn sounding(stimulus: &Stimulus, rig: &Rig) -> Vec<usize> {
    let marked = stimulus.marks.iter().flat_map(|m| m.channels.iter().copied());
    let channels = stimulus.channels.len().max(rig.channels.len());
    let sounds = |index: &usize| {
        stimulus
            .channel(*index)
            .is_some_and(|signal| !matches!(signal, Signal::Silence))
    };
    let mut all: Vec<usize> = (0..channels).filter(sounds).chain(marked).collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// The peak that a channel of `stimulus` never exceeds, mark included, in units of full scale; not a number where a level
/// is none.
fn peak_of(stimulus: &Stimulus, channel: usize) -> f64 {
    let signal = stimulus.channel(channel).map_or(0.0, Signal::peak_bound);
    let mark = stimulus
        .marks
        .as_ref()
        .filter(|m| m.channels.contains(&channel))
        .map_or(0.0, |m| Dbfs(m.level_dbfs).sine_peak());
    if signal.is_nan() || mark.is_nan() {
        return f64::NAN;
    }
    signal.max(mark)
}

/// V rms at the unit's input of the sine with the highest peak of a channel, which is within the ceiling.
fn within_ceiling(stimulus: &Stimulus, channel: usize, rig: &Rig, pad: Option<&str>) -> Result<f64> {
    let full_scale = rig.volts_at_unit(channel, pad)?;
    let volts = full_scale * peak_of(stimulus, channel);
    // Not "volts > ceiling": what is not a number must not pass.
    let within = volts + full_scale * DITHER_PEAK <= rig.ceiling_v;
    if !within {
        return Err(Error::new(
            Kind::Value,
            format!(
                "this signal would put {volts:.3} V on the unit's input; the rig's ceiling is {:.3} V",
                rig.ceiling_v
            ),
        )
        .next("lower the level, or fit an input pad and name it"));
    }
    Ok(volts)
}

/// Lengths must be lengths, and within the time limit.
fn refuse_endless(stimulus: &Stimulus) -> Result<()> {
    let length = |s: f64| (0.0..=LONGEST_S).contains(&s);
    if stimulus.seconds > 0.0
        && length(stimulus.seconds)
        && length(stimulus.lead_in_s)
        && length(stimulus.lead_out_s)
    {
        return Ok(());
    }
    Err(Error::new(
        Kind::Value,
        format!(
            "a signal of {:.0} s (silence before {:.0} s, after {:.0} s) is not among the lengths that are played in one go: up to {LONGEST_S:.0} s each",
            stimulus.seconds, stimulus.lead_in_s, stimulus.lead_out_s
        ),
    )
    .next("choose a shorter signal"))
}
