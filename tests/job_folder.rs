//! A job's folder through crashes, damage, two writers, full disks and old versions.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod tarnbeck;

use asleft::error::{Error, Kind, Result};
use asleft::figure::{Driven, FigureId};
use asleft::job::capture::{Health, Sidecar};
use asleft::job::{BenchKind, Job, NewCapture, Record, StageKind, Writer, list};
use asleft::signal::source::{Encoding, Format};
use asleft::signal::stimulus::{Signal, Stimulus};
use asleft::signal::take::Setup;
use proptest::prelude::*;
use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use tarnbeck::{at, record};
use tempfile::TempDir;

const FORMAT: Format = Format {
    sample_rate_hz: 48_000,
    channels: 2,
    frames: 3,
    encoding: Encoding::Int(24),
};

fn samples(bytes: &'static [u8]) -> impl FnOnce(&mut File) -> Result<Format> {
    move |file| {
        file.write_all(bytes)
            .map_err(|e| Error::io("write the capture", Path::new("capture"), &e))?;
        Ok(FORMAT)
    }
}

fn add(writer: &mut Writer, measurement: &str, bytes: &'static [u8]) -> Result<String> {
    let tone = Signal::Tone {
        frequency_hz: 997.0,
        level_dbfs: -3.01,
    };
    let stimulus = Stimulus::stereo(48_000, 5.0, &tone, Driven::Both);
    let setup = Setup {
        driven: Some(Driven::Both),
        mode: Some("class A".to_owned()),
        ..Setup::default()
    };
    let new = NewCapture {
        stage: StageKind::AsFound,
        measurement,
        figures: &[FigureId::Thd],
        recorded: at("2026-03-14T10:00:00+01:00"),
        stimulus: Some(&stimulus),
        setup: &setup,
        rig_sha256: None,
        simulated: true,
    };
    writer.add_capture(&new, samples(bytes))
}

fn opened() -> (TempDir, Writer) {
    let root = TempDir::new().unwrap();
    let writer = Writer::create(root.path(), record(BenchKind::Simulated)).unwrap();
    (root, writer)
}

fn health(folder: &Path) -> Vec<(String, Health)> {
    let states = Job::read(folder).unwrap().verify().unwrap();
    states.into_iter().map(|s| (s.capture, s.health)).collect()
}

/// Every file of the folder but the lock, with its bytes.
fn contents(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut all = Vec::new();
    for dir in [folder.to_owned(), folder.join("captures")] {
        for entry in fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file() && !path.ends_with("job.lock") {
                all.push((path.clone(), fs::read(path).unwrap()));
            }
        }
    }
    all.sort();
    all
}

#[test]
fn a_capture_can_be_read_back_with_its_conditions() {
    let (_root, mut writer) = opened();
    let first = add(&mut writer, "thd", b"one").unwrap();
    let second = add(&mut writer, "THD + N", b"two").unwrap();
    assert_eq!((first.as_str(), second.as_str()), ("001-thd", "002-thd-n"));
    let job = Job::read(writer.job().folder()).unwrap();
    assert_eq!(&job, writer.job());
    let sidecar = job.sidecar("001-thd").unwrap();
    // SHA-256 of "one", by coreutils' sha256sum.
    assert_eq!(
        sidecar.sha256,
        "7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed"
    );
    assert_eq!(sidecar.setup.mode.as_deref(), Some("class A"));
    assert_eq!(sidecar.format, FORMAT);
    assert!(health(job.folder()).iter().all(|(_, h)| *h == Health::Intact));
}

#[test]
fn only_one_may_write_and_all_may_read() {
    let (_root, writer) = opened();
    let folder = writer.job().folder().to_owned();
    let refused = Writer::open(&folder).unwrap_err();
    assert_eq!(refused.kind(), Kind::Unavailable);
    assert!(refused.what().contains("is writing to this job"), "{refused}");
    Job::read(&folder).unwrap();
    drop(writer);
    Writer::open(&folder).unwrap();
}

#[test]
fn equal_names_get_a_number() {
    let (root, first) = opened();
    let second = Writer::create(root.path(), record(BenchKind::Simulated)).unwrap();
    assert_ne!(first.job().folder(), second.job().folder());
    assert!(second.job().record().id.ends_with("-0042-2"));
    let jobs = list(root.path()).unwrap();
    assert_eq!(jobs.len(), 2);
    let found = Job::find("2026-03-14-tarnbeck-60-0042-2", root.path()).unwrap();
    assert_eq!(found.record().id, second.job().record().id);
    let vague = Job::find("2026-03", root.path()).unwrap_err();
    assert!(vague.what().starts_with("2 jobs"), "{vague}");
    assert!(Job::find("nothing", root.path()).is_err());
}

