//! Whether a tone came back as it was predicted, where it is neither so loud nor so faint that the take was stopped.

use super::{Ceiling, Cleared, HIGH_HZ, WRONG_GAIN};
use crate::figure::Channel;
use crate::quantity::{Dbfs, Decibels};
use crate::signal::stimulus::Signal;

/// Lowest frequency, Hz, at which a unit amplifies as it did when its connection was proven.
const LOW_HZ: f64 = 200.0;

/// How far an answer below that, or above [`HIGH_HZ`], may be off: a response falls by so much at the ends of its rated
/// band. Common practice, no source.
const OFF_AT_THE_ENDS: Decibels = Decibels(3.0);

impl Ceiling<'_> {
    /// What is remarkable in the levels that came back of the tones of `cleared`, dBFS of a sine, one entry a channel;
    /// `None` where each is within [`WRONG_GAIN`] of its prediction (3 dB at the ends of the band), nothing was predicted
    /// or nothing was read.
    pub fn came_back(cleared: &Cleared, heard_dbfs: &[Option<f64>]) -> Option<String> {
        let said: Vec<String> = heard_dbfs
            .iter()
            .enumerate()
            .filter_map(|(channel, heard)| remark(cleared, channel, (*heard)?))
            .collect();
        (!said.is_empty()).then(|| said.join("; "))
    }
}

fn remark(cleared: &Cleared, channel: usize, heard_dbfs: f64) -> Option<String> {
    let Signal::Tone { frequency_hz, .. } = cleared.stimulus().channel(channel)? else {
        return None;
    };
    let off = Dbfs(heard_dbfs) - Dbfs(cleared.expected_dbfs(channel)?);
    let allowed = if (LOW_HZ..=HIGH_HZ).contains(frequency_hz) {
        WRONG_GAIN
    } else {
        OFF_AT_THE_ENDS
    };
    // Not "off > allowed": what is not a number must not pass.
    if off.0.abs() <= allowed.0 {
        return None;
    }
    let name = Channel::at(channel);
    Some(if off.0 > 0.0 {
        format!(
            "{name} came back {:.1} dB above prediction: a control was moved, or a contact that was bad has closed",
            off.0
        )
    } else {
        format!(
            "{name} came back {:.1} dB below prediction: it clips, its load or supply sags, or a contact is bad",
            off.0.abs()
        )
    })
}
