//! A step of a plan as data.

use crate::figure::FigureId;
use crate::job::steadiness::is_check;
use crate::quantity::{Decibels, Watts};
use crate::signal::take::Setup;

/// How hard a step drives the unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drive {
    /// So that this much comes out of each driven channel.
    Output(Watts),
    /// This far from the selected input's rated sensitivity.
    ReSensitivity(Decibels),
}

/// What a step plays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Play {
    /// Nothing: the generator is off.
    Silence,
    /// A steady sine.
    Tone {
        /// Hz.
        frequency_hz: f64,
        /// How hard.
        drive: Drive,
    },
    /// A synchronised exponential sweep.
    Sweep {
        /// First frequency, Hz.
        from_hz: f64,
        /// Last frequency, Hz.
        to_hz: f64,
        /// How hard.
        drive: Drive,
    },
}

/// One step: one take.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Name of the measurement and of its capture.
    pub name: String,
    /// What is played.
    pub play: Play,
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// Length of the signal, s.
    pub seconds: f64,
    /// How the unit stands.
    pub setup: Setup,
    /// Figures that the take is made for.
    pub figures: Vec<FigureId>,
    /// What the step is good for, in the technician's words.
    pub purpose: String,
}

impl Step {
    /// Whether the step is the tone at the end, which must come back as the first did.
    pub fn is_check(&self) -> bool {
        is_check(&self.name)
    }

    /// Whether the step is the faint tone that later levels are computed from.
    pub fn finds_gain(&self) -> bool {
        matches!(
            self.play,
            Play::Tone {
                drive: Drive::ReSensitivity(_),
                ..
            }
        )
    }
}
