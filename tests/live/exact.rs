//! Through an amplifier that changes nothing, what comes back is what was played, to the last bit and in the right channel.

use super::server::Server;
use super::take::{Take, interface, noise, peak, stimulus, sweep, tone, truth, two_tones, whole_take};
use asleft::rig::Interface;
use asleft::signal::stimulus::{Signal, Stimulus};

/// A take of which every frame equals `expected` of the stimulus, with no loss told and nothing louder than cleared.
fn exact(
    server: &Server,
    interface: &Interface,
    stimulus: &Stimulus,
    expected: impl Fn(&Take) -> Vec<Vec<f64>>,
) -> Take {
    let take = whole_take(server, interface, stimulus, |take| {
        let found = truth(&expected(take), &take.recorded());
        let enough = found.compared as u64 >= take.stimulus().signal_frames();
        found.different == 0 && enough && take.account.losses.is_empty()
    });
    below_the_ceiling(&take);
    take
}

/// The largest sample of the recording is within what was cleared: the bound of the signals and of the marks.
pub(crate) fn below_the_ceiling(take: &Take) {
    let stimulus = take.stimulus();
    let marks = stimulus
        .marks
        .as_ref()
        .map_or(0.0, |m| 10f64.powf(m.level_dbfs / 20.0));
    let bound = stimulus
        .channels
        .iter()
        .map(Signal::peak_bound)
        .fold(marks, f64::max);
    // One rounding to 32-bit floats.
    let bound = bound * (1.0 + f64::from(f32::EPSILON));
    let found = peak(&take.recorded());
    assert!(found <= bound, "{found} was recorded, {bound} was cleared");
}

fn exact_at(rate: u32, left: Signal, right: Signal) {
    let server = Server::with_amplifier(rate, &[]);
    let played = stimulus(rate, 1.0, left, right);
    exact(&server, &interface(), &played, Take::rendered);
}

pub(crate) fn tones_and_noise_48() {
    exact_at(48_000, two_tones(), noise(1));
}

/// Here with as many frames at once as the device itself chooses.
pub(crate) fn noise_and_sweep_96() {
    let server = Server::with_amplifier(96_000, &[]);
    let own_choice = Interface {
        period_frames: None,
        ..interface()
    };
    let played = stimulus(96_000, 1.0, noise(2), sweep(96_000));
    exact(&server, &own_choice, &played, Take::rendered);
}

pub(crate) fn sweep_and_tone_192() {
    exact_at(192_000, sweep(192_000), tone(997.0, 0.8));
}

/// Exchanged outputs are heard exchanged, exchanged inputs too, and both together not at all.
pub(crate) fn swapped() {
    let server = Server::with_amplifier(48_000, &[]);
    for (outputs, inputs, exchanged) in [
        ([2, 1], [1, 2], true),
        ([1, 2], [2, 1], true),
        ([2, 1], [2, 1], false),
    ] {
        let mut interface = interface();
        interface.output_channels = outputs.to_vec();
        interface.input_channels = inputs.to_vec();
        let played = stimulus(48_000, 0.3, two_tones(), noise(3));
        exact(&server, &interface, &played, |take| {
            let mut expected = take.rendered();
            if exchanged {
                expected.reverse();
            }
            expected
        });
    }
}

/// A path that changes nothing has a flat response, by asleft's own analysis.
pub(crate) fn flat() {
    let server = Server::with_amplifier(48_000, &[]);
    let signal = Signal::Sweep {
        from_hz: 10.0,
        to_hz: 22_000.0,
        level_dbfs: -6.0,
    };
    // In 4 s the lowest octave lasts long beside the 30 ms between sweep and mark; a sweep of 2 s, rendered and analysed
    // without any bench, is off by 0.0011 dB at 22 Hz, one of 4 s by 0.000 002 dB at most.
    let played = stimulus(48_000, 4.0, signal.clone(), signal);
    let take = exact(&server, &interface(), &played, Take::rendered);
    let document = take.analysed();
    let curves = document["files"][0]["curves"].as_array().expect("curves");
    let mut seen = 0;
    for curve in curves.iter().filter(|c| c["id"] == "response") {
        let values = |axis: &str| {
            let numbers = curve[axis].as_array().expect("a curve").iter();
            numbers.map(|v| v.as_f64().unwrap()).collect::<Vec<_>>()
        };
        for (hz, db) in values("x").into_iter().zip(values("y")) {
            if (20.0..=20_000.0).contains(&hz) {
                assert!(db.abs() <= 0.001, "{} dB at {hz} Hz: {}", db, curve["channel"]);
                seen += 1;
            }
        }
    }
    assert!(seen > 100, "{seen} points in the band");
}
