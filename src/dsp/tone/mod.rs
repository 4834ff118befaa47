//! Steady sines with their harmonics in noise, channel by channel: frequencies, amplitudes and the spectrum of all else.
//!
//! Two regimes give the same answer to within their uncertainties:
//!
//! - short: a stretch that fits in memory is fitted by least squares in the time domain, all lines jointly.
//!   Exact, and efficient from five periods on.
//! - long: a stretch of many blocks is streamed once through Hann blocks. The fundamental is fitted to a few bins of each
//!   block and taken out of its spectrum; harmonics are read from a few bins around k·f, turned by the fundamental's own
//!   phase in that block and averaged. Slow drift of the clock or of the tone therefore costs nothing.
//!
//! Amplitudes are peaks in units of full scale; phases are those of cosines.

mod blocks;
mod gather;
mod lines;
mod long;
mod probe;
mod reader;
mod short;
mod summary;
mod track;
mod uncertainty;

use super::spectrum::PowerSpectrum;
use crate::error::{Error, Kind, Result};
use crate::signal::source::BlockSource;
use rustfft::num_complex::Complex64;
use std::ops::Range;

/// Periods below which nothing is fitted.
pub const FEWEST_PERIODS: f64 = 5.0;

/// The fitted fundamental. Amplitudes are peaks in units of full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Fundamental {
    /// Hz, by the capture's own clock.
    pub frequency_hz: f64,
    /// Standard uncertainty of the frequency, Hz.
    pub frequency_u: f64,
    /// Peak amplitude.
    pub amplitude: f64,
    /// Standard uncertainty of the amplitude from noise and repeatability (Type A), same unit. Where it exceeds the
    /// amplitude there is no line to speak of.
    pub amplitude_u: f64,
    /// Degrees of freedom of both.
    pub dof: f64,
    /// Phase of the cosine at the first frame of the capture, radians, in −π…π.
    pub phase_rad: f64,
}

/// One harmonic. Its amplitude is a peak in units of full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Harmonic {
    /// Order, 2 or more.
    pub order: u32,
    /// Complex amplitude with its phase re the fundamental: arg = φₙ − n·φ₁ of cosines.
    pub amplitude: Complex64,
    /// Standard uncertainty of each of the real and imaginary parts (noise beside the line and repeatability).
    pub u: f64,
    /// Standard deviation that the noise beside the line gives each part; no more than `u`.
    pub noise_u: f64,
    /// Degrees of freedom of `u`.
    pub dof: f64,
}

/// One sine of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ToneAnalysis {
    /// Fundamental.
    pub fundamental: Fundamental,
    /// Harmonics 2…, all below 0.98 of the Nyquist frequency (at most 400), in rising order. With two sines, a line that
    /// belongs to both is left to the lower order.
    pub harmonics: Vec<Harmonic>,
}

/// What is on one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelAnalysis {
    /// The sines, in the order of the guesses.
    pub tones: Vec<ToneAnalysis>,
    /// Spectrum of the channel without its fundamentals and without DC. Harmonics, hum and noise are in it.
    pub spectrum: PowerSpectrum,
    /// Mean of the samples.
    pub dc: f64,
}

/// Finds the sines of every channel of `source` within the frames `steady`.
///
/// `guesses[c]` are the approximate frequencies, Hz, of channel `c`'s sines (none, one or two; to about a bin of a
/// one-second FFT). A channel that carries nothing of its own may be given the frequency of another one: it is then
/// measured selectively there, by that channel's phase, down to far below its noise. Channels without a guess, or beyond
/// the end of `guesses`, yield their spectrum only.
///
/// # Errors
/// Where a sine has fewer than [`FEWEST_PERIODS`] periods, lies outside the band, or two cannot be told apart; where the
/// recording cannot be read or holds values that are not numbers.
pub fn analyse(
    source: &dyn BlockSource,
    steady: Range<u64>,
    guesses: &[Vec<f64>],
) -> Result<Vec<ChannelAnalysis>> {
    let format = source.format();
    let steady = steady.start..steady.end.min(format.frames);
    let rate = f64::from(format.sample_rate_hz);
    let frames = steady.end.saturating_sub(steady.start);
    if frames < 8 {
        return Err(Error::new(Kind::Value, "the steady part is empty").next("record a longer take"));
    }
    let tones: Vec<Vec<f64>> = (0..format.channels)
        .map(|c| guesses.get(c).cloned().unwrap_or_default())
        .collect();
    for (c, hz) in tones
        .iter()
        .enumerate()
        .flat_map(|(c, t)| t.iter().map(move |hz| (c, *hz)))
    {
        check_guess(hz, rate, frames as f64)
            .map_err(|e| e.at(format!("channel {}", crate::figure::Channel::at(c))))?;
    }
    let lowest = tones.iter().flatten().copied().fold(f64::INFINITY, f64::min);
    let mut found = match long::grid(&steady, rate, lowest) {
        Some(grid) => long::analyse(source, &grid, &tones)?,
        None => short::analyse(source, &steady, &tones)?,
    };
    if found.iter().any(|c| !is_finite(c)) {
        return Err(
            Error::new(Kind::Format, "the recording holds values that are not numbers")
                .next("record it again, or export it as integers"),
        );
    }
    for channel in &mut found {
        for tone in &mut channel.tones {
            tone.harmonics.sort_by_key(|h| h.order);
        }
    }
    Ok(found)
}

fn check_guess(hz: f64, rate: f64, frames: f64) -> Result<()> {
    if !(hz > 0.0 && hz < lines::HIGHEST * rate) {
        return Err(Error::new(
            Kind::Value,
            format!("a tone of {hz} Hz does not fit a sample rate of {rate} Hz"),
        )
        .next("check which file belongs to which stimulus"));
    }
    // The guess may be off by as much as a bin of the whole stretch.
    if hz * frames / rate < FEWEST_PERIODS - 0.5 {
        return Err(Error::new(
            Kind::Value,
            format!("fewer than {FEWEST_PERIODS} periods of {hz:.1} Hz cannot be measured"),
        )
        .next("record a longer take"));
    }
    Ok(())
}

fn is_finite(channel: &ChannelAnalysis) -> bool {
    let sum: f64 = channel.spectrum.density.iter().sum();
    sum.is_finite()
        && channel.dc.is_finite()
        && channel.tones.iter().all(|t| {
            t.fundamental.amplitude.is_finite()
                && t.fundamental.frequency_hz.is_finite()
                && t.harmonics.iter().all(|h| h.amplitude.norm_sqr().is_finite())
        })
}