/// A power cut leaves the files written so far and perhaps half an aside file. Every such state is made here from the
/// two whole states around one more capture, by putting the new files in the order they are written in.
#[test]
fn a_power_cut_at_any_moment_loses_at_most_the_capture_in_flight() {
    let (_root, mut writer) = opened();
    add(&mut writer, "noise", b"kept").unwrap();
    let folder = writer.job().folder().to_owned();
    let before = contents(&folder);
    let old = writer.job().record().clone();
    add(&mut writer, "thd", b"in flight").unwrap();
    let new = writer.job().record().clone();
    let after = contents(&folder);
    drop(writer);
    let order = [
        "captures/002-thd.wav",
        "captures/002-thd.json",
        "job.previous.json",
        "job.json",
    ];
    for step in 0..=order.len() {
        for half in [false, true] {
            restore(&folder, &before);
            for name in &order[..step] {
                put(&folder, name, &after);
            }
            if let Some(name) = order.get(step).filter(|_| half) {
                put_half_aside(&folder, name, &after);
            }
            let expected = if step == order.len() { &new } else { &old };
            assert_eq!(Job::read(&folder).unwrap().record(), expected, "step {step}");
            let expected_health = match step {
                0 => None,
                1 => Some(Health::Unfinished),
                2 | 3 => Some(Health::Unrecorded),
                _ => Some(Health::Intact),
            };
            let found = health(&folder);
            assert_eq!(found[0], ("001-noise".to_owned(), Health::Intact));
            assert_eq!(found.get(1).map(|(_, h)| *h), expected_health, "step {step}");
            let mut writer = Writer::open(&folder).unwrap();
            assert!(
                contents(&folder)
                    .iter()
                    .all(|(p, _)| !p.to_string_lossy().ends_with(".part"))
            );
            // The next capture takes a number of its own and overwrites nothing.
            let next = add(&mut writer, "thd", b"again").unwrap();
            assert_eq!(next, if step == 0 { "002-thd" } else { "003-thd" });
        }
    }
}

fn restore(folder: &Path, state: &[(PathBuf, Vec<u8>)]) {
    for (path, _) in contents(folder) {
        fs::remove_file(path).unwrap();
    }
    for (path, bytes) in state {
        fs::write(path, bytes).unwrap();
    }
}

fn put(folder: &Path, name: &str, state: &[(PathBuf, Vec<u8>)]) {
    let path = folder.join(name);
    let bytes = &state.iter().find(|(p, _)| *p == path).unwrap().1;
    fs::write(path, bytes).unwrap();
}

fn put_half_aside(folder: &Path, name: &str, state: &[(PathBuf, Vec<u8>)]) {
    let path = folder.join(name);
    let bytes = &state.iter().find(|(p, _)| *p == path).unwrap().1;
    let file = path.file_name().unwrap().to_string_lossy().into_owned();
    fs::write(
        path.with_file_name(format!(".{file}.part")),
        &bytes[..bytes.len() / 2],
    )
    .unwrap();
}

#[test]
fn a_damaged_record_names_the_previous_one() {
    let (_root, mut writer) = opened();
    add(&mut writer, "thd", b"one").unwrap();
    let folder = writer.job().folder().to_owned();
    drop(writer);
    let path = folder.join("job.json");
    let whole = fs::read(&path).unwrap();
    for cut in [0, 1, whole.len() / 2, whole.len() - 3] {
        fs::write(&path, &whole[..cut]).unwrap();
        let error = Job::read(&folder).unwrap_err();
        assert_eq!(error.kind(), Kind::Format, "{error}");
        let next = error.next_step().unwrap();
        assert!(
            next.contains("job.previous.json") && next.contains("intact"),
            "{next}"
        );
    }
    // What the message asks for works.
    fs::copy(folder.join("job.previous.json"), &path).unwrap();
    Job::read(&folder).unwrap();
    assert_eq!(health(&folder), [("001-thd".to_owned(), Health::Unrecorded)]);
}

