//! What one step alone cannot do does not end a session: the rest is measured and the check is made. What a unit does by
//! itself can be measured as found. The faults are made between the simulated bench and whoever records.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

use asleft::bench::simulated::{SimulatedBench, bench_interface, demo_rig, tarnbeck_60};
use asleft::bench::{Bench, Flow, Loss, Played, Reason, Sink};
use asleft::error::Result;
use asleft::figure::Channel;
use asleft::job::steadiness::CHECK;
use asleft::job::{BenchKind, Moment, Record, StageKind, Writer};
use asleft::procedure::operator::Unattended;
use asleft::procedure::plan::{self, Step};
use asleft::procedure::run::{CHANNELS, HIGH_FREQUENCY, Session, UNIT_ITSELF};
use asleft::rig::ceiling::Cleared;
use asleft::signal::source::Format;
use asleft::signal::stimulus::Signal;
use asleft::signal::take::Setup;
use asleft::unit::file;
use tempfile::TempDir;

fn at() -> Moment {
    "2026-03-14T10:00:00+01:00".parse().unwrap()
}

fn record() -> Record {
    let unit = file::parse(include_str!("../units/tarnbeck-60.unit.toml"), "demo").unwrap();
    Record::new(at(), unit, "", BenchKind::Simulated)
}

/// What is done to a take.
#[derive(Clone, Copy, PartialEq)]
enum Meddled {
    Nothing,
    /// Left comes back on right, and right on left.
    Exchanged,
    /// Both carry the mean of both.
    Joined,
    /// Loud tones lose half a decibel while they last, as of a supply that sags.
    Sags,
    /// The same, and the device reports a loss.
    SagsAndLoses,
    /// Loud tones are stopped: an input is at full scale.
    Clips,
    /// Sweeps are stopped: louder than predicted.
    LouderInSweeps,
}

struct Between {
    bench: SimulatedBench,
    meddled: Meddled,
}

struct Through<'a> {
    sink: &'a mut dyn Sink,
    meddled: Meddled,
    frames: f64,
    so_far: f64,
}

impl Sink for Through<'_> {
    fn begin(&mut self, format: &Format) -> Result<()> {
        self.frames = format.frames as f64;
        self.sink.begin(format)
    }

    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow> {
        let (left, right) = (planes[0], planes[1]);
        let both: Vec<f64> = left.iter().zip(right).map(|(l, r)| (l + r) / 2.0).collect();
        match self.meddled {
            Meddled::Exchanged => self.sink.block(&[right, left]),
            Meddled::Joined => self.sink.block(&[&both, &both]),
            Meddled::Sags | Meddled::SagsAndLoses => {
                let fallen = |plane: &[f64]| -> Vec<f64> {
                    let db = |n: usize| -0.5 * (self.so_far + n as f64) / self.frames;
                    plane
                        .iter()
                        .enumerate()
                        .map(|(n, x)| x * 10f64.powf(db(n) / 20.0))
                        .collect()
                };
                let (left, right) = (fallen(left), fallen(right));
                self.so_far += left.len() as f64;
                self.sink.block(&[&left, &right])
            }
            _ => self.sink.block(planes),
        }
    }
}

impl Bench for Between {
    fn play(&mut self, cleared: &Cleared, setup: &Setup, sink: &mut dyn Sink) -> Result<Played> {
        let signal = cleared.stimulus().channels[0].clone();
        // The connection's tones are at least 20 dB below what gives full output.
        let loud = matches!(signal, Signal::Tone { level_dbfs, .. } if level_dbfs > -41.0);
        let sweep = matches!(signal, Signal::Sweep { .. });
        let meddled = match self.meddled {
            Meddled::Sags | Meddled::SagsAndLoses | Meddled::Clips if !loud => Meddled::Nothing,
            Meddled::LouderInSweeps if !sweep => Meddled::Nothing,
            other => other,
        };
        let played = self.bench.play(
            cleared,
            setup,
            &mut Through {
                sink,
                meddled,
                frames: 0.0,
                so_far: 0.0,
            },
        )?;
        Ok(match meddled {
            Meddled::SagsAndLoses => Played {
                losses: vec![Loss {
                    at_frame: 1234,
                    what: "overrun".to_owned(),
                }],
                ..played
            },
            Meddled::Clips => Played {
                stopped: Some((Reason::Clipped(Channel::Left), 1000)),
                ..played
            },
            Meddled::LouderInSweeps => Played {
                stopped: Some((Reason::Louder(Channel::Left, 7.0), 1000)),
                ..played
            },
            _ => played,
        })
    }

    fn simulated(&self) -> bool {
        true
    }
}

