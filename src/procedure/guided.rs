//! Steps on a live bench, with somebody in front of it: the gates first, before each step what has to be changed by hand,
//! and how to take everything apart at the end.

use super::changes;
use super::connect::{self, Standing};
use super::operator::{Notice, Operator, Weight};
use super::plan::Step;
use super::run::Session;
use crate::bench::Bench;
use crate::error::Result;
use crate::job::{Moment, StageKind, Writer};
use crate::rig::Rig;
use crate::signal::take::Setup;

/// What a visit to the bench is for.
#[derive(Clone, Copy)]
pub struct Visit<'a> {
    /// Stage that its captures belong to.
    pub stage: StageKind,
    /// The bench's calibration.
    pub rig: &'a Rig,
    /// The unit's output, where one was asked for.
    pub output: Option<&'a str>,
    /// Sample rates that the bench offers, Hz; empty where it offers all.
    pub rates_hz: &'a [u32],
    /// The clock.
    pub now: &'a dyn Fn() -> Moment,
}

/// Connects the unit, runs `steps`, and says how to take it all apart, also where a step fails. Returns the names of the
/// steps that were left out.
///
/// # Errors
/// Where the gates refuse, the operator leaves, or a step fails. What was answered and recorded before is kept.
pub fn measure(
    writer: &mut Writer,
    bench: &mut dyn Bench,
    operator: &mut dyn Operator,
    visit: &Visit<'_>,
    steps: &[Step],
) -> Result<Vec<String>> {
    let unit = writer.job().record().unit.clone();
    let output = connect::output(&unit, visit.output, operator)?;
    let rig_sha256 = writer.update(|record| record.keep_rig(visit.rig))?;
    let circuit = connect::circuit(steps, &output.name, visit.rig, &rig_sha256);
    let Standing { setup, .. } =
        connect::connect(writer, visit.rig, visit.stage, &circuit, operator, visit.now)?;
    let mut session = Session::new(writer, bench, visit.rig, visit.stage, visit.now, operator)
        .on_output(circuit.output)
        .at_rates(visit.rates_hz);
    let done = run(&mut session, steps, setup);
    drop(session);
    let told = operator.tell(&apart());
    done.and_then(|left| told.map(|()| left))
}

fn run(session: &mut Session<'_>, steps: &[Step], mut stands: Setup) -> Result<Vec<String>> {
    session.run_all(steps, &mut |operator, index, step| {
        changes::ask_for(&stands, &step.setup, operator)?;
        stands = step.setup.clone();
        operator.tell(&Notice {
            weight: Weight::Step,
            text: format!(
                "Step {} of {}: {}. {}",
                index + 1,
                steps.len(),
                step.name,
                step.purpose
            ),
            why: String::new(),
        })
    })
}

fn apart() -> Notice {
    Notice {
        weight: Weight::Caution,
        text: "Nothing plays any more. Before anything is unplugged: volume to minimum, then the unit off. Then the cables \
               at the interface, then the attenuator, and the load last. The load may be hot."
            .to_owned(),
        why: "In this order no plug passes power, and no output is on without its load.".to_owned(),
    }
}
