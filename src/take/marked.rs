//! A take with marks: the part between them is analysed like a take of its own, then held against what the marks say.
//!
//! The marks never reach recognition or spectra. Times of breaks are given in seconds of the whole capture all the same.

use super::integrity::{Damage, Discontinuity, Integrity};
use super::losses::{self, Clocks, OwnClock};
use super::marks::{self, Found};
use super::residual::{self, Model, Sine};
use super::track::{self, Track};
use super::{ChannelView, Content, Examined, alignment, gate};
use crate::dsp::sweep::{SweepAnalysis, SweepParameters};
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::signal::mark;
use crate::signal::section::Section;
use crate::signal::source::{BlockSource, Format};
use crate::signal::stimulus::{Signal, Stimulus};
use crate::signal::take::{Setup, Take};
use alignment::Alignment;
use std::f64::consts::TAU;
use std::ops::Range;
use std::sync::Arc;

/// Silence that is left out beside the second mark, s: the ringing of steep filters before it.
const BEFORE_S: f64 = 0.001;

/// Settling after the fade-in that is not yet steady, s.
const SETTLING_S: f64 = 0.005;

/// Harmonics that are worth subtracting, re their own uncertainty.
const SEEN: f64 = 2.0;

/// Channels this far below the strongest carry crosstalk, whose level is not followed.
const DRIVEN: f64 = 0.1;

/// Whether nothing is played but marks.
pub(super) fn is_silent(stimulus: &Stimulus) -> bool {
    stimulus.channels.iter().all(|s| matches!(s, Signal::Silence))
}

/// Whether the marks of a stimulus can come back: not where the unit's input is terminated and nothing drives it.
pub(super) fn expected(stimulus: &Stimulus, setup: &Setup) -> bool {
    let terminated = setup.driven.is_none() && setup.termination.is_some();
    stimulus.marks.is_some() && !(is_silent(stimulus) && terminated)
}

/// What is said of a take whose marks were played beside the terminated input.
pub(super) const TERMINATED: &str = "the input is terminated, so that no marks come back: losses are seen only by what \
                                     the device itself reports, by exact zeros and by splices";

/// The part of a marked take that is analysed.
pub(super) struct Part {
    /// The take with its source and stimulus cut down to the part.
    pub(super) take: Take,
    /// Its frames in the whole capture.
    frames: Range<u64>,
    whole: Arc<dyn BlockSource>,
    played: Stimulus,
}

impl Part {
    pub(super) fn of(take: Take, played: Stimulus, found: &Found) -> Self {
        let format = take.source.format();
        let frames = between(found, format);
        let whole = take.source.clone();
        let cut = Stimulus {
            lead_in_s: if found.ends[0].is_some() {
                mark::GAP_S - marks::SETTLED_S
            } else {
                played.lead_in_s
            },
            lead_out_s: if found.ends[1].is_some() {
                mark::GAP_S - BEFORE_S
            } else {
                played.lead_out_s
            },
            marks: None,
            ..played.clone()
        };
        let take = Take {
            source: Arc::new(Section::new(whole.clone(), frames.clone())),
            stimulus: Some(cut),
            ..take
        };
        Self {
            take,
            frames,
            whole,
            played,
        }
    }
}

/// The frames between the marks, as far as they were found.
fn between(found: &Found, format: Format) -> Range<u64> {
    let rate = f64::from(format.sample_rate_hz);
    let [first, second] = &found.ends;
    let start = first.as_ref().map_or(0.0, |m| {
        m.at_frame + ((mark::MARK_S + marks::SETTLED_S) * rate).round()
    });
    let end = second
        .as_ref()
        .map_or(format.frames as f64, |m| m.at_frame - BEFORE_S * rate);
    let start = start.max(0.0) as u64;
    start..(end.max(0.0) as u64).max(start)
}

