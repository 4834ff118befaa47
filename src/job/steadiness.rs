//! Whether the gain of the path stayed what it was while a session ran.
//!
//! Every mode of a session begins with a faint tone that finds the gain and ends with the same tone again: input, mode,
//! volume and tap are the same, so that the gain of the whole path must be. A warm amplifier holds it to a few hundredths
//! of a decibel (common practice, no source); where it is off by more than [`MOST_DB`], beyond its uncertainty, a knob, a
//! pad or a contact moved between the two, nobody knows when, and no reading since the check before is worth its volts. Those
//! are withheld with the reason. Ratios within one channel hold, whatever the gain; where left and right parted, ratios
//! between them do not.

use crate::figure::{Channel, Figure, FigureId, Findings, NotMeasured, Unit};
use crate::figures::tone::Tone;
use crate::figures::{Measurement, Next};
use crate::quantity::Estimate;
use crate::signal::stimulus::Signal;
use crate::take::Examined;
use std::fmt::Write as _;

/// Name of the tone that a session begins with, in modes other than the first followed by the mode.
pub const CONNECTION: &str = "connection";

/// Name of the same tone at its end.
pub const CHECK: &str = "check";

/// How far the gain may move before volts are withheld, dB.
pub const MOST_DB: f64 = 0.1;

/// A word for programs.
pub const CODE: &str = "gain_moved";

/// One capture, as far as this concerns it.
#[derive(Clone, Copy)]
pub(super) struct Dated<'a> {
    /// Name of the capture, `NNN-…`.
    pub(super) capture: &'a str,
    /// Name of its measurement.
    pub(super) measurement: &'a str,
    /// What is on it.
    pub(super) examined: &'a Examined,
}

/// A stretch of captures in which the gain moved.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Moved {
    first: u64,
    last: u64,
    /// Whether left and right moved apart.
    apart: bool,
    /// In plain words, with what to do.
    pub(super) why: String,
}

/// Every stretch between a connection tone and its check in which the gain moved. A check belongs to the nearest
/// connection tone before it that was made alike; one without the other says nothing.
pub(super) fn moved(captures: &[Dated<'_>]) -> Vec<Moved> {
    let mut sorted: Vec<(u64, Dated<'_>)> = captures
        .iter()
        .filter_map(|c| Some((number(c.capture)?, *c)))
        .collect();
    sorted.sort_by_key(|(number, _)| *number);
    let mut out = Vec::new();
    for (index, (last, check)) in sorted.iter().enumerate() {
        if !is_called(check.measurement, CHECK) {
            continue;
        }
        let alike = |c: &Dated<'_>| {
            is_called(c.measurement, CONNECTION) && c.examined.take.setup == check.examined.take.setup
        };
        let before = sorted[..index].iter().rev().find(|(_, c)| alike(c));
        // What stands before the connection's tone, silence say, was made by the same knobs: from the last check on.
        let first = sorted[..index]
            .iter()
            .rev()
            .find(|(_, c)| is_called(c.measurement, CHECK))
            .map_or(0, |(number, _)| number + 1);
        if let Some((_, connection)) = before {
            out.extend(
                between(connection.examined, check.examined).map(|(apart, why)| Moved {
                    first,
                    last: *last,
                    apart,
                    why,
                }),
            );
        }
    }
    out
}

/// Whether a measurement is `kind`, in any mode.
fn is_called(measurement: &str, kind: &str) -> bool {
    measurement
        .strip_prefix(kind)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with('-'))
}

/// The number that a capture's name begins with.
fn number(capture: &str) -> Option<u64> {
    capture.split('-').next()?.parse().ok()
}

