//! The short regime: one channel at a time in memory, all lines fitted jointly in the time domain.
//!
//! 1. The fundamentals' frequencies by Gauss–Newton with all harmonics (every sample weighs the same: at the Cramér–Rao
//!    bound). 2. Lines that belong to no sine and stand far above the noise (mains hum, products of two sines) join the
//!    model with frequencies of their own. 3. Harmonics are solved once more with tapered weights, which cost 4 % of
//!    variance and keep what is left of distant lines (a mains line that wandered) from leaking into them.

use super::probe::{first_fit, inseparable, load, model, same_sine, search_all};
use super::uncertainty::{Variance, noise_beside};
use super::{ChannelAnalysis, FEWEST_PERIODS, Fundamental, Harmonic, ToneAnalysis};
use crate::dsp::block_spectrum::spectrum_of;
use crate::dsp::phase::phasor;
use crate::dsp::sine_fit::{Fit, Tone, correlate_parts, fit, frequency_bound, solve, subtract};
use crate::dsp::spectrum::PowerSpectrum;
use crate::dsp::weighted_sums::standard_taper;
use crate::error::{Error, Kind, Result};
use crate::signal::source::BlockSource;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// Shortest block of the spectrum where the stretch is that long, s.
const SHORTEST_BLOCK_S: f64 = 0.17;

/// Below this many periods noise is taken from the fit's residual as a whole: there are no bins between harmonics.
const FEW_PERIODS: f64 = 20.0;

/// From this many periods on, the scatter of parts is looked at.
const PERIODS_FOR_PARTS: f64 = 40.0;

/// Parts of the stretch whose scatter is looked at.
const PARTS: usize = 8;

/// From this many periods on, harmonics hardly move the fundamental's frequency any more.
const MANY_PERIODS: f64 = 64.0;

/// What the taper costs in variance: (1 − 5α/8)/(1 − α/2)² with α = 0.1.
const TAPER_COST: f64 = 1.0388;

/// A line beside the sines joins the model where its density is this many times the noise around it.
const STRONG: f64 = 40.0;

/// A line this far below the strongest sine, as a power ratio, moves nothing: −200 dB.
const NEGLIGIBLE: f64 = 1e-20;

/// Most lines beside the sines.
const MOST_BESIDE: usize = 16;

/// A sine weaker than this many of its standard uncertainties takes the frequency of the channel that carries it.
const TOO_WEAK_FOR_ITS_FREQUENCY: f64 = 20.0;

/// Analyses the frames `steady` of all channels.
pub(super) fn analyse(
    source: &dyn BlockSource,
    steady: &Range<u64>,
    guesses: &[Vec<f64>],
) -> Result<Vec<ChannelAnalysis>> {
    let rate = f64::from(source.format().sample_rate_hz);
    let seconds = (steady.end - steady.start) as f64 / rate;
    // Strongest channels first, so that a weak one can take over the frequency of the channel that leaks into it.
    let mut order = Vec::new();
    for (c, hz) in guesses.iter().enumerate() {
        let x = load(source, steady, c)?;
        let strength: f64 = search_all(&x, hz, rate)
            .iter()
            .map(|t| correlate_parts(&x, t.nu, 1)[0].norm())
            .sum();
        order.push((c, strength));
    }
    order.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let mut carriers: Vec<(f64, f64)> = Vec::new();
    let mut found: Vec<Option<ChannelAnalysis>> = vec![None; guesses.len()];
    for (c, _) in order {
        let x = load(source, steady, c)?;
        let given: Vec<Option<f64>> = guesses[c]
            .iter()
            .map(|hz| {
                carriers
                    .iter()
                    .find(|k| same_sine(k.0, *hz, seconds))
                    .map(|k| k.1)
            })
            .collect();
        let stretch = Stretch {
            rate,
            first: steady.start,
        };
        let (analysis, nus) = stretch.channel(x, &guesses[c], &given)?;
        carriers.extend(guesses[c].iter().copied().zip(nus));
        found[c] = Some(analysis);
    }
    Ok(found.into_iter().flatten().collect())
}

