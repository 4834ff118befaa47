//! Harmonics with the noise under them and the rig's own ones: what single harmonics and THD share.
//!
//! A harmonic is a complex amplitude a with the noise variance s² in each part. |a|² is too large by 2s² on average; that
//! is taken off. Where a scatter beyond noise was seen (a line of the mains close by), the standard uncertainty u of each
//! part is larger than s; what is not noise is no mean excess and is not taken off. The rig's harmonic r of unknown phase adds to the unit's as a vector: to first order it moves |a| by
//! r·cos θ, an arcsine distribution of standard deviation r/√2 (GUM 4.4.5 gives the density; its variance is r²/2).

use super::tone::{DISTINCT, LEAST_RELATIVE_U, ToneChannel};
use super::unit_power::TO_NOTHING_DB;
use crate::dsp::spectrum::PowerSpectrum;
use crate::dsp::tone::{Harmonic, ToneAnalysis};
use crate::figure::{Band, Figure, FigureId, LimitedBy, Unit};
use crate::quantity::{Dbfs, Decibels, Estimate};
use crate::rig::{Loopback, Rig};

/// The rig's distortion limits what is less than this above it.
pub const RIG_MARGIN: Decibels = Decibels(10.0);

/// Standard uncertainties to a limit or an edge, one-sided 97.7 %.
const LIMIT: f64 = 2.0;

/// Share of the noise beside a line from which its cause is named.
const NAMED_SHARE: f64 = 0.25;

/// A ratio of harmonics with what limits it.
pub(super) struct HarmonicFigure {
    pub(super) estimate: Estimate,
    pub(super) limited_by: Option<LimitedBy>,
    pub(super) upper_limit: bool,
}

/// Harmonics counted together, as ratios to the fundamental.
pub(super) struct Counted {
    pub(super) orders: Vec<u32>,
    lines: Vec<Ratio>,
    /// Mean square of the fundamental.
    fundamental: f64,
}

/// One harmonic re the fundamental.
#[derive(Debug, Clone, Copy)]
struct Ratio {
    /// |a|/A.
    size: f64,
    /// Standard uncertainty of each part, u/A.
    u: f64,
    /// Noise of each part, s/A.
    noise: f64,
    dof: f64,
    /// The rig's own, 0 where unknown.
    rig: f64,
}

impl Ratio {
    fn new(harmonic: &Harmonic, tone: &ToneAnalysis, rig: f64) -> Self {
        let a = tone.fundamental.amplitude;
        let size = harmonic.amplitude.norm() / a;
        // The fundamental's own rounding is the least there is.
        let u = (harmonic.u / a).max(LEAST_RELATIVE_U * size).max(1e-16);
        Self {
            size,
            u,
            noise: harmonic.noise_u / a,
            dof: harmonic.dof.max(1.0),
            rig,
        }
    }

    /// Square without the noise under it.
    fn power(self) -> f64 {
        self.size * self.size - 2.0 * self.noise * self.noise
    }

    /// Variance of `power`: of |a|² itself, and of the noise that was taken off.
    fn power_variance(self) -> f64 {
        let u2 = self.u * self.u;
        4.0 * u2 * self.power().max(0.0) + self.noise_variance()
    }

    /// The same where there is nothing but noise.
    fn noise_variance(self) -> f64 {
        let u4 = self.u.powi(4);
        4.0 * u4 + 8.0 * u4 / self.dof
    }
}

