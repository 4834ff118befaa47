//! A machine that is too busy loses frames. A take with losses is always found.

use super::exact::below_the_ceiling;
use super::kept::Kept;
use super::probe::Stop;
use super::server::Server;
use super::take::{Playing, Take, interface, noise, stimulus, truth, two_tones};
use std::time::Duration;

/// Takes that are tried under load.
const TAKES: u64 = 3;
/// How long a program stands still at most: several times the 50 ms that may be buffered, less than the 500 ms after
/// which the server would take a client for dead.
const LONG_STALL_MS: u64 = 250;

/// Programs that do nothing but keep every core busy, two each.
fn busy(server: &Server) -> Vec<Kept> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let spin = |n| {
        let mut spin = server.command("sh");
        spin.args(["-c", "while :; do :; done"]);
        server.keep(&spin, &format!("spin-{n}"))
    };
    (0..2 * cores).map(spin).collect()
}

/// Whether frames are wrong, by the truth: every frame against the stimulus. Where one is, the take must be flagged.
fn found_if_damaged(take: &Take) -> bool {
    assert_eq!(take.account.error, None);
    below_the_ceiling(take);
    let found = truth(&take.rendered(), &take.recorded());
    assert!(
        found.different == 0 || take.is_flagged(),
        "{found:?}, {:?}",
        take.account
    );
    found.different > 0
}

/// Whether any frame is lost on busy cores is the machine's affair; [`stalled`] makes sure of it.
pub(crate) fn busy_cores() {
    let server = Server::with_amplifier(48_000, &[]);
    let busy = busy(&server);
    let played = (0..TAKES).map(|seed| stimulus(48_000, 1.0, two_tones(), noise(seed)));
    let takes: Vec<Take> = played
        .map(|played| Playing::start(&server, interface(), played, Stop::Never).end())
        .collect();
    drop(busy);
    let damaged: Vec<bool> = takes.iter().map(found_if_damaged).collect();
    println!("live: takes on busy cores with losses, all found: {damaged:?}");
}

/// A program gets no turn for a while: the amplifier's for less than a period, for some periods, and for longer than any
/// buffer lasts; then asleft itself.
pub(crate) fn stalled() {
    let mut server = Server::impatient(48_000);
    server.connect_amplifier(&[]);
    let takes: Vec<Take> = [
        (true, 15),
        (true, 60),
        (true, LONG_STALL_MS),
        (false, LONG_STALL_MS),
    ]
    .into_iter()
    .map(|(of_amplifier, milliseconds)| {
        let played = stimulus(48_000, 1.2, two_tones(), noise(9));
        let mut playing = Playing::start(&server, interface(), played, Stop::Never);
        playing.until_recorded(0.6);
        let time = Duration::from_millis(milliseconds);
        if of_amplifier {
            server.pause_amplifier(time);
        } else {
            playing.pause(time);
        }
        playing.end()
    })
    .collect();
    let damaged: Vec<bool> = takes.iter().map(found_if_damaged).collect();
    println!("live: takes with a stall and losses, all found: {damaged:?}");
    assert!(damaged[2], "the long stall did no harm: nothing was tested");
    assert!(takes[2].is_visibly_damaged(), "the recording itself must show it");
}
