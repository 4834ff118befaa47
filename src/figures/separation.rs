//! Channel separation.
//!
//! # Definition
//! Level of the driven channel's output re the level of the same signal at the undriven channel's output, dB. Selective
//! (at the signal's frequency), so noise and hum do not count. Given for the undriven channel, at 1 kHz and 10 kHz and
//! as a curve from a sweep, or at the tone's frequency.
//!
//! # Source
//! IEC 60268-3 (separation between channels, selective).
//!
//! # Conditions
//! One channel driven, the other's input terminated (`termination`); frequency, level at the driven output, load.
//!
//! # Assumptions
//! The interface's own crosstalk is in it. Without a rig both inputs are taken as equally sensitive.
//!
//! # Uncertainty
//! Noise of both channels at that frequency, gating, the inputs' calibration (what both share cancels). Crosstalk m
//! in noise of standard deviation s a part is told from noise when m > 3.5 s (noise alone reaches that in 0.2 % of
//! cases: e^{−3.5²/2}). Otherwise the figure is the separation of a crosstalk of m + 2 s, flagged as a limit: the
//! separation is that or better, and its interval reaches far up.

use super::transfer::{
    NOISE_DOF, REFERENCE_HZ, SweepTake, Transfer, conditions, last_pair, of_setup, one_twice, sweeps,
};
use super::unit_power::TO_NOTHING_DB;
use super::{Measurement, Next};
use crate::dsp::tone::Fundamental;
use crate::figure::{
    Channel, Conditions, Curve, Driven, Figure, FigureId, Findings, LimitedBy, NotMeasured, Unit,
};
use crate::quantity::{DB_PER_RELATIVE_AMPLITUDE, Estimate};
use crate::rig::Rig;
use crate::signal::stimulus::Signal;
use crate::take::recognise::CROSSTALK;
use crate::take::{ChannelView, Content, Examined};

/// Frequencies at which separation is stated, Hz.
const STATED_HZ: [f64; 2] = [REFERENCE_HZ, 10_000.0];

/// Crosstalk above this many standard deviations of its noise is there.
const TOLD_FROM_NOISE: f64 = 3.5;

/// The measurement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Separation;

impl Measurement for Separation {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let mut out = Findings::default();
        let pair = last_pair(takes).and_then(|e| Some((e, one_driven(e)?)));
        let Some((examined, (driven, quiet))) = pair else {
            return Next::Done(out);
        };
        if examined.is_one_twice(driven, quiet) {
            out.not_measured
                .push(one_twice(FigureId::Separation, Channel::at(quiet)));
            return Next::Done(out);
        }
        if let Content::Tone(views) = &examined.content {
            of_tone(examined, views, (driven, quiet), rig, &mut out);
        }
        for take in sweeps(&[examined]) {
            of_sweep(&take, driven, quiet, rig, &mut out);
        }
        Next::Done(out)
    }
}

/// Indices of the driven and the undriven channel, where exactly one was driven.
fn one_driven(examined: &Examined) -> Option<(usize, usize)> {
    let stimulus = examined.take.stimulus.as_ref();
    let silent = |i| stimulus.is_some_and(|s| matches!(s.channel(i), Some(Signal::Silence) | None));
    match examined.take.setup.driven {
        Some(Driven::Left) => Some((0, 1)),
        Some(Driven::Right) => Some((1, 0)),
        Some(Driven::Both) => None,
        None => match (silent(0), silent(1)) {
            (false, true) => Some((0, 1)),
            (true, false) => Some((1, 0)),
            _ => None,
        },
    }
}

/// Crosstalk as measured: its size and the standard deviation of each part of its noise, same scale.
#[derive(Debug, Clone, Copy)]
struct Crosstalk {
    size: f64,
    noise: f64,
    dof: f64,
}

impl Crosstalk {
    fn is_limit(self) -> bool {
        self.size <= TOLD_FROM_NOISE * self.noise
    }

    /// Its level in dB: the size with the noise's power taken off, or the largest that noise could hide.
    fn db(self, name: String) -> Estimate {
        if self.is_limit() {
            let hidden = self.size + 2.0 * self.noise;
            return Estimate::exact(20.0 * hidden.max(f64::MIN_POSITIVE).log10())
                .with_reach(TO_NOTHING_DB, 0.0);
        }
        // E|m|² = c² + 2s²: noise makes small crosstalk look larger.
        let size = (self.size * self.size - 2.0 * self.noise * self.noise).sqrt();
        Estimate::exact(20.0 * size.log10()).with_observed(
            name,
            DB_PER_RELATIVE_AMPLITUDE * self.noise / size,
            self.dof,
        )
    }
}

