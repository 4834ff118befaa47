//! Intermodulation of two tones: products that belong to neither.
//!
//! **Definition.** `imd_smpte`, of a low tone f₁ and a high one f₂ (60 Hz and 7 kHz, 4:1): with b(k) = a(f₂ − k·f₁) +
//! a(f₂ + k·f₁), the sums of the amplitudes of a pair of side lines, the root sum square of b(1)…b(4) over a(f₂). The
//! figures of `order` 2 and 3 are the modulation distortions b(1)/a(f₂) and b(2)/a(f₂). `imd_difference`, of two high
//! tones of equal level (19 and 20 kHz): `order` 2 is a(f₂ − f₁)/(a₁ + a₂), `order` 3 is (a(2f₂ − f₁) + a(2f₁ −
//! f₂))/(a₁ + a₂).
//!
//! **Source.** Modulation and difference-frequency distortion: IEC 60268-3, clauses 14.12.7 and 14.12.8, with arithmetic
//! sums (clause numbers from memory). The root sum square: the amplitude of the demodulated envelope, which is what
//! SMPTE RP 120 reads (from memory); for the amplitude modulation that a nonlinearity makes, the two lines of a pair are
//! in phase, so that their sum is that amplitude.
//!
//! **Conditions.** Frequency: f₂. Level: that of the single sine with the same peak, a₁ + a₂. Products that the
//! definition names count whatever the band; one above half the sample rate is not measured, and the figure is then
//! limited by the bandwidth.
//!
//! **Assumptions.** Which of the two tests it is follows from the tones: f₂ at least eight times f₁ and the low tone the
//! stronger, or within an octave and equally strong to 1 dB. Anything else is neither, and nothing is stated. A phase
//! (frequency) modulation would be counted as well.
//!
//! **Uncertainty.** Noise beside each line, or their repeatability; noise power under a line is taken out. The rig's own
//! products follow from its loopback's harmonics as those of a polynomial without memory: x + c₂x² + c₃x³ has H2/H1 =
//! c₂A/2 and H3/H1 = c₃A²/4 on a sine of peak A, and on two tones with the same peak A together products that are given
//! beside [`RigProducts`]. They add as vectors of unknown phase and are never subtracted. What cannot be told from noise
//! is an upper limit.

use super::harmonics::rig_harmonics;
use super::tone::{LEAST_RELATIVE_U, ToneChannel, channels};
use super::{Measurement, Next};
use crate::dsp::line::LinePower;
use crate::dsp::tone::ToneAnalysis;
use crate::figure::{Driven, Figure, FigureId, Findings, LimitedBy, Unit};
use crate::quantity::{Dbfs, Decibels, Estimate};
use crate::rig::Rig;
use crate::signal::stimulus::{Component, Signal, Stimulus};
use crate::signal::take::Setup;
use crate::take::{Content, Examined};

/// Pairs of side lines that count in the root sum square. Higher ones are not seen in practice above the lower.
const PAIRS: u32 = 4;

/// From this ratio of frequencies on it is a low and a high tone.
const FAR_APART: f64 = 8.0;

/// Two tones of the difference-frequency test are as strong, within this.
const AS_STRONG: Decibels = Decibels(1.0);

/// Most of a line's amplitude that lies outside the bins that are summed, relative. Three bins to each side of the nearest
/// hold all but 7.0e-5 of the power of a line midway between two bins of a Hann window (computed), half of that of the
/// amplitude.
const OUTSIDE_LOBE: f64 = 5e-5;

/// The rig's products limit what is less than this above them.
const RIG_MARGIN: Decibels = Decibels(10.0);

/// Measures intermodulation of a take of two tones.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Intermodulation;

/// Which test two tones are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Test {
    Modulation,
    Difference,
}

impl Measurement for Intermodulation {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let two = |t: &&&Examined| matches!(t.content, Content::TwoTone(_));
        let Some(take) = takes.iter().rev().find(two) else {
            return play_two_tones();
        };
        let mut findings = Findings::default();
        for channel in channels(take, rig) {
            let ids = [FigureId::ImdSmpte, FigureId::ImdDifference];
            if let Some(refusals) = channel.refusal(&ids) {
                findings.not_measured.extend(refusals);
                continue;
            }
            let tones: Vec<&ToneAnalysis> = channel.tones().collect();
            let [a, b] = tones[..] else {
                continue;
            };
            let (low, high) = if a.fundamental.frequency_hz < b.fundamental.frequency_hz {
                (a, b)
            } else {
                (b, a)
            };
            Pair {
                channel: &channel,
                low,
                high,
            }
            .report(&mut findings);
        }
        Next::Done(findings)
    }
}

