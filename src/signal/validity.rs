//! What a stimulus may be: every value checked, each fault with the path of the key it stands under.

use super::mark;
use super::source::{MOST_CHANNELS, SAMPLE_RATES_HZ};
use super::stimulus::{Component, NOISE_PEAK_SIGMA, SCHEMA, Signal, Stimulus};
use crate::error::{Error, Kind};
use crate::quantity::Dbfs;

/// Longest stimulus, s: a day.
const LONGEST_S: f64 = 86_400.0;

/// Lowest level, dBFS: below the last bit of any format.
const LOWEST_DBFS: f64 = -250.0;

/// Most sines at once.
const MOST_TONES: usize = 256;

/// One impossible value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Keys and indices that lead to the value, as [`crate::ownfile::line_of`] takes them.
    pub path: Vec<String>,
    /// What is wrong, and what would be right.
    pub error: Error,
}

/// Everything that makes `stimulus` impossible to play; empty for a good one.
pub fn faults(stimulus: &Stimulus) -> Vec<Fault> {
    let mut found = Vec::new();
    let top = |key: &str, what: String, next: &str| fault(&[key.to_owned()], what, next);
    if stimulus.schema != SCHEMA {
        let what = format!(
            "the schema is \"{}\"; this version reads \"{SCHEMA}\"",
            stimulus.schema
        );
        found.push(top(
            "schema",
            what,
            "make the file again, or use the version of the program that wrote it",
        ));
    }
    let rate = stimulus.sample_rate_hz;
    if !SAMPLE_RATES_HZ.contains(&rate) {
        let what = format!("a sample rate of {rate} Hz is outside 8000…384000 Hz");
        found.push(top(
            "sample_rate_hz",
            what,
            "choose a rate the interface has, 48000 or 96000 for example",
        ));
    }
    check_lengths(stimulus, &mut found);
    if stimulus.channels.is_empty() || stimulus.channels.len() > MOST_CHANNELS {
        let what = format!(
            "{} channels; 1 to {MOST_CHANNELS} are possible",
            stimulus.channels.len()
        );
        found.push(top("channels", what, "give one signal a channel"));
    }
    check_marks(stimulus, &mut found);
    for (index, signal) in stimulus.channels.iter().enumerate() {
        let mut checker = Checker {
            stimulus,
            path: vec!["channels".to_owned(), index.to_string()],
            found: &mut found,
        };
        checker.check(signal);
    }
    found
}

fn fault(path: &[String], what: String, next: &str) -> Fault {
    Fault {
        path: path.to_vec(),
        error: Error::new(Kind::Value, what).next(next),
    }
}

fn check_lengths(stimulus: &Stimulus, found: &mut Vec<Fault>) {
    let mut refuse = |key: &str, what: String, next: &str| found.push(fault(&[key.to_owned()], what, next));
    let seconds = stimulus.seconds;
    if !(seconds > 0.0 && seconds <= LONGEST_S) {
        let what = format!("a length of {seconds} s is impossible; up to {LONGEST_S} s can be made");
        refuse("seconds", what, "choose a length above 0 s");
    } else if stimulus.signal_frames() == 0 {
        refuse(
            "seconds",
            format!("{seconds} s are less than one sample"),
            "choose a longer signal",
        );
    }
    for (key, length) in [
        ("lead_in_s", stimulus.lead_in_s),
        ("lead_out_s", stimulus.lead_out_s),
    ] {
        if !(0.0..=LONGEST_S).contains(&length) {
            refuse(
                key,
                format!("a silence of {length} s is impossible"),
                "choose 0 s or more",
            );
        }
    }
    if !(stimulus.fade_s >= 0.0 && stimulus.fade_s <= seconds / 2.0) {
        let what = format!("two fades of {} s do not fit into {seconds} s", stimulus.fade_s);
        refuse("fade_s", what, "choose a shorter fade, or a longer signal");
    }
}

fn check_marks(stimulus: &Stimulus, found: &mut Vec<Fault>) {
    let Some(marks) = &stimulus.marks else {
        return;
    };
    let mut refuse = |key: &str, what: String, next: &str| {
        found.push(fault(&["marks".to_owned(), key.to_owned()], what, next));
    };
    if !(LOWEST_DBFS..=0.0).contains(&marks.level_dbfs) {
        let what = format!(
            "marks of {} dBFS are not between {LOWEST_DBFS} and 0 dBFS",
            marks.level_dbfs
        );
        refuse(
            "level_dbfs",
            what,
            "choose a level of 0 dBFS or lower, for example -20",
        );
    }
    if marks.channels.iter().any(|c| *c >= MOST_CHANNELS) {
        refuse(
            "channels",
            format!("channels of marks count from 0 to {}", MOST_CHANNELS - 1),
            "0 is left, 1 is right",
        );
    }
    let room = mark::MARK_S + mark::GAP_S;
    let short = |s: f64| s < room;
    if short(stimulus.lead_in_s) || short(stimulus.lead_out_s) {
        refuse(
            "channels",
            format!("marks need a lead-in and a lead-out of {room} s or more"),
            "choose longer silences before and after the signal",
        );
    }
    if 2.0 * mark::HIGH_HZ > f64::from(stimulus.sample_rate_hz) {
        refuse(
            "channels",
            format!("marks reach up to {} Hz", mark::HIGH_HZ),
            "choose a higher sample rate",
        );
    }
}

