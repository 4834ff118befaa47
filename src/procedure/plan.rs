//! What a verification plays, in order, as data that can be read before anything sounds.
//!
//! The order changes cables and controls as seldom as possible and puts the safest first: silence, faint tones that prove
//! the connection and find the gain, low levels, then power. What the ceiling forbids is not planned.

use crate::error::{Error, Kind, Result};
use crate::figure::{Driven, FigureId};
use crate::quantity::{Decibels, Watts};
use crate::rig::ceiling::{
    BURST_S, FIRST_RE_SENSITIVITY, HIGH_HZ, HIGH_SHARE, PROVEN_RE_SENSITIVITY, STEP, SWEEP_RE_RATED,
};
use crate::signal::take::Setup;
use crate::unit::rules::is_of_silence;
use crate::unit::{Input, UnitSpec};

/// Sample rate of tones and silence, Hz: harmonics of 10 kHz up to the fourth are inside.
pub const SAMPLE_RATE_HZ: u32 = 96_000;

/// Sample rate of sweeps and of the highest tones, Hz: specifications state responses beyond 48 kHz, and the third
/// harmonic of 20 kHz must be inside.
pub const WIDE_RATE_HZ: u32 = 192_000;

/// Position of the volume control that sensitivities are stated at.
pub const FULL_VOLUME: &str = "maximum";

/// Frequency of the tones that prove a connection and find the gain, Hz.
const CONNECTION_HZ: f64 = 997.0;

/// The rated-power step aims this far above the rated power, so that the whole interval of the power reaches it: the
/// usual uncertainty of watts with a good meter is 2 to 3 %, and the gain was found with a faint tone.
const RATED_AIM: f64 = 1.06;

/// The same at the edges of the rated band: a response that is 0.2 dB down there, as good ones are, takes another 4.5 %.
const EDGE_AIM: f64 = 1.11;

/// Steps against power, re rated power: half decades in the mode that is measured in full, decades in the others.
const FINE_STEPS: [f64; 5] = [0.001, 0.003_162, 0.01, 0.031_62, 0.316_2];
const COARSE_STEPS: [f64; 3] = [0.001, 0.01, 0.1];

/// Tones against frequency, a tenth of the rated power each. 997 Hz is a point of the curve against power as well.
const TONES_HZ: [f64; 6] = [20.0, 100.0, 997.0, 5_000.0, 10_000.0, 20_000.0];

/// How hard a step drives the unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drive {
    /// So that this much comes out of each driven channel.
    Output(Watts),
    /// This far from the selected input's rated sensitivity.
    ReSensitivity(Decibels),
}

/// What a step plays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Play {
    /// Nothing: the generator is off.
    Silence,
    /// A steady sine.
    Tone {
        /// Hz.
        frequency_hz: f64,
        /// How hard.
        drive: Drive,
    },
    /// A synchronised exponential sweep.
    Sweep {
        /// First frequency, Hz.
        from_hz: f64,
        /// Last frequency, Hz.
        to_hz: f64,
        /// How hard.
        drive: Drive,
    },
}

/// One step: one take.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Name of the measurement and of its capture.
    pub name: String,
    /// What is played.
    pub play: Play,
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// Length of the signal, s.
    pub seconds: f64,
    /// How the unit stands.
    pub setup: Setup,
    /// Figures that the take is made for.
    pub figures: Vec<FigureId>,
    /// What the step is good for, in the technician's words.
    pub purpose: String,
}

impl Step {
    /// Whether the step is the faint tone that later levels are computed from.
    pub fn finds_gain(&self) -> bool {
        matches!(
            self.play,
            Play::Tone {
                drive: Drive::ReSensitivity(_),
                ..
            }
        )
    }
}

