//! Whatever bytes a file holds, reading it ends in samples or in an error with a next step, never in a panic, and never
//! in more memory than the file is worth. The same entries are fuzzed in `fuzz/`.

use super::fixture;
use asleft::signal::source::BlockSource;
use asleft::signal::synthesis::Renderer;
use asleft::signal::{stimulus_file, wav_read};
use proptest::prelude::*;

/// Reads the ends of what could be opened; everything between is the same code.
fn exercise(source: &dyn BlockSource) {
    let format = source.format();
    assert!(format.frames > 0 && format.channels > 0);
    let mut block = vec![vec![0.0; 64]; format.channels];
    let mut slices: Vec<&mut [f64]> = block.iter_mut().map(Vec::as_mut_slice).collect();
    let mut reader = source.open().unwrap();
    for first in [0, format.frames - 1, format.frames, u64::MAX] {
        let _ = reader.read(first, &mut slices);
    }
}

fn wav(bytes: &[u8]) {
    match wav_read::from_bytes(bytes, "x.wav") {
        Ok(source) => exercise(source.as_ref()),
        Err(e) => assert!(e.next_step().is_some(), "{e}"),
    }
}

fn any_file(bytes: &[u8]) {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    match wav_read::open(file.path()) {
        Ok(source) => exercise(source.as_ref()),
        Err(e) => assert!(e.next_step().is_some(), "{e}"),
    }
}

/// Changes of single bytes, of four bytes to an extreme, and cuts.
fn mutated(mut bytes: Vec<u8>, changes: &[(prop::sample::Index, u8, u8)]) -> Vec<u8> {
    for (at, kind, value) in changes {
        if bytes.is_empty() {
            break;
        }
        let at = at.index(bytes.len());
        match kind % 4 {
            0 => bytes[at] = *value,
            1 => bytes[at] ^= 1 << (value % 8),
            2 => {
                let end = bytes.len().min(at + 4);
                bytes[at..end].fill(if value % 2 == 0 { 0xff } else { 0 });
            }
            _ => bytes.truncate(at),
        }
    }
    bytes
}

fn changes() -> impl Strategy<Value = Vec<(prop::sample::Index, u8, u8)>> {
    prop::collection::vec(any::<(prop::sample::Index, u8, u8)>(), 1..6)
}

const WAVS: [&str; 6] = [
    "s16_scipy.wav",
    "s24_wave.wav",
    "bext_s24.wav",
    "extensible_20_in_24.wav",
    "rf64_s24.wav",
    "unfinished_s24.wav",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn mutated_wavs_never_panic(which in 0..WAVS.len(), changes in changes()) {
        let bytes = std::fs::read(fixture("wav").join(WAVS[which])).unwrap();
        wav(&mutated(bytes, &changes));
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), head in 0..3usize) {
        let mut all = [&b""[..], b"RIFF\xff\xff\xff\xffWAVE", b"RF64\xff\xff\xff\xffWAVEds64"][head].to_vec();
        all.extend(bytes);
        wav(&all);
    }

    #[test]
    fn mutated_stimulus_files_never_panic(changes in changes()) {
        let bytes = std::fs::read(fixture("stimulus/first-version.stimulus.toml")).unwrap();
        let text = String::from_utf8_lossy(&mutated(bytes, &changes)).into_owned();
        match stimulus_file::parse(&text, "x") {
            Ok(stimulus) => drop(Renderer::new(&stimulus).unwrap()),
            Err(e) => assert!(e.next_step().is_some(), "{e}"),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn mutated_flac_and_aiff_never_panic(which in 0..3usize, changes in changes()) {
        let bytes = std::fs::read(fixture("wav").join(["s24.flac", "s24.aiff", "s16.aifc"][which])).unwrap();
        any_file(&mutated(bytes, &changes));
    }
}
