//! Channel balance.
//!
//! # Definition
//! `balance`: gain of the left channel − gain of the right channel, dB, at 1 kHz (of a sweep) or at the tone's frequency.
//! A sweep gives it as a curve too. `balance_max`: the same where it is largest in size inside the rated band (20 Hz to 20 kHz where
//! none is rated), as far as it was measured: the figure's band says how far.
//!
//! # Source
//! Common practice; IEC 60268-3 gives it as the gain difference between channels with the balance control centred.
//!
//! # Conditions
//! Both channels driven alike; frequency, level, mode, input, volume.
//!
//! # Assumptions
//! Without a rig both inputs and both outputs of the interface are taken as equally sensitive, which the notes say.
//! With a rig, its full-scale voltages, taps and pads of both channels are in the gains. Unequal levels of the two
//! channels' stimulus are taken off; without a stimulus both are taken as driven alike.
//!
//! # Uncertainty
//! Noise of either channel (Type A), gating, each channel's rig response and calibration. What both share, such as the
//! one meter that calibrated both, cancels by its sign.

use super::transfer::{
    Extreme, REFERENCE_HZ, SweepTake, Transfer, conditions, last_pair, of_setup, one_twice, sweeps,
};
use super::{Measurement, Next};
use crate::figure::{
    Band, Channel, Conditions, Curve, Driven, Figure, FigureId, Findings, NotMeasured, Unit,
};
use crate::quantity::{DB_PER_RELATIVE_AMPLITUDE, Estimate};
use crate::rig::Rig;
use crate::signal::stimulus::Signal;
use crate::take::{ChannelView, Content, Examined};

/// Two channels farther apart than this are not both driven, dB.
const BOTH_DRIVEN_WITHIN_DB: f64 = 20.0;

/// The measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Balance {
    /// Bands of the largest deviation.
    pub bands: Vec<Band>,
}

impl Default for Balance {
    fn default() -> Self {
        Self {
            bands: vec![Band::AUDIO],
        }
    }
}

impl Measurement for Balance {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let mut out = Findings::default();
        let Some(examined) = last_pair(takes).filter(|e| may_be_both(e)) else {
            return Next::Done(out);
        };
        if examined.is_one_twice(0, 1) {
            out.not_measured.push(one_twice(FigureId::Balance, Channel::Pair));
            return Next::Done(out);
        }
        if let Content::Tone(views) = &examined.content {
            of_tone(examined, views, rig, &mut out);
        }
        for take in sweeps(&[examined]) {
            self.of_sweep(&take, rig, &mut out);
        }
        Next::Done(out)
    }
}