/// Judges an analysed part by its marks and puts the whole take back.
pub(super) fn judge(
    part: Part,
    analysed: Result<(Examined, Range<u64>)>,
    found: &Found,
    clocks: Clocks,
) -> Result<Examined> {
    let source = part.take.source.clone();
    let (mut examined, steady) = match analysed {
        Ok(analysed) => analysed,
        Err(error) => return Err(because(error, found, clocks)),
    };
    let tracks = tracks(source.as_ref(), &examined.content, &part.played, &steady)?;
    let own = own_clock(&examined.content, &tracks, &part.played);
    let integrity = &mut examined.integrity;
    losses::judge_distance(found, clocks, own, integrity);
    losses::judge_gain(found, integrity);
    for (channel, track) in &tracks {
        losses::judge_drift(*channel, track, integrity);
    }
    losses::note_channels(found, integrity);
    look_inside(source.as_ref(), &part, &examined.content, found, integrity)?;
    examined.alignment = Some(Alignment {
        delay_s: found.delay_s,
        clock_ppm: clock_ppm(clocks, own, found),
        polarity: found.polarity.clone(),
    });
    examined.take.source = part.whole;
    examined.take.stimulus = Some(part.played);
    Ok(examined)
}

/// Adds a noise gate and what stands out of the residual, and counts all times from the start of the whole capture.
fn look_inside(
    source: &dyn BlockSource,
    part: &Part,
    content: &Content,
    found: &Found,
    integrity: &mut Integrity,
) -> Result<()> {
    let format = source.format();
    if matches!(content, Content::Silence(_)) && found.distance.is_some() {
        let gated = gate::gated(source)?;
        let gated = gated.iter().enumerate().filter(|(_, g)| **g);
        integrity.damage.extend(gated.map(|(c, _)| Damage::Gate {
            channel: Channel::at(c),
        }));
    }
    if let Some(cut) = &part.take.stimulus {
        let models = models(content, cut, format);
        let new = residual::breaks(source, &signal_frames(cut, format), &models)?;
        merge(&mut integrity.discontinuities, new);
    }
    let offset = part.frames.start as f64 / f64::from(format.sample_rate_hz);
    for d in &mut integrity.discontinuities {
        d.at_s += offset;
    }
    Ok(())
}

/// Capture clock re playing clock, ppm, by what knows it best.
fn clock_ppm(clocks: Clocks, own: Option<OwnClock>, found: &Found) -> f64 {
    match (clocks, own, &found.distance) {
        (Clocks::One, ..) => 0.0,
        (_, Some(own), _) => own.ppm,
        (Clocks::Apart { ppm, .. }, None, _) => ppm,
        (Clocks::Unknown, None, Some(distance)) => distance.clock_ppm(),
        (Clocks::Unknown, None, None) => 0.0,
    }
}

/// An error of the analysis in the light of the marks: a sweep that lost frames does not deconvolve.
fn because(error: Error, found: &Found, clocks: Clocks) -> Error {
    let mut integrity = Integrity::default();
    losses::judge_distance(found, clocks, None, &mut integrity);
    losses::judge_gain(found, &mut integrity);
    let reasons = integrity.reasons();
    if reasons.is_empty() {
        return error;
    }
    Error::new(Kind::Mismatch, reasons.join("; "))
        .next("close other programs that use sound or much of the processor, touch no knob, and play the take again")
}

/// Breaks of the residual that are not already known by a better name.
fn merge(known: &mut Vec<Discontinuity>, new: Vec<Discontinuity>) {
    /// A break passes predictors within some dozens of frames; two looks at it agree within a millisecond.
    const SAME_S: f64 = 0.001;
    for d in new {
        let same = |k: &Discontinuity| k.channel == d.channel && (k.at_s - d.at_s).abs() < SAME_S;
        if !known.iter().any(same) {
            known.push(d);
        }
    }
    known.sort_by(|a, b| a.at_s.total_cmp(&b.at_s).then(a.channel.cmp(&b.channel)));
}

