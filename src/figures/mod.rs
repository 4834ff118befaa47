//! One file per measurement, all of one shape.
//!
//! A [`Measurement`] is a small state machine over takes, so that one tone, a stepped search, two loads and a meter
//! reading have one shape. Live, the procedure drives it; offline, `analyse` hands it the takes it has. Every file's
//! doc has the same headings: definition, source, conditions, assumptions, uncertainty.

pub mod balance;
pub mod compare;
pub mod difference;
pub mod distortion;
pub mod gain;
mod harmonics;
pub mod hum;
pub mod intermodulation;
pub mod noise;
mod noise_parts;
pub mod power;
pub mod power_at_limit;
pub mod response;
pub mod separation;
pub mod snr;
pub mod tone;
mod transfer;
mod unit_power;

use crate::figure::{Band, Figure, FigureId, Findings, LimitedBy, Weighting};
use crate::rig::Rig;
use crate::signal::stimulus::Stimulus;
use crate::signal::take::Setup;
use crate::take::{Content, Examined};
use crate::unit::UnitSpec;

/// What a measurement wants next.
#[derive(Debug)]
pub enum Next {
    /// Play this with the unit set up so, and bring the take.
    Play(Box<Stimulus>, Setup),
    /// Ask the operator.
    Ask(Question),
    /// All that can be said.
    Done(Findings),
}

/// A question to the operator, answered by a setting or a meter reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// In the technician's words: what to connect or set, and why.
    pub text: String,
}

/// A figure's way from takes to findings.
pub trait Measurement {
    /// Looks at the takes so far and says what is next. Pure: equal arguments, equal answer.
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next;
}

/// What figures may refer to beside the take itself.
#[derive(Debug, Clone, Copy, Default)]
pub struct Context<'a> {
    /// Calibration: without it nothing is in volts or watts.
    pub rig: Option<&'a Rig>,
    /// Rated specification: names what S/N refers to.
    pub unit: Option<&'a UnitSpec>,
    /// A capture of the tone that S/N refers to.
    pub reference: Option<&'a Examined>,
}

/// Every figure that one take gives.
pub fn of_take(examined: &Examined, context: &Context<'_>) -> Findings {
    let mut takes: Vec<&Examined> = context.reference.into_iter().collect();
    takes.push(examined);
    let mut findings = Findings::default();
    for measurement in measurements_of(examined, context) {
        if let Next::Done(found) = measurement.next(&takes, context.rig) {
            findings.extend(found);
        }
    }
    for figure in &mut findings.figures {
        figure.conditions.unloaded = examined.take.setup.loaded == Some(false);
        if is_clipped(examined, figure) {
            figure.limited_by = Some(LimitedBy::Clipping);
        }
    }
    findings
}

/// Whether a figure was read from samples that the converter clipped: nothing that limits it otherwise weighs as much.
/// Flat tops below full scale are the unit's own clipping, which is what is measured.
fn is_clipped(examined: &Examined, figure: &Figure) -> bool {
    let clipped = |c: usize| examined.integrity.clipped_samples.get(c).is_some_and(|n| *n > 0);
    match (figure.id, figure.channel.index()) {
        (FigureId::Separation, _) | (_, None) => clipped(0) || clipped(1),
        (_, Some(index)) => clipped(index),
    }
}

