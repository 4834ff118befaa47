//! Any bytes as a file whose first bytes decide what it is; meant for a corpus of FLAC and AIFF.
#![no_main]

use asleft::signal::wav_read;
use libfuzzer_sys::fuzz_target;
use std::io::Write;

// Faults of the decoding library are caught where it is called; the fuzzer's hook would end the run before that.
// What is not caught still ends it.
fuzz_target!(init: std::panic::set_hook(Box::new(|_| {})), |bytes: &[u8]| {
    let mut file = tempfile::NamedTempFile::new().expect("a temporary file");
    file.write_all(bytes).expect("the disk has room");
    match wav_read::open(file.path()) {
        Ok(source) => assert!(source.format().frames > 0),
        Err(error) => assert!(error.next_step().is_some(), "{error}"),
    }
});
