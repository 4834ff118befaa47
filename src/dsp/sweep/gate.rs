//! One value of a transfer function: the gated impulse response of one order, transformed at one frequency.
//!
//! Multiplying a deconvolved impulse response by a window in time is the same as averaging the deconvolution over
//! neighbouring bins with the window's transform. With a window that is a rectangle smoothed by a Gaussian this
//! transform is known in closed form and dies out so fast that a sum over a few bins is the whole of it. So
//!
//! H(g) = Σₖ K(g − fₖ)·fₖ·Yₖ·Xₖ* / Σₖ K(g − fₖ)·fₖ·|Xₖ|²
//!
//! is the least-squares transfer at g with every other order, late echoes and most of the noise gated away; the factor
//! f makes the spectrum of the sweep flat. The denominator is what the same gate does to the sweep itself, so fades
//! and the ripple at the band's edges cancel exactly for a flat device. The gate's length follows the frequency: a
//! number of periods, as far as the neighbouring orders leave room.

use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Number of noise looks beside one value.
const LOOKS: usize = 8;

/// A window on the impulse response: 1 between −`before` and `after` around the arrival, with Gaussian flanks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Gate {
    /// Half-height point before the arrival, s.
    before: f64,
    /// Half-height point after it, s.
    after: f64,
    /// Standard deviation of the flanks, s.
    flank: f64,
}

impl Gate {
    /// The gate of `order` at frequency `hz` for a sweep of rate `rate` (L) and length `seconds`.
    pub(super) fn new(order: u32, hz: f64, rate: f64, seconds: f64) -> Self {
        let n = f64::from(order);
        // The next higher order arrives this long before, the next lower this long after.
        let room_before = 0.5 * rate * ((n + 1.0) / n).ln();
        let before = room_before.min((8.0 / hz).max(0.004));
        if order == 1 {
            let after = (0.15 * seconds).min(1.0).min((20.0 / hz).max(0.008));
            let flank = before.min(after) / 4.0;
            return Self { before, after, flank };
        }
        let after = (0.5 * rate * (n / (n - 1.0)).ln()).min((20.0 / hz).max(0.008));
        // The lower order is far stronger: six deviations between it and the gate leave 1e-9 of it.
        let flank = (before / 4.0).min(after / 6.0);
        Self { before, after, flank }
    }

    /// Half-width of the transform, Hz: beyond, it is below e⁻¹⁸ of its peak.
    pub(super) fn reach_hz(self) -> f64 {
        3.0 / (PI * self.flank)
    }

    /// Length between the half-height points, s.
    fn length(self) -> f64 {
        self.before + self.after
    }

    /// The window's transform at `hz` minus the frequency of each bin from `low` to `high`, times that frequency:
    /// [e^{j2πν·before} − e^{−j2πν·after}] / (j2πν·length) · e^{−2(πν·flank)²}.
    fn weights(self, hz: f64, bin_hz: f64, low: usize, high: usize) -> Vec<Complex64> {
        let start = hz - as_f64(low) * bin_hz;
        // Phasors are turned from bin to bin: a sine for each bin would take most of the time of an analysis.
        let mut early = Complex64::cis(2.0 * PI * start * self.before);
        let mut late = Complex64::cis(-2.0 * PI * start * self.after);
        let early_turn = Complex64::cis(-2.0 * PI * bin_hz * self.before);
        let late_turn = Complex64::cis(2.0 * PI * bin_hz * self.after);
        (low..=high)
            .map(|k| {
                let bin = as_f64(k) * bin_hz;
                let apart = hz - bin;
                let turns = Complex64::new(0.0, 2.0 * PI * apart * self.length());
                let rectangle = if turns.im.abs() < 1e-6 {
                    Complex64::new(1.0, 0.0)
                } else {
                    (early - late) / turns
                };
                early *= early_turn;
                late *= late_turn;
                rectangle * (bin * (-2.0 * (PI * self.flank * apart).powi(2)).exp())
            })
            .collect()
    }
}

/// What one gate yields at one frequency.
#[derive(Debug, Clone)]
pub(super) struct Look {
    /// Transfer, one a channel.
    pub(super) value: Vec<Complex64>,
    /// What a unit first order yields in this gate (1 for the first order itself).
    pub(super) first: Complex64,
    /// The gate moved to stretches of noise: one list a channel.
    noise: Vec<Vec<Complex64>>,
    /// What a unit first order yields there.
    first_noise: Vec<Complex64>,
}

impl Look {
    /// Mean square of the noise (both parts together) of `channel`, whose first order has the transfer `linear` here;
    /// `None` where no noise was looked at. What the ends of the sweep itself put into the moved gates is no noise.
    pub(super) fn noise_power(&self, channel: usize, linear: Complex64) -> Option<f64> {
        let noise = self.noise.get(channel).filter(|n| !n.is_empty())?;
        let sum: f64 = noise
            .iter()
            .zip(&self.first_noise)
            .map(|(n, first)| (n - linear * first).norm_sqr())
            .sum();
        Some(sum / as_f64(noise.len()))
    }
}

/// Spectra that the gates look at.
pub(super) struct Spectra<'a> {
    /// Spacing of the bins, Hz.
    pub(super) bin_hz: f64,
    /// Captured channels.
    pub(super) captured: &'a [Vec<Complex64>],
    /// Reference of the order looked at.
    pub(super) reference: &'a [Complex64],
    /// Reference of the first order.
    pub(super) first: &'a [Complex64],
}

