//! Whatever stands in a unit file, checking and reading it agree and neither panics; what was read can be written.
#![no_main]

use asleft::unit::file;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let found = file::check(text, "fuzzed");
    match file::parse(text, "fuzzed") {
        Ok(spec) => {
            assert!(found.problems.is_empty());
            let written = file::to_text(&spec).expect("a specification that was read can be written");
            assert_eq!(file::parse(&written, "written").expect("and read again"), spec);
        }
        Err(_) => assert!(!found.problems.is_empty()),
    }
});
