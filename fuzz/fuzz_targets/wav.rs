//! Any bytes as a WAV: samples or an error with a next step.
#![no_main]

use asleft::signal::wav_read;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    match wav_read::from_bytes(bytes, "x.wav") {
        Ok(source) => {
            let format = source.format();
            let mut block = vec![vec![0.0; 64]; format.channels];
            let mut slices: Vec<&mut [f64]> = block.iter_mut().map(Vec::as_mut_slice).collect();
            let mut reader = source.open().expect("bytes in memory open");
            for first in [0, format.frames - 1, format.frames, u64::MAX] {
                reader.read(first, &mut slices).expect("what the header was checked for is there");
            }
        }
        Err(error) => assert!(error.next_step().is_some(), "{error}"),
    }
});
