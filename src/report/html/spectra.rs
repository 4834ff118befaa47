//! Plots of spectra: tones with their harmonics, and noise by mode.

use super::Picture;
use super::pictures::sentence;
use super::provenance::setup;
use crate::error::Result;
use crate::figure::{Channel, FigureId};
use crate::report::input::{MeasurementResults, ReportInput, Spectrum, SpectrumKind, StageResults};
use crate::report::plot::noise::{NoiseCurve, NoisePlot};
use crate::report::plot::spectrum::{HarmonicMark, SpectrumPlot};
use crate::report::words;
use crate::verdict::Outcome;
use std::collections::BTreeSet;

/// The stage whose spectra are shown: after the work, else before.
fn shown(input: &ReportInput) -> Option<&StageResults> {
    input.after().or(input.before())
}

pub(super) fn tones(input: &ReportInput) -> Result<Vec<Picture>> {
    let mut pictures = Vec::new();
    let Some(stage) = shown(input) else {
        return Ok(pictures);
    };
    for measurement in with_shown_tones(stage) {
        let tones = measurement
            .spectra
            .iter()
            .filter(|s| s.kind == SpectrumKind::Tone);
        for spectrum in tones {
            let conditions = tone_conditions(measurement, spectrum.channel);
            let svg = SpectrumPlot {
                channel: spectrum.channel,
                stage: stage.kind.in_words().to_owned(),
                bin_hz: spectrum.bin_hz,
                level_db: spectrum.level_db.clone(),
                unit: spectrum.unit.clone(),
                line_hz: spectrum.line_hz,
                harmonics: harmonics(measurement, spectrum.channel),
                rig_floor: spectrum.rig_floor.clone(),
                conditions: conditions.clone(),
                simulated: input.simulated(),
            }
            .draw()?;
            pictures.push(Picture {
                svg,
                caption: format!(
                    "{} channel, {}; a grey mark is an upper limit: the harmonic cannot be told from noise. {}",
                    words::channel(spectrum.channel),
                    stage.kind.in_words(),
                    sentence(&conditions)
                ),
            });
        }
    }
    Ok(pictures)
}

/// The measurements whose distortion was judged and did not pass, else the first one judged, else the last with a tone:
/// a spectrum of every tone would fill a book.
fn with_shown_tones(stage: &StageResults) -> Vec<&MeasurementResults> {
    let outcomes = |m: &MeasurementResults| -> Vec<Outcome> {
        let of_tone = |id| {
            matches!(
                id,
                FigureId::Thd | FigureId::ThdN | FigureId::Sinad | FigureId::Harmonic
            )
        };
        let judged = stage.judgements.iter().filter(|j| of_tone(j.id));
        judged
            .filter(|j| j.figure.as_ref().is_some_and(|f| m.findings.figures.contains(f)))
            .map(|j| j.verdict.outcome)
            .collect()
    };
    let tones = || {
        let with_tone = |m: &&MeasurementResults| m.spectra.iter().any(|s| s.kind == SpectrumKind::Tone);
        stage.measurements.iter().filter(with_tone)
    };
    let doubtful: Vec<_> = tones()
        .filter(|m| outcomes(m).iter().any(|o| *o != Outcome::Pass))
        .collect();
    if !doubtful.is_empty() {
        return doubtful;
    }
    let judged = tones().find(|m| !outcomes(m).is_empty());
    judged.or_else(|| tones().next_back()).into_iter().collect()
}

/// Conditions of the tone on `channel`, from its distortion figure.
fn tone_conditions(measurement: &MeasurementResults, channel: Channel) -> String {
    let figures = measurement.findings.figures.iter();
    figures
        .filter(|f| f.channel == channel && f.id == FigureId::Thd)
        .map(|f| words::conditions(&f.conditions, None))
        .next()
        .unwrap_or_else(|| setup(&measurement.setup))
}

fn harmonics(measurement: &MeasurementResults, channel: Channel) -> Vec<HarmonicMark> {
    let figures = measurement.findings.figures.iter();
    let mut marks: Vec<HarmonicMark> = figures
        .filter(|f| f.channel == channel && f.id == FigureId::Harmonic)
        .filter_map(|f| {
            let order = f.order?;
            Some(HarmonicMark {
                order,
                frequency_hz: f64::from(order) * f.conditions.frequency_hz?,
                level_db: f.estimate.value,
                upper_limit: f.upper_limit,
            })
        })
        .collect();
    marks.sort_by_key(|m| m.order);
    marks
}

/// One plot a channel: the first two modes over each other, and their difference.
pub(super) fn noise(input: &ReportInput) -> Result<Vec<Picture>> {
    let mut pictures = Vec::new();
    let Some(stage) = shown(input) else {
        return Ok(pictures);
    };
    let all: Vec<(&MeasurementResults, &Spectrum)> = stage
        .measurements
        .iter()
        .flat_map(|m| m.spectra.iter().map(move |s| (m, s)))
        .filter(|(_, s)| s.kind == SpectrumKind::Noise)
        .collect();
    let channels: BTreeSet<Channel> = all.iter().map(|(_, s)| s.channel).collect();
    for channel in channels {
        let of: Vec<_> = all.iter().filter(|(_, s)| s.channel == channel).collect();
        let Some((first, a)) = of.first() else { continue };
        let second = of
            .iter()
            .find(|(m, s)| m.setup.mode != first.setup.mode && s.unit == a.unit);
        let conditions = noise_conditions(first);
        let plot = NoisePlot {
            channel,
            a: noise_curve(first, a),
            b: second.map(|(m, s)| noise_curve(m, s)),
            unit: a.unit.clone(),
            line_hz: a.line_hz,
            rig_floor: a.rig_floor.clone(),
            conditions: conditions.clone(),
            simulated: input.simulated(),
        };
        let who = words::channel(channel);
        pictures.push(Picture {
            svg: plot.draw()?,
            caption: format!(
                "{who} channel, {}: hum and noise. {}",
                stage.kind.in_words(),
                sentence(&conditions)
            ),
        });
        if let Some(svg) = plot.draw_difference()? {
            let caption = format!("{who} channel: what the change of mode does to the noise.");
            pictures.push(Picture { svg, caption });
        }
    }
    Ok(pictures)
}

fn noise_curve(measurement: &MeasurementResults, spectrum: &Spectrum) -> NoiseCurve {
    let mode = measurement.setup.mode.clone();
    NoiseCurve {
        name: mode.unwrap_or_else(|| measurement.name.clone()),
        bin_hz: spectrum.bin_hz,
        level_db: spectrum.level_db.clone(),
    }
}

/// What both modes share.
fn noise_conditions(measurement: &MeasurementResults) -> String {
    setup(&crate::signal::take::Setup {
        mode: None,
        ..measurement.setup.clone()
    })
}
