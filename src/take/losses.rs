//! What the marks say of a take: frames lost or added between them, a gain that moved, channels that were exchanged.
//!
//! The distance of the marks by the capture's clock is the nominal one times the ratio of the clocks, and a whole number of
//! frames less for every frame lost, on the way out or on the way back, whatever the signal is: also a whole number of
//! periods of a tone. The ratio must come from elsewhere ([`Clocks`]):
//!
//! - output and input of one device have one clock: 1;
//! - two clocks under a steady tone: the tone's own frequency, robust against the loss itself ([`super::track`]);
//!   under a sweep: the clock that its deconvolution finds;
//! - two clocks under silence, noise and bursts: only what the caller knows (`Clocks::Apart`, measured with a tone before).
//!   Where nothing is known a distance that a pair of real clocks could explain (300 ppm) is left open and said so: **there
//!   a loss of less than 300 ppm of the take cannot be told from a clock**.
//!
//! A deviation counts from [`LEAST_FRAMES`] on, or from five standard uncertainties, whichever is more. At five, chance
//! makes one in 1.7 million takes; marks too weak to count single frames are said to be so.

use super::integrity::{Damage, Integrity};
use super::marks::{Distance, Found, Hears, Mark};
use super::track::Track;
use crate::figure::Channel;
use crate::rig::Rig;
use crate::signal::stimulus::Stimulus;

/// Deviation of the distance that is a lost frame: frames are lost whole, so that anything from 0.3 to 0.5 on is one.
const LEAST_FRAMES: f64 = 0.3;

/// Standard uncertainties that a deviation must exceed.
const SIGMAS: f64 = 5.0;

/// Largest offset of two real clocks, ppm: two crystals of 100 ppm and some ageing.
const MOST_PPM: f64 = 300.0;

/// Change of a mark's level that is a moved knob, dB.
const MOVED_DB: f64 = 0.1;

/// Change of a steady tone's level that no amplifier makes by itself, dB: warming up moves it by hundredths, mains that
/// sag while it clips by a tenth or two. Common practice, no source.
const DRIFT_DB: f64 = 0.3;

/// What is known of the clocks of output and input.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Clocks {
    /// Nothing: the recording itself must tell, as far as it can.
    #[default]
    Unknown,
    /// Output and input are one device and run by one clock.
    One,
    /// Two devices whose clocks were compared before, with a tone.
    Apart {
        /// Capture clock re playing clock − 1, parts per million.
        ppm: f64,
        /// Its standard uncertainty, with what the clocks drift between two takes.
        u_ppm: f64,
    },
}

impl Clocks {
    /// What a rig tells of them: a device that both plays and records has one clock.
    pub fn of(rig: Option<&Rig>) -> Self {
        match rig.and_then(|r| r.interface.as_ref()) {
            Some(interface) if interface.has_one_clock() => Self::One,
            _ => Self::Unknown,
        }
    }
}

/// A clock that the signal itself tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct OwnClock {
    /// Capture clock re playing clock − 1, parts per million.
    pub(super) ppm: f64,
    /// Standard uncertainty.
    pub(super) u_ppm: f64,
}

/// Adds to `integrity` what the marks' distance says.
pub(super) fn judge_distance(
    found: &Found,
    clocks: Clocks,
    own: Option<OwnClock>,
    integrity: &mut Integrity,
) {
    let Some(distance) = &found.distance else {
        integrity.notes.push(
            "only one of the two marks is on the capture: losses are seen only where they spoil the waveform"
                .to_owned(),
        );
        return;
    };
    let one = OwnClock { ppm: 0.0, u_ppm: 0.0 };
    let clock = match clocks {
        Clocks::One => one,
        Clocks::Apart { ppm, u_ppm } => OwnClock { ppm, u_ppm },
        Clocks::Unknown if excess(distance, one).abs() < LEAST_FRAMES => one,
        Clocks::Unknown => match own {
            Some(own) => own,
            None if distance.clock_ppm().abs() <= MOST_PPM => {
                integrity.notes.push(left_open(distance));
                return;
            }
            None => one,
        },
    };
    let excess = excess(distance, clock);
    let u = distance
        .u_frames
        .hypot(distance.nominal_frames * clock.u_ppm * 1e-6);
    let bar = LEAST_FRAMES.max(SIGMAS * u);
    if excess.abs() > bar {
        let frames = excess.abs().round().max(1.0) as u64;
        integrity.damage.push(if excess < 0.0 {
            Damage::FramesMissing { frames }
        } else {
            Damage::FramesAdded { frames }
        });
    } else if bar > 1.0 {
        integrity.notes.push(format!(
            "the marks are weak: by their distance losses of {:.0} frames and more are seen, fewer only where they spoil \
             the waveform",
            bar.ceil()
        ));
    }
    note_resampling(clocks, own, integrity);
}

/// One device cannot have two clocks: something between converter and file resamples.
fn note_resampling(clocks: Clocks, own: Option<OwnClock>, integrity: &mut Integrity) {
    let (Clocks::One, Some(own)) = (clocks, own) else {
        return;
    };
    if own.ppm.abs() > (SIGMAS * own.u_ppm).max(1.0) {
        integrity.notes.push(format!(
            "the capture runs {:+.1} ppm against what was played though output and input are one device: it is \
             resampled; choose the interface's own sample rate and switch off sample-rate conversion",
            own.ppm
        ));
    }
}

/// Frames by which the marks are too far apart.
fn excess(distance: &Distance, clock: OwnClock) -> f64 {
    distance.frames - distance.nominal_frames * (1.0 + clock.ppm * 1e-6)
}

