//! Power of one line of a spectrum, without the noise under it.
//!
//! The bins of the line are summed, the background beside it is taken off. In Gaussian noise of density N (per bin,
//! summed with the window's correlation c over n bins, `averages` independent averages) the sum of a line of power S has
//! the variance c·(n·N² + 2·S·N)/averages, and the background taken off adds n²·var(N).

use super::spectrum::{ENOUGH_SEGMENTS, MeanSquare, PowerSpectrum, deviation_of_mean};
use crate::figure::Band;
use std::ops::Range;

/// A line stands out of the noise where it is this many of the noise's standard deviations high.
const DISTINCT: f64 = 3.0;

/// A bin belongs to a line where it is this many deviations above the background: noise alone once in 75,000 bins.
pub(super) const BIN_DEVIATIONS: f64 = 4.2;

/// Fewest bins of background on the two sides together.
const FEWEST_BESIDE: usize = 6;

/// Most bins of background on either side.
const MOST_BESIDE: usize = 64;

/// The median of n values of noise has about twice the variance of their mean (π/2 for normal, 2.08 for exponential).
const MEDIAN_COST: f64 = 2.0;

/// Power found at a frequency above the background beside it.
#[derive(Debug, Clone, PartialEq)]
pub struct LinePower {
    /// Power above the background, (full scale)². Unbiased, so where there is no line it is as often negative.
    pub power: MeanSquare,
    /// Standard deviation that noise alone gives `power`.
    pub noise_u: f64,
    /// Density of the background beside the line, (full scale)²/Hz.
    pub background: f64,
    /// `power` of each segment, where there are [`ENOUGH_SEGMENTS`]; else empty.
    pub segments: Vec<f64>,
    /// Of a sum of lines: what those of them that do not stand out may add beyond `power`, (full scale)²; 0 of one line.
    pub unseen: Unseen,
}

/// Lines that belong to a sum and are too weak to be counted in it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Unseen {
    /// Best value of their power; never negative.
    pub power: f64,
    /// Standard deviation that noise gives it.
    pub noise_u: f64,
}

impl LinePower {
    /// Whether there is a line at all: noise alone comes this high about once in a thousand.
    pub fn is_distinct(&self) -> bool {
        self.exceeds_noise(DISTINCT)
    }

    /// Whether the power is more than so many of the noise's standard deviations.
    pub(super) fn exceeds_noise(&self, deviations: f64) -> bool {
        self.power.value > deviations * self.noise_u
    }

    /// The most that can be there, at 97.7 %.
    pub fn upper_limit(&self) -> f64 {
        self.power.value.max(0.0) + 2.0 * self.noise_u
    }
}

/// A line found without knowing where to look.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundLine {
    /// Centre, Hz.
    pub hz: f64,
    /// Its power above the background.
    pub level: LinePower,
}

/// The bins of a line and of the background on its two sides.
struct Neighbourhood {
    line: Range<usize>,
    below: Range<usize>,
    above: Range<usize>,
}

impl PowerSpectrum {
    /// Power of the line at `hz` that may wander by ±`half_width_hz`, less the background beside it, which is looked for
    /// up to `clear_hz` away (half the distance to the next line). `None` where the spectrum does not reach, or has no
    /// room for line and background.
    pub fn line(&self, hz: f64, half_width_hz: f64, clear_hz: f64) -> Option<LinePower> {
        let place = self.neighbourhood(hz, half_width_hz, clear_hz)?;
        let (sum, background) = self.line_and_background(&self.density, &place)?;
        let value = self.bin_hz * sum;
        let noise = self.bin_hz * background;
        let bins = place.line.len() as f64;
        let correlation = self.bin_correlation() / self.averages.max(1.0);
        let beside = (place.below.len() + place.above.len()) as f64;
        let under = correlation * noise * noise * (bins + bins * bins * MEDIAN_COST / beside);
        let segments = if self.segments.len() >= ENOUGH_SEGMENTS {
            self.segments
                .iter()
                .filter_map(|density| self.line_and_background(density, &place))
                .map(|(sum, _)| self.bin_hz * sum)
                .collect()
        } else {
            Vec::new()
        };
        let theory = (under + 2.0 * correlation * value.max(0.0) * noise).sqrt();
        let power = if segments.len() >= ENOUGH_SEGMENTS {
            let (u, dof) = deviation_of_mean(&segments);
            MeanSquare { value, u, dof }
        } else {
            // The noise's own variance is known from as many bins as were looked at.
            let dof = beside * self.averages.max(1.0);
            MeanSquare {
                value,
                u: theory,
                dof,
            }
        };
        Some(LinePower {
            power,
            noise_u: under.sqrt(),
            background,
            segments,
            unseen: Unseen::default(),
        })
    }

