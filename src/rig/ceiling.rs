//! The only maker of what a bench plays.
//!
//! A [`Cleared`] stimulus cannot be made anywhere else: its field is private to this module. It is made only when
//! every sample stays below the rig's ceiling at the unit's input and the signal begins and ends in a raised-cosine
//! ramp.

use super::Rig;
use crate::error::{Error, Kind, Result};
use crate::signal::stimulus::{Signal, Stimulus};

/// Shortest ramp at either end of what is played, s.
pub const RAMP_S: f64 = 0.010;

/// Longest signal that is played in one go, s.
pub const LONGEST_S: f64 = 600.0;

/// A stimulus that may be played.
#[derive(Debug, Clone, PartialEq)]
pub struct Cleared(Stimulus);

impl Cleared {
    /// What may be played.
    pub fn stimulus(&self) -> &Stimulus {
        &self.0
    }
}

/// Clears `stimulus` for the outputs of `rig`, through `pad` if one is fitted.
///
/// # Errors
/// Where any channel would put more than the rig's ceiling on the unit's input, or the signal is too long.
pub fn clear(mut stimulus: Stimulus, rig: &Rig, pad: Option<&str>) -> Result<Cleared> {
    if stimulus.seconds > LONGEST_S {
        return Err(Error::new(
            Kind::Value,
            format!(
                "a signal of {:.0} s is longer than the {LONGEST_S:.0} s that are played in one go",
                stimulus.seconds
            ),
        )
        .next("choose a shorter signal"));
    }
    for (index, channel) in rig.channels.iter().enumerate() {
        let Some(signal) = stimulus.channel(index) else {
            continue;
        };
        let pad_ratio = match pad {
            Some(name) => rig
                .pads
                .iter()
                .find(|p| p.name == name)
                .and_then(|p| p.ratio.get(index))
                .map(|r| r.value)
                .ok_or_else(|| {
                    Error::new(
                        Kind::Mismatch,
                        format!("the rig has no input pad called \"{name}\""),
                    )
                    .next("use a pad that the rig file names, or add this one to it")
                })?,
            None => 1.0,
        };
        let volts = channel.output_full_scale_v.value * pad_ratio * peak_of(signal);
        if volts > rig.ceiling_v {
            return Err(Error::new(
                Kind::Value,
                format!(
                    "this signal would put {volts:.3} V on the unit's input; the rig's ceiling is {:.3} V",
                    rig.ceiling_v
                ),
            )
            .next("lower the level, or fit an input pad and name it"));
        }
    }
    stimulus.fade_s = stimulus.fade_s.max(RAMP_S).min(stimulus.seconds / 2.0);
    Ok(Cleared(stimulus))
}

/// Largest possible peak of a signal, as the level of a sine with that peak re full scale.
fn peak_of(signal: &Signal) -> f64 {
    let linear = |db: f64| 10f64.powf(db / 20.0);
    match signal {
        Signal::Silence => 0.0,
        Signal::Tone { level_dbfs, .. }
        | Signal::Sweep { level_dbfs, .. }
        | Signal::Burst { level_dbfs, .. } => linear(*level_dbfs),
        Signal::Tones { tones } => tones.iter().map(|t| linear(t.level_dbfs)).sum(),
        // Gaussian peaks are taken at 5 σ; synthesis limits noise there.
        Signal::Noise { level_dbfs, .. } => linear(*level_dbfs) * std::f64::consts::FRAC_1_SQRT_2 * 5.0,
    }
}
