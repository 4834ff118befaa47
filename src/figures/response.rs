//! Frequency response, phase, group delay and harmonics against frequency, from a swept sine.
//!
//! # Definition
//! `response`: gain re the gain at 1 kHz, dB. `response_max`, `response_min`: its extremes inside the rated band (20 Hz
//! to 20 kHz where none is rated), as far as it was swept. `corner_low`, `corner_high`: the half-power points
//! (10 lg ½ = −3.01 dB re 1 kHz) next to 1 kHz on either side. `phase` and `group_delay`: argument of the gain and
//! −dφ/dω, the path's own delay taken out. `harmonic_response`: amplitude of H2…H5 against the frequency of the
//! fundamental, dB re the fundamental there.
//!
//! # Source
//! Synchronised exponential sweep: Novak, Lotton and Simon, JAES 63(10), 2015. The delay that is taken out is the one
//! that leaves the phase of a minimum-phase network (Bode 1945), so a first-order corner shows its −45°.
//!
//! # Conditions
//! Level and load while the sweep ran, driven channels, mode and input; the frequency of an extreme.
//!
//! # Assumptions
//! One steady amplifier while the sweep ran (checked before). With a rig its complex loopback response is divided out;
//! without, the curves are those of unit and interface together and say so. Harmonics carry the rig's own: they are
//! never subtracted, and points below twice their noise floor are left out.
//!
//! # Uncertainty
//! Noise beside each point (Type A), gating of the impulse response, the rig's stored response; for an extreme the
//! bias of picking it among noisy points is taken off, and half of it stays as an uncertainty. A corner has that of the
//! gain there and at 1 kHz, divided by the slope.

use super::transfer::{Extreme, REFERENCE_HZ, RigResponse, SweepTake, Transfer, conditions, sweeps};
use super::{Measurement, Next};
use crate::dsp::sweep::HigherTransfer;
use crate::figure::{Band, Channel, Curve, Figure, FigureId, Findings, NotMeasured, Unit};
use crate::quantity::{DB_PER_RELATIVE_AMPLITUDE, Decibels, Estimate, significant};
use crate::rig::Rig;
use crate::take::Examined;
use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// The single figures of a response.
const FIGURES: [FigureId; 4] = [
    FigureId::ResponseMax,
    FigureId::ResponseMin,
    FigureId::CornerLow,
    FigureId::CornerHigh,
];

/// Last digit of a gain, dB: all that is uncertain about an extreme that is the reference itself.
const RESOLUTION_DB: f64 = 0.001;

/// The measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Bands of the extremes, each with its own highest and lowest point.
    pub bands: Vec<Band>,
}

impl Default for Response {
    fn default() -> Self {
        Self {
            bands: vec![Band::AUDIO],
        }
    }
}

impl Measurement for Response {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let mut findings = Findings::default();
        for take in sweeps(takes) {
            for index in 0..take.analysis.channels.len() {
                findings.extend(self.driven_channel(&take, index, rig));
            }
        }
        Next::Done(findings)
    }
}

impl Response {
    /// Findings of the channel at `index`, if it was driven.
    fn driven_channel(&self, take: &SweepTake<'_>, index: usize, rig: Option<&Rig>) -> Findings {
        let driven = take.examined.take.setup.driven.map(|d| d.includes(index));
        let there = take.analysis.channels[index].polarity != 0;
        match (driven, there) {
            (Some(true) | None, true) => self.channel(take, index, rig),
            (Some(true), false) => {
                let reason =
                    "the sweep is not on this channel; check its cable, the balance and the input selector";
                none_of(Channel::at(index), "no_signal", reason)
            }
            (Some(false), _) | (None, false) => Findings::default(),
        }
    }

    fn channel(&self, take: &SweepTake<'_>, index: usize, rig: Option<&Rig>) -> Findings {
        let mut out = Findings::default();
        let channel = Channel::at(index);
        let Some(transfer) = Transfer::of(take, index, rig) else {
            return out;
        };
        let Some(reference) = transfer.index_of(REFERENCE_HZ).filter(|i| transfer.is_there(*i)) else {
            let reason = "the sweep does not pass 1 kHz, which a response refers to; sweep from below 20 Hz to above 20 kHz";
            return none_of(channel, "no_reference", reason);
        };
        let relative: Vec<Estimate> = (0..transfer.frequency.len())
            .map(|i| transfer.db(i).minus(&transfer.db(reference)))
            .collect();
        let seen = Seen {
            take,
            rig,
            transfer: &transfer,
            relative: &relative,
            reference,
        };
        out.curves.extend(seen.curves());
        out.curves
            .extend(seen.harmonics(&take.analysis.channels[index].higher));
        for band in &self.bands {
            seen.extremes(*band, &mut out);
        }
        for high in [false, true] {
            seen.corner(high, &mut out);
        }
        out
    }
}

fn not_measured(id: FigureId, channel: Channel, code: &str, reason: impl Into<String>) -> NotMeasured {
    NotMeasured {
        id,
        channel,
        code: code.to_owned(),
        reason: reason.into(),
    }
}