    /// Power-weighted mean frequency of the line at `hz`, background taken off; `None` where nothing stands above it.
    pub fn line_centre_hz(&self, hz: f64, half_width_hz: f64, clear_hz: f64) -> Option<f64> {
        let place = self.neighbourhood(hz, half_width_hz, clear_hz)?;
        let (_, background) = self.line_and_background(&self.density, &place)?;
        let (mut power, mut moment) = (0.0, 0.0);
        for i in place.line {
            let above = self.density[i] - background;
            power += above;
            moment += above * i as f64;
        }
        (power > 0.0).then(|| moment / power * self.bin_hz)
    }

    /// Every line inside `band` that stands out, by rising frequency; none is nearer to the next than the window's main
    /// lobe.
    pub fn distinct_lines(&self, band: Band) -> Vec<FoundLine> {
        let threshold = self.noise_quantile(BIN_DEVIATIONS);
        let lobe = self.main_lobe_bins();
        let background = self.background();
        let stands_out = |i: usize| self.density[i] > threshold * background[i] && background[i] > 0.0;
        let mut found: Vec<FoundLine> = Vec::new();
        let first = (band.low_hz / self.bin_hz).ceil().max(1.0) as usize;
        let mut i = first;
        while i < self.density.len() && i as f64 * self.bin_hz <= band.high_hz {
            if !stands_out(i) {
                i += 1;
                continue;
            }
            // The highest of the bins that one main lobe covers is the line; what follows within a lobe belongs to it.
            let end = (i + lobe).min(self.density.len());
            let peak = (i..end)
                .max_by(|a, b| self.density[*a].total_cmp(&self.density[*b]))
                .unwrap_or(i);
            let (hz, clear) = (peak as f64 * self.bin_hz, MOST_BESIDE as f64 * self.bin_hz);
            if let Some(level) = self.line(hz, 0.0, clear).filter(LinePower::is_distinct) {
                let hz = self.line_centre_hz(hz, 0.0, clear).unwrap_or(hz);
                found.push(FoundLine { hz, level });
            }
            i = peak + lobe + 1;
        }
        found
    }

    /// The spectrum with the bins around each of `lines` (Hz, ± Hz beside what the window smears) filled by the background.
    #[must_use]
    pub fn without_lines(&self, lines: &[(f64, f64)]) -> Self {
        let background = self.background();
        let lobe = self.main_lobe_bins() as f64;
        let mut out = self.clone();
        for (hz, wander) in lines {
            let (centre, reach) = (hz / self.bin_hz, lobe + wander / self.bin_hz);
            let first = (centre - reach).round().max(0.0) as usize;
            let last = ((centre + reach).round() as usize).min(self.density.len().saturating_sub(1));
            for bins in std::iter::once(&mut out.density).chain(&mut out.segments) {
                for (bin, noise) in bins.iter_mut().zip(&background).take(last + 1).skip(first) {
                    *bin = *noise;
                }
            }
        }
        out
    }

    /// Sum over the line's bins above the background, and the background, both in units of density.
    fn line_and_background(&self, density: &[f64], place: &Neighbourhood) -> Option<(f64, f64)> {
        let side = |range: &Range<usize>| self.noise_of(density.get(range.clone())?.to_vec());
        // The mean of the two sides is exact where the background slopes.
        let background = match (side(&place.below), side(&place.above)) {
            (Some(a), Some(b)) => (a + b) / 2.0,
            (Some(only), None) | (None, Some(only)) => only,
            (None, None) => return None,
        };
        let sum: f64 = density
            .get(place.line.clone())?
            .iter()
            .map(|d| d - background)
            .sum();
        Some((sum, background))
    }