fn play_two_tones() -> Next {
    let tone = |frequency_hz| Component {
        frequency_hz,
        level_dbfs: -26.0,
        phase_deg: 0.0,
    };
    let tones = vec![tone(19_000.0), tone(20_000.0)];
    let stimulus = Stimulus::stereo(96_000, 10.0, &Signal::Tones { tones }, Driven::Both);
    Next::Play(Box::new(stimulus), Setup::default())
}

/// Two tones on one channel.
struct Pair<'a> {
    channel: &'a ToneChannel<'a>,
    low: &'a ToneAnalysis,
    high: &'a ToneAnalysis,
}

/// Lines whose amplitudes are added, by their frequencies.
type Products = Vec<f64>;

impl Pair<'_> {
    fn test(&self) -> Option<Test> {
        let (low, high) = (&self.low.fundamental, &self.high.fundamental);
        let ratio = high.frequency_hz / low.frequency_hz;
        let stronger = Decibels::from_amplitude_ratio(low.amplitude / high.amplitude).0;
        if ratio >= FAR_APART && stronger > AS_STRONG.0 {
            Some(Test::Modulation)
        } else if ratio < 2.0 && stronger.abs() <= AS_STRONG.0 {
            Some(Test::Difference)
        } else {
            None
        }
    }

    fn report(&self, findings: &mut Findings) {
        let (f1, f2) = (
            self.low.fundamental.frequency_hz,
            self.high.fundamental.frequency_hz,
        );
        let pair = |k: u32| vec![f2 - f64::from(k) * f1, f2 + f64::from(k) * f1];
        let figures = match self.test() {
            Some(Test::Modulation) => {
                let all: Vec<Products> = (1..=PAIRS).map(pair).collect();
                vec![
                    (FigureId::ImdSmpte, None, all),
                    (FigureId::ImdSmpte, Some(2), vec![pair(1)]),
                    (FigureId::ImdSmpte, Some(3), vec![pair(2)]),
                ]
            }
            Some(Test::Difference) => vec![
                (FigureId::ImdDifference, Some(2), vec![vec![f2 - f1]]),
                (
                    FigureId::ImdDifference,
                    Some(3),
                    vec![vec![2.0 * f1 - f2, 2.0 * f2 - f1]],
                ),
            ],
            None => return,
        };
        for (id, order, groups) in figures {
            match self.figure(id, order, &groups) {
                Some(figure) => findings.figures.push(figure),
                None => findings.not_measured.push(self.channel.not_measured(
                    id,
                    "too_short",
                    "the products cannot be told from the tones beside them: record a longer take, or at a higher \
                     sample rate",
                )),
            }
        }
    }

    /// What the products are divided by, peak re full scale.
    fn reference(&self, id: FigureId) -> f64 {
        let high = self.high.fundamental.amplitude;
        match id {
            FigureId::ImdSmpte => high,
            _ => high + self.low.fundamental.amplitude,
        }
    }

    /// The root sum square over `groups` of the sum of their amplitudes; `None` where no line can be read.
    fn figure(&self, id: FigureId, order: Option<u32>, groups: &[Products]) -> Option<Figure> {
        let nyquist = f64::from(self.channel.chain.format().sample_rate_hz) / 2.0;
        let inside = |hz: &&f64| **hz > 0.0 && **hz < nyquist;
        let cut = groups.iter().flatten().any(|hz| !inside(&hz));
        let sums: Vec<Sum> = groups
            .iter()
            .map(|g| self.sum(&g.iter().filter(inside).copied().collect::<Vec<_>>()))
            .collect::<Option<_>>()?;
        let reference = self.reference(id);
        let size = sums.iter().map(|s| s.size * s.size).sum::<f64>().sqrt();
        // d√Σs²/ds = s/√Σs².
        let u = if size > 0.0 {
            sums.iter().map(|s| (s.size * s.u).powi(2)).sum::<f64>().sqrt() / size
        } else {
            0.0
        };
        let noise = sums.iter().map(|s| s.noise * s.noise).sum::<f64>().sqrt();
        let dof = sums.iter().map(|s| s.dof).fold(f64::INFINITY, f64::min).max(1.0);
        let seen = sums.iter().any(|s| s.seen);
        let name = format!("noise beside the products, {}", self.channel.channel());
        let rig = RigProducts::of(self, id).size(order);
        let percent = 100.0 / reference;
        let estimate = if seen {
            let known = Estimate::exact(size * percent)
                .with_observed(name, u.max(size * LEAST_RELATIVE_U) * percent, dof)
                .with_limits("window", size * percent * OUTSIDE_LOBE);
            if rig > 0.0 {
                let source = format!("rig distortion, {}", self.channel.channel());
                known.with_of_this_take(source, 100.0 * rig / std::f64::consts::SQRT_2)
            } else {
                known
            }
        } else {
            let limit = noise * percent;
            let limit = Estimate::exact(limit).with_observed(name, limit / (2.0 * dof).sqrt(), dof);
            let to_nothing = limit.interval().0;
            limit.with_reach(to_nothing, 0.0)
        };
        let mut figure = self.channel.figure(id, Unit::Percent, estimate, self.high);
        let peak = self.high.fundamental.amplitude + self.low.fundamental.amplitude;
        figure.conditions.level_dbfs = Some(Dbfs::from_sine_peak(peak).0);
        figure.conditions.level_v = self
            .channel
            .volts(&self.high.fundamental)
            .map(|v| v.value * peak / self.high.fundamental.amplitude);
        figure.db = Some(20.0 * (figure.estimate.value / 100.0).log10());
        figure.order = order;
        figure.upper_limit = !seen;
        let by_rig = seen && rig * RIG_MARGIN.amplitude_ratio() > size / reference;
        figure.limited_by = figure
            .limited_by
            .or(by_rig.then_some(LimitedBy::RigDistortion))
            .or(cut.then_some(LimitedBy::Bandwidth))
            .or((!seen).then_some(LimitedBy::Duration));
        Some(figure)
    }

    /// The sum of the amplitudes of lines at `hertz`.
    fn sum(&self, hertz: &[f64]) -> Option<Sum> {
        let clear = self.low.fundamental.frequency_hz / 2.0;
        let mut sum = Sum {
            size: 0.0,
            u: 0.0,
            noise: 0.0,
            dof: f64::INFINITY,
            seen: false,
        };
        for hz in hertz {
            let line = self.channel.view.spectrum.line(*hz, 0.0, clear)?;
            sum.add(&line);
        }
        sum.u = sum.u.sqrt();
        Some(sum)
    }
}