/// The frames of the part in which the signal is fully on.
fn signal_frames(cut: &Stimulus, format: Format) -> Range<u64> {
    let rate = f64::from(format.sample_rate_hz);
    if is_silent(cut) {
        return 0..format.frames;
    }
    let start = (cut.lead_in_s + cut.fade_s + SETTLING_S) * rate;
    let end = format.frames as f64 - (cut.lead_out_s + cut.fade_s + BEFORE_S) * rate;
    start as u64..(end.max(0.0) as u64).max(start as u64)
}

/// The tone of every channel that carries one of the stimulus' own, followed through the take.
fn tracks(
    source: &dyn BlockSource,
    content: &Content,
    played: &Stimulus,
    steady: &Range<u64>,
) -> Result<Vec<(usize, Track)>> {
    let (Content::Tone(views) | Content::TwoTone(views)) = content else {
        return Ok(Vec::new());
    };
    let tone = |v: &ChannelView| {
        let f = &v.tones.first()?.fundamental;
        alignment::nominal_hz(played, f.frequency_hz).map(|_| (f.frequency_hz, f.amplitude))
    };
    let strongest = views.iter().filter_map(tone).fold(0.0, |m: f64, (_, a)| m.max(a));
    let mut tracks = Vec::new();
    for (channel, view) in views.iter().enumerate() {
        if let Some((hz, _)) = tone(view).filter(|(_, a)| *a > DRIVEN * strongest)
            && let Some(track) = track::follow(source, channel, steady, hz)?
        {
            tracks.push((channel, track));
        }
    }
    Ok(tracks)
}

/// The clock that the signal itself tells.
fn own_clock(content: &Content, tracks: &[(usize, Track)], played: &Stimulus) -> Option<OwnClock> {
    if let Content::Sweep(analysis) = content {
        return Some(OwnClock {
            ppm: analysis.clock_ppm,
            u_ppm: analysis.clock_ppm_u,
        });
    }
    let (_, track) = tracks
        .iter()
        .min_by(|a, b| (a.1.u_hz / a.1.frequency_hz).total_cmp(&(b.1.u_hz / b.1.frequency_hz)))?;
    let nominal_hz = alignment::nominal_hz(played, track.frequency_hz)?;
    Some(OwnClock {
        ppm: alignment::clock_ppm(track.frequency_hz, nominal_hz),
        u_ppm: track.u_hz / track.frequency_hz * 1e6,
    })
}

/// What is known to be on each channel; empty where nothing steady is.
fn models(content: &Content, cut: &Stimulus, format: Format) -> Vec<Model> {
    let (channels, rate) = (format.channels, f64::from(format.sample_rate_hz));
    match content {
        Content::Tone(views) | Content::TwoTone(views) => views.iter().map(|v| lines(v, rate)).collect(),
        Content::Silence(_) => vec![Model::Lines(Vec::new()); channels],
        Content::Sweep(analysis) => sweep_models(analysis, cut, channels),
        Content::Noise(_) | Content::Unknown(_) => Vec::new(),
    }
}

fn sweep_models(analysis: &SweepAnalysis, cut: &Stimulus, channels: usize) -> Vec<Model> {
    let Some(parameters) = SweepParameters::of(cut) else {
        return Vec::new();
    };
    let model = Model::Sweep {
        start_s: analysis.delay_s + parameters.lead_in_s,
        clock: analysis.clock_ppm * 1e-6,
        parameters,
    };
    vec![model; channels]
}

/// Fundamentals and the harmonics that stand out.
fn lines(view: &ChannelView, rate: f64) -> Model {
    let mut sines = Vec::new();
    for tone in &view.tones {
        let f = &tone.fundamental;
        let omega = TAU * f.frequency_hz / rate;
        sines.push(Sine {
            omega,
            amplitude: f.amplitude,
            phase: f.phase_rad,
        });
        for h in tone.harmonics.iter().filter(|h| h.amplitude.norm() > SEEN * h.u) {
            let order = f64::from(h.order);
            sines.push(Sine {
                omega: order * omega,
                amplitude: h.amplitude.norm(),
                phase: h.amplitude.arg() + order * f.phase_rad,
            });
        }
    }
    Model::Lines(sines)
}