impl Counted {
    pub(super) fn new<'h>(
        channel: &ToneChannel<'_>,
        tone: &ToneAnalysis,
        harmonics: impl Iterator<Item = &'h Harmonic>,
    ) -> Self {
        let level = Dbfs::from_sine_peak(tone.fundamental.amplitude);
        let own = RigHarmonics::nearest(channel.rig, channel.index, level);
        let (orders, lines) = harmonics
            .map(|h| (h.order, Ratio::new(h, tone, own.ratio(h.order))))
            .unzip();
        Self {
            orders,
            lines,
            fundamental: 0.5 * tone.fundamental.amplitude.powi(2),
        }
    }

    /// √ΣH²/H1; `None` where nothing is counted.
    pub(super) fn thd(&self, channel: &ToneChannel<'_>) -> Option<HarmonicFigure> {
        if self.lines.is_empty() {
            return None;
        }
        let power: f64 = self.lines.iter().map(|l| l.power()).sum();
        let noise: f64 = self.lines.iter().map(|l| l.noise_variance()).sum::<f64>().sqrt();
        let dof = self.lines.iter().map(|l| l.dof).sum::<f64>();
        let name = channel.channel();
        if power < DISTINCT * noise {
            return Some(upper_limit(self.upper_end(noise).sqrt(), dof, channel));
        }
        let size = power.sqrt();
        let u_power = self.lines.iter().map(|l| l.power_variance()).sum::<f64>().sqrt();
        let u = (u_power / (2.0 * size)).max(size * LEAST_RELATIVE_U);
        let mut thd = Estimate::exact(size).with_observed(format!("noise beside the lines, {name}"), u, dof);
        // Larger distortion scatters more: the upper end is where its own scatter would just reach down to what was seen.
        let further = self.upper_end(noise).sqrt() - thd.interval().1;
        thd = thd.with_reach(0.0, further);
        let rig: f64 = self
            .lines
            .iter()
            .map(|l| l.power().max(0.0) * l.rig * l.rig / 2.0)
            .sum();
        if rig > 0.0 {
            thd = thd.with_of_this_take(format!("rig distortion, {name}"), rig.sqrt() / size);
            // Where the rig's harmonic cancels the unit's, what is left is small and says nothing of either.
            thd = thd.with_reach(0.0, size.hypot(self.rig_size()) - size);
        }
        let limited_by = self.rig_limits().then_some(LimitedBy::RigDistortion);
        Some(HarmonicFigure {
            estimate: thd,
            limited_by,
            upper_limit: false,
        })
    }

    /// The power P + 2σ(P) that is so far above the power found, `noise` being the standard deviation of noise alone:
    /// σ² = noise² + 4s²·P, s the noise of the lines that hold the power.
    fn upper_end(&self, noise: f64) -> f64 {
        let powers = || self.lines.iter().map(|l| l.power().max(0.0));
        let held: f64 = powers().sum();
        let u2 =
            powers().zip(&self.lines).map(|(p, l)| p * l.u * l.u).sum::<f64>() / held.max(f64::MIN_POSITIVE);
        let found = self.lines.iter().map(|l| l.power()).sum::<f64>().max(0.0);
        // P − found = 2√(noise² + 4·s²·P), solved for P.
        let half = found + 2.0 * LIMIT * LIMIT * u2;
        half + (half * half - found * found + (LIMIT * noise).powi(2)).sqrt()
    }

    /// √Σr² of the rig's own harmonics re the fundamental.
    fn rig_size(&self) -> f64 {
        self.lines.iter().map(|l| l.rig * l.rig).sum::<f64>().sqrt()
    }

    /// Their mean square.
    pub(super) fn rig_power(&self) -> f64 {
        self.fundamental * self.rig_size().powi(2)
    }

    /// What their unknown phases do to the mean square of all harmonics: 2·|a|·r·cos θ of each.
    pub(super) fn rig_power_u(&self) -> f64 {
        let variance: f64 = self
            .lines
            .iter()
            .map(|l| 2.0 * l.power().max(0.0) * l.rig * l.rig)
            .sum();
        self.fundamental * variance.sqrt()
    }

    /// Whether the rig's distortion is less than the margin below what was found.
    pub(super) fn rig_limits(&self) -> bool {
        let power: f64 = self.lines.iter().map(|l| l.power()).sum();
        self.rig_size() * RIG_MARGIN.amplitude_ratio() > power.max(0.0).sqrt() && self.rig_size() > 0.0
    }
}