/// The measurements that a take of this kind answers.
fn measurements_of(examined: &Examined, context: &Context<'_>) -> Vec<Box<dyn Measurement>> {
    match &examined.content {
        Content::Tone(_) => vec![
            Box::new(tone::Tone),
            Box::new(power::Power),
            Box::new(gain::Gain {
                rated_v: context
                    .unit
                    .map(|u| u.power_in(examined.take.setup.mode.as_deref()).volts().0),
            }),
            Box::new(distortion::Distortion {
                bands: with_rated_bands(distortion::Distortion::default().bands, context, is_distortion),
            }),
            Box::new(hum::Hum {
                beside_tones: true,
                ..hum::Hum::default()
            }),
            Box::new(balance::Balance {
                bands: with_rated_bands(vec![Band::AUDIO], context, |id| id == FigureId::BalanceMax),
            }),
            Box::new(separation::Separation),
        ],
        Content::TwoTone(_) => vec![Box::new(tone::Tone), Box::new(intermodulation::Intermodulation)],
        Content::Silence(_) | Content::Noise(_) => {
            let noise = noise::Noise {
                references: references(examined, context),
                readings: readings(context),
                ..noise::Noise::default()
            };
            let mut all: Vec<Box<dyn Measurement>> = vec![Box::new(noise), Box::new(hum::Hum::default())];
            let hum_bands = with_rated_bands(vec![Band::AUDIO], context, |id| id == FigureId::Hum);
            for band in hum_bands.into_iter().skip(1) {
                all.push(Box::new(HumInBand(band)));
            }
            all
        }
        Content::Sweep(_) => {
            vec![
                Box::new(response::Response {
                    bands: with_rated_bands(vec![Band::AUDIO], context, is_response),
                }),
                Box::new(balance::Balance {
                    bands: with_rated_bands(vec![Band::AUDIO], context, |id| id == FigureId::BalanceMax),
                }),
                Box::new(separation::Separation),
            ]
        }
        Content::Unknown(_) => Vec::new(),
    }
}

fn is_response(id: FigureId) -> bool {
    matches!(id, FigureId::ResponseMax | FigureId::ResponseMin)
}

fn is_distortion(id: FigureId) -> bool {
    matches!(id, FigureId::Thd | FigureId::ThdN | FigureId::Sinad)
}

/// `bands`, and every other that the unit file rates a figure of this kind in.
fn with_rated_bands(mut bands: Vec<Band>, context: &Context<'_>, of_kind: fn(FigureId) -> bool) -> Vec<Band> {
    let rated = context.unit.into_iter().flat_map(|u| &u.rated);
    for band in rated.filter(|r| of_kind(r.figure)).filter_map(|r| r.band_hz) {
        if !bands.contains(&band) {
            bands.push(band);
        }
    }
    bands
}

/// The usual readings of noise, and every other that the unit file rates noise or S/N in.
fn readings(context: &Context<'_>) -> Vec<noise::Reading> {
    let mut out = noise::Noise::default().readings;
    let rated = context.unit.into_iter().flat_map(|u| &u.rated);
    for r in rated.filter(|r| matches!(r.figure, FigureId::Noise | FigureId::Snr)) {
        let reading = noise::Reading {
            weighting: r.weighting,
            band: r.band_hz.unwrap_or(Band::AUDIO),
        };
        // The quasi-peak meter has no band of its own choice.
        if r.weighting != Some(Weighting::Itu468) && !out.contains(&reading) {
            out.push(reading);
        }
    }
    out
}

/// The sum of the hum lines in one more band. The lines themselves, and why there are none, are the same in every band.
struct HumInBand(Band);

impl Measurement for HumInBand {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let hum = hum::Hum {
            band: self.0,
            ..hum::Hum::default()
        };
        match hum.next(takes, rig) {
            Next::Done(mut found) => {
                found.figures.retain(|f| f.id == FigureId::Hum);
                found.curves.clear();
                found.notes.clear();
                found.not_measured.clear();
                Next::Done(found)
            }
            other => other,
        }
    }
}

/// What S/N refers to: the reference take, and whatever the unit file rates it against.
fn references(examined: &Examined, context: &Context<'_>) -> Vec<snr::Reference> {
    let mut out: Vec<snr::Reference> = context
        .reference
        .map(|_| snr::Reference::Tone)
        .into_iter()
        .collect();
    let Some(unit) = context.unit else { return out };
    let mode = examined.take.setup.mode.as_deref();
    for rated in unit.rated.iter().filter(|r| r.figure == FigureId::Snr) {
        let Some(name) = &rated.reference else { continue };
        let volts = name
            .parse::<crate::unit::Reference>()
            .ok()
            .and_then(|r| r.volts(rated, unit, mode));
        let Some(volts) = volts else { continue };
        let reference = snr::Reference::Output {
            name: name.clone(),
            volts: volts.0,
        };
        if !out.contains(&reference) {
            out.push(reference);
        }
    }
    out
}
