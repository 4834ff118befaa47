//! What a verification plays, in order, as data that can be read before anything sounds.
//!
//! The order changes cables and controls as seldom as possible and puts the safest first: silence, faint tones that prove
//! the connection and find the gain, low levels, then power. What the ceiling forbids is not planned, and what the bench's
//! sample rates cannot carry is left out and said.

mod approach;
pub mod energy;
mod limit;
mod rates;
mod shape;
mod step;

pub use approach::approach;
pub use limit::asking;
pub use rates::up_to;
pub use step::{Drive, Play, Step};

use crate::error::{Error, Kind, Result};
use crate::figure::FigureId;
use crate::rig::Pad;
use crate::rig::SENSITIVE_INPUT_V;
use crate::unit::{Input, UnitSpec};
use shape::Shape;

/// Sample rate that tones and silence want, Hz: harmonics of 10 kHz up to the fourth are inside.
pub const SAMPLE_RATE_HZ: u32 = 96_000;

/// Sample rate that sweeps and the highest tones want, Hz: specifications state responses beyond 48 kHz, and the third
/// harmonic of 20 kHz must be inside.
pub const WIDE_RATE_HZ: u32 = 192_000;

pub use crate::signal::take::FULL_VOLUME;

/// Frequency of the tones that prove a connection and find the gain, and of every tone that stands for 1 kHz, Hz: it shares
/// no factor with any sample rate (AES17).
pub const CONNECTION_HZ: f64 = 997.0;

/// What a unit is measured with.
#[derive(Debug, Clone, Copy)]
pub struct Means<'a> {
    /// The rig's tap for power.
    pub power_tap: &'a str,
    /// The rig's tap for noise.
    pub noise_tap: &'a str,
    /// The rig's input pads.
    pub pads: &'a [Pad],
    /// Sample rates that the bench offers, Hz; empty where it offers all.
    pub rates_hz: &'a [u32],
}

impl Means<'_> {
    /// The pad for `input`: a sensitive one has the pad that attenuates most.
    fn pad_for(&self, input: &Input) -> Option<String> {
        let passes = |pad: &&Pad| pad.ratio.iter().map(|r| r.value.abs()).fold(0.0, f64::max);
        if input.sensitivity_v >= SENSITIVE_INPUT_V {
            return None;
        }
        let least = self.pads.iter().min_by(|a, b| passes(a).total_cmp(&passes(b)));
        least.map(|pad| pad.name.clone())
    }
}

/// A plan.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plan {
    /// In order.
    pub steps: Vec<Step>,
    /// What the bench's sample rates cost, in the technician's words; empty where nothing.
    pub notes: Vec<String>,
}

/// The steps of a full verification of `unit` on a bench that offers every rate, without input pads.
///
/// # Errors
/// As [`with`].
pub fn full(unit: &UnitSpec, power_tap: &str, noise_tap: &str) -> Result<Vec<Step>> {
    let means = Means {
        power_tap,
        noise_tap,
        pads: &[],
        rates_hz: &[],
    };
    Ok(with(unit, &means)?.steps)
}

/// The plan of a full verification of `unit`.
///
/// The first mode is measured in full, the others as far as the specification rates them.
///
/// # Errors
/// Where the unit file names no line input.
pub fn with(unit: &UnitSpec, means: &Means<'_>) -> Result<Plan> {
    let input = line_input(unit)?;
    let shape = Shape { unit, input, means };
    let modes: Vec<Option<&str>> = match unit.modes.as_slice() {
        [] => vec![None],
        modes => modes.iter().map(|m| Some(m.name.as_str())).collect(),
    };
    let mut steps: Vec<Step> = modes
        .into_iter()
        .enumerate()
        .flat_map(|(index, mode)| shape.mode(mode, index == 0))
        .collect();
    let notes = rates::limit(&mut steps);
    Ok(Plan { steps, notes })
}

/// The steps of a plan that give the wanted figures, in one mode where one is named, with the tones that find the gain
/// before and the one that checks it after, in each mode in which something is driven.
///
/// # Errors
/// Where no step gives them.
pub fn for_figures(plan: Plan, wanted: &[FigureId], mode: Option<&str>) -> Result<Plan> {
    let in_mode = |s: &Step| {
        mode.is_none_or(|m| {
            let own = s.setup.mode.as_deref();
            own.is_some_and(|own| own.eq_ignore_ascii_case(m))
        })
    };
    let proves = |s: &Step| in_mode(s) && s.figures.iter().any(|f| wanted.contains(f));
    if !plan.steps.iter().any(proves) {
        return Err(Error::new(
            Kind::Value,
            "no step of the plan gives these figures in this mode",
        )
        .next("check the name of the mode in the unit file, and the interface's sample rate"));
    }
    let driven: Vec<Option<String>> = plan
        .steps
        .iter()
        .filter(|s| proves(s) && s.play != Play::Silence)
        .map(|s| s.setup.mode.clone())
        .collect();
    let steps = plan
        .steps
        .into_iter()
        .filter(|s| proves(s) || (s.finds_gain() && driven.contains(&s.setup.mode)))
        .collect();
    Ok(Plan { steps, ..plan })
}

/// The line input that the specification is stated at: the one that most rated figures name, else the first.
///
/// # Errors
/// Where there is none.
pub fn line_input(unit: &UnitSpec) -> Result<&Input> {
    let named = |input: &Input| {
        unit.rated
            .iter()
            .filter(|r| r.input.as_deref() == Some(&input.name))
            .count()
    };
    // `max_by_key` takes the last of equals; reversed, that is the first.
    unit.inputs
        .iter()
        .filter(|i| !i.phono)
        .rev()
        .max_by_key(|i| named(i))
        .ok_or_else(|| {
            Error::new(
                Kind::Value,
                format!("the unit file of {} names no line input", unit.model),
            )
            .next("add an [[inputs]] entry with the input that power and distortion are stated at")
        })
}
