//! Which frames are steady: levels over time decide roughly, and the tone itself, carried on towards both ends, exactly.

use super::view::read;
use crate::error::Result;
use crate::signal::source::{BlockSource, Format};
use crate::take::integrity::{BLOCK_FRAMES, Inspection};
use crate::take::sines::{self, Stretch};
use std::f64::consts::TAU;
use std::ops::Range;

/// Levels within this power ratio (2 dB) are steady.
const STEADY: f64 = 1.584_893;

/// Levels are taken over at least this long, so that a period of 20 Hz does not move them, s.
const GROUP_S: f64 = 0.1;

/// Shorter plateaus are not believed, s.
const SHORTEST_S: f64 = 0.25;

/// A short plateau's third with this many periods lets a tone be carried outwards.
const MANY_PERIODS: f64 = 50.0;

/// Frames of one check of the tone's end.
const CHUNK: usize = 64;

/// A range of frames of steady level, or all there is.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plateau {
    pub(super) frames: Range<u64>,
    /// The level is steady over most of what is loud.
    pub(super) found: bool,
}

/// How steady one channel's level is over a plateau.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Steadiness {
    /// 90th re 10th percentile of the groups' powers.
    pub(super) spread: f64,
}

/// Group powers of a channel without its DC, and the frames of a group.
fn groups(inspection: &Inspection, channel: usize, format: Format) -> (Vec<f64>, u64) {
    let blocks = (GROUP_S * f64::from(format.sample_rate_hz) / BLOCK_FRAMES as f64).ceil() as usize;
    let blocks = blocks.max(1);
    // The median block's mean: a thump's own would be taken from the level of all.
    let mut means: Vec<f64> = inspection.levels[channel].iter().map(|b| b.mean).collect();
    means.sort_by(f64::total_cmp);
    let dc = means.get(means.len() / 2).map_or(0.0, |m| m * m);
    // A last group that is not whole has no place of its own: it goes with the one before.
    let powers = inspection.levels[channel]
        .chunks_exact(blocks)
        .map(|g| (g.iter().map(|b| b.mean_square).sum::<f64>() / g.len() as f64 - dc).max(0.0))
        .collect();
    (powers, (blocks * BLOCK_FRAMES) as u64)
}

/// Finds the steady plateau of the loudest channel.
pub(super) fn plateau(inspection: &Inspection, channel: usize, format: Format) -> Plateau {
    if format.frames == 0 || inspection.levels.get(channel).is_none_or(Vec::is_empty) {
        return Plateau {
            frames: 0..format.frames,
            found: false,
        };
    }
    let whole = sounding(inspection, channel, format);
    let (powers, group) = groups(inspection, channel, format);
    if powers.len() < 4 {
        return Plateau {
            frames: whole,
            found: true,
        };
    }
    let runs = runs(&powers);
    let longest = runs.iter().map(Range::len).max().unwrap_or(0);
    let shortest = SHORTEST_S * f64::from(format.sample_rate_hz) / group as f64;
    let power = |r: &Range<usize>| powers[r.clone()].iter().sum::<f64>() / r.len() as f64;
    let best = runs
        .iter()
        .filter(|r| r.len() * 10 >= longest && r.len() as f64 >= shortest)
        .max_by(|a, b| power(a).total_cmp(&power(b)).then(b.start.cmp(&a.start)));
    let Some(best) = best else {
        return Plateau {
            frames: quiet_range(&powers, group, whole),
            found: false,
        };
    };
    // The groups at its two ends are only partly filled and say nothing against it.
    let beside = [best.start.wrapping_sub(1), best.end];
    let loud = powers
        .iter()
        .enumerate()
        .filter(|(i, p)| **p > 0.01 * power(best) && !beside.contains(i))
        .count();
    if best.len() * 10 < loud * 7 || best.len() * 20 < powers.len() {
        return Plateau {
            frames: quiet_range(&powers, group, whole),
            found: false,
        };
    }
    let start = if best.start == 0 {
        whole.start
    } else {
        best.start as u64 * group
    };
    let end = if best.end == powers.len() {
        whole.end
    } else {
        best.end as u64 * group
    };
    Plateau {
        frames: start.max(whole.start)..end.min(whole.end),
        found: true,
    }
}

