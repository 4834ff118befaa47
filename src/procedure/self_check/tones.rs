//! Steady tones through a cable: level, harmonics, crosstalk, skirts, and whether a level stays where it is.
//!
//! A faint tone is fitted where it is known to be, not looked for: its frequency is that of a louder one, its place that
//! of its stimulus. Noise and hum far above it then do not hide it.

use super::player::LEAD_IN_S;
use super::{Crosstalk, OwnDistortion, Skirts};
use crate::dsp::tone::{self, FEWEST_PERIODS, Fundamental};
use crate::error::Result;
use crate::figure::{Band, FigureId, Unit};
use crate::figures::distortion::Distortion;
use crate::figures::{Measurement, Next};
use crate::quantity::{Dbfs, Decibels};
use crate::rig::ceiling::RAMP_S;
use crate::signal::take::Take;
use crate::take::{ChannelView, Content, Examined};
use std::f64::consts::TAU;
use std::ops::Range;

/// A line this many standard uncertainties high is one: noise alone comes as high once in a thousand (e^{−x²/2}).
const SEEN: f64 = 3.72;

/// Harmonics that are stored, order 2 first.
const ORDERS: std::ops::RangeInclusive<u32> = 2..=5;

/// The smallest ratio that is stated: −200 dB.
const LEAST: f64 = 1e-10;

/// Skirts are looked for this far from the tone, Hz.
const SKIRT_HZ: f64 = 1_000.0;

/// Share of the silent floor that the floor itself may change by while a tone is on.
const FLOOR_MAY_CHANGE: f64 = 0.25;

/// Length of the pieces that one steady tone is cut into, s.
const PIECE_S: f64 = 0.5;

/// The most that the delay of a path may change from one take to the next, s.
const LATE_S: f64 = 0.15;

/// Frames on which the tone of `take` is on, the path being `delay_s` late, give or take.
fn on(take: &Take, delay_s: f64) -> Range<u64> {
    let Some(stimulus) = &take.stimulus else {
        return 0..take.source.format().frames;
    };
    let spare = LATE_S.min(0.1 * stimulus.seconds) + RAMP_S;
    let from = delay_s + LEAD_IN_S + spare;
    let to = delay_s + LEAD_IN_S + stimulus.seconds - spare;
    stimulus.frames_in(from.max(0.0))..stimulus.frames_in(to).min(take.source.format().frames)
}

/// The tone of about `hz` on each channel of `take`; `None` where it cannot be told from noise.
///
/// # Errors
/// Where the samples cannot be read.
pub(super) fn fitted(take: &Take, hz: f64, delay_s: f64) -> Result<Vec<Option<Fundamental>>> {
    of_frames(take, hz, on(take, delay_s))
}

fn of_frames(take: &Take, hz: f64, frames: Range<u64>) -> Result<Vec<Option<Fundamental>>> {
    let format = take.source.format();
    let seconds = frames.end.saturating_sub(frames.start) as f64 / f64::from(format.sample_rate_hz);
    if hz * seconds < 2.0 * FEWEST_PERIODS {
        return Ok(vec![None; format.channels]);
    }
    let guesses = vec![vec![hz]; format.channels];
    let channels = tone::analyse(take.source.as_ref(), frames, &guesses)?;
    let seen = |f: &Fundamental| f.amplitude > SEEN * f.amplitude_u && f.amplitude > 0.0;
    Ok(channels
        .into_iter()
        .map(|c| c.tones.into_iter().next().map(|t| t.fundamental).filter(seen))
        .collect())
}

/// Level of a tone and its standard uncertainty, dBFS and dB.
pub(super) fn level(f: &Fundamental) -> (f64, f64) {
    let relative = f.amplitude_u / f.amplitude;
    (
        Dbfs::from_sine_peak(f.amplitude).0,
        relative * crate::quantity::DB_PER_RELATIVE_AMPLITUDE,
    )
}

/// Largest difference between the levels of consecutive pieces, with the standard uncertainty of one of them, dB, by
/// channel; `None` where the tone is not seen in every piece, or there is only one.
///
/// # Errors
/// Where the samples cannot be read.
pub(super) fn wander(take: &Take, hz: f64, delay_s: f64) -> Result<Vec<Option<(f64, f64)>>> {
    let whole = on(take, delay_s);
    let piece = (PIECE_S * f64::from(take.source.format().sample_rate_hz)).round() as u64;
    let count = (whole.end.saturating_sub(whole.start)) / piece.max(1);
    let channels = take.source.format().channels;
    let mut levels: Vec<Option<Vec<(f64, f64)>>> = vec![Some(Vec::new()); channels];
    for n in 0..count {
        let from = whole.start + n * piece;
        for (all, one) in levels.iter_mut().zip(of_frames(take, hz, from..from + piece)?) {
            *all = all.take().zip(one).map(|(mut all, one)| {
                all.push(level(&one));
                all
            });
        }
    }
    Ok(levels.into_iter().map(|l| l.and_then(|l| span(&l))).collect())
}

