//! What the specification of a unit asks for in one mode, as steps.

use super::approach::{self, with_mode};
use super::step::{Drive, Play, Step};
use super::{CONNECTION_HZ, FULL_VOLUME, Means, SAMPLE_RATE_HZ, WIDE_RATE_HZ, rates};
use crate::figure::{Driven, FigureId};
use crate::quantity::Watts;
use crate::rig::ceiling::{BURST_S, HIGH_HZ, HIGH_SHARE, SWEEP_RE_RATED};
use crate::signal::take::{SHORTED_PLUG, Setup};
use crate::unit::rules::is_of_silence;
use crate::unit::{Input, UnitSpec};

/// The rated-power step aims this far above the rated power, so that the whole interval of the power reaches it: the
/// usual uncertainty of watts with a good meter is 2 to 3 %, and the gain was found with a faint tone.
const RATED_AIM: f64 = 1.06;

/// The same at the edges of the rated band: a response that is 0.2 dB down there, as good ones are, takes another 4.5 %.
const EDGE_AIM: f64 = 1.11;

/// Steps against power, re rated power: half decades in the mode that is measured in full, decades in the others.
const FINE_STEPS: [f64; 5] = [0.001, 0.003_162, 0.01, 0.031_62, 0.316_2];
const COARSE_STEPS: [f64; 3] = [0.001, 0.01, 0.1];

/// Where, re rated power, the step lies that gain and sensitivity are asked of.
const GAIN_PART: std::ops::Range<f64> = 0.005..0.02;

/// Tones against frequency, a tenth of the rated power each. 997 Hz is a point of the curve against power as well.
const TONES_HZ: [f64; 6] = [20.0, 100.0, CONNECTION_HZ, 5_000.0, 10_000.0, 20_000.0];

/// Tones above this want the wide rate, Hz.
const NARROW_HZ: f64 = 10_000.0;

/// Last frequency of sweeps, Hz, where the rate allows it: specifications state responses to 50 kHz and beyond.
pub(super) const SWEEP_TO_HZ: f64 = 80_000.0;

/// A unit and what it is measured with.
pub(super) struct Shape<'a> {
    pub(super) unit: &'a UnitSpec,
    pub(super) input: &'a Input,
    pub(super) means: &'a Means<'a>,
}

impl Shape<'_> {
    /// All steps of a mode; the one that is measured in full has more.
    pub(super) fn mode(&self, mode: Option<&str>, in_full: bool) -> Vec<Step> {
        let setup = self.setup(mode, Driven::Both);
        let mut steps = self.all_noise(mode);
        steps.extend(approach::approach(self.unit, &setup, self.means.rates_hz));
        if in_full || self.rates_a_sweep(mode) {
            steps.extend(self.sweeps(mode));
        }
        if in_full {
            steps.extend(self.against_frequency(mode));
        }
        steps.extend(self.against_level(mode, if in_full { &FINE_STEPS } else { &COARSE_STEPS }));
        steps.extend(self.stated_tones(mode));
        steps.extend(self.rated_power(mode));
        steps.extend(self.above_rated(mode));
        steps.extend(approach::check(self.unit, &setup, self.means.rates_hz));
        steps
    }

    fn rate(&self, wanted: u32) -> u32 {
        rates::fit(self.means.rates_hz, wanted)
    }

    fn setup(&self, mode: Option<&str>, driven: Driven) -> Setup {
        Setup {
            driven: Some(driven),
            mode: mode.map(str::to_owned),
            input: Some(self.input.name.clone()),
            volume: Some(FULL_VOLUME.to_owned()),
            termination: None,
            tap: Some(self.means.power_tap.to_owned()),
            pad: self.means.pad_for(self.input),
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
            termination: Some(SHORTED_PLUG.to_owned()),
            tap: Some(self.means.noise_tap.to_owned()),
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
            sample_rate_hz: self.rate(SAMPLE_RATE_HZ),
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
                to_hz: rates::highest_of(SWEEP_TO_HZ, self.rate(WIDE_RATE_HZ)),
                drive: Drive::Output(watts),
            },
            sample_rate_hz: self.rate(WIDE_RATE_HZ),
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
                "Left driven; the right output plays nothing.",
            ),
            sweep(
                "separation-right",
                Driven::Right,
                3.0,
                &separation,
                "Right driven; the left output plays nothing.",
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
                sample_rate_hz: self.rate(WIDE_RATE_HZ),
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
                let mut step = self.tone(
                    mode,
                    &format!("power-{}", in_name(watts.0)),
                    CONNECTION_HZ,
                    watts,
                    "Distortion against power.",
                );
                // One will do, well above the noise and far from clipping.
                if GAIN_PART.contains(part) {
                    step.figures.extend([FigureId::Gain, FigureId::Sensitivity]);
                }
                step
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
            let hz = if (hz - 1000.0).abs() < 1.0 {
                CONNECTION_HZ
            } else {
                hz
            };
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
            ("power-rated", CONNECTION_HZ, RATED_AIM),
            ("power-rated-low", power.band_hz.low_hz, EDGE_AIM),
            ("power-rated-high", power.band_hz.high_hz, EDGE_AIM),
        ]
        .into_iter()
        .map(|(name, hz, aim)| self.tone(mode, name, hz, Watts(power.watts * aim), purpose))
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

    pub(super) fn tone(
        &self,
        mode: Option<&str>,
        name: &str,
        frequency_hz: f64,
        watts: Watts,
        purpose: &str,
    ) -> Step {
        Step {
            name: self.with_mode(name, mode),
            play: Play::Tone {
                frequency_hz,
                drive: Drive::Output(watts),
            },
            sample_rate_hz: self.rate(if frequency_hz > NARROW_HZ {
                WIDE_RATE_HZ
            } else {
                SAMPLE_RATE_HZ
            }),
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
