//! What is on a capture, by channel, and which frames of it are steady enough to analyse.
//!
//! The rule, in the order in which it is applied to each channel:
//!
//! 1. **Nothing**: every sample is exactly zero.
//! 2. **Steady range** (`steady`): lead-in, fades, switch-on transients and trailing silence are left out; a capture that
//!    is steady from end to end loses no sample.
//! 3. **Lines** (`view`): averaged spectra of a few stretches spread over the range, or one of the whole range up to 2¹⁹
//!    frames; a line must stand out of the noise beside it by 7 dB (average of 8) to 14 dB (single spectrum), a false alarm
//!    of 10⁻⁴ a capture. Ranges below 2048 frames are taken apart by sine fits instead (`short`).
//! 4. **Hum is not a test tone** (`classify`): lines at multiples of 50 or 60 Hz belong to the mains where the comb shows
//!    other lines, or where they are below −40 dBFS. Limits: a pure test tone at 1–3 × mains below −40 dBFS is taken for hum,
//!    and a pure mains line above it for a test tone; a stimulus file or `--as` decides.
//! 5. **Fundamental**: the strongest line that is left, or the lowest line within 20 dB of it of which it is a harmonic
//!    up to the ninth (a third harmonic above its fundamental).
//! 6. **Two tones**: a second line within 20 dB that is no harmonic of the first (above
//!    the ninth: or stands 10 dB above all harmonics below it). Any other line within 20 dB that is
//!    neither harmonic nor intermodulation product makes it *unknown*: a chord.
//! 7. **Steady**: level within 2 dB and frequency within 500 ppm over the stretches, else *unknown*: music, speech.
//! 8. Without a tone: *noise* where the level is above −40 dBFS, steady, and its spectrum is a straight line between
//!    +1.5 and −4.5 dB an octave; *silence* below −60 dBFS, or below −40 dBFS where steady; else *unknown* (a room).

mod classify;
mod short;
mod steady;
mod view;
mod wander;

use super::integrity::Inspection;
use crate::error::Result;
use crate::figure::Channel;
use crate::quantity::Dbfs;
use crate::signal::source::{BlockSource, Format};
use crate::signal::stimulus::{Signal, Stimulus};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::ops::Range;
use view::View;

/// What a capture is, as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RecognisedAs {
    /// One steady sine on at least one channel.
    Tone,
    /// Two steady sines on at least one channel.
    TwoTone,
    /// Hum and noise, no test signal.
    Silence,
    /// The sweep of the stimulus.
    Sweep,
    /// A test signal of random noise.
    Noise,
    /// Not a test signal.
    Unknown,
}

/// What the user says a capture is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Wanted {
    /// One steady sine.
    Tone,
    /// Two steady sines.
    TwoTone,
    /// No signal.
    Silence,
    /// A sweep.
    Sweep,
    /// Random noise.
    Noise,
}

/// What is on one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Heard {
    /// A steady sine of about this frequency, with or without harmonics.
    Tone {
        /// Hz, to a small part of 1 Hz.
        hz: f64,
    },
    /// Two steady sines, the stronger first.
    TwoTone {
        /// Hz.
        hz: [f64; 2],
    },
    /// Hum and noise.
    Silence,
    /// Random noise well above a floor.
    Noise,
    /// The sweep of the stimulus.
    Sweep,
    /// Exact zeros.
    Nothing,
    /// Something else.
    Unknown,
}

/// What was recognised.
#[derive(Debug, Clone, PartialEq)]
pub struct Recognition {
    /// The capture as a whole: what its strongest channel carries.
    pub kind: RecognisedAs,
    /// One entry a channel. A channel that carries only crosstalk of the tone has that tone here.
    pub channels: Vec<Heard>,
    /// Which channels carry the signal itself; false where it is only crosstalk, 15 dB or more below the strongest.
    pub driven: Vec<bool>,
    /// Which channels carry a signal of their own at other frequencies than the strongest channel's: one tone a channel, to
    /// tell left from right.
    pub own_signal: Vec<bool>,
    /// The frequencies of the strongest channel, for every other without a signal of its own: one of a tone, two of a
    /// two-tone signal (the stronger first).
    pub frequencies_hz: Vec<f64>,
    /// Frames to analyse.
    pub steady: Range<u64>,
    /// Remarks in the reader's words.
    pub notes: Vec<String>,
}

impl Recognition {
    /// The frequencies to analyse the channel at `index` at: those of the capture, or of the channel's own signal.
    pub fn frequencies_of(&self, index: usize) -> Vec<f64> {
        let own = match (self.kind, self.channels.get(index)) {
            (RecognisedAs::Tone | RecognisedAs::TwoTone, Some(Heard::Tone { hz }))
                if self.own_signal.get(index) == Some(&true) =>
            {
                Some(vec![*hz])
            }
            (RecognisedAs::TwoTone, Some(Heard::TwoTone { hz }))
                if self.own_signal.get(index) == Some(&true) =>
            {
                Some(hz.to_vec())
            }
            _ => None,
        };
        own.unwrap_or_else(|| self.frequencies_hz.clone())
    }
}

