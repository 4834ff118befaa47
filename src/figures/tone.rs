//! Frequency and level of a steady sine.
//!
//! **Definition.** `frequency`: of the fitted fundamental, by the capture's own clock. `level`: rms of the fundamental
//! alone; 0 dBFS is the rms of a full-scale sine. With a rig also in volts rms and dBV at the unit's output.
//!
//! **Source.** Sine fit: IEEE 1057 ([`crate::dsp::tone`]). Full scale: AES17.
//!
//! **Conditions.** Driven channels, mode, input, volume and load come from the take's setup. A channel that was not
//! driven has neither: what it carries is the business of the separation.
//!
//! **Assumptions.** The tone is steady; its frequency may drift slowly. Volts hold for the tap named in the setup.
//!
//! **Uncertainty.** Repeatability: noise beside the line, or the scatter of segments where that is larger. Resolution of
//! the converter, where the noise does not smooth its steps. In volts the calibration, and the rig's response between
//! the frequency it was calibrated at and this one: of its loopback's height there half is taken out as the input's most
//! likely share, half is the uncertainty.
//!
//! A level that changed during the take has the mean as its value; a note says by about how much it changed. Of two
//! sines `order` 1 is the stronger; of two as strong, the lower.

use super::unit_power::Chain;
use super::{Measurement, Next};
use crate::dsp::tone::{Fundamental, ToneAnalysis};
use crate::figure::{Channel, Conditions, Driven, Figure, FigureId, Findings, LimitedBy, NotMeasured, Unit};
use crate::quantity::{Dbfs, Decibels, Estimate};
use crate::rig::Rig;
use crate::signal::stimulus::{Signal, Stimulus};
use crate::signal::take::Setup;
use crate::take::{ChannelView, Content, Examined};

/// No relative uncertainty is stated smaller: a synthetic signal may repeat exactly.
pub(super) const LEAST_RELATIVE_U: f64 = 1e-12;

/// A line this many standard uncertainties high is one: noise alone comes as high once in a thousand (e^{−x²/2}).
pub(super) const DISTINCT: f64 = 3.72;

/// Residual noise from this many steps (rms) on makes quantisation a noise as well. Steps alone leave 1/√12 = 0.29;
/// dither of triangular density and two steps' width (TPDF), with which nothing of the step remains in the mean, leaves
/// 0.50 (Lipshitz, Wannamaker and Vanderkooy, J. Audio Eng. Soc. 40(5), 1992).
const SMOOTHING_STEPS: f64 = 0.35;

/// Segments whose levels scatter more than this, as dB of the level, and by this many times what noise explains are of a
/// level that changed.
const CHANGED_DB: f64 = 0.02;
const CHANGED_TIMES_NOISE: f64 = 5.0;

/// Two sines within this of each other are as strong.
const AS_STRONG_DB: f64 = 0.1;

/// Measures frequency and level of every steady sine.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Tone;

impl Measurement for Tone {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let Some(take) = last_tones(takes) else {
            return play_tone();
        };
        let mut findings = Findings::default();
        for channel in channels(take, rig) {
            let ids = [FigureId::Frequency, FigureId::Level];
            match channel.refusal(&ids) {
                Some(refusals) => findings.not_measured.extend(refusals),
                None => channel.frequencies_and_levels(&mut findings),
            }
        }
        Next::Done(findings)
    }
}

/// The last take of one or two sines.
fn last_tones<'a>(takes: &[&'a Examined]) -> Option<&'a Examined> {
    let steady = |t: &&&Examined| matches!(t.content, Content::Tone(_) | Content::TwoTone(_));
    takes.iter().rev().find(steady).copied()
}

/// The last take of one sine.
pub(super) fn last_tone<'a>(takes: &[&'a Examined]) -> Option<&'a Examined> {
    takes
        .iter()
        .rev()
        .find(|t| matches!(t.content, Content::Tone(_)))
        .copied()
}

