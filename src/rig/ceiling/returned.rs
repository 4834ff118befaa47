//! What would come back of a signal: whether the interface's input takes it, and what is expected there.

use super::power::{Delivered, Make};
use super::session::{Ceiling, Wish};
use super::sounding;
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::quantity::{Dbfs, Decibels};

/// Nothing is played whose peak would come back above this, dBFS: an interface's input clips at 0 dBFS.
pub const RETURN_DBFS: f64 = -1.0;

/// Output above which a bench must be able to go silent promptly, re rated output.
const PROMPT_RE_RATED: Decibels = Decibels(-40.0);

impl Ceiling<'_> {
    /// The interface's input must take what comes back.
    pub(super) fn refuse_overloaded_input(&self, wish: &Wish<'_>, channel: usize) -> Result<()> {
        let volts = self.peak_returned_v(wish, channel)?;
        let Some(level) = self.read_as(wish, channel, volts) else {
            return Ok(());
        };
        if level <= RETURN_DBFS {
            return Ok(());
        }
        let tap = wish.setup.tap.as_deref();
        // Of the taps that take it, the one that attenuates least.
        let fitting = self
            .rig
            .taps
            .iter()
            .filter_map(|t| Some((t, self.rig.volts_at_full_scale(channel, Some(&t.name))?.value)))
            .filter(|(_, full_scale)| Decibels::from_amplitude_ratio(volts / full_scale).0 <= RETURN_DBFS)
            .min_by(|a, b| a.1.total_cmp(&b.1));
        Err(Error::new(
            Kind::Value,
            format!(
                "{}: {volts:.1} V at the unit's output would come back at {level:+.1} dBFS{}; above {RETURN_DBFS} dBFS the interface's input clips",
                Channel::at(channel),
                tap.map_or_else(String::new, |name| format!(" through the tap \"{name}\""))
            ),
        )
        .next(match fitting {
            Some((fitting, _)) => format!("connect the tap \"{}\" and name it", fitting.name),
            None => "build a tap that attenuates more (asleft rig plan says which resistors), or lower the level".to_owned(),
        }))
    }

    /// dBFS of a sine at the interface's input for V rms at the unit's output; `None` where the rig does not tell.
    pub(super) fn read_as(&self, wish: &Wish<'_>, channel: usize, volts: f64) -> Option<f64> {
        let full_scale = self.rig.volts_at_full_scale(channel, wish.setup.tap.as_deref())?;
        let level = Dbfs::from_sine_peak(volts / full_scale.value).0;
        level.is_finite().then_some(level)
    }

    /// V rms at the unit's output of the sine with the highest peak that is predicted there, marks included.
    fn peak_returned_v(&self, wish: &Wish<'_>, channel: usize) -> Result<f64> {
        let full_scale = self.rig.volts_at_unit(channel, wish.setup.pad.as_deref())?;
        let (stimulus, unit) = (wish.stimulus, wish.unit);
        let own = stimulus.channel(channel).map_or(0.0, |signal| {
            let make = Make::of(signal, stimulus.seconds, stimulus.sample_rate_hz);
            signal.peak_bound() * make.map_or(1.0, |m| unit.tilt(m.band_hz[0]))
        });
        let marks = stimulus.marks.as_ref().filter(|m| m.channels.contains(&channel));
        let mark = marks.map_or(0.0, |m| {
            let make = Make::of_mark(m.level_dbfs);
            make.level * unit.tilt(make.band_hz[0])
        });
        Ok(own.max(mark) * full_scale * self.predicted_gain(wish, channel))
    }

    /// Whether the peak of any channel comes out above −40 dB re rated output.
    pub(super) fn is_prompt(&self, wish: &Wish<'_>) -> Result<bool> {
        let quiet_v = PROMPT_RE_RATED.amplitude_ratio() * wish.unit.rated_v();
        for channel in sounding(wish.stimulus, self.rig) {
            // Not "above": what is not a number must be prompt.
            let more =
                self.limiting_gain(wish.setup, wish.unit, channel) / self.predicted_gain(wish, channel);
            let quiet = self.peak_returned_v(wish, channel)? * more <= quiet_v;
            if !quiet {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// What should come back while the signals sound, dBFS of a sine at the interface's inputs.
    pub(super) fn returned(&self, wish: &Wish<'_>, delivered: &[Delivered]) -> Vec<Option<f64>> {
        let at = |channel: usize| {
            let d = delivered.iter().find(|d| d.channel == channel)?;
            let lost =
                self.predicted_gain(wish, channel) / self.limiting_gain(wish.setup, wish.unit, channel);
            self.read_as(wish, channel, d.output_v * lost * d.make.crest / d.make.level)
        };
        (0..self.rig.channels.len()).map(at).collect()
    }
}