/// Whether the channels parted, and what happened in words; `None` where the gain held.
fn between(connection: &Examined, check: &Examined) -> Option<(bool, String)> {
    let before = gains(connection);
    let changes: Vec<(Channel, Estimate)> = gains(check)
        .into_iter()
        .filter_map(|(channel, after)| {
            let (_, own) = before.iter().find(|(c, _)| *c == channel)?;
            let change = after.observed_apart(CHECK).minus(&own.observed_apart(CONNECTION));
            Some((channel, change))
        })
        .collect();
    let is_real = |change: &Estimate| {
        let (low, high) = change.interval();
        low > MOST_DB || high < -MOST_DB
    };
    let those: Vec<Channel> = changes
        .iter()
        .filter(|(_, c)| is_real(c))
        .map(|(c, _)| *c)
        .collect();
    if those.is_empty() {
        return None;
    }
    let apart = match changes.as_slice() {
        [(_, a), (_, b)] => is_real(&a.minus(b)),
        _ => false,
    };
    let mut what = String::new();
    for (channel, change) in &changes {
        let gap = if what.is_empty() { "" } else { ", " };
        // Writing to a string cannot fail.
        let _ = write!(what, "{gap}{channel} {:+.2} dB", change.value);
    }
    let cause = match (those.as_slice(), apart) {
        ([Channel::Left], _) => "an input gain, a balance control or a contact of the left channel",
        ([Channel::Right], _) => "an input gain, a balance control or a contact of the right channel",
        (_, true) => "more than one control, or a contact",
        (_, false) => "the volume control, or a control of the interface that works on both channels",
    };
    Some((
        apart,
        format!(
            "the gain of the path moved while the session ran ({what} from the first tone to the last): {cause}; volts \
             and watts of this session are withheld. Put it back and measure again"
        ),
    ))
}

/// Level of the tone on each channel that carries it re the level that was played, dB.
fn gains(examined: &Examined) -> Vec<(Channel, Estimate)> {
    let Next::Done(found) = Tone.next(&[examined], None) else {
        return Vec::new();
    };
    let played = |channel: Channel| match examined.take.stimulus.as_ref()?.channel(channel.index()?)? {
        Signal::Tone { level_dbfs, .. } => Some(*level_dbfs),
        _ => None,
    };
    found
        .figures
        .into_iter()
        .filter(|f| f.id == FigureId::Level && f.unit == Unit::Dbfs)
        .filter_map(|f| Some((f.channel, f.estimate.shifted(-played(f.channel)?))))
        .collect()
}

impl Moved {
    /// Whether the capture was made between the two tones, or is one of them.
    pub(super) fn covers(&self, capture: &str) -> bool {
        number(capture).is_some_and(|n| (self.first..=self.last).contains(&n))
    }

    /// Takes out of `findings` all that needs the gain, and says why.
    pub(super) fn withhold(&self, findings: &mut Findings) {
        let (kept, gone): (Vec<Figure>, Vec<Figure>) = std::mem::take(&mut findings.figures)
            .into_iter()
            .partition(|f| !self.needs_gain(f));
        findings.figures = kept;
        findings
            .curves
            .retain(|c| !is_of_volts(c.y_unit) && !is_of_volts(c.x_unit));
        for figure in &mut findings.figures {
            figure.conditions.level_v = None;
        }
        for figure in gone {
            let told = |n: &NotMeasured| n.id == figure.id && n.channel == figure.channel;
            if !findings.not_measured.iter().any(told) {
                findings.not_measured.push(NotMeasured {
                    id: figure.id,
                    channel: figure.channel,
                    code: CODE.to_owned(),
                    reason: self.why.clone(),
                });
            }
        }
    }

    fn needs_gain(&self, figure: &Figure) -> bool {
        match figure.id {
            // Of a job it refers to volts at the output.
            FigureId::Snr => true,
            FigureId::Balance | FigureId::BalanceMax | FigureId::Separation => self.apart,
            _ => is_of_volts(figure.unit),
        }
    }
}

fn is_of_volts(unit: Unit) -> bool {
    matches!(unit, Unit::Volts | Unit::Dbv | Unit::Watts)
}