fn span(levels: &[(f64, f64)]) -> Option<(f64, f64)> {
    let (first, rest) = levels.split_first()?;
    rest.first()?;
    let (mut low, mut high, mut u) = (first.0, first.0, first.1);
    for (level, own) in rest {
        (low, high, u) = (low.min(*level), high.max(*level), u.max(*own));
    }
    Some((high - low, u))
}

/// Own distortion of every channel of a take of one tone; `None` for a channel without it.
pub(super) fn distortion(examined: &Examined, channels: usize) -> Vec<Option<OwnDistortion>> {
    let measurement = Distortion {
        bands: vec![Band::AUDIO],
    };
    let Next::Done(found) = measurement.next(&[examined], None) else {
        return vec![None; channels];
    };
    (0..channels)
        .map(|index| {
            let own = || {
                found
                    .figures
                    .iter()
                    .filter(move |f| f.channel.index() == Some(index))
            };
            let thd = own().find(|f| f.id == FigureId::Thd && f.unit == Unit::Percent)?;
            let line = |order: u32| own().find(|f| f.id == FigureId::Harmonic && f.order == Some(order));
            Some(OwnDistortion {
                level_dbfs: thd.conditions.level_dbfs?,
                thd_percent: thd.estimate.value,
                at_most: thd.upper_limit,
                harmonics_db: ORDERS.map_while(line).map(|f| f.estimate.value).collect(),
            })
        })
        .collect()
}

/// Crosstalk into the channel `quiet` from its neighbour `driven`.
pub(super) fn crosstalk(examined: &Examined, driven: usize, quiet: usize) -> Option<Crosstalk> {
    let tone = |index: usize| Some(&view(examined, index)?.tones.first()?.fundamental);
    let (from, to) = (tone(driven)?, tone(quiet)?);
    let at_most = to.amplitude <= SEEN * to.amplitude_u;
    let size = if at_most {
        to.amplitude + 2.0 * to.amplitude_u
    } else {
        to.amplitude
    };
    Some(Crosstalk {
        frequency_hz: from.frequency_hz,
        // Exact zeros are no crosstalk of minus infinity.
        db: Decibels::from_amplitude_ratio((size / from.amplitude).max(LEAST)).0,
        at_most,
    })
}

fn view(examined: &Examined, index: usize) -> Option<&ChannelView> {
    match &examined.content {
        Content::Tone(views) | Content::Silence(views) | Content::Noise(views) => views.get(index),
        _ => None,
    }
}

/// What stands beside the tone on the channel `index`, against the same stretch of a silent take.
///
/// Phase modulation of small index φ (rms) puts a share φ² of the tone's power into its sidebands, and a tone of
/// frequency f whose timing jitters by τ (rms) has φ = 2πfτ.
pub(super) fn skirts(examined: &Examined, silent: &Examined, index: usize) -> Option<Skirts> {
    let (own, silent) = (view(examined, index)?, view(silent, index)?);
    let f = &own.tones.first()?.fundamental;
    let away = own.spectrum.main_lobe_bins() as f64 * own.spectrum.bin_hz;
    let beside = |view: &ChannelView| {
        let part = |low_hz: f64, high_hz: f64| view.spectrum.band_power(Band { low_hz, high_hz }, None);
        let low = part(f.frequency_hz - SKIRT_HZ, f.frequency_hz - away);
        let high = part(f.frequency_hz + away, f.frequency_hz + SKIRT_HZ);
        (low.value + high.value, low.u.hypot(high.u))
    };
    let ((on, u_on), (off, u_off)) = (beside(own), beside(silent));
    let (more, u) = (on - off, u_on.hypot(u_off));
    let allowed = FLOOR_MAY_CHANGE * off;
    let at_most = more <= SEEN * u + allowed;
    let power = if at_most {
        more.max(0.0) + 2.0 * u + allowed
    } else {
        more
    };
    let share = power / (f.amplitude * f.amplitude / 2.0);
    Some(Skirts {
        db: Decibels::from_power_ratio(share.max(LEAST * LEAST)).0,
        at_most,
        jitter_s: share.sqrt() / (TAU * f.frequency_hz),
    })
}
