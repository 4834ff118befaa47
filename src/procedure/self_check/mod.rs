//! The self-check of a bare bench: outputs cabled to inputs, no amplifier, every property of the path that a later
//! figure leans on, and a plain verdict.
//!
//! [`run()`] plays and records (`player`), each take is evaluated by pure functions of what was recorded (`floor`, `tones`,
//! `swept`), what is wrong is named (`trouble`), and [`fitness`] says what the bench is fit for, by rules that are stated
//! there. [`loopback`] turns the result into the rig file's `[[loopback]]` entries.
//!
//! The order is the safest one: a tone 60 dB below full scale first, and nothing louder while what comes back is louder
//! than a cable would let it be.

pub mod fitness;
mod floor;
mod heard;
pub mod loopback;
mod player;
mod prompts;
mod run;
mod swept;
mod tones;
pub mod trouble;

pub use fitness::{Fitness, Purpose};
pub use run::run;
pub use trouble::{Kind, Trouble};

use crate::figure::Channel;
use crate::procedure::plan::SAMPLE_RATE_HZ;
use crate::quantity::{Dbfs, Estimate};
use serde::Serialize;

/// Frequency of most tones, Hz: 997 shares no factor with any sample rate (AES17).
pub const TONE_HZ: f64 = 997.0;

/// Frequency that crosstalk and skirts are also read at, Hz.
pub const HIGH_TONE_HZ: f64 = 9_973.0;

/// Levels at the inputs that harmonics are read at, dBFS, as far as the outputs reach.
pub const LEVELS_DBFS: [f64; 5] = [-1.0, -3.0, -6.0, -12.0, -24.0];

/// Levels at the inputs that must follow in exact steps, dBFS. −90 dBFS is the tone that noise suppression swallows.
pub const STEPS_DBFS: [f64; 6] = [-20.0, -40.0, -60.0, -80.0, -90.0, -100.0];

/// The step that the others are held against, dBFS.
pub const REFERENCE_STEP_DBFS: f64 = -20.0;

/// What is played, and for how long.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// Rate of tones and silence, Hz.
    pub sample_rate_hz: u32,
    /// Rate of the sweep, Hz.
    pub sweep_rate_hz: u32,
    /// Length of the silent takes, s.
    pub floor_s: f64,
    /// Length of the loud tones, s.
    pub tone_s: f64,
    /// Length of the tones of the steps, s.
    pub step_s: f64,
    /// Length of the sweep, s.
    pub sweep_s: f64,
    /// Length of the tone that must stay at its level, s.
    pub steady_s: f64,
}

impl Request {
    /// The full check on an interface that runs at `offered_hz`, and no faster than `most_hz`: the sweep at the highest
    /// of its rates, tones at the highest that an audio band needs. `None` where it offers no rate.
    pub fn within(offered_hz: &[u32], most_hz: u32) -> Option<Self> {
        let up_to = |most: u32| offered_hz.iter().copied().filter(|r| *r <= most).max();
        let sweep = up_to(most_hz).or(offered_hz.iter().copied().min())?;
        Some(Self::at(up_to(sweep.min(SAMPLE_RATE_HZ)).unwrap_or(sweep), sweep))
    }

    /// The full check; tones at `sample_rate_hz`, the sweep at `sweep_rate_hz`.
    pub fn at(sample_rate_hz: u32, sweep_rate_hz: u32) -> Self {
        Self {
            sample_rate_hz,
            sweep_rate_hz,
            floor_s: 6.0,
            tone_s: 1.0,
            step_s: 2.0,
            sweep_s: 4.0,
            steady_s: 10.0,
        }
    }
}

/// All that the check found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SelfCheck {
    /// Name of the rig.
    pub rig: String,
    /// Whether nothing was real.
    pub simulated: bool,
    /// Rates of tones and of the sweep, Hz.
    pub sample_rates_hz: [u32; 2],
    /// Whether the noise was read with the inputs terminated; else with the idle outputs cabled to them.
    pub terminated: bool,
    /// The highest level that the outputs reach at both inputs, dBFS; `None` where it was not found. No higher than −1.
    pub highest_input_dbfs: Option<f64>,
    /// One entry a channel.
    pub channels: Vec<ChannelCheck>,
    /// Recording clock re playing clock; `None` where it was not found.
    pub clock: Option<Clock>,
    /// What is wrong or remarkable, worst first.
    pub troubles: Vec<Trouble>,
    /// One entry a purpose.
    pub fitness: Vec<Fitness>,
}

/// What was found of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelCheck {
    /// Which.
    pub channel: Channel,
    /// Level at the input re level at the output, dB.
    pub gain_db: Option<f64>,
    /// What the calibrated rig lets expect.
    pub expected_gain_db: Option<f64>,
    /// Significant bits of the samples; `None` where they are finer than 24 bits.
    pub bits: Option<u16>,
    /// Noise with nothing played.
    pub floor: Option<Floor>,
    /// Own distortion, loudest level first.
    pub distortion: Vec<OwnDistortion>,
    /// What of the other channel's signal arrives here.
    pub crosstalk: Vec<Crosstalk>,
    /// Levels against what was played, highest first.
    pub steps: Vec<Step>,
    /// Largest difference between half-seconds of one steady tone, dB.
    pub wander_db: Option<f64>,
    /// Sidebands within ±1 kHz of a loud tone of 10 kHz, dB re the tone.
    pub skirts: Option<Skirts>,
    /// Own response.
    pub response: Option<OwnResponse>,
    /// +1 or −1; `None` where it was not found.
    pub polarity: Option<i8>,
}

