//! `asleft generate` as scripts call it, its files read back.

use super::*;
use crate::quantity::Dbfs;
use crate::signal::source::{Encoding, Format};
use crate::signal::stimulus::Signal;
use crate::signal::wav_read;
use clap::Parser;

#[derive(Debug, Parser)]
struct Command {
    #[command(flatten)]
    args: Args,
}

/// Runs the command in `folder`; standard output on success.
fn run(folder: &Path, line: &str) -> Result<String> {
    let words = line.split_whitespace().map(|word| {
        if word.ends_with(".wav") {
            folder.join(word).display().to_string()
        } else {
            word.to_owned()
        }
    });
    let command = Command::try_parse_from(words).unwrap_or_else(|e| panic!("{e}"));
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut io = Streams {
        out: &mut out,
        err: &mut err,
        interactive: false,
    };
    let ending = super::run(&command.args, &mut io)?;
    assert_eq!(ending, Ending::Done);
    Ok(String::from_utf8(out).unwrap())
}

/// Shape and left channel of a file that was written.
fn read_back(path: &Path) -> (Format, Vec<f64>) {
    let source = wav_read::open(path).unwrap();
    let format = source.format();
    let mut left = vec![0.0; usize::try_from(format.frames).unwrap()];
    source
        .open()
        .unwrap()
        .read(0, &mut [left.as_mut_slice()])
        .unwrap();
    (format, left)
}

fn refused(folder: &Path, line: &str) -> Error {
    let e = run(folder, line).unwrap_err();
    assert!(e.next_step().is_some(), "{e}");
    e
}

#[test]
fn marks_are_written_beside_the_signal_and_described() {
    let folder = tempfile::tempdir().unwrap();
    run(
        folder.path(),
        "generate silence --seconds 0.5 --marks -40 --driven left --out m.wav",
    )
    .unwrap();
    let stimulus = stimulus_file::read(&folder.path().join("m.stimulus.toml")).unwrap();
    let marks = stimulus.marks.clone().unwrap();
    assert_eq!((marks.level_dbfs, marks.channels), (-40.0, vec![0]));
    let (format, left) = read_back(&folder.path().join("m.wav"));
    assert_eq!(format.frames, 33_600);
    // 0.1 s of lead-in, a gap of 0.03 s, a mark of 0.02 s: it stands at 0.05 to 0.07 s, 0.01 full scale high.
    let peak = |from: usize, to: usize| left[from..to].iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    assert!((peak(2400, 3360) - 0.01).abs() < 3e-4, "{}", peak(2400, 3360));
    assert!(peak(0, 2400) < 1e-6 && peak(3360, 28_000) < 1e-6);
}

#[test]
fn the_sweep_of_the_contract() {
    let folder = tempfile::tempdir().unwrap();
    let line = "generate sweep --from 10 --to 22000 --seconds 6 --rate 48000 --level -6 --out s.wav";
    let said = run(folder.path(), line).unwrap();
    assert_eq!(said.lines().count(), 1);
    assert!(
        said.contains("s.wav: sweep 10 Hz to 22000 Hz, -6 dBFS, 6 s at 48000 Hz"),
        "{said}"
    );
    let stimulus = stimulus_file::read(&folder.path().join("s.stimulus.toml")).unwrap();
    let sweep = Signal::Sweep {
        from_hz: 10.0,
        to_hz: 22_000.0,
        level_dbfs: -6.0,
    };
    assert_eq!(stimulus.channels, [sweep.clone(), sweep]);
    let (format, _) = read_back(&folder.path().join("s.wav"));
    assert_eq!(
        (format.frames, format.channels, format.encoding),
        (288_000, 2, Encoding::Int(24))
    );
}

