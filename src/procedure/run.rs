//! Runs steps on a bench: plays, records, stores. Analysis is left to the stored captures, but for the gain that the
//! next level is computed from.

use super::plan::{Drive, Play, Step};
use crate::bench::{Bench, InMemory};
use crate::error::{Error, Kind, Result};
use crate::figure::Driven;
use crate::job::{Moment, NewCapture, StageKind, Writer};
use crate::quantity::{Ohms, Volts};
use crate::rig::Rig;
use crate::rig::ceiling;
use crate::signal::source::{BlockSource, Encoding, Format, MemorySource};
use crate::signal::stimulus::{SCHEMA, Signal, Stimulus};
use crate::signal::take::{Setup, Take};
use crate::signal::wav_write::{self, WriteFormat};
use crate::take::{self, Content};
use crate::unit::UnitSpec;
use std::collections::HashMap;
use std::sync::Arc;

/// Silence before each signal, s: the path's delay must fit into it.
const LEAD_IN_S: f64 = 0.1;
/// Silence after each signal, s.
const LEAD_OUT_S: f64 = 0.15;

/// A bench with a job open for writing.
pub struct Session<'a> {
    /// Where captures go.
    pub writer: &'a mut Writer,
    /// What plays and records.
    pub bench: &'a mut dyn Bench,
    /// Its calibration.
    pub rig: &'a Rig,
    /// Stage that the captures belong to.
    pub stage: StageKind,
    /// The clock: when a recording ended.
    pub now: &'a dyn Fn() -> Moment,
    /// Voltage gain found so far, by input, mode and volume, left and right.
    gains: HashMap<Position, [f64; 2]>,
    /// Name of the rig's snapshot in the record, once it is there.
    rig_key: Option<String>,
}

/// What the gain depends on.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Position {
    input: Option<String>,
    mode: Option<String>,
    volume: Option<String>,
}

impl Position {
    fn of(setup: &Setup) -> Self {
        Self {
            input: setup.input.clone(),
            mode: setup.mode.clone(),
            volume: setup.volume.clone(),
        }
    }
}

impl<'a> Session<'a> {
    /// A session that knows no gain yet.
    pub fn new(
        writer: &'a mut Writer,
        bench: &'a mut dyn Bench,
        rig: &'a Rig,
        stage: StageKind,
        now: &'a dyn Fn() -> Moment,
    ) -> Self {
        Self {
            writer,
            bench,
            rig,
            stage,
            now,
            gains: HashMap::new(),
            rig_key: None,
        }
    }

    /// Runs one step and returns the name of its capture.
    ///
    /// # Errors
    /// Where the ceiling refuses the level, the bench fails, nothing comes back from a step that needs the gain, or the
    /// disk refuses. What was recorded before stays.
    pub fn run(&mut self, step: &Step) -> Result<String> {
        let unit = self.writer.job().record().unit.clone();
        let stimulus = self.stimulus(step, &unit)?;
        let cleared = ceiling::clear(stimulus, self.rig, step.setup.pad.as_deref())?;
        let mut tape = InMemory::default();
        let played = self.bench.play(&cleared, &step.setup, &mut tape)?;
        // A step wants its load connected; the bench may know that it was not.
        let setup = Setup {
            loaded: played.loaded.or(step.setup.loaded),
            ..step.setup.clone()
        };
        let Some(source) = tape.source() else {
            return Err(
                Error::new(Kind::Unavailable, "the bench recorded nothing").next("run the step again")
            );
        };
        let bits = match source.format().encoding {
            Encoding::Int(bits) | Encoding::Float(bits) => bits,
        };
        let capture = self.store(step, cleared.stimulus(), &setup, &source, bits)?;
        if step.finds_gain() {
            let gains = self.gains(step, cleared.stimulus(), source)?;
            self.gains.insert(Position::of(&step.setup), gains);
        }
        Ok(capture)
    }

    fn stimulus(&self, step: &Step, unit: &UnitSpec) -> Result<Stimulus> {
        let signal = |channel: usize| -> Result<Signal> {
            Ok(match step.play {
                Play::Silence => Signal::Silence,
                Play::Tone { frequency_hz, drive } => Signal::Tone {
                    frequency_hz,
                    level_dbfs: self.level(channel, drive, &step.setup, unit)?,
                },
                Play::Sweep {
                    from_hz,
                    to_hz,
                    drive,
                } => Signal::Sweep {
                    from_hz,
                    to_hz,
                    level_dbfs: self.level(channel, drive, &step.setup, unit)?,
                },
            })
        };
        let driven = step.setup.driven.unwrap_or(Driven::Both);
        let channels = (0..2)
            .map(|c| {
                if driven.includes(c) {
                    signal(c)
                } else {
                    Ok(Signal::Silence)
                }
            })
            .collect::<Result<Vec<_>>>()?;
        Ok(Stimulus {
            schema: SCHEMA.to_owned(),
            sample_rate_hz: step.sample_rate_hz,
            seconds: step.seconds,
            lead_in_s: LEAD_IN_S,
            lead_out_s: LEAD_OUT_S,
            fade_s: ceiling::RAMP_S,
            marks: None,
            channels,
        })
    }

