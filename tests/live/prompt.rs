//! How soon what is played is seen, and how soon silence follows: counted in frames of the recording, which no clock of
//! the machine has a part in.

use super::exact::below_the_ceiling;
use super::probe::Stop;
use super::server::{PERIOD, Server};
use super::take::{Playing, Take, first_sound, interface, last_sound, stimulus, tone};
use asleft::rig::ceiling::{PROMPT_S, RAMP_S};

/// Takes of which one must be quick enough: beside other programs the test may wait for its turn, which says nothing
/// about what is built. What must hold of every take is checked in every take.
const TAKES: usize = 3;

/// Takes until one is quick enough; `frames` gives what counts.
fn quick_enough(what: &str, most: u64, frames: impl Fn() -> u64) {
    let mut took = Vec::new();
    while took.len() < TAKES {
        took.push(frames());
        if took.last().is_some_and(|t| *t <= most) {
            println!("live: frames {what}: {took:?}, at most {most}");
            return;
        }
    }
    panic!("frames {what}: {took:?}, at most {most}");
}

/// A long tone, stopped; what must hold of any stopped take is checked.
fn stopped(server: &Server, stop: Stop) -> Take {
    let mut played = stimulus(server.rate, 5.0, tone(997.0, 0.5), tone(997.0, 0.5));
    played.marks = None;
    let take = Playing::start(server, interface(), played, stop).end();
    assert_eq!(take.account.error, None);
    let (reason, _) = take.account.ended_early.as_ref().expect("a reason");
    assert_eq!(reason, "Asked");
    below_the_ceiling(&take);
    let waiting = take.account.waiting.expect("a take that was played");
    let most = frames_in(server.rate, PROMPT_S);
    assert!(
        waiting <= most,
        "{waiting} frames wait in the device, at most {most}"
    );
    let recorded = take.recorded();
    let frames = recorded[0].len();
    assert!(last_sound(&recorded) + 1 < frames, "the recording ends in sound");
    take
}

/// Frames of the recording between two of its places.
fn between(from: u64, to: usize) -> u64 {
    (to as u64).saturating_sub(from)
}

fn frames_in(rate: u32, seconds: f64) -> u64 {
    (seconds * f64::from(rate)) as u64
}

/// Where the recording leaves the stimulus: the first frame of the ramp.
fn ramp_begins(take: &Take) -> usize {
    let (played, recorded) = (take.rendered(), take.recorded());
    let (from, at) = (first_sound(&played), first_sound(&recorded));
    let leaves = |n: &usize| (played[0][from + n] - recorded[0][at + n]).abs() > 0.0;
    at + (0..recorded[0].len() - at).find(leaves).expect("a ramp")
}

/// After a stop only what is buffered sounds on, and then a ramp: [`PROMPT_S`] at the output at most, and at the input
/// the two periods that the device holds, because what it holds was heard before the stop was asked for.
fn silence_follows(rate: u32) {
    let server = Server::with_amplifier(rate, &[]);
    let most = frames_in(rate, PROMPT_S + RAMP_S) + 2 * u64::from(PERIOD);
    quick_enough("from a stop to silence", most, || {
        let take = stopped(&server, Stop::AtFrame(u64::from(rate)));
        let last = last_sound(&take.recorded());
        let ramp = between(ramp_begins(&take) as u64, last + 1);
        // A frame for the rounding of the ramp's length.
        assert!(ramp <= frames_in(rate, RAMP_S) + 1, "a ramp of {ramp} frames");
        between(take.account.stopped_at.expect("a stop"), last)
    });
}

pub(crate) fn silence_follows_48() {
    silence_follows(48_000);
}

pub(crate) fn silence_follows_192() {
    silence_follows(192_000);
}

/// Whoever listens answers the first sound with a stop. From the first sound to the first frame of the ramp down, the
/// recording holds a whole round: heard, seen, answered, played, heard again. The way from sound to sight is a part of it.
pub(crate) fn round_trip_96() {
    let rate = 96_000;
    let server = Server::with_amplifier(rate, &[]);
    quick_enough("from sound to answer", frames_in(rate, 0.100), || {
        let take = stopped(&server, Stop::OnSound);
        between(first_sound(&take.recorded()) as u64, ramp_begins(&take))
    });
}
