//! One take on a server, and the truth about it: every frame that came back against every frame that was played.

use super::kept::Kept;
use super::probe::{Account, Order, PLAY, Stop};
use super::server::{DEVICE, PERIOD, Server};
use asleft::atomic::Existing;
use asleft::rig::Interface;
use asleft::signal::source::BlockSource;
use asleft::signal::stimulus::{Component, Marks, NoiseColour, SCHEMA, Signal, Stimulus};
use asleft::signal::synthesis::Renderer;
use asleft::signal::{stimulus_file, wav_read};
use asleft::take::examine;
use std::path::PathBuf;
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

/// How long a take may last, wall time: far more than any of them does.
const LONGEST: Duration = Duration::from_secs(60);

/// Takes of which one must be whole.
const ATTEMPTS: u32 = 3;

static TAKES: AtomicU32 = AtomicU32::new(0);

/// The server's device, straight through, one period at a time.
pub(crate) fn interface() -> Interface {
    Interface {
        output: DEVICE.to_owned(),
        input: DEVICE.to_owned(),
        output_channels: vec![1, 2],
        input_channels: vec![1, 2],
        period_frames: Some(PERIOD),
    }
}

/// Different signals left and right between marks.
pub(crate) fn stimulus(rate: u32, seconds: f64, left: Signal, right: Signal) -> Stimulus {
    Stimulus {
        schema: SCHEMA.to_owned(),
        sample_rate_hz: rate,
        seconds,
        lead_in_s: 0.2,
        lead_out_s: 0.2,
        fade_s: 0.0,
        marks: Some(Marks {
            level_dbfs: -6.0,
            channels: vec![0, 1],
        }),
        channels: vec![left, right],
    }
}

pub(crate) fn tone(frequency_hz: f64, peak: f64) -> Signal {
    Signal::Tone {
        frequency_hz,
        level_dbfs: 20.0 * peak.log10(),
    }
}

pub(crate) fn two_tones() -> Signal {
    let one = |frequency_hz| Component {
        frequency_hz,
        level_dbfs: -7.1,
        phase_deg: 0.0,
    };
    Signal::Tones {
        tones: vec![one(997.0), one(3_331.0)],
    }
}

pub(crate) fn noise(seed: u64) -> Signal {
    Signal::Noise {
        colour: NoiseColour::White,
        level_dbfs: -20.0,
        seed,
    }
}

pub(crate) fn sweep(rate: u32) -> Signal {
    Signal::Sweep {
        from_hz: 10.0,
        to_hz: 0.45 * f64::from(rate),
        level_dbfs: -3.0,
    }
}

/// A take that is being played.
pub(crate) struct Playing {
    order: Order,
    probe: Kept,
}

impl Playing {
    /// Starts it.
    pub(crate) fn start(server: &Server, interface: Interface, stimulus: Stimulus, stop: Stop) -> Self {
        let number = TAKES.fetch_add(1, Ordering::Relaxed);
        let at = |end: &str| server.folder().join(format!("take-{number}{end}"));
        let order = Order {
            interface,
            stimulus,
            stop,
            wav: at(".wav"),
            account: at(".account.json"),
        };
        std::fs::write(at(".order.json"), serde_json::to_string(&order).unwrap()).unwrap();
        let mut command = server.command(std::env::current_exe().unwrap());
        command.arg(PLAY).arg(at(".order.json"));
        let probe = server.keep(&command, &format!("take-{number}"));
        Self { order, probe }
    }

    /// Waits until this many seconds have reached the disk.
    pub(crate) fn until_recorded(&mut self, seconds: f64) {
        // Two channels of 4 bytes.
        let bytes = seconds * 8.0 * f64::from(self.order.stimulus.sample_rate_hz);
        let wav = self.order.wav.clone();
        self.probe
            .until(|| std::fs::metadata(&wav).is_ok_and(|m| m.len() as f64 >= bytes));
    }

    /// Lets the program that plays stand still for as long.
    pub(crate) fn pause(&self, time: Duration) {
        self.probe.pause(time);
    }

    /// Waits for its end.
    pub(crate) fn end(mut self) -> Take {
        let status = self.probe.wait(LONGEST);
        assert!(status.success(), "{status}: {}", self.probe.said());
        let text = std::fs::read_to_string(&self.order.account).unwrap();
        Take {
            account: serde_json::from_str(&text).unwrap(),
            wav: self.order.wav,
        }
    }
}

/// Plays `stimulus` to its end. Beside other programs the machine may lose frames: a take that is not `whole` is repeated
/// as asleft repeats it, provided that it was flagged; after [`ATTEMPTS`] the test fails.
pub(crate) fn whole_take(
    server: &Server,
    interface: &Interface,
    stimulus: &Stimulus,
    whole: impl Fn(&Take) -> bool,
) -> Take {
    for _ in 0..ATTEMPTS {
        let take = Playing::start(server, interface.clone(), stimulus.clone(), Stop::Never).end();
        assert_eq!(take.account.error, None);
        assert!(take.account.ended_early.is_none(), "{:?}", take.account);
        if whole(&take) {
            return take;
        }
        assert!(
            take.is_flagged(),
            "not whole, and nobody says so: {:?}",
            take.account
        );
        println!("live: repeated, because of {:?}", take.account.losses);
    }
    panic!("{ATTEMPTS} takes, none of them whole");
}