impl Balance {
    fn of_sweep(&self, take: &SweepTake<'_>, rig: Option<&Rig>, out: &mut Findings) {
        let (Some(left), Some(right)) = (Transfer::of(take, 0, rig), Transfer::of(take, 1, rig)) else {
            return;
        };
        let pairs: Vec<(usize, usize)> = left
            .frequency
            .iter()
            .enumerate()
            .filter_map(|(i, hz)| right.index_of(*hz).map(|j| (i, j)))
            .filter(|(i, j)| left.is_there(*i) && right.is_there(*j))
            .collect();
        let Some(&reference) = pairs
            .iter()
            .find(|(i, _)| (left.frequency[*i] - REFERENCE_HZ).abs() < 1e-3)
        else {
            out.not_measured.push(no_reference());
            return;
        };
        let Some(calibration) = calibration(take.examined, rig, out) else {
            return;
        };
        let difference = |(i, j): (usize, usize)| left.db(i).minus(&right.db(j)).plus(&calibration);
        let at_reference = difference(reference);
        if known(take.examined).is_none() && at_reference.value.abs() > BOTH_DRIVEN_WITHIN_DB {
            return;
        }
        let figure = |id, estimate, hz| pair_figure(id, estimate, conditions(take, rig, Some(&left), hz));
        out.figures
            .push(figure(FigureId::Balance, at_reference, REFERENCE_HZ));
        let at = |p: &(usize, usize)| (left.frequency[p.0], difference(*p));
        let points: Vec<(f64, Estimate)> = pairs.iter().map(at).collect();
        let corrected = left.rig_u_db.is_some() && right.rig_u_db.is_some();
        out.curves.push(pair_curve(&points, corrected));
        for band in &self.bands {
            let inside: Vec<(usize, usize)> = pairs
                .iter()
                .copied()
                .filter(|(i, _)| band.counts(left.frequency[*i]))
                .collect();
            let (Some(first), Some(last)) = (inside.first(), inside.last()) else {
                continue;
            };
            let measured = Band {
                low_hz: left.frequency[first.0].max(band.low_hz),
                high_hz: left.frequency[last.0].min(band.high_hz),
            };
            let values: Vec<Estimate> = inside.iter().map(|p| difference(*p)).collect();
            let noise: Vec<f64> = inside
                .iter()
                .map(|(i, j)| {
                    DB_PER_RELATIVE_AMPLITUDE * left.relative_noise(*i).hypot(right.relative_noise(*j))
                })
                .collect();
            let Some((at, estimate)) = largest(&values, &noise) else {
                continue;
            };
            let mut figure = figure(FigureId::BalanceMax, estimate, left.frequency[inside[at].0]);
            figure.band = Some(measured);
            out.figures.push(figure);
        }
    }
}

/// The value that is largest in size, less what picking it among noisy ones adds, and where it stands.
fn largest(values: &[Estimate], noise: &[f64]) -> Option<(usize, Estimate)> {
    let sizes: Vec<f64> = values.iter().map(|v| v.value.abs()).collect();
    let extreme = Extreme::largest(&sizes, noise)?;
    let raw = values.get(extreme.at)?;
    let sign = raw.value.signum();
    let estimate = raw
        .clone()
        .shifted(-sign * extreme.bias)
        .with("extreme picked among noisy points", sign * extreme.bias / 2.0);
    Some((extreme.at, estimate))
}

/// Balance of a tone on both channels.
fn of_tone(examined: &Examined, views: &[ChannelView], rig: Option<&Rig>, out: &mut Findings) {
    let [left, right, ..] = views else {
        return;
    };
    let (Some(l), Some(r)) = (left.tones.first(), right.tones.first()) else {
        return;
    };
    let (l, r) = (&l.fundamental, &r.fundamental);
    let same = (l.frequency_hz - r.frequency_hz).abs() <= 0.001 * l.frequency_hz;
    let apart_db = 20.0 * (l.amplitude / r.amplitude).log10();
    if !same || (known(examined).is_none() && apart_db.abs() > BOTH_DRIVEN_WITHIN_DB) {
        return;
    }
    let Some(calibration) = calibration(examined, rig, out) else {
        return;
    };
    let level = |a: f64, u: f64, dof: f64, name: &'static str| {
        Estimate::exact(20.0 * a.log10()).with_observed(name, DB_PER_RELATIVE_AMPLITUDE * u / a, dof)
    };
    let estimate = level(l.amplitude, l.amplitude_u, l.dof, "noise of the left channel")
        .minus(&level(
            r.amplitude,
            r.amplitude_u,
            r.dof,
            "noise of the right channel",
        ))
        .plus(&calibration);
    let setup = &examined.take.setup;
    let conditions = Conditions {
        frequency_hz: Some(l.frequency_hz),
        ..of_setup(setup, rig, 0, Some(20.0 * l.amplitude.log10()))
    };
    out.figures
        .push(pair_figure(FigureId::Balance, estimate, conditions));
}

fn no_reference() -> NotMeasured {
    NotMeasured {
        id: FigureId::Balance,
        channel: Channel::Pair,
        code: "no_reference".to_owned(),
        reason: "there is no sweep at 1 kHz on both channels; drive both, and sweep from below 20 Hz to above 20 kHz"
            .to_owned(),
    }
}

