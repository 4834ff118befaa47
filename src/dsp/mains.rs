//! Lines of the mains in a spectrum: finding their frequency, and the power of each.
//!
//! The mains is looked for as a comb: lines at n·f with f within ±1 % of 50 or 60 Hz, several of which, one of a low
//! order, must stand out of the background. (Other combs, such as a bus clock's at multiples of 1 kHz, have no low
//! orders.) A lone line at f or 2f is taken for the mains only where it stands out by far, and [`Mains::comb`] is then
//! 1. Frequencies of test tones are named by the caller and never counted.
//!
//! The mains wanders, by ±20 mHz within seconds; the n-th line is therefore summed over ±n·20 mHz and what the window
//! smears, and the background beside it is taken off ([`super::line`]).

use super::line::{BIN_DEVIATIONS, LinePower, Unseen};
use super::spectrum::{ENOUGH_SEGMENTS, MeanSquare, PowerSpectrum, deviation_of_mean};
use crate::figure::Band;

/// Nominal mains frequencies, Hz.
const NOMINAL_HZ: [f64; 2] = [50.0, 60.0];

/// How far the mains may be from nominal, relative (EN 50160: 99.5 % of a year).
const TOLERANCE: f64 = 0.01;

/// Wander of the fundamental along a capture, ± Hz.
const WANDER_HZ: f64 = 0.02;

/// Orders that the comb is looked for in, and that are summed whether or not they stand out.
const ORDERS: u32 = 40;

/// Orders that hum is expected in, and that are given whether or not they stand out.
pub const LOW_ORDERS: u32 = 10;

/// A line of a higher order stands out where it is this many of the noise's standard deviations high. The sum over a
/// line's bins of a short capture has some 9 degrees of freedom: χ² exceeds this once in 2,500.
const AMONG_TENS: f64 = 5.0;

/// The same of the hundreds of orders beyond [`ORDERS`]: once in 500,000.
const AMONG_HUNDREDS: f64 = 8.0;

/// One line of a comb at least must be of an order this low.
const LOW_ORDER: u32 = 4;

/// A lone line must stand this much higher still.
const LONE_LINE_FACTOR: f64 = 10.0;

/// How far the line of `order` wanders along a capture, ± Hz.
pub fn wander_hz(order: u32) -> f64 {
    f64::from(order) * WANDER_HZ
}

/// The mains as found in one spectrum.
#[derive(Debug, Clone, PartialEq)]
pub struct Mains {
    /// Fundamental, Hz, by the capture's clock; the mean along the capture.
    pub frequency_hz: f64,
    /// Standard uncertainty of it, Hz.
    pub frequency_u: f64,
    /// How many lines it was found from.
    pub comb: usize,
    /// Lines in the band by rising order: the first 40 whether or not they stand out, of the
    /// higher ones those that do.
    pub lines: Vec<MainsLine>,
    /// Orders that a test tone or its harmonic hides.
    pub hidden: Vec<u32>,
}

/// One line.
#[derive(Debug, Clone, PartialEq)]
pub struct MainsLine {
    /// 1 for the mains frequency itself.
    pub order: u32,
    /// order · fundamental, Hz.
    pub frequency_hz: f64,
    /// Power above the background, with its uncertainty.
    pub level: LinePower,
}

impl MainsLine {
    /// Whether there is a line. Hum is expected in the low orders; among the hundreds above, noise alone would come as
    /// high as a single line must, so that more is asked of them.
    pub fn is_seen(&self) -> bool {
        if self.order <= LOW_ORDERS {
            self.level.is_distinct()
        } else if self.order <= ORDERS {
            self.level.exceeds_noise(AMONG_TENS)
        } else {
            self.level.exceeds_noise(AMONG_HUNDREDS)
        }
    }
}

impl Mains {
    /// The lines whose order `counts`, together; the background is their mean. `None` where there are none.
    ///
    /// Counted are the lines that are seen. The others together, Σx with the deviation σ that noise gives it, are counted
    /// with them where Σx stands out; else Σx, if positive, and σ are [`LinePower::unseen`]. Counting every order would
    /// add the noise of dozens of empty places to a hum of three lines. Where none is seen all are counted, so that the
    /// sum has an upper limit.
    pub fn sum(&self, counts: impl Fn(u32) -> bool) -> Option<LinePower> {
        let asked = self.lines.iter().filter(|l| counts(l.order));
        let (mut seen, weak): (Vec<&MainsLine>, Vec<&MainsLine>) = asked.partition(|l| l.is_seen());
        let weak_sum = sum_of(&weak);
        match weak_sum {
            Some(weak_sum) if !seen.is_empty() && !weak_sum.is_distinct() => {
                let mut sum = sum_of(&seen)?;
                sum.unseen = Unseen {
                    power: weak_sum.power.value.max(0.0),
                    noise_u: weak_sum.noise_u,
                };
                Some(sum)
            }
            _ => {
                seen.extend(weak);
                sum_of(&seen)
            }
        }
    }
}

