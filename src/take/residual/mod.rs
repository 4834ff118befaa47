//! Single corrupt samples and broken runs in a take whose stimulus is known: what is left when everything steady is taken
//! away, held against its own noise.
//!
//! **Residual.** Of tones the fitted fundamental and harmonics are subtracted ([`Model::Lines`]), of a sweep its first five
//! orders, fitted along its own phase in short stretches with gains that may bend (`sweep`); of silence nothing. What a linear
//! predictor of order 32 can foretell of the rest is then taken off as well (hum, its side lines, intermodulation, slow drift,
//! the noise's own colour; `whiten`), which leaves white noise of standard deviation σ, found robustly, per window of 0.17 s
//! and once more beside the place: what is merely louder for a while is noise, no loss.
//!
//! **Tests.** At every sample two kinds of statistic, each with a known distribution in noise:
//!
//! - m, the residual matched to what one wrong sample leaves in it: normal. One sample that is off by A·σ has m = A ± 1;
//! - the energy of 4, 8, 16 and 32 samples in σ²: χ². A step, a cut run, a changed phase leave it while they pass the
//!   predictor.
//!
//! **Threshold.** A take of N samples (all channels) is tested 5·N times; one in [`FALSE_ALARMS`]⁻¹ = 100,000 takes may be
//! called damaged by chance, so each test may with probability p = 10⁻⁵ / 5N (Bonferroni's bound; neighbouring tests are
//! not independent, so that it is less). For 1 s of stereo at 48 kHz p = 2·10⁻¹¹: |m| > 6.7; for 10 s at 96 kHz 7.1.
//! **So of a single sample altered by A·σ half are found at A ≈ 7, and all but one in 10,000 from A ≈ 11 on**
//! (7.1 + 3.7 and a few percent for the local σ). Nothing can find every sample altered by 6 σ without calling clean takes damaged:
//! noise alone does that once in 5·10⁸ samples, which is one of 500 takes of 10 s. What such a sample does to a figure: 11²
//! σ² among N ≥ 10⁵ noise samples, 0.1 % of the noise's power (0.005 dB).
//!
//! **The signal's own.** Where half of all windows, or more than [`MOST_PLACES`] places of one window, stand out, the signal
//! does so by itself (crossover spikes above the fitted orders, rectifier pulses), and nothing is said.
//!
//! **What cannot be seen.** Exchanged or repeated runs of mere noise, since noise has no order to be out of; they move no
//! figure. Runs whose edges meet the waveform within the noise (whole periods): the marks' distance counts those.

mod sweep;
mod whiten;

use super::integrity::{Discontinuity, DiscontinuityKind};
use crate::dsp::sweep::SweepParameters;
use crate::error::Result;
use crate::figure::Channel;
use crate::signal::source::{BlockReader, BlockSource, Format};
use rayon::prelude::*;
use statrs::distribution::{ChiSquared, ContinuousCDF};
use std::ops::Range;

/// Takes called damaged by chance, of one.
pub const FALSE_ALARMS: f64 = 1e-5;

/// Length of a window, s.
const WINDOW_S: f64 = 0.17;

/// Places of one window beyond which the signal stands out by itself.
pub const MOST_PLACES: usize = 6;

/// Frames of context on either side of a window.
const CONTEXT: usize = 2 * whiten::ORDER;

/// What is known to be on one channel.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Model {
    /// Sines at fixed frequencies; none for silence and noise.
    Lines(Vec<Sine>),
    /// A sweep: its parameters, the second of the recording at which it starts, capture clock / playing clock − 1.
    Sweep {
        /// What was swept.
        parameters: SweepParameters,
        /// Second of the recording.
        start_s: f64,
        /// Ratio − 1.
        clock: f64,
    },
}

/// One sine of a model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sine {
    /// Radians a frame.
    pub(super) omega: f64,
    /// Peak.
    pub(super) amplitude: f64,
    /// Phase of the cosine at frame 0.
    pub(super) phase: f64,
}

/// The places in `frames` that no noise explains; one model a channel.
pub(super) fn breaks(
    source: &dyn BlockSource,
    frames: &Range<u64>,
    models: &[Model],
) -> Result<Vec<Discontinuity>> {
    let format = source.format();
    let tests = frames.end.saturating_sub(frames.start) as f64 * format.channels as f64;
    let Some(bars) = Bars::new(FALSE_ALARMS / tests.max(1.0)) else {
        return Ok(Vec::new());
    };
    let found: Vec<Result<Vec<Discontinuity>>> = models
        .par_iter()
        .enumerate()
        .map(|(channel, model)| of_channel(source, format, frames, channel, model, &bars))
        .collect();
    let found = found.into_iter().collect::<Result<Vec<_>>>()?;
    Ok(found.into_iter().flatten().collect())
}

/// What each statistic must exceed.
#[derive(Debug, Clone, Copy)]
struct Bars {
    /// m², the energies of [`whiten::SPANS`].
    single: f64,
    spans: [f64; whiten::SPANS.len()],
}

