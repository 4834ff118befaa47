//! A steady tone followed through its take: frequency and level that one damaged place cannot spoil.
//!
//! The take is cut into some twenty blocks; in each the tone's phasor is read under a Hann weighting. The frequency is that
//! of the **median** turn from block to block: frames lost at one place, or at a few, spoil the turns there and leave the
//! median, where a fit over all would share the jump out over the whole take and so hide it. It is therefore the clock that
//! the marks' distance is held against.

use crate::error::Result;
use crate::signal::source::BlockSource;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// Blocks of a take.
const BLOCKS: usize = 20;

/// Least blocks that a median is believed of.
const FEWEST: usize = 6;

/// Least periods of the tone in a block: a Hann window then keeps the tone's own mirror below 10⁻⁴.
const PERIODS: f64 = 12.0;

/// A tone along its take.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Track {
    /// Hz, by the capture's clock.
    pub(super) frequency_hz: f64,
    /// Its standard uncertainty from the spread of the turns, Hz.
    pub(super) u_hz: f64,
    /// Level of each block, peak, in the order of time.
    pub(super) level: Vec<f64>,
}

impl Track {
    /// Largest departure of a block's level from the median, dB, without the two that depart most: what a damaged place
    /// does to its block is no drift. Less what noise does: of twenty blocks one in 100,000 takes departs by five standard deviations, which
    /// are known from the differences of neighbours.
    pub(super) fn drift_db(&self) -> f64 {
        let middle = median(self.level.clone());
        let mut off: Vec<f64> = self.level.iter().map(|l| decibels(l / middle).abs()).collect();
        off.sort_by(f64::total_cmp);
        let steps: Vec<f64> = self
            .level
            .windows(2)
            .map(|w| decibels(w[1] / w[0]).abs())
            .collect();
        let sigma = median(steps) / 0.6745 / std::f64::consts::SQRT_2;
        off.len()
            .checked_sub(3)
            .map_or(0.0, |i| (off[i] - 5.0 * sigma).max(0.0))
    }
}

fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Follows the tone of about `hz` on one channel over the frames `steady`; `None` where they hold too few periods.
pub(super) fn follow(
    source: &dyn BlockSource,
    channel: usize,
    steady: &Range<u64>,
    hz: f64,
) -> Result<Option<Track>> {
    let format = source.format();
    let rate = f64::from(format.sample_rate_hz);
    let frames = steady.end.saturating_sub(steady.start) as usize;
    let least = (PERIODS * rate / hz).ceil() as usize;
    let count = (frames / least.max(256)).min(BLOCKS);
    if count < FEWEST {
        return Ok(None);
    }
    let length = frames / count;
    let mut reader = source.open()?;
    let mut planes = vec![vec![0.0; length]; format.channels];
    let omega = TAU * hz / rate;
    let mut phasors = Vec::with_capacity(count);
    for block in 0..count {
        let first = steady.start + (block * length) as u64;
        let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
        if reader.read(first, &mut slices)? < length {
            break;
        }
        phasors.push(phasor(&planes[channel], omega) * Complex64::cis(-omega * (block * length) as f64));
    }
    let mut turns: Vec<f64> = phasors.windows(2).map(|w| (w[1] / w[0]).arg()).collect();
    let turn = median(turns.clone());
    for t in &mut turns {
        *t = (*t - turn).abs();
    }
    // Median of n normal values: σ·√(π/2n); σ from the median magnitude.
    let sigma = median(turns.clone()) / 0.6745;
    let u = sigma * (0.5 * std::f64::consts::PI / turns.len().max(1) as f64).sqrt();
    let per_turn = rate / (TAU * length as f64);
    Ok(Some(Track {
        frequency_hz: hz + turn * per_turn,
        u_hz: u * per_turn,
        level: phasors.iter().map(|z| z.norm()).collect(),
    }))
}

/// Peak amplitude and phase of the cosine of `omega` at the first sample, Hann-weighted.
fn phasor(x: &[f64], omega: f64) -> Complex64 {
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let turn = Complex64::cis(-omega);
    let slow = Complex64::cis(TAU / x.len() as f64);
    let (mut carrier, mut window) = (Complex64::new(1.0, 0.0), slow.sqrt());
    let (mut sum, mut weights) = (Complex64::ZERO, 0.0);
    for v in x {
        let w = 0.5 - 0.5 * window.re;
        sum += carrier * ((v - mean) * w);
        weights += w;
        carrier *= turn;
        window *= slow;
    }
    sum * (2.0 / weights)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::source::MemorySource;

    #[test]
    fn frames_lost_inside_do_not_move_the_frequency() {
        // Closed form: 997 Hz by the capture's clock; 13 frames lost at a fifth of the take, which a fit over all would
        // take for about 100 ppm. Without noise only the mirror's 1e-4 rad a block is left: 0.02 ppm.
        let rate = 48_000.0;
        let plane: Vec<f64> = (0..96_000)
            .map(|n| {
                let t = f64::from(if n < 20_000 { n } else { n + 13 }) / rate;
                0.3 * (TAU * 997.0 * t + 0.7).sin()
            })
            .collect();
        let source = MemorySource::new(48_000, vec![plane]);
        let track = follow(&source, 0, &(0..96_000), 997.1).unwrap().unwrap();
        assert!(
            (track.frequency_hz / 997.0 - 1.0).abs() < 1e-7,
            "{}",
            track.frequency_hz
        );
        assert!(track.drift_db() < 0.01);
        assert!(follow(&source, 0, &(0..96_000), 30.0).unwrap().is_none());
    }
}
