//! A machine that is too busy loses frames. A take with losses is always found.

use super::exact::below_the_ceiling;
use super::kept::Kept;
use super::probe::Stop;
use super::server::Server;
use super::take::{Playing, interface, noise, stimulus, truth, two_tones};

/// Takes that are tried under load.
const TAKES: u64 = 4;

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

/// The truth is every frame against the stimulus: where one differs, the take must be flagged. Whether any is lost is the
/// machine's affair; [`stalled`] makes sure of one.
pub(crate) fn busy_cores() {
    let server = Server::with_amplifier(48_000, &[]);
    let _busy = busy(&server);
    let mut damaged = 0;
    for seed in 0..TAKES {
        let played = stimulus(48_000, 1.0, two_tones(), noise(seed));
        let take = Playing::start(&server, interface(), played, Stop::Never).end();
        assert_eq!(take.account.error, None);
        let found = truth(&take.rendered(), &take.recorded());
        if found.different > 0 {
            damaged += 1;
            assert!(take.is_flagged(), "{found:?}, {:?}", take.account);
        }
        below_the_ceiling(&take);
    }
    println!("live: {damaged} of {TAKES} takes on busy cores had losses, all found");
}