impl Bars {
    /// For a probability of `p` a sample, shared by all statistics.
    fn new(p: f64) -> Option<Self> {
        let share = p / (1 + whiten::SPANS.len()) as f64;
        let mut spans = [0.0; whiten::SPANS.len()];
        for (bar, span) in spans.iter_mut().zip(whiten::SPANS) {
            *bar = beyond(span as f64, share)?;
        }
        Some(Self {
            single: beyond(1.0, share)?,
            spans,
        })
    }
}

/// What χ² with `freedom` degrees of freedom exceeds with probability `p`.
fn beyond(freedom: f64, p: f64) -> Option<f64> {
    let chi = ChiSquared::new(freedom).ok()?;
    let (mut low, mut high) = (0.0, 1000.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if chi.sf(middle) > p {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(high)
}

fn of_channel(
    source: &dyn BlockSource,
    format: Format,
    frames: &Range<u64>,
    channel: usize,
    model: &Model,
    bars: &Bars,
) -> Result<Vec<Discontinuity>> {
    let rate = f64::from(format.sample_rate_hz);
    let window = ((WINDOW_S * rate) as u64).max(16 * CONTEXT as u64);
    let mut reader = source.open()?;
    let mut found = Vec::new();
    let (mut windows, mut loud) = (0usize, 0usize);
    let split = model.begins(rate).clamp(frames.start, frames.end);
    let mut body = frames.start;
    while body < frames.end {
        let raw = body < split;
        let limit = if raw { split } else { frames.end };
        // What is left over at the end goes with the last window.
        let end = if limit - body < 2 * window {
            limit
        } else {
            body + window
        };
        let earliest = if raw { 0 } else { split };
        let (mut x, first) = load(reader.as_mut(), format, channel, body..end, earliest)?;
        if !raw {
            remove(&mut x, first, model, rate);
        }
        let places = whiten::places(&x, bars);
        windows += 1;
        loud += usize::from(!places.is_empty());
        if places.len() <= MOST_PLACES {
            found.extend(places.iter().map(|p| first + *p as u64));
        }
        body = end;
    }
    if windows >= 4 && 2 * loud > windows {
        return Ok(Vec::new());
    }
    found.dedup_by(|a, b| a.abs_diff(*b) <= CONTEXT as u64);
    Ok(found
        .into_iter()
        .filter(|f| frames.contains(f))
        .map(|frame| Discontinuity {
            channel: Channel::at(channel),
            at_s: frame as f64 / rate,
            kind: DiscontinuityKind::Jump,
        })
        .collect())
}

impl Model {
    /// The frame from which on it is subtracted: of a sweep, where it is fast enough for that.
    fn begins(&self, rate: f64) -> u64 {
        match self {
            Self::Lines(_) => 0,
            Self::Sweep {
                parameters, start_s, ..
            } => ((start_s + parameters.time_of(sweep::SLOWEST_HZ)) * rate).max(0.0) as u64,
        }
    }
}

/// One channel of `body` and its context, from the frame `earliest` on, and the frame of the first sample.
fn load(
    reader: &mut dyn BlockReader,
    format: Format,
    channel: usize,
    body: Range<u64>,
    earliest: u64,
) -> Result<(Vec<f64>, u64)> {
    let first = body.start.saturating_sub(CONTEXT as u64).max(earliest);
    let end = (body.end + CONTEXT as u64).min(format.frames);
    let mut planes = vec![vec![0.0; (end - first) as usize]; format.channels];
    let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
    let got = reader.read(first, &mut slices)?;
    let mut x = planes.swap_remove(channel);
    x.truncate(got);
    Ok((x, first))
}

fn remove(x: &mut [f64], first: u64, model: &Model, rate: f64) {
    match model {
        Model::Lines(sines) => {
            for sine in sines {
                let turns = sine.omega * first as f64 + sine.phase;
                for (v, p) in x.iter_mut().zip(super::sines::phasor(sine.omega, 0.0)) {
                    *v -= sine.amplitude * (p * rustfft::num_complex::Complex64::cis(turns)).re;
                }
            }
        }
        Model::Sweep {
            parameters,
            start_s,
            clock,
        } => sweep::remove(x, first as f64 / rate - start_s, rate, parameters, *clock),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thresholds_are_those_of_the_normal_distribution() {
        // Tables of the normal distribution: two-sided 1.97·10⁻⁹ at 6 σ, 5.73·10⁻⁷ at 5 σ; χ² of 10 exceeds 29.588 with
        // probability 0.001.
        assert!((beyond(1.0, 1.973e-9).unwrap().sqrt() - 6.0).abs() < 1e-3);
        assert!((beyond(1.0, 5.733e-7).unwrap().sqrt() - 5.0).abs() < 1e-3);
        assert!((beyond(10.0, 0.001).unwrap() - 29.588).abs() < 1e-3);
        let bars = Bars::new(FALSE_ALARMS / 96_000.0).unwrap();
        assert!((6.6..6.8).contains(&bars.single.sqrt()), "{bars:?}");
    }
}
