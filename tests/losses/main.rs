//! Losses put into takes of the simulated amplifier, in both streams: what is found, what is not, and what that may do to
//! the figures.
//!
//! `ASLEFT_LOSSES` is the number of takes (a few hundred without it); `make losses` runs 10,000.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may stop where it stands, also in its own functions"
)]

mod damage;
mod pool;
mod random;

use asleft::take::losses::Clocks;
use damage::Loss;
use pool::{Clean, drawn};
use random::Random;
use rayon::prelude::*;

/// Takes without `ASLEFT_LOSSES`.
const TAKES: u64 = 150;

fn takes() -> u64 {
    std::env::var("ASLEFT_LOSSES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(TAKES)
}

#[test]
fn clean_takes_raise_no_alarm() {
    let alarms: Vec<String> = (0..takes())
        .into_par_iter()
        .filter_map(|i| {
            let mut random = Random::new(1000 + i);
            let clean = Clean::new(drawn(i, &mut random), i);
            let examined = match clean.examine(clean.planes.clone(), Clocks::One) {
                Ok(e) => e,
                Err(e) => return Some(format!("{i}: {:?}: {e:?}", clean.stimulus.channels[0])),
            };
            examined.integrity.is_damaged().then(|| {
                format!(
                    "{i}: {:?}: {:?}",
                    clean.stimulus.channels[0],
                    examined.integrity.reasons()
                )
            })
        })
        .collect();
    assert!(alarms.is_empty(), "{}:\n{}", alarms.len(), alarms.join("\n"));
}

#[test]
fn probe() {
    let t = std::time::Instant::now();
    let lines: Vec<String> = (0..takes())
        .into_par_iter()
        .flat_map_iter(|i| {
            let mut random = Random::new(5000 + i);
            let clean = Clean::new(drawn(i, &mut random), i);
            let mut out = Vec::new();
            for _ in 0..6 {
                let loss = Loss::drawn(&mut random, 4096);
                let at = loss.place(&clean.inside, &mut random);
                let mut planes = clean.planes.clone();
                loss.strike(&mut planes, at, &clean.sigma);
                let mut twin = clean.twin.clone();
                loss.strike(&mut twin, at, &clean.sigma);
                let altered = (0..2)
                    .flat_map(|c| {
                        let (t, o, s) = (&twin[c], &clean.twin[c], clean.sigma[c]);
                        clean.inside.clone().map(move |n| (t[n] - o[n]).abs() / s)
                    })
                    .fold(0.0, f64::max);
                let found = match clean.examine(planes, Clocks::One) {
                    Ok(e) => e.integrity.is_damaged(),
                    Err(_) => true,
                };
                if !found && (altered > 6.0 || loss.shifts()) {
                    out.push(format!(
                        "{i}: {:?} {loss:?} at {at}: altered {altered:.1} sigma",
                        clean.stimulus.channels[0]
                    ));
                }
            }
            out
        })
        .collect();
    println!("{} s, missed {}\n{}", t.elapsed().as_secs_f64(), lines.len(), lines.join("\n"));
}