/// The capture without exact zeros at its ends.
fn sounding(inspection: &Inspection, channel: usize, format: Format) -> Range<u64> {
    let (mut start, mut end) = (0, format.frames);
    for run in &inspection.zero_runs[channel] {
        if run.start == 0 {
            start = run.end;
        } else if run.end == format.frames {
            end = run.start;
        }
    }
    if start < end { start..end } else { 0..format.frames }
}

/// Maximal runs of groups whose powers stay within [`STEADY`], found from left to right.
fn runs(powers: &[f64]) -> Vec<Range<usize>> {
    let mut out = Vec::new();
    let mut start = 0;
    while start < powers.len() {
        let (mut low, mut high, mut end) = (powers[start], powers[start], start + 1);
        while end < powers.len() {
            let (l, h) = (low.min(powers[end]), high.max(powers[end]));
            if h > STEADY * l {
                break;
            }
            (low, high, end) = (l, h, end + 1);
        }
        out.push(start..end);
        start = end;
    }
    out
}

/// The whole range without groups at its ends that are more than 10 dB above the median: switch-on transients.
fn quiet_range(powers: &[f64], group: u64, whole: Range<u64>) -> Range<u64> {
    let mut sorted = powers.to_vec();
    sorted.sort_by(f64::total_cmp);
    let limit = 10.0 * sorted[sorted.len() / 2];
    let calm = |p: &f64| *p <= limit;
    let Some(first) = powers.iter().position(calm) else {
        return whole;
    };
    let last = powers.iter().rposition(calm).unwrap_or(powers.len() - 1);
    let start = if first == 0 {
        whole.start
    } else {
        first as u64 * group
    };
    let end = if last + 1 == powers.len() {
        whole.end
    } else {
        (last + 1) as u64 * group
    };
    start.max(whole.start)..end.min(whole.end)
}

/// Spread of one channel's levels over the plateau.
pub(super) fn steadiness(
    inspection: &Inspection,
    channel: usize,
    plateau: &Plateau,
    format: Format,
) -> Steadiness {
    let (powers, group) = groups(inspection, channel, format);
    let inside = |i: usize| {
        let start = i as u64 * group;
        start >= plateau.frames.start && start + group <= plateau.frames.end
    };
    let mut powers: Vec<f64> = powers
        .iter()
        .enumerate()
        .filter(|(i, _)| inside(*i))
        .map(|(_, p)| *p)
        .collect();
    if powers.len() < 2 {
        return Steadiness { spread: 1.0 };
    }
    powers.sort_by(f64::total_cmp);
    let at = |q: f64| powers[((powers.len() - 1) as f64 * q).round() as usize];
    Steadiness {
        spread: at(0.9) / at(0.1).max(f64::MIN_POSITIVE),
    }
}

/// Moves both ends of a plateau to where the tones begin and end: they are fitted beside each end and carried on
/// outwards, and the range ends where what is left exceeds what is left inside. A tone that reaches the end of the file
/// keeps its last sample.
pub(super) fn refine(
    source: &dyn BlockSource,
    channel: usize,
    plateau: &Plateau,
    frequencies_hz: &[f64],
) -> Result<Range<u64>> {
    let format = source.format();
    let rate = f64::from(format.sample_rate_hz);
    let slow = frequencies_hz.iter().copied().fold(f64::INFINITY, f64::min);
    let mut range = plateau.frames.clone();
    // Inside the plateau: a third to carry the tone over, a third to fit it, a third to prove that it can be carried. Of a
    // short plateau (a burst of half a second) its own thirds, as long as they hold enough periods.
    let length = range.end - range.start;
    let chunks = |frames: f64| frames as u64 / CHUNK as u64 * CHUNK as u64;
    let most = ((0.15 * rate).max(3.0 * rate / slow) as u64).next_multiple_of(CHUNK as u64);
    let third = most.min(chunks(length as f64 / 3.0));
    let enough = third == most || third as f64 >= (MANY_PERIODS * rate / slow).max(8.0 * CHUNK as f64);
    if !enough || frequencies_hz.is_empty() {
        return Ok(range);
    }
    let omega: Vec<f64> = frequencies_hz.iter().map(|hz| TAU * hz / rate).collect();
    let ends = Ends {
        source,
        channel,
        third,
        omega: &omega,
        // A plateau may begin up to one group late: the block before it was only partly filled.
        reach: 2 * (GROUP_S * rate) as u64 + BLOCK_FRAMES as u64,
    };
    let start = ends.start(&range)?;
    range.start = start.unwrap_or(range.start);
    range.end = ends.end(&range)?.unwrap_or(range.end);
    if start.is_none() && third < most {
        // The last third of a short plateau may have reached beyond the tone, and proves the first one now.
        range.start = ends.start(&range)?.unwrap_or(range.start);
    }
    Ok(range)
}

