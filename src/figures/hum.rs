//! Hum: the lines of the mains in what the unit puts out.
//!
//! **Definition.** `hum_line`: rms of the line at `order` times the mains frequency. `hum`: root sum square of all
//! lines; its split into odd and even orders stands in the notes, and every line that stands out in the curve
//! `hum_line`. In dBFS, with a rig also in volts at the unit's output.
//!
//! **Source.** Common practice. Frequency of the mains: EN 50160 (50 Hz ±1 % for 99.5 % of a year); 60 Hz alike.
//!
//! **Conditions.** `frequency_hz` is that of the line (of the mains, for `hum`). The mains is found from the capture, of
//! the best of its channels ([`crate::dsp::mains`]). With a test tone on the capture the lines that it or its harmonics
//! hide are left out and named, and the level of the tone is in the conditions: a loaded supply hums more.
//!
//! **Assumptions.** The mains wanders by no more than ±20 mHz along the take. Noise beside a line is the noise under it
//! and is taken off as power. The rig's own hum is not known and not taken off.
//!
//! **Uncertainty.** Repeatability of the line (segments of the take, or the statistics of a steady line in Gaussian
//! noise); in volts calibration and the rig's response. Lines too weak to be told from noise are not counted in `hum`;
//! what they may add lets its interval reach further up. A line that cannot be told from the noise is an upper limit;
//! orders 1 to 10 are always given, higher ones where they stand out.

use super::noise::{last_silence, silent_take};
use super::unit_power::{Chain, Named, UnitPower, dbfs_of};
use super::{Measurement, Next};
use crate::dsp::line::LinePower;
use crate::dsp::mains::{self, LOW_ORDERS, Mains};
use crate::dsp::spectrum::PowerSpectrum;
use crate::figure::{Band, Curve, FigureId, Findings, LimitedBy, NotMeasured, Unit};
use crate::quantity::Dbfs;
use crate::rig::Rig;
use crate::signal::take::Setup;
use crate::take::{ChannelView, Content, Examined};

/// Highest harmonic of a test tone that is kept from being taken for hum.
const TONE_HARMONICS: u32 = 400;

/// Measures hum.
#[derive(Debug, Clone, PartialEq)]
pub struct Hum {
    /// Lines inside it count.
    pub band: Band,
    /// Whether hum is also looked for beside a test tone where there is no silent take.
    pub beside_tones: bool,
    /// Rate to record at.
    pub sample_rate_hz: u32,
    /// Length of the silent take, s.
    pub seconds: f64,
    /// How the unit is to stand: its input terminated.
    pub setup: Setup,
}

impl Default for Hum {
    fn default() -> Self {
        Self {
            band: Band::AUDIO,
            beside_tones: false,
            sample_rate_hz: 96_000,
            seconds: 23.0,
            setup: Setup::default(),
        }
    }
}

impl Measurement for Hum {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let silent = last_silence(takes);
        let beside = || {
            takes.iter().rev().find_map(|t| match &t.content {
                Content::Tone(views) if self.beside_tones => Some((*t, views.as_slice())),
                _ => None,
            })
        };
        match silent.or_else(beside) {
            Some((take, views)) => Next::Done(self.findings(take, views, rig)),
            None => silent_take(self.sample_rate_hz, self.seconds, &self.setup),
        }
    }
}

impl Hum {
    fn findings(&self, take: &Examined, views: &[ChannelView], rig: Option<&Rig>) -> Findings {
        let mut findings = Findings::default();
        let has_tone = views.iter().any(|v| !v.tones.is_empty());
        let found = mains_of(views, self.band);
        for (index, (view, mains)) in views.iter().zip(found).enumerate() {
            let chain = Chain::new(&take.take, rig, index);
            match mains {
                Some(mains) => {
                    let amplitude = view.tones.first().map(|t| t.fundamental.amplitude);
                    let seen = Seen {
                        chain: &chain,
                        spectrum: &view.spectrum,
                        mains: &mains,
                        amplitude,
                    };
                    seen.findings(self.band, &mut findings);
                }
                None if has_tone => {}
                None => findings.not_measured.push(NotMeasured {
                    id: FigureId::Hum,
                    channel: chain.channel,
                    code: "not_found".to_owned(),
                    reason:
                        "no lines of 50 or 60 Hz mains stand out of the noise; a longer take (20 s or more) \
                             shows weaker ones"
                            .to_owned(),
                }),
            }
        }
        findings
    }
}

/// The mains in every channel; where only one channel shows it, its frequency serves the others. Beside a test tone one
/// line is not enough: it may be a product of the tone.
pub(super) fn mains_of(views: &[ChannelView], band: Band) -> Vec<Option<Mains>> {
    let mut excluded: Vec<f64> = views
        .iter()
        .flat_map(|v| &v.tones)
        .flat_map(|t| (1..=TONE_HARMONICS).map(|k| f64::from(k) * t.fundamental.frequency_hz))
        .collect();
    excluded.sort_unstable_by(f64::total_cmp);
    let found: Vec<Option<Mains>> = views
        .iter()
        .map(|v| mains::find(&v.spectrum, band, &excluded))
        .collect();
    let fewest = if excluded.is_empty() { 1 } else { 2 };
    let best = found.iter().flatten().max_by_key(|m| m.comb).cloned();
    let Some(best) = best.filter(|m| m.comb >= fewest) else {
        return vec![None; views.len()];
    };
    views
        .iter()
        .zip(found)
        .map(|(view, own)| {
            own.filter(|m| m.comb >= fewest).or_else(|| {
                let (hz, u) = (best.frequency_hz, best.frequency_u);
                Some(mains::lines_at(&view.spectrum, band, &excluded, hz, u))
            })
        })
        .collect()
}