/// The lines together; `None` of none.
fn sum_of(lines: &[&MainsLine]) -> Option<LinePower> {
    let first = &lines.first()?.level;
    let total = |of: &dyn Fn(&LinePower) -> f64| lines.iter().map(|l| of(&l.level)).sum::<f64>();
    let segments: Vec<f64> = (0..first.segments.len())
        .map(|i| total(&|l| l.segments.get(i).copied().unwrap_or_default()))
        .collect();
    // Lines of one mains rise and fall together, so the spread of their sum is not that of independent lines.
    let (u, dof) = if segments.len() >= ENOUGH_SEGMENTS {
        deviation_of_mean(&segments)
    } else {
        let fourths = total(&|l| l.power.u.powi(4) / l.power.dof);
        let u = total(&|l| l.power.u.powi(2)).sqrt();
        let dof = if fourths > 0.0 {
            u.powi(4) / fourths
        } else {
            first.power.dof
        };
        (u, dof)
    };
    Some(LinePower {
        power: MeanSquare {
            value: total(&|l| l.power.value),
            u,
            dof,
        },
        noise_u: total(&|l| l.noise_u.powi(2)).sqrt(),
        background: total(&|l| l.background) / lines.len() as f64,
        segments,
        unseen: Unseen::default(),
    })
}

/// Finds the mains in `spectrum` and the power of its lines inside `band`, leaving out lines that one of the
/// frequencies `excluded` (test tones and their harmonics, Hz) hides. `None` where there is no comb.
pub fn find(spectrum: &PowerSpectrum, band: Band, excluded: &[f64]) -> Option<Mains> {
    let search = Search::new(spectrum, excluded);
    let best = NOMINAL_HZ
        .iter()
        .filter_map(|nominal| search.best_comb(*nominal))
        .max_by(|a, b| a.score.total_cmp(&b.score))?;
    let (frequency_hz, frequency_u) = search.refine(&best);
    Some(search.lines(frequency_hz, frequency_u, best.orders.len(), band))
}

/// The lines of a mains whose frequency is known from elsewhere (another channel of the same capture); its `comb` is 0.
pub fn lines_at(
    spectrum: &PowerSpectrum,
    band: Band,
    excluded: &[f64],
    frequency_hz: f64,
    frequency_u: f64,
) -> Mains {
    Search::new(spectrum, excluded).lines(frequency_hz, frequency_u, 0, band)
}

/// A candidate fundamental with the orders found.
struct Comb {
    hz: f64,
    orders: Vec<u32>,
    score: f64,
}

struct Search<'a> {
    spectrum: &'a PowerSpectrum,
    excluded: &'a [f64],
    /// Density re background.
    above: Vec<f64>,
    /// From here on a bin of `above` is no noise.
    threshold: f64,
}

impl<'a> Search<'a> {
    fn new(spectrum: &'a PowerSpectrum, excluded: &'a [f64]) -> Self {
        let above = spectrum
            .density
            .iter()
            .zip(spectrum.background())
            .map(|(d, b)| if b > 0.0 { d / b } else { 0.0 })
            .collect();
        Self {
            spectrum,
            excluded,
            above,
            threshold: spectrum.noise_quantile(BIN_DEVIATIONS),
        }
    }

    /// Power of every line inside `band`.
    fn lines(&self, frequency_hz: f64, frequency_u: f64, comb: usize, band: Band) -> Mains {
        let mut mains = Mains {
            frequency_hz,
            frequency_u,
            comb,
            lines: Vec::new(),
            hidden: Vec::new(),
        };
        let highest = (band.high_hz * 1.001).min(self.spectrum.last_hz());
        for order in 1..=(highest / frequency_hz) as u32 {
            let hz = f64::from(order) * frequency_hz;
            if !band.counts(hz) {
                continue;
            }
            if self.is_hidden(order, hz) {
                mains.hidden.push(order);
            } else if let Some(level) = self.spectrum.line(hz, wander_hz(order), frequency_hz / 2.0) {
                let line = MainsLine {
                    order,
                    frequency_hz: hz,
                    level,
                };
                if order <= ORDERS || line.is_seen() {
                    mains.lines.push(line);
                }
            }
        }
        mains
    }

