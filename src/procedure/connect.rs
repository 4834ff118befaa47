//! Connecting a unit to a live bench: which taps and inputs a plan needs, the gates before them, and what stands once they
//! are passed.

use super::gates::{self, Facts};
use super::operator::{Answer, Expects, Operator, Question, Weight};
use super::plan::{Play, Step};
use crate::error::{Error, Kind, Result};
use crate::job::connection::{Answered, Circuit, Connection, Entered, Ground};
use crate::job::{Moment, StageKind, Writer};
use crate::rig::{Rig, Tap};
use crate::signal::take::{MINIMUM, Setup};
use crate::unit::{Output, UnitSpec};

/// The rig's taps by what they are for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Taps<'a> {
    /// The one with the most attenuation: for power.
    pub power: &'a str,
    /// The one with the least: for noise.
    pub noise: &'a str,
}

impl<'a> Taps<'a> {
    /// Picks them from `rig`; one tap alone serves for both.
    ///
    /// # Errors
    /// Where the rig has none: the output of a power stage does not go to an interface directly.
    pub fn of(rig: &'a Rig) -> Result<Self> {
        let by_ratio = |a: &&Tap, b: &&Tap| most_passed(a).total_cmp(&most_passed(b));
        match (rig.taps.iter().min_by(by_ratio), rig.taps.iter().max_by(by_ratio)) {
            (Some(power), Some(noise)) => Ok(Self {
                power: &power.name,
                noise: &noise.name,
            }),
            _ => Err(Error::new(
                Kind::Mismatch,
                format!(
                    "the rig \"{}\" has no attenuator between load and interface",
                    rig.name
                ),
            )
            .next("build one, calibrate it, and add it to the rig file as [[taps]]")),
        }
    }

    /// Whether one tap has to serve for both.
    pub fn are_one(&self) -> bool {
        self.power == self.noise
    }
}

/// The ratio of the channel that passes most.
fn most_passed(tap: &Tap) -> f64 {
    tap.ratio.iter().map(|r| r.value).fold(0.0, f64::max)
}

/// The circuit that `steps` need on `output`, with the most attenuating tap first: the unit is switched on with that one,
/// because of the thump.
pub fn circuit(steps: &[Step], output: &str, rig: &Rig, rig_sha256: &str) -> Circuit {
    let distinct = |names: Vec<&String>| {
        let mut out: Vec<String> = Vec::new();
        for name in names {
            if !out.contains(name) {
                out.push(name.clone());
            }
        }
        out
    };
    let drives = |s: &&Step| s.play != Play::Silence;
    let mut taps = distinct(steps.iter().filter_map(|s| s.setup.tap.as_ref()).collect());
    let passes = |name: &String| rig.taps.iter().find(|t| t.name == *name).map_or(0.0, most_passed);
    taps.sort_by(|a, b| passes(a).total_cmp(&passes(b)));
    Circuit {
        output: output.to_owned(),
        taps,
        inputs: distinct(
            steps
                .iter()
                .filter(drives)
                .filter_map(|s| s.setup.input.as_ref())
                .collect(),
        ),
        pad: steps.iter().find_map(|s| s.setup.pad.clone()),
        rig_sha256: rig_sha256.to_owned(),
    }
}

/// The output to measure at: the one that was asked for, the only one, or the one that the operator names.
///
/// # Errors
/// Where the unit file has no such output, or the operator has gone.
pub fn output<'a>(
    unit: &'a UnitSpec,
    asked: Option<&str>,
    operator: &mut dyn Operator,
) -> Result<&'a Output> {
    let names: Vec<String> = unit.outputs.iter().map(|o| o.name.clone()).collect();
    let chosen = match (asked, unit.outputs.as_slice()) {
        (Some(name), all) => all.iter().find(|o| o.name.eq_ignore_ascii_case(name)),
        (None, [only]) => Some(only),
        (None, all) => {
            let answer = operator.ask(&Question {
                key: "output".to_owned(),
                weight: Weight::Step,
                text: format!("Which output of the {} does the load go to?", unit.model),
                why: "Each has loads of its own that it allows.".to_owned(),
                expects: Expects::Choice {
                    words: names.clone(),
                    default: 0,
                },
            })?;
            match answer {
                Answer::Choice(index) => all.get(index),
                _ => None,
            }
        }
    };
    chosen.ok_or_else(|| {
        let named = asked.map_or(String::new(), |name| format!(" \"{name}\""));
        Error::new(
            Kind::Mismatch,
            format!("the {} has no output{named} in its unit file", unit.model),
        )
        .next(format!("name one of its outputs: {}", names.join(", ")))
    })
}