/// The plan of a full verification of `unit`, with the rig's taps named `power_tap` and `noise_tap`.
///
/// The first mode is measured in full, the others as far as the specification rates them.
///
/// # Errors
/// Where the unit file names no line input.
pub fn full(unit: &UnitSpec, power_tap: &str, noise_tap: &str) -> Result<Vec<Step>> {
    let input = line_input(unit)?;
    let shape = Shape {
        unit,
        input,
        power_tap,
        noise_tap,
    };
    let modes: Vec<Option<&str>> = match unit.modes.as_slice() {
        [] => vec![None],
        modes => modes.iter().map(|m| Some(m.name.as_str())).collect(),
    };
    let mut steps = Vec::new();
    for (index, mode) in modes.into_iter().enumerate() {
        steps.extend(shape.all_noise(mode));
        steps.extend(approach(unit, &shape.setup(mode, Driven::Both)));
        if index == 0 || shape.rates_a_sweep(mode) {
            steps.extend(shape.sweeps(mode));
        }
        if index == 0 {
            steps.extend(shape.against_frequency(mode));
        }
        steps.extend(shape.against_level(mode, if index == 0 { &FINE_STEPS } else { &COARSE_STEPS }));
        steps.extend(shape.stated_tones(mode));
        steps.extend(shape.rated_power(mode));
    }
    Ok(steps)
}

/// The steps that prove the connection of `setup` and find its gain: faint tones, each [`STEP`] above the one before it.
pub fn approach(unit: &UnitSpec, setup: &Setup) -> Vec<Step> {
    let step = |level: Decibels| Step {
        name: with_mode(unit, &connection_name(level), setup.mode.as_deref()),
        play: Play::Tone {
            frequency_hz: CONNECTION_HZ,
            drive: Drive::ReSensitivity(level),
        },
        sample_rate_hz: SAMPLE_RATE_HZ,
        // Much longer than the silences around it: beside loud hum that is how the tone is told from them.
        seconds: 2.0,
        setup: setup.clone(),
        figures: vec![FigureId::Level],
        purpose: "A faint tone finds the gain and shows that the right cables are in the right sockets."
            .to_owned(),
    };
    std::iter::successors(Some(FIRST_RE_SENSITIVITY), |level| Some(*level + STEP))
        .take_while(|level| level.0 <= PROVEN_RE_SENSITIVITY.0)
        .map(step)
        .collect()
}

/// The first step is the connection; the others have their level in their names.
fn connection_name(level: Decibels) -> String {
    if level == FIRST_RE_SENSITIVITY {
        "connection".to_owned()
    } else {
        format!("connection-{:.0}db", -level.0)
    }
}

/// The name of a step; in modes other than the first with the mode in it.
fn with_mode(unit: &UnitSpec, name: &str, mode: Option<&str>) -> String {
    let first = unit.modes.first().map(|m| m.name.as_str());
    match mode {
        Some(mode) if Some(mode) != first => format!("{name}-{mode}"),
        _ => name.to_owned(),
    }
}

/// The line input that the specification is stated at: the one that most rated figures name, else the first.
///
/// # Errors
/// Where there is none.
pub fn line_input(unit: &UnitSpec) -> Result<&Input> {
    let named = |input: &Input| {
        unit.rated
            .iter()
            .filter(|r| r.input.as_deref() == Some(&input.name))
            .count()
    };
    // `max_by_key` takes the last of equals; reversed, that is the first.
    unit.inputs
        .iter()
        .filter(|i| !i.phono)
        .rev()
        .max_by_key(|i| named(i))
        .ok_or_else(|| {
            Error::new(
                Kind::Value,
                format!("the unit file of {} names no line input", unit.model),
            )
            .next("add an [[inputs]] entry with the input that power and distortion are stated at")
        })
}

struct Shape<'a> {
    unit: &'a UnitSpec,
    input: &'a Input,
    power_tap: &'a str,
    noise_tap: &'a str,
}