/// Where the samples lie.
struct Stretch {
    rate: f64,
    first: u64,
}

impl Stretch {
    /// Analyses one channel; also gives the frequencies of its sines, cycles per sample.
    fn channel(
        &self,
        mut x: Vec<f64>,
        guesses: &[f64],
        given: &[Option<f64>],
    ) -> Result<(ChannelAnalysis, Vec<f64>)> {
        if x.iter().any(|v| !v.is_finite()) {
            return Err(
                Error::new(Kind::Format, "the recording holds values that are not numbers")
                    .next("record it again, or export it as integers"),
            );
        }
        if guesses.is_empty() {
            let dc = x.iter().sum::<f64>() / x.len() as f64;
            subtract(&mut x, &[], dc);
            let spectrum = self.spectrum(&x);
            return Ok((
                ChannelAnalysis {
                    tones: Vec::new(),
                    spectrum,
                    dc,
                },
                Vec::new(),
            ));
        }
        let mut tones = search_all(&x, guesses, self.rate);
        let mut solved = self.solve_all(&x, &tones)?;
        let mut weak = false;
        for (i, nu) in given.iter().enumerate() {
            let tone = &solved.tones[i].fundamental;
            if let Some(nu) = nu
                && tone.amplitude < TOO_WEAK_FOR_ITS_FREQUENCY * tone.amplitude_u
            {
                tones[i] = Tone { nu: *nu, fixed: true };
                weak = true;
            }
        }
        if weak {
            solved = self.solve_all(&x, &tones)?;
        }
        let fundamentals: Vec<(f64, Complex64)> = solved.fit.pairs()[..tones.len()].to_vec();
        let nus: Vec<f64> = fundamentals.iter().map(|f| f.0).collect();
        if nus
            .iter()
            .any(|nu| nu * (x.len() as f64) < FEWEST_PERIODS * 0.999)
        {
            return Err(Error::new(
                Kind::Value,
                format!("a tone of fewer than {FEWEST_PERIODS} periods cannot be measured"),
            )
            .next("record a longer take"));
        }
        subtract(&mut x, &fundamentals, solved.fit.dc);
        let analysis = ChannelAnalysis {
            tones: solved.tones,
            spectrum: self.spectrum(&x),
            dc: solved.fit.dc,
        };
        Ok((analysis, nus))
    }

    /// Hann blocks as long as leaves several of them, but not shorter than what tells mains lines apart.
    fn spectrum(&self, x: &[f64]) -> PowerSpectrum {
        let shortest = ((SHORTEST_BLOCK_S * self.rate) as usize).next_power_of_two();
        let quarter = (x.len() / 4 + 1).next_power_of_two() / 2;
        let length = quarter
            .min(super::long::block_length(self.rate))
            .max(shortest)
            .min(x.len() & !1);
        spectrum_of(x, length, self.rate)
    }

