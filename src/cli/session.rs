//! A job's bench for the length of one command: simulated, or live with a person at it.

use super::operator::Terminal;
use super::{Streams, interrupt, progress};
use crate::bench::live::LiveBench;
use crate::bench::simulated::{Fault, SimulatedBench, bench_interface, tarnbeck_60};
use crate::error::{Error, Kind, Result};
use crate::job::{Moment, Record, StageKind, Writer};
use crate::procedure::guided::{self, Visit};
use crate::procedure::operator::Unattended;
use crate::procedure::plan::Step;
use crate::procedure::run::{CHANNELS, GAIN_OFF, HIGH_FREQUENCY, Session, UNIT_ITSELF};
use crate::rig::Rig;

/// The simulated bench of one stage.
pub(super) struct SimulatedStage<'a> {
    pub(super) kind: StageKind,
    pub(super) fault: Option<Fault>,
    pub(super) seed: u64,
    pub(super) rig: &'a Rig,
}

/// The moment by the system's clock.
pub(super) fn now() -> Moment {
    Moment::from(&jiff::ZonedDateTime::now())
}

/// Plays steps on the simulated bench, with a progress bar; the names of those that were left out.
///
/// # Errors
/// As [`Session::run_all`].
pub(super) fn run_simulated(
    writer: &mut Writer,
    stage: &SimulatedStage<'_>,
    steps: &[Step],
    io: &Streams<'_>,
) -> Result<Vec<String>> {
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), stage.seed);
    if let Some(fault) = stage.fault {
        bench = bench.with_fault(fault);
    }
    let bar = progress::bar(steps.len() as u64, io.interactive);
    // Nothing here can be harmed, and a simulated fault is meant to be measured as found.
    let mut operator = Unattended::yes_to(&[HIGH_FREQUENCY, GAIN_OFF, CHANNELS, UNIT_ITSELF]);
    let mut session = Session::new(writer, &mut bench, stage.rig, stage.kind, &now, &mut operator);
    let left = session.run_all(steps, &mut |_, index, step| {
        bar.set_position(index as u64);
        bar.set_message(step.name.clone());
        Ok(())
    })?;
    bar.finish_and_clear();
    Ok(left)
}

/// The interface of a live job's rig, ready. It is never replaced by a simulated one.
///
/// # Errors
/// Where the rig names none, or it is not there.
pub(super) fn open_live(rig: &Rig) -> Result<LiveBench> {
    let interface = rig.interface.as_ref().ok_or_else(|| {
        Error::new(
            Kind::Unavailable,
            format!("the rig \"{}\" names no audio interface, so that nothing can be played", rig.name),
        )
        .next(
            "add [interface] to its rig file with a device that `asleft interfaces` lists, and name the file with --rig; \
             captures made by other means are analysed with `asleft analyse`",
        )
    })?;
    LiveBench::open(interface)
}

/// The rig that a live job is measured with.
///
/// # Errors
/// Where the record has none.
pub(super) fn rig_of(record: &Record) -> Result<Rig> {
    record.rig().cloned().ok_or_else(|| {
        Error::new(Kind::Mismatch, "this live job has no rig")
            .at(record.id.clone())
            .next("name its rig file with --rig")
    })
}

/// Connects the unit with the person at this terminal, and plays steps on the live bench; the names of those
/// that were left out.
///
/// # Errors
/// As [`guided::measure`].
pub(super) fn run_live(
    writer: &mut Writer,
    bench: &mut LiveBench,
    visit: &Visit<'_>,
    steps: &[Step],
    io: &mut Streams<'_>,
) -> Result<Vec<String>> {
    let mut answers = interrupt::Answers::default();
    let mut operator = Terminal::new(&mut answers, io.err, io.interactive)?;
    guided::measure(writer, bench, &mut operator, visit, steps)
}
