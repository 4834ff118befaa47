//! Distortion: single harmonics, THD, THD+N and SINAD.
//!
//! **Definition.** `harmonic`: its level re the fundamental's, dB, with its phase (that of the harmonic's cosine less
//! `order` times the fundamental's). `thd`: √ΣH²/H1 over the harmonics inside the band (THD_F). `thd_n`: rms of all but
//! the fundamental in the band over the rms of all with the fundamental. `sinad`: rms of the fundamental over the rms of
//! the rest of the band, dB; not the reciprocal of `thd_n`, whose denominator is the total.
//!
//! **Source.** THD_F: common practice of data sheets (IEC 60268-3 divides by the total instead). THD+N: AES17's ratio,
//! with the fundamental fitted out rather than notched, so that nothing beside it is lost. SINAD: IEEE 1057.
//!
//! **Conditions.** The band is part of the figure: 20 Hz–20 kHz; the same with everything below 200 Hz left out, as
//! period specification sheets exclude hum; 22 Hz–22 kHz and 20 Hz–80 kHz where the sample rate allows. A harmonic counts
//! when k·f₀ is inside the band with 0.1 % to spare; its whole line then counts in THD+N as well. The orders counted are
//! stated; fewer than H2–H5 is limited by the bandwidth.
//!
//! **Assumptions.** Harmonics are coherent with the fundamental. The rig's own harmonics, known from its loopback at the
//! nearest level, add to the unit's as vectors of unknown phase: they widen the interval and are never subtracted. The
//! values of THD+N and SINAD are as measured, with the rig's noise in them; where a loopback knows that noise, their
//! intervals reach to the values without it, so that it alone never makes a unit fail.
//!
//! **Uncertainty.** Noise beside the lines or their repeatability, the power of that noise under each line taken out of
//! THD; the rig's distortion (u = r/√2, asymmetric where it is as large as what was found); in THD+N and SINAD the
//! power of the rig's noise, one-sided. What cannot be told from noise is an upper limit whose interval reaches to
//! nothing.

use super::harmonics::{Counted, HarmonicFigure};
pub use super::harmonics::{RIG_MARGIN, rig_thd_percent};
use super::tone::{LEAST_RELATIVE_U, ToneChannel, channels, last_tone, play_tone};
use super::unit_power::{Chain, LIMITING_SHARE, RIG_NOISE_U_DB, TO_NOTHING_DB};
use super::{Measurement, Next};
use crate::dsp::spectrum::{MeanSquare, PowerSpectrum};
use crate::dsp::tone::ToneAnalysis;
use crate::figure::{Band, Figure, FigureId, Findings, LimitedBy, Unit};
use crate::quantity::{DB_PER_RELATIVE_POWER, Decibels, Estimate};
use crate::rig::Rig;
use crate::take::Examined;

/// Everything below 200 Hz left out.
pub const WITHOUT_HUM: Band = Band {
    low_hz: 200.0,
    high_hz: 20_000.0,
};

/// 20 Hz–80 kHz, for sample rates that hold it.
pub const TO_80_KHZ: Band = Band {
    low_hz: 20.0,
    high_hz: 80_000.0,
};

/// Orders reported one by one.
const REPORTED_ORDERS: u32 = 10;

/// Measures distortion of a steady tone.
#[derive(Debug, Clone, PartialEq)]
pub struct Distortion {
    /// Bands, each with its own THD, THD+N and SINAD. One that the sample rate cannot hold at all is left out; the first
    /// is cut at half the sample rate.
    pub bands: Vec<Band>,
}

impl Default for Distortion {
    fn default() -> Self {
        Self {
            bands: vec![Band::AUDIO, WITHOUT_HUM, super::noise::TO_22_KHZ, TO_80_KHZ],
        }
    }
}

