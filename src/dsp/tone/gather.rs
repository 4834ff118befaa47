//! What the blocks' readings add up to: coherent means along the phase track, and their uncertainties.

use super::blocks::{AMPLITUDE_VARIANCE, CLEAR_BINS, ChannelReaders, ChannelRun, ToneReaders, ToneRun};
use super::reader::WIDTH;
use super::track::{line, track, wrap};
use super::uncertainty::Variance;
use crate::dsp::background::mean_from_median;
use crate::dsp::block_spectrum::{BlockGrid, PowerSum};
use crate::dsp::phase::phasor;
use crate::dsp::window::Window;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

/// The first and the last of overlapping blocks stand alone for the samples at either end.
const END_WEIGHT: f64 = 1.5;

/// Below this ratio of power to noise in a block a sine that another channel carries is read along that one's phase.
const FOLLOWS: f64 = 100.0;

/// Blocks over which the present frequency is taken.
const PRESENT: usize = 32;

/// What the probe knows of a sine.
#[derive(Debug, Clone)]
pub(super) struct Reference {
    /// Cycles per sample.
    pub(super) nu: f64,
    /// Amplitude over its standard uncertainty in the probe.
    pub(super) snr: f64,
    /// Channel and index of the much stronger sine that this one may come from.
    pub(super) leader: Option<(usize, usize)>,
}

/// Weighted sums of a complex reading, by segment.
#[derive(Debug, Clone)]
pub(super) struct Sum {
    segments: Vec<(Complex64, f64)>,
}

impl Sum {
    fn new(segments: usize) -> Self {
        Self {
            segments: vec![(Complex64::default(), 0.0); segments.max(1)],
        }
    }

    fn add(&mut self, segment: usize, z: Complex64, weight: f64) {
        let (sum, total) = &mut self.segments[segment];
        *sum += z * weight;
        *total += weight;
    }

    pub(super) fn mean(&self) -> Complex64 {
        let sum: Complex64 = self.segments.iter().map(|s| s.0).sum();
        sum / self.segments.iter().map(|s| s.1).sum::<f64>()
    }

    pub(super) fn means(&self) -> Vec<Complex64> {
        self.segments.iter().map(|s| s.0 / s.1).collect()
    }
}

/// One sine of one channel.
pub(super) struct ToneSums {
    pub(super) reference: Reference,
    pub(super) follows: bool,
    pub(super) orders: Vec<u32>,
    pub(super) fundamental: Sum,
    pub(super) harmonics: Vec<Sum>,
    pub(super) rest: Vec<f64>,
    /// Phase of every block re the reference frequency, continuous.
    pub(super) phases: Vec<f64>,
    /// The same, smoothed: what readings were turned by.
    pub(super) turned: Vec<f64>,
}

pub(super) struct ChannelSums {
    pub(super) tones: Vec<ToneSums>,
    pub(super) dc: (f64, f64),
    pub(super) power: PowerSum,
}

/// All channels.
pub(super) struct Gathered {
    pub(super) grid: BlockGrid,
    pub(super) rate: f64,
    pub(super) channels: Vec<ChannelSums>,
    pub(super) blocks: usize,
}

impl Gathered {
    pub(super) fn new(
        grid: &BlockGrid,
        rate: f64,
        references: &[Vec<Reference>],
        readers: &[ChannelReaders],
    ) -> Self {
        let segments = grid.segments();
        let tone = |reference: &Reference, readers: &ToneReaders| ToneSums {
            reference: reference.clone(),
            follows: false,
            orders: readers.harmonics.iter().map(|h| h.0).collect(),
            fundamental: Sum::new(segments),
            harmonics: vec![Sum::new(segments); readers.harmonics.len()],
            rest: vec![0.0; (readers.harmonics.len() + 1) * WIDTH],
            phases: Vec::with_capacity(grid.count),
            turned: Vec::with_capacity(grid.count),
        };
        let channels = references
            .iter()
            .zip(readers)
            .map(|(references, readers)| ChannelSums {
                tones: references
                    .iter()
                    .zip(&readers.tones)
                    .map(|(r, t)| tone(r, t))
                    .collect(),
                dc: (0.0, 0.0),
                power: PowerSum::new(grid),
            })
            .collect();
        Self {
            grid: *grid,
            rate,
            channels,
            blocks: 0,
        }
    }

    pub(super) fn weight(&self, b: usize) -> f64 {
        let overlap = self.hop() < 0.75 * self.grid.length as f64;
        if overlap && (b == 0 || b + 1 == self.grid.count) {
            END_WEIGHT
        } else {
            1.0
        }
    }