#[test]
fn altered_and_missing_captures_are_told() {
    let (_root, mut writer) = opened();
    for name in ["a", "b", "c", "d", "e"] {
        add(&mut writer, name, b"samples").unwrap();
    }
    let job = writer.job();
    fs::write(job.samples_path("001-a"), b"sampleS").unwrap();
    fs::remove_file(job.samples_path("002-b")).unwrap();
    fs::remove_file(job.sidecar_path("003-c")).unwrap();
    let text = fs::read_to_string(job.sidecar_path("004-d")).unwrap();
    fs::write(job.sidecar_path("004-d"), text.replace("997.0", "998.0")).unwrap();
    let found: Vec<Health> = health(job.folder()).into_iter().map(|(_, h)| h).collect();
    assert_eq!(
        found,
        [
            Health::SamplesAltered,
            Health::SamplesMissing,
            Health::SidecarMissing,
            Health::SidecarAltered,
            Health::Intact
        ]
    );
}

#[test]
fn a_failed_recording_leaves_no_trace() {
    let (_root, mut writer) = opened();
    let before = contents(writer.job().folder());
    let setup = Setup::default();
    let new = NewCapture {
        stage: StageKind::AsLeft,
        measurement: "thd",
        figures: &[],
        recorded: at("2026-03-14T10:00:00+01:00"),
        stimulus: None,
        setup: &setup,
        rig_sha256: None,
        simulated: false,
    };
    let failed = writer.add_capture(&new, |file| {
        file.write_all(b"half").unwrap();
        Err(Error::new(Kind::Unavailable, "the interface was unplugged"))
    });
    assert_eq!(failed.unwrap_err().what(), "the interface was unplugged");
    assert_eq!(contents(writer.job().folder()), before);
}

/// A full disk answers a write with this error of the operating system: ENOSPC is 28 on Linux.
#[test]
fn a_full_disk_is_told_with_its_next_step_and_costs_nothing_recorded() {
    let (_root, mut writer) = opened();
    add(&mut writer, "noise", b"kept").unwrap();
    let folder = writer.job().folder().to_owned();
    let record = writer.job().record().clone();
    let setup = Setup::default();
    let new = NewCapture {
        stage: StageKind::AsFound,
        measurement: "thd",
        figures: &[],
        recorded: writer.job().record().opened,
        stimulus: None,
        setup: &setup,
        rig_sha256: None,
        simulated: false,
    };
    let error = writer
        .add_capture(&new, |file| {
            file.write_all(b"one too many").unwrap();
            let full = std::io::Error::from(std::io::ErrorKind::StorageFull);
            Err(Error::io("write the recording", &folder, &full))
        })
        .unwrap_err();
    assert!(error.next_step().unwrap().contains("free some space"), "{error}");
    assert_eq!(writer.job().record(), &record);
    assert_eq!(Job::read(&folder).unwrap().record(), &record);
    assert_eq!(health(&folder)[0].1, Health::Intact);
}

#[cfg(target_os = "linux")]
#[test]
fn a_place_that_cannot_be_written_is_named() {
    let error = Writer::create(Path::new("/proc/jobs"), record(BenchKind::Simulated)).unwrap_err();
    assert_eq!(error.kind(), Kind::Io);
    assert!(error.place().unwrap().starts_with("/proc/jobs") && error.next_step().is_some());
}

#[test]
fn a_change_that_contradicts_itself_is_not_written() {
    let (_root, mut writer) = opened();
    let before = contents(writer.job().folder());
    let refused = writer.update(|record| {
        record.stage_mut(StageKind::Inoperable, at("2026-03-14T10:00:00+01:00"));
        Ok(())
    });
    assert!(refused.unwrap_err().what().contains("reason"));
    // A number that JSON has no word for would be written as null and never read again.
    let infinite = writer.update(|record| {
        record.unit.power.watts = f64::INFINITY;
        Ok(())
    });
    assert!(infinite.is_err());
    assert_eq!(contents(writer.job().folder()), before);
    assert!(writer.job().record().unit.power.watts.is_finite());
}

fn v1() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/job/v1")
}

/// The fixture was written by version 1 of the format and is never regenerated.
#[test]
fn version_1_stays_readable() {
    let job = Job::read(&v1()).unwrap();
    let record = job.record();
    assert_eq!(record.unit.model, "Tarnbeck 60");
    assert_eq!(record.opened.to_string(), "2026-03-14T09:30:00+01:00");
    assert_eq!(record.rigs.len(), 1);
    assert_eq!(record.stages[0].measurements[0].figures, [FigureId::Thd]);
    let sidecar = job.sidecar("001-thd").unwrap();
    assert_eq!(sidecar.format, FORMAT);
    assert_eq!(job.verify().unwrap()[0].health, Health::Intact);
}

