//! The gates before the first sound on a live bench: what is read with a meter and confirmed before anything is connected.
//!
//! The order is the one that is safe to do by hand:
//!
//! 1. on, nothing connected: DC at the speaker terminals;
//! 2. unplugged, reservoirs discharged and measured: resistances between the grounds, then the load;
//! 3. on, only the load connected: volts between the grounds;
//! 4. off: attenuator and interface; then on, at minimum volume.
//!
//! A stage with an output transformer is never on without its load: there, 1 comes with 3.
//!
//! Every reading is judged by a pure function of [`limits`], every question has its reason, and every answer is kept, also
//! those of a walk that ended in a refusal. The gates say what was read and that the connection may be made. They never
//! say that a unit is safe: that is tested by the rules of the place, by someone who may.

mod connecting;
mod desk;
pub mod limits;
mod readings;
mod stations;

use crate::error::{Error, Kind, Result};
use crate::job::Moment;
use crate::job::connection::{Answered, Circuit, Connection, Ground};
use crate::procedure::operator::Operator;
use crate::rig::Rig;
use crate::unit::{Output, UnitSpec};
use desk::Desk;

/// What is to be connected.
#[derive(Debug, Clone, Copy)]
pub struct Facts<'a> {
    /// The unit.
    pub unit: &'a UnitSpec,
    /// The bench.
    pub rig: &'a Rig,
    /// The parts of the connection, by name.
    pub circuit: &'a Circuit,
    /// Who usually does it; empty where nobody is known.
    pub by: &'a str,
}

impl<'a> Facts<'a> {
    /// The output of the circuit.
    ///
    /// # Errors
    /// Where the unit file has none of this name.
    fn output(&self) -> Result<&'a Output> {
        let named = |o: &&Output| o.name == self.circuit.output;
        self.unit.outputs.iter().find(named).ok_or_else(|| {
            let names: Vec<&str> = self.unit.outputs.iter().map(|o| o.name.as_str()).collect();
            Error::new(
                Kind::Mismatch,
                format!("the unit file has no output \"{}\"", self.circuit.output),
            )
            .next(format!("name one of its outputs: {}", names.join(", ")))
        })
    }
}

/// A walk through the gates, to its end or to a refusal.
#[derive(Debug)]
pub struct Walk {
    /// Who answered; empty where nobody said.
    pub by: String,
    /// How the grounds stand, as far as it was found.
    pub ground: Option<Ground>,
    /// Every answer.
    pub answers: Vec<Answered>,
    /// What is allowed but not as it should be.
    pub warnings: Vec<String>,
    /// Why the connection must not be made, or why the questions were left.
    pub refused: Option<Error>,
}

impl Walk {
    /// The record of it, as of `at`.
    pub fn record(&self, circuit: &Circuit, at: Moment) -> Connection {
        Connection {
            at,
            stage: None,
            by: self.by.clone(),
            circuit: circuit.clone(),
            ground: self.ground,
            answers: self.answers.clone(),
            warnings: self.warnings.clone(),
            refused: self.refused.as_ref().map(|e| e.what().to_owned()),
        }
    }
}

/// The record of a walk that was begun and not ended: its answers so far. It is no connection.
pub fn begun(circuit: &Circuit, answers: &[Answered], at: Moment) -> Connection {
    Connection {
        at,
        stage: None,
        by: String::new(),
        circuit: circuit.clone(),
        ground: None,
        answers: answers.to_vec(),
        warnings: Vec::new(),
        refused: Some(LEFT.to_owned()),
    }
}

/// Why a walk that was not ended made no connection.
const LEFT: &str = "the questions were left before the last one";

/// Called after each answer with all of them so far.
pub type Keep<'a> = dyn FnMut(&[Answered]) -> Result<()> + 'a;

/// Walks through the gates with `operator`; `keep` gets every answer at once, because readings that took an hour must not be
/// lost with the program.
pub fn walk(facts: &Facts<'_>, operator: &mut dyn Operator, keep: &mut Keep<'_>) -> Walk {
    let mut desk = Desk::new(operator, keep);
    let mut by = String::new();
    let mut ground = None;
    let done = stations::all(facts, &mut desk, &mut by, &mut ground);
    Walk {
        by,
        ground,
        answers: desk.answers,
        warnings: desk.warnings,
        refused: done.err(),
    }
}