/// Asks for a plain tone, well below what any unit is rated for.
pub(super) fn play_tone() -> Next {
    let tone = Signal::Tone {
        frequency_hz: 1000.0,
        level_dbfs: -20.0,
    };
    let stimulus = Stimulus::stereo(96_000, 10.0, &tone, Driven::Both);
    Next::Play(Box::new(stimulus), Setup::default())
}

/// One channel of a take of sines.
pub(super) struct ToneChannel<'a> {
    pub(super) chain: Chain<'a>,
    pub(super) view: &'a ChannelView,
    pub(super) rig: Option<&'a Rig>,
    pub(super) index: usize,
    driven: bool,
    clipped: bool,
}

/// The channels of a take of sines.
pub(super) fn channels<'a>(examined: &'a Examined, rig: Option<&'a Rig>) -> Vec<ToneChannel<'a>> {
    let (Content::Tone(views) | Content::TwoTone(views)) = &examined.content else {
        return Vec::new();
    };
    let integrity = &examined.integrity;
    let driven = examined.take.setup.driven;
    views
        .iter()
        .enumerate()
        .map(|(index, view)| ToneChannel {
            chain: Chain::new(&examined.take, rig, index),
            view,
            rig,
            index,
            driven: driven.is_none_or(|d| d.includes(index)),
            // Flat tops below full scale are the unit's own clipping, which is what is measured.
            clipped: integrity.clipped_samples.get(index).is_some_and(|n| *n > 0),
        })
        .collect()
}

