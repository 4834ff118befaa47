//! The spectral lines of one channel over its steady range.

use super::{short, wander};
use crate::error::Result;
use crate::signal::source::BlockSource;
use crate::take::lines::{Spectrum, Transform};
use rayon::prelude::*;
use std::f64::consts::TAU;
use std::ops::Range;

/// Stretches that are averaged.
const STRETCHES: usize = 8;

/// Length of a stretch, s (rounded to a power of two of frames).
const STRETCH_S: f64 = 1.2;

/// The longest single spectrum, frames: for lines that an average of short ones does not show.
const LONGEST: u64 = 1 << 19;

/// Below this many frames sines are fitted instead.
const SHORT: u64 = 2048;

/// Normal quantile of the false alarm of one entry: 10⁻⁴ a capture over some 10⁵ entries.
const SURE: f64 = 6.0;

/// Entries over which the floor is taken.
const FLOOR_SPAN: usize = 64;

/// The lowest test tone (10 Hz, less a little), and the fewest periods (five, less a little).
const LOWEST_HZ: f64 = 9.0;
const FEWEST_PERIODS: f64 = 4.5;

/// Lines of a capture of few stretches whose course is followed, the strongest first.
const MOST_FOLLOWED: usize = 32;

/// One line of a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Seen {
    /// Hz.
    pub(super) hz: f64,
    /// Mean square.
    pub(super) power: f64,
    /// Level (highest re lowest, power ratio) and frequency (largest deviation, Hz) over the stretches.
    pub(super) spread: (f64, f64),
}

/// What is known of one channel.
#[derive(Debug, Clone, Default)]
pub(super) struct View {
    /// Lines that stand out, the strongest first.
    pub(super) lines: Vec<Seen>,
    /// Mean square without DC.
    pub(super) total: f64,
    /// Spacing of independent frequencies, Hz.
    pub(super) bin_hz: f64,
    /// Averaged spectrum and its floor; empty for short ranges.
    average: Vec<f64>,
    floor: Vec<f64>,
    /// Hz an entry of `average`.
    entry_hz: f64,
    /// How far above the floor a line stands at least, power ratio.
    bar: f64,
    lobe: usize,
}

impl View {
    /// Looks at `frames` of one channel.
    pub(super) fn of(source: &dyn BlockSource, channel: usize, frames: &Range<u64>) -> Result<Self> {
        let rate = f64::from(source.format().sample_rate_hz);
        let length = frames.end - frames.start;
        if length < SHORT {
            let x = read(source, channel, frames.start, length as usize)?;
            let mut view = Self::from_fits(&x, rate);
            view.drop_trends(length as f64 / rate);
            return Ok(view);
        }
        let stretch = 1u64 << (STRETCH_S * rate).log2().round() as u32;
        let stretch = stretch.min(length);
        let count = usize::try_from(length / stretch)
            .unwrap_or(STRETCHES)
            .min(STRETCHES);
        let mut view = Self::averaged(source, channel, frames, stretch as usize, count)?;
        view.drop_trends(length as f64 / rate);
        if count < wander::ENOUGH {
            let x = read(source, channel, frames.start, length as usize)?;
            for line in view.lines.iter_mut().take(MOST_FOLLOWED) {
                line.spread = wander::over_quarters(&x, TAU * line.hz / rate, rate);
            }
        }
        let weak = view.lines.iter().all(|l| l.power < 0.1 * view.total);
        if weak && length > stretch && count > 1 {
            // What an average of short spectra does not show, a long one may: its bins hold less noise.
            let mut long = Self::averaged(source, channel, frames, length.min(LONGEST) as usize, 1)?;
            long.drop_trends(length as f64 / rate);
            return Ok(view.with_weak_lines(&long));
        }
        Ok(view)
    }

