//! The careful looks at one channel that follow the scan: suspects, still runs, crests.

use super::scan::{self, ChannelScan};
use super::{BLOCK_FRAMES, BlockLevel, Discontinuity, breaks, clip, runs};
use crate::error::Result;
use crate::signal::source::{BlockReader, BlockSource, Format};
use rayon::prelude::*;

/// Places of a channel that are looked at carefully at most, the strongest first. Steady material has a handful.
const MOST_LOOKS: usize = 1000;

/// Still runs of a channel that are looked at carefully at most, the longest first.
const MOST_RUNS: usize = 100;

/// Stretches of a channel whose crests are looked at.
const CREST_STRETCHES: usize = 8;

/// What careful looks yield of one channel.
pub(super) struct Look {
    /// Breaks and still runs that are damage, in no order.
    pub(super) breaks: Vec<Discontinuity>,
    /// The crests are flat.
    pub(super) flat: bool,
}

/// Looks at all that the scan of one channel pointed out.
pub(super) fn look(
    source: &dyn BlockSource,
    format: Format,
    channel: usize,
    scan: &ChannelScan,
) -> Result<Look> {
    let rate = f64::from(format.sample_rate_hz);
    let runs = still_runs(source, format, channel, scan)?;
    let mut suspects = scan.suspects.clone();
    suspects.sort_by(|a, b| b.strength.total_cmp(&a.strength).then(a.frame.cmp(&b.frame)));
    suspects.truncate(MOST_LOOKS);
    let judged: Vec<Result<Option<breaks::Break>>> = suspects
        .par_iter()
        .map_init(
            || source.open(),
            |reader, suspect| {
                let reader = reader.as_mut().map_err(|e| e.clone())?;
                at_suspect(reader.as_mut(), format, channel, suspect.frame)
            },
        )
        .collect();
    let mut found = judged
        .into_iter()
        .filter_map(Result::transpose)
        .collect::<Result<Vec<_>>>()?;
    found.sort_by_key(|b| b.frame);
    found.dedup_by(|a, b| a.frame.abs_diff(b.frame) <= 64);
    // The ends of a still run are no breaks of their own.
    let near = |frame: u64| {
        scan.held
            .iter()
            .any(|r| r.length() >= runs::SHORTEST as u64 && frame + 64 >= r.start && frame <= r.end + 64)
    };
    found.retain(|b| !near(b.frame));
    let mut breaks: Vec<Discontinuity> = found
        .into_iter()
        .map(|b| Discontinuity {
            channel: crate::figure::Channel::at(channel),
            at_s: b.frame as f64 / rate,
            kind: b.kind,
        })
        .collect();
    breaks.extend(runs);
    Ok(Look {
        breaks,
        flat: flat(source, format, channel, scan)?,
    })
}

/// The break at a suspect place, if it is one.
fn at_suspect(
    reader: &mut dyn BlockReader,
    format: Format,
    channel: usize,
    at: u64,
) -> Result<Option<breaks::Break>> {
    let mut around = |reach| -> Result<(Vec<f64>, usize, u64)> {
        let (x, first) = breaks::surroundings(reader, format, channel, at..at, reach)?;
        Ok((x, usize::try_from(at - first).unwrap_or(0), first))
    };
    let (x, place, _) = around(breaks::GLANCE)?;
    if !breaks::promising(&x, place, clip::step_of(&x, format.encoding)) {
        return Ok(None);
    }
    let (x, place, first) = around(breaks::reach(format.sample_rate_hz))?;
    let step = clip::step_of(&x, format.encoding);
    Ok(breaks::judge(&x, place, step).map(|(i, kind)| breaks::Break {
        frame: first + i as u64,
        kind,
    }))
}

/// Still runs that are damage.
fn still_runs(
    source: &dyn BlockSource,
    format: Format,
    channel: usize,
    scan: &ChannelScan,
) -> Result<Vec<Discontinuity>> {
    let mut runs: Vec<_> = scan
        .held
        .iter()
        .filter(|r| r.length() >= runs::SHORTEST as u64 && r.start > 0 && r.end < format.frames)
        .collect();
    runs.sort_by(|a, b| b.length().cmp(&a.length()).then(a.start.cmp(&b.start)));
    runs.truncate(MOST_RUNS);
    let mut reader = source.open()?;
    let mut found = Vec::new();
    for run in runs {
        // Of a long run its ends tell as much as the whole.
        let reach = breaks::reach(format.sample_rate_hz) as u64;
        let shown = run.length().min(reach);
        let (mut x, first) = breaks::surroundings(
            reader.as_mut(),
            format,
            channel,
            run.start..run.start + shown,
            reach as usize,
        )?;
        let start = usize::try_from(run.start - first).unwrap_or(0);
        let end = start + usize::try_from(shown).unwrap_or(0);
        if shown < run.length() {
            let (tail, tail_first) =
                breaks::surroundings(reader.as_mut(), format, channel, run.end..run.end, reach as usize)?;
            x.truncate(end);
            x.extend(&tail[usize::try_from(run.end - tail_first).unwrap_or(0)..]);
        }
        let step = clip::step_of(&x, format.encoding);
        if let Some(kind) = runs::damage(&x, start..end, run.is_zero(), step) {
            found.push(runs::discontinuity(
                run,
                kind,
                channel,
                f64::from(format.sample_rate_hz),
            ));
        }
    }
    Ok(found)
}

/// Whether the crests of the loudest stretches, spread over the capture, are flat.
fn flat(source: &dyn BlockSource, format: Format, channel: usize, scan: &ChannelScan) -> Result<bool> {
    let length = (format.sample_rate_hz as usize / 2).max(4096);
    let mut reader = source.open()?;
    let mut crests = clip::Crests::default();
    let part = scan.levels.len().div_ceil(CREST_STRETCHES).max(1);
    for (index, blocks) in scan.levels.chunks(part).enumerate() {
        let height = |b: &BlockLevel| b.high.max(-b.low);
        let Some(loudest) = blocks
            .iter()
            .enumerate()
            .max_by(|a, b| height(a.1).total_cmp(&height(b.1)).then(b.0.cmp(&a.0)))
            .map(|(i, _)| index * part + i)
        else {
            continue;
        };
        let middle = (loudest * BLOCK_FRAMES + BLOCK_FRAMES / 2) as u64;
        let first = middle.saturating_sub(length as u64 / 2);
        let mut planes = vec![vec![0.0; length]; format.channels];
        let got = scan::read_into(reader.as_mut(), first, &mut planes)?;
        crests.add(&planes[channel][..got], format.encoding);
    }
    Ok(crests.flat())
}
