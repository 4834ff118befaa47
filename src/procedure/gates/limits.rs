//! What a reading means: pure functions, each boundary with where it comes from.

use crate::job::connection::Ground;
use crate::rig::{Rig, SAME_LOAD};
use crate::unit::{Output, OutputStage};

/// DC at the speaker terminals above which nothing is connected, V: ±100 mV is the most that is tolerated with ordinary
/// loudspeakers. Common practice; service manuals state a few millivolts.
pub const DC_REFUSED_V: f64 = 0.100;

/// DC at the speaker terminals above which the operator is warned, V. Common practice.
pub const DC_WARNED_V: f64 = 0.020;

/// What may be left on reservoir capacitors, V: less than a meter's ohm ranges are disturbed by and no more than a battery.
/// Common practice, no source.
pub const RESERVOIRS_V: f64 = 3.0;

/// Resistance below which two grounds are one node, Ω: the leads and contacts of a handheld meter. Common practice.
pub const COMMON_OHM: f64 = 1.0;

/// Resistance up to which a ground-break resistor is thinkable, Ω: makers fit about 10 Ω. Common practice.
pub const BREAK_OHM: f64 = 50.0;

/// DC or AC between a − terminal and the input's shell above which they are not joined, V: across less than
/// [`COMMON_OHM`] it would drive 50 mA or more. What a meter's leads pick up is a few millivolts. Common practice, no source.
pub const BETWEEN_V: f64 = 0.050;

/// How far a load may read from a value that the unit file or the rig file states, as a share of it: 4, 6, 8 and 16 Ω stay
/// apart, and a handheld meter with its leads stays inside. From [`SAME_LOAD`] on it is said. Common practice, no source.
pub const LOAD_SHARE: f64 = 0.10;

/// What a reading of DC at the terminals allows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Judged {
    /// It is as it should be.
    Fine,
    /// It is allowed, and said.
    Warned,
    /// Nothing is connected.
    Refused,
}

/// DC at the speaker terminals, V, of either sign.
pub fn dc_at_terminals(volts: f64) -> Judged {
    let size = volts.abs();
    if size <= DC_WARNED_V {
        Judged::Fine
    } else if size <= DC_REFUSED_V {
        Judged::Warned
    } else {
        // Also what is no number.
        Judged::Refused
    }
}

/// Whether the reservoirs are discharged; the reading has the sign of its rail.
pub fn discharged(volts: f64) -> bool {
    volts.abs() <= RESERVOIRS_V
}

/// What three resistances between grounds say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Joined {
    /// One node.
    Yes,
    /// One node if a ground-break resistor is between.
    Perhaps,
    /// Not one node.
    No,
    /// Not resistances of one network: a probe slipped.
    Contradictory,
}

/// Judges the resistances from the left − terminal to the input's shell, from the right one to it, and between the two, Ω.
///
/// Between the nodes of any network of resistors, resistance obeys the triangle inequality (D. J. Klein and M. Randić,
/// *Resistance distance*, J. Math. Chem. 12, 1993): where one reading exceeds the sum of the others by more than
/// [`COMMON_OHM`], they cannot all be true.
pub fn grounds_joined(ohms: [f64; 3]) -> Joined {
    let [left, right, between] = ohms;
    let impossible = |one: f64, a: f64, b: f64| one > (a + b) * (1.0 + LOAD_SHARE) + COMMON_OHM;
    if impossible(left, right, between)
        || impossible(right, left, between)
        || impossible(between, left, right)
    {
        return Joined::Contradictory;
    }
    let highest = ohms.into_iter().fold(0.0, f64::max);
    if ohms.iter().any(|r| r.is_nan()) || highest > BREAK_OHM {
        Joined::No
    } else if highest >= COMMON_OHM {
        Joined::Perhaps
    } else {
        Joined::Yes
    }
}

/// Whether the output's construction alone forbids that anything joins its − terminals to a ground, whatever a meter reads.
pub fn must_be_differential(stage: OutputStage) -> bool {
    matches!(stage, OutputStage::Bridged | OutputStage::Floating)
}

/// Whether what is between a − terminal and the input's shell may be bridged by the interface: both near zero where it
/// will be; inside the range of the interface's input, through the tap, where it will not.
///
/// `largest_v` is the most that the interface's input takes at the terminals; `None` where the rig does not know.
pub fn between_grounds(ground: Ground, dc_v: f64, ac_v: f64, largest_v: Option<f64>) -> bool {
    match ground {
        Ground::Common | Ground::BreakResistor => dc_v.abs() <= BETWEEN_V && ac_v.abs() <= BETWEEN_V,
        // The sum of DC and the peak of AC: an input that blocks DC still charges through it.
        Ground::Differential => {
            let largest = largest_v.unwrap_or(BETWEEN_V);
            dc_v.abs() + ac_v.abs() * std::f64::consts::SQRT_2 <= largest * std::f64::consts::SQRT_2
        }
    }
}

/// The most that every channel of the rig takes at the unit's terminals through the least attenuating of `taps`, V rms.
pub fn largest_at_terminals(rig: &Rig, taps: &[String]) -> Option<f64> {
    let mut smallest: Option<f64> = None;
    for tap in taps {
        for channel in 0..rig.channels.len() {
            let volts = rig.volts_at_full_scale(channel, Some(tap))?.value.abs();
            smallest = Some(smallest.map_or(volts, |s| s.min(volts)));
        }
    }
    smallest
}

/// What is wrong with a load that was read, Ω.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LoadFault {
    /// The unit file does not allow it on this output.
    NotAllowed,
    /// It is not the load of the rig file, which is this, Ω.
    NotTheRigs(f64),
    /// It may be that load, but reads further from this value, Ω, than [`SAME_LOAD`] allows.
    Doubtful(f64),
}

/// Judges a load by what the unit file allows on `output`, and by what the rig file says that `channel` has.
pub fn load_fits(ohms: f64, output: &Output, rig: &Rig, channel: usize) -> Option<LoadFault> {
    let within = |stated: f64, share: f64| (ohms - stated).abs() <= share * stated;
    let allowed = output
        .loads_ohm
        .iter()
        .find(|stated| within(**stated, LOAD_SHARE));
    let Some(allowed) = allowed else {
        return Some(LoadFault::NotAllowed);
    };
    let own = rig.load(channel, false).map_or(*allowed, |load| load.value);
    if !within(own, LOAD_SHARE) {
        return Some(LoadFault::NotTheRigs(own));
    }
    let far = [own, *allowed]
        .into_iter()
        .find(|stated| !within(*stated, SAME_LOAD));
    far.map(LoadFault::Doubtful)
}