/// Peak amplitudes of lines, added; `u` is their variance while it grows.
struct Sum {
    size: f64,
    u: f64,
    /// The most that could be there unseen, 97.7 %.
    noise: f64,
    dof: f64,
    seen: bool,
}

impl Sum {
    fn add(&mut self, line: &LinePower) {
        // A sine of peak a has the mean square a²/2; da = dP/a.
        let peak = (2.0 * line.power.value.max(0.0)).sqrt();
        self.noise += (2.0 * line.upper_limit()).sqrt();
        self.dof = self.dof.min(line.power.dof.max(1.0));
        if line.is_distinct() {
            self.size += peak;
            self.u += (line.power.u / peak).powi(2);
            self.seen = true;
        } else {
            // What does not stand out may be anything from nothing to its limit: a rectangle, JCGM 100 4.3.7.
            let most = (2.0 * line.upper_limit()).sqrt();
            self.size += most / 2.0;
            self.u += most * most / 12.0;
        }
    }
}

/// The rig's own products re the figure's reference, from its harmonics at a single sine of the same peak A = a₁ + a₂.
///
/// With x = a₁ cos φ₁ + a₂ cos φ₂: c₂x² has lines c₂a₁a₂ at f₂ ± f₁, and c₃x³ has ¾c₃a₁²a₂ at f₂ ± 2f₁ and ¾c₃a₁a₂² at
/// 2f₂ ± f₁ (the expansion of (a₁ cos φ₁ + a₂ cos φ₂)ⁿ). With c₂ = 2h₂/A and c₃ = 4h₃/A², h the harmonics' ratios.
struct RigProducts {
    second: f64,
    third: f64,
}

impl RigProducts {
    fn of(pair: &Pair<'_>, id: FigureId) -> Self {
        let (a1, a2) = (pair.low.fundamental.amplitude, pair.high.fundamental.amplitude);
        let peak = a1 + a2;
        let level = Dbfs::from_sine_peak(peak);
        let own = |order| rig_harmonics(pair.channel.rig, pair.channel.index, level, order);
        let (c2, c3) = (2.0 * own(2) / peak, 4.0 * own(3) / (peak * peak));
        match id {
            // Two lines of each, over a₂.
            FigureId::ImdSmpte => Self {
                second: 2.0 * c2 * a1,
                third: 1.5 * c3 * a1 * a1,
            },
            _ => Self {
                second: c2 * a1 * a2 / peak,
                third: 0.75 * c3 * a1 * a2,
            },
        }
    }

    fn size(&self, order: Option<u32>) -> f64 {
        match order {
            Some(2) => self.second,
            Some(_) => self.third,
            None => self.second.hypot(self.third),
        }
    }
}
