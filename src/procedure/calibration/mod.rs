//! Calibration of a bench with nothing but a multimeter.
//!
//! [`Calibration::next`] is a pure function from what was answered so far to what is next: a question, a reading or the
//! finished rig. It knows no terminal, device, file or clock; [`Calibrator`] carries the steps out, and keeps the answers
//! after each, so that they are the only state. Order: the outputs into the meter, the inputs from the outputs with the
//! meter beside, a level step, the loads, the attenuators with the inputs behind them, and a comparison at the terminals
//! of an amplifier. Until then nothing but meter, resistor, attenuator and the interface's own inputs is on its outputs.
//!
//! Every value carries the meter's limits as rectangles ([`crate::rig::meter`]); what two readings share cancels in
//! their ratio, so that the ratio of an attenuator is known better than any volt.

mod amplifier;
mod answers;
mod arithmetic;
mod attenuators;
mod bare;
pub mod creep;
mod gate;
mod rehearsal;
mod rise;
mod run;
mod settings;
mod sound;
mod step;
pub mod tone;
mod trial;

pub use answers::{Answers, Entry, Value};
pub use bare::{NO_CABLE, SERIES_RESISTOR};
pub use rehearsal::{Rehearsal, Rehearsing};
pub use run::Calibrator;
pub use step::{
    Amplify, Ask, DBFS, Measure, Opening, PLAYED, Reading, Refusal, Step, Trial, U_PERCENT, VOLTS,
};
pub use trial::FAINT_DBFS;

use crate::figure::{Channel, Driven};
use crate::quantity::Estimate;
use crate::rig::{Calibrated, Pad, Rig, RigChannel, SCHEMA, Tap};
use amplifier::Load;
use attenuators::{Attenuator, Ratios};
use bare::Bare;
use gate::Driving;
use settings::Settings;
use step::Walked;

/// Channels that are calibrated: left and right.
pub const CHANNELS: usize = 2;

/// Most that a unit's input gets where nobody says otherwise, V rms: what line inputs were made for.
const USUAL_CEILING_V: f64 = 1.0;

/// An audio device to choose.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Device {
    /// Name.
    pub name: String,
    /// Sample rates that it offers, Hz; empty where they are not known.
    pub rates_hz: Vec<u32>,
}

/// Audio devices to choose from; empty lists let their names be typed.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Devices {
    /// Devices that play.
    pub outputs: Vec<Device>,
    /// Devices that record.
    pub inputs: Vec<Device>,
}

/// What a calibration is of.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Name of the bench where none is answered.
    pub name: String,
    /// Devices to choose from; `None` of a simulated bench, which has none.
    pub devices: Option<Devices>,
    /// How long a tone lasts while the operator reads the meter, s.
    pub reading_s: f64,
}

impl Calibration {
    /// What is next after these answers. Pure: equal answers, equal step.
    pub fn next(&self, answers: &Answers) -> Step {
        match self.walk(answers) {
            Ok(rig) => Step::Done(Box::new(rig)),
            Err(step) => *step,
        }
    }

    fn walk(&self, answers: &Answers) -> Walked<Rig> {
        let settings = settings::settings(self, answers)?;
        let bare = bare::channels(&settings, answers, self.reading_s)?;
        let (loads, rating_w) = amplifier::loads(&settings, answers)?;
        let ceiling_v = Ask::number(
            "ceiling",
            "The most that a unit's input may ever get from this bench",
            "V",
            [1e-3, 20.0],
        )
        .or(USUAL_CEILING_V)
        .why("Whatever is asked for later, no more is played. Line inputs were made for 1 V and less.")
        .number_in(answers)?;
        let known = Known {
            settings: &settings,
            answers,
            bare: &bare,
            loads: &loads,
            rating_w,
            ceiling_v,
        };
        let without_taps =
            |way_out: &str| gate::driving(answers, known.rig(&[], &[]), self.reading_s, way_out);
        let ratios = Ratios {
            s: &settings,
            a: answers,
            bare: &bare,
            reading_s: self.reading_s,
            amplifier: &without_taps,
        };
        let taps = attenuators::taps(answers)?;
        let taps = taps
            .iter()
            .map(|t| ratios.of_tap(t))
            .collect::<Walked<Vec<_>>>()?;
        let pads = attenuators::pads(answers)?;
        let pads = pads
            .iter()
            .map(|p| ratios.of_pad(p))
            .collect::<Walked<Vec<_>>>()?;
        let rig = known.rig(&taps, &pads);
        let through: Vec<(String, Vec<Estimate>)> = taps.iter().map(|t| through(t, &bare)).collect();
        let driving =
            || -> Walked<Driving> { gate::driving(answers, rig.clone(), self.reading_s, "cross-check") };
        amplifier::cross_check(&settings, answers, &driving, &through)?;
        Ok(rig)
    }
}

