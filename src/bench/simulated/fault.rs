//! Named faults: what age and wear change in an amplifier, as changes of its parameters.

use super::SimulatedBench;
use super::amplifier::{AmplifierModel, ChannelModel, HumLine};
use super::contact::Contact;
use crate::error::{Error, Kind, Result};
use crate::ownfile::nearest;
use std::fmt;
use std::str::FromStr;

/// Left or right, as a fault strikes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    /// Left.
    Left,
    /// Right.
    Right,
}

/// A fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// Reservoirs of a fifth of their capacitance, with series resistance.
    DryReservoirCapacitors,
    /// Idle current almost gone in one channel.
    UnderBias(Side),
    /// A film on the speaker relay's contact in one channel.
    WornRelayContact(Side),
    /// A coupling capacitor of a fiftieth of its capacitance in one channel.
    DriedCouplingCapacitor(Side),
    /// The two tracks of the volume control part ways.
    VolumeTrackMismatch,
    /// An input ground that no longer touches the chassis.
    LiftedGround,
    /// The dummy load is not connected.
    MissingLoad,
}

impl Fault {
    /// Every fault, each on the channel that its bare name means.
    pub const ALL: [Self; 7] = [
        Self::DryReservoirCapacitors,
        Self::UnderBias(Side::Right),
        Self::WornRelayContact(Side::Right),
        Self::DriedCouplingCapacitor(Side::Left),
        Self::VolumeTrackMismatch,
        Self::LiftedGround,
        Self::MissingLoad,
    ];

    /// Its name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::DryReservoirCapacitors => "dry-reservoir-capacitors",
            Self::UnderBias(_) => "under-bias",
            Self::WornRelayContact(_) => "worn-relay-contact",
            Self::DriedCouplingCapacitor(_) => "dried-coupling-capacitor",
            Self::VolumeTrackMismatch => "volume-track-mismatch",
            Self::LiftedGround => "lifted-ground",
            Self::MissingLoad => "missing-load",
        }
    }

    /// What it is, in a line.
    pub fn description(self) -> &'static str {
        match self {
            Self::DryReservoirCapacitors => {
                "the supply's reservoir capacitors have dried out: ripple, and clipping far too early"
            }
            Self::UnderBias(_) => {
                "the idle current of one channel is almost gone: crossover distortion that grows as the level falls"
            }
            Self::WornRelayContact(_) => {
                "a film on one contact of the speaker relay: third-order distortion and a higher source impedance"
            }
            Self::DriedCouplingCapacitor(_) => {
                "a coupling capacitor has lost its capacitance in one channel: the bass is missing there"
            }
            Self::VolumeTrackMismatch => {
                "the two tracks of the volume control no longer agree: one channel is too quiet below full volume"
            }
            Self::LiftedGround => {
                "an input ground no longer touches the chassis: hum that follows the volume, and less separation"
            }
            Self::MissingLoad => "the dummy load is not connected: nothing at all is dissipated in it",
        }
    }

    /// Changes the bench as the fault does.
    pub fn apply(self, bench: &mut SimulatedBench) {
        if self == Self::MissingLoad {
            bench.interface.load_ohm = [None, None];
        } else if let Some(amplifier) = &mut bench.amplifier {
            self.apply_to(amplifier);
        }
    }

    fn apply_to(self, amplifier: &mut AmplifierModel) {
        match self {
            Self::DryReservoirCapacitors => {
                amplifier.supply.reservoir_f *= 0.2;
                amplifier.supply.resistance_ohm += 0.5;
            }
            Self::UnderBias(side) => channel(amplifier, side).idle_ratio = 0.02,
            Self::WornRelayContact(side) => {
                channel(amplifier, side).stage.contact = Some(Contact {
                    resistance_ohm: 0.25,
                    knee_a: 0.4,
                });
            }
            Self::DriedCouplingCapacitor(side) => channel(amplifier, side).coupling_f *= 0.02,
            Self::VolumeTrackMismatch => channel(amplifier, Side::Right).track_error += 0.25,
            Self::LiftedGround => lift_ground(amplifier),
            Self::MissingLoad => {}
        }
    }
}

fn channel(amplifier: &mut AmplifierModel, side: Side) -> &mut ChannelModel {
    let [left, right] = &mut amplifier.channels;
    match side {
        Side::Left => left,
        Side::Right => right,
    }
}

/// Mains currents of the chassis now flow through the signal ground: a line at the input with its odd harmonics, the
/// rectifier's comb, and a resistance that both channels share.
fn lift_ground(amplifier: &mut AmplifierModel) {
    let lines = [
        (1, 60e-6, 20.0),
        (2, 15e-6, -70.0),
        (3, 25e-6, 130.0),
        (4, 8e-6, 40.0),
        (5, 12e-6, -160.0),
        (6, 5e-6, 90.0),
        (7, 8e-6, 10.0),
        (9, 5e-6, -30.0),
    ];
    for channel in &mut amplifier.channels {
        channel
            .input_hum
            .extend(lines.map(|(order, volts, phase_deg)| HumLine {
                order,
                volts,
                phase_deg,
            }));
        channel.crosstalk.level += 8e-3;
        // The capacitive part stays what it was: the flat part now reaches higher.
        channel.crosstalk.corner_hz *= channel.crosstalk.level / (channel.crosstalk.level - 8e-3);
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Fault {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self> {
        if let Some(fault) = Self::ALL.into_iter().find(|f| f.name() == text) {
            return Ok(fault);
        }
        let names = Self::ALL.map(Self::name);
        let next = match nearest(text, &names) {
            Some(near) => format!("did you mean {near}?"),
            None => format!("choose one of {}", names.join(", ")),
        };
        Err(Error::new(
            Kind::Value,
            format!("\"{text}\" is not a fault that can be simulated"),
        )
        .next(next))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_read_back_and_a_slip_is_answered() {
        for fault in Fault::ALL {
            assert_eq!(fault.to_string().parse::<Fault>().unwrap(), fault);
            assert!(!fault.description().contains('\n'));
        }
        let error = "underbias".parse::<Fault>().unwrap_err();
        assert!(error.next_step().unwrap().contains("under-bias"));
    }
}
