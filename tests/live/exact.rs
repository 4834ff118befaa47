//! Through an amplifier that changes nothing, what comes back is what was played, to the last bit and in the right channel.

use super::probe::Stop;
use super::server::Server;
use super::take::{Playing, Take, interface, noise, peak, stimulus, sweep, take, tone, truth, two_tones};
use asleft::rig::Interface;
use asleft::signal::stimulus::Signal;

/// Every frame of a take equals the stimulus, nothing was lost, and nothing is louder than what was cleared.
fn exact(take: &Take) {
    let found = truth(&take.rendered(), &take.recorded());
    assert_eq!(found.different, 0, "{found:?}, {:?}", take.account);
    assert!(
        found.compared as u64 >= take.stimulus().signal_frames(),
        "{found:?}"
    );
    assert_eq!(take.account.losses, []);
    below_the_ceiling(take);
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
    exact(&take(&server, stimulus(rate, 1.0, left, right)));
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
    let take = Playing::start(&server, own_choice, played, Stop::Never).end();
    assert_eq!(take.account.error, None);
    exact(&take);
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
        let take = Playing::start(&server, interface, played, Stop::Never).end();
        assert_eq!(take.account.error, None);
        let mut expected = take.rendered();
        assert_ne!(truth(&expected, &take.recorded()).different == 0, exchanged);
        if exchanged {
            expected.reverse();
        }
        let found = truth(&expected, &take.recorded());
        assert_eq!(found.different, 0, "{outputs:?} {inputs:?}: {found:?}");
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
    let take = take(&server, stimulus(48_000, 4.0, signal.clone(), signal));
    exact(&take);
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
