//! Recordings that other software wrote (scipy, Python's wave, flac, sox; fixtures/make_wavs.py), sample by sample.

use super::{fixture, part, samples};
use asleft::error::{Error, Kind};
use asleft::signal::source::{BlockSource, Encoding};
use asleft::signal::wav_read;
use std::sync::Arc;

/// The code that fixtures/make_wavs.py wrote.
fn code(n: u64, channel: u64, bits: u32) -> i64 {
    let full = 1i64 << (bits - 1);
    match n {
        0 => full - 1,
        1 => -full,
        2 => 0,
        3 => 1,
        4 => -1,
        _ => {
            let scattered = (n * 2_654_435_761 + channel * 974_711 + 12_345) % (1 << 32);
            (scattered >> (32 - bits)) as i64 - full
        }
    }
}

/// The same as a sample: every code of up to 32 bits is exact in f64.
fn value(n: usize, channel: usize, bits: u32) -> f64 {
    code(n as u64, channel as u64, bits) as f64 / 2f64.powi(bits as i32 - 1)
}

fn open(name: &str) -> Arc<dyn BlockSource> {
    wav_read::open(&fixture("wav").join(name)).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn integer_recordings_are_read_exactly() {
    for (name, channels, bits, rate, frames) in [
        ("u8_wave.wav", 2, 8, 8_000, 32),
        ("s16_mono_wave.wav", 1, 16, 44_100, 32),
        ("s16_scipy.wav", 2, 16, 44_100, 32),
        ("s16_8ch_wave.wav", 8, 16, 384_000, 32),
        ("s24_wave.wav", 2, 24, 48_000, 32),
        ("s32_scipy.wav", 2, 32, 96_000, 32),
        ("bext_s24.wav", 2, 24, 48_000, 32),
        ("unpadded_s24.wav", 2, 24, 48_000, 32),
        ("extensible_20_in_24.wav", 3, 20, 88_200, 32),
        ("rf64_s24.wav", 2, 24, 48_000, 32),
        ("unfinished_s24.wav", 2, 24, 48_000, 32),
        ("truncated_s24.wav", 2, 24, 48_000, 20),
        ("s24.flac", 2, 24, 48_000, 32),
        ("s24.aiff", 2, 24, 48_000, 32),
        ("s16.aifc", 2, 16, 44_100, 32),
    ] {
        let source = open(name);
        let format = source.format();
        assert_eq!(
            (format.channels, format.sample_rate_hz, format.frames),
            (channels, rate, frames),
            "{name}"
        );
        assert_eq!(format.encoding, Encoding::Int(bits as u16), "{name}");
        for (channel, plane) in samples(source.as_ref()).iter().enumerate() {
            for (n, got) in plane.iter().enumerate() {
                let expected = value(n, channel, bits);
                assert_eq!(
                    got.to_bits(),
                    (expected + 0.0).to_bits(),
                    "{name}, channel {channel}, frame {n}"
                );
            }
        }
    }
}

#[test]
fn float_recordings_are_read_exactly() {
    for (name, encoding) in [
        ("f32_scipy.wav", Encoding::Float(32)),
        ("extensible_f32.wav", Encoding::Float(32)),
        ("f64_scipy.wav", Encoding::Float(64)),
    ] {
        let source = open(name);
        assert_eq!(source.format().encoding, encoding, "{name}");
        for (channel, plane) in samples(source.as_ref()).iter().enumerate() {
            for (n, got) in plane.iter().enumerate() {
                let exact = value(n, channel, 32);
                let expected = match encoding {
                    Encoding::Float(64) => exact + (n + 1) as f64 * 2f64.powi(-52),
                    _ => f64::from(exact as f32),
                };
                assert_eq!(
                    got.to_bits(),
                    expected.to_bits(),
                    "{name}, channel {channel}, frame {n}"
                );
            }
        }
    }
}

#[test]
fn values_that_are_no_numbers_are_passed_on() {
    let x = samples(open("f32_special.wav").as_ref()).swap_remove(0);
    assert!(x[0].is_nan());
    assert_eq!(x[1..], [f64::INFINITY, f64::NEG_INFINITY, 1.5]);
}

#[test]
fn what_is_missing_is_said() {
    let notes = |name| open(name).notes().join("; ");
    assert_eq!(notes("s24_wave.wav"), "");
    assert_eq!(notes("rf64_s24.wav"), "");
    assert!(
        notes("truncated_s24.wav").contains("12 of 32 frames"),
        "{}",
        notes("truncated_s24.wav")
    );
    assert!(notes("unfinished_s24.wav").contains("never finished"));
}

#[test]
fn a_source_is_read_from_any_frame_by_several_readers_at_once() {
    for name in ["s24_wave.wav", "s24.flac"] {
        let source = open(name);
        let threads: Vec<_> = (0..4)
            .map(|first| {
                let source = Arc::clone(&source);
                std::thread::spawn(move || part(source.as_ref(), 1, first * 5, 10))
            })
            .collect();
        for (first, thread) in threads.into_iter().enumerate() {
            let expected: Vec<f64> = (0..10).map(|n| value(first * 5 + n, 1, 24)).collect();
            assert_eq!(thread.join().unwrap(), expected);
        }
        let mut past = [[7.0; 4]; 2];
        let mut slices: Vec<&mut [f64]> = past.iter_mut().map(|p| p.as_mut_slice()).collect();
        let mut reader = source.open().unwrap();
        assert_eq!(reader.read(30, &mut slices).unwrap(), 2);
        assert_eq!(reader.read(99, &mut slices).unwrap(), 0);
        assert!(
            (past[0][2] - 7.0).abs() < 1e-12,
            "what lies past the end is left untouched"
        );
    }
}

/// Not asked of files with chunks of odd length before the samples: that reader does not skip their pad.
#[test]
fn an_independent_reader_agrees() {
    for name in [
        "s16_mono_wave.wav",
        "s16_scipy.wav",
        "s24_wave.wav",
        "s16_8ch_wave.wav",
    ] {
        let mut other = hound::WavReader::open(fixture("wav").join(name)).unwrap();
        let spec = other.spec();
        let source = open(name);
        assert_eq!(source.format().sample_rate_hz, spec.sample_rate);
        let planes = samples(source.as_ref());
        let scale = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
        for (i, sample) in other.samples::<i32>().enumerate() {
            let channels = usize::from(spec.channels);
            let got = planes[i % channels][i / channels] * scale;
            assert!((got - f64::from(sample.unwrap())).abs() < 1e-9, "{name}");
        }
    }
}

fn refused(bytes: &[u8]) -> Error {
    wav_read::from_bytes(bytes, "x.wav").unwrap_err()
}

/// A header of PCM with these numbers and eight bytes of samples.
fn header(tag: u16, channels: u16, rate: u32, align: u16, bits: u16) -> Vec<u8> {
    let mut bytes = b"RIFF\x2c\0\0\0WAVEfmt \x10\0\0\0".to_vec();
    bytes.extend(tag.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend(0u32.to_le_bytes());
    bytes.extend(align.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(b"data\x08\0\0\0\x01\x02\x03\x04\x05\x06\x07\x08");
    bytes
}

#[test]
fn absurd_headers_are_refused_in_words() {
    assert!(wav_read::from_bytes(&header(1, 2, 48_000, 4, 16), "x.wav").is_ok());
    for (bytes, word) in [
        (header(1, 0, 48_000, 4, 16), "0 channels"),
        (header(1, 65_535, 48_000, 4, 16), "65535 channels"),
        (header(1, 2, 0, 4, 16), "0 Hz"),
        (header(1, 2, u32::MAX, 4, 16), "4294967295 Hz"),
        (header(1, 2, 48_000, 0, 16), "frames of 0 bytes"),
        (header(1, 2, 48_000, 3, 16), "frames of 3 bytes"),
        (header(1, 2, 48_000, 2, 16), "frames of 2 bytes"),
        (header(1, 2, 48_000, 4, 0), "0 bits"),
        (header(3, 2, 48_000, 4, 16), "frames of 4 bytes"),
        (header(0x55, 2, 48_000, 4, 16), "MP3"),
        (header(2, 2, 48_000, 4, 4), "ADPCM"),
        (header(7, 1, 8_000, 1, 8), "law"),
        (header(0x1234, 1, 8_000, 1, 8), "0x1234"),
    ] {
        let e = refused(&bytes);
        assert_eq!(e.kind(), Kind::Format);
        assert!(e.what().contains(word), "{e} lacks {word}");
        assert!(e.next_step().is_some() && e.place() == Some("x.wav"), "{e}");
        assert!(e.to_string().lines().count() <= 3, "one screen at most");
    }
}

#[test]
fn cut_off_files_are_refused_until_a_frame_is_there() {
    let whole = header(1, 2, 48_000, 4, 16);
    for length in 0..whole.len() {
        match wav_read::from_bytes(&whole[..length], "x.wav") {
            Ok(source) => {
                assert_eq!(source.format().frames, (length - 44) as u64 / 4);
                assert!(!source.notes().is_empty());
            }
            Err(e) => assert!(length < 48 && e.kind() == Kind::Format, "{length}: {e}"),
        }
    }
}

#[test]
fn other_files_are_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let refuse = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let e = wav_read::open(&path).unwrap_err();
        assert!(
            e.place().unwrap().contains(name) && e.next_step().is_some(),
            "{e}"
        );
        e.what().to_owned()
    };
    assert_eq!(refuse("empty.wav", b""), "the file is empty");
    assert_eq!(
        refuse("text.wav", b"hello, this is text"),
        "this is not a WAV, FLAC or AIFF file"
    );
    assert!(refuse("short.wav", b"RIFF\0\0").contains("cut off"));
    assert!(refuse("zero.wav", &header(1, 2, 48_000, 4, 16)[..44]).contains("no samples"));
    for cut in [4, 20, 60, 120] {
        refuse(
            "short.flac",
            &std::fs::read(fixture("wav/s24.flac")).unwrap()[..cut],
        );
    }
    for cut in [12, 20, 50] {
        refuse(
            "short.aiff",
            &std::fs::read(fixture("wav/s24.aiff")).unwrap()[..cut],
        );
    }
    assert_eq!(
        wav_read::open(folder.path()).unwrap_err().what(),
        "this is a folder, not a recording"
    );
    let e = wav_read::open(&folder.path().join("none.wav")).unwrap_err();
    assert_eq!(e.kind(), Kind::Io);
    // A file that went away after it was opened.
    let path = folder.path().join("gone.wav");
    std::fs::write(&path, header(1, 2, 48_000, 4, 16)).unwrap();
    let source = wav_read::open(&path).unwrap();
    std::fs::remove_file(&path).unwrap();
    assert_eq!(source.open().err().unwrap().kind(), Kind::Io);
}

#[test]
fn an_aiff_that_makes_the_decoder_stumble_is_refused() {
    // Found by fuzzing: 32 770 channels of 24 bits overflow 16 bits.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("absurd.aiff");
    let mut bytes = std::fs::read(fixture("wav/s24.aiff")).unwrap();
    let common = bytes.windows(4).position(|w| w == b"COMM").unwrap();
    bytes[common + 8] = 0x80;
    std::fs::write(&path, &bytes).unwrap();
    let e = wav_read::open(&path).unwrap_err();
    assert!(e.kind() == Kind::Format && e.next_step().is_some(), "{e}");
}

#[test]
fn a_damaged_flac_is_read_up_to_the_damage() {
    // Two blocks of 16 frames; each ends in a checksum over it.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("damaged.flac");
    let mut bytes = std::fs::read(fixture("wav/s24.flac")).unwrap();
    let last = bytes.len() - 10;
    bytes[last] ^= 0x40;
    std::fs::write(&path, &bytes).unwrap();
    let source = wav_read::open(&path).unwrap();
    assert_eq!(source.format().frames, 16);
    assert!(!source.notes().is_empty());
    let expected: Vec<f64> = (0..16).map(|n| value(n, 0, 24)).collect();
    assert_eq!(samples(source.as_ref())[0], expected);
}
