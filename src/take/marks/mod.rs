//! The marks of a take: found anywhere in the recording, and what they tell.
//!
//! A mark before and one after the signal ([`crate::signal::mark`]) give the delay, the distance between them by the
//! capture's clock, the polarity and the level of every channel, and which channel heard which output. They are looked
//! for over the whole capture (`filter`), so that the latency may be anything, then measured (`refine`).
//!
//! **Distance.** Each place alone is good to the envelope's uncertainty. Between two marks of one channel the path is the
//! same, so that the phase at the marks' centre frequency is common and the difference of the phases counts: u is smaller
//! by the ratio of the rms bandwidth to the centre frequency, about six. The whole period of the carrier that remains open (0.5 ms)
//! is decided by the envelopes.
//!
//! **What cannot be seen.** One mark alone gives a delay and no distance. Of two clocks the distance tells their ratio or
//! a loss, but not which; [`super::losses`] says what else is needed.

mod filter;
mod refine;

use crate::error::Result;
use crate::signal::mark;
use crate::signal::source::BlockSource;
use crate::signal::stimulus::{Marks as Played, Stimulus};
use filter::{Candidate, SHAPES};
use refine::{Fix, Refiner};
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// A channel heard an output's mark where its level exceeds this many times its standard uncertainty; 6 has a false alarm of
/// exp(−18) = 10⁻⁸ (Rayleigh).
const HEARD: f64 = 6.0;

/// Levels of both shapes within this ratio on a channel that should hear one: both outputs reach it alike.
const ALIKE: f64 = 0.5;

/// What a level must exceed on the wrong channel to call two channels exchanged.
const FAR: f64 = 5.0;

/// From the end of a mark to where what it set off has died away, s.
pub(super) const SETTLED_S: f64 = mark::GAP_S / 3.0;

/// One mark.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Frame of the capture that it begins on, by its envelope on the channel that hears it best.
    pub at_frame: f64,
    /// Standard uncertainty, frames.
    pub u_frames: f64,
    /// Peak level of the rising and the falling shape on each channel, in units of full scale.
    pub level: Vec<[f64; 2]>,
    /// Standard uncertainty of a channel's levels, same unit.
    pub level_u: Vec<f64>,
}

/// From the first mark to the second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Distance {
    /// Frames by the capture's clock.
    pub frames: f64,
    /// Standard uncertainty, frames.
    pub u_frames: f64,
    /// Frames by the capture's nominal rate, had the clocks been one and nothing been lost.
    pub nominal_frames: f64,
}

impl Distance {
    /// Capture clock re playing clock − 1, parts per million, if nothing was lost.
    pub fn clock_ppm(&self) -> f64 {
        (self.frames / self.nominal_frames - 1.0) * 1e6
    }
}

/// Which output a channel of the capture hears.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hears {
    /// None, or too weakly.
    Nothing,
    /// Its own.
    Own,
    /// The other one instead.
    Other,
    /// Both alike.
    Both,
}

/// The marks that were found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Before and after the signal.
    pub ends: [Option<Mark>; 2],
    /// Between both, where both are there.
    pub distance: Option<Distance>,
    /// From the start of the capture to the start of the stimulus, s.
    pub delay_s: f64,
    /// +1 or −1 a channel, 0 where it cannot be told.
    pub polarity: Vec<i8>,
    /// One entry a channel.
    pub hears: Vec<Hears>,
}

/// Looks for the marks of `stimulus`. `None` where it has none, or none is on the capture.
///
/// # Errors
/// Where the capture cannot be read.
pub fn find(source: &dyn BlockSource, stimulus: &Stimulus) -> Result<Option<Found>> {
    let Some(played) = &stimulus.marks else {
        return Ok(None);
    };
    let format = source.format();
    let rate = f64::from(format.sample_rate_hz);
    let mut shapes: Vec<usize> = played.channels.iter().map(|c| c % SHAPES).collect();
    shapes.sort_unstable();
    shapes.dedup();
    let candidates = filter::candidates(source, &shapes)?;
    let nominal = Nominal::of(stimulus, rate);
    let rough = choose(&candidates, &nominal, format.frames as f64);
    if rough.iter().all(Option::is_none) {
        return Ok(None);
    }
    let refiner = Refiner::new(format.sample_rate_hz)?;
    let mut reader = source.open()?;
    let mut fixes: [Option<Vec<Fix>>; 2] = [None, None];
    for (fix, rough) in fixes.iter_mut().zip(&rough) {
        if let Some(rough) = rough {
            *fix = Some(refiner.fix(reader.as_mut(), format, rough)?);
        }
    }
    Ok(Some(summary(&fixes, &nominal, &refiner, played, rate)))
}

/// Where the marks would be, in frames of the capture from the stimulus' start.
struct Nominal {
    first: f64,
    distance: f64,
}

impl Nominal {
    fn of(stimulus: &Stimulus, rate: f64) -> Self {
        let [first, second] = stimulus.mark_frames();
        let scale = rate / f64::from(stimulus.sample_rate_hz);
        Self {
            first: first as f64 * scale,
            distance: second.saturating_sub(first) as f64 * scale,
        }
    }
}

