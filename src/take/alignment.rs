//! Where a capture lies against its stimulus: delay, clock, polarity, channel order.
//!
//! A sweep tells all of it ([`Alignment::of_sweep`]). A steady tone, noise or a burst tells its delay by the moment it
//! sets in, where the capture begins before that, and its clock by its frequency; its polarity stays unknown.

use crate::dsp::sweep::SweepAnalysis;
use crate::error::Result;
use crate::figure::Driven;
use crate::signal::source::BlockSource;
use crate::signal::stimulus::{Signal, Stimulus};
use serde::{Deserialize, Serialize};

/// Alignment of a capture with its stimulus.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alignment {
    /// From the start of the capture to the start of the stimulus, lead-in included; negative where its beginning is
    /// missing.
    pub delay_s: f64,
    /// Capture clock re playback clock, parts per million; positive where the capture counts more frames.
    pub clock_ppm: f64,
    /// +1 or −1 a channel, 0 where a channel has too little of the stimulus to tell; empty where nothing is known.
    pub polarity: Vec<i8>,
}

/// Whether the channels of a capture are those of its stimulus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChannelOrder {
    /// Left is left.
    AsPlayed,
    /// Left and right changed places.
    Swapped,
    /// The stimulus does not tell the channels apart, or both carry it.
    Unknown,
}

impl Alignment {
    /// From the deconvolution of a sweep.
    pub fn of_sweep(analysis: &SweepAnalysis) -> Self {
        Self {
            delay_s: analysis.delay_s,
            clock_ppm: analysis.clock_ppm,
            polarity: analysis.channels.iter().map(|c| c.polarity).collect(),
        }
    }

    /// From the onset of a steady signal and, where it has a tone, its `measured_hz` and `nominal_hz`. `None` where
    /// the onset is not on the capture.
    ///
    /// # Errors
    /// Where the capture cannot be read.
    pub fn of_steady(
        source: &dyn BlockSource,
        stimulus: &Stimulus,
        tone: Option<(f64, f64)>,
    ) -> Result<Option<Self>> {
        let delay = onset_delay(source, stimulus)?;
        Ok(delay.map(|delay_s| Self {
            delay_s,
            clock_ppm: tone.map_or(0.0, |(measured, nominal)| clock_ppm(measured, nominal)),
            polarity: Vec::new(),
        }))
    }
}

/// Clock of the capture re the playing clock, ppm, from a tone of `nominal_hz` that reads `measured_hz`: a capture that
/// counts more frames a second sees fewer periods a frame.
pub fn clock_ppm(measured_hz: f64, nominal_hz: f64) -> f64 {
    (nominal_hz / measured_hz - 1.0) * 1e6
}

/// The frequency of the stimulus that a measured one belongs to: within 1 %, which no clock is off by.
pub(super) fn nominal_hz(stimulus: &Stimulus, measured_hz: f64) -> Option<f64> {
    let of = |signal: &Signal| match signal {
        Signal::Tone { frequency_hz, .. } => vec![*frequency_hz],
        Signal::Tones { tones } => tones.iter().map(|t| t.frequency_hz).collect(),
        _ => Vec::new(),
    };
    stimulus
        .channels
        .iter()
        .flat_map(of)
        .find(|hz| (measured_hz / hz - 1.0).abs() < 0.01)
}

/// Whether the two channels of a capture are in the order of a stimulus that drives one of them, from the level or
/// gain (any linear scale) of the signal on each. Twenty decibels apart is beyond any doubt; closer says nothing.
pub fn channel_order(stimulus: &Stimulus, levels: [f64; 2]) -> ChannelOrder {
    let silent = |i| matches!(stimulus.channel(i), Some(Signal::Silence) | None);
    let driven = match (silent(0), silent(1)) {
        (false, true) => Driven::Left,
        (true, false) => Driven::Right,
        _ => return ChannelOrder::Unknown,
    };
    let (on, off) = if driven == Driven::Left {
        (levels[0], levels[1])
    } else {
        (levels[1], levels[0])
    };
    if on > 10.0 * off {
        ChannelOrder::AsPlayed
    } else if off > 10.0 * on {
        ChannelOrder::Swapped
    } else {
        ChannelOrder::Unknown
    }
}

/// Whether two channels of a sweep are copies of one another: no two analogue paths agree to 1e-9 everywhere.
pub fn identical(analysis: &SweepAnalysis) -> bool {
    let [left, right] = analysis.channels.as_slice() else {
        return false;
    };
    left.linear
        .iter()
        .zip(&right.linear)
        .all(|(l, r)| (l - r).norm() <= 1e-9 * l.norm())
}