/// The mains as seen on one channel.
struct Seen<'a> {
    chain: &'a Chain<'a>,
    spectrum: &'a PowerSpectrum,
    mains: &'a Mains,
    /// Peak of the tone beside it, full scale = 1.
    amplitude: Option<f64>,
}

impl Seen<'_> {
    fn findings(&self, band: Band, findings: &mut Findings) {
        let (chain, mains) = (self.chain, self.mains);
        let Some(total) = mains.sum(|_| true) else {
            findings.not_measured.push(NotMeasured {
                id: FigureId::Hum,
                channel: chain.channel,
                code: "too_short".to_owned(),
                reason: "the take is too short to tell the lines of the mains apart; record at least 2 s"
                    .to_owned(),
            });
            return;
        };
        let power = line_power(chain, self.spectrum, &total, mains.frequency_hz, "the hum");
        let named = Named {
            band: Some(band),
            ..self.named(None, mains.frequency_hz)
        };
        chain.push_levels(findings, FigureId::Hum, &power, &named);
        for line in &mains.lines {
            if line.order <= LOW_ORDERS || line.is_seen() {
                let name = format!("mains line {}", line.order);
                let power = line_power(chain, self.spectrum, &line.level, line.frequency_hz, &name);
                let named = self.named(Some(line.order), line.frequency_hz);
                chain.push_levels(findings, FigureId::HumLine, &power, &named);
            }
        }
        findings.notes.push(split_note(chain, mains));
        if !mains.hidden.is_empty() {
            let hidden: Vec<String> = mains.hidden.iter().take(12).map(u32::to_string).collect();
            findings.notes.push(format!(
                "{}: the test tone hides mains lines {}{}; the hum is without them",
                chain.channel,
                hidden.join(", "),
                if mains.hidden.len() > 12 { ", …" } else { "" }
            ));
        }
        findings.curves.push(curve(chain, mains));
    }

    fn named(&self, order: Option<u32>, frequency_hz: f64) -> Named {
        let mut conditions = self.chain.conditions();
        conditions.frequency_hz = Some(frequency_hz);
        conditions.level_dbfs = self.amplitude.map(|a| Dbfs::from_sine_peak(a).0);
        let full_scale = self.chain.volts_at_full_scale(Band::AUDIO);
        conditions.level_v = self.amplitude.zip(full_scale).map(|(a, v)| a * v.value);
        Named {
            order,
            weighting: None,
            band: None,
            conditions,
        }
    }
}

/// The power of a line or a sum of lines, or its upper limit.
pub(super) fn line_power(
    chain: &Chain<'_>,
    spectrum: &PowerSpectrum,
    line: &LinePower,
    hz: f64,
    name: &str,
) -> UnitPower {
    if line.is_distinct() {
        let mut unit = chain.unit_power(line.power, None, 0.0, name);
        let own = unit.power.expanded();
        let more = line.unseen.power + own.hypot(2.0 * line.unseen.noise_u) - own;
        unit.power = unit.power.with_reach(0.0, more);
        return unit;
    }
    let around = Band {
        low_hz: hz - 0.5,
        high_hz: hz + 0.5,
    };
    let half = |density: f64| density > line.background / 2.0;
    let by = if chain
        .rig_noise(spectrum)
        .is_some_and(|own| half(own.mean_square(around, None)))
    {
        LimitedBy::RigNoise
    } else if half(chain.quantisation(around, None, spectrum)) {
        LimitedBy::Quantisation
    } else {
        LimitedBy::Duration
    };
    let relative_u = 1.0 / (2.0 * line.power.dof.max(1.0)).sqrt();
    let source = format!("noise beside {name}, {}", chain.channel);
    UnitPower::below(line.upper_limit(), relative_u, source, by)
}

/// "left: mains 50.01 Hz found from 9 lines; odd lines −85.2 dBFS, even lines −79.0 dBFS".
fn split_note(chain: &Chain<'_>, mains: &Mains) -> String {
    let level = |parity: u32| match mains.sum(|order| order % 2 == parity) {
        Some(sum) if sum.is_distinct() => format!("{:.1} dBFS", 10.0 * (2.0 * sum.power.value).log10()),
        Some(sum) => format!("below {:.1} dBFS", 10.0 * (2.0 * sum.upper_limit()).log10()),
        None => "none in the band".to_owned(),
    };
    let found = match mains.comb {
        0 => "taken from another channel".to_owned(),
        1 => "found from a single line".to_owned(),
        n => format!("found from {n} lines"),
    };
    format!(
        "{}: mains {:.3} Hz, {found}; odd lines {}, even lines {}",
        chain.channel,
        mains.frequency_hz,
        level(1),
        level(0)
    )
}

/// Every line that stands out, in dBFS over frequency.
fn curve(chain: &Chain<'_>, mains: &Mains) -> Curve {
    let mut curve = Curve {
        id: FigureId::HumLine,
        channel: chain.channel,
        order: None,
        x: Vec::new(),
        x_unit: Unit::Hertz,
        y: Vec::new(),
        y_unit: Unit::Dbfs,
        u: Vec::new(),
        corrected_for_rig: false,
    };
    for line in mains.lines.iter().filter(|l| l.is_seen()) {
        let level = dbfs_of(&chain.unit_power(line.level.power, None, 0.0, "a line").power);
        curve.x.push(line.frequency_hz);
        curve.y.push(level.value);
        curve.u.push(level.standard_uncertainty());
    }
    curve
}