/// All figures of a response missing for one reason.
fn none_of(channel: Channel, code: &str, reason: &str) -> Findings {
    Findings {
        not_measured: FIGURES
            .iter()
            .map(|id| not_measured(*id, channel, code, reason))
            .collect(),
        ..Findings::default()
    }
}

/// One channel's response with all that its figures need.
struct Seen<'a> {
    take: &'a SweepTake<'a>,
    rig: Option<&'a Rig>,
    transfer: &'a Transfer,
    /// dB re 1 kHz.
    relative: &'a [Estimate],
    /// Index of 1 kHz.
    reference: usize,
}

impl Seen<'_> {
    fn figure(&self, id: FigureId, estimate: Estimate, unit: Unit, hz: f64) -> Figure {
        let mut conditions = conditions(self.take, self.rig, Some(self.transfer), hz);
        conditions.reference = Some("gain at 1 kHz".to_owned());
        Figure {
            id,
            channel: self.transfer.channel,
            estimate,
            unit,
            db: None,
            order: None,
            weighting: None,
            band: None,
            conditions,
            limited_by: None,
            upper_limit: false,
        }
    }

    fn curve(&self, id: FigureId, y: Vec<f64>, u: Vec<f64>, y_unit: Unit) -> Curve {
        Curve {
            id,
            channel: self.transfer.channel,
            order: None,
            x: self.transfer.frequency.clone(),
            x_unit: Unit::Hertz,
            y,
            y_unit,
            u,
            corrected_for_rig: self.transfer.rig_u_db.is_some(),
        }
    }

    fn curves(&self) -> [Curve; 3] {
        let response = self.relative.iter().map(|e| e.value).collect();
        let response_u = self.relative.iter().map(Estimate::standard_uncertainty).collect();
        let phase = self.phase();
        // What gating may do to a magnitude it may do to the phase: 1 dB is 0.115 of the gain, so 0.115 rad.
        let phase_noise: Vec<f64> = (0..phase.len())
            .map(|i| {
                let gating = self.transfer.gating_db[i] / 3f64.sqrt() / DB_PER_RELATIVE_AMPLITUDE;
                self.transfer.relative_noise(i).hypot(gating)
            })
            .collect();
        let phase_u = phase_noise.iter().map(|u| u.to_degrees()).collect();
        let (delay, delay_u) = group_delay(&self.transfer.frequency, &phase, &phase_noise);
        [
            self.curve(FigureId::Response, response, response_u, Unit::Decibels),
            self.curve(
                FigureId::Phase,
                phase.iter().map(|p| p.to_degrees()).collect(),
                phase_u,
                Unit::Degrees,
            ),
            self.curve(FigureId::GroupDelay, delay, delay_u, Unit::Seconds),
        ]
    }

    /// Continuous phase, radians, between −π and π at 1 kHz.
    fn phase(&self) -> Vec<f64> {
        let gain = &self.transfer.gain;
        let mut phase: Vec<f64> = gain.iter().map(|h| h.arg()).collect();
        for i in self.reference + 1..phase.len() {
            phase[i] = phase[i - 1] + turn(phase[i] - phase[i - 1]);
        }
        for i in (0..self.reference).rev() {
            phase[i] = phase[i + 1] + turn(phase[i] - phase[i + 1]);
        }
        phase
    }

    fn extremes(&self, band: Band, out: &mut Findings) {
        let inside: Vec<usize> = (0..self.relative.len())
            .filter(|&i| band.counts(self.transfer.frequency[i]))
            .collect();
        let (Some(&first), Some(&last)) = (inside.first(), inside.last()) else {
            return;
        };
        let measured = Band {
            low_hz: self.transfer.frequency[first].max(band.low_hz),
            high_hz: self.transfer.frequency[last].min(band.high_hz),
        };
        if measured.low_hz > band.low_hz * 1.02 || measured.high_hz < band.high_hz / 1.02 {
            out.notes.push(format!(
                "response of the {} channel: measured from {:.1} Hz to {:.0} Hz only",
                self.transfer.channel, measured.low_hz, measured.high_hz
            ));
        }
        for (id, sign) in [(FigureId::ResponseMax, 1.0), (FigureId::ResponseMin, -1.0)] {
            let values: Vec<f64> = inside.iter().map(|&i| sign * self.relative[i].value).collect();
            let noise: Vec<f64> = inside
                .iter()
                .map(|&i| DB_PER_RELATIVE_AMPLITUDE * self.transfer.relative_noise(i))
                .collect();
            let Some(extreme) = Extreme::largest(&values, &noise) else {
                continue;
            };
            let i = inside[extreme.at];
            let estimate = self.relative[i]
                .shifted(-sign * extreme.bias)
                .with("extreme picked among noisy points", sign * extreme.bias / 2.0)
                .with_resolution("resolution", RESOLUTION_DB);
            let mut figure = self.figure(id, estimate, Unit::Decibels, self.transfer.frequency[i]);
            figure.band = Some(measured);
            out.figures.push(figure);
        }
    }

    /// The half-power point on one side of 1 kHz.
    fn corner(&self, high: bool, out: &mut Findings) {
        let id = if high {
            FigureId::CornerHigh
        } else {
            FigureId::CornerLow
        };
        let f = &self.transfer.frequency;
        let half_power = Decibels::from_power_ratio(0.5).0;
        let below = |i: &usize| self.relative[*i].value < half_power;
        let outer = if high {
            (self.reference..f.len()).find(below)
        } else {
            (0..self.reference).rev().find(below)
        };
        let Some(outer) = outer else {
            let end = if high { f.len() - 1 } else { 0 };
            let reason = format!(
                "beyond the measured band: the response is still {} at {} Hz; to find it, sweep {}",
                decibels_in_words(self.relative[end].value),
                significant(f[end], 3),
                if high {
                    "to a higher frequency, at a higher sample rate"
                } else {
                    "from a lower frequency"
                }
            );
            out.not_measured
                .push(not_measured(id, self.transfer.channel, "beyond_band", reason));
            return;
        };
        let inner = if high { outer - 1 } else { outer + 1 };
        let (y0, y1) = (&self.relative[inner], &self.relative[outer]);
        let slope = (y1.value - y0.value) / (f[outer] / f[inner]).ln();
        let share = (half_power - y0.value) / (y1.value - y0.value);
        let hz = f[inner] * (f[outer] / f[inner]).powf(share);
        // An error of the gain moves the crossing by its size over the slope; both neighbours err alike.
        let nearer = if share < 0.5 { y0 } else { y1 };
        let estimate = nearer.map(hz, -hz / slope).with_limits(
            "corner interpolated between points",
            0.1 * (f[outer] - f[inner]).abs(),
        );
        out.figures.push(self.figure(id, estimate, Unit::Hertz, hz));
    }

    /// The harmonics' curves, where they stand above their floors inside the measured band.
    fn harmonics(&self, higher: &[HigherTransfer]) -> Vec<Curve> {
        let Some(index) = self.transfer.channel.index() else {
            return Vec::new();
        };
        let linear = &self.take.analysis.channels[index].linear;
        let own = self
            .rig
            .and_then(|r| RigResponse::of(r, index, self.take.sweep.level_dbfs));
        let mut curves = Vec::new();
        for h in higher {
            let rig_ratio = own
                .as_ref()
                .and_then(|o| o.loopback.harmonics_db.get(h.order as usize - 2))
                .map_or(0.0, |db| 10f64.powf(db / 20.0));
            let mut curve = self.curve(FigureId::HarmonicResponse, Vec::new(), Vec::new(), Unit::Decibels);
            curve.x.clear();
            curve.order = Some(h.order);
            for (i, hz) in self
                .take
                .analysis
                .frequency_hz
                .iter()
                .enumerate()
                .take(h.values.len())
            {
                let correction = match &own {
                    Some(own) => own
                        .at(*hz)
                        .zip(own.at(f64::from(h.order) * hz))
                        .map(|(fundamental, harmonic)| (fundamental / harmonic).norm()),
                    None => Some(1.0),
                };
                let (value, floor) = (h.values[i].norm(), h.floor[i]);
                let Some(correction) = correction.filter(|_| value > 2.0 * floor && linear[i].norm() > 0.0)
                else {
                    continue;
                };
                let ratio = value / linear[i].norm() * correction;
                // The rig's own harmonic adds at an unknown phase: u = r/√2 (arcsine), relative to what is there.
                let relative_u = (floor * FRAC_1_SQRT_2 / value).hypot(rig_ratio * FRAC_1_SQRT_2 / ratio);
                curve.x.push(*hz);
                curve.y.push(20.0 * ratio.log10());
                curve.u.push(DB_PER_RELATIVE_AMPLITUDE * relative_u);
            }
            if !curve.x.is_empty() {
                curves.push(curve);
            }
        }
        curves
    }
}

