//! Any text as a stimulus file: what is accepted can be rendered, and comes back from its own text.
#![no_main]

use asleft::signal::stimulus_file;
use asleft::signal::synthesis::Renderer;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    match stimulus_file::parse(text, "x") {
        Ok(stimulus) => {
            Renderer::new(&stimulus).expect("what is accepted can be rendered");
            let text = stimulus_file::to_text(&stimulus).expect("what was read can be written");
            assert_eq!(stimulus_file::parse(&text, "x").as_ref(), Ok(&stimulus));
        }
        Err(error) => assert!(error.next_step().is_some(), "{error}"),
    }
});
