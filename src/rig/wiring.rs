//! What is joined to what on the bench, as data: the level chain that pictures, in graphics and in text, draw from.

use crate::figure::Channel;
use crate::rig::planner::interface::Known;
use crate::rig::planner::parts::Parts;
use crate::rig::planner::{Level, Negative, Plan};

/// A line from a terminal of the unit to an input of the interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Line {
    /// The amplifier's channel.
    pub channel: Channel,
    /// Whether it begins at the positive terminal.
    pub positive: bool,
    /// Number of the interface's input, from 1.
    pub input: u16,
}

/// A jack of the interface: V rms at 0 dBFS, and Ω.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Jack {
    /// V rms of a 0 dBFS sine.
    pub full_scale_v: Known,
    /// Ω.
    pub ohm: Known,
}

/// The input pad.
#[derive(Debug, Clone, PartialEq)]
pub struct Pad {
    /// The unit's input.
    pub input: String,
    /// In series, Ω.
    pub top_ohm: f64,
    /// To ground, Ω.
    pub bottom_ohm: f64,
    /// V rms at the unit's input at 0 dBFS.
    pub full_scale_v: f64,
}

/// The second tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tap {
    /// In series, Ω.
    pub series_ohm: f64,
    /// W.
    pub rating_w: f64,
    /// Interface / output, dB.
    pub ratio_db: f64,
}

/// The bench around one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Wiring {
    /// Rated power, W.
    pub rated_w: f64,
    /// The load, Ω, and its rating, W.
    pub load: (f64, f64),
    /// What the negative terminal is: ground is drawn accordingly.
    pub negative: Negative,
    /// The two lines: left and right, or the two terminals of one channel.
    pub lines: [Line; 2],
    /// The interface's output.
    pub output: Jack,
    /// The pad, where one is needed.
    pub pad: Option<Pad>,
    /// Resistors to the terminal.
    pub top: Parts,
    /// Resistors to ground.
    pub bottom: Parts,
    /// Level of the clamp, V.
    pub clamp_v: f64,
    /// The second tap.
    pub noise_tap: Option<Tap>,
    /// The interface's input.
    pub input: Jack,
    /// At rated power.
    pub rated: Level,
    /// At clipping.
    pub clipping: Level,
}

impl Wiring {
    /// The wiring of a plan.
    pub fn of(plan: &Plan) -> Self {
        let interface = &plan.request.interface;
        let line = |channel, positive, input| Line {
            channel,
            positive,
            input,
        };
        let lines = match plan.request.negative {
            Negative::Grounded => [line(Channel::Left, true, 1), line(Channel::Right, true, 2)],
            Negative::Driven | Negative::Floating => {
                [line(Channel::Left, true, 1), line(Channel::Left, false, 2)]
            }
        };
        Self {
            rated_w: plan.request.rated_w,
            load: (
                plan.request.load_ohm,
                plan.loads.first().map_or(plan.request.rated_w, |l| l.rating_w),
            ),
            negative: plan.request.negative,
            lines,
            output: Jack {
                full_scale_v: interface.output_full_scale_v,
                ohm: interface.output_ohm,
            },
            pad: plan.pads.first().map(|p| Pad {
                input: p.input.clone(),
                top_ohm: p.divider.top_ohm,
                bottom_ohm: p.divider.bottom_ohm,
                full_scale_v: p.full_scale_v,
            }),
            top: plan.attenuator.top,
            bottom: plan.attenuator.bottom,
            clamp_v: plan.failures.clamp_v,
            noise_tap: plan.noise_tap.map(|t| Tap {
                series_ohm: t.series_ohm,
                rating_w: t.rating_w,
                ratio_db: t.ratio_db,
            }),
            input: Jack {
                full_scale_v: interface.input_full_scale_v,
                ohm: interface.input_ohm,
            },
            rated: plan.rated,
            clipping: plan.clipping,
        }
    }

    /// Whether no terminal is ground: two lines then serve one channel.
    pub fn differential(&self) -> bool {
        self.negative != Negative::Grounded
    }
}
