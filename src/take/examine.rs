//! From a take to everything that all its figures share: one inspection, one recognition, one analysis.

use super::alignment::{self, Alignment, ChannelOrder};
use super::integrity::{self, Inspection};
use super::losses::{self, Clocks};
use super::marks::{self, Found};
use super::recognise::{self, RecognisedAs, Recognition, Wanted};
use super::{ChannelView, Content, Examined, QuasiPeak, marked, sweep_check};
use crate::dsp::quasi_peak;
use crate::dsp::sweep::{self, SweepParameters};
use crate::dsp::tone::{self, ChannelAnalysis};
use crate::error::{Error, Kind, Result};
use crate::figure::{Channel, Driven};
use crate::signal::source::BlockSource;
use crate::signal::stimulus::Stimulus;
use crate::signal::take::Take;
use std::f64::consts::FRAC_PI_2;
use std::ops::Range;

/// The first seconds of quasi-peak readings are the meter's own rise.
const QUASI_PEAK_SETTLED_S: f64 = 3.0;

/// Frequencies of two channels within this are one tone: they share the capture's clock, so that only noise parts them.
const SAME_TONE: f64 = 1e-3;

/// Examines a take; `wanted` says what it is, where the user knows better. Nothing is known of the clocks.
///
/// # Errors
/// As [`examine_with`].
pub fn examine(take: Take, wanted: Option<Wanted>) -> Result<Examined> {
    examine_with(take, wanted, Clocks::Unknown)
}

/// Examines a take whose `clocks` may be known: without marks in its stimulus as it is, with marks the part between them.
///
/// # Errors
/// Where the samples cannot be read or are no numbers, or a sweep does not match its stimulus; where its marks tell why
/// (frames lost, a gain that moved), the error says that.
pub fn examine_with(take: Take, wanted: Option<Wanted>, clocks: Clocks) -> Result<Examined> {
    let Some(played) = take.stimulus.clone().filter(|s| s.marks.is_some()) else {
        return Ok(analyse(take, wanted, None)?.0);
    };
    if !marked::expected(&played, &take.setup) {
        let mut examined = analyse(take, wanted, None)?.0;
        examined.integrity.notes.push(marked::TERMINATED.to_owned());
        return Ok(examined);
    }
    let seconds = take.source.format().seconds();
    let Some(found) = marks::find(take.source.as_ref(), &played)? else {
        let mut examined = analyse(take, wanted, None)?.0;
        losses::judge_absence(&played, seconds, &mut examined.integrity);
        return Ok(examined);
    };
    // What stands out of a silence that is known to be one is noise or hum, never a test tone.
    let wanted = wanted.or(marked::is_silent(&played).then_some(Wanted::Silence));
    let part = marked::Part::of(take, played, &found);
    let analysed = analyse(part.take.clone(), wanted, Some(&found));
    marked::judge(part, analysed, &found, clocks)
}

/// Analyses a take, or the part of it between its marks. Gives the steady frames beside it.
fn analyse(mut take: Take, wanted: Option<Wanted>, marks: Option<&Found>) -> Result<(Examined, Range<u64>)> {
    let source = take.source.clone();
    let inspection = integrity::inspect(source.as_ref())?;
    let of_sweep = take.stimulus.as_ref().and_then(SweepParameters::of);
    match (wanted, of_sweep) {
        (Some(Wanted::Sweep), None) => Err(Error::new(
            Kind::Mismatch,
            "the stimulus file does not describe a sweep",
        )
        .next("name the file that was written beside the sweep that was played")),
        (None | Some(Wanted::Sweep), Some(parameters)) => {
            let examined = examine_sweep(take, inspection, &parameters, marks)?;
            Ok((examined, 0..source.format().frames))
        }
        _ => {
            let recognition =
                recognise::recognise(source.as_ref(), &inspection, take.stimulus.as_ref(), wanted)?;
            let content = content(source.as_ref(), &recognition)?;
            let identical = inspection.identical;
            let mut integrity = inspection.integrity;
            integrity.notes.extend(recognition.notes.iter().cloned());
            let alignment = match (&take.stimulus, marks) {
                (Some(stimulus), None) => {
                    steady_alignment(source.as_ref(), stimulus, &content, &mut integrity.notes)?
                }
                _ => None,
            };
            if take.setup.driven.is_none() {
                take.setup.driven = driven(&recognition);
            }
            let examined = Examined {
                take,
                integrity,
                alignment,
                content,
                identical,
            };
            Ok((examined, recognition.steady))
        }
    }
}

fn examine_sweep(
    take: Take,
    inspection: Inspection,
    parameters: &SweepParameters,
    marks: Option<&Found>,
) -> Result<Examined> {
    let analysis = sweep::analyse(take.source.as_ref(), parameters)?;
    let mut integrity = inspection.integrity;
    sweep_check::check(&analysis, parameters, &integrity)?;
    if marks.is_none() {
        note_sweep(&take, &analysis, &mut integrity.notes);
    }
    let alignment = Some(Alignment::of_sweep(&analysis));
    Ok(Examined {
        take,
        integrity,
        alignment,
        content: Content::Sweep(analysis),
        identical: inspection.identical,
    })
}