    fn averaged(
        source: &dyn BlockSource,
        channel: usize,
        frames: &Range<u64>,
        stretch: usize,
        count: usize,
    ) -> Result<Self> {
        let rate = f64::from(source.format().sample_rate_hz);
        let padding = if stretch.is_power_of_two() && stretch > 16_384 {
            1
        } else {
            2
        };
        let transform = Transform::new(stretch, padding);
        let slack = frames.end - frames.start - stretch as u64;
        let spectra: Vec<Result<Spectrum>> = (0..count)
            .into_par_iter()
            .map(|i| {
                let at = frames.start + slack * i as u64 / (count.max(2) - 1) as u64;
                Ok(transform.spectrum(&read(source, channel, at, stretch)?))
            })
            .collect();
        let spectra = spectra.into_iter().collect::<Result<Vec<_>>>()?;
        Ok(Self::from_spectra(&spectra, rate))
    }

    fn from_spectra(spectra: &[Spectrum], rate: f64) -> Self {
        let Some(first) = spectra.first().filter(|s| !s.power.is_empty()) else {
            return Self::default();
        };
        let mut power = vec![0.0; first.power.len()];
        for s in spectra {
            for (a, p) in power.iter_mut().zip(&s.power) {
                *a += p / spectra.len() as f64;
            }
        }
        let k = spectra.len() as f64;
        let average = Spectrum {
            power,
            length: first.length,
        };
        let floor = floor(&average.power, k, average.lobe());
        let mut view = Self {
            lines: Vec::new(),
            total: average.power.iter().skip(average.lobe()).sum(),
            bin_hz: rate / first.length as f64,
            entry_hz: average.step() * rate / TAU,
            bar: gamma_bar(k),
            lobe: average.lobe(),
            floor,
            average: Vec::new(),
        };
        let peaks = average.peaks();
        // The window's side lobes are 92 dB down.
        let least = peaks.first().map_or(0.0, |p| p.power) * 1e-8;
        for p in peaks.iter().filter(|p| p.power > least).take(4096) {
            if average.power[p.bin] > view.bar * view.floor[p.bin] {
                view.lines.push(Seen {
                    hz: p.omega * rate / TAU,
                    power: p.power,
                    spread: wander::over_spectra(spectra, p.bin, rate),
                });
            }
        }
        view.average = average.power;
        view
    }

    fn from_fits(x: &[f64], rate: f64) -> Self {
        let (found, total) = short::lines(x);
        Self {
            lines: found
                .into_iter()
                .map(|(omega, power)| Seen {
                    hz: omega * rate / TAU,
                    power,
                    spread: (1.0, 0.0),
                })
                .collect(),
            total,
            bin_hz: rate / x.len().max(1) as f64,
            ..Self::default()
        }
    }

    /// Leaves out lines that are trends rather than tones: below 9 Hz, or fewer than four and a half periods in all.
    fn drop_trends(&mut self, seconds: f64) {
        let lowest = LOWEST_HZ.max(FEWEST_PERIODS / seconds);
        self.lines.retain(|l| l.hz >= lowest);
    }

    /// Adds the lines that only `long` shows; what both show keeps its spread over time.
    fn with_weak_lines(mut self, long: &Self) -> Self {
        let known = self.lines.clone();
        let near = |l: &Seen| known.iter().any(|k| (k.hz - l.hz).abs() < 3.0 * self.bin_hz);
        let new: Vec<Seen> = long.lines.iter().copied().filter(|l| !near(l)).collect();
        self.lines.extend(new);
        self.lines.sort_by(|a, b| b.power.total_cmp(&a.power));
        self
    }

    /// Power of a line around `hz`, whether or not it stands out.
    pub(super) fn line_power(&self, hz: f64) -> f64 {
        if self.average.is_empty() {
            let near = |l: &&Seen| (l.hz - hz).abs() < self.bin_hz;
            return self.lines.iter().find(near).map_or(0.0, |l| l.power);
        }
        let i = (hz / self.entry_hz).round() as usize;
        let range = i.saturating_sub(self.lobe)..(i + self.lobe + 1).min(self.average.len());
        range.map(|k| (self.average[k] - self.floor[k]).max(0.0)).sum()
    }