fn left_open(distance: &Distance) -> String {
    format!(
        "the marks are {:+.1} frames ({:+.1} ppm) further apart than they were played: two clocks, or frames lost; this \
         take cannot tell which. A tone played on the same devices tells their clocks",
        distance.frames - distance.nominal_frames,
        distance.clock_ppm()
    )
}

/// Adds gains that moved between the marks.
pub(super) fn judge_gain(found: &Found, integrity: &mut Integrity) {
    let [Some(first), Some(second)] = &found.ends else {
        return;
    };
    for (index, hears) in found.hears.iter().enumerate() {
        let shape = match hears {
            Hears::Nothing => continue,
            Hears::Own | Hears::Both => index % 2,
            Hears::Other => 1 - index % 2,
        };
        let level = |m: &Mark| (m.level[index][shape], m.level_u[index]);
        let ((a, a_u), (b, b_u)) = (level(first), level(second));
        let db = 20.0 * (b / a).log10();
        // 8.686 dB a neper.
        let u = 8.686 * (a_u / a).hypot(b_u / b);
        if db.abs() > MOVED_DB.max(SIGMAS * u) {
            integrity.damage.push(Damage::GainMoved {
                channel: Channel::at(index),
                db,
            });
        }
    }
}

/// Adds a level that drifts inside a steady tone.
pub(super) fn judge_drift(channel: usize, track: &Track, integrity: &mut Integrity) {
    let db = track.drift_db();
    if db > DRIFT_DB {
        integrity.damage.push(Damage::AutomaticGain {
            channel: Channel::at(channel),
            db,
        });
    }
}

/// Remarks on which output each channel hears.
pub(super) fn note_channels(found: &Found, integrity: &mut Integrity) {
    let is = |what: Hears| found.hears.contains(&what);
    if is(Hears::Other) {
        integrity
            .notes
            .push("left and right have changed places between stimulus and capture".to_owned());
    }
    if is(Hears::Both) {
        integrity.notes.push(
            "one channel hears both outputs alike: a mono switch is on, or the inputs are bridged; nothing can be said of \
             separation"
                .to_owned(),
        );
    }
    for (index, polarity) in found.polarity.iter().enumerate() {
        if *polarity < 0 {
            integrity
                .notes
                .push(format!("{}: polarity is inverted", Channel::at(index)));
        }
    }
}

/// What it means that no mark was found. A recording that holds a signal, and is long enough to hold the marks, has lost
/// them; a recording of nothing may be of a unit whose volume is down.
pub(super) fn judge_absence(stimulus: &Stimulus, seconds: f64, integrity: &mut Integrity) {
    if super::marked::is_silent(stimulus) {
        integrity.notes.push(
            "the marks did not come back: nothing comes back, or the level is too low. Losses are then seen only by what \
             the device itself reports, by exact zeros and by splices"
                .to_owned(),
        );
    } else if seconds < stimulus.total_seconds() {
        integrity
            .notes
            .push("the capture was cut down, and its marks with it: losses are seen only where they spoil the waveform".to_owned());
    } else {
        integrity.damage.push(Damage::NoMarks);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(frames: f64, u_frames: f64) -> Found {
        let mark = |level: f64| Mark {
            at_frame: 0.0,
            u_frames,
            level: vec![[level, 0.0]],
            level_u: vec![1e-5],
        };
        Found {
            ends: [Some(mark(0.1)), Some(mark(0.1))],
            distance: Some(Distance {
                frames,
                u_frames,
                nominal_frames: 100_000.0,
            }),
            delay_s: 0.0,
            polarity: vec![1],
            hears: vec![Hears::Own],
        }
    }

    fn judged(frames: f64, clocks: Clocks, own: Option<f64>) -> Integrity {
        let mut integrity = Integrity::default();
        let own = own.map(|ppm| OwnClock { ppm, u_ppm: 0.01 });
        judge_distance(&found(frames, 0.003), clocks, own, &mut integrity);
        integrity
    }

    #[test]
    fn a_distance_is_held_against_the_clock_that_is_known() {
        // 100,000 frames: 10 ppm are one frame.
        let missing = |frames| vec![Damage::FramesMissing { frames }];
        assert_eq!(judged(100_000.01, Clocks::One, None).damage, []);
        assert_eq!(judged(99_952.0, Clocks::One, None).damage, missing(48));
        assert_eq!(
            judged(100_001.0, Clocks::One, None).damage,
            [Damage::FramesAdded { frames: 1 }]
        );
        let apart = Clocks::Apart {
            ppm: 50.0,
            u_ppm: 0.2,
        };
        assert_eq!(judged(100_005.01, apart, None).damage, []);
        assert_eq!(judged(100_004.0, apart, None).damage, missing(1));
        assert_eq!(judged(100_005.0, Clocks::Unknown, Some(50.0)).damage, []);
        assert_eq!(judged(99_957.0, Clocks::Unknown, Some(50.0)).damage, missing(48));
    }

    #[test]
    fn what_cannot_be_decided_is_said() {
        let open = judged(100_005.2, Clocks::Unknown, None);
        assert!(!open.is_damaged() && open.notes[0].contains("+52.0 ppm"));
        assert!(judged(99_000.0, Clocks::Unknown, None).is_damaged());
        assert!(judged(100_000.0, Clocks::One, Some(12.0)).notes[0].contains("resampled"));
    }

    #[test]
    fn a_knob_that_moved_by_more_than_a_tenth_of_a_decibel_is_damage() {
        for (db, moved) in [(0.08, false), (0.12, true), (-0.12, true)] {
            let mut f = found(100_000.0, 0.003);
            if let Some(m) = &mut f.ends[1] {
                m.level[0][0] *= 10f64.powf(db / 20.0);
            }
            let mut integrity = Integrity::default();
            judge_gain(&f, &mut integrity);
            assert_eq!(integrity.is_damaged(), moved, "{db}");
        }
    }
}