/// A gain to a hundredth of a decibel, with a true minus and no sign at zero.
fn decibels_in_words(db: f64) -> String {
    let size = format!("{:.2} dB", db.abs());
    if size == "0.00 dB" {
        return size;
    }
    format!("{}{size}", if db < 0.0 { '−' } else { '+' })
}

/// An angle between −π and π.
fn turn(angle: f64) -> f64 {
    angle - 2.0 * PI * (angle / (2.0 * PI)).round()
}

/// −dφ/dω by the slope of a parabola through each point and its second neighbours, and its standard uncertainty.
fn group_delay(frequency: &[f64], phase: &[f64], noise: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let n = frequency.len();
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(2), (i + 2).min(n - 1));
            let slope = |from: usize, to: usize| {
                (phase[to] - phase[from]) / (2.0 * PI * (frequency[to] - frequency[from]))
            };
            let value = if a == i || b == i {
                slope(a, b)
            } else {
                // Unequal steps: each side's slope weighs with the length of the other.
                let (before, after) = (frequency[i] - frequency[a], frequency[b] - frequency[i]);
                (slope(a, i) * after + slope(i, b) * before) / (before + after)
            };
            let u = noise[a].hypot(noise[b]) / (2.0 * PI * (frequency[b] - frequency[a]));
            (-value, u)
        })
        .unzip()
}
