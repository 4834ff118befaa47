//! The noise between the lines of a spectrum, estimated so that lines do not count.
//!
//! The median of a stretch of bins does not see the few that hold lines. It lies below the mean of the noise, because
//! the power of a bin is χ² distributed with 2·averages degrees of freedom; Wilson and Hilferty's cube root
//! (1 − 2/(9ν))³ gives the ratio within 1.5 % for one average and better for more.

use super::spectrum::PowerSpectrum;

/// Fewest bins that a median is taken of.
const SHORTEST_STRETCH: usize = 16;

/// Most bins: beyond, the median gains little and follows the spectrum less.
const LONGEST_STRETCH: usize = 512;

/// Wilson and Hilferty's quantile of the mean of `averages` exponential values of mean 1.
fn quantile(averages: f64, deviations: f64) -> f64 {
    let ninth = 1.0 / (9.0 * averages.max(1.0));
    (1.0 - ninth + deviations * ninth.sqrt()).powi(3)
}

/// Mean of noise powers, each worth `averages` averages, from their median; `None` of none. A line among them counts
/// little.
pub(super) fn mean_from_median(mut powers: Vec<f64>, averages: f64) -> Option<f64> {
    let middle = powers.len() / 2;
    if powers.is_empty() {
        return None;
    }
    powers.sort_unstable_by(f64::total_cmp);
    let median = if powers.len() % 2 == 1 {
        powers[middle]
    } else {
        (powers[middle - 1] + powers[middle]) / 2.0
    };
    Some(median / quantile(averages, 0.0))
}

impl PowerSpectrum {
    /// Density of the background at every bin, (full scale)²/Hz: geometric interpolation between the medians of
    /// stretches that widen with frequency.
    pub fn background(&self) -> Vec<f64> {
        let knots = self.background_knots();
        let mut out = Vec::with_capacity(self.density.len());
        let mut next = 0;
        for i in 0..self.density.len() {
            let at = i as f64;
            while next < knots.len() && knots[next].0 <= at {
                next += 1;
            }
            let before = next.checked_sub(1).and_then(|k| knots.get(k));
            out.push(match (before, knots.get(next)) {
                (Some(a), Some(b)) => between(*a, *b, at),
                (Some(only), None) | (None, Some(only)) => only.1,
                (None, None) => 0.0,
            });
        }
        out
    }

    /// The ratio to the background that a bin of noise exceeds as often as a normal deviate exceeds `deviations`
    /// (Wilson and Hilferty).
    pub(super) fn noise_quantile(&self, deviations: f64) -> f64 {
        quantile(self.averages, deviations)
    }

    /// Mean of the noise in `bins`, from their median; `None` of none.
    pub(super) fn noise_of(&self, bins: Vec<f64>) -> Option<f64> {
        mean_from_median(bins, self.averages)
    }

    /// (bin, density) at the middle of each stretch.
    fn background_knots(&self) -> Vec<(f64, f64)> {
        let mut knots = Vec::new();
        // Bin 0 holds what is left of a removed DC; it is no noise.
        let mut start = 1;
        while start < self.density.len() {
            let width = (start / 4).clamp(SHORTEST_STRETCH, LONGEST_STRETCH);
            let mut end = (start + width).min(self.density.len());
            if self.density.len() - end < width / 2 {
                end = self.density.len();
            }
            if let Some(noise) = self.noise_of(self.density[start..end].to_vec()) {
                knots.push(((start + end - 1) as f64 / 2.0, noise));
            }
            start = end;
        }
        knots
    }
}

/// Geometric interpolation; arithmetic where one end is zero.
fn between(a: (f64, f64), b: (f64, f64), at: f64) -> f64 {
    let t = (at - a.0) / (b.0 - a.0);
    if a.1 > 0.0 && b.1 > 0.0 {
        a.1 * (b.1 / a.1).powf(t)
    } else {
        a.1 + (b.1 - a.1) * t
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_do_not_raise_the_background() {
        let mut density = vec![2.0; 4000];
        for line in (100..4000).step_by(100) {
            density[line - 1..=line + 1].fill(1e6);
        }
        let s = PowerSpectrum {
            bin_hz: 0.5,
            density,
            line_width_bins: 1.5,
            averages: 1e9,
            segments: Vec::new(),
        };
        for b in s.background() {
            assert!((b - 2.0).abs() < 1e-6);
        }
    }

    #[test]
    fn nothing_in_nothing_out() {
        let s = PowerSpectrum {
            bin_hz: 1.0,
            density: Vec::new(),
            line_width_bins: 1.5,
            averages: 1.0,
            segments: Vec::new(),
        };
        assert!(s.background().is_empty());
    }
}