fn pair_curve(points: &[(f64, Estimate)], corrected_for_rig: bool) -> Curve {
    Curve {
        id: FigureId::Balance,
        channel: Channel::Pair,
        order: None,
        x: points.iter().map(|(hz, _)| *hz).collect(),
        x_unit: Unit::Hertz,
        y: points.iter().map(|(_, difference)| difference.value).collect(),
        y_unit: Unit::Decibels,
        u: points
            .iter()
            .map(|(_, difference)| difference.standard_uncertainty())
            .collect(),
        corrected_for_rig,
    }
}

fn pair_figure(id: FigureId, estimate: Estimate, conditions: Conditions) -> Figure {
    Figure {
        id,
        channel: Channel::Pair,
        estimate,
        unit: Unit::Decibels,
        db: None,
        order: None,
        weighting: None,
        band: None,
        conditions,
        limited_by: None,
        upper_limit: false,
    }
}

/// Which channels were driven, from the setup or the stimulus.
fn known(examined: &Examined) -> Option<Driven> {
    examined.take.setup.driven.or_else(|| {
        let stimulus = examined.take.stimulus.as_ref()?;
        let on = |i| !matches!(stimulus.channel(i), Some(Signal::Silence) | None);
        match (on(0), on(1)) {
            (true, true) => Some(Driven::Both),
            (true, false) => Some(Driven::Left),
            (false, true) => Some(Driven::Right),
            (false, false) => None,
        }
    })
}

fn may_be_both(examined: &Examined) -> bool {
    known(examined).is_none_or(|d| d == Driven::Both)
}

/// What has to be added to left − right in full-scale units for the difference of the unit's gains, dB.
///
/// `None`, with a note, where a rig is given that does not have both channels.
fn calibration(examined: &Examined, rig: Option<&Rig>, out: &mut Findings) -> Option<Estimate> {
    let Some(rig) = rig else {
        let note = "balance is raw: without a rig file the interface's own channel difference is in it";
        if !out.notes.iter().any(|n| n == note) {
            out.notes.push(note.to_owned());
        }
        // Both figures and limits need an interval: half a last digit of a display in hundredths.
        let raw = Estimate::exact(-drive_difference_db(examined));
        return Some(raw.with_resolution("resolution", 0.001));
    };
    let setup = &examined.take.setup;
    let pad = |channel: usize| match &setup.pad {
        Some(name) => rig
            .pads
            .iter()
            .find(|p| &p.name == name)
            .and_then(|p| p.ratio.get(channel))
            .map(crate::rig::Calibrated::estimate),
        None => Some(Estimate::exact(1.0)),
    };
    let gain = |channel: usize| {
        let output = rig.channels.get(channel)?.output_full_scale_v.estimate();
        let input = rig.volts_at_full_scale(channel, setup.tap.as_deref())?;
        Some(input.over(&output.times(&pad(channel)?)).amplitude_to_db())
    };
    let (left, right) = (gain(0), gain(1));
    let drive = drive_difference_db(examined);
    if left.is_none() || right.is_none() {
        out.not_measured.push(NotMeasured {
            id: FigureId::Balance,
            channel: Channel::Pair,
            code: "uncalibrated".to_owned(),
            reason: "the rig file does not calibrate both channels, or not the tap or pad that was used; add them to it".to_owned(),
        });
    }
    Some(left?.minus(&right?).shifted(-drive))
}

/// How much harder the left channel was driven than the right, dB, in units of full scale. The generator sets each
/// channel's level by its own gain, so the two are rarely equal.
fn drive_difference_db(examined: &Examined) -> f64 {
    let level = |channel: usize| match examined.take.stimulus.as_ref()?.channel(channel)? {
        Signal::Tone { level_dbfs, .. } | Signal::Sweep { level_dbfs, .. } => Some(*level_dbfs),
        _ => None,
    };
    level(0).zip(level(1)).map_or(0.0, |(left, right)| left - right)
}