/// The two candidates of one channel and shape that are most like two marks at about the nominal distance, or the one
/// that is most like a mark.
fn choose(candidates: &[Candidate], nominal: &Nominal, frames: f64) -> [Option<Candidate>; 2] {
    // More than this share of the distance is not lost in a take that is worth anything.
    let reach = 0.25 * nominal.distance;
    let mut best: Option<(f64, Candidate, Candidate)> = None;
    for a in candidates {
        let fits = |b: &&Candidate| {
            b.channel == a.channel && b.shape == a.shape && (b.at - a.at - nominal.distance).abs() <= reach
        };
        for b in candidates.iter().filter(fits) {
            let off = (b.at - a.at - nominal.distance).abs() / reach.max(1.0);
            let score = a.coherence + b.coherence - 0.3 * off;
            if best.is_none_or(|(s, ..)| score > s) {
                best = Some((score, *a, *b));
            }
        }
    }
    if let Some((_, a, b)) = best {
        return [Some(a), Some(b)];
    }
    let one = candidates
        .iter()
        .max_by(|a, b| a.coherence.total_cmp(&b.coherence))
        .copied();
    // The partner of a lone mark is where the capture does not reach, or the nearer end is its own.
    match one {
        Some(c) if c.at + nominal.distance > frames => {
            if c.at < nominal.distance {
                if c.at < frames - c.at {
                    [Some(c), None]
                } else {
                    [None, Some(c)]
                }
            } else {
                [None, Some(c)]
            }
        }
        Some(c) => [Some(c), None],
        None => [None, None],
    }
}

fn summary(
    fixes: &[Option<Vec<Fix>>; 2],
    nominal: &Nominal,
    refiner: &Refiner,
    played: &Played,
    rate: f64,
) -> Found {
    let ends = [0, 1].map(|i| fixes[i].as_ref().map(|f| mark_of(f)));
    let distance = match fixes {
        [Some(first), Some(second)] => distance(first, second, nominal, refiner, rate),
        _ => None,
    };
    let start = match &ends {
        [Some(first), _] => first.at_frame - nominal.first,
        [None, Some(second)] => second.at_frame - nominal.first - nominal.distance,
        [None, None] => 0.0,
    };
    let fix = fixes.iter().flatten().next();
    let channels = fix.map_or(0, Vec::len);
    let hears: Vec<Hears> = (0..channels)
        .map(|c| fix.map_or(Hears::Nothing, |f| hears(&f[c], c, played)))
        .collect();
    let polarity = (0..channels)
        .map(|c| fix.map_or(0, |f| polarity(&f[c], c, hears[c], refiner, rate)))
        .collect();
    Found {
        ends,
        distance,
        delay_s: start / rate,
        polarity,
        hears,
    }
}

fn mark_of(fixes: &[Fix]) -> Mark {
    let best = fixes.iter().min_by(|a, b| a.u.total_cmp(&b.u));
    Mark {
        at_frame: best.map_or(0.0, |f| f.at),
        u_frames: best.map_or(f64::INFINITY, |f| f.u),
        level: fixes.iter().map(|f| f.amplitude.map(Complex64::norm)).collect(),
        level_u: fixes.iter().map(|f| f.amplitude_u).collect(),
    }
}

/// The distance on the channel and shape that know it best.
fn distance(
    first: &[Fix],
    second: &[Fix],
    nominal: &Nominal,
    refiner: &Refiner,
    rate: f64,
) -> Option<Distance> {
    let per_radian = rate / (TAU * refiner.centre_hz);
    let pairs = first.iter().zip(second).flat_map(|(a, b)| {
        (0..SHAPES).map(move |s| {
            let phase_u = |f: &Fix| f.amplitude_u / f.amplitude[s].norm();
            let u = (phase_u(a).powi(2) + phase_u(b).powi(2)).sqrt() * per_radian;
            let turn = (b.amplitude[s] / a.amplitude[s]).arg();
            (b.at - a.at - turn * per_radian, u)
        })
    });
    let (frames, u_frames) = pairs
        .filter(|(d, u)| d.is_finite() && u.is_finite())
        .min_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Distance {
        frames,
        u_frames,
        nominal_frames: nominal.distance,
    })
}

/// Which outputs' marks a channel hears.
fn hears(fix: &Fix, channel: usize, played: &Played) -> Hears {
    let own = channel % SHAPES;
    let [own_level, other_level] = [own, 1 - own].map(|s| fix.amplitude[s].norm());
    let least = HEARD * fix.amplitude_u;
    let own_played = played.channels.contains(&channel);
    let other_played = played.channels.iter().any(|c| c % SHAPES != own);
    if own_level.max(other_level) < least {
        Hears::Nothing
    } else if other_played && other_level > FAR * own_level {
        Hears::Other
    } else if own_played && other_played && other_level > ALIKE * own_level {
        Hears::Both
    } else if own_played {
        Hears::Own
    } else {
        Hears::Nothing
    }
}

/// Sign of the answer, from the phase that the path adds to the marks.
fn polarity(fix: &Fix, channel: usize, hears: Hears, refiner: &Refiner, rate: f64) -> i8 {
    let shape = match hears {
        Hears::Nothing => return 0,
        Hears::Own | Hears::Both => channel % SHAPES,
        Hears::Other => 1 - channel % SHAPES,
    };
    let z = fix.amplitude[shape];
    let by_place = TAU * refiner.centre_hz / rate * fix.u;
    let u = (fix.amplitude_u / z.norm()).hypot(by_place);
    let cosine = z.re / z.norm();
    if cosine.abs() < 0.2 + 3.0 * u {
        0
    } else if cosine > 0.0 {
        1
    } else {
        -1
    }
}

#[cfg(test)]
mod tests;
