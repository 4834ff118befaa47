//! The transfer function of one channel as the figures of a sweep read it: corrected for the rig, with its budget.
//!
//! The rig's own response is a complex curve re 1 kHz, measured in loopback; it is divided out of the capture's. Where
//! the rig has none for a channel, the curve is the capture's own and says so. Points outside the stored curve are left
//! out rather than guessed.

use crate::dsp::sweep::{SweepAnalysis, SweepParameters};
use crate::figure::{Channel, Conditions, FigureId, NotMeasured};
use crate::quantity::{DB_PER_RELATIVE_AMPLITUDE, Estimate};
use crate::rig::{Loopback, Rig};
use crate::signal::take::Setup;
use crate::take::{Content, Examined};
use rustfft::num_complex::Complex64;

/// Frequency that responses refer to, Hz.
pub(super) const REFERENCE_HZ: f64 = 1000.0;

/// Degrees of freedom of a noise floor from eight looks of two parts each.
pub(super) const NOISE_DOF: f64 = 16.0;

/// A take of a sweep with what it was played with.
pub(super) struct SweepTake<'a> {
    pub(super) examined: &'a Examined,
    pub(super) analysis: &'a SweepAnalysis,
    pub(super) sweep: SweepParameters,
}

/// The last take of a steady sine or a sweep: what two channels are compared by.
pub(super) fn last_pair<'a>(takes: &[&'a Examined]) -> Option<&'a Examined> {
    let fits = |t: &&&Examined| matches!(t.content, Content::Tone(_) | Content::Sweep(_));
    takes.iter().rev().find(fits).copied()
}

/// Why nothing can be said of the difference between two channels that are one recording.
pub(super) fn one_twice(id: FigureId, channel: Channel) -> NotMeasured {
    NotMeasured {
        id,
        channel,
        code: "identical".to_owned(),
        reason:
            "left and right are the same, bit for bit: one channel was recorded twice; check the interface's \
                 mixer and the unit's mono switch, and record again"
                .to_owned(),
    }
}

/// The takes that hold a sweep whose stimulus is known.
pub(super) fn sweeps<'a>(takes: &[&'a Examined]) -> impl Iterator<Item = SweepTake<'a>> {
    takes.iter().filter_map(|examined| match &examined.content {
        Content::Sweep(analysis) => Some(SweepTake {
            examined,
            analysis,
            sweep: SweepParameters::of(examined.take.stimulus.as_ref()?)?,
        }),
        _ => None,
    })
}

/// One channel's transfer function, the rig's divided out where it is known.
pub(super) struct Transfer {
    pub(super) channel: Channel,
    /// Hz, rising.
    pub(super) frequency: Vec<f64>,
    /// Capture re stimulus in units of full scale.
    pub(super) gain: Vec<Complex64>,
    /// Standard uncertainty of |gain| from noise, same scale.
    pub(super) noise: Vec<f64>,
    /// Standard uncertainty of the rig's stored response, dB; `None` where none was divided out.
    pub(super) rig_u_db: Option<f64>,
    /// Type B limit of each gain, dB.
    pub(super) gating_db: Vec<f64>,
}

impl Transfer {
    /// The transfer function of the channel at `index`; `None` where the capture has no such channel.
    pub(super) fn of(take: &SweepTake<'_>, index: usize, rig: Option<&Rig>) -> Option<Self> {
        let measured = take.analysis.channels.get(index)?;
        let own = rig.and_then(|r| RigResponse::of(r, index, take.sweep.level_dbfs));
        let mut out = Self {
            channel: Channel::at(index),
            frequency: Vec::new(),
            gain: Vec::new(),
            noise: Vec::new(),
            rig_u_db: own.as_ref().map(|o| o.loopback.response_u_db),
            gating_db: Vec::new(),
        };
        let values = measured.linear.iter().zip(&measured.linear_u);
        for (hz, (h, u)) in take.analysis.frequency_hz.iter().zip(values) {
            let rig_gain = match &own {
                Some(own) => own.at(*hz),
                None => Some(Complex64::new(1.0, 0.0)),
            };
            if let Some(rig_gain) = rig_gain {
                out.frequency.push(*hz);
                out.gating_db.push(take.analysis.gating_limit_db(*hz));
                out.gain.push(h / rig_gain);
                out.noise.push(u / rig_gain.norm());
            }
        }
        Some(out)
    }

