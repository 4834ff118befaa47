//! Any text as a job's record or a capture's sidecar: what is accepted can be written and comes back; what is not says
//! what to do next.
#![no_main]

use asleft::job::{Record, Sidecar};
use libfuzzer_sys::fuzz_target;
use std::path::Path;

fuzz_target!(|text: &str| {
    let path = Path::new("fuzzed");
    match Record::read(text, path) {
        Ok(record) => {
            let text = record.to_text().expect("a record that was read can be written");
            assert_eq!(Record::read(&text, path).as_ref(), Ok(&record));
        }
        Err(error) => assert!(error.next_step().is_some(), "{error}"),
    }
    match Sidecar::read(text, path) {
        Ok(sidecar) => {
            let text = sidecar.to_text().expect("a sidecar that was read can be written");
            assert_eq!(Sidecar::read(&text, path).as_ref(), Ok(&sidecar));
        }
        Err(error) => assert!(error.next_step().is_some(), "{error}"),
    }
});
