//! Damage to a take as a whole, and every damage in the technician's words.

use super::{DiscontinuityKind, Integrity};
use crate::figure::Channel;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Damage that has no one sample to point at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Damage {
    /// The marks lie closer together than they were played: frames were lost between them, on the way out or back.
    FramesMissing {
        /// How many, by the capture's clock.
        frames: u64,
    },
    /// The marks lie further apart than they were played: frames stand twice, or silence was put in.
    FramesAdded {
        /// How many, by the capture's clock.
        frames: u64,
    },
    /// The two marks of a channel came back at different levels: a knob was moved, or the gain changed.
    GainMoved {
        /// Channel of the capture.
        channel: Channel,
        /// Second mark re the first, dB.
        db: f64,
    },
    /// The level of a steady signal drifts inside the take.
    AutomaticGain {
        /// Channel of the capture.
        channel: Channel,
        /// Largest change of level, dB.
        db: f64,
    },
    /// What is quiet was made quieter: the noise between the marks is far below that around them, or the marks' own edges.
    Gate {
        /// Channel of the capture.
        channel: Channel,
    },
    /// Marks were played, and none came back.
    NoMarks,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let plural = |n: u64| if n == 1 { "frame is" } else { "frames are" };
        match self {
            Self::FramesMissing { frames } => {
                write!(f, "{frames} {} missing between the marks", plural(*frames))
            }
            Self::FramesAdded { frames } => {
                write!(f, "{frames} {} too many between the marks", plural(*frames))
            }
            Self::GainMoved { channel, db } => write!(
                f,
                "{channel}: the gain changed by {db:+.2} dB between the marks: a knob was moved, or a contact is bad"
            ),
            Self::AutomaticGain { channel, db } => write!(
                f,
                "{channel}: the level changes by {db:.2} dB during the take though it was played steadily: automatic gain \
                 or a limiter is on, or a contact is bad"
            ),
            Self::Gate { channel } => write!(
                f,
                "{channel}: quiet parts are made quieter: a noise gate or noise suppression is on"
            ),
            Self::NoMarks => {
                f.write_str("the marks did not come back: nothing comes back, or the level is too low")
            }
        }
    }
}

impl DiscontinuityKind {
    /// What happened, after "at 1.23 s".
    fn words(self) -> &'static str {
        match self {
            Self::Dropped => "frames are missing",
            Self::Repeated => "frames stand twice",
            Self::Zeros => "the signal is cut by exact zeros",
            Self::Jump => "the waveform jumps, or a sample is corrupt",
            Self::Splice => "silence is spliced in",
        }
    }
}

/// Discontinuities that are named one by one.
const NAMED: usize = 3;

impl Integrity {
    /// Whether a figure of this take can be trusted less than its interval says. Notes alone are no damage.
    pub fn is_damaged(&self) -> bool {
        self.clipped_samples.iter().any(|n| *n > 0)
            || self.flat_tops.iter().any(|f| *f)
            || !self.discontinuities.is_empty()
            || !self.damage.is_empty()
    }

    /// One short sentence, without a full stop, for each damage; empty exactly where [`Integrity::is_damaged`] is false.
    pub fn reasons(&self) -> Vec<String> {
        let mut reasons: Vec<String> = self.damage.iter().map(ToString::to_string).collect();
        let clipped = self
            .clipped_samples
            .iter()
            .enumerate()
            .filter(|(_, n)| **n > 0)
            .map(|(c, n)| {
                let name = Channel::at(c);
                format!("{name}: {n} samples are clipped at full scale")
            });
        reasons.extend(clipped);
        let flat = self.flat_tops.iter().enumerate().filter(|(_, f)| **f);
        reasons.extend(flat.map(|(c, _)| {
            format!(
                "{}: the crests are flat: something before the converter clips",
                Channel::at(c)
            )
        }));
        for d in self.discontinuities.iter().take(NAMED) {
            reasons.push(format!("{}: at {:.3} s {}", d.channel, d.at_s, d.kind.words()));
        }
        let more = self.discontinuities.len().saturating_sub(NAMED);
        if more > 0 {
            reasons.push(format!("{more} more breaks in the waveform"));
        }
        reasons
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::take::integrity::Discontinuity;

    #[test]
    fn every_damage_has_a_reason_and_nothing_else_has() {
        let sound = Integrity {
            clipped_samples: vec![0, 0],
            flat_tops: vec![false, false],
            notes: vec!["remark".to_owned()],
            ..Integrity::default()
        };
        assert!(!sound.is_damaged() && sound.reasons().is_empty());
        let of = |change: &dyn Fn(&mut Integrity)| {
            let mut damaged = sound.clone();
            change(&mut damaged);
            assert!(damaged.is_damaged());
            damaged.reasons()
        };
        let lost = of(&|i| i.damage.push(Damage::FramesMissing { frames: 48 }));
        assert_eq!(lost, ["48 frames are missing between the marks"]);
        assert_eq!(of(&|i| i.clipped_samples[1] = 7).len(), 1);
        assert_eq!(of(&|i| i.flat_tops[0] = true).len(), 1);
        let jump = Discontinuity {
            channel: Channel::Right,
            at_s: 1.25,
            kind: DiscontinuityKind::Jump,
        };
        let five = of(&|i| i.discontinuities = vec![jump.clone(); 5]);
        assert_eq!(five.len(), 4);
        assert_eq!(
            five[0],
            "right: at 1.250 s the waveform jumps, or a sample is corrupt"
        );
    }
}
