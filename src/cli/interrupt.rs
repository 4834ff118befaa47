//! Ctrl-C, and answers that can be waited for without missing it.
//!
//! The first Ctrl-C asks for an orderly end: a take that runs ramps to silence, a question that waits ends as an error, and
//! whoever owns answers or recordings keeps them on the way out. A further one ends the program at once, but no earlier
//! than [`RAMPED`] after the first, when whatever played has ramped to silence.

use crate::error::{Error, Kind, Result};
use std::io::{BufRead, Read};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant};

/// Whether the operator asked for an end.
static ASKED: AtomicBool = AtomicBool::new(false);

/// When that was first.
static FIRST: Mutex<Option<Instant>> = Mutex::new(None);

/// Exit code of a command that was not finished.
const UNFINISHED: i32 = 2;

/// By then every sound has ended: a stream that stands still is given up after a second, and the ramp takes a few
/// hundredths (see the live bench).
const RAMPED: Duration = Duration::from_secs(2);

/// How often a question that waits looks whether an end was asked for.
const LOOK: Duration = Duration::from_millis(50);

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

fn on_interrupt() {
    let mut first = FIRST.lock().unwrap_or_else(PoisonError::into_inner);
    let now = Instant::now();
    if !ASKED.swap(true, Ordering::SeqCst) {
        *first = Some(now);
    } else if may_end(*first, now) {
        std::process::exit(UNFINISHED);
    }
}

/// Whether a further Ctrl-C at `now` may end the program.
fn may_end(first: Option<Instant>, now: Instant) -> bool {
    first.is_none_or(|first| now.duration_since(first) >= RAMPED)
}

/// Standard input for questions: waiting for a line ends when an end was asked for. Lines are read by a thread of their
/// own, which begins with the first question.
#[derive(Debug, Default)]
pub(super) struct Answers {
    lines: Option<Receiver<std::io::Result<Vec<u8>>>>,
    line: Vec<u8>,
    at: usize,
}

impl Answers {
    /// Lines of any source, for which the thread waits.
    fn of(mut source: impl BufRead + Send + 'static) -> Receiver<std::io::Result<Vec<u8>>> {
        let (sender, lines) = sync_channel(1);
        std::thread::spawn(move || {
            loop {
                let mut line = Vec::new();
                let read = source.read_until(b'\n', &mut line);
                let ended = !matches!(read, Ok(n) if n > 0);
                if sender.send(read.map(|_| line)).is_err() || ended {
                    return;
                }
            }
        });
        lines
    }
}

impl Read for Answers {
    fn read(&mut self, to: &mut [u8]) -> std::io::Result<usize> {
        let read = self.fill_buf()?.read(to)?;
        self.consume(read);
        Ok(read)
    }
}

impl BufRead for Answers {
    fn fill_buf(&mut self) -> std::io::Result<&[u8]> {
        let lines = self
            .lines
            .get_or_insert_with(|| Self::of(std::io::BufReader::new(std::io::stdin())));
        while self.at >= self.line.len() {
            if asked() {
                return Err(std::io::Error::other("stopped by Ctrl-C"));
            }
            match lines.recv_timeout(LOOK) {
                Ok(read) => (self.line, self.at) = (read?, 0),
                Err(RecvTimeoutError::Timeout) => continue,
                Err(RecvTimeoutError::Disconnected) => break,
            }
            if self.line.is_empty() {
                break;
            }
        }
        Ok(self.line.get(self.at..).unwrap_or_default())
    }

    fn consume(&mut self, read: usize) {
        self.at += read;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_come_whole_and_end() {
        let mut answers = Answers {
            lines: Some(Answers::of(&b"8.1\n\nlast"[..])),
            ..Answers::default()
        };
        let mut all = String::new();
        answers.read_to_string(&mut all).unwrap();
        assert_eq!(all, "8.1\n\nlast");
        let mut more = String::new();
        assert_eq!(answers.read_line(&mut more).unwrap(), 0);
    }

    #[test]
    fn a_second_interrupt_lets_the_sound_ramp_down_first() {
        // A take ends within one period, two of latency and a ramp of 10 ms: far less than a second.
        let first = Instant::now();
        assert!(!may_end(Some(first), first + Duration::from_secs(1)));
        assert!(may_end(Some(first), first + Duration::from_secs(3)));
    }
}