    /// Amplitudes of the blocks from `first` on, turned back by the reference frequency.
    fn turned_back(&self, nu: f64, first: usize, z: &[Complex64]) -> Vec<Complex64> {
        z.iter()
            .enumerate()
            .map(|(i, z)| z * phasor(-nu, self.grid.middle(first + i)))
            .collect()
    }

    /// Mean frames from one block to the next.
    pub(super) fn hop(&self) -> f64 {
        (self.grid.span as f64 - self.grid.length as f64) / (self.grid.count as f64 - 1.0)
    }

    /// Noise variance of each part of a block's amplitude, from what the readers left beside the lines.
    fn block_noise(&self, rest: &[f64], readers: &ToneReaders, blocks: usize) -> f64 {
        AMPLITUDE_VARIANCE * readers.noise_beside(rest, 0, blocks as f64).value
            / (self.grid.length as f64).powi(2)
    }

    /// The frequencies that the first batch's phases tell, before it is taken up.
    pub(super) fn offsets(&self, readers: &[ChannelReaders], batch: &[Vec<ChannelRun>]) -> Vec<Vec<f64>> {
        let offset = |c: usize, i: usize| {
            let own = &self.channels[c].tones[i].reference;
            let (z, _) = joined(batch, c, i);
            let noise = self.block_noise(&rest_of(batch, c, i), &readers[c].tones[i], z.len());
            let power = z.iter().map(|z| z.norm_sqr()).sum::<f64>() / z.len() as f64;
            if power < FOLLOWS * noise {
                return readers[c].tones[i].nu;
            }
            let phases = track(&self.turned_back(own.nu, 0, &z), noise, 0.0);
            own.nu + line(&phases).1 / TAU / self.hop()
        };
        (0..self.channels.len())
            .map(|c| (0..self.channels[c].tones.len()).map(|i| offset(c, i)).collect())
            .collect()
    }

    /// Takes up a batch; gives the frequencies at its end.
    pub(super) fn add(
        &mut self,
        readers: &[ChannelReaders],
        batch: &[Range<usize>],
        read: &[Vec<ChannelRun>],
    ) -> Vec<Vec<f64>> {
        let first = self.blocks;
        for (blocks, run) in batch.iter().zip(read) {
            self.add_power_and_dc(blocks, run);
        }
        let mut sines: Vec<(usize, usize)> = (0..self.channels.len())
            .flat_map(|c| (0..self.channels[c].tones.len()).map(move |i| (c, i)))
            .collect();
        // Leaders first: their tracks are what others follow.
        sines.sort_by_key(|(c, i)| self.channels[*c].tones[*i].reference.leader.is_some());
        for (c, i) in sines {
            self.add_tone(c, i, &readers[c].tones[i], first, read);
        }
        self.blocks = batch.last().map_or(first, |b| b.end);
        self.present(readers)
    }

    fn add_power_and_dc(&mut self, blocks: &Range<usize>, run: &[ChannelRun]) {
        let segment = self.grid.segment_of(blocks.start);
        let weights: Vec<f64> = blocks.clone().map(|b| self.weight(b)).collect();
        for (channel, run) in self.channels.iter_mut().zip(run) {
            channel.power.add(segment, &run.power, blocks.len());
            for (dc, weight) in run.dc.iter().zip(&weights) {
                channel.dc.0 += weight * dc;
                channel.dc.1 += weight;
            }
        }
    }

