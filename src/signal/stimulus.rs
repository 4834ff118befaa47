//! What is played: a description complete enough to synthesise it again, bit for bit.
//!
//! A stimulus is a list of one [`Signal`] a channel, all of equal length, with a silent lead-in and lead-out and
//! raised-cosine fades. Levels are dBFS of the file or of the interface's output; volts come in only through the rig.

use super::mark;
use crate::figure::Driven;
use crate::quantity::Dbfs;
use serde::{Deserialize, Serialize};

/// Version tag of `.stimulus.toml`.
pub const SCHEMA: &str = "asleft.stimulus.v1";

/// What is played on all channels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stimulus {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// Length of the signal proper, without lead-in and lead-out, s.
    pub seconds: f64,
    /// Silence before, s.
    #[serde(default)]
    pub lead_in_s: f64,
    /// Silence after, s.
    #[serde(default)]
    pub lead_out_s: f64,
    /// Raised-cosine fade at each end, inside `seconds`, s.
    #[serde(default)]
    pub fade_s: f64,
    /// Marks before and after the signal, by which a recording is aligned and its length counted; `None` plays none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marks: Option<Marks>,
    /// One signal a channel, left first; a single one plays on every channel.
    pub channels: Vec<Signal>,
}

/// Marks before and after the signal: one short chirp each (see [`super::mark`]), [`super::mark::GAP_S`] away from it,
/// inside lead-in and lead-out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Marks {
    /// dBFS of the chirp.
    pub level_dbfs: f64,
    /// Channels that carry marks, from 0 (left).
    pub channels: Vec<usize>,
}

/// One channel's signal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Signal {
    /// Digital silence.
    Silence,
    /// A steady sine.
    Tone {
        /// Hz.
        frequency_hz: f64,
        /// dBFS.
        level_dbfs: f64,
    },
    /// Several steady sines; two tones are the common case.
    Tones {
        /// The sines, at least two.
        tones: Vec<Component>,
    },
    /// Synchronised exponential sweep, sin(2π f₁ L e^{t/L}), L = T / ln(f₂/f₁) (Novak, Lotton and Simon 2015).
    Sweep {
        /// First frequency, Hz.
        from_hz: f64,
        /// Last frequency, Hz.
        to_hz: f64,
        /// dBFS of the sine.
        level_dbfs: f64,
    },
    /// Random noise, reproducible by its seed.
    Noise {
        /// White or pink.
        colour: NoiseColour,
        /// dBFS of the rms (AES17: +3.01 dB re rms).
        level_dbfs: f64,
        /// Seed.
        seed: u64,
    },
    /// A sine switched on for whole periods, again and again.
    Burst {
        /// Hz.
        frequency_hz: f64,
        /// dBFS of the sine while on.
        level_dbfs: f64,
        /// Length of one burst, s.
        on_s: f64,
        /// From the start of one burst to the start of the next, s.
        every_s: f64,
    },
}

/// One sine of several.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Component {
    /// Hz.
    pub frequency_hz: f64,
    /// dBFS.
    pub level_dbfs: f64,
    /// Phase of the sine at its start, degrees.
    #[serde(default)]
    pub phase_deg: f64,
}

/// Spectrum of noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum NoiseColour {
    /// Equal power per hertz.
    White,
    /// Equal power per octave, 10 Hz up.
    Pink,
}

impl Stimulus {
    /// A stimulus that plays `signal` on the driven channels of a stereo pair, silence on the other.
    pub fn stereo(sample_rate_hz: u32, seconds: f64, signal: &Signal, driven: Driven) -> Self {
        let on = |index| {
            if driven.includes(index) {
                signal.clone()
            } else {
                Signal::Silence
            }
        };
        Self {
            schema: SCHEMA.to_owned(),
            sample_rate_hz,
            seconds,
            lead_in_s: 0.0,
            lead_out_s: 0.0,
            fade_s: 0.0,
            marks: None,
            channels: vec![on(0), on(1)],
        }
    }

    /// The signal of the channel at `index` (from 0).
    pub fn channel(&self, index: usize) -> Option<&Signal> {
        if self.channels.len() == 1 {
            self.channels.first()
        } else {
            self.channels.get(index)
        }
    }

    /// Whole length with lead-in and lead-out, s.
    pub fn total_seconds(&self) -> f64 {
        self.lead_in_s + self.seconds + self.lead_out_s
    }

    /// The frame the signal proper begins on.
    pub fn lead_in_frames(&self) -> u64 {
        self.frames_in(self.lead_in_s)
    }

    /// Length of the signal proper in frames.
    pub fn signal_frames(&self) -> u64 {
        self.frames_in(self.seconds)
    }

    /// The frames that the marks before and after the signal begin on, whether or not there are marks.
    pub fn mark_frames(&self) -> [u64; 2] {
        let away = self.frames_in(mark::GAP_S);
        let before = self
            .lead_in_frames()
            .saturating_sub(away + self.frames_in(mark::MARK_S));
        [before, self.lead_in_frames() + self.signal_frames() + away]
    }

    /// Whole length in frames.
    pub fn total_frames(&self) -> u64 {
        self.lead_in_frames() + self.signal_frames() + self.frames_in(self.lead_out_s)
    }

    /// The nearest whole number of frames; 0 for what is negative or no number.
    pub fn frames_in(&self, seconds: f64) -> u64 {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "saturates, which is what a length out of range should do"
        )]
        let frames = (seconds * f64::from(self.sample_rate_hz)).round() as u64;
        frames
    }
}

/// Highest peak of synthesised noise re its rms: rarer samples are not played.
pub const NOISE_PEAK_SIGMA: f64 = 5.0;

impl Signal {
    /// The peak that is never exceeded, in units of full scale: of several tones the sum of their peaks, of noise
    /// [`NOISE_PEAK_SIGMA`] times its rms.
    pub fn peak_bound(&self) -> f64 {
        match self {
            Self::Silence => 0.0,
            Self::Tone { level_dbfs, .. }
            | Self::Sweep { level_dbfs, .. }
            | Self::Burst { level_dbfs, .. } => Dbfs(*level_dbfs).sine_peak(),
            Self::Tones { tones } => tones.iter().map(|t| Dbfs(t.level_dbfs).sine_peak()).sum(),
            Self::Noise { level_dbfs, .. } => Dbfs(*level_dbfs).rms() * NOISE_PEAK_SIGMA,
        }
    }
}
