//! The part of a captured mean square that is the unit's own, as levels in dBFS and volts: shared by noise, hum and
//! their comparison.
//!
//! The interface's noise adds to the unit's as power. Where the rig's loopback knows it, it is taken off, at the cost of
//! its own uncertainty of [`RIG_NOISE_U_DB`]; where what is left cannot be told from nothing, the figure is an upper
//! limit. Everything is computed in power and turned into a level last, with the interval of the power, so that an
//! interval that reaches far down in decibels says so.

use crate::dsp::spectrum::{MeanSquare, PowerSpectrum};
use crate::figure::{Band, Channel, Conditions, Figure, FigureId, Findings, LimitedBy, Unit, Weighting};
use crate::quantity::{DB_PER_RELATIVE_AMPLITUDE, DB_PER_RELATIVE_POWER, Decibels, Estimate, Source};
use crate::rig::{Loopback, Rig};
use crate::signal::source::Format;
use crate::signal::take::Take;

/// Standard uncertainty of the rig's noise between its loopback and now, dB: warm-up, gain wheel, source resistance.
/// Common practice; no source.
pub(super) const RIG_NOISE_U_DB: f64 = 0.5;

/// Share of the total from which a power that is not the unit's own limits the figure: 10 dB below it.
pub(super) const LIMITING_SHARE: f64 = 0.1;

/// How far the interval of a limit in decibels reaches from its value: to nothing, as far as a level can say it, and
/// further than any separation is.
pub(super) const TO_NOTHING_DB: f64 = 100.0;

/// A mean square of the unit's own, in (full scale)².
#[derive(Debug, Clone, PartialEq)]
pub(super) struct UnitPower {
    pub(super) power: Estimate,
    pub(super) limited_by: Option<LimitedBy>,
    pub(super) upper_limit: bool,
}

impl UnitPower {
    /// A power that is only known to be below `limit`, itself known to `relative_u`: from nothing up to there.
    pub(super) fn below(limit: f64, relative_u: f64, source: impl Into<Source>, by: LimitedBy) -> Self {
        let power = Estimate::exact(limit).with(source, limit * relative_u);
        let to_nothing = power.interval().0;
        Self {
            power: power.with_reach(to_nothing, 0.0),
            limited_by: Some(by),
            upper_limit: true,
        }
    }
}

/// One channel of a take with what the rig knows of it.
pub(super) struct Chain<'a> {
    pub(super) channel: Channel,
    pub(super) take: &'a Take,
    rig: Option<&'a Rig>,
    index: usize,
    loopback: Option<&'a Loopback>,
}

impl<'a> Chain<'a> {
    pub(super) fn new(take: &'a Take, rig: Option<&'a Rig>, index: usize) -> Self {
        // Of several loopbacks the quietest tone is nearest to silence.
        let loopback = rig.and_then(|r| {
            r.loopback
                .iter()
                .filter(|l| l.channel == index && !l.noise_dbfs_per_hz.is_empty())
                .filter(|l| l.noise_dbfs_per_hz.len() == l.frequency_hz.len())
                .min_by(|a, b| a.level_dbfs.total_cmp(&b.level_dbfs))
        });
        Self {
            channel: Channel::at(index),
            take,
            rig,
            index,
            loopback,
        }
    }

    pub(super) fn format(&self) -> Format {
        self.take.source.format()
    }

    /// The rig's own noise on the bins of `like`; `None` where no loopback was stored.
    pub(super) fn rig_noise(&self, like: &PowerSpectrum) -> Option<PowerSpectrum> {
        let curve = self.loopback?;
        let last = like.density.len().saturating_sub(1);
        let density = (0..like.density.len())
            .map(|i| {
                let db = interpolate(
                    &curve.frequency_hz,
                    &curve.noise_dbfs_per_hz,
                    i as f64 * like.bin_hz,
                );
                // The loopback counts a full-scale sine, mean square ½, as 0 dB; bins at the ends are half as wide.
                let ends = if i == 0 || i == last { 0.5 } else { 1.0 };
                ends * 0.5 * 10f64.powf(db / 10.0)
            })
            .collect();
        Some(PowerSpectrum {
            density,
            segments: Vec::new(),
            ..like.clone()
        })
    }