    fn add_tone(
        &mut self,
        c: usize,
        i: usize,
        readers: &ToneReaders,
        first: usize,
        read: &[Vec<ChannelRun>],
    ) {
        let (fundamental, harmonics) = joined(read, c, i);
        let rest = rest_of(read, c, i);
        let noise = self.block_noise(&rest, readers, fundamental.len());
        let tone = &self.channels[c].tones[i];
        let nu = tone.reference.nu;
        let z = self.turned_back(nu, first, &fundamental);
        let power = z.iter().map(|z| z.norm_sqr()).sum::<f64>() / z.len() as f64;
        let follows = match tone.reference.leader {
            Some(_) if first > 0 => tone.follows,
            Some(_) => power < FOLLOWS * noise,
            None => false,
        };
        let turned = match tone.reference.leader {
            Some((d, j)) if follows => {
                // The leader's phase, counted from this sine's reference frequency.
                let leader = &self.channels[d].tones[j];
                let ahead = leader.reference.nu - nu;
                (first..first + z.len())
                    .map(|b| leader.turned[b] + TAU * ahead * self.grid.middle(b))
                    .collect()
            }
            _ => track(&z, noise, next_phase(&tone.turned)),
        };
        let rotations: Vec<Complex64> = turned.iter().map(|p| Complex64::from_polar(1.0, -p)).collect();
        let slopes = slopes(&turned, self.hop());
        let weights: Vec<f64> = (0..z.len()).map(|b| self.weight(first + b)).collect();
        let segments: Vec<usize> = (0..z.len()).map(|b| self.grid.segment_of(first + b)).collect();
        let middles: Vec<f64> = (0..z.len()).map(|b| self.grid.middle(first + b)).collect();
        let length = self.grid.length as f64;
        let tone = &mut self.channels[c].tones[i];
        tone.follows = follows;
        let lines = tone.orders.len();
        for b in 0..z.len() {
            tone.fundamental.add(segments[b], z[b] * rotations[b], weights[b]);
            let back = phasor(-nu, middles[b]) * rotations[b];
            let off = (nu + slopes[b] - readers.nu) * length;
            for (h, sum) in tone.harmonics.iter_mut().enumerate() {
                let order = tone.orders[h];
                let correction = readers.harmonics[h].1.correction(off * f64::from(order));
                let y = harmonics[b * lines + h] * back.powu(order) * correction;
                sum.add(segments[b], y, weights[b]);
            }
            tone.phases.push(turned[b] + wrap(z[b].arg() - turned[b]));
        }
        tone.turned.extend(turned);
        for (sum, r) in tone.rest.iter_mut().zip(&rest) {
            *sum += r;
        }
    }

    /// Present frequencies; a sine that follows another keeps that one's.
    fn present(&self, readers: &[ChannelReaders]) -> Vec<Vec<f64>> {
        let of = |c: usize, i: usize| {
            let tone = &self.channels[c].tones[i];
            let (from, own) = match tone.reference.leader {
                Some((d, j)) if tone.follows => (&self.channels[d].tones[j], false),
                _ => (tone, true),
            };
            let n = from.turned.len();
            if n < PRESENT || (own && from.reference.snr < FOLLOWS) {
                return readers[c].tones[i].nu;
            }
            from.reference.nu + line(&from.turned[n - PRESENT..]).1 / TAU / self.hop()
        };
        (0..self.channels.len())
            .map(|c| (0..self.channels[c].tones.len()).map(|i| of(c, i)).collect())
            .collect()
    }
}

impl ToneReaders {
    /// |X|² of the noise beside a line (0 is the fundamental), averaged over `blocks`.
    pub(super) fn noise_beside(&self, rest: &[f64], index: usize, blocks: f64) -> Variance {
        let sums = &rest[index * WIDTH..(index + 1) * WIDTH];
        let beside: Vec<f64> = self
            .reader(index)
            .beside(CLEAR_BINS)
            .map(|k| sums[k] / blocks)
            .collect();
        let dof = beside.len() as f64 * blocks / Window::Hann.nenbw();
        Variance {
            value: mean_from_median(beside, blocks).unwrap_or(0.0),
            dof: dof.max(1.0),
        }
    }
}

/// Where the track is likely to go on.
fn next_phase(turned: &[f64]) -> f64 {
    match turned {
        [.., a, b] => b + (b - a),
        _ => 0.0,
    }
}

/// Deviation of the frequency at every block, cycles per sample, from the track's slope over ±2 blocks.
fn slopes(turned: &[f64], hop: f64) -> Vec<f64> {
    (0..turned.len())
        .map(|b| {
            let part = &turned[b.saturating_sub(2)..(b + 3).min(turned.len())];
            line(part).1 / TAU / hop
        })
        .collect()
}

/// A batch's amplitudes of a sine, run after run.
fn joined(read: &[Vec<ChannelRun>], c: usize, i: usize) -> (Vec<Complex64>, Vec<Complex64>) {
    let runs = || read.iter().map(|run| &run[c].tones[i]);
    (
        runs()
            .flat_map(|r: &ToneRun| r.fundamental.iter().copied())
            .collect(),
        runs().flat_map(|r| r.harmonics.iter().copied()).collect(),
    )
}

/// A batch's sums of what the readers left.
fn rest_of(read: &[Vec<ChannelRun>], c: usize, i: usize) -> Vec<f64> {
    let mut sum = vec![0.0; read.first().map_or(0, |run| run[c].tones[i].rest.len())];
    for run in read {
        for (s, r) in sum.iter_mut().zip(&run[c].tones[i].rest) {
            *s += r;
        }
    }
    sum
}
