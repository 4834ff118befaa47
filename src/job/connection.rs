//! What was read and confirmed before a unit was connected to a live bench: who, when, which connection, every answer.

use super::moment::Moment;
use super::record::StageKind;
use serde::{Deserialize, Serialize};

/// One attempt to connect the unit, also one that was refused: the reading that refused it is a finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Connection {
    /// When the last question was answered.
    pub at: Moment,
    /// The stage that it was made for; `None` in records of earlier versions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stage: Option<StageKind>,
    /// Who read the meter and made the connection.
    pub by: String,
    /// What was connected to what.
    pub circuit: Circuit,
    /// How the output's − terminals stand to the input's shell, as far as it was found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ground: Option<Ground>,
    /// Every question with its answer, in the order they were asked.
    pub answers: Vec<Answered>,
    /// What was read that is allowed but not as it should be.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
    /// Why the connection was not made; `None` where it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refused: Option<String>,
}

/// The parts of a connection that, when one changes, make it a new one. The unit is the job's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Circuit {
    /// The unit's output, by its name in the unit file.
    pub output: String,
    /// The rig's taps that are used on it, by name.
    pub taps: Vec<String>,
    /// The inputs that are driven, by their names in the unit file.
    pub inputs: Vec<String>,
    /// The rig's input pad, by name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pad: Option<String>,
    /// SHA-256 of the rig's data, as captures refer to it.
    pub rig_sha256: String,
}

/// How a unit's − terminals stand to the shell of its input, and so how a bench may be connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Ground {
    /// One node: the interface may join them.
    Common,
    /// One node but for a resistor that the maker put there to break ground loops, confirmed by the operator.
    BreakResistor,
    /// Not one node: both terminals go through dividers into a balanced input, and nothing joins − to anything.
    Differential,
}

impl Ground {
    /// The name for people.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Common => "common ground",
            Self::BreakResistor => "common ground through a ground-break resistor",
            Self::Differential => "differential",
        }
    }
}

/// A question with its answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answered {
    /// The question's key, which does not change with its wording.
    pub key: String,
    /// The question as it was put.
    pub question: String,
    /// The answer.
    pub answer: Entered,
}

/// An answer as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Entered {
    /// Yes or no.
    Yes(bool),
    /// A reading.
    Number {
        /// In `unit`.
        value: f64,
        /// "V", "Ω".
        unit: String,
    },
    /// A word that was chosen, or any text.
    Text(String),
}

impl Connection {
    /// Whether the connection was made, and for the stage, on the day and to the circuit that are asked for. What was read on
    /// another day or in another stage says nothing about now: units are worked on in between.
    pub fn holds(&self, circuit: &Circuit, stage: StageKind, now: Moment) -> bool {
        self.refused.is_none()
            && self.stage == Some(stage)
            && self.at.date() == now.date()
            && self.circuit.covers(circuit)
    }
}

impl Circuit {
    /// Whether everything that `wanted` connects is connected here.
    fn covers(&self, wanted: &Self) -> bool {
        let all = |have: &[String], want: &[String]| want.iter().all(|name| have.contains(name));
        self.output == wanted.output
            && self.rig_sha256 == wanted.rig_sha256
            && self.pad == wanted.pad
            && all(&self.taps, &wanted.taps)
            && all(&self.inputs, &wanted.inputs)
    }
}