/// Own noise of a channel. dBFS are those of a full-scale sine.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Floor {
    /// 20 Hz–20 kHz, unweighted, dBFS.
    pub flat_dbfs: f64,
    /// 20 Hz–20 kHz, A-weighted, dBFS.
    pub a_dbfs: f64,
    /// Middles of third octaves, Hz.
    pub frequency_hz: Vec<f64>,
    /// Density there, dB re (full-scale sine)²/Hz.
    pub dbfs_per_hz: Vec<f64>,
    /// Mains lines together, dBFS; `None` where none stands out.
    pub hum_dbfs: Option<f64>,
    /// Mains frequency, Hz.
    pub mains_hz: Option<f64>,
    /// Lines at multiples of 1 kHz together, as a USB bus makes them, dBFS; `None` where there are none.
    pub bus_dbfs: Option<f64>,
    /// Whether every sample was exactly zero.
    pub zeros: bool,
}

/// Own harmonics of a 1 kHz tone at one level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OwnDistortion {
    /// At the input, dBFS.
    pub level_dbfs: f64,
    /// √ΣH²/H1, %.
    pub thd_percent: f64,
    /// True where the harmonics cannot be told from noise: the values are the most they can be.
    pub at_most: bool,
    /// Orders 2, 3, …, dB re the fundamental; the most it can be where one cannot be told from noise.
    pub harmonics_db: Vec<f64>,
}

/// Crosstalk from the other channel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Crosstalk {
    /// Hz.
    pub frequency_hz: f64,
    /// Undriven re driven channel, dB.
    pub db: f64,
    /// True where it cannot be told from noise.
    pub at_most: bool,
}

/// One step of the levels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// What should arrive, dBFS.
    pub level_dbfs: f64,
    /// What arrived less that, dB; `None` where no tone was seen.
    pub deviation_db: Option<f64>,
    /// Expanded uncertainty of the deviation, dB; 0 where no tone was seen.
    pub expanded_db: f64,
}

/// What stands beside a loud tone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Skirts {
    /// Power within ±1 kHz above the silent floor, dB re the tone.
    pub db: f64,
    /// True where it cannot be told from the floor.
    pub at_most: bool,
    /// Rms of the timing jitter that would make them, s.
    pub jitter_s: f64,
}

/// Own response of a channel, one way round: output and input together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OwnResponse {
    /// Level of the sweep at the input, dBFS.
    pub level_dbfs: f64,
    /// Hz, rising: third octaves.
    pub frequency_hz: Vec<f64>,
    /// re 1 kHz, dB.
    pub db: Vec<f64>,
    /// Degrees, delay and polarity taken out.
    pub deg: Vec<f64>,
    /// Standard uncertainty of the magnitude between 20 Hz and 20 kHz, dB.
    pub u_db: f64,
    /// Where nothing comes back any more although the rate has room for it, Hz.
    pub cut_off_hz: Option<f64>,
}

/// Recording clock re playing clock.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Clock {
    /// Parts per million; positive where the recording counts more frames.
    pub ppm: f64,
    /// Standard uncertainty.
    pub u_ppm: f64,
    /// Delay from playing to recording, s.
    pub delay_s: f64,
}

impl ChannelCheck {
    /// Nothing found yet.
    fn of(channel: Channel) -> Self {
        Self {
            channel,
            gain_db: None,
            expected_gain_db: None,
            bits: None,
            floor: None,
            distortion: Vec::new(),
            crosstalk: Vec::new(),
            steps: Vec::new(),
            wander_db: None,
            skirts: None,
            response: None,
            polarity: None,
        }
    }
}

/// How far a level may be from its step, dB, beyond its uncertainty. Common practice: a step of 20 dB reads 20.00 ± 0.05.
pub(crate) const STEP_DB: f64 = 0.05;

impl Step {
    /// Whether the level is further from its step than a sound path and its own uncertainty explain. A tone that was not
    /// seen is not off: it is missing.
    pub fn is_off(&self) -> bool {
        self.deviation_db
            .is_some_and(|d| d.abs() > STEP_DB + 1.5 * self.expanded_db)
    }
}

impl SelfCheck {
    /// Whether the bench is fit for each of `purposes`.
    pub fn is_fit_for(&self, purposes: &[Purpose]) -> bool {
        purposes
            .iter()
            .all(|p| self.fitness.iter().any(|f| f.purpose == *p && f.fit))
    }
}

/// Gain that a cable from output to input has by the rig's calibration, as an amplitude ratio of full scales: what the
/// output's source impedance and the input's make of it.
pub fn expected_gain(rig: &crate::rig::Rig, channel: usize) -> Option<Estimate> {
    let c = rig.channels.get(channel)?;
    let input = c.input_impedance_ohm.estimate();
    let loaded = input.over(&input.plus(&c.output_impedance_ohm.estimate()));
    Some(
        c.output_full_scale_v
            .estimate()
            .times(&loaded)
            .over(&c.input_full_scale_v.estimate()),
    )
}

/// Level of a mean square re a full-scale sine's.
fn dbfs_of(mean_square: f64) -> f64 {
    Dbfs::from_rms(mean_square.max(1e-40).sqrt()).0
}
