//! What is written, read back by an independent reader, and the statistics of its dither.

use super::samples;
use asleft::atomic::Existing;
use asleft::error::Kind;
use asleft::signal::source::{BlockReader, BlockSource, Encoding, Format, MemorySource};
use asleft::signal::wav_read;
use asleft::signal::wav_write::{WriteFormat, write};

#[test]
fn samples_come_back_within_the_dither_of_their_codes() {
    let folder = tempfile::tempdir().unwrap();
    let planes: Vec<Vec<f64>> = (0..3)
        .map(|c| {
            (0..5000)
                .map(|n| ((n * 7 + c) as f64 * 0.01).sin() * 0.9)
                .collect()
        })
        .collect();
    let source = MemorySource::new(96_000, planes.clone());
    for (name, format, encoding) in [
        ("16.wav", WriteFormat::Int16, Encoding::Int(16)),
        ("24.wav", WriteFormat::Int24, Encoding::Int(24)),
        ("f.wav", WriteFormat::Float32, Encoding::Float(32)),
    ] {
        let path = folder.path().join(name);
        let summary = write(&path, &source, format, Existing::Keep).unwrap();
        assert_eq!((summary.frames, summary.channels), (5000, 3));
        assert_eq!(summary.clipped, [0, 0, 0]);
        let back = wav_read::open(&path).unwrap();
        assert_eq!(
            back.format(),
            Format {
                encoding,
                ..source.format()
            }
        );
        // Triangular dither reaches 1 step, rounding ½ more; a float below 1 is rounded by at most 2⁻²⁵.
        let limit = encoding.step().map_or(2f64.powi(-25), |q| 1.5 * q);
        for (got, expected) in samples(back.as_ref()).iter().zip(&planes) {
            assert!(got.iter().zip(expected).all(|(a, b)| (a - b).abs() <= limit));
        }
        // The independent reader: hound's own.
        let other = hound::WavReader::open(&path).unwrap();
        assert_eq!(
            (other.duration(), other.spec().channels, other.spec().sample_rate),
            (5000, 3, 96_000)
        );
    }
}

#[test]
fn dithered_quantisation_adds_a_quarter_step_squared_whatever_the_signal() {
    // Lipshitz, Wannamaker and Vanderkooy 1992: with triangular dither of ±1 step the total error has mean 0 and
    // variance q²/12 + q²/6 = q²/4 at every value of the signal.
    let n = 200_000usize;
    let q = 2f64.powi(-15);
    let folder = tempfile::tempdir().unwrap();
    for (i, offset) in [0.0, 0.25, 0.5, 0.8].into_iter().enumerate() {
        let value = (100.0 + offset) * q;
        let path = folder.path().join(format!("{i}.wav"));
        write(
            &path,
            &MemorySource::new(48_000, vec![vec![value; n]]),
            WriteFormat::Int16,
            Existing::Keep,
        )
        .unwrap();
        let errors: Vec<f64> = samples(wav_read::open(&path).unwrap().as_ref())[0]
            .iter()
            .map(|x| (x - value) / q)
            .collect();
        let mean = errors.iter().sum::<f64>() / n as f64;
        let variance = errors.iter().map(|e| e * e).sum::<f64>() / n as f64;
        // Standard error of the mean ½/√N; of the variance at most √(κ − 1)·¼/√N with kurtosis κ < 4. Five of each.
        assert!(
            mean.abs() < 5.0 * 0.5 / (n as f64).sqrt(),
            "offset {offset}: mean {mean} q"
        );
        assert!(
            (variance - 0.25).abs() < 5.0 * 0.25 * 1.75 / (n as f64).sqrt(),
            "offset {offset}: {variance} q²"
        );
    }
}

#[test]
fn what_is_beyond_full_scale_is_held_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let source = MemorySource::new(48_000, vec![vec![0.5, 1.5, -1.5, -0.5], vec![0.0; 4]]);
    let summary = write(&path, &source, WriteFormat::Int24, Existing::Keep).unwrap();
    assert_eq!(summary.clipped, [2, 0]);
    let x = samples(wav_read::open(&path).unwrap().as_ref()).swap_remove(0);
    assert_eq!(x[1].to_bits(), (1.0 - 2f64.powi(-23)).to_bits());
    assert_eq!(x[2].to_bits(), (-1f64).to_bits());
    let float = folder.path().join("f.wav");
    let summary = write(&float, &source, WriteFormat::Float32, Existing::Keep).unwrap();
    assert_eq!(summary.clipped, [0, 0]);
    assert_eq!(
        samples(wav_read::open(&float).unwrap().as_ref())[0],
        [0.5, 1.5, -1.5, -0.5]
    );
}

#[test]
fn the_same_input_gives_the_same_file() {
    let folder = tempfile::tempdir().unwrap();
    let source = MemorySource::new(48_000, vec![vec![0.1; 1000]; 2]);
    let bytes = |name: &str| {
        let path = folder.path().join(name);
        write(&path, &source, WriteFormat::Int16, Existing::Keep).unwrap();
        std::fs::read(path).unwrap()
    };
    assert_eq!(bytes("a.wav"), bytes("b.wav"));
}

/// A source of any length that costs nothing.
#[derive(Debug)]
struct Endless(Format);

impl BlockSource for Endless {
    fn format(&self) -> Format {
        self.0
    }
    fn open(&self) -> asleft::error::Result<Box<dyn BlockReader>> {
        unreachable!("refused before reading")
    }
}

#[test]
fn what_cannot_be_written_leaves_no_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let long = Endless(Format {
        sample_rate_hz: 192_000,
        channels: 2,
        frames: 192_000 * 3600 * 2,
        encoding: Encoding::Float(64),
    });
    let e = write(&path, &long, WriteFormat::Int24, Existing::Keep).unwrap_err();
    assert!(
        e.what().contains("4 GiB") && e.next_step().unwrap().contains("3728 s"),
        "{e}"
    );
    let bad = MemorySource::new(48_000, vec![vec![0.0, f64::NAN]]);
    let e = write(&path, &bad, WriteFormat::Int24, Existing::Keep).unwrap_err();
    assert_eq!(e.kind(), Kind::Value);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    let nowhere = folder.path().join("none").join("a.wav");
    let good = MemorySource::new(48_000, vec![vec![0.0; 4]]);
    assert_eq!(
        write(&nowhere, &good, WriteFormat::Int24, Existing::Keep)
            .unwrap_err()
            .kind(),
        Kind::Io
    );
}
