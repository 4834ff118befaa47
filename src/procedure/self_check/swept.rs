//! One sweep through a cable: response, polarity, clock, and where nothing comes back any more.

use super::{Clock, OwnResponse};
use crate::dsp::sweep::{ChannelTransfer, SweepAnalysis};
use crate::figure::Band;
use crate::quantity::{DB_PER_RELATIVE_AMPLITUDE, Decibels};
use rustfft::num_complex::Complex64;

/// The response is stored at 10^(n/10) kHz, from 5 Hz to 80 kHz as far as the sweep reaches.
const THIRDS: std::ops::RangeInclusive<i32> = -23..=19;

/// Reference frequency, Hz.
const REFERENCE_HZ: f64 = 1_000.0;

/// Where a response has fallen so far it has ended, dB re 1 kHz; a third of an octave on it must be below the second
/// value, which is 54 dB an octave: an end that only a digital filter makes. Converters' own lie near half the rate.
const ENDED_DB: f64 = -12.0;
const GONE_DB: f64 = -30.0;

/// Share of the sample rate up to which a path should pass.
const SHOULD_PASS: f64 = 0.4;

/// What a sweep gave, by channel.
pub(super) struct Swept {
    pub(super) responses: Vec<Option<OwnResponse>>,
    pub(super) polarity: Vec<Option<i8>>,
    pub(super) clock: Clock,
}

/// Of the deconvolution of a sweep whose level at the inputs is `levels_dbfs`, recorded at `rate` Hz.
pub(super) fn swept(analysis: &SweepAnalysis, levels_dbfs: &[f64], rate: f64) -> Swept {
    let channels = || analysis.channels.iter();
    Swept {
        responses: channels()
            .zip(levels_dbfs)
            .map(|(c, level)| response(analysis, c, *level, rate))
            .collect(),
        polarity: channels().map(|c| Some(c.polarity).filter(|p| *p != 0)).collect(),
        clock: Clock {
            ppm: analysis.clock_ppm,
            u_ppm: analysis.clock_ppm_u,
            delay_s: analysis.delay_s,
        },
    }
}

impl Swept {
    /// Whether the response ends where only a conversion ends it.
    pub(super) fn is_cut_off(&self) -> bool {
        self.responses.iter().flatten().any(|r| r.cut_off_hz.is_some())
    }
}

fn response(
    analysis: &SweepAnalysis,
    channel: &ChannelTransfer,
    level_dbfs: f64,
    rate: f64,
) -> Option<OwnResponse> {
    let reference = at(analysis, channel, REFERENCE_HZ)?;
    if channel.polarity == 0 || reference.norm() <= 0.0 {
        return None;
    }
    // Polarity is stated apart: a plug that is wired the other way round is no phase response.
    let scale = f64::from(channel.polarity) / reference.norm();
    let points: Vec<(f64, Complex64)> = THIRDS
        .map(|n| REFERENCE_HZ * 10f64.powf(f64::from(n) / 10.0))
        .filter_map(|hz| Some((hz, at(analysis, channel, hz)? * scale)))
        .collect();
    let noise = analysis
        .frequency_hz
        .iter()
        .zip(channel.linear.iter().zip(&channel.linear_u))
        .filter(|(hz, _)| Band::AUDIO.counts(**hz))
        .map(|(_, (h, u))| u / h.norm().max(f64::MIN_POSITIVE))
        .fold(0.0, f64::max);
    // A limit of a rectangular distribution: GUM 4.3.7.
    let gating = analysis.gating_limit_db(Band::AUDIO.low_hz) / 3f64.sqrt();
    Some(OwnResponse {
        level_dbfs,
        frequency_hz: points.iter().map(|(hz, _)| *hz).collect(),
        db: points
            .iter()
            .map(|(_, h)| Decibels::from_amplitude_ratio(h.norm()).0)
            .collect(),
        deg: points.iter().map(|(_, h)| h.arg().to_degrees()).collect(),
        u_db: gating.hypot(DB_PER_RELATIVE_AMPLITUDE * noise.min(1.0)),
        cut_off_hz: cut_off(analysis, channel, reference.norm(), rate),
    })
}

/// The complex gain at `hz`, on a straight line between the grid's neighbours; `None` outside the grid.
fn at(analysis: &SweepAnalysis, channel: &ChannelTransfer, hz: f64) -> Option<Complex64> {
    let grid = &analysis.frequency_hz;
    let after = grid.partition_point(|f| *f <= hz);
    let before = after.checked_sub(1)?;
    let low = channel.linear.get(before)?;
    let Some((high_hz, high)) = grid.get(after).zip(channel.linear.get(after)) else {
        return (hz <= grid[before] * 1.000_001).then_some(*low);
    };
    let share = (hz - grid[before]) / (high_hz - grid[before]);
    Some(low * (1.0 - share) + high * share)
}

/// The frequency above which nothing comes back although rate and sweep reach further.
fn cut_off(analysis: &SweepAnalysis, channel: &ChannelTransfer, reference: f64, rate: f64) -> Option<f64> {
    let below = |hz: f64, db: f64| {
        at(analysis, channel, hz).is_some_and(|h| h.norm() < reference * Decibels(db).amplitude_ratio())
    };
    let ended = analysis
        .frequency_hz
        .iter()
        .copied()
        .find(|hz| *hz > REFERENCE_HZ && below(*hz, ENDED_DB))?;
    (ended < SHOULD_PASS * rate && below(ended * 2f64.cbrt(), GONE_DB)).then_some(ended)
}