impl Measurement for Distortion {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let Some(take) = last_tone(takes) else {
            return play_tone();
        };
        let mut findings = Findings::default();
        for channel in channels(take, rig) {
            let ids = [FigureId::Harmonic, FigureId::Thd, FigureId::ThdN, FigureId::Sinad];
            if let Some(refusals) = channel.refusal(&ids) {
                findings.not_measured.extend(refusals);
                continue;
            }
            for tone in channel.tones() {
                self.tone(&channel, tone, &mut findings);
            }
        }
        Next::Done(findings)
    }
}

impl Distortion {
    fn tone(&self, channel: &ToneChannel<'_>, tone: &ToneAnalysis, findings: &mut Findings) {
        let reported = tone.harmonics.iter().filter(|h| h.order <= REPORTED_ORDERS);
        findings
            .figures
            .extend(reported.map(|h| channel.harmonic(tone, h)));
        for (band, cut) in self.fitting(channel.chain.format().sample_rate_hz) {
            let in_band = InBand {
                channel,
                tone,
                band,
                cut,
            };
            match in_band.thd() {
                Some(figure) => findings.figures.push(figure),
                None => findings.not_measured.push(channel.not_measured(
                    FigureId::Thd,
                    "bandwidth",
                    "no harmonic of this tone lies inside the band: choose a lower frequency or a higher sample rate",
                )),
            }
            findings.figures.extend(in_band.thd_n_and_sinad());
        }
    }

    /// The bands as far as the sample rate holds them, and whether they were cut.
    fn fitting(&self, sample_rate_hz: u32) -> Vec<(Band, bool)> {
        let nyquist = f64::from(sample_rate_hz) / 2.0;
        let mut fitting: Vec<(Band, bool)> = self
            .bands
            .iter()
            .filter(|b| b.high_hz <= nyquist)
            .map(|b| (*b, false))
            .collect();
        if let Some(first) = self
            .bands
            .first()
            .filter(|b| b.high_hz > nyquist && b.low_hz < nyquist)
        {
            fitting.insert(
                0,
                (
                    Band {
                        high_hz: nyquist,
                        ..*first
                    },
                    true,
                ),
            );
        }
        fitting
    }
}

/// One sine in one band.
struct InBand<'a> {
    channel: &'a ToneChannel<'a>,
    tone: &'a ToneAnalysis,
    band: Band,
    cut: bool,
}