impl ToneChannel<'_> {
    /// The figure of one harmonic.
    pub(super) fn harmonic(&self, tone: &ToneAnalysis, harmonic: &Harmonic) -> Figure {
        let counted = Counted::new(self, tone, std::iter::once(harmonic));
        let line = counted.lines[0];
        let name = self.channel();
        let HarmonicFigure {
            estimate,
            limited_by,
            upper_limit,
        } = if line.size < DISTINCT * line.u {
            upper_limit(line.size + LIMIT * line.u, line.dof, self)
        } else {
            // |a| is too large by s²/2|a|: Rice's distribution well above the noise.
            let size = (line.size * line.size - line.noise * line.noise).sqrt();
            let mut estimate = Estimate::exact(size).with_observed(
                format!("noise beside the lines, {name}"),
                line.u,
                line.dof,
            );
            if line.rig > 0.0 {
                let source = format!("rig distortion H{}, {name}", harmonic.order);
                estimate = estimate.with_of_this_take(source, line.rig / std::f64::consts::SQRT_2);
            }
            let limited_by = counted.rig_limits().then_some(LimitedBy::RigDistortion);
            HarmonicFigure {
                estimate,
                limited_by,
                upper_limit: false,
            }
        };
        let mut figure = self.figure(FigureId::Harmonic, Unit::Decibels, in_decibels(&estimate), tone);
        figure.order = Some(harmonic.order);
        figure.upper_limit = upper_limit;
        figure.limited_by = figure.limited_by.or(limited_by);
        if !upper_limit {
            figure.conditions.phase_deg = Some(harmonic.amplitude.arg().to_degrees());
        }
        figure
    }

    /// What makes the noise that hides a line: the rig, the converter's steps, or a capture too short to average it.
    fn hidden_by(&self) -> LimitedBy {
        let spectrum = &self.view.spectrum;
        let band = Band::AUDIO;
        let noise = PowerSpectrum {
            density: spectrum.background(),
            segments: Vec::new(),
            ..spectrum.clone()
        };
        let total = noise.mean_square(band, None);
        let rig = self
            .chain
            .rig_noise(spectrum)
            .map_or(0.0, |own| own.mean_square(band, None));
        if rig > NAMED_SHARE * total {
            LimitedBy::RigNoise
        } else if self.chain.quantisation(band, None, spectrum) > NAMED_SHARE * total {
            LimitedBy::Quantisation
        } else {
            LimitedBy::Duration
        }
    }
}

/// A ratio only known to be below `limit`.
fn upper_limit(limit: f64, dof: f64, channel: &ToneChannel<'_>) -> HarmonicFigure {
    // The limit follows the noise, whose standard deviation is known to 1/√(2ν).
    let u = limit / (2.0 * dof).sqrt();
    let name = format!("noise beside the lines, {}", channel.channel());
    let estimate = Estimate::exact(limit).with_observed(name, u, dof);
    let to_nothing = estimate.interval().0;
    HarmonicFigure {
        estimate: estimate.with_reach(to_nothing, 0.0),
        limited_by: Some(channel.hidden_by()),
        upper_limit: true,
    }
}

/// 20 lg of a ratio, its interval's lower end that of the ratio: near equality with noise or rig it reaches far down.
fn in_decibels(ratio: &Estimate) -> Estimate {
    let db = ratio.amplitude_to_db();
    let low = ratio.interval().0;
    let low_db = if low > 0.0 {
        20.0 * low.log10()
    } else {
        f64::NEG_INFINITY
    };
    let more = db.interval().0 - low_db.max(db.value - TO_NOTHING_DB);
    if more > 0.0 { db.with_reach(more, 0.0) } else { db }
}

/// The rig's own THD in percent beside a tone of `level` on the channel at `index`, over the harmonics of `orders`: that
/// of its 1 kHz loopback at the nearest level. `None` where the rig has none for the channel.
pub fn rig_thd_percent(rig: &Rig, index: usize, level: Dbfs, orders: &[u32]) -> Option<f64> {
    let own = RigHarmonics::nearest(Some(rig), index, level);
    let size = orders
        .iter()
        .map(|order| own.ratio(*order).powi(2))
        .sum::<f64>()
        .sqrt();
    (!own.0.is_empty()).then_some(100.0 * size)
}

/// The rig's own harmonic of `order` beside a tone of `level` on the channel at `index`, re the tone; 0 where unknown.
pub(super) fn rig_harmonics(rig: Option<&Rig>, index: usize, level: Dbfs, order: u32) -> f64 {
    RigHarmonics::nearest(rig, index, level).ratio(order)
}

/// The rig's own harmonics at the loopback level nearest to a tone's.
struct RigHarmonics<'a>(&'a [f64]);

impl<'a> RigHarmonics<'a> {
    fn nearest(rig: Option<&'a Rig>, index: usize, level: Dbfs) -> Self {
        let distance = |l: &Loopback| (l.level_dbfs - level.0).abs();
        let own = rig.into_iter().flat_map(|r| &r.loopback);
        let nearest = own
            .filter(|l| l.channel == index && !l.harmonics_db.is_empty())
            .min_by(|a, b| distance(a).total_cmp(&distance(b)));
        Self(nearest.map_or(&[], |l| &l.harmonics_db))
    }

    /// Of `order`, re the fundamental; 0 where unknown.
    fn ratio(&self, order: u32) -> f64 {
        let index = (order as usize).saturating_sub(2);
        self.0
            .get(index)
            .map_or(0.0, |db| Decibels(*db).amplitude_ratio())
    }
}