    /// Relative standard uncertainty of |gain| at the grid point `i` from noise; 1 where there is no gain.
    pub(super) fn relative_noise(&self, i: usize) -> f64 {
        let gain = self.gain[i].norm();
        if gain > 0.0 { self.noise[i] / gain } else { 1.0 }
    }

    /// Whether the sweep is told from noise at the grid point `i`.
    pub(super) fn is_there(&self, i: usize) -> bool {
        self.gain[i].norm() > 3.5 * self.noise[i]
    }

    /// Gain at the grid point `i`, dB, with noise, gating and the rig's response in its budget. The gain must not be 0.
    pub(super) fn db(&self, i: usize) -> Estimate {
        let hz = self.frequency[i];
        let out = Estimate::exact(20.0 * self.gain[i].norm().log10())
            .with_observed(
                format!("noise of the {} channel at {hz:.1} Hz", self.channel),
                DB_PER_RELATIVE_AMPLITUDE * self.relative_noise(i),
                NOISE_DOF,
            )
            .with_limits(
                format!("gating of the {} channel at {hz:.1} Hz", self.channel),
                self.gating_db[i],
            );
        match self.rig_u_db {
            // The stored curve is re 1 kHz, where it is exact by definition.
            Some(u) if (hz - REFERENCE_HZ).abs() > 1e-6 => {
                out.with(format!("rig response of the {} channel", self.channel), u)
            }
            _ => out,
        }
    }

    /// The grid point at `hz`, which the grid holds exactly if it is inside the measured band at all.
    pub(super) fn index_of(&self, hz: f64) -> Option<usize> {
        self.frequency.iter().position(|f| (f - hz).abs() < 1e-6 * hz)
    }
}

/// What stands in `conditions` of every figure of a sweep; the levels at 1 kHz where `gain` is known.
pub(super) fn conditions(
    take: &SweepTake<'_>,
    rig: Option<&Rig>,
    transfer: Option<&Transfer>,
    hz: f64,
) -> Conditions {
    let level_dbfs = transfer.and_then(|t| {
        let i = t.index_of(hz).or_else(|| t.index_of(REFERENCE_HZ))?;
        Some(take.sweep.level_dbfs + 20.0 * t.gain[i].norm().log10())
    });
    let index = transfer.and_then(|t| t.channel.index()).unwrap_or(0);
    let setup = &take.examined.take.setup;
    Conditions {
        frequency_hz: Some(hz),
        level_dbfs,
        ..of_setup(setup, rig, index, level_dbfs)
    }
}

/// The conditions that come from the setup, and the level in volts of a channel at `level_dbfs`.
pub(super) fn of_setup(
    setup: &Setup,
    rig: Option<&Rig>,
    index: usize,
    level_dbfs: Option<f64>,
) -> Conditions {
    let full_scale = rig.and_then(|r| r.volts_at_full_scale(index, setup.tap.as_deref()));
    Conditions {
        level_dbfs,
        level_v: full_scale
            .zip(level_dbfs)
            .map(|(v, db)| v.value * 10f64.powf(db / 20.0)),
        load_ohm: rig
            .filter(|_| setup.loaded == Some(true))
            .and_then(|r| r.load(index, false))
            .map(|r| r.value),
        driven: setup.driven,
        mode: setup.mode.clone(),
        input: setup.input.clone(),
        volume: setup.volume.clone(),
        termination: setup.termination.clone(),
        ..Conditions::default()
    }
}

/// The stored loopback curve of one channel.
pub(super) struct RigResponse<'a> {
    pub(super) loopback: &'a Loopback,
}

impl<'a> RigResponse<'a> {
    /// The usable curve measured nearest to `level_dbfs`.
    pub(super) fn of(rig: &'a Rig, channel: usize, level_dbfs: f64) -> Option<Self> {
        rig.loopback
            .iter()
            .filter(|l| {
                l.channel == channel
                    && l.response_hz.len() >= 2
                    && l.response_db.len() == l.response_hz.len()
                    && l.response_deg.len() == l.response_hz.len()
            })
            .min_by(|a, b| {
                (a.level_dbfs - level_dbfs)
                    .abs()
                    .total_cmp(&(b.level_dbfs - level_dbfs).abs())
            })
            .map(|loopback| Self { loopback })
    }