/// Runs the named steps; the record, and the steps that were left out or what ended the session.
fn run(meddled: Meddled, yes: &[&str], names: &[&str]) -> (Record, Result<Vec<String>>) {
    let root = TempDir::new().unwrap();
    let record = record();
    let all = plan::full(&record.unit, "power", "noise").unwrap();
    let steps: Vec<Step> = names
        .iter()
        .map(|n| all.iter().find(|s| s.name == *n).unwrap().clone())
        .collect();
    let mut writer = Writer::create(root.path(), record).unwrap();
    let mut bench = Between {
        bench: SimulatedBench::new(tarnbeck_60(), bench_interface(), 7),
        meddled,
    };
    let (rig, mut operator) = (demo_rig(), Unattended::yes_to(yes));
    let mut session = Session::new(
        &mut writer,
        &mut bench,
        &rig,
        StageKind::AsFound,
        &at,
        &mut operator,
    );
    let left = session.run_all(&steps, &mut |_, _, _| Ok(()));
    (writer.job().record().clone(), left)
}

fn has(record: &Record, name: &str) -> bool {
    record.stages[0].measurements.iter().any(|m| m.name == name)
}

fn said(record: &Record, words: &str) -> bool {
    record.notes.iter().any(|n| n.contains(words))
}

#[test]
fn a_declined_burst_is_left_out_and_the_check_is_made() {
    let names = ["power-600mw", "power-rated-high", CHECK];
    let (record, left) = run(Meddled::Nothing, &[], &names);
    assert_eq!(left.unwrap(), ["power-rated-high"]);
    assert!(has(&record, CHECK) && !has(&record, "power-rated-high"));
    assert!(
        said(&record, "as found, power-rated-high: not measured"),
        "{:?}",
        record.notes
    );
    let (record, left) = run(Meddled::Nothing, &[HIGH_FREQUENCY], &names);
    assert!(left.unwrap().is_empty() && has(&record, "power-rated-high"));
    assert!(record.notes.is_empty());
}

#[test]
fn a_sweep_that_is_too_loud_is_left_out() {
    let names = ["separation-left", "power-600mw", CHECK];
    let (record, left) = run(Meddled::LouderInSweeps, &[], &names);
    assert_eq!(left.unwrap(), ["separation-left"]);
    assert!(has(&record, "power-600mw") && has(&record, CHECK));
}

#[test]
fn an_input_at_full_scale_twice_ends_the_session() {
    let (record, left) = run(Meddled::Clips, &[], &["power-19w", CHECK]);
    assert_eq!(left.unwrap(), ["power-19w"]);
    assert!(has(&record, CHECK));
    let (record, ended) = run(Meddled::Clips, &[], &["power-19w", "power-rated", CHECK]);
    assert!(ended.unwrap_err().what().contains("full scale"));
    assert!(!has(&record, CHECK));
}

#[test]
fn what_the_unit_does_in_every_take_can_be_kept_as_its_own() {
    let names = ["power-rated", CHECK];
    let (record, left) = run(Meddled::Sags, &[UNIT_ITSELF], &names);
    assert!(left.unwrap().is_empty());
    assert!(has(&record, "power-rated") && has(&record, CHECK));
    assert!(said(&record, "as the unit's own"), "{:?}", record.notes);
    // Nobody says so.
    let (record, left) = run(Meddled::Sags, &[], &names);
    assert_eq!(left.unwrap(), ["power-rated"]);
    assert!(said(&record, "3 takes were damaged"));
    // A device that loses samples is not the unit.
    let (record, left) = run(Meddled::SagsAndLoses, &[UNIT_ITSELF], &names);
    assert_eq!(left.unwrap(), ["power-rated"]);
    assert!(!said(&record, "as the unit's own"));
}

#[test]
fn what_to_do_next_fits_the_damage() {
    let next = |meddled| {
        let root = TempDir::new().unwrap();
        let record = record();
        let all = plan::full(&record.unit, "power", "noise").unwrap();
        let mut writer = Writer::create(root.path(), record).unwrap();
        let bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 7);
        let mut bench = Between { bench, meddled };
        let (rig, mut operator) = (demo_rig(), Unattended::default());
        let mut session = Session::new(
            &mut writer,
            &mut bench,
            &rig,
            StageKind::AsFound,
            &at,
            &mut operator,
        );
        let rated = all.iter().find(|s| s.name == "power-rated").unwrap();
        session.run(rated).unwrap_err().next_step().unwrap().to_owned()
    };
    let level = next(Meddled::Sags);
    assert!(level.contains("contact") && !level.contains("USB"), "{level}");
    assert!(next(Meddled::SagsAndLoses).contains("USB"));
}

#[test]
fn channels_that_are_exchanged_or_joined_are_asked_about_before_anything_louder() {
    for (meddled, word) in [
        (Meddled::Exchanged, "exchanged"),
        (Meddled::Joined, "carries both"),
    ] {
        let (record, ended) = run(meddled, &[], &["connection"]);
        let error = ended.unwrap_err();
        assert!(error.what().contains(word), "{error}");
        assert_eq!(record.takes().count(), 0);
        let (record, left) = run(meddled, &[CHANNELS], &["connection"]);
        assert!(left.unwrap().is_empty());
        assert!(said(&record, word), "{:?}", record.notes);
    }
}