impl Shape<'_> {
    fn setup(&self, mode: Option<&str>, driven: Driven) -> Setup {
        Setup {
            driven: Some(driven),
            mode: mode.map(str::to_owned),
            input: Some(self.input.name.clone()),
            volume: Some(FULL_VOLUME.to_owned()),
            termination: None,
            tap: Some(self.power_tap.to_owned()),
            pad: None,
            loaded: Some(true),
        }
    }

    fn with_mode(&self, name: &str, mode: Option<&str>) -> String {
        with_mode(self.unit, name, mode)
    }

    /// Silence at the line input, and wherever else the specification rates hum or noise.
    fn all_noise(&self, mode: Option<&str>) -> Vec<Step> {
        let mut places = vec![(self.input.name.clone(), FULL_VOLUME.to_owned())];
        for rated in &self.unit.rated {
            if !is_of_silence(rated.figure) || rated.mode.as_deref().is_some_and(|m| Some(m) != mode) {
                continue;
            }
            let input = rated.input.clone().unwrap_or_else(|| self.input.name.clone());
            let place = (
                input,
                rated.volume.clone().unwrap_or_else(|| FULL_VOLUME.to_owned()),
            );
            if !places.contains(&place) {
                places.push(place);
            }
        }
        places
            .iter()
            .map(|(input, volume)| self.noise(mode, input, volume))
            .collect()
    }

    fn noise(&self, mode: Option<&str>, input: &str, volume: &str) -> Step {
        let setup = Setup {
            driven: None,
            input: Some(input.to_owned()),
            volume: Some(volume.to_owned()),
            termination: Some("shorted plug".to_owned()),
            tap: Some(self.noise_tap.to_owned()),
            ..self.setup(mode, Driven::Both)
        };
        let mut name = String::from("noise");
        for (part, usual) in [(input, self.input.name.as_str()), (volume, FULL_VOLUME)] {
            if part != usual {
                name = format!("{name}-{part}");
            }
        }
        Step {
            name: self.with_mode(&name, mode),
            play: Play::Silence,
            sample_rate_hz: SAMPLE_RATE_HZ,
            seconds: 6.0,
            setup,
            figures: vec![
                FigureId::Noise,
                FigureId::Snr,
                FigureId::Hum,
                FigureId::HumLine,
                FigureId::NoiseChange,
            ],
            purpose: "Input shorted, generator off: what the unit adds by itself.".to_owned(),
        }
    }

    fn sweeps(&self, mode: Option<&str>) -> Vec<Step> {
        let watts = Watts(self.unit.power_in(mode).watts) * SWEEP_RE_RATED.power_ratio();
        let sweep = |name: &str, driven, seconds, figures: &[FigureId], purpose: &str| Step {
            name: self.with_mode(name, mode),
            play: Play::Sweep {
                from_hz: 5.0,
                to_hz: 80_000.0,
                drive: Drive::Output(watts),
            },
            sample_rate_hz: WIDE_RATE_HZ,
            seconds,
            setup: self.setup(mode, driven),
            figures: figures.to_vec(),
            purpose: purpose.to_owned(),
        };
        let separation = [FigureId::Separation];
        // The rated response is judged from the latest sweep: the one that drives both channels comes last.
        vec![
            sweep(
                "separation-left",
                Driven::Left,
                3.0,
                &separation,
                "Left driven, right input shorted.",
            ),
            sweep(
                "separation-right",
                Driven::Right,
                3.0,
                &separation,
                "Right driven, left input shorted.",
            ),
            sweep(
                "response",
                Driven::Both,
                5.0,
                &[
                    FigureId::Response,
                    FigureId::ResponseMax,
                    FigureId::ResponseMin,
                    FigureId::CornerLow,
                    FigureId::CornerHigh,
                    FigureId::Phase,
                    FigureId::GroupDelay,
                    FigureId::HarmonicResponse,
                    FigureId::Balance,
                    FigureId::BalanceMax,
                ],
                "One sweep gives response, phase, balance and the harmonics against frequency.",
            ),
        ]
    }

    /// At the wide rate, so that all tones have their harmonics up to 80 kHz counted alike.
    fn against_frequency(&self, mode: Option<&str>) -> Vec<Step> {
        let watts = Watts(self.unit.power_in(mode).watts / 10.0);
        TONES_HZ
            .into_iter()
            .map(|hz| Step {
                sample_rate_hz: WIDE_RATE_HZ,
                ..self.tone(
                    mode,
                    &format!("tone-{hz:.0}hz"),
                    hz,
                    watts,
                    "Distortion against frequency.",
                )
            })
            .collect()
    }

    fn against_level(&self, mode: Option<&str>, parts: &[f64]) -> Vec<Step> {
        parts
            .iter()
            .map(|part| {
                let watts = Watts(self.unit.power_in(mode).watts * part);
                self.tone(
                    mode,
                    &format!("power-{}", in_name(watts.0)),
                    997.0,
                    watts,
                    "Distortion against power.",
                )
            })
            .collect()
    }

    /// Tones at the frequency and output that a rated figure is stated at.
    fn stated_tones(&self, mode: Option<&str>) -> Vec<Step> {
        let mut steps: Vec<Step> = Vec::new();
        for rated in &self.unit.rated {
            let of_tone = matches!(
                rated.figure,
                FigureId::Thd | FigureId::ThdN | FigureId::Harmonic | FigureId::Sinad
            );
            if !of_tone || rated.mode.as_deref().is_some_and(|m| Some(m) != mode) {
                continue;
            }
            let (Some(volts), Some(hz)) = (rated.level(self.unit, mode), rated.frequency_hz) else {
                continue;
            };
            let watts = volts.power_into(rated.load(self.unit, mode));
            // 997 Hz stands for 1 kHz: it shares no factor with any sample rate (AES17).
            let hz = if (hz - 1000.0).abs() < 1.0 { 997.0 } else { hz };
            let name = format!("tone-{hz:.0}hz-{}", in_name(watts.0));
            let step = self.tone(mode, &name, hz, watts, "A rated distortion at its stated output.");
            if !steps.contains(&step) {
                steps.push(step);
            }
        }
        steps
    }

    /// Rated power at both ends of its band and at 1 kHz; the highest frequency last, and as a burst, because it heats the
    /// output network most.
    fn rated_power(&self, mode: Option<&str>) -> Vec<Step> {
        let power = self.unit.power_in(mode);
        let purpose = "Rated power at no more than the rated distortion.";
        [
            ("power-rated", 997.0, RATED_AIM),
            ("power-rated-low", power.band_hz.low_hz, EDGE_AIM),
            ("power-rated-high", power.band_hz.high_hz, EDGE_AIM),
        ]
        .into_iter()
        .map(|(name, hz, aim)| Step {
            sample_rate_hz: if hz > 10_000.0 {
                WIDE_RATE_HZ
            } else {
                SAMPLE_RATE_HZ
            },
            ..self.tone(mode, name, hz, Watts(power.watts * aim), purpose)
        })
        .collect()
    }

    /// Whether the specification states in this very mode what only a sweep can show.
    fn rates_a_sweep(&self, mode: Option<&str>) -> bool {
        self.unit.rated.iter().any(|r| {
            matches!(
                r.figure,
                FigureId::ResponseMax
                    | FigureId::ResponseMin
                    | FigureId::CornerLow
                    | FigureId::CornerHigh
                    | FigureId::Separation
                    | FigureId::BalanceMax
            ) && r.mode.as_deref().is_none_or(|m| Some(m) == mode)
        })
    }

    fn tone(&self, mode: Option<&str>, name: &str, frequency_hz: f64, watts: Watts, purpose: &str) -> Step {
        Step {
            name: self.with_mode(name, mode),
            play: Play::Tone {
                frequency_hz,
                drive: Drive::Output(watts),
            },
            sample_rate_hz: SAMPLE_RATE_HZ,
            // Thirty periods of 20 Hz; elsewhere the noise of the rig decides, and heat counts.
            seconds: if frequency_hz < 100.0 {
                1.5
            } else if frequency_hz > HIGH_HZ && watts.0 > HIGH_SHARE * self.unit.power_in(mode).watts {
                BURST_S
            } else {
                1.0
            },
            setup: self.setup(mode, Driven::Both),
            figures: vec![
                FigureId::Level,
                FigureId::Power,
                FigureId::Thd,
                FigureId::ThdN,
                FigureId::Harmonic,
            ],
            purpose: purpose.to_owned(),
        }
    }
}

/// Watts as part of a name: `600mw`, `1500mw`, `6w`.
fn in_name(watts: f64) -> String {
    let whole = watts >= 1.0 && (watts - watts.round()).abs() < 0.05;
    if whole {
        format!("{watts:.0}w")
    } else {
        format!("{:.0}mw", watts * 1000.0)
    }
}
