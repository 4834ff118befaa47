//! What goes wrong on a bench: it is told in the technician's words, and what was captured is kept.

use super::probe::Stop;
use super::server::{DEVICE, Server, UNPLUGGED};
use super::take::{Playing, Take, first_sound, interface, noise, stimulus, two_tones};
use asleft::rig::Interface;

/// Words of programmers and of sound systems that help no technician.
const JARGON: [&str; 6] = ["os error", "errno", "poll", "unwrap", "snd_pcm", "Backend"];

/// A take that fails, and its message.
fn refused(server: &Server, interface: Interface, rate: u32) -> (Take, String) {
    let played = stimulus(rate, 0.5, two_tones(), noise(1));
    let take = Playing::start(server, interface, played, Stop::Never).end();
    let told = message(&take);
    (take, told)
}

/// The error that a take ended with, in one line; it must say what to do next.
fn message(take: &Take) -> String {
    let (what, next) = take.account.error.clone().expect("an error");
    assert!(!next.is_empty(), "no next step: {what}");
    let told = format!("{what}; next: {next}");
    for word in JARGON {
        assert!(!told.contains(word), "{word}: {told}");
    }
    println!("live: told: {told}");
    told
}

/// Everything that reached the listener can be read, and its sound is the beginning of what was played.
fn kept(take: &Take, at_least_s: f64) {
    let (played, recorded) = (take.rendered(), take.recorded());
    let frames = recorded[0].len();
    assert!(
        frames as u64 >= take.account.frames,
        "{frames} frames of {}",
        take.account.frames
    );
    let rate = f64::from(take.stimulus().sample_rate_hz);
    assert!(frames as f64 >= at_least_s * rate, "{frames} frames");
    let (from, at) = (first_sound(&played), first_sound(&recorded));
    // The last periods may be what the device made of its end.
    let sure = (at_least_s * rate) as usize - at;
    for (played, recorded) in played.iter().zip(&recorded) {
        let pairs = played[from..].iter().zip(&recorded[at..at + sure]);
        assert!(
            pairs.into_iter().all(|(p, r)| (p - r).abs() == 0.0),
            "kept samples differ"
        );
    }
}

/// A take that is under way: this much of it has reached the disk.
fn under_way(server: &Server) -> (Playing, f64) {
    let played = stimulus(48_000, 20.0, two_tones(), noise(1));
    let mut playing = Playing::start(server, interface(), played, Stop::Never);
    playing.until_recorded(1.0);
    (playing, 1.0)
}

pub(crate) fn server_killed() {
    let mut server = Server::with_amplifier(48_000, &[]);
    let (playing, seconds) = under_way(&server);
    server.kill();
    let take = playing.end();
    message(&take);
    kept(&take, seconds);
}

/// The interface is still there, but nothing comes back any more: no figure may be made of it without a word.
pub(crate) fn amplifier_killed() {
    let mut server = Server::with_amplifier(48_000, &[]);
    let played = stimulus(48_000, 3.0, two_tones(), noise(1));
    let mut playing = Playing::start(&server, interface(), played, Stop::Never);
    playing.until_recorded(1.0);
    server.kill_amplifier();
    let take = playing.end();
    if take.account.error.is_some() {
        message(&take);
    } else {
        assert!(take.is_flagged(), "{:?}", take.account);
    }
    kept(&take, 1.0);
}

/// What a system gives that withholds the microphone: samples, all exactly zero, and no error.
pub(crate) fn all_zeros() {
    let server = Server::with_amplifier(48_000, &["-ea:0"]);
    let (take, told) = refused(&server, interface(), 48_000);
    assert!(told.contains("zeros") && told.contains("microphone"), "{told}");
    assert!(take.recorded().iter().flatten().all(|x| x.abs() == 0.0));
}

pub(crate) fn wrong_rate() {
    let server = Server::with_amplifier(48_000, &[]);
    let (_, told) = refused(&server, interface(), 96_000);
    assert!(
        told.contains("96000") || told.contains("96 000") || told.contains("96 kHz"),
        "{told}"
    );
}

pub(crate) fn no_amplifier() {
    let server = Server::start(48_000);
    refused(&server, interface(), 48_000);
}

pub(crate) fn not_there() {
    let server = Server::with_amplifier(48_000, &[]);
    let third = Interface {
        output_channels: vec![1, 3],
        ..interface()
    };
    let (_, told) = refused(&server, third, 48_000);
    assert!(told.contains('3'), "{told}");
    for gone in [UNPLUGGED, "alsa:never_heard_of"] {
        for (output, input) in [(gone, DEVICE), (DEVICE, gone)] {
            let named = Interface {
                output: output.to_owned(),
                input: input.to_owned(),
                ..interface()
            };
            let (_, told) = refused(&server, named, 48_000);
            assert!(told.contains(gone), "{told}");
        }
    }
}