/// Level below the strongest channel from which a tone is only crosstalk: power ratio of 15 dB.
pub(crate) const CROSSTALK: f64 = 0.031_623;

/// What is heard below this while nothing was played is silence, dBFS.
const QUIET_DBFS: f64 = -40.0;

/// Recognises what is on a capture. Of a known `stimulus` the frequencies are looked for first; `wanted` overrides all.
/// Reads at most about 2²⁰ frames, whatever the length.
///
/// # Errors
/// Where the source cannot be read.
pub fn recognise(
    source: &dyn BlockSource,
    inspection: &Inspection,
    stimulus: Option<&Stimulus>,
    wanted: Option<Wanted>,
) -> Result<Recognition> {
    let format = source.format();
    let loudest = strongest(&inspection.rms);
    let plateau = steady::plateau(inspection, loudest, format);
    let looked: Vec<Result<Looked>> = (0..format.channels)
        .into_par_iter()
        .map(|c| Looked::at(source, inspection, c, &plateau))
        .collect();
    let looked = looked.into_iter().collect::<Result<Vec<_>>>()?;
    let signal = |c: usize| stimulus.and_then(|s| s.channel(c));
    let mut channels: Vec<Heard> = looked
        .iter()
        .enumerate()
        .map(|(c, l)| l.heard(signal(c), wanted, format))
        .collect();
    if wanted.is_none() && stimulus.is_some_and(|s| s.channels.iter().all(|c| *c == Signal::Silence)) {
        settle_silent(&mut channels, &looked, &inspection.rms);
    }
    let kind = overall(&channels, &inspection.rms);
    let mut out = Recognition {
        kind,
        driven: vec![true; channels.len()],
        own_signal: vec![false; channels.len()],
        frequencies_hz: frequencies(&channels, &inspection.rms, kind),
        channels: Vec::new(),
        steady: plateau.frames.clone(),
        notes: Vec::new(),
    };
    settle_undriven(&mut channels, &mut out, &looked);
    out.channels = channels;
    out.notes = stimulus.map_or_else(Vec::new, |s| missing(s, &out));
    if matches!(kind, RecognisedAs::Tone | RecognisedAs::TwoTone) {
        let lead = lead(&out, &inspection.rms);
        out.steady = steady::refine(source, lead, &plateau, &out.frequencies_hz)?;
    } else if matches!(kind, RecognisedAs::Sweep) {
        out.steady = 0..format.frames;
    }
    Ok(out)
}

fn strongest(rms: &[f64]) -> usize {
    (0..rms.len())
        .max_by(|a, b| rms[*a].total_cmp(&rms[*b]).then(b.cmp(a)))
        .unwrap_or(0)
}

/// Where nothing was played, a line that does not carry most of what is heard belongs to hum and noise.
fn settle_silent(channels: &mut [Heard], looked: &[Looked], rms: &[f64]) {
    for (c, heard) in channels.iter_mut().enumerate() {
        let power = |hz: f64| looked[c].view.line_power(hz);
        let of_lines = match heard {
            Heard::Tone { hz } => power(*hz),
            Heard::TwoTone { hz: [a, b] } => power(*a) + power(*b),
            Heard::Unknown if Dbfs::from_rms(rms[c]).0 < QUIET_DBFS => 0.0,
            _ => continue,
        };
        if of_lines < 0.5 * rms[c] * rms[c] {
            *heard = Heard::Silence;
        }
    }
}

/// The strongest channel that carries a tone.
fn lead(out: &Recognition, rms: &[f64]) -> usize {
    (0..rms.len())
        .filter(|c| matches!(out.channels[*c], Heard::Tone { .. } | Heard::TwoTone { .. }))
        .max_by(|a, b| rms[*a].total_cmp(&rms[*b]).then(b.cmp(a)))
        .unwrap_or(0)
}

/// One channel with its lines.
struct Looked {
    nothing: bool,
    view: View,
    level: steady::Steadiness,
}

impl Looked {
    fn at(
        source: &dyn BlockSource,
        inspection: &Inspection,
        channel: usize,
        plateau: &steady::Plateau,
    ) -> Result<Self> {
        let nothing = inspection.peak[channel] <= 0.0;
        let view = if nothing {
            View::default()
        } else {
            View::of(source, channel, &plateau.frames)?
        };
        Ok(Self {
            nothing,
            view,
            level: steady::steadiness(inspection, channel, plateau, source.format()),
        })
    }

    fn heard(&self, signal: Option<&Signal>, wanted: Option<Wanted>, format: Format) -> Heard {
        let rate = f64::from(format.sample_rate_hz);
        if self.nothing {
            return Heard::Nothing;
        }
        if let Some(wanted) = wanted {
            return classify::as_wanted(&self.view, wanted, rate);
        }
        signal
            .and_then(|s| classify::as_played(&self.view, s))
            .unwrap_or_else(|| classify::by_itself(&self.view, &self.level, rate))
    }
}