    /// Noise of the samples' own steps inside `band`, (full scale)²: q²/12 spread evenly up to half the sample rate.
    pub(super) fn quantisation(
        &self,
        band: Band,
        gain: Option<&dyn Fn(f64) -> f64>,
        like: &PowerSpectrum,
    ) -> f64 {
        let Some(step) = self.format().encoding.step() else {
            return 0.0;
        };
        let nyquist = f64::from(self.format().sample_rate_hz) / 2.0;
        let flat = PowerSpectrum {
            density: vec![step * step / 12.0 / nyquist; like.density.len()],
            segments: Vec::new(),
            ..like.clone()
        };
        flat.mean_square(band, gain)
    }

    /// What is the unit's of `total`, `rig` (the rig's share, if known) and `quantisation` being not.
    pub(super) fn unit_power(
        &self,
        total: MeanSquare,
        rig: Option<f64>,
        quantisation: f64,
        name: &str,
    ) -> UnitPower {
        let channel = self.channel;
        // A synthetic signal may repeat exactly; a zero uncertainty is never true.
        let u = total.u.max(total.value * 1e-9);
        let mut power = Estimate::exact(total.value).with_observed(
            format!("repeatability of {name}, {channel}"),
            u,
            total.dof,
        );
        if quantisation > 0.01 * total.value {
            power = power.with(format!("quantisation, {channel}"), quantisation / 3f64.sqrt());
        }
        let share = |part: f64| part > LIMITING_SHARE * total.value;
        let limited_by = match rig {
            Some(own) if share(own) => Some(LimitedBy::RigNoise),
            _ if share(quantisation) => Some(LimitedBy::Quantisation),
            _ => None,
        };
        let Some(own) = rig else {
            return UnitPower {
                power,
                limited_by,
                upper_limit: false,
            };
        };
        // More rig noise makes what is left smaller: the sign lets it cancel between two modes on one rig.
        let known = -own * RIG_NOISE_U_DB / DB_PER_RELATIVE_POWER;
        let left = power.shifted(-own).with(format!("rig noise, {channel}"), known);
        let reach = 2.0 * left.standard_uncertainty();
        if left.value < reach {
            let limit = left.value.max(0.0) + reach;
            let relative_u = RIG_NOISE_U_DB / DB_PER_RELATIVE_POWER;
            return UnitPower::below(
                limit,
                relative_u,
                format!("rig noise, {channel}"),
                LimitedBy::RigNoise,
            );
        }
        UnitPower {
            power: left,
            limited_by,
            upper_limit: false,
        }
    }

    /// Volts rms at the unit's output for 0 dBFS anywhere in `band`, with the rig's response re 1 kHz as a source.
    ///
    /// The stored curve is that of output and input in chain; how much of it is the input's is anywhere between none and
    /// all. Where in the band the signal lies is not known, so that it may err by the curve's largest height either way.
    pub(super) fn volts_at_full_scale(&self, band: Band) -> Option<Estimate> {
        let volts = self.calibrated_volts()?;
        let Some(curve) = self.response() else {
            return Some(volts);
        };
        let edges =
            [band.low_hz, band.high_hz].map(|hz| interpolate(&curve.response_hz, &curve.response_db, hz));
        let largest = curve
            .response_hz
            .iter()
            .zip(&curve.response_db)
            .filter(|(hz, _)| band.counts(**hz))
            .map(|(_, db)| *db)
            .chain(edges)
            .fold(0.0, |most: f64, db| most.max(db.abs()));
        Some(self.with_response(volts, largest, curve))
    }

    /// Volts rms at the unit's output for 0 dBFS at `hz`.
    ///
    /// Of the stored curve's height L there, re 1 kHz, the input's share is anywhere between none and all: the reading is
    /// off by 0 to L dB. Half of L is taken out, and ±L/2 is left as a rectangle.
    pub(super) fn volts_at(&self, hz: f64) -> Option<Estimate> {
        let volts = self.calibrated_volts()?;
        let Some(curve) = self.response() else {
            return Some(volts);
        };
        let half_db = interpolate(&curve.response_hz, &curve.response_db, hz) / 2.0;
        let expected = volts.scaled(Decibels(-half_db).amplitude_ratio());
        Some(self.with_response(expected, half_db, curve))
    }