/// Delay of a steady signal, s, by the moment at which its envelope passes half its height, which a raised-cosine fade
/// does in its middle. Good to about a millisecond or a period of the lowest tone, whichever is longer. `None` where
/// the capture has no quiet stretch before the signal.
///
/// # Errors
/// Where the capture cannot be read.
pub fn onset_delay(source: &dyn BlockSource, stimulus: &Stimulus) -> Result<Option<f64>> {
    let rate = f64::from(source.format().sample_rate_hz);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a block is a few milliseconds of samples"
    )]
    let block = ((rate * block_s(stimulus)).round() as usize).max(1);
    let envelope = envelope(source, block)?;
    let steady = steady_level(&envelope, stimulus);
    let Some(i) = envelope.iter().position(|v| *v > 0.5 * steady).filter(|i| *i > 0) else {
        return Ok(None);
    };
    let before = envelope[i - 1];
    let quiet = envelope[..i].iter().fold(f64::INFINITY, |a, b| a.min(*b));
    if quiet > 0.1 * steady {
        return Ok(None);
    }
    #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
    let crossing = {
        let share = (0.5 * steady - before) / (envelope[i] - before);
        // The envelope of block i stands at the block's middle.
        (i as f64 - 0.5 + share) * block as f64 / rate
    };
    Ok(Some(crossing - 0.5 * stimulus.fade_s - stimulus.lead_in_s))
}

/// Length of one envelope block, s.
fn block_s(stimulus: &Stimulus) -> f64 {
    let lowest = stimulus
        .channels
        .iter()
        .filter_map(|signal| match signal {
            Signal::Tone { frequency_hz, .. } | Signal::Burst { frequency_hz, .. } => Some(*frequency_hz),
            Signal::Tones { tones } => tones.iter().map(|t| t.frequency_hz).reduce(f64::min),
            _ => None,
        })
        .fold(f64::INFINITY, f64::min);
    (1.0 / lowest).clamp(0.001, 0.1)
}

/// The rms of consecutive blocks, all channels together.
fn envelope(source: &dyn BlockSource, block: usize) -> Result<Vec<f64>> {
    let format = source.format();
    let mut reader = source.open()?;
    let mut planes = vec![vec![0.0; block]; format.channels];
    let mut out = Vec::new();
    let mut at = 0u64;
    loop {
        let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
        if reader.read(at, &mut slices)? < block {
            return Ok(out);
        }
        #[allow(clippy::cast_precision_loss, reason = "a block is short")]
        let length = block as f64;
        let power: f64 = planes
            .iter()
            .map(|p| {
                let mean = p.iter().sum::<f64>() / length;
                p.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / length
            })
            .sum();
        out.push(power.sqrt());
        at += block as u64;
    }
}

/// Level of the signal while it is on: the loudest block of bursts, else the median of the louder half.
fn steady_level(envelope: &[f64], stimulus: &Stimulus) -> f64 {
    let mut sorted = envelope.to_vec();
    sorted.sort_by(f64::total_cmp);
    let bursts = stimulus
        .channels
        .iter()
        .any(|signal| matches!(signal, Signal::Burst { .. }));
    let at = if bursts {
        sorted.len().saturating_sub(1)
    } else {
        sorted.len() * 3 / 4
    };
    sorted.get(at).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::source::MemorySource;
    use std::f64::consts::PI;

    fn tone(driven: Driven) -> Stimulus {
        let signal = Signal::Tone {
            frequency_hz: 1000.0,
            level_dbfs: -6.0,
        };
        let mut stimulus = Stimulus::stereo(48_000, 1.0, &signal, driven);
        stimulus.lead_in_s = 0.1;
        stimulus.fade_s = 0.02;
        stimulus
    }

    fn capture(delay_s: f64) -> MemorySource {
        let plane = (0..72_000)
            .map(|k| {
                let t = f64::from(k) / 48_000.0 - delay_s - 0.1;
                let edge = (t.min(1.0 - t) / 0.02).clamp(0.0, 1.0);
                0.5 * (0.5 - 0.5 * (PI * edge).cos()) * (2.0 * PI * 1000.0 * t).sin()
            })
            .collect();
        MemorySource::new(48_000, vec![plane])
    }

    #[test]
    fn the_onset_of_a_tone_gives_its_delay() {
        // Tolerance: one block of 1 ms.
        for delay in [0.0, 0.0317, -0.05] {
            let found = onset_delay(&capture(delay), &tone(Driven::Both))
                .unwrap()
                .unwrap();
            assert!((found - delay).abs() < 1e-3, "{delay}: {found}");
        }
        assert_eq!(onset_delay(&capture(-0.3), &tone(Driven::Both)).unwrap(), None);
    }

    #[test]
    fn a_fast_capture_clock_reads_a_tone_low() {
        // 1000 Hz played by a true clock, counted by one 100 ppm fast: 1000/1.0001 Hz.
        assert!((clock_ppm(1000.0 / 1.0001, 1000.0) - 100.0).abs() < 1e-6);
    }

    #[test]
    fn swapped_channels_are_seen() {
        let left = tone(Driven::Left);
        assert_eq!(channel_order(&left, [1.0, 0.01]), ChannelOrder::AsPlayed);
        assert_eq!(channel_order(&left, [0.01, 1.0]), ChannelOrder::Swapped);
        assert_eq!(channel_order(&left, [1.0, 0.9]), ChannelOrder::Unknown);
        assert_eq!(
            channel_order(&tone(Driven::Both), [1.0, 0.01]),
            ChannelOrder::Unknown
        );
    }
}