/// What stands when the gates are passed.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// How the grounds stand.
    pub ground: Option<Ground>,
    /// How the unit stands, as far as it is known.
    pub setup: Setup,
}

/// Has the unit connected by `circuit`: by the gates, or, where they were passed today for this stage and this very circuit, by
/// asking whether all of it still stands. What is answered is in the job's record at once, also where the gates refuse or the
/// program is killed at a question.
///
/// # Errors
/// Where the connection must not be made, the operator leaves, or the record cannot be written.
pub fn connect(
    writer: &mut Writer,
    rig: &Rig,
    stage: StageKind,
    circuit: &Circuit,
    operator: &mut dyn Operator,
    now: &dyn Fn() -> Moment,
) -> Result<Standing> {
    if let Some(ground) = still_stands(writer, circuit, stage, operator, now)? {
        return Ok(Standing {
            ground,
            // Where the controls stand is not known any more.
            setup: Setup::default(),
        });
    }
    let record = writer.job().record();
    let (unit, by) = (record.unit.clone(), record.workshop.clone());
    let facts = Facts {
        unit: &unit,
        rig,
        circuit,
        by: &by,
    };
    let mut begun = false;
    let mut keep = |so_far: Connection| {
        let first = !std::mem::replace(&mut begun, true);
        writer.update(|record| {
            if !first {
                record.connections.pop();
            }
            record.connections.push(Connection {
                stage: Some(stage),
                ..so_far
            });
            Ok(())
        })
    };
    let walk = gates::walk(&facts, operator, &mut |answers| {
        keep(gates::begun(circuit, answers, now()))
    });
    if !walk.answers.is_empty() {
        keep(walk.record(circuit, now()))?;
    }
    match walk.refused {
        Some(refused) => Err(refused),
        None => Ok(Standing {
            ground: walk.ground,
            setup: after_the_gates(circuit),
        }),
    }
}

/// How the grounds stand, where the connection that was made today is `circuit` and the operator says that it still is as it
/// was. The answer is kept as a connection of its own.
fn still_stands(
    writer: &mut Writer,
    circuit: &Circuit,
    stage: StageKind,
    operator: &mut dyn Operator,
    now: &dyn Fn() -> Moment,
) -> Result<Option<Option<Ground>>> {
    let record = writer.job().record();
    let Some(standing) = record.standing(circuit, stage, now()).cloned() else {
        return Ok(None);
    };
    let question = Question {
        key: "still-connected".to_owned(),
        weight: Weight::Caution,
        text: format!(
            "The {} was connected on {}. Since then: has nobody worked in it, and has nothing been unplugged or connected \
             other than as this program asked?",
            record.unit.model,
            standing.at.in_words()
        ),
        why: "What was read then holds only for what is still as it was; answer no to read it again."
            .to_owned(),
        expects: Expects::Yes,
    };
    if operator.ask(&question)? != Answer::Yes(true) {
        return Ok(None);
    }
    let ground = standing.ground;
    writer.update(|record| {
        record.connections.push(Connection {
            at: now(),
            answers: vec![Answered {
                key: question.key,
                question: question.text,
                answer: Entered::Yes(true),
            }],
            warnings: Vec::new(),
            ..standing
        });
        Ok(())
    })?;
    Ok(Some(ground))
}

/// How the unit stands right after the gates.
fn after_the_gates(circuit: &Circuit) -> Setup {
    Setup {
        input: circuit.inputs.first().cloned(),
        volume: Some(MINIMUM.to_owned()),
        tap: circuit.taps.first().cloned(),
        pad: circuit.pad.clone(),
        loaded: Some(true),
        ..Setup::default()
    }
}