impl InBand<'_> {
    fn figure(&self, id: FigureId, unit: Unit, estimate: Estimate) -> Figure {
        let mut figure = self.channel.figure(id, unit, estimate, self.tone);
        figure.band = Some(self.band);
        figure
    }

    fn counted(&self) -> Counted {
        let fundamental = self.tone.fundamental.frequency_hz;
        let harmonics = self.tone.harmonics.iter();
        let inside = harmonics.filter(|h| self.band.counts(f64::from(h.order) * fundamental));
        Counted::new(self.channel, self.tone, inside)
    }

    fn thd(&self) -> Option<Figure> {
        let counted = self.counted();
        let HarmonicFigure {
            estimate,
            limited_by,
            upper_limit,
        } = counted.thd(self.channel)?;
        let percent = estimate.scaled(100.0);
        let db = 20.0 * estimate.value.log10();
        let mut figure = self.figure(FigureId::Thd, Unit::Percent, percent);
        figure.db = Some(db);
        figure.upper_limit = upper_limit;
        let few = !(2..=5).all(|n| counted.orders.contains(&n));
        let bandwidth = (few || self.cut).then_some(LimitedBy::Bandwidth);
        figure.limited_by = figure.limited_by.or(limited_by).or(bandwidth);
        figure.conditions.harmonics = Some(counted.orders);
        Some(figure)
    }

    fn thd_n_and_sinad(&self) -> Vec<Figure> {
        let spectrum = &self.channel.view.spectrum;
        let counted = self.counted();
        let beside = spectrum.band_power(self.edges(spectrum), None);
        let fundamental = 0.5 * self.tone.fundamental.amplitude.powi(2);
        // Even a synthetic signal has the rounding of its samples.
        let least = fundamental * 1e-30;
        let value = beside.value.max(least);
        let u = beside.u.max(value * LEAST_RELATIVE_U);
        let channel = self.channel.channel();
        let name = format!("repeatability of distortion and noise, {channel}");
        let (rig_u, name_rig) = (counted.rig_power_u(), format!("rig distortion, {channel}"));
        let mut power = Estimate::exact(value).with_observed(name, u, beside.dof.max(1.0));
        if rig_u > 0.0 {
            power = power.with_of_this_take(name_rig, rig_u);
        }
        let limited_by = self.limiting(
            MeanSquare {
                value,
                u,
                dof: beside.dof,
            },
            &counted,
        );
        let total = value + fundamental;
        // d√(N/(N + S))/dN, S the fundamental's mean square; that of S itself is known far better.
        let ratio = (value / total).sqrt();
        let own = self.without_rig_noise(value);
        let thd_n = power
            .map(100.0 * ratio, 50.0 * fundamental / (ratio * total * total))
            .with_reach(100.0 * (ratio - (own / (own + fundamental)).sqrt()), 0.0);
        let slope_db = -DB_PER_RELATIVE_POWER / value;
        let more_db = Decibels::from_power_ratio(value / own.max(least))
            .0
            .min(TO_NOTHING_DB);
        let sinad = power
            .map(Decibels::from_power_ratio(fundamental / value).0, slope_db)
            .with_reach(0.0, more_db);
        let mut figures = vec![
            self.figure(FigureId::ThdN, Unit::Percent, thd_n),
            self.figure(FigureId::Sinad, Unit::Decibels, sinad),
        ];
        figures[0].db = Some(20.0 * ratio.log10());
        for figure in &mut figures {
            figure.limited_by = figure.limited_by.or(limited_by);
        }
        figures
    }

    /// The mean square `beside` without the rig's noise, where that is as large as its loopback lets it be; not below 0.
    fn without_rig_noise(&self, beside: f64) -> f64 {
        // Two standard uncertainties of a level, so that the reach covers as much as the interval does.
        let largest = Decibels(2.0 * RIG_NOISE_U_DB).power_ratio();
        (beside - largest * self.rig_noise().unwrap_or(0.0)).max(0.0)
    }

    /// Mean square of the rig's own noise in the band; `None` where no loopback knows it.
    fn rig_noise(&self) -> Option<f64> {
        let spectrum = &self.channel.view.spectrum;
        let own = self.channel.chain.rig_noise(spectrum)?;
        Some(own.mean_square(self.band, None))
    }

    /// The band, widened so that the whole line of a counted harmonic on its edge is inside.
    fn edges(&self, spectrum: &PowerSpectrum) -> Band {
        let lobe = spectrum.main_lobe_bins() as f64 * spectrum.bin_hz;
        let fundamental = self.tone.fundamental.frequency_hz;
        let mut band = self.band;
        for order in self.tone.harmonics.iter().map(|h| h.order) {
            let hz = f64::from(order) * fundamental;
            if self.band.counts(hz) {
                band.low_hz = band.low_hz.min(hz - lobe).max(0.0);
                band.high_hz = band.high_hz.max(hz + lobe);
            }
        }
        band
    }

    fn limiting(&self, beside: MeanSquare, counted: &Counted) -> Option<LimitedBy> {
        let spectrum = &self.channel.view.spectrum;
        let chain: &Chain<'_> = &self.channel.chain;
        let share = |part: f64| part > LIMITING_SHARE * beside.value;
        if counted.rig_limits() && share(counted.rig_power()) {
            Some(LimitedBy::RigDistortion)
        } else if self.rig_noise().is_some_and(share) {
            Some(LimitedBy::RigNoise)
        } else if share(chain.quantisation(self.band, None, spectrum)) {
            Some(LimitedBy::Quantisation)
        } else {
            self.cut.then_some(LimitedBy::Bandwidth)
        }
    }
}
