//! Harmonics that a third party's plugins make in real time, against their closed form or a plain DFT.

use super::plugin::{self, HARMONIC_GENERATOR, PEAK, VALVE};
use super::server::Server;
use super::take::{Take, first_sound, interface, stimulus, tone, whole_take};

/// Fundamentals by channel, Hz.
const FUNDAMENTALS: [(&str, f64); 2] = [("left", 1_000.0), ("right", 1_100.0)];

/// A tone a channel through the amplifier of `server`.
fn through(server: &Server) -> Take {
    let [left, right] = FUNDAMENTALS.map(|(_, hz)| tone(hz, PEAK));
    let played = stimulus(server.rate, 2.2, left, right);
    whole_take(server, &interface(), &played, |take| {
        take.account.losses.is_empty()
    })
}

fn chebyshev(rate: u32) {
    let server = Server::with_amplifier(rate, &[HARMONIC_GENERATOR]);
    let analysed = through(&server).analysed();
    for (channel, _) in FUNDAMENTALS {
        for (order, expected) in plugin::closed_form() {
            let found = plugin::harmonic(&analysed, channel, order).unwrap();
            plugin::compare(order, found, expected).unwrap_or_else(|e| panic!("{channel}: {e}"));
        }
    }
}

pub(crate) fn chebyshev_96() {
    chebyshev(96_000);
}

pub(crate) fn chebyshev_192() {
    chebyshev(192_000);
}

/// The second opinion is taken from the recording itself: a second in the middle of the tone.
pub(crate) fn valve_48() {
    let server = Server::with_amplifier(48_000, &[VALVE]);
    let take = through(&server);
    let (analysed, recorded) = (take.analysed(), take.recorded());
    let middle = first_sound(&recorded) + 48_000;
    for ((channel, hz), samples) in FUNDAMENTALS.into_iter().zip(&recorded) {
        for order in 2..=6 {
            let expected = plugin::dft_db(&samples[middle..middle + 48_000], hz, order);
            let found = plugin::harmonic(&analysed, channel, order).unwrap();
            plugin::compare(order, found, expected).unwrap_or_else(|e| panic!("{channel}: {e}"));
        }
    }
}
