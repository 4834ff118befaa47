//! One mark on all channels, to a small part of a frame.
//!
//! The spectrum X of the mark's surroundings is Σ aₛ·Tₛ(f)·e^{−j2πfτ} and noise, with Tₛ the rising and the falling chirp.
//! The envelope's place τ maximises |Σ X·T*·e^{j2πfτ}|; both amplitudes follow by least squares, so that a channel that
//! hears both is told from one that hears its own. With R = 2E/N₀ (E the energy of the mark, N₀ the noise density beside
//! it, both from the fit) the standard uncertainty of the phase is 1/√R, and that of τ is 1/(2π·β·√R), β the rms bandwidth
//! (Woodward 1953, from memory; the same as the Cramér–Rao bound of a known signal in white noise).

use super::filter::{Band, Candidate, SHAPES, read_around};
use crate::error::Result;
use crate::signal::source::{BlockReader, Format};
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// One mark as one channel heard it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fix {
    /// Frame that the mark begins on, by its envelope.
    pub(super) at: f64,
    /// Its standard uncertainty, frames.
    pub(super) u: f64,
    /// Complex amplitude of each shape, peak re full scale; the phase is what the path adds at the marks' centre.
    pub(super) amplitude: [Complex64; SHAPES],
    /// Standard uncertainty of an amplitude's real and imaginary part, same unit.
    pub(super) amplitude_u: f64,
}

/// The place of marks that were found roughly.
pub(super) struct Refiner {
    band: Band,
    taper: Vec<f64>,
    /// Centre of the marks' energy, Hz.
    pub(super) centre_hz: f64,
    /// Rms bandwidth β, Hz.
    bandwidth_hz: f64,
    rate: f64,
}

impl Refiner {
    pub(super) fn new(sample_rate_hz: u32) -> Result<Self> {
        let band = Band::new(sample_rate_hz, 2)?;
        let margin = (band.block - band.mark) / 4;
        let taper = (0..band.block)
            .map(|n| {
                let edge = n.min(band.block - 1 - n) as f64 / margin.max(1) as f64;
                0.5 - 0.5 * (PI * edge.min(1.0)).cos()
            })
            .collect();
        let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
        for (k, t) in band.shapes[0].iter().enumerate() {
            let (hz, power) = (band.hertz(k), t.norm_sqr());
            sum += power;
            first += power * hz;
            second += power * hz * hz;
        }
        let centre_hz = first / sum;
        Ok(Self {
            band,
            taper,
            centre_hz,
            bandwidth_hz: (second / sum - centre_hz * centre_hz).max(0.0).sqrt(),
            rate: f64::from(sample_rate_hz),
        })
    }

    /// The mark near `rough` on every channel; the place is sought on the candidate's channel and shape and within a few
    /// frames of it on the others.
    pub(super) fn fix(
        &self,
        reader: &mut dyn BlockReader,
        format: Format,
        rough: &Candidate,
    ) -> Result<Vec<Fix>> {
        let start = (rough.at - ((self.band.block - self.band.mark) / 2) as f64).round() as i64;
        let mut planes = vec![vec![0.0; self.band.block]; format.channels];
        read_around(reader, format, start, &mut planes)?;
        let spectra = planes
            .iter_mut()
            .map(|plane| {
                for (x, w) in plane.iter_mut().zip(&self.taper) {
                    *x *= w;
                }
                self.band.spectrum(plane)
            })
            .collect::<Result<Vec<_>>>()?;
        let near = rough.at - start as f64;
        let near = self.peak(&spectra[rough.channel], rough.shape, near);
        Ok(spectra
            .iter()
            .map(|spectrum| {
                let strongest = (0..SHAPES).max_by(|a, b| {
                    let size = |s: usize| self.correlate(spectrum, s, near).norm();
                    size(*a).total_cmp(&size(*b))
                });
                let shape = strongest.unwrap_or(rough.shape);
                let own = self.peak(spectrum, shape, near);
                // A channel that hears nothing has its maximum anywhere.
                let lag = if (own - near).abs() < 0.001 * self.rate {
                    own
                } else {
                    near
                };
                self.solve(spectrum, shape, lag, start as f64)
            })
            .collect())
    }

    /// Σ X·T*·e^{j2πfτ} for τ = `lag` frames.
    fn correlate(&self, spectrum: &[Complex64], shape: usize, lag: f64) -> Complex64 {
        let turn = Complex64::cis(TAU * (self.band.hertz(1) - self.band.hertz(0)) * lag / self.rate);
        let mut phasor = Complex64::cis(TAU * self.band.hertz(0) * lag / self.rate);
        let mut sum = Complex64::ZERO;
        for (x, t) in spectrum.iter().zip(&self.band.shapes[shape]) {
            sum += x * t.conj() * phasor;
            phasor *= turn;
        }
        sum
    }

    /// The lag that maximises the correlation's magnitude: parabolas through three points, ever closer.
    fn peak(&self, spectrum: &[Complex64], shape: usize, near: f64) -> f64 {
        let mut lag = near;
        let mut step = 0.15 * self.rate / self.bandwidth_hz.max(1.0) / TAU * 2.0;
        for _ in 0..12 {
            let [a, b, c] = [-step, 0.0, step].map(|d| self.correlate(spectrum, shape, lag + d).norm_sqr());
            let curvature = a - 2.0 * b + c;
            let shift = if curvature < 0.0 {
                (0.5 * (a - c) / curvature).clamp(-1.0, 1.0)
            } else {
                (c - a).signum()
            };
            lag += shift * step;
            if shift.abs() < 0.5 {
                step *= 0.4;
            }
        }
        lag
    }

    /// Amplitudes of both shapes at `lag` by least squares, and what they are worth.
    fn solve(&self, spectrum: &[Complex64], shape: usize, lag: f64, start: f64) -> Fix {
        let shapes = &self.band.shapes;
        let energy: f64 = shapes[0].iter().map(Complex64::norm_sqr).sum();
        let cross: Complex64 = shapes[1]
            .iter()
            .zip(&shapes[0])
            .map(|(t1, t0)| t1 * t0.conj())
            .sum();
        let c = [self.correlate(spectrum, 0, lag), self.correlate(spectrum, 1, lag)];
        let determinant = energy * energy - cross.norm_sqr();
        let amplitude = [
            (c[0] * energy - cross * c[1]) / determinant,
            (c[1] * energy - cross.conj() * c[0]) / determinant,
        ];
        let all: f64 = spectrum.iter().map(Complex64::norm_sqr).sum();
        let explained = (amplitude[0].conj() * c[0] + amplitude[1].conj() * c[1]).re;
        // Rounding of the sums is the least that is left.
        let left = (all - explained).max(1e-15 * all) + f64::MIN_POSITIVE;
        let dimensions = (spectrum.len() as f64 - 2.0).max(1.0);
        let noise = left / dimensions;
        let ratio = 2.0 * amplitude[shape].norm_sqr() * energy / noise;
        Fix {
            at: start + lag,
            u: self.rate / (TAU * self.bandwidth_hz * ratio.sqrt()),
            amplitude,
            amplitude_u: (noise / (2.0 * energy)).sqrt(),
        }
    }
}