    fn solve_all(&self, x: &[f64], tones: &[Tone]) -> Result<Solved> {
        let periods = tones.iter().map(|t| t.nu).fold(f64::INFINITY, f64::min) * x.len() as f64;
        let steps = if periods < MANY_PERIODS { 12 } else { 2 };
        let first = first_fit(x, tones, &[], 20)?;
        let (all, lines) = model(x.len(), &first.tones, &[], u32::MAX);
        let mut whole = fit(x, &all, &lines, steps).ok_or_else(inseparable)?;
        let mut residual = x.to_vec();
        subtract(&mut residual, &whole.pairs(), whole.dc);
        let mut clean = self.spectrum(&residual);
        let beside = strong_lines(&clean, &whole, x.len(), self.rate);
        if !beside.is_empty() {
            let own: Vec<Tone> = whole.tones.clone();
            let refined = first_fit(x, &own, &beside, 20)?;
            let (own, moved) = refined.tones.split_at(tones.len());
            // A line that runs away from its peak is none.
            let kept: Vec<Tone> = moved
                .iter()
                .zip(&beside)
                .filter(|(new, old)| (new.nu - old.nu).abs() * (x.len() as f64) < 1.0)
                .map(|(new, _)| *new)
                .collect();
            let (all, lines) = model(x.len(), own, &kept, u32::MAX);
            whole = fit(x, &all, &lines, steps).ok_or_else(inseparable)?;
            residual.copy_from_slice(x);
            subtract(&mut residual, &whole.pairs(), whole.dc);
            clean = self.spectrum(&residual);
        }
        let taper = standard_taper(x.len());
        let weighted: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(n, v)| v * taper.at(n, x.len()))
            .collect();
        let tapered = solve(&weighted, taper, &whole.tones, &whole.lines).ok_or_else(inseparable)?;
        let noise = Noise {
            clean: &clean,
            residual: &residual,
            rate: self.rate,
            unknowns: 2 * whole.lines.len() + tones.len() + 1,
            periods,
        };
        let analyses = (0..tones.len())
            .map(|tone| self.describe(tone, &whole, &tapered, &noise))
            .collect();
        Ok(Solved {
            tones: analyses,
            fit: whole,
        })
    }

    fn describe(&self, tone: usize, whole: &Fit, tapered: &Fit, noise: &Noise<'_>) -> ToneAnalysis {
        let nu = whole.tones[tone].nu;
        let fundamental = whole.amplitudes[tone];
        let middle = self.first as f64 + (noise.residual.len() as f64 - 1.0) / 2.0;
        let parts = noise.parts(nu, fundamental);
        let plain = noise.of_line(nu, nu);
        let amplitude = plain.or_observed(parts.as_ref().map(|p| p.amplitude));
        let bound = frequency_bound(1.0, noise.residual.len() as f64).powi(2) / fundamental.norm_sqr();
        let frequency = plain.scaled(bound).or_observed(parts.map(|p| p.frequency));
        let unit = Complex64::from_polar(1.0, -fundamental.arg());
        let harmonics = tapered
            .lines
            .iter()
            .zip(&tapered.amplitudes)
            .filter(|(line, _)| line.tone == tone && line.order > 1)
            .map(|(line, a)| {
                let at = line.nu(&whole.tones);
                let beside = noise.of_line(at, nu).scaled(TAPER_COST);
                let variance = beside.or_observed(noise.scatter(at));
                Harmonic {
                    order: line.order,
                    amplitude: a * unit.powu(line.order),
                    u: variance.value.sqrt(),
                    noise_u: beside.value.sqrt(),
                    dof: variance.dof,
                }
            })
            .collect();
        ToneAnalysis {
            fundamental: Fundamental {
                frequency_hz: nu * self.rate,
                frequency_u: frequency.value.sqrt() * self.rate,
                amplitude: fundamental.norm(),
                amplitude_u: amplitude.value.sqrt(),
                dof: amplitude.dof,
                phase_rad: (fundamental * phasor(-nu, middle)).arg(),
            },
            harmonics,
        }
    }
}

struct Solved {
    tones: Vec<ToneAnalysis>,
    fit: Fit,
}

/// What is left when all lines are taken out.
struct Noise<'a> {
    clean: &'a PowerSpectrum,
    residual: &'a [f64],
    rate: f64,
    unknowns: usize,
    periods: f64,
}

/// Variances seen in the scatter of parts.
struct Parts {
    amplitude: Variance,
    frequency: Variance,
}