    /// The generator's level for `channel`, dBFS.
    fn level(&self, channel: usize, drive: Drive, setup: &Setup, unit: &UnitSpec) -> Result<f64> {
        let input_v = match drive {
            Drive::ReSensitivity(change) => {
                let input = setup
                    .input
                    .as_deref()
                    .and_then(|name| unit.input(name))
                    .ok_or_else(|| {
                        Error::new(Kind::Mismatch, "the step names no input of the unit")
                            .next("name an input that the unit file has")
                    })?;
                Volts(input.sensitivity_v * change.amplitude_ratio())
            }
            Drive::Output(watts) => {
                let gain = self.gains.get(&Position::of(setup)).ok_or_else(|| {
                    Error::new(Kind::Unavailable, "the gain is not known yet")
                        .next("run the connection step first")
                })?[channel];
                // The nominal load: what the level aims at need not be exact, what comes back is measured.
                watts.volts_across(Ohms(unit.power_in(setup.mode.as_deref()).load_ohm)) / gain
            }
        };
        let full_scale = self.output_full_scale(channel, setup)?;
        Ok(20.0 * (input_v / full_scale).log10())
    }

    /// V rms at the unit's input of a 0 dBFS sine.
    fn output_full_scale(&self, channel: usize, setup: &Setup) -> Result<Volts> {
        let unknown =
            || Error::new(Kind::Mismatch, "the rig has no such channel or pad").next("check the rig file");
        let output = self
            .rig
            .channels
            .get(channel)
            .ok_or_else(unknown)?
            .output_full_scale_v
            .value;
        let pad = match setup.pad.as_deref() {
            None => 1.0,
            Some(name) => {
                let pad = self
                    .rig
                    .pads
                    .iter()
                    .find(|p| p.name == name)
                    .ok_or_else(unknown)?;
                pad.ratio.get(channel).ok_or_else(unknown)?.value
            }
        };
        Ok(Volts(output * pad))
    }

    fn store(
        &mut self,
        step: &Step,
        stimulus: &Stimulus,
        setup: &Setup,
        source: &MemorySource,
        bits: u16,
    ) -> Result<String> {
        let rig_key = self.rig_key()?;
        let new = NewCapture {
            stage: self.stage,
            measurement: &step.name,
            figures: &step.figures,
            recorded: (self.now)(),
            stimulus: Some(stimulus),
            setup,
            rig_sha256: Some(&rig_key),
            simulated: self.bench.simulated(),
        };
        let name = std::path::PathBuf::from(&step.name);
        self.writer.add_capture(&new, |file| {
            let written = wav_write::write_into(file, &name, source, WriteFormat::Codes(bits))?;
            Ok(Format {
                frames: written.frames,
                ..source.format()
            })
        })
    }

    /// The name of the rig's snapshot in the record, which is written once.
    fn rig_key(&mut self) -> Result<String> {
        if let Some(key) = &self.rig_key {
            return Ok(key.clone());
        }
        let key = self.writer.update(|record| record.keep_rig(self.rig))?;
        self.rig_key = Some(key.clone());
        Ok(key)
    }

    /// Voltage gain of both channels from the answer to a faint tone.
    fn gains(&self, step: &Step, stimulus: &Stimulus, source: MemorySource) -> Result<[f64; 2]> {
        let take = Take {
            source: Arc::new(source),
            stimulus: Some(stimulus.clone()),
            setup: step.setup.clone(),
            simulated: self.bench.simulated(),
        };
        let nothing = |channel: &str| {
            Error::new(
                Kind::Unavailable,
                format!("nothing comes back on the {channel} channel"),
            )
            .at(step.name.clone())
            .next("check cables, input selector, volume control and speaker switch; do not turn the level up")
        };
        let examined = take::examine(take, None)?;
        let Content::Tone(views) = &examined.content else {
            return Err(nothing("left or right"));
        };
        let mut gains = [0.0; 2];
        for (channel, name) in ["left", "right"].into_iter().enumerate() {
            let view = views
                .get(channel)
                .and_then(|v| v.tones.first())
                .ok_or_else(|| nothing(name))?;
            let out = self
                .rig
                .volts_at_full_scale(channel, step.setup.tap.as_deref())
                .ok_or_else(|| {
                    Error::new(Kind::Mismatch, "the rig does not know this tap").next("check the rig file")
                })?;
            let Some(Signal::Tone { level_dbfs, .. }) = stimulus.channel(channel) else {
                continue;
            };
            let input = self.output_full_scale(channel, &step.setup)? * 10f64.powf(level_dbfs / 20.0);
            gains[channel] = Volts(view.fundamental.amplitude * out.value) / input;
        }
        Ok(gains)
    }
}