    /// The line nearest to `hz` within a clock's tolerance and a bin.
    pub(super) fn near(&self, hz: f64, tolerance_hz: f64) -> Option<&Seen> {
        self.lines
            .iter()
            .filter(|l| (l.hz - hz).abs() <= tolerance_hz)
            .max_by(|a, b| a.power.total_cmp(&b.power))
    }

    /// Whether a line at `hz` stands out of the noise beside it.
    pub(super) fn stands_out(&self, hz: f64) -> bool {
        if self.near(hz, 2.0 * self.bin_hz).is_some() {
            return true;
        }
        // At a known place one entry decides, not the most of all: 10⁻⁴ instead of 10⁻⁹.
        let i = (hz / self.entry_hz.max(f64::MIN_POSITIVE)).round() as usize;
        let peak = (i.saturating_sub(1)..(i + 2).min(self.average.len()))
            .map(|k| self.average[k] / self.floor[k])
            .fold(0.0, f64::max);
        peak > 0.6 * self.bar
    }

    /// Levels in dB of octave bands from 125 Hz to 8 kHz (as far as the rate goes), per hertz, lines included.
    pub(super) fn octaves(&self, rate: f64) -> Vec<f64> {
        let mut out = Vec::new();
        let mut centre = 125.0;
        while centre * 1.5 < rate / 2.0 && centre < 9000.0 && !self.average.is_empty() {
            let entry = |hz: f64| ((hz / self.entry_hz) as usize).min(self.average.len());
            let band = entry(centre / 2f64.sqrt())..entry(centre * 2f64.sqrt()).max(1);
            let width = band.len().max(1) as f64;
            let sum: f64 = self.average[band].iter().sum();
            out.push(10.0 * (sum / width).max(1e-40).log10());
            centre *= 2.0;
        }
        out
    }
}

/// Reads one channel.
pub(super) fn read(source: &dyn BlockSource, channel: usize, first: u64, length: usize) -> Result<Vec<f64>> {
    let mut planes = vec![vec![0.0; length]; source.format().channels];
    let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
    let got = source.open()?.read(first, &mut slices)?;
    let mut x = planes.swap_remove(channel);
    x[got..].fill(0.0);
    Ok(x)
}

/// Power ratio that the mean of `k` exponential variables exceeds with the false alarm of [`SURE`] (Wilson and Hilferty's
/// approximation of the gamma distribution, 1931).
fn gamma_bar(k: f64) -> f64 {
    let v = 1.0 / (9.0 * k);
    (1.0 - v + SURE * v.sqrt()).powi(3)
}

/// Noise floor: the median of groups of entries (corrected to the mean of `k` averages), joined by straight lines in the
/// logarithm. DC's lobe is left out.
fn floor(power: &[f64], k: f64, lobe: usize) -> Vec<f64> {
    let correction = (1.0 - 1.0 / (9.0 * k)).powi(3);
    let body = &power[lobe.min(power.len() - 1)..];
    let medians: Vec<f64> = body
        .chunks(FLOOR_SPAN)
        .map(|c| {
            let mut c = c.to_vec();
            let middle = c.len() / 2;
            (*c.select_nth_unstable_by(middle, f64::total_cmp).1 / correction)
                .max(1e-40)
                .ln()
        })
        .collect();
    let at = |i: usize| -> f64 {
        let place = (i as f64 - lobe as f64) / FLOOR_SPAN as f64 - 0.5;
        let place = place.clamp(0.0, (medians.len() - 1) as f64);
        let (low, part) = (place.floor() as usize, place.fract());
        let high = (low + 1).min(medians.len() - 1);
        (medians[low] * (1.0 - part) + medians[high] * part).exp()
    };
    (0..power.len()).map(at).collect()
}