impl Spectra<'_> {
    /// The transfer at `hz` through `gate`, and its noise through the same gate moved by each of `offsets` seconds.
    pub(super) fn look(&self, gate: Gate, hz: f64, offsets: &[f64]) -> Look {
        let sources: Vec<&[Complex64]> = std::iter::once(self.first)
            .chain(self.captured.iter().map(Vec::as_slice))
            .collect();
        let mut value = vec![Complex64::default(); sources.len()];
        let mut moved = vec![vec![Complex64::default(); offsets.len()]; sources.len()];
        let mut sum = Complex64::default();
        let last = self.reference.len().saturating_sub(1);
        let low = self.bin_at((hz - gate.reach_hz()).max(self.bin_hz)).min(last);
        let high = self.bin_at(hz + gate.reach_hz()).min(last);
        let mut phasors: Vec<Complex64> = offsets
            .iter()
            .map(|offset| Complex64::cis(-2.0 * PI * (hz - as_f64(low) * self.bin_hz) * offset))
            .collect();
        let turns: Vec<Complex64> = offsets
            .iter()
            .map(|offset| Complex64::cis(2.0 * PI * self.bin_hz * offset))
            .collect();
        let weights = gate.weights(hz, self.bin_hz, low, high);
        for (k, weight) in (low..=high).zip(weights) {
            sum += weight * self.reference[k].norm_sqr();
            let weight = weight * self.reference[k].conj();
            for (s, spectrum) in sources.iter().enumerate() {
                let product = weight * spectrum[k];
                value[s] += product;
                for (sum, phasor) in moved[s].iter_mut().zip(&phasors) {
                    *sum += product * phasor;
                }
            }
            for (phasor, turn) in phasors.iter_mut().zip(&turns) {
                *phasor *= turn;
            }
        }
        let scale = if sum.norm_sqr() > 0.0 {
            sum.inv()
        } else {
            Complex64::default()
        };
        value
            .iter_mut()
            .chain(moved.iter_mut().flatten())
            .for_each(|v| *v *= scale);
        let first_noise = moved.remove(0);
        Look {
            first: value.remove(0),
            value,
            noise: moved,
            first_noise,
        }
    }

    /// The first captured channel re the reference times `model`, both through `gate` at `hz`.
    pub(super) fn against(&self, gate: Gate, hz: f64, model: &dyn Fn(f64) -> Complex64) -> Complex64 {
        let last = self.reference.len().saturating_sub(1);
        let low = self.bin_at((hz - gate.reach_hz()).max(self.bin_hz)).min(last);
        let high = self.bin_at(hz + gate.reach_hz()).min(last);
        let (mut is, mut ought) = (Complex64::default(), Complex64::default());
        let weights = gate.weights(hz, self.bin_hz, low, high);
        for (k, weight) in (low..=high).zip(weights) {
            is += weight * self.captured[0][k] * self.reference[k].conj();
            ought += weight * self.reference[k].norm_sqr() * model(as_f64(k) * self.bin_hz);
        }
        is / ought
    }

    fn bin_at(&self, hz: f64) -> usize {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "frequencies are positive and below the sample rate; casts saturate"
        )]
        let bin = (hz / self.bin_hz).round() as usize;
        bin
    }
}

/// Where a capture holds what, for finding stretches of bare noise. Seconds of the capture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch {
    /// Start and end of the sweep: a rectifying device shifts its DC there, which is no noise.
    pub(super) sweep_s: (f64, f64),
    /// Fade of the sweep.
    pub(super) fade_s: f64,
    /// Length of the capture.
    pub(super) length_s: f64,
}

impl Stretch {
    /// Whether the gate, moved to `at`, sees neither an end of the capture nor one of the sweep.
    fn is_bare(&self, gate: Gate, at: f64) -> bool {
        let reach = 4.0 * gate.flank;
        let (low, high) = (at - gate.before - reach, at + gate.after + reach);
        let clear_of = |edge: f64| high < edge - self.fade_s || low > edge + self.fade_s;
        low >= 0.0 && high <= self.length_s && clear_of(self.sweep_s.0) && clear_of(self.sweep_s.1)
    }

    /// Offsets at which `gate` sees nothing but noise: the capture's own noise at `hz` from other moments.
    ///
    /// `arrival` is the second of the capture at which `order` passes `hz`. Later than the first order's tail nothing
    /// is left but noise; where the capture ends too soon, earlier than the twelfth order is taken.
    pub(super) fn noise_offsets(&self, gate: Gate, order: u32, hz: f64, rate: f64, arrival: f64) -> Vec<f64> {
        let n = f64::from(order);
        let tail = gate.after.max((20.0 / hz).clamp(0.008, 1.0));
        let step = gate.length();
        let mut offsets = Vec::with_capacity(LOOKS);
        let mut later = rate * n.ln() + tail + gate.before + 6.0 * gate.flank;
        while offsets.len() < LOOKS && arrival + later < self.length_s {
            if self.is_bare(gate, arrival + later) {
                offsets.push(later);
            }
            later += step;
        }
        let mut earlier = -(rate * (12.0 / n).ln() + step);
        while offsets.len() < LOOKS && arrival + earlier > 0.0 {
            if self.is_bare(gate, arrival + earlier) {
                offsets.push(earlier);
            }
            earlier -= step;
        }
        offsets
    }
}

/// A count or a bin number as a number.
fn as_f64(count: usize) -> f64 {
    #[allow(clippy::cast_precision_loss, reason = "bin numbers are far below 2^52")]
    let n = count as f64;
    n
}