#[test]
fn a_tone_has_its_level_to_the_quantisation_step() {
    let folder = tempfile::tempdir().unwrap();
    for (bits, step) in [
        ("16", 2f64.powi(-15)),
        ("24", 2f64.powi(-23)),
        ("float", 2f64.powi(-24)),
    ] {
        let name = format!("t{bits}.wav");
        run(
            folder.path(),
            &format!(
                "generate tone --frequency 1000 --level -20 --seconds 1 --fade 0 --bits {bits} --out {name}"
            ),
        )
        .unwrap();
        let (_, x) = read_back(&folder.path().join(name));
        let rms = (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
        // Of 48 000 errors of at most 1.5 steps each the rms moves by less than one step; the noise adds q²/4 to 0.005.
        assert!((rms - Dbfs(-20.0).rms()).abs() < step);
        let peak = x.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        assert!((peak - 0.1).abs() <= 1.5 * step, "{peak}");
    }
}

#[test]
fn every_kind_is_written_and_described() {
    let folder = tempfile::tempdir().unwrap();
    for (i, kind) in [
        "two-tone --frequency1 60 --frequency2 7000 --ratio 4",
        "multi-tone --frequencies 100,1000,10000 --bits 16",
        "silence --channels 1",
        "noise --colour white --seed 3 --level -20",
        "noise",
        "burst --frequency 1000 --on 0.02 --every 0.25",
        "tone --driven right --lead-in 0.1 --lead-out 0.2 --channels 4",
    ]
    .into_iter()
    .enumerate()
    {
        let name = format!("k{i}.wav");
        run(
            folder.path(),
            &format!("generate {kind} --seconds 0.5 --out {name}"),
        )
        .unwrap();
        let stimulus = stimulus_file::read(&folder.path().join(format!("k{i}.stimulus.toml"))).unwrap();
        let (format, _) = read_back(&folder.path().join(name));
        assert_eq!(format.frames, stimulus.total_frames());
        assert_eq!(format.channels, stimulus.channels.len());
    }
    // 4:1 with the peak of a −6 dBFS sine: 0.8 and 0.2 of it.
    let two = stimulus_file::read(&folder.path().join("k0.stimulus.toml")).unwrap();
    let Signal::Tones { tones } = &two.channels[0] else {
        panic!("two tones")
    };
    assert!((tones[0].level_dbfs + 6.0 - 20.0 * 0.8f64.log10()).abs() < 1e-9);
    assert!((tones[1].level_dbfs + 6.0 - 20.0 * 0.2f64.log10()).abs() < 1e-9);
    let right = stimulus_file::read(&folder.path().join("k6.stimulus.toml")).unwrap();
    assert!(matches!(
        right.channels[..],
        [
            Signal::Silence,
            Signal::Tone { .. },
            Signal::Silence,
            Signal::Silence
        ]
    ));
}

#[test]
fn channels_can_be_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    run(
        folder.path(),
        "generate tone --frequency 997 --right-frequency 1499 --seconds 0.2 --out id.wav",
    )
    .unwrap();
    let stimulus = stimulus_file::read(&folder.path().join("id.stimulus.toml")).unwrap();
    let frequencies: Vec<f64> = stimulus
        .channels
        .iter()
        .map(|c| match c {
            Signal::Tone { frequency_hz, .. } => *frequency_hz,
            _ => 0.0,
        })
        .collect();
    assert_eq!(frequencies, [997.0, 1499.0]);
}

#[test]
fn nothing_is_overwritten_without_being_asked() {
    let folder = tempfile::tempdir().unwrap();
    let line = "generate tone --seconds 0.1 --out a.wav";
    run(folder.path(), line).unwrap();
    let before = std::fs::read(folder.path().join("a.wav")).unwrap();
    assert!(
        refused(folder.path(), line)
            .next_step()
            .unwrap()
            .contains("--force")
    );
    std::fs::remove_file(folder.path().join("a.wav")).unwrap();
    assert!(
        refused(folder.path(), line)
            .place()
            .unwrap()
            .ends_with("a.stimulus.toml")
    );
    assert!(!folder.path().join("a.wav").exists());
    run(folder.path(), &format!("{line} --force")).unwrap();
    assert_eq!(std::fs::read(folder.path().join("a.wav")).unwrap(), before);
}

#[test]
fn impossible_signals_leave_no_file() {
    let folder = tempfile::tempdir().unwrap();
    for line in [
        "generate tone --frequency 30000 --out a.wav",
        "generate tone --level 3 --out a.wav",
        "generate noise --level -3 --out a.wav",
        "generate sweep --from 1000 --to 100 --out a.wav",
        "generate burst --on 0 --out a.wav",
        "generate two-tone --ratio 0 --out a.wav",
        "generate tone --rate 1000 --frequency 100 --out a.wav",
        "generate tone --seconds -1 --out a.wav",
        "generate tone --driven right --channels 1 --out a.wav",
        "generate tone --right-frequency 500 --channels 3 --out a.wav",
        "generate tone --seconds 80000 --out a.wav",
    ] {
        refused(folder.path(), line);
    }
    let e = run(folder.path(), "generate tone --out a.mp3").unwrap_err();
    assert!(e.what().contains(".wav"));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}