    /// E.m.f. at the unit's input for 0 dBFS played at `hz`: the output's share of the stored curve is what
    /// [`Self::volts_at`] leaves over, so that between the two how it is shared cancels.
    pub(super) fn emf_at(&self, hz: f64) -> Option<Estimate> {
        let setup = &self.take.setup;
        let emf = self.rig?.emf_at_unit(self.index, setup.pad.as_deref()).ok()?;
        let emf = emf.scaled(emf.value.signum());
        let Some(curve) = self.response() else {
            return Some(emf);
        };
        let half_db = interpolate(&curve.response_hz, &curve.response_db, hz) / 2.0;
        let expected = emf.scaled(Decibels(half_db).amplitude_ratio());
        let shared = self.with_response(expected, half_db, curve);
        let u = shared.value * curve.response_u_db / DB_PER_RELATIVE_AMPLITUDE;
        Some(shared.with(format!("reading of the rig response, {}", self.channel), u))
    }

    /// Volts rms at the unit's output for 0 dBFS, as calibrated at 1 kHz.
    fn calibrated_volts(&self) -> Option<Estimate> {
        self.rig?
            .volts_at_full_scale(self.index, self.take.setup.tap.as_deref())
    }

    /// The loopback, where it holds a response.
    fn response(&self) -> Option<&'a Loopback> {
        self.loopback
            .filter(|l| !l.response_hz.is_empty() && l.response_hz.len() == l.response_db.len())
    }

    /// `volts` with a rectangle of the signed half-width `limit_db` and the curve's own uncertainty. The sign lets the
    /// same share of the input cancel, or add, between two frequencies.
    fn with_response(&self, volts: Estimate, limit_db: f64, curve: &Loopback) -> Estimate {
        let u_db = (limit_db / 3f64.sqrt())
            .hypot(curve.response_u_db)
            .copysign(-limit_db);
        let u = volts.value * u_db / DB_PER_RELATIVE_AMPLITUDE;
        volts.with(format!("rig response, {}", self.channel), u)
    }

    /// What is known of the circumstances.
    pub(super) fn conditions(&self) -> Conditions {
        let setup = &self.take.setup;
        let loaded = setup.loaded == Some(true);
        Conditions {
            load_ohm: self
                .rig
                .filter(|_| loaded)
                .and_then(|r| r.load(self.index, false))
                .map(|l| l.value),
            driven: setup.driven,
            mode: setup.mode.clone(),
            input: setup.input.clone(),
            volume: setup.volume.clone(),
            termination: setup.termination.clone(),
            ..Conditions::default()
        }
    }

    /// Adds the figures of one power: in dBFS, and in volts where the rig knows them.
    pub(super) fn push_levels(
        &self,
        findings: &mut Findings,
        id: FigureId,
        power: &UnitPower,
        named: &Named,
    ) {
        let figure = |estimate, unit| Figure {
            id,
            channel: self.channel,
            estimate,
            unit,
            db: None,
            order: named.order,
            weighting: named.weighting,
            band: named.band,
            conditions: named.conditions.clone(),
            limited_by: power.limited_by,
            upper_limit: power.upper_limit,
        };
        let figures = &mut findings.figures;
        if let Some(volts) = self.volts_at_full_scale(named.band.unwrap_or(Band::AUDIO)) {
            figures.push(figure(volts_of(&power.power, &volts), Unit::Volts));
        }
        figures.push(figure(dbfs_of(&power.power), Unit::Dbfs));
    }
}

/// What a level is known by beside its id and channel.
#[derive(Debug, Clone, Default)]
pub(super) struct Named {
    pub(super) order: Option<u32>,
    pub(super) weighting: Option<Weighting>,
    pub(super) band: Option<Band>,
    pub(super) conditions: Conditions,
}