impl Noise<'_> {
    /// Variance of either part of the complex amplitude at `nu`: density over duration.
    fn of_line(&self, nu: f64, spacing: f64) -> Variance {
        let seconds = self.residual.len() as f64 / self.rate;
        let beside = (self.periods >= FEW_PERIODS)
            .then(|| noise_beside(self.clean, nu * self.rate, spacing * self.rate))
            .flatten();
        match beside {
            Some(density) => density.scaled(1.0 / seconds),
            None => {
                let dof = self.residual.len().saturating_sub(self.unknowns).max(1) as f64;
                let squares: f64 = self.residual.iter().map(|v| v * v).sum();
                Variance {
                    value: squares / dof * 2.0 / self.residual.len() as f64,
                    dof,
                }
            }
        }
    }

    /// What parts of the stretch say of the amplitude at `nu` beyond the fit; `None` with too few periods.
    fn deviations(&self, nu: f64) -> Option<Vec<Complex64>> {
        let part = self.residual.len() as f64 / PARTS as f64;
        (self.periods >= PERIODS_FOR_PARTS).then(|| {
            correlate_parts(self.residual, nu, PARTS)
                .into_iter()
                .map(|z| z * 2.0 / part)
                .collect()
        })
    }

    /// Variance of either part of a complex amplitude, from the scatter of parts.
    fn scatter(&self, nu: f64) -> Option<Variance> {
        let parts = self.deviations(nu)?;
        let dof = 2.0 * (PARTS as f64 - 1.0);
        let squares: f64 = parts.iter().map(|z| z.norm_sqr()).sum();
        Some(Variance {
            value: squares / dof / PARTS as f64,
            dof,
        })
    }

    /// The fundamental's amplitude and frequency, from the scatter of parts. The fit has already taken the mean of the
    /// amplitude and the line through the phase.
    fn parts(&self, nu: f64, fundamental: Complex64) -> Option<Parts> {
        let parts = self.deviations(nu)?;
        let n = PARTS as f64;
        let relative: Vec<Complex64> = parts.iter().map(|z| z / fundamental).collect();
        let along: f64 = relative.iter().map(|z| z.re * z.re).sum();
        let across: f64 = relative.iter().map(|z| z.im * z.im).sum();
        // Σ(t − t̄)² of the parts' middles.
        let spread = (self.residual.len() as f64 / n).powi(2) * n * (n * n - 1.0) / 12.0;
        Some(Parts {
            amplitude: Variance {
                value: along * fundamental.norm_sqr() / (n - 1.0) / n,
                dof: n - 1.0,
            },
            frequency: Variance {
                value: across / (n - 2.0) / spread / (TAU * TAU),
                dof: n - 2.0,
            },
        })
    }
}

/// Sines that belong to no tone and stand far above the noise, at most [`MOST_BESIDE`], strongest first.
fn strong_lines(clean: &PowerSpectrum, fit: &Fit, length: usize, rate: f64) -> Vec<Tone> {
    let known: Vec<f64> = fit.pairs().iter().map(|p| p.0).collect();
    let d = &clean.density;
    let resolution = 3.0 / length as f64;
    let strongest = fit.amplitudes.iter().map(|a| a.norm_sqr()).fold(0.0, f64::max);
    let least = NEGLIGIBLE * strongest / clean.bin_hz;
    let mut peaks: Vec<(f64, f64)> = Vec::new();
    for k in 2..d.len().saturating_sub(2) {
        let local = &d[k.saturating_sub(32).max(2)..(k + 33).min(d.len() - 1)];
        if d[k] < d[k - 1] || d[k] <= d[k + 1] || d[k] <= least {
            continue;
        }
        let noise = clean.noise_of(local.to_vec()).unwrap_or(0.0);
        let nu = peak_of_hann(d, k) * clean.bin_hz / rate;
        let apart = known.iter().all(|v| (v - nu).abs() > resolution);
        if d[k] > STRONG * noise && apart && nu * length as f64 > 1.5 {
            peaks.push((nu, d[k]));
        }
    }
    peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
    peaks.truncate(MOST_BESIDE);
    peaks
        .iter()
        .map(|p| Tone {
            nu: p.0,
            fixed: false,
        })
        .collect()
}

/// Position of a line between Hann bins from the amplitudes of the two largest: δ = (2r − 1)/(r + 1).
fn peak_of_hann(density: &[f64], k: usize) -> f64 {
    let (low, high) = (density[k - 1], density[k + 1]);
    let r = (low.max(high) / density[k]).sqrt();
    let offset = ((2.0 * r - 1.0) / (r + 1.0)).clamp(0.0, 0.5);
    if high >= low {
        k as f64 + offset
    } else {
        k as f64 - offset
    }
}