/// Remarks on the order and polarity of a sweep's channels, where no marks tell them.
fn note_sweep(take: &Take, analysis: &sweep::SweepAnalysis, notes: &mut Vec<String>) {
    if let (Some(stimulus), [left, right]) = (&take.stimulus, analysis.channels.as_slice()) {
        let level = |c: &sweep::ChannelTransfer| {
            let mut gains: Vec<f64> = c.linear.iter().map(|h| h.norm()).collect();
            gains.sort_by(f64::total_cmp);
            gains.get(gains.len() / 2).copied().unwrap_or(0.0)
        };
        note_order(stimulus, [level(left), level(right)], notes);
    }
    let inverted = analysis
        .channels
        .iter()
        .enumerate()
        .filter(|(_, c)| c.polarity < 0);
    notes.extend(inverted.map(|(index, _)| format!("{}: polarity is inverted", Channel::at(index))));
}

fn content(source: &dyn BlockSource, recognition: &Recognition) -> Result<Content> {
    let of_tones = matches!(recognition.kind, RecognisedAs::Tone | RecognisedAs::TwoTone);
    let guesses: Vec<Vec<f64>> = (0..source.format().channels)
        .map(|c| {
            if of_tones {
                recognition.frequencies_of(c)
            } else {
                Vec::new()
            }
        })
        .collect();
    let analysed = tone::analyse(source, recognition.steady.clone(), &guesses)?;
    let quiet = matches!(recognition.kind, RecognisedAs::Silence | RecognisedAs::Noise);
    let views = analysed
        .into_iter()
        .enumerate()
        .map(|(index, analysis)| view(source, index, analysis, quiet))
        .collect::<Result<Vec<_>>>()?;
    Ok(match recognition.kind {
        RecognisedAs::Tone => Content::Tone(views),
        RecognisedAs::TwoTone => Content::TwoTone(views),
        RecognisedAs::Silence => Content::Silence(views),
        RecognisedAs::Noise => Content::Noise(views),
        RecognisedAs::Sweep | RecognisedAs::Unknown => Content::Unknown(views),
    })
}

fn view(
    source: &dyn BlockSource,
    index: usize,
    analysis: ChannelAnalysis,
    quiet: bool,
) -> Result<ChannelView> {
    let quasi_peak = if quiet {
        quasi_peak::readings(source, index)?
            .median_after(QUASI_PEAK_SETTLED_S)
            .map(|m| QuasiPeak {
                median: m.value,
                u: m.u,
                dof: m.dof,
            })
    } else {
        None
    };
    Ok(ChannelView {
        tones: analysis.tones,
        spectrum: analysis.spectrum,
        dc: analysis.dc,
        quasi_peak,
    })
}

/// Which channels of a pair carry the tone itself, by what was heard.
fn driven(recognition: &Recognition) -> Option<Driven> {
    match (recognition.kind, recognition.driven.as_slice()) {
        (RecognisedAs::Tone | RecognisedAs::TwoTone, [left, right]) => match (left, right) {
            (true, true) => Some(Driven::Both),
            (true, false) => Some(Driven::Left),
            (false, true) => Some(Driven::Right),
            (false, false) => None,
        },
        _ => None,
    }
}

/// Delay and clock of a steady signal with a known stimulus, and the order and polarity of its channels.
fn steady_alignment(
    source: &dyn BlockSource,
    stimulus: &Stimulus,
    content: &Content,
    notes: &mut Vec<String>,
) -> Result<Option<Alignment>> {
    let (Content::Tone(views) | Content::TwoTone(views)) = content else {
        return Ok(None);
    };
    let fundamental = |v: &ChannelView| v.tones.first().map(|t| t.fundamental.clone());
    let strongest = views
        .iter()
        .filter_map(fundamental)
        .max_by(|a, b| a.amplitude.total_cmp(&b.amplitude));
    let tone = strongest.and_then(|f| {
        alignment::nominal_hz(stimulus, f.frequency_hz).map(|nominal_hz| (f.frequency_hz, nominal_hz))
    });
    let found = Alignment::of_steady(source, stimulus, tone)?;
    if let [left, right] = views.as_slice() {
        let level = |v: &ChannelView| fundamental(v).map_or(0.0, |f| f.amplitude);
        note_order(stimulus, [level(left), level(right)], notes);
    }
    Ok(found.map(|alignment| Alignment {
        polarity: relative_polarity(views, notes),
        ..alignment
    }))
}

/// A steady tone has no beginning to tell its polarity by; that of each channel is given re the first, where both carry
/// the same tone.
fn relative_polarity(views: &[ChannelView], notes: &mut Vec<String>) -> Vec<i8> {
    let tone = |v: &ChannelView| {
        let f = &v.tones.first()?.fundamental;
        Some((f.frequency_hz, f.phase_rad))
    };
    let first = views.first().and_then(tone);
    views
        .iter()
        .enumerate()
        .map(|(index, view)| {
            let (Some((first_hz, first)), Some((own_hz, own))) = (first, tone(view)) else {
                return 1;
            };
            if (own_hz / first_hz - 1.0).abs() > SAME_TONE {
                return 1;
            }
            let difference = (own - first).sin().atan2((own - first).cos());
            if difference.abs() <= FRAC_PI_2 {
                return 1;
            }
            notes.push(format!(
                "{}: polarity is opposite to the left channel's",
                Channel::at(index)
            ));
            -1
        })
        .collect()
}

fn note_order(stimulus: &Stimulus, levels: [f64; 2], notes: &mut Vec<String>) {
    if alignment::channel_order(stimulus, levels) == ChannelOrder::Swapped {
        notes.push("left and right have changed places between stimulus and capture".to_owned());
    }
}
