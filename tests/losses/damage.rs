//! The losses that are put into takes.

use crate::random::Random;
use std::ops::Range;

/// What is done, from a frame on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Loss {
    /// Frames go missing.
    Dropped(usize),
    /// Frames stand twice.
    Repeated(usize),
    /// Frames are zero.
    Zeroed(usize),
    /// A run and the next one of the same length change places.
    Swapped(usize),
    /// One sample of one channel is off by this many standard deviations of the noise.
    Corrupt { channel: usize, sigmas: f64 },
}

impl Loss {
    pub fn drawn(random: &mut Random, most: usize) -> Self {
        let frames = random.length(most as f64);
        match random.below(5) {
            0 => Self::Dropped(frames),
            1 => Self::Repeated(frames),
            2 => Self::Zeroed(frames),
            3 => Self::Swapped(frames),
            _ => Self::Corrupt {
                channel: random.below(2),
                // 2 σ to 20,000 σ, evenly in octaves, of either sign.
                sigmas: 2.0 * 1e4f64.powf(random.uniform()) * random.symmetric().signum(),
            },
        }
    }

    /// Whether later frames move.
    pub fn shifts(self) -> bool {
        matches!(self, Self::Dropped(_) | Self::Repeated(_))
    }

    fn frames(self) -> usize {
        match self {
            Self::Dropped(n) | Self::Repeated(n) | Self::Zeroed(n) => n,
            Self::Swapped(n) => 2 * n,
            Self::Corrupt { .. } => 1,
        }
    }

    /// A place for it inside `frames`.
    pub fn place(self, frames: &Range<usize>, random: &mut Random) -> usize {
        frames.start + self.frames() + random.below(frames.len() - 2 * self.frames())
    }

    /// Does it to all channels alike, as a stream of frames suffers it.
    pub fn strike(self, planes: &mut [Vec<f64>], at: usize, sigma: &[f64]) {
        for (channel, x) in planes.iter_mut().enumerate() {
            match self {
                Self::Dropped(n) => {
                    x.drain(at..at + n);
                }
                Self::Repeated(n) => {
                    let again = x[at - n..at].to_vec();
                    x.splice(at..at, again);
                }
                Self::Zeroed(n) => x[at..at + n].fill(0.0),
                Self::Swapped(n) => x[at..at + 2 * n].rotate_left(n),
                Self::Corrupt { channel: c, sigmas } if c == channel => {
                    x[at] = (x[at] + sigmas * sigma[channel]).clamp(-0.99, 0.99);
                }
                Self::Corrupt { .. } => {}
            }
        }
    }
}