/// Level of a mean square re that of a full-scale sine, ½, with the interval of the power.
pub(super) fn dbfs_of(power: &Estimate) -> Estimate {
    let db = |p: f64| 10.0 * (2.0 * p).log10();
    let level = without_reach(power).map(db(power.value), DB_PER_RELATIVE_POWER / power.value);
    let (low, high) = power.interval();
    let floor = level.value - TO_NOTHING_DB;
    let low = if low > 0.0 { db(low).max(floor) } else { floor };
    reaching(level, low, db(high))
}

/// Volts rms of a mean square, for an interface whose full-scale sine is `full_scale` volts rms; never below zero.
pub(super) fn volts_of(power: &Estimate, full_scale: &Estimate) -> Estimate {
    // 0 dBFS is a sine, whose rms is 1/√2 of full scale.
    let rms = (2.0 * power.value).sqrt();
    let volts = without_reach(power).map(rms, 1.0 / rms).times(full_scale);
    let (low, high) = power.interval();
    let away = |end: f64| {
        let own = (rms - (2.0 * end.max(0.0)).sqrt()) * full_scale.value;
        own.hypot(full_scale.expanded() * rms)
    };
    let (low, high) = ((volts.value - away(low)).max(0.0), volts.value + away(high));
    reaching(volts, low, high)
}

/// The budget alone: the reach of a power is carried over to a level by its ends, not by the slope in the middle.
fn without_reach(power: &Estimate) -> Estimate {
    let contributions = power.budget().iter().cloned();
    contributions.fold(Estimate::exact(power.value), Estimate::with_contribution)
}

/// Lets the interval of `estimate` reach down to `low` and up to `high`; where that makes it shorter it is left as it is.
fn reaching(estimate: Estimate, low: f64, high: f64) -> Estimate {
    let (below, above) = estimate.interval();
    estimate.with_reach(below - low, high - above)
}

/// Linear interpolation in the logarithm of frequency; the ends hold on.
fn interpolate(hz: &[f64], values: &[f64], at: f64) -> f64 {
    let next = hz.partition_point(|f| *f <= at);
    match (next.checked_sub(1), hz.get(next)) {
        (None, _) => values[0],
        (Some(last), None) => values[last],
        (Some(before), Some(after)) => {
            let t = if hz[before] > 0.0 {
                (at / hz[before]).ln() / (after / hz[before]).ln()
            } else {
                (at - hz[before]) / (after - hz[before])
            };
            values[before] + (values[next] - values[before]) * t
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_keeps_the_interval_of_its_power() {
        let power = Estimate::exact(0.5).with("x", 0.1);
        let level = dbfs_of(&power);
        // 10 lg(1 ± 0.4): +1.461 −2.218 dB around 0 dBFS; the upper side keeps the larger first-order reach.
        let (low, high) = level.interval();
        assert!(
            level.value.abs() < 1e-12 && (low + 2.218_487).abs() < 1e-5,
            "{low}"
        );
        assert!((high - 2.0 * DB_PER_RELATIVE_POWER * 0.2).abs() < 1e-9);
        let volts = volts_of(&power, &Estimate::exact(2.0));
        assert!((volts.value - 2.0).abs() < 1e-12);
        assert!((volts.interval().0 - 2.0 * 0.6f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn an_upper_limit_reaches_down_to_nothing() {
        let unit = UnitPower::below(1e-8, 0.1, "x", LimitedBy::RigNoise);
        let volts = volts_of(&unit.power, &Estimate::exact(1.0));
        assert!(volts.interval().0.abs() < 1e-12 && volts.expanded() > 0.0);
        let (low, high) = dbfs_of(&unit.power).interval();
        assert!((dbfs_of(&unit.power).value - low - TO_NOTHING_DB).abs() < 1e-9 && high.is_finite());
    }

    #[test]
    fn the_loopback_curve_is_read_between_its_points() {
        let (hz, db) = ([10.0, 1000.0], [-100.0, -120.0]);
        for (at, want) in [
            (1.0, -100.0),
            (10.0, -100.0),
            (100.0, -110.0),
            (1000.0, -120.0),
            (5e4, -120.0),
        ] {
            assert!((interpolate(&hz, &db, at) - want).abs() < 1e-12, "{at}");
        }
    }
}
