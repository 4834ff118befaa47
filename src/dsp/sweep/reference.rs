//! The sweep as a closed form: phase, envelope, and the spectra that captures are compared with.
//!
//! x(t) = A·w(t)·sin(2π f₁ L e^{t/L}), L = T / ln(f₂/f₁) (Novak, Lotton and Simon, JAES 63(10), 2015). Because the form
//! has no "−1" its n-th multiple is the same sweep shifted by L·ln n, so the n-th order of a memoryless device is
//! A·w(t)ⁿ·sin(n·2π f₁ L e^{t/L}) with the phase of Chebyshev's expansion, whatever f₁, f₂ and T are.

use crate::error::{Error, Kind, Result};
use crate::signal::stimulus::{Signal, Stimulus};
use std::f64::consts::PI;

/// Longest sweep that is analysed, s: beyond, the spectra of one capture no longer fit a modest memory.
pub const LONGEST_S: f64 = 60.0;

/// What was swept. Times in seconds of the playing clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweepParameters {
    /// First frequency f₁, Hz.
    pub from_hz: f64,
    /// Last frequency f₂, Hz; above f₁.
    pub to_hz: f64,
    /// Length T of the sweep, s, without lead-in.
    pub seconds: f64,
    /// Level of the sine, dBFS.
    pub level_dbfs: f64,
    /// Raised-cosine fade at each end, inside `seconds`, s.
    pub fade_s: f64,
    /// Silence before the sweep, s.
    pub lead_in_s: f64,
    /// Rate at which the stimulus was made, Hz. The capture may have another.
    pub sample_rate_hz: u32,
}

impl SweepParameters {
    /// The sweep of a stimulus: that of its first channel that has one; `None` where it has none.
    pub fn of(stimulus: &Stimulus) -> Option<Self> {
        stimulus.channels.iter().find_map(|signal| match signal {
            Signal::Sweep {
                from_hz,
                to_hz,
                level_dbfs,
            } => Some(Self {
                from_hz: *from_hz,
                to_hz: *to_hz,
                seconds: stimulus.seconds,
                level_dbfs: *level_dbfs,
                fade_s: stimulus.fade_s,
                lead_in_s: stimulus.lead_in_s,
                sample_rate_hz: stimulus.sample_rate_hz,
            }),
            _ => None,
        })
    }

    /// Refuses what cannot be a sweep.
    ///
    /// # Errors
    /// Where frequencies or times are impossible, or the sweep is longer than [`LONGEST_S`].
    pub fn check(&self) -> Result<()> {
        let finite = [
            self.from_hz,
            self.to_hz,
            self.seconds,
            self.level_dbfs,
            self.fade_s,
            self.lead_in_s,
        ]
        .iter()
        .all(|v| v.is_finite());
        let possible = self.from_hz > 0.0
            && self.to_hz >= 2.0 * self.from_hz
            && self.to_hz < 0.5 * f64::from(self.sample_rate_hz)
            && self.fade_s >= 0.0
            && self.lead_in_s >= 0.0
            && self.seconds >= 0.2
            && self.seconds > 4.0 * self.fade_s;
        if !(finite && possible) {
            return Err(Error::new(
                Kind::Value,
                "the stimulus does not describe a sweep that can be analysed",
            )
            .next("use a rising sweep over an octave or more, below half the sample rate, at least 0.2 s long and four fades long"));
        }
        if self.seconds > LONGEST_S {
            return Err(Error::new(
                Kind::Value,
                format!(
                    "a sweep of {:.0} s is longer than the {LONGEST_S:.0} s that are analysed",
                    self.seconds
                ),
            )
            .next("6 to 10 s are enough for a hi-fi amplifier; play a shorter sweep"));
        }
        Ok(())
    }

    /// L = T / ln(f₂/f₁), s: the time in which the frequency rises e-fold.
    pub fn rate(&self) -> f64 {
        self.seconds / (self.to_hz / self.from_hz).ln()
    }

    /// Second of the sweep at which its frequency is `hz`.
    pub fn time_of(&self, hz: f64) -> f64 {
        self.rate() * (hz / self.from_hz).ln()
    }

    /// Frequency at second `t` of the sweep, Hz.
    pub fn frequency_at(&self, t: f64) -> f64 {
        self.from_hz * (t / self.rate()).exp()
    }

    /// Peak amplitude in units of full scale.
    pub fn amplitude(&self) -> f64 {
        10f64.powf(self.level_dbfs / 20.0)
    }

    /// The envelope w(t): 1, with raised-cosine fades, 0 outside the sweep.
    pub fn envelope(&self, t: f64) -> f64 {
        if t < 0.0 || t > self.seconds {
            return 0.0;
        }
        let edge = t.min(self.seconds - t);
        if edge >= self.fade_s {
            1.0
        } else {
            0.5 - 0.5 * (PI * edge / self.fade_s).cos()
        }
    }

    /// The n-th order at second `t`: A·w(t)ⁿ·sin(n·φ(t)); for n = 1 the stimulus itself. Above `stop_hz` it is faded
    /// out over a tenth of an octave, so that an order which leaves the sampled band never folds back.
    pub fn order_at(&self, order: u32, t: f64, stop_hz: f64) -> f64 {
        let w = self.envelope(t);
        if w <= 0.0 {
            return 0.0;
        }
        let n = f64::from(order);
        let hz = self.frequency_at(t);
        let stop = if order > 1 && n * hz > stop_hz {
            let beyond = (n * hz / stop_hz).log2() / 0.1;
            if beyond >= 1.0 {
                return 0.0;
            }
            0.5 + 0.5 * (PI * beyond).cos()
        } else {
            1.0
        };
        let cycles = n * hz * self.rate();
        // Whole cycles are taken off first: the sine of a large argument would lose its last digits.
        self.amplitude()
            * stop
            * w.powi(i32::try_from(order).unwrap_or(1))
            * (2.0 * PI * (cycles - cycles.floor())).sin()
    }
}

/// Where the sweep lies on the capture's time axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Placement {
    /// Second of the capture at which the sweep proper starts; negative where its beginning is missing.
    pub(super) start_s: f64,
    /// Capture clock / playing clock − 1.
    pub(super) clock: f64,
}

impl Placement {
    /// Second of the sweep at second `t` of the capture.
    pub(super) fn sweep_time(self, t: f64) -> f64 {
        (t - self.start_s) / (1.0 + self.clock)
    }
}