/// Volts at the terminals for 0 dBFS through a tap, left first.
fn through(tap: &Attenuator, bare: &[Bare]) -> (String, Vec<Estimate>) {
    let volts = bare
        .iter()
        .zip(&tap.ratio)
        .map(|(b, ratio)| b.input_full_scale.over(ratio))
        .collect();
    (tap.built.name.clone(), volts)
}

/// The only channel that plays.
fn output_alone(channel: usize) -> Driven {
    if channel == 0 { Driven::Left } else { Driven::Right }
}

/// All that a rig file is written from.
struct Known<'w> {
    settings: &'w Settings,
    answers: &'w Answers,
    bare: &'w [Bare],
    loads: &'w [Load],
    rating_w: f64,
    ceiling_v: f64,
}

impl Known<'_> {
    fn rig(&self, taps: &[Attenuator], pads: &[Attenuator]) -> Rig {
        Rig {
            schema: SCHEMA.to_owned(),
            name: self.settings.name.clone(),
            interface: self.settings.opening.interface.clone(),
            channels: (0..self.bare.len()).map(|c| self.channel(c)).collect(),
            taps: taps
                .iter()
                .map(|t| Tap {
                    name: t.built.name.clone(),
                    ratio: self.ratios(t),
                    source_impedance_ohm: t.built.source_ohm(),
                })
                .collect(),
            pads: pads
                .iter()
                .map(|p| Pad {
                    name: p.built.name.clone(),
                    ratio: self.ratios(p),
                    source_impedance_ohm: p.built.source_ohm(),
                })
                .collect(),
            ceiling_v: self.ceiling_v,
            loopback: Vec::new(),
        }
    }

    fn channel(&self, channel: usize) -> RigChannel {
        let side = Channel::at(channel);
        let (bare, load) = (&self.bare[channel], &self.loads[channel]);
        let meter = &self.settings.meter;
        let read = |reading: &Reading, estimate: &Estimate| {
            let source = meter.source_of_volts(reading.volts);
            let date = self.answers.date(&format!("{}-{VOLTS}", reading.key));
            arithmetic::calibrated(&arithmetic::at_one_kilohertz(estimate), source, date)
        };
        let impedance = |what: &str, estimate: &Estimate| {
            let by = self
                .answers
                .word(&format!("{what}-impedance"))
                .unwrap_or_default();
            let date = self.answers.date(&format!("{what}-impedance"));
            // What was not measured is one guess for both channels.
            let source = if by == "measured" {
                format!("{what} impedance {side}")
            } else {
                format!("{what} impedance, {by}")
            };
            arithmetic::calibrated(estimate, source, date)
        };
        RigChannel {
            output_full_scale_v: read(&bare.open, &bare.output_full_scale),
            output_impedance_ohm: impedance("output", &bare.output_impedance),
            input_full_scale_v: read(&bare.direct, &bare.input_full_scale),
            input_impedance_ohm: impedance("input", &bare.input_impedance),
            load_ohm: arithmetic::calibrated(
                &load.resistance,
                meter.source_of_ohms(load.shown),
                self.answers.date(&load.key),
            ),
            load_hot_ohm: None,
            load_rating_w: self.rating_w,
        }
    }

    fn ratios(&self, attenuator: &Attenuator) -> Vec<Calibrated> {
        let one = |(channel, (ratio, key)): (usize, (&Estimate, &String))| {
            let source = format!("ratio {} {}", attenuator.built.name, Channel::at(channel));
            arithmetic::calibrated(ratio, source, self.answers.date(key))
        };
        attenuator
            .ratio
            .iter()
            .zip(&attenuator.keys)
            .enumerate()
            .map(one)
            .collect()
    }
}
