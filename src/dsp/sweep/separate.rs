//! One capture on its way from spectra to transfer functions.

use super::gate::{Gate, Look, Spectra, Stretch};
use super::phase::{PhaseData, PhaseFit};
use super::reference::{Placement, SweepParameters};
use super::transform::Transform;
use super::{ChannelTransfer, HigherTransfer, Quality, SweepAnalysis, delay, grid, settle, too_short};
use crate::error::Result;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Highest order that is separated.
const HIGHEST_ORDER: u32 = 5;

/// Noise is looked at beside every fourth grid point.
const NOISE_STEP: usize = 4;

/// Clock offsets below this are taken as none: playing and recording share one clock.
const COMMON_CLOCK: f64 = 1e-6;

/// One capture under analysis.
pub(super) struct Separator<'a> {
    pub(super) sweep: &'a SweepParameters,
    pub(super) transform: &'a Transform,
    /// One a channel.
    pub(super) spectra: &'a [Vec<Complex64>],
    /// Mean squares of the channels.
    pub(super) power: &'a [f64],
}

impl Separator<'_> {
    /// Finds the sweep, then reads every order.
    pub(super) fn run(&self) -> Result<SweepAnalysis> {
        let (strongest, mut place, quality) = self.locate()?;
        let grid = self.grid(place)?;
        let only = &self.spectra[strongest..=strongest];
        // A fit of delay and clock; once more where the clock moved by more than the phase can follow in one go.
        let mut clock_u = 0.0;
        for _ in 0..3 {
            let Some(fit) = self.fit(only, place, &grid, true)? else {
                break;
            };
            clock_u = fit.clock_u;
            place = moved(place, &fit);
            if fit.clock.abs() < 0.2e-6 {
                break;
            }
        }
        if place.clock.abs() < COMMON_CLOCK.max(4.0 * clock_u) {
            place.clock = 0.0;
        }
        if let Some(fit) = self.fit(only, place, &grid, false)? {
            place = moved(place, &fit);
        }
        let first = self.transform.reference(self.sweep, 1, place)?;
        let mut channels = self.first_order(&first, place, &grid);
        for order in 2..=HIGHEST_ORDER {
            self.higher_order(order, &first, place, &grid, &mut channels)?;
        }
        let settled_from_hz = self.settled_from(&grid);
        Ok(SweepAnalysis {
            frequency_hz: grid,
            settled_from_hz,
            channels,
            delay_s: place.start_s - self.sweep.lead_in_s,
            clock_ppm: place.clock * 1e6,
            clock_ppm_u: clock_u * 1e6,
            strongest,
            quality: Quality {
                missing_start_s: (-place.start_s).max(0.0),
                missing_end_s: (place.start_s + self.sweep.seconds * (1.0 + place.clock)
                    - self.transform.seconds())
                .max(0.0),
                ..quality
            },
        })
    }

    /// Lowest grid frequency whose gate stays clear of the start of the sweep.
    fn settled_from(&self, grid: &[f64]) -> f64 {
        grid.iter()
            .copied()
            .find(|f| {
                let reach = Gate::new(1, *f, self.sweep.rate(), self.sweep.seconds).reach_hz();
                f - reach > grid[0]
            })
            .unwrap_or(f64::INFINITY)
    }

    /// Highest frequency that is looked at: the end of the sweep's fade, inside the sampled band.
    fn top_hz(&self) -> f64 {
        let faded = self.sweep.frequency_at(self.sweep.seconds - self.sweep.fade_s);
        faded.min(0.47 * self.transform.rate)
    }

    /// The strongest channel, the rough place of the sweep on it, and how well it fits.
    fn locate(&self) -> Result<(usize, Placement, Quality)> {
        let origin = Placement {
            start_s: 0.0,
            clock: 0.0,
        };
        let reference = self.transform.reference(self.sweep, 1, origin)?;
        let mut best: Option<(f64, usize, Placement, Quality)> = None;
        for (index, spectrum) in self.spectra.iter().enumerate() {
            // Made twice rather than copied: a spectrum is megabytes, and this is where most are alive.
            let deconvolved = || delay::deconvolved(self.transform, self.sweep, spectrum, &reference);
            let start_s = delay::find(self.transform, deconvolved(), self.sweep.seconds)?;
            let mut q = deconvolved();
            let bin_hz = self.transform.bin_hz();
            #[allow(clippy::cast_precision_loss, reason = "bin numbers are far below 2^52")]
            for (k, v) in q.iter_mut().enumerate() {
                // Two rows of bins: whole turns are taken off before the sine.
                let turns = k as f64 * bin_hz * start_s;
                *v *= Complex64::cis(2.0 * PI * (turns - turns.floor()));
            }
            let Some(fit) = delay::measure(&q, bin_hz, self.sweep, self.top_hz()) else {
                continue;
            };
            let merit = fit.compact * self.power[index].sqrt();
            let quality = Quality {
                compact: fit.compact,
                scatter_s: fit.scatter_s,
                missing_start_s: 0.0,
                missing_end_s: 0.0,
                rms: self.power[index].sqrt(),
                rough_clock: fit.clock,
            };
            let place = Placement {
                start_s: start_s + fit.delay_s,
                // A slope that no clock has is no clock: it is judged by the caller, not followed.
                clock: if fit.clock.abs() < 0.002 { fit.clock } else { 0.0 },
            };
            if best.as_ref().is_none_or(|b| merit > b.0) {
                best = Some((merit, index, place, quality));
            }
        }
        best.map(|(_, index, place, quality)| (index, place, quality))
            .ok_or_else(|| too_short("nothing of the sweep can be found on the capture"))
    }

    /// The grid between the fades, or from where the capture begins.
    fn grid(&self, place: Placement) -> Result<Vec<f64>> {
        let start = place.sweep_time(0.0).max(0.0) + self.sweep.fade_s;
        let end = place
            .sweep_time(self.transform.seconds())
            .min(self.sweep.seconds - self.sweep.fade_s);
        let low = self.sweep.frequency_at(start);
        let high = self.sweep.frequency_at(end).min(self.top_hz());
        let grid = grid::frequencies(low, high);
        if grid.len() < 2 * NOISE_STEP {
            return Err(too_short("hardly anything of the sweep is on the capture"));
        }
        Ok(grid)
    }

    /// Fits what is left of delay and clock in the first order of one channel.
    fn fit(
        &self,
        channel: &[Vec<Complex64>],
        place: Placement,
        grid: &[f64],
        with_clock: bool,
    ) -> Result<Option<PhaseFit>> {
        let thin: Vec<f64> = grid.iter().copied().step_by(NOISE_STEP).collect();
        let first = self.transform.reference(self.sweep, 1, place)?;
        let looks = self.looks(channel, &first, &first, 1, place, &thin);
        let (transfer, u) = first_order_of(&looks, 0);
        Ok(self.phase_data(&thin, &transfer, &u).fit(with_clock))
    }

    fn phase_data<'b>(&self, frequency: &'b [f64], transfer: &'b [Complex64], u: &'b [f64]) -> PhaseData<'b> {
        PhaseData {
            frequency,
            transfer,
            u,
            rate: self.sweep.rate(),
            from_hz: self.sweep.from_hz,
        }
    }

    /// One look a grid frequency of the fundamental; noise only at every [`NOISE_STEP`]-th.
    fn looks(
        &self,
        captured: &[Vec<Complex64>],
        reference: &[Complex64],
        first: &[Complex64],
        order: u32,
        place: Placement,
        fundamentals: &[f64],
    ) -> Vec<Look> {
        let spectra = Spectra {
            bin_hz: self.transform.bin_hz(),
            captured,
            reference,
            first,
        };
        let rate = self.sweep.rate();
        let stretch = Stretch {
            sweep_s: (place.start_s, place.start_s + self.sweep.seconds),
            fade_s: self.sweep.fade_s,
            length_s: self.transform.seconds(),
        };
        fundamentals
            .par_iter()
            .enumerate()
            .map(|(i, f)| {
                let hz = f64::from(order) * f;
                let gate = Gate::new(order, hz, rate, self.sweep.seconds);
                let offsets = if i % NOISE_STEP == 0 {
                    let arrival = place.start_s + self.sweep.time_of(*f);
                    stretch.noise_offsets(gate, order, hz, rate, arrival)
                } else {
                    Vec::new()
                };
                spectra.look(gate, hz, &offsets)
            })
            .collect()
    }

    fn first_order(&self, first: &[Complex64], place: Placement, grid: &[f64]) -> Vec<ChannelTransfer> {
        let looks = self.looks(self.spectra, first, first, 1, place, grid);
        let thin: Vec<f64> = grid.iter().copied().step_by(NOISE_STEP).collect();
        let settled_hz = self.settled_from(grid);
        (0..self.spectra.len())
            .map(|c| {
                let (mut linear, linear_u) = first_order_of(&looks, c);
                let spectra = Spectra {
                    bin_hz: self.transform.bin_hz(),
                    captured: &self.spectra[c..=c],
                    reference: first,
                    first,
                };
                let gate = |hz| Gate::new(1, hz, self.sweep.rate(), self.sweep.seconds);
                settle::settle(&spectra, gate, grid, &mut linear, &linear_u, settled_hz);
                let thin_h: Vec<Complex64> = linear.iter().copied().step_by(NOISE_STEP).collect();
                let thin_u: Vec<f64> = linear_u.iter().copied().step_by(NOISE_STEP).collect();
                let fit = self.phase_data(&thin, &thin_h, &thin_u).fit(false);
                let delay_s = fit.map_or(0.0, |f| f.delay_s);
                advance(&mut linear, grid, 1, delay_s);
                ChannelTransfer {
                    linear,
                    linear_u,
                    higher: Vec::new(),
                    delay_s,
                    polarity: fit.map_or(0, |f| f.polarity),
                    excess_phase_deg: fit.map(|f| f.excess_deg),
                }
            })
            .collect()
    }

    fn higher_order(
        &self,
        order: u32,
        first: &[Complex64],
        place: Placement,
        grid: &[f64],
        channels: &mut [ChannelTransfer],
    ) -> Result<()> {
        let n = f64::from(order);
        let top = self.top_hz() * 1.000_001;
        let inside = grid.iter().take_while(|f| n * **f <= top).count();
        let reference = self.transform.reference(self.sweep, order, place)?;
        let looks = self.looks(self.spectra, &reference, first, order, place, &grid[..inside]);
        for (c, channel) in channels.iter_mut().enumerate() {
            let mut values: Vec<Complex64> = looks.iter().map(|l| l.value[c]).collect();
            let linear: Vec<Complex64> = grid[..inside]
                .iter()
                .map(|f| channel.linear_at(grid, n * f))
                .collect();
            let noise = filled(looks.iter().zip(&linear).map(|(l, h)| l.noise_power(c, *h)));
            let floor = (0..inside)
                .map(|i| {
                    let floor = (noise[i] + (looks[i].first * linear[i]).norm_sqr()).sqrt();
                    // Next to its own lower edge an order cannot be told from its neighbours.
                    let gate = Gate::new(order, n * grid[i], self.sweep.rate(), self.sweep.seconds);
                    let at_edge = n * (grid[i] - grid[0]) < gate.reach_hz();
                    if at_edge {
                        floor.max(values[i].norm())
                    } else {
                        floor
                    }
                })
                .collect();
            advance(&mut values, grid, order, channel.delay_s);
            channel.higher.push(HigherTransfer { order, values, floor });
        }
        Ok(())
    }
}