impl ToneChannel<'_> {
    pub(super) fn channel(&self) -> Channel {
        self.chain.channel
    }

    /// Why nothing can be said of the figures `ids`; `None` where something can.
    pub(super) fn refusal(&self, ids: &[FigureId]) -> Option<Vec<NotMeasured>> {
        let reason = if !self.driven {
            "this channel was not driven; what it carries is counted by the separation"
        } else if !self.view.tones.iter().any(|t| stands_out(&t.fundamental)) {
            "no steady tone stands out of the noise; check connections, level and volume, and record again"
        } else {
            return None;
        };
        Some(
            ids.iter()
                .map(|id| self.not_measured(*id, "no_signal", reason))
                .collect(),
        )
    }

    pub(super) fn not_measured(&self, id: FigureId, code: &str, reason: &str) -> NotMeasured {
        NotMeasured {
            id,
            channel: self.channel(),
            code: code.to_owned(),
            reason: reason.to_owned(),
        }
    }

    /// The sines that stand out of the noise.
    pub(super) fn tones(&self) -> impl Iterator<Item = &ToneAnalysis> {
        self.view.tones.iter().filter(|t| stands_out(&t.fundamental))
    }

    /// A figure of `tone`, its conditions filled in.
    pub(super) fn figure(&self, id: FigureId, unit: Unit, estimate: Estimate, tone: &ToneAnalysis) -> Figure {
        Figure {
            id,
            channel: self.channel(),
            estimate,
            unit,
            db: None,
            order: None,
            weighting: None,
            band: None,
            conditions: self.conditions(&tone.fundamental),
            limited_by: self.clipped.then_some(LimitedBy::Clipping),
            upper_limit: false,
        }
    }

    fn conditions(&self, f: &Fundamental) -> Conditions {
        Conditions {
            frequency_hz: Some(f.frequency_hz),
            level_dbfs: Some(Dbfs::from_sine_peak(f.amplitude).0),
            level_v: self.volts(f).map(|v| v.value),
            ..self.chain.conditions()
        }
    }

    /// Peak amplitude in units of full scale with its budget; at the same time its rms re a full-scale sine's.
    pub(super) fn amplitude(&self, f: &Fundamental) -> Estimate {
        let u = f.amplitude_u.max(f.amplitude * LEAST_RELATIVE_U);
        let name = format!("repeatability of the level, {}", self.channel());
        let amplitude = Estimate::exact(f.amplitude).with_observed(name, u, f.dof);
        match self.rough_step() {
            Some(step) => amplitude.with_resolution(format!("resolution, {}", self.channel()), step),
            None => amplitude,
        }
    }

    /// The converter's step where the noise is too small to smooth it.
    pub(super) fn rough_step(&self) -> Option<f64> {
        let step = self.chain.format().encoding.step()?;
        let mut density = self.view.spectrum.density.clone();
        density.sort_by(f64::total_cmp);
        let median = density.get(density.len() / 2).copied().unwrap_or(0.0);
        let noise = (median * self.view.spectrum.last_hz()).sqrt();
        (noise < SMOOTHING_STEPS * step).then_some(step)
    }

    /// Volts rms at the unit's output; `None` without a rig.
    pub(super) fn volts(&self, f: &Fundamental) -> Option<Estimate> {
        let full_scale = self.chain.volts_at(f.frequency_hz)?;
        Some(self.amplitude(f).times(&full_scale))
    }

    /// By how much the level changed during the take, dB, where that is far more than noise explains.
    fn changed_db(&self, f: &Fundamental) -> Option<f64> {
        let format = self.chain.format();
        let seconds = format.frames as f64 / f64::from(format.sample_rate_hz);
        let spectrum = &self.view.spectrum;
        let bin = (f.frequency_hz / spectrum.bin_hz).round() as usize;
        let density = spectrum.background().get(bin).copied()?;
        // Each part of a line's mean amplitude has the variance density over duration.
        let by_noise = (density / seconds).sqrt();
        if f.amplitude_u <= CHANGED_TIMES_NOISE * by_noise {
            return None;
        }
        // u is that of the mean of ν + 1 segments.
        let deviation = f.amplitude_u * (f.dof + 1.0).sqrt() / f.amplitude;
        let as_db = |relative: f64| Decibels::from_amplitude_ratio(1.0 + relative).0;
        // A level that is at one value half of the time and at another the other half deviates by half their distance.
        (as_db(deviation) > CHANGED_DB).then(|| as_db(2.0 * deviation))
    }

    fn note_of_change(&self) -> Option<String> {
        let changes = self.tones().filter_map(|t| self.changed_db(&t.fundamental));
        let db = changes.max_by(f64::total_cmp)?;
        Some(format!(
            "{}: the level changed during the take by about {db:.2} dB: a moved knob, automatic gain, a contact, or a \
             supply that sags",
            self.channel()
        ))
    }

    /// Which of two sines this is: 1 is the stronger, or the lower of two as strong. `None` of a single one.
    fn order(&self, tone: &ToneAnalysis) -> Option<u32> {
        let other = self.view.tones.iter().find(|t| *t != tone)?;
        let (own, other) = (&tone.fundamental, &other.fundamental);
        let above = Decibels::from_amplitude_ratio(own.amplitude / other.amplitude).0;
        let first = if above.abs() < AS_STRONG_DB {
            own.frequency_hz < other.frequency_hz
        } else {
            above > 0.0
        };
        Some(if first { 1 } else { 2 })
    }

    fn frequencies_and_levels(&self, findings: &mut Findings) {
        findings.notes.extend(self.note_of_change());
        for tone in self.tones() {
            let f = &tone.fundamental;
            let u = f.frequency_u.max(f.frequency_hz * LEAST_RELATIVE_U);
            let name = format!("repeatability of the frequency, {}", self.channel());
            let frequency = Estimate::exact(f.frequency_hz).with_observed(name, u, f.dof);
            let levels = [
                (Unit::Hertz, FigureId::Frequency, Some(frequency)),
                (
                    Unit::Dbfs,
                    FigureId::Level,
                    Some(self.amplitude(f).amplitude_to_db()),
                ),
                (Unit::Volts, FigureId::Level, self.volts(f)),
                (
                    Unit::Dbv,
                    FigureId::Level,
                    self.volts(f).map(|v| v.amplitude_to_db()),
                ),
            ];
            for (unit, id, estimate) in levels {
                let figure = estimate.map(|e| self.figure(id, unit, e, tone));
                findings.figures.extend(figure.map(|f| Figure {
                    order: self.order(tone),
                    ..f
                }));
            }
        }
    }
}

fn stands_out(f: &Fundamental) -> bool {
    f.amplitude > DISTINCT * f.amplitude_u
}