/// A take that is over.
#[derive(Debug)]
pub(crate) struct Take {
    pub(crate) account: Account,
    pub(crate) wav: PathBuf,
}

impl Take {
    /// What was played, as it was cleared.
    pub(crate) fn stimulus(&self) -> &Stimulus {
        self.account.cleared.as_ref().expect("a cleared stimulus")
    }

    /// What was recorded, through asleft's own reader: it must know unfinished recordings.
    pub(crate) fn recorded(&self) -> Vec<Vec<f64>> {
        planes(wav_read::open(&self.wav).unwrap().as_ref())
    }

    /// What must have come back through a path that changes nothing: the stimulus in 32-bit floats.
    pub(crate) fn rendered(&self) -> Vec<Vec<f64>> {
        let mut planes = planes(&Renderer::with_channels(self.stimulus(), 2).unwrap());
        for sample in planes.iter_mut().flatten() {
            *sample = f64::from(*sample as f32);
        }
        planes
    }

    /// Runs `asleft analyse --json` on it, with its stimulus.
    pub(crate) fn analysed(&self) -> serde_json::Value {
        let file = self.wav.with_extension("stimulus.toml");
        stimulus_file::write(&file, self.stimulus(), Existing::Replace).unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_asleft"));
        command
            .args(["analyse", "--json", "--stimulus"])
            .arg(&file)
            .arg(&self.wav);
        // A damaged take ends with 1 and is analysed all the same.
        let output = command.output().unwrap();
        serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)))
    }

    /// Whether anyone who looks at the take is told that frames are missing or wrong.
    pub(crate) fn is_flagged(&self) -> bool {
        !self.account.losses.is_empty() || self.is_visibly_damaged()
    }

    /// Whether asleft sees in the recording alone that frames are missing or wrong, or refuses it.
    pub(crate) fn is_visibly_damaged(&self) -> bool {
        let mut take = asleft::signal::take::Take::of(wav_read::open(&self.wav).unwrap());
        take.stimulus = Some(self.stimulus().clone());
        examine(take, None).map_or(true, |e| e.integrity.is_damaged())
    }
}

fn planes(source: &dyn BlockSource) -> Vec<Vec<f64>> {
    let format = source.format();
    let frames = usize::try_from(format.frames).unwrap();
    let mut planes = vec![vec![0.0; frames]; format.channels];
    let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
    let got = source.open().unwrap().read(0, &mut slices).unwrap();
    assert_eq!(got, frames);
    planes
}

/// How a recording differs from what was played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Truth {
    /// Frames by which the recording is later, by its first sound.
    pub(crate) delay: i64,
    /// Frames of the stimulus, from its first sound on, that were recorded.
    pub(crate) compared: usize,
    /// Frames that differ in any channel, or are missing.
    pub(crate) different: usize,
    /// The first of them, from the first sound on.
    pub(crate) first: Option<usize>,
    /// Largest magnitude of a recorded sample.
    pub(crate) peak: f64,
}

/// Compares every frame from the first sound on, and that nothing sounds after the last.
pub(crate) fn truth(played: &[Vec<f64>], recorded: &[Vec<f64>]) -> Truth {
    let (from, at) = (first_sound(played), first_sound(recorded));
    let (mut compared, mut different, mut first) = (0, 0, None);
    let (played_frames, recorded_frames) = (played[0].len() - from, recorded[0].len() - at);
    for n in 0..played_frames.max(recorded_frames) {
        // Bits of one zero, not two.
        let frame = |planes: &[Vec<f64>], start: usize| {
            [0, 1].map(|c: usize| planes[c].get(start + n).map(|x| (x + 0.0).to_bits()))
        };
        let (of_played, of_recorded) = (frame(played, from), frame(recorded, at));
        compared += usize::from(n < played_frames && n < recorded_frames);
        let same = match (of_played[0], of_recorded[0]) {
            (Some(_), Some(_)) => of_played == of_recorded,
            (None, _) => of_recorded
                .iter()
                .flatten()
                .all(|b| f64::from_bits(*b).abs() == 0.0),
            // The silence after the sound need not be recorded to its end.
            (_, None) => of_played
                .iter()
                .flatten()
                .all(|b| f64::from_bits(*b).abs() == 0.0),
        };
        if !same {
            different += 1;
            first = first.or(Some(n));
        }
    }
    Truth {
        delay: at as i64 - from as i64,
        compared,
        different,
        first,
        peak: peak(recorded),
    }
}

/// The first frame that is not silent.
pub(crate) fn first_sound(planes: &[Vec<f64>]) -> usize {
    sounding(planes).min().expect("no sound at all")
}

/// The last frame that is not silent.
pub(crate) fn last_sound(planes: &[Vec<f64>]) -> usize {
    sounding(planes).max().expect("no sound at all")
}

fn sounding(planes: &[Vec<f64>]) -> impl Iterator<Item = usize> + '_ {
    (0..planes[0].len()).filter(|n| planes.iter().any(|p| p[*n].abs() > 0.0))
}

/// The largest magnitude.
pub(crate) fn peak(planes: &[Vec<f64>]) -> f64 {
    planes.iter().flatten().fold(0.0, |m: f64, x| m.max(x.abs()))
}