fn of_sweep(take: &SweepTake<'_>, driven: usize, quiet: usize, rig: Option<&Rig>, out: &mut Findings) {
    let (Some(on), Some(off)) = (Transfer::of(take, driven, rig), Transfer::of(take, quiet, rig)) else {
        out.not_measured.push(one_channel(quiet));
        return;
    };
    let Some(calibration) = calibration(take.examined, driven, quiet, rig, out) else {
        return;
    };
    // A gate of a sweep gathers about a twentieth of the rms of the rounding noise.
    let rounding = 0.05 * rounding_noise(take.examined) / take.sweep.amplitude();
    let at = |hz: f64| {
        let (i, j) = (on.index_of(hz).filter(|i| on.is_there(*i))?, off.index_of(hz)?);
        let crosstalk = Crosstalk {
            size: off.gain[j].norm(),
            noise: off.noise[j].max(rounding),
            dof: NOISE_DOF,
        };
        let name = format!("noise of the {} channel at {hz:.1} Hz", off.channel);
        let estimate = on.db(i).minus(&crosstalk.db(name)).plus(&calibration);
        Some((estimate, crosstalk.is_limit()))
    };
    for hz in STATED_HZ {
        let Some((estimate, limit)) = at(hz) else {
            out.not_measured.push(NotMeasured {
                id: FigureId::Separation,
                channel: off.channel,
                code: "beyond_band".to_owned(),
                reason: format!(
                    "the driven channel has no sweep at {hz:.0} Hz; sweep from below 20 Hz to above 20 kHz"
                ),
            });
            continue;
        };
        if swapped(&estimate, off.channel, out) {
            return;
        }
        out.figures.push(figure(
            off.channel,
            estimate,
            limit,
            conditions(take, rig, Some(&on), hz),
        ));
    }
    let points: Vec<(f64, Estimate)> = on
        .frequency
        .iter()
        .filter_map(|hz| at(*hz).filter(|(_, limit)| !limit).map(|(e, _)| (*hz, e)))
        .collect();
    if !points.is_empty() {
        out.curves.push(Curve {
            id: FigureId::Separation,
            channel: off.channel,
            order: None,
            x: points.iter().map(|p| p.0).collect(),
            x_unit: Unit::Hertz,
            y: points.iter().map(|p| p.1.value).collect(),
            y_unit: Unit::Decibels,
            u: points.iter().map(|p| p.1.standard_uncertainty()).collect(),
            corrected_for_rig: on.rig_u_db.is_some() && off.rig_u_db.is_some(),
        });
    }
}

fn of_tone(
    examined: &Examined,
    views: &[ChannelView],
    (driven, quiet): (usize, usize),
    rig: Option<&Rig>,
    out: &mut Findings,
) {
    let (Some(on), Some(off)) = (views.get(driven), views.get(quiet)) else {
        out.not_measured.push(one_channel(quiet));
        return;
    };
    let Some(tone) = on.tones.first().map(|t| &t.fundamental) else {
        out.not_measured.push(NotMeasured {
            id: FigureId::Separation,
            channel: Channel::at(quiet),
            code: "no_signal".to_owned(),
            reason: format!(
                "there is no tone on the {} channel, which was to be driven; check the channels",
                Channel::at(driven)
            ),
        });
        return;
    };
    let hz = tone.frequency_hz;
    let is_own = |f: &Fundamental| {
        !same_tone(f.frequency_hz, hz) && f.amplitude.powi(2) > CROSSTALK * tone.amplitude.powi(2)
    };
    if off.tones.iter().any(|t| is_own(&t.fundamental)) {
        out.not_measured.push(own_tone(quiet));
        return;
    }
    let Some(calibration) = calibration(examined, driven, quiet, rig, out) else {
        return;
    };
    let crosstalk = crosstalk_of(off, hz, examined);
    let level = Estimate::exact(20.0 * tone.amplitude.log10()).with_observed(
        format!("noise of the {} channel", Channel::at(driven)),
        DB_PER_RELATIVE_AMPLITUDE * tone.amplitude_u / tone.amplitude,
        tone.dof,
    );
    let name = format!("noise of the {} channel", Channel::at(quiet));
    let estimate = level.minus(&crosstalk.db(name)).plus(&calibration);
    if swapped(&estimate, Channel::at(quiet), out) {
        return;
    }
    let conditions = Conditions {
        frequency_hz: Some(hz),
        ..of_setup(
            &examined.take.setup,
            rig,
            driven,
            Some(20.0 * tone.amplitude.log10()),
        )
    };
    out.figures.push(figure(
        Channel::at(quiet),
        estimate,
        crosstalk.is_limit(),
        conditions,
    ));
}