/// What both ends of a plateau are found with.
struct Ends<'a> {
    source: &'a dyn BlockSource,
    channel: usize,
    third: u64,
    omega: &'a [f64],
    reach: u64,
}

impl Ends<'_> {
    /// The first frame of the tones; `None` where they cannot be carried over what is surely their own.
    fn start(&self, range: &Range<u64>) -> Result<Option<u64>> {
        let first = range.start.saturating_sub(self.reach);
        let mut x = self.read(first..(range.start + 3 * self.third).min(range.end))?;
        Ok(carried(&mut x, self.third as usize, self.omega).map(|cut| first + cut as u64))
    }

    /// The frame after their last.
    fn end(&self, range: &Range<u64>) -> Result<Option<u64>> {
        let last = (range.end + self.reach).min(self.source.format().frames);
        let mut x = self.read(range.end.saturating_sub(3 * self.third).max(range.start)..last)?;
        x.reverse();
        Ok(carried(&mut x, self.third as usize, self.omega).map(|cut| last - cut as u64))
    }

    fn read(&self, frames: Range<u64>) -> Result<Vec<f64>> {
        read(
            self.source,
            self.channel,
            frames.start,
            (frames.end - frames.start) as usize,
        )
    }
}

/// How many samples at the beginning of `x` do not belong to the tone of its last two thirds. `None` where the tone
/// cannot be carried even over what is surely its own.
fn carried(x: &mut [f64], third: usize, omega: &[f64]) -> Option<usize> {
    let n = x.len();
    if n < 2 * third {
        return None;
    }
    let at = n - 2 * third;
    let fit = sines::fit(
        &[Stretch {
            x: &x[at..n - third],
            at: at as f64,
        }],
        omega,
        6,
    )?;
    let whole = Stretch { x, at: 0.0 };
    let rest = sines::remove(whole, &fit.omega, &fit.amplitude[0], fit.mean[0]);
    let energies: Vec<f64> = rest
        .rchunks(CHUNK)
        .map(|c| c.iter().map(|v| v * v).sum::<f64>() / c.len() as f64)
        .collect();
    // Counted from the inner end: first the proof, then the fit, then the way outwards.
    let per_third = third / CHUNK;
    let mut inside: Vec<f64> = energies[per_third..2 * per_third].to_vec();
    inside.sort_by(f64::total_cmp);
    let amplitude: f64 = fit.amplitude[0].iter().map(|c| c.norm()).sum();
    let usual = inside[inside.len() / 2].max(inside[inside.len() - 1] / 4.0);
    let limit = (16.0 * usual).max((0.003 * amplitude).powi(2));
    if energies[..per_third].iter().any(|e| *e > limit) {
        return None;
    }
    let Some(outside) = energies[2 * per_third..].iter().position(|e| *e > limit) else {
        return Some(0);
    };
    // The tone ends here; what is left of its fade or settling inside the limit goes too.
    let calm = 4.0 * usual;
    let reach = 2 * per_third..2 * per_third + outside;
    let kept = energies[reach.clone()]
        .iter()
        .rposition(|e| *e <= calm)
        .map_or(0, |i| i + 1);
    Some(n.saturating_sub((reach.start + kept) * CHUNK))
}