    /// Whether what a window smears of an excluded frequency reaches the line at `hz`.
    fn is_hidden(&self, order: u32, hz: f64) -> bool {
        let lobe = self.spectrum.main_lobe_bins() as f64 * self.spectrum.bin_hz;
        let reach = 2.0 * lobe + wander_hz(order);
        self.excluded.iter().any(|x| (x - hz).abs() <= reach)
    }

    /// The best fundamental near `nominal`, if it is a comb or a lone line beyond doubt.
    fn best_comb(&self, nominal: f64) -> Option<Comb> {
        // Lines 25 Hz apart must be told from their background.
        if self.spectrum.main_lobe_bins() as f64 * self.spectrum.bin_hz > nominal / 4.0 {
            return None;
        }
        let step = self.spectrum.bin_hz / (2.0 * f64::from(ORDERS));
        let steps = (nominal * TOLERANCE / step).ceil().max(1.0) as i32;
        let best = (-steps..=steps)
            .map(|i| self.comb(nominal * (1.0 + TOLERANCE * f64::from(i) / f64::from(steps))))
            .max_by(|a, b| a.score.total_cmp(&b.score))?;
        let low = best.orders.first().is_some_and(|first| *first <= LOW_ORDER);
        let lone = best.orders.len() == 1 && best.orders[0] <= 2 && best.score > 1.0 + LONE_LINE_FACTOR.ln();
        ((low && best.orders.len() > 1) || lone).then_some(best)
    }

    /// What stands out at the multiples of `hz`: each line counts one, and a little more the higher it stands.
    fn comb(&self, hz: f64) -> Comb {
        let mut comb = Comb {
            hz,
            orders: Vec::new(),
            score: 0.0,
        };
        for order in 1..=ORDERS {
            let at = f64::from(order) * hz;
            let highest = self.highest_near(at, wander_hz(order));
            if highest > self.threshold && !self.is_hidden(order, at) {
                comb.orders.push(order);
                comb.score += 1.0 + (highest / self.threshold).ln();
            }
        }
        comb
    }

    /// Highest of the bins within `reach_hz` and one bin of `hz`.
    fn highest_near(&self, hz: f64, reach_hz: f64) -> f64 {
        let (centre, reach) = (hz / self.spectrum.bin_hz, 1.0 + reach_hz / self.spectrum.bin_hz);
        let first = (centre - reach).round().max(0.0) as usize;
        let last = (centre + reach).round() as usize;
        self.above
            .get(first..=last)
            .map_or(0.0, |bins| bins.iter().copied().fold(0.0, f64::max))
    }

    /// Least squares of fₙ = n·f over the centres of the comb's lines, weighted by how far each stands above noise.
    fn refine(&self, comb: &Comb) -> (f64, f64) {
        let centres: Vec<(f64, f64, f64)> = comb
            .orders
            .iter()
            .filter_map(|order| {
                let n = f64::from(*order);
                let (at, wander, clear) = (n * comb.hz, wander_hz(*order), comb.hz / 2.0);
                let line = self.spectrum.line(at, wander, clear)?;
                let centre = self.spectrum.line_centre_hz(at, wander, clear)?;
                let weight = (line.power.value / line.noise_u.max(f64::MIN_POSITIVE)).clamp(0.0, 1e4);
                (weight > 0.0).then_some((n, centre, weight))
            })
            .collect();
        let normal: f64 = centres.iter().map(|(n, _, w)| w * n * n).sum();
        if normal <= 0.0 {
            return (comb.hz, self.spectrum.bin_hz);
        }
        let hz = centres.iter().map(|(n, c, w)| w * n * c).sum::<f64>() / normal;
        let scatter: f64 = centres
            .iter()
            .map(|(n, c, w)| (w * n * (c - n * hz)).powi(2))
            .sum();
        // A single line leaves no scatter: then the width of a bin at its order, over its height.
        let floor = self.spectrum.bin_hz / normal.sqrt();
        (hz, (scatter.sqrt() / normal).hypot(floor))
    }
}
