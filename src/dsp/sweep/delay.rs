//! Where the sweep lies on a capture: first found, then measured in bands.
//!
//! Found by the peak of the deconvolution's energy; measured by the turn of its spectrum from bin to bin, band by band.
//! A path with one delay has the same in every band; a clock that runs fast has one that grows in proportion to the
//! time at which the sweep passes the band; a capture of something else has a different one everywhere.

use super::reference::SweepParameters;
use super::transform::Transform;
use crate::error::Result;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// A delay measured in one band.
#[derive(Debug, Clone, Copy)]
struct BandDelay {
    /// Second of the sweep at the middle of the band.
    at_s: f64,
    /// Delay, s.
    delay_s: f64,
    /// Share of the band's energy that arrives together, 0 to 1.
    compact: f64,
    /// Weight in a fit.
    weight: f64,
    /// Delays that differ by this cannot be told apart, s.
    ambiguity_s: f64,
}

/// What the bands say together.
#[derive(Debug, Clone, Copy)]
pub(super) struct BandFit {
    /// Delay at the start of the sweep, s.
    pub(super) delay_s: f64,
    /// Clock of the capture re the playing clock − 1.
    pub(super) clock: f64,
    /// Median share of a band's energy that arrives together, 0 to 1.
    pub(super) compact: f64,
    /// Median departure of a band from the line, s.
    pub(super) scatter_s: f64,
}

/// Deconvolution Y·X*·f over the sweep's band, 0 outside.
pub(super) fn deconvolved(
    transform: &Transform,
    sweep: &SweepParameters,
    captured: &[Complex64],
    reference: &[Complex64],
) -> Vec<Complex64> {
    let bin_hz = transform.bin_hz();
    #[allow(clippy::cast_precision_loss, reason = "bin numbers are far below 2^52")]
    captured
        .iter()
        .zip(reference)
        .enumerate()
        .map(|(k, (y, x))| {
            let hz = k as f64 * bin_hz;
            if hz < sweep.from_hz || hz > sweep.to_hz {
                Complex64::default()
            } else {
                y * x.conj() * hz
            }
        })
        .collect()
}

/// Second of the capture at which most of the deconvolved energy arrives within 2 ms.
pub(super) fn find(transform: &Transform, deconvolved: Vec<Complex64>, sweep_s: f64) -> Result<f64> {
    let (signal, rate) = transform.coarse_signal(deconvolved)?;
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "2 ms of samples are a small positive number"
    )]
    let half = (0.001 * rate).round() as usize;
    let n = signal.len();
    let energy = |k: usize| signal[k % n].powi(2);
    // A running sum over ± 1 ms, on the circle.
    let mut sum: f64 = (0..=2 * half).map(energy).sum();
    let mut best = (half, sum);
    for k in 1..n {
        sum += energy(k + 2 * half) - energy(k - 1);
        if sum > best.1 {
            best = ((k + half) % n, sum);
        }
    }
    #[allow(clippy::cast_precision_loss, reason = "lengths are far below 2^52")]
    let (at, length) = (best.0 as f64 / rate, n as f64 / rate);
    // Half a sweep at least must be on the capture: what would start later started before it.
    Ok(if at > transform.seconds() - 0.5 * sweep_s {
        at - length
    } else {
        at
    })
}

/// The delays of third-octave bands, fitted by a line over the time of the sweep. `None` where there is no band.
pub(super) fn measure(
    deconvolved: &[Complex64],
    bin_hz: f64,
    sweep: &SweepParameters,
    top_hz: f64,
) -> Option<BandFit> {
    let mut bands: Vec<BandDelay> = Vec::new();
    let mut low = (1.3 * sweep.from_hz).max(20.0 * bin_hz);
    let third = 2f64.powf(1.0 / 3.0);
    while low * third <= top_hz {
        if let Some(mut band) = band_delay(deconvolved, bin_hz, low, low * third) {
            band.at_s = sweep.time_of(low * third.sqrt());
            if let Some(last) = bands.last() {
                let turns = ((band.delay_s - last.delay_s) / band.ambiguity_s).round();
                band.delay_s -= turns * band.ambiguity_s;
            }
            bands.push(band);
        }
        low *= third;
    }
    line(&bands)
}

/// Delay of the bins from `low` to `high` by the mean turn over a lag of bins.
fn band_delay(q: &[Complex64], bin_hz: f64, low: f64, high: f64) -> Option<BandDelay> {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "frequencies are positive and below the sample rate; casts saturate"
    )]
    let bin = |hz: f64| (hz / bin_hz).round() as usize;
    let lag = bin((0.25 * (high - low)).min(100.0)).max(1);
    let (first, last) = (bin(low), bin(high).min(q.len()));
    let span = q.get(first..last).filter(|s| s.len() > 2 * lag)?;
    let sum: Complex64 = span[lag..].iter().zip(span).map(|(b, a)| b * a.conj()).sum();
    let energy: f64 = span.iter().map(Complex64::norm_sqr).sum();
    if energy <= 0.0 {
        return None;
    }
    #[allow(clippy::cast_precision_loss, reason = "bin numbers are far below 2^52")]
    let (lag_hz, pairs) = (lag as f64 * bin_hz, (span.len() - lag) as f64);
    #[allow(clippy::cast_precision_loss, reason = "bin numbers are far below 2^52")]
    let compact = sum.norm() / energy * span.len() as f64 / pairs;
    Some(BandDelay {
        at_s: 0.0,
        delay_s: -sum.arg() / (2.0 * PI * lag_hz),
        compact: compact.min(1.0),
        // A delay is as sharp as the lag is wide, the pairs are many and the energy is together.
        weight: (lag_hz * compact).powi(2) * pairs,
        ambiguity_s: 1.0 / lag_hz,
    })
}

/// Weighted line through the bands.
fn line(bands: &[BandDelay]) -> Option<BandFit> {
    let mut s = [0.0f64; 5];
    for b in bands {
        s[0] += b.weight;
        s[1] += b.weight * b.at_s;
        s[2] += b.weight * b.at_s * b.at_s;
        s[3] += b.weight * b.delay_s;
        s[4] += b.weight * b.at_s * b.delay_s;
    }
    let determinant = s[0] * s[2] - s[1] * s[1];
    if bands.len() < 4 || determinant <= 0.0 {
        return None;
    }
    let clock = (s[0] * s[4] - s[1] * s[3]) / determinant;
    let delay_s = (s[3] - clock * s[1]) / s[0];
    let departures = bands
        .iter()
        .map(|b| (b.delay_s - delay_s - clock * b.at_s).abs())
        .collect();
    Some(BandFit {
        delay_s,
        clock,
        compact: median(bands.iter().map(|b| b.compact).collect()),
        scatter_s: median(departures),
    })
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