    fn neighbourhood(&self, hz: f64, half_width_hz: f64, clear_hz: f64) -> Option<Neighbourhood> {
        let bins = self.density.len();
        let centre = hz / self.bin_hz;
        let lobe = self.main_lobe_bins();
        if !centre.is_finite() || centre < 1.0 || centre.round() as usize + lobe >= bins {
            return None;
        }
        let wander = half_width_hz.max(0.0) / self.bin_hz;
        // Bin 0 is not noise: what is left of a removed DC.
        let start = ((centre - wander).round() as usize).saturating_sub(lobe).max(1);
        let end = ((centre + wander).round() as usize + lobe + 1).min(bins);
        let reach = (clear_hz / self.bin_hz).max(0.0);
        let lowest = ((centre - reach).ceil().max(1.0) as usize).max(start.saturating_sub(MOST_BESIDE));
        let highest = ((centre + reach).floor() as usize + 1)
            .min(end + MOST_BESIDE)
            .min(bins);
        let place = Neighbourhood {
            line: start..end,
            below: lowest.min(start)..start,
            above: end..highest.max(end),
        };
        (place.below.len() + place.above.len() >= FEWEST_BESIDE).then_some(place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flat(bins: usize) -> PowerSpectrum {
        PowerSpectrum {
            bin_hz: 0.5,
            density: vec![1.0; bins],
            line_width_bins: 1.5,
            averages: 1e9,
            segments: Vec::new(),
        }
    }

    #[test]
    fn a_line_is_what_stands_above_the_background() {
        let mut s = flat(2000);
        // Hann, on a bin: 1/6, 4/6, 1/6 of the power; 12 in all over bins of 0.5 Hz is density 24.
        for (bin, share) in [(399, 4.0), (400, 16.0), (401, 4.0)] {
            s.density[bin] += share;
        }
        let line = s.line(200.0, 0.0, 25.0).unwrap();
        assert!((line.power.value - 12.0).abs() < 1e-6 && line.is_distinct());
        assert!((s.line_centre_hz(200.0, 0.0, 25.0).unwrap() - 200.0).abs() < 1e-9);
    }

    #[test]
    fn lines_are_found_and_filled() {
        let mut s = flat(4000);
        for centre in [300, 700, 705, 2500] {
            for (bin, share) in [(centre - 1, 1.0), (centre, 4.0), (centre + 1, 1.0)] {
                s.density[bin] += 10.0 * share;
            }
        }
        let found = s.distinct_lines(Band {
            low_hz: 10.0,
            high_hz: 1500.0,
        });
        let at: Vec<f64> = found.iter().map(|f| (f.hz * 2.0).round()).collect();
        // Bins 700 and 705 are two lines: a main lobe of Hann reaches three bins.
        assert_eq!(at.len(), 4, "{at:?}");
        let lines: Vec<(f64, f64)> = found.iter().map(|f| (f.hz, 0.0)).collect();
        let filled = s.without_lines(&lines);
        assert!(filled.density.iter().all(|d| (d - 1.0).abs() < 1e-6));
    }

    #[test]
    fn a_slope_is_no_line() {
        let mut s = flat(2000);
        for (i, d) in s.density.iter_mut().enumerate() {
            *d = 1.0 + i as f64 / 100.0;
        }
        let line = s.line(300.0, 1.0, 25.0).unwrap();
        assert!(line.power.value.abs() < 1e-6 && !line.is_distinct());
        assert!(line.upper_limit() > 0.0);
    }

    #[test]
    fn out_of_reach_is_none() {
        let s = flat(100);
        for hz in [0.0, 0.4, 49.9, 1e9, -5.0, f64::NAN] {
            assert!(s.line(hz, 0.0, 25.0).is_none(), "{hz}");
        }
        assert!(s.line(25.0, 0.0, 1.0).is_none());
    }
}
