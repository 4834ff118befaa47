//! Ctrl-C: the first one asks for an orderly end, the second ends the program.
//!
//! While a question waits nothing plays and everything answered so far is kept, so that the first one ends the program
//! there and then.

use crate::error::{Error, Kind, Result};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};

/// Whether the operator asked for an end.
static ASKED: AtomicBool = AtomicBool::new(false);

/// Whether a question waits.
static WAITING: AtomicBool = AtomicBool::new(false);

/// Exit code of a command that was not finished.
const UNFINISHED: i32 = 2;

/// Listens from now on; an end that was asked for earlier is forgotten.
///
/// # Errors
/// Where the operating system lets nobody listen.
pub(super) fn listen() -> Result<()> {
    static LISTENS: OnceLock<std::result::Result<(), String>> = OnceLock::new();
    ASKED.store(false, Ordering::SeqCst);
    let listens = LISTENS.get_or_init(|| ctrlc::set_handler(on_interrupt).map_err(|e| e.to_string()));
    listens.clone().map_err(|cause| {
        Error::new(
            Kind::Unavailable,
            format!("Ctrl-C could not be made to stop the sound in order ({cause})"),
        )
        .next("run the command in a terminal window of its own")
    })
}

/// Whether an end was asked for.
pub(super) fn asked() -> bool {
    ASKED.load(Ordering::SeqCst)
}

/// Runs `wait`, during which the first Ctrl-C ends the program.
pub(super) fn while_waiting<T>(wait: impl FnOnce() -> T) -> T {
    WAITING.store(true, Ordering::SeqCst);
    let out = wait();
    WAITING.store(false, Ordering::SeqCst);
    out
}

fn on_interrupt() {
    let again = ASKED.swap(true, Ordering::SeqCst);
    if again || WAITING.load(Ordering::SeqCst) {
        std::process::exit(UNFINISHED);
    }
}
