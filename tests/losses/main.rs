//! Losses put into takes of the simulated amplifier, in both streams: what is found, what is not, and what that may do to
//! the figures.
//!
//! `ASLEFT_LOSSES` is the number of takes (a hundred or so without it); `make losses` runs 10,000.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands, also in its own functions"
)]

mod causes;
mod damage;
mod pool;
mod random;

use asleft::bench::simulated::demo_rig;
use asleft::figures::{self, Context};
use asleft::take::Examined;
use asleft::take::losses::Clocks;
use damage::Loss;
use pool::{Answer, Pool};
use random::Random;
use rayon::prelude::*;
use std::sync::LazyLock;

/// Takes without `ASLEFT_LOSSES`.
const TAKES: u64 = 120;

/// A sample that is altered by this many standard deviations of the noise is found. The threshold of a test is below 7.2 for
/// takes of this length (`take::residual` derives it), the noise's own share at the altered sample is below 3.7 in all but
/// one of 10,000, and the local σ is known to a few percent: 7.2 · 1.03 + 3.7.
const SURE: f64 = 11.1;

/// One loss in so many is put into what is played; the others into what is recorded. Each costs a simulation.
const PLAYED: u64 = 20;

fn takes() -> u64 {
    std::env::var("ASLEFT_LOSSES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(TAKES)
}

static POOL: LazyLock<Pool> = LazyLock::new(|| {
    let answers = (takes() / 50).clamp(15, 100);
    Pool::new(answers, (takes() / 500).clamp(2, 8))
});

#[test]
fn clean_takes_raise_no_alarm() {
    let alarms: Vec<String> = (0..takes())
        .into_par_iter()
        .filter_map(|i| {
            let mut random = Random::new(1_000_000 + i);
            let answer = &POOL.answers[random.below(POOL.answers.len())];
            let planes = POOL.with_noise(&answer.planes, &mut random);
            let said = match answer.examine(planes, Clocks::One) {
                Ok(e) if !e.integrity.is_damaged() => return None,
                Ok(e) => format!("{:?}", e.integrity.reasons()),
                Err(e) => format!("{e:?}"),
            };
            Some(format!("{i}: {:?}: {said}", answer.stimulus.channels[0]))
        })
        .collect();
    assert!(alarms.is_empty(), "{}:\n{}", alarms.len(), alarms.join("\n"));
}

/// How a loss ended.
enum End {
    Found,
    /// Below [`SURE`] and not found; figures that it moved by more than a tenth of their uncertainty.
    Unseen(Vec<String>),
    Missed,
}

struct Case {
    what: String,
    altered: f64,
    end: End,
}

#[test]
fn losses_are_found_or_move_no_figure() {
    let cases: Vec<Case> = (0..takes()).into_par_iter().map(case).collect();
    let said = |keep: &dyn Fn(&Case) -> Option<String>| -> Vec<String> {
        let line = |c: &Case| keep(c).map(|s| format!("{} (altered by {:.1} σ) {s}", c.what, c.altered));
        cases.iter().filter_map(line).collect()
    };
    let found = cases.iter().filter(|c| matches!(c.end, End::Found)).count();
    let between = said(&|c| (matches!(c.end, End::Unseen(_)) && c.altered > 6.0).then(String::new));
    let above = cases.iter().filter(|c| c.altered > 6.0).count();
    println!(
        "{} losses: {found} found; {above} altered a sample by more than 6 σ, of which {} were not seen:\n{}",
        cases.len(),
        between.len(),
        between.join("\n")
    );
    let missed = said(&|c| matches!(c.end, End::Missed).then(String::new));
    assert!(missed.is_empty(), "missed:\n{}", missed.join("\n"));
    let moved = said(&|c| match &c.end {
        End::Unseen(moved) if !moved.is_empty() => Some(moved.join(", ")),
        _ => None,
    });
    assert!(
        moved.is_empty(),
        "unseen, but moved figures:\n{}",
        moved.join("\n")
    );
    // Most losses are beyond any doubt: without this the test could pass by finding nothing.
    assert!(found * 2 > cases.len(), "only {found}");
}

fn case(i: u64) -> Case {
    let mut random = Random::new(2_000_000 + i);
    let answer = &POOL.answers[random.below(POOL.answers.len())];
    let loss = Loss::drawn(&mut random, 4096);
    let at = loss.place(&answer.inside, &mut random);
    let played = i.is_multiple_of(PLAYED) && !matches!(loss, Loss::Corrupt { .. });
    let mut altered = answer.planes.clone();
    if played {
        // The same place of the signal, before it has gone out.
        let before = answer.inside.start
            - answer.frames_in(answer.stimulus.lead_in_s + answer.stimulus.fade_s + 0.006);
        let mut drive = answer.drive.clone();
        loss.strike(&mut drive, at - before, &POOL.sigma);
        altered = answer.to(&drive);
    } else {
        loss.strike(&mut altered, at, &POOL.sigma);
    }
    let most = most_altered(answer, &altered);
    // The noise of the recording is not lost with what was lost on the way out.
    let seed = 3_000_000 + i;
    let damaged = if played || matches!(loss, Loss::Corrupt { .. }) {
        POOL.with_noise(&altered, &mut Random::new(seed))
    } else {
        let mut planes = POOL.with_noise(&answer.planes, &mut Random::new(seed));
        loss.strike(&mut planes, at, &POOL.sigma);
        planes
    };
    let end = match answer.examine(damaged, Clocks::One) {
        Err(_) => End::Found,
        Ok(e) if e.integrity.is_damaged() => End::Found,
        Ok(_) if loss.shifts() || most > SURE => End::Missed,
        Ok(e) => {
            let clean = POOL.with_noise(&answer.planes, &mut Random::new(seed));
            End::Unseen(moved(&answer.examine(clean, Clocks::One).unwrap(), &e))
        }
    };
    let stream = if played { "played" } else { "recorded" };
    Case {
        what: format!(
            "{i}: {:?}: {loss:?} {stream} at {at}",
            answer.stimulus.channels[0]
        ),
        altered: most,
        end,
    }
}

/// The largest alteration of a sample in units of the noise, where the signal is on.
fn most_altered(answer: &Answer, altered: &[Vec<f64>]) -> f64 {
    let mut most: f64 = 0.0;
    for ((a, b), sigma) in altered.iter().zip(&answer.planes).zip(&POOL.sigma) {
        let inside = answer.inside.start..answer.inside.end.min(a.len());
        for n in inside {
            most = most.max((a[n] - b[n]).abs() / sigma);
        }
    }
    most
}

/// The figures that two takes of the same thing differ in by more than a tenth of the expanded uncertainty.
fn moved(clean: &Examined, other: &Examined) -> Vec<String> {
    let rig = demo_rig();
    let of = |e: &Examined| {
        let context = Context {
            rig: Some(&rig),
            ..Context::default()
        };
        figures::of_take(e, &context).figures
    };
    let others = of(other);
    of(clean)
        .iter()
        .filter(|f| !f.upper_limit)
        .filter_map(|f| {
            let same = |o: &&asleft::figure::Figure| {
                (o.id, o.channel, o.unit, o.order, o.weighting)
                    == (f.id, f.channel, f.unit, f.order, f.weighting)
                    && o.band.map(|b| b.low_hz.to_bits()) == f.band.map(|b| b.low_hz.to_bits())
            };
            let o = others.iter().find(same)?;
            let (low, high) = f.estimate.interval();
            let by = (o.estimate.value - f.estimate.value).abs() / (0.5 * (high - low));
            (by > 0.1).then(|| {
                format!(
                    "{} {} {:?} {:?} by {by:.2} U",
                    f.id, f.channel, f.order, f.weighting
                )
            })
        })
        .collect()
}