/// What the strongest channel carries; a channel without any sample but zero says nothing.
fn overall(channels: &[Heard], rms: &[f64]) -> RecognisedAs {
    let loudest = (0..channels.len())
        .filter(|c| channels[*c] != Heard::Nothing)
        .max_by(|a, b| rms[*a].total_cmp(&rms[*b]).then(b.cmp(a)));
    let kind = |h: Heard| match h {
        Heard::Tone { .. } => RecognisedAs::Tone,
        Heard::TwoTone { .. } => RecognisedAs::TwoTone,
        Heard::Silence => RecognisedAs::Silence,
        Heard::Noise => RecognisedAs::Noise,
        Heard::Sweep => RecognisedAs::Sweep,
        Heard::Nothing | Heard::Unknown => RecognisedAs::Unknown,
    };
    let Some(loudest) = loudest else {
        // Only zeros: nothing was heard, and the notes of the inspection say so.
        return RecognisedAs::Unknown;
    };
    match kind(channels[loudest]) {
        // A quiet tone beside a channel with more hum and noise than that is still the signal.
        RecognisedAs::Silence => channels
            .iter()
            .map(|h| kind(*h))
            .find(|k| {
                matches!(
                    k,
                    RecognisedAs::Tone | RecognisedAs::TwoTone | RecognisedAs::Sweep
                )
            })
            .unwrap_or(RecognisedAs::Silence),
        other => other,
    }
}

fn frequencies(channels: &[Heard], rms: &[f64], kind: RecognisedAs) -> Vec<f64> {
    let mut order: Vec<usize> = (0..channels.len()).collect();
    order.sort_by(|a, b| rms[*b].total_cmp(&rms[*a]).then(a.cmp(b)));
    order
        .into_iter()
        .find_map(|c| match (kind, channels[c]) {
            (RecognisedAs::Tone, Heard::Tone { hz }) => Some(vec![hz]),
            (RecognisedAs::TwoTone, Heard::TwoTone { hz }) => Some(hz.to_vec()),
            _ => None,
        })
        .unwrap_or_default()
}

/// Gives channels without the signal of their own its frequencies where they show its crosstalk, and says which channels
/// are driven.
fn settle_undriven(channels: &mut [Heard], out: &mut Recognition, looked: &[Looked]) {
    if out.frequencies_hz.is_empty() {
        return;
    }
    let power: Vec<f64> = looked
        .iter()
        .map(|l| out.frequencies_hz.iter().map(|hz| l.view.line_power(*hz)).sum())
        .collect();
    let most = power.iter().copied().fold(0.0, f64::max);
    for (c, heard) in channels.iter_mut().enumerate() {
        out.own_signal[c] = has_own_signal(*heard, out, &looked[c].view, CROSSTALK * most);
        out.driven[c] = out.own_signal[c] || power[c] > CROSSTALK * most;
        if out.driven[c] || *heard == Heard::Nothing {
            continue;
        }
        let seen = out.frequencies_hz.iter().all(|hz| looked[c].view.stands_out(*hz));
        *heard = match (seen, out.frequencies_hz.as_slice()) {
            (true, [hz]) => Heard::Tone { hz: *hz },
            (true, [a, b, ..]) => Heard::TwoTone { hz: [*a, *b] },
            _ if *heard == Heard::Unknown => Heard::Silence,
            _ => *heard,
        };
    }
}

/// Whether a channel carries lines of its own stronger than `crosstalk`, none of them at the capture's frequencies.
fn has_own_signal(heard: Heard, out: &Recognition, view: &View, crosstalk: f64) -> bool {
    let own: &[f64] = match &heard {
        Heard::Tone { hz } => std::slice::from_ref(hz),
        Heard::TwoTone { hz } => hz,
        _ => return false,
    };
    let elsewhere = |hz: &f64| {
        let apart = |f: &f64| (f - hz).abs() > classify::CLOCK * f + 2.0 * view.bin_hz;
        out.frequencies_hz.iter().all(apart)
    };
    own.iter().all(elsewhere) && own.iter().map(|hz| view.line_power(*hz)).sum::<f64>() > crosstalk
}

/// Remarks on what the stimulus promised and the capture does not show.
fn missing(stimulus: &Stimulus, out: &Recognition) -> Vec<String> {
    let mut notes = Vec::new();
    for (c, heard) in out.channels.iter().enumerate() {
        let tones: Vec<f64> = match stimulus.channel(c) {
            Some(Signal::Tone { frequency_hz, .. }) => vec![*frequency_hz],
            Some(Signal::Tones { tones }) => tones.iter().map(|t| t.frequency_hz).collect(),
            _ => continue,
        };
        let found: &[f64] = match heard {
            Heard::Tone { hz } => std::slice::from_ref(hz),
            Heard::TwoTone { hz } => hz,
            _ => &[],
        };
        let is_there = |hz: &f64| found.iter().any(|f| (f - hz).abs() < classify::CLOCK * hz + 1.0);
        for hz in tones.iter().filter(|hz| !is_there(hz)) {
            notes.push(format!(
                "{}: the {hz} Hz of the stimulus is not on the capture: check the connection and that this is the capture \
                 of this stimulus",
                Channel::at(c)
            ));
        }
    }
    notes
}
