//! Standard uncertainties of lines: noise beside them, widened to the observed scatter where that is larger than noise
//! alone would make it.

use super::blocks::CLEAR_BINS;
use crate::dsp::spectrum::PowerSpectrum;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// Confidence at which a scatter is taken for more than noise.
const SIGNIFICANT: f64 = 0.99;

/// Most bins of noise on either side.
const MOST_BINS: f64 = 16.0;

/// Fewest bins of noise that say anything.
const FEWEST_BINS: usize = 6;

/// A variance with its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Variance {
    pub(super) value: f64,
    pub(super) dof: f64,
}

impl Variance {
    /// This variance, or `observed` where Fisher's test finds it larger.
    pub(super) fn or_observed(self, observed: Option<Self>) -> Self {
        let Some(observed) = observed else {
            return self;
        };
        let limit = FisherSnedecor::new(observed.dof, self.dof.clamp(1.0, 1e6))
            .map_or(f64::INFINITY, |f| f.inverse_cdf(SIGNIFICANT));
        if observed.value > limit * self.value {
            observed
        } else {
            self
        }
    }

    pub(super) fn scaled(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            dof: self.dof,
        }
    }
}

/// Density of the noise beside `hz` in a spectrum freed of all known lines; `spacing_hz` is the distance to the next line.
/// Where lines stand too close for bins between them, the bins on them are looked at too: of n periods the fit of a line
/// has taken the n-th part of the noise up to the next. `None` where the spectrum has too few bins there.
pub(super) fn noise_beside(clean: &PowerSpectrum, hz: f64, spacing_hz: f64) -> Option<Variance> {
    let centre = hz / clean.bin_hz;
    let far = CLEAR_BINS + MOST_BINS;
    let between = far.min((spacing_hz / clean.bin_hz - CLEAR_BINS).max(0.0));
    noise_within(clean, centre, CLEAR_BINS, between).or_else(|| noise_within(clean, centre, 0.0, far))
}

/// The noise in the bins whose distance from `centre` is from `clear` to `reach`, in bins.
fn noise_within(clean: &PowerSpectrum, centre: f64, clear: f64, reach: f64) -> Option<Variance> {
    let lowest = (centre - reach).ceil().max(2.0) as usize;
    let highest = (centre + reach).floor().max(0.0) as usize;
    let last = clean.density.len().saturating_sub(2);
    let beside: Vec<f64> = (lowest..=highest.min(last))
        .filter(|k| (*k as f64 - centre).abs() >= clear)
        .map(|k| clean.density[k])
        .collect();
    if beside.len() < FEWEST_BINS {
        return None;
    }
    // Neighbouring Hann bins are correlated (noise bandwidth 1.5) and a median is half as efficient as a mean.
    let dof = clean.averages * beside.len() as f64 / clean.line_width_bins;
    Some(Variance {
        value: clean.noise_of(beside)?,
        dof: dof.max(1.0),
    })
}
