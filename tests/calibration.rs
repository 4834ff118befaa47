//! The guided calibration on a simulated bench, by a technician whose multimeter is off by what its maker allows.
//!
//! The oracle is the model: its own volts, ohms and ratios, which the calibration never sees. Many meters, two of each
//! class, are tried over one set of recordings: what the interface reads does not depend on the meter.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands"
)]

use asleft::bench::simulated::{MultimeterModel, bench_interface, tarnbeck_60};
use asleft::error::Result;
use asleft::procedure::calibration::{Answers, Calibration, Calibrator, Rehearsal, Rehearsing};
use asleft::rig::{Rig, file, meter};
use std::cell::RefCell;

fn calibration() -> Calibration {
    Calibration { name: "Example Bench".to_owned(), devices: None, reading_s: 1.0 }
}

fn rehearsal(class: usize, seed: u64) -> Rehearsal {
    let meter = MultimeterModel::new(meter::classes()[class].meter.clone(), seed);
    Rehearsal::new(bench_interface(), tarnbeck_60(), meter, seed)
}

fn run(rehearsal: Rehearsal, from: Answers) -> (Result<Rig>, Answers) {
    let kept = RefCell::new(Answers::default());
    let rehearsal = RefCell::new(rehearsal);
    let mut operator = Rehearsing::new(&rehearsal, None);
    let mut open = |opening: &_| Ok(rehearsal.borrow().bench(opening));
    let mut keep = |answers: &Answers| {
        *kept.borrow_mut() = answers.clone();
        Ok(())
    };
    let rig = Calibrator::new(&mut operator, &mut open, &mut keep, "2026-01-10").run(&calibration(), from);
    (rig, kept.into_inner())
}

#[test]
fn a_whole_calibration_gives_a_rig_that_can_be_used() {
    let start = std::time::Instant::now();
    let (rig, answers) = run(rehearsal(1, 1), Answers::default());
    let rig = rig.unwrap();
    println!("{}\n{}\n{:?}", file::to_text(&rig).unwrap(), answers.in_words().join("\n"), start.elapsed());
    let inspection = file::check(&file::to_text(&rig).unwrap(), "new");
    assert_eq!(inspection.problems, vec![]);
}
