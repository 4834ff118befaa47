//! Samples of one channel in memory, and the frequencies of its sines found from them.

use super::lines::lines;
use crate::dsp::sine_fit::{Fit, Line, Tone, fit, search};
use crate::error::{Error, Kind, Result};
use crate::signal::source::BlockSource;
use std::ops::Range;

/// Frames read at once.
const CHUNK: usize = 65_536;

/// Harmonics that are fitted along with the fundamental while its frequency is sought.
const FIRST_ORDERS: u32 = 5;

/// How far a guess may be off, Hz, and in bins of the whole stretch.
const GUESS_OFF: f64 = 1.5;

/// Two sines closer than this many bins of the stretch cannot be told apart.
pub(super) const RESOLUTION_BINS: f64 = 1.5;

/// Reads one channel's frames `range`.
pub(super) fn load(source: &dyn BlockSource, range: &Range<u64>, channel: usize) -> Result<Vec<f64>> {
    let mut reader = source.open()?;
    let channels = source.format().channels;
    let frames = (range.end - range.start) as usize;
    let mut planes = vec![vec![0.0; CHUNK.min(frames)]; channels];
    let mut samples = Vec::with_capacity(frames);
    while samples.len() < frames {
        let want = CHUNK.min(frames - samples.len());
        let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(|p| &mut p[..want]).collect();
        let got = reader.read(range.start + samples.len() as u64, &mut slices)?;
        if got == 0 {
            return Err(ends_early());
        }
        samples.extend_from_slice(&planes[channel][..got]);
    }
    Ok(samples)
}

pub(super) fn ends_early() -> Error {
    Error::new(Kind::Format, "the recording ends before its stated length")
        .next("record it again; this file is not complete")
}

/// Whether two guesses, Hz, may be the same sine in a stretch of `seconds`.
pub(super) fn same_sine(a: f64, b: f64, seconds: f64) -> bool {
    (a - b).abs() <= GUESS_OFF * (1.0f64).max(1.0 / seconds)
}

/// Frequencies in cycles per sample near `guesses` (Hz) that explain most of `x`.
pub(super) fn search_all(x: &[f64], guesses: &[f64], rate: f64) -> Vec<Tone> {
    let reach = GUESS_OFF * (1.0 / rate).max(1.0 / x.len() as f64);
    guesses
        .iter()
        .map(|hz| Tone {
            nu: search(x, hz / rate, reach),
            fixed: false,
        })
        .collect()
}

/// Fits `tones` with their first few harmonics and the sines `beside` (no harmonics).
pub(super) fn first_fit(x: &[f64], tones: &[Tone], beside: &[Tone], steps: usize) -> Result<Fit> {
    let (all, first) = model(x.len(), tones, beside, FIRST_ORDERS);
    fit(x, &all, &first, steps).ok_or_else(inseparable)
}

/// The tones with all their harmonics up to `highest_order`, and the sines `beside` alone.
pub(super) fn model(
    length: usize,
    tones: &[Tone],
    beside: &[Tone],
    highest_order: u32,
) -> (Vec<Tone>, Vec<Line>) {
    let mut model = lines(tones, RESOLUTION_BINS / length as f64, highest_order);
    let all: Vec<Tone> = tones.iter().chain(beside).copied().collect();
    model.extend((tones.len()..all.len()).map(|tone| Line { tone, order: 1 }));
    (all, model)
}

pub(super) fn inseparable() -> Error {
    Error::new(
        Kind::Value,
        "the sines of this stretch are too close together to be told apart",
    )
    .next("record a longer take")
}