/// The checks of one channel.
struct Checker<'a> {
    stimulus: &'a Stimulus,
    path: Vec<String>,
    found: &'a mut Vec<Fault>,
}

impl Checker<'_> {
    fn check(&mut self, signal: &Signal) {
        match signal {
            Signal::Silence => {}
            Signal::Tone {
                frequency_hz,
                level_dbfs,
            } => {
                self.frequency("frequency_hz", *frequency_hz);
                self.level(*level_dbfs);
            }
            Signal::Tones { tones } => self.tones(tones),
            Signal::Sweep {
                from_hz,
                to_hz,
                level_dbfs,
            } => {
                self.frequency("from_hz", *from_hz);
                self.frequency("to_hz", *to_hz);
                if *to_hz < from_hz * 1.01 {
                    let what = format!("a sweep from {from_hz} Hz to {to_hz} Hz does not rise");
                    self.refuse("to_hz", what, "give the lower frequency first");
                }
                self.level(*level_dbfs);
            }
            Signal::Noise { level_dbfs, seed, .. } => {
                if i64::try_from(*seed).is_err() {
                    self.refuse(
                        "seed",
                        format!("the seed {seed} is too large"),
                        "choose a seed below 2^63",
                    );
                }
                self.level(*level_dbfs);
                self.noise_peak(signal, *level_dbfs);
            }
            Signal::Burst {
                frequency_hz,
                level_dbfs,
                on_s,
                every_s,
            } => {
                self.frequency("frequency_hz", *frequency_hz);
                self.level(*level_dbfs);
                self.burst(*frequency_hz, *on_s, *every_s);
            }
        }
    }

    fn refuse(&mut self, key: &str, what: String, next: &str) {
        let mut path = self.path.clone();
        path.push(key.to_owned());
        self.found.push(fault(&path, what, next));
    }

    fn frequency(&mut self, key: &str, frequency_hz: f64) {
        let half = f64::from(self.stimulus.sample_rate_hz) / 2.0;
        if !(frequency_hz > 0.0 && frequency_hz < half) {
            let what = format!("{frequency_hz} Hz is not between 0 and {half} Hz, half the sample rate");
            self.refuse(key, what, "choose a lower frequency or a higher sample rate");
        }
    }

    fn level(&mut self, level_dbfs: f64) {
        if !(LOWEST_DBFS..=0.0).contains(&level_dbfs) {
            let what = format!("a level of {level_dbfs} dBFS is not between {LOWEST_DBFS} and 0 dBFS");
            self.refuse(
                "level_dbfs",
                what,
                "choose a level of 0 dBFS or lower, for example -6",
            );
        }
    }

    fn tones(&mut self, tones: &[Component]) {
        if !(2..=MOST_TONES).contains(&tones.len()) {
            let what = format!("{} tones; 2 to {MOST_TONES} are possible", tones.len());
            self.refuse("tones", what, "for one sine use the kind \"tone\"");
        }
        let depth = self.path.len();
        for (index, tone) in tones.iter().enumerate() {
            self.path.extend(["tones".to_owned(), index.to_string()]);
            self.frequency("frequency_hz", tone.frequency_hz);
            self.level(tone.level_dbfs);
            if !tone.phase_deg.is_finite() {
                self.refuse("phase_deg", "the phase is no number".to_owned(), "write degrees");
            }
            self.path.truncate(depth);
        }
        let peak: f64 = tones.iter().map(|t| Dbfs(t.level_dbfs).sine_peak()).sum();
        // A hair of room for levels that were computed to add up to full scale.
        if peak > 1.0 + 1e-9 {
            let over = Dbfs::from_sine_peak(peak).0;
            let what = format!("the peaks of all tones add up to {over:.2} dB above full scale");
            self.refuse(
                "tones",
                what,
                &format!("lower every tone by {over:.2} dB or more"),
            );
        }
    }

    fn noise_peak(&mut self, signal: &Signal, level_dbfs: f64) {
        let over = Dbfs::from_sine_peak(signal.peak_bound()).0;
        if over > 1e-9 && level_dbfs <= 0.0 {
            let what = format!(
                "noise of {level_dbfs} dBFS would clip: its peaks, {NOISE_PEAK_SIGMA} times its rms, reach {over:.2} dB above full scale"
            );
            let highest = ((level_dbfs - over) * 100.0).floor() / 100.0;
            self.refuse("level_dbfs", what, &format!("choose {highest:.2} dBFS or lower"));
        }
    }

    fn burst(&mut self, frequency_hz: f64, on_s: f64, every_s: f64) {
        if !(on_s * frequency_hz >= 0.5 && on_s <= LONGEST_S) {
            let what = format!("a burst of {on_s} s holds no whole period of {frequency_hz} Hz");
            self.refuse("on_s", what, "choose a longer burst");
        }
        if !(every_s >= on_s && every_s <= LONGEST_S) {
            let what = format!("a burst of {on_s} s every {every_s} s leaves no gap");
            self.refuse("every_s", what, "choose a longer time from burst to burst");
        }
        if on_s > self.stimulus.seconds {
            let what = format!(
                "a burst of {on_s} s does not fit into {} s",
                self.stimulus.seconds
            );
            self.refuse("on_s", what, "choose a shorter burst or a longer signal");
        }
    }
}