    /// Complex response at `hz`, on straight lines over ln f; `None` outside the curve.
    pub(super) fn at(&self, hz: f64) -> Option<Complex64> {
        let l = self.loopback;
        let after = l.response_hz.partition_point(|f| *f <= hz);
        let i = after.checked_sub(1)?;
        let j = if after == l.response_hz.len() {
            // The last point itself belongs to the curve.
            if hz > l.response_hz[i] * 1.000_001 {
                return None;
            }
            i
        } else {
            after
        };
        let span = (l.response_hz[j] / l.response_hz[i]).ln();
        let share = if span > 0.0 {
            (hz / l.response_hz[i]).ln() / span
        } else {
            0.0
        };
        let db = l.response_db[i] + share * (l.response_db[j] - l.response_db[i]);
        // The shorter way round between two phases that were stored wrapped.
        let turn = (l.response_deg[j] - l.response_deg[i] + 180.0).rem_euclid(360.0) - 180.0;
        let deg = l.response_deg[i] + share * turn;
        Some(Complex64::from_polar(10f64.powf(db / 20.0), deg.to_radians()))
    }
}

/// The largest of several values with noise: which it is, and by how much noise alone has raised it.
///
/// Among values that noise cannot tell apart the largest is the one that noise raised most. Those within 2√2·u of the
/// largest are taken as equal; of n such values the largest lies E(n)·u too high, with E(n) the mean of the largest of
/// n standard normals (Blom, Statistical Estimates and Transformed Beta-Variables, 1958: Φ⁻¹((n − 0.375)/(n + 0.25))).
/// Neighbours on the grid share their noise, three to a value. The correction is uncertain by half itself.
pub(super) struct Extreme {
    /// Index of the largest value.
    pub(super) at: usize,
    /// What noise has added to it, ≥ 0.
    pub(super) bias: f64,
}

impl Extreme {
    /// Of `values` with standard uncertainty `noise` each; `None` where there are none.
    pub(super) fn largest(values: &[f64], noise: &[f64]) -> Option<Self> {
        let at = (0..values.len()).max_by(|&a, &b| values[a].total_cmp(&values[b]))?;
        let near = (0..values.len())
            .filter(|&i| {
                let apart = 2.0 * noise[i].hypot(noise[at]);
                values[at] - values[i] <= apart
            })
            .count();
        #[allow(clippy::cast_precision_loss, reason = "a few hundred points")]
        let independent = 1.0 + (near - 1) as f64 / 3.0;
        Some(Self {
            at,
            bias: noise[at] * mean_of_largest(independent),
        })
    }
}

/// Mean of the largest of `n` standard normal values (Blom's approximation; within 0.02 for n ≥ 2).
fn mean_of_largest(n: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, Normal};
    if n <= 1.0 {
        return 0.0;
    }
    Normal::new(0.0, 1.0).map_or(0.0, |d| d.inverse_cdf((n - 0.375) / (n + 0.25)).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_of_the_largest_normal_value() {
        // Harter, Expected values of normal order statistics, Biometrika 48, 1961: n = 2 … 100.
        for (n, expected) in [(2.0, 0.5642), (5.0, 1.1630), (10.0, 1.5388), (100.0, 2.5076)] {
            assert!(
                (mean_of_largest(n) - expected).abs() < 0.03,
                "{n}: {}",
                mean_of_largest(n)
            );
        }
    }

    #[test]
    fn a_lone_peak_has_no_bias() {
        let e = Extreme::largest(&[0.0, 3.0, 0.1], &[0.01, 0.01, 0.01]).unwrap();
        assert!(e.at == 1 && e.bias.abs() < 1e-12);
    }

    #[test]
    fn rig_response_is_interpolated_over_the_logarithm() {
        let loopback = Loopback {
            channel: 0,
            level_dbfs: -6.0,
            date: "2024-01-01".into(),
            frequency_hz: Vec::new(),
            noise_dbfs_per_hz: Vec::new(),
            response_hz: vec![10.0, 1000.0],
            response_db: vec![-2.0, 0.0],
            response_deg: vec![170.0, -170.0],
            response_u_db: 0.01,
            harmonics_db: Vec::new(),
        };
        let r = RigResponse { loopback: &loopback };
        let h = r.at(100.0).unwrap();
        assert!(
            (20.0 * h.norm().log10() + 1.0).abs() < 1e-9 && (h.arg().abs().to_degrees() - 180.0).abs() < 1e-9
        );
        assert!(r.at(1000.0).is_some() && r.at(1001.0).is_none() && r.at(9.0).is_none());
    }
}