/// What an undriven channel holds at `hz`.
fn crosstalk_of(view: &ChannelView, hz: f64, examined: &Examined) -> Crosstalk {
    let floor = part_noise(view, hz, examined);
    view.tones
        .iter()
        .map(|t| &t.fundamental)
        .find(|f| same_tone(f.frequency_hz, hz))
        .map_or(
            Crosstalk {
                size: floor,
                noise: floor,
                dof: NOISE_DOF,
            },
            |f| Crosstalk {
                size: f.amplitude,
                noise: f.amplitude_u.max(floor),
                dof: f.dof,
            },
        )
}

/// Whether the channel that was to be quiet is the louder one; then says so.
fn swapped(separation: &Estimate, quiet: Channel, out: &mut Findings) -> bool {
    let swapped = separation.value < 0.0;
    if swapped {
        out.not_measured.push(NotMeasured {
            id: FigureId::Separation,
            channel: quiet,
            code: "swapped".to_owned(),
            reason: "the channel that was not driven is the louder one: left and right are swapped, or the other channel was driven; check the cables".to_owned(),
        });
    }
    swapped
}

/// Standard deviation of each part of a sine's amplitude in noise of the density around `hz`: √(2·S/T) (the Cramér–Rao
/// bound σ√(2/M) of the sine fit, with σ² = S·f_s/2), and no less than rounding alone leaves.
fn part_noise(view: &ChannelView, hz: f64, examined: &Examined) -> f64 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a bin number; the cast saturates"
    )]
    let centre = (hz / view.spectrum.bin_hz).round() as usize;
    let density = &view.spectrum.density;
    let near = density
        .get(centre.saturating_sub(20).min(density.len())..(centre + 21).min(density.len()))
        .unwrap_or_default();
    let mut sorted = near.to_vec();
    sorted.sort_by(f64::total_cmp);
    let median = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let format = examined.take.source.format();
    let rounding = 2.0 * rounding_noise(examined).powi(2) / f64::from(format.sample_rate_hz);
    (2.0 * median.max(rounding) / format.seconds()).sqrt()
}

/// rms of the rounding of the capture's samples (step/√12); floats as good as 24 bits.
fn rounding_noise(examined: &Examined) -> f64 {
    let step = examined.take.source.format().encoding.step();
    step.unwrap_or((-23f64).exp2()) / 12f64.sqrt()
}

fn figure(channel: Channel, estimate: Estimate, upper_limit: bool, conditions: Conditions) -> Figure {
    Figure {
        id: FigureId::Separation,
        channel,
        estimate,
        unit: Unit::Decibels,
        db: None,
        order: None,
        weighting: None,
        band: None,
        conditions: Conditions {
            reference: Some("level of the driven channel".to_owned()),
            ..conditions
        },
        limited_by: upper_limit.then_some(LimitedBy::RigNoise),
        upper_limit,
    }
}

fn same_tone(a_hz: f64, b_hz: f64) -> bool {
    (a_hz - b_hz).abs() <= 0.001 * b_hz
}

fn own_tone(quiet: usize) -> NotMeasured {
    NotMeasured {
        id: FigureId::Separation,
        channel: Channel::at(quiet),
        code: "own_signal".to_owned(),
        reason: "this channel carries a tone of its own, so it was driven too; drive one channel and terminate the \
                 other's input"
            .to_owned(),
    }
}

fn one_channel(quiet: usize) -> NotMeasured {
    NotMeasured {
        id: FigureId::Separation,
        channel: Channel::at(quiet),
        code: "no_signal".to_owned(),
        reason: "the capture has no undriven channel; record both channels while one is driven".to_owned(),
    }
}

/// What has to be added to driven − undriven in full-scale units for the ratio of the unit's output voltages, dB.
fn calibration(
    examined: &Examined,
    driven: usize,
    quiet: usize,
    rig: Option<&Rig>,
    out: &mut Findings,
) -> Option<Estimate> {
    let Some(rig) = rig else {
        // Half a last digit of a display in hundredths; the interface's own imbalance is an assumption, see above.
        return Some(Estimate::exact(0.0).with_resolution("resolution", 0.001));
    };
    let tap = examined.take.setup.tap.as_deref();
    let volts = |channel| rig.volts_at_full_scale(channel, tap).map(|v| v.amplitude_to_db());
    let (on, off) = (volts(driven), volts(quiet));
    if on.is_none() || off.is_none() {
        out.not_measured.push(NotMeasured {
            id: FigureId::Separation,
            channel: Channel::at(quiet),
            code: "uncalibrated".to_owned(),
            reason:
                "the rig file does not calibrate both channels through the tap that was used; add them to it"
                    .to_owned(),
        });
    }
    Some(on?.minus(&off?))
}