impl ChannelTransfer {
    /// H₁ at the grid frequency nearest `hz`, with the channel's own delay put back.
    fn linear_at(&self, grid: &[f64], hz: f64) -> Complex64 {
        let i = grid
            .partition_point(|f| *f < hz)
            .min(grid.len().saturating_sub(1));
        let turns = grid[i] * self.delay_s;
        self.linear[i] * Complex64::cis(-2.0 * PI * (turns - turns.floor()))
    }
}

/// First order of one channel: transfer, and standard uncertainty of its modulus.
fn first_order_of(looks: &[Look], channel: usize) -> (Vec<Complex64>, Vec<f64>) {
    let transfer: Vec<Complex64> = looks.iter().map(|l| l.value[channel]).collect();
    let noise = filled(
        looks
            .iter()
            .zip(&transfer)
            .map(|(l, h)| l.noise_power(channel, *h)),
    );
    // Half of the noise power lies along the transfer, half across.
    let u = noise.iter().map(|p| (p / 2.0).sqrt()).collect();
    (transfer, u)
}

/// Fills the gaps on straight lines between the known values; the ends keep the nearest.
fn filled(values: impl Iterator<Item = Option<f64>>) -> Vec<f64> {
    let values: Vec<Option<f64>> = values.collect();
    let known: Vec<(usize, f64)> = values
        .iter()
        .enumerate()
        .filter_map(|(i, v)| v.map(|v| (i, v)))
        .collect();
    (0..values.len())
        .map(|i| {
            let after = known.partition_point(|(k, _)| *k < i);
            match (after.checked_sub(1).and_then(|b| known.get(b)), known.get(after)) {
                (Some((i0, a)), Some((i1, b))) => {
                    #[allow(clippy::cast_precision_loss, reason = "a few hundred points")]
                    let share = (i - i0) as f64 / (i1 - i0) as f64;
                    a * (1.0 - share) + b * share
                }
                (Some((_, v)), None) | (None, Some((_, v))) => *v,
                (None, None) => 0.0,
            }
        })
        .collect()
}

/// The place after a fit found what is left.
fn moved(place: Placement, fit: &PhaseFit) -> Placement {
    Placement {
        start_s: place.start_s + fit.delay_s,
        clock: (1.0 + place.clock) * (1.0 + fit.clock) - 1.0,
    }
}

/// Takes a delay out of the phases at `order` times the grid's frequencies.
fn advance(values: &mut [Complex64], grid: &[f64], order: u32, delay_s: f64) {
    for (v, f) in values.iter_mut().zip(grid) {
        let turns = f64::from(order) * f * delay_s;
        *v *= Complex64::cis(2.0 * PI * (turns - turns.floor()));
    }
}