#[test]
fn unknown_keys_and_versions_are_refused_by_name() {
    let text = fs::read_to_string(v1().join("job.json")).unwrap();
    let path = Path::new("job.json");
    let misspelt = text.replacen("\"complaint\"", "\"complaimt\"", 1);
    let error = Record::read(&misspelt, path).unwrap_err();
    assert_eq!(error.what(), "unknown key \"complaimt\"");
    assert_eq!(error.next_step(), Some("did you mean \"complaint\"?"));
    assert!(error.place().unwrap().starts_with("job.json, line "));
    let newer = text.replacen("asleft.job.v1", "asleft.job.v9", 1);
    let error = Record::read(&newer, path).unwrap_err();
    assert!(
        error.next_step().unwrap().contains("version of asleft"),
        "{error}"
    );
    let other = text.replacen("asleft.job.v1", "asleft.rig.v1", 1);
    assert!(
        Record::read(&other, path)
            .unwrap_err()
            .what()
            .contains("not a file of kind")
    );
    let escaping = text.replace("\"001-thd\"", "\"../../001-thd\"");
    assert!(
        Record::read(&escaping, path)
            .unwrap_err()
            .what()
            .contains("cannot name a capture")
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    /// No text makes reading panic, and what was cut off is never taken for whole.
    #[test]
    fn a_cut_or_altered_record_never_panics(cut in 0.0..1.0f64, byte in 0u8..128) {
        let text = fs::read_to_string(v1().join("job.json")).unwrap();
        let at = (text.len() as f64 * cut) as usize;
        let head: String = text.chars().take(at).collect();
        if head.trim_end().len() < text.trim_end().len() {
            prop_assert!(Record::read(&head, Path::new("job.json")).is_err());
        }
        let altered = format!("{head}{}{}", char::from(byte), &text[head.len()..]);
        drop(Record::read(&altered, Path::new("job.json")));
        drop(Sidecar::read(&altered, Path::new("001-thd.json")));
    }

    /// Whatever replaces a piece of a record or a sidecar: what is accepted can be written and comes back, and what is
    /// not says what to do next. The same entries are fuzzed in `fuzz/`.
    #[test]
    fn what_is_read_comes_back_and_what_is_not_says_why(
        place in 0.0..1.0f64,
        length in 0usize..40,
        new in prop_oneof![
            Just(String::new()),
            Just("null".to_owned()),
            Just("1e999".to_owned()),
            "[ -~]{0,12}",
            any::<f64>().prop_map(|x| x.to_string()),
        ],
    ) {
        let path = Path::new("x.json");
        let (record, sidecar) = ("job.json", "captures/001-thd.json");
        let altered = |name: &str| {
            let text: Vec<char> = fs::read_to_string(v1().join(name)).unwrap().chars().collect();
            let start = (text.len() as f64 * place) as usize;
            let end = (start + length).min(text.len());
            text[..start].iter().copied().chain(new.chars()).chain(text[end..].iter().copied()).collect::<String>()
        };
        match Record::read(&altered(record), path) {
            Ok(read) => prop_assert_eq!(Record::read(&read.to_text().unwrap(), path), Ok(read)),
            Err(error) => prop_assert!(error.next_step().is_some(), "{error}"),
        }
        match Sidecar::read(&altered(sidecar), path) {
            Ok(read) => prop_assert_eq!(Sidecar::read(&read.to_text().unwrap(), path), Ok(read)),
            Err(error) => prop_assert!(error.next_step().is_some(), "{error}"),
        }
    }

    /// Numbers come back bit for bit: a stimulus made again from its sidecar is the one that was played.
    #[test]
    fn numbers_come_back_exactly(watts in any::<f64>().prop_filter("finite", |x| x.is_finite())) {
        let mut record = record(BenchKind::Simulated);
        record.unit.power.watts = watts;
        let text = record.to_text().unwrap();
        let back = Record::read(&text, Path::new("job.json")).unwrap();
        prop_assert_eq!(back.unit.power.watts.to_bits(), watts.to_bits());
    }
}
