//! Whether the gain of the path stayed what it was while a session ran.
//!
//! Every mode of a session begins with a faint tone that finds the gain and ends with the same tone again: input, mode,
//! volume and tap are the same, so that the gain of the whole path must be. A warm amplifier holds it to a few hundredths
//! of a decibel (common practice, no source); where it is off by more than [`MOST_DB`], beyond its uncertainty, a knob, a
//! pad or a contact moved between the two, nobody knows when, and no reading since the check before is worth its volts. Those
//! are withheld with the reason. Ratios within one channel hold, whatever the gain; where left and right parted, ratios
//! between them do not.
//!
//! Three more things withhold volts, for the same reason: a check on which the tone is not heard; on a live bench a
//! connection that no check ever followed, because the session was stopped or lost its signal; and checks of the same setup
//! and rig, from different sessions of one stage, that differ. Of these the gain that most of them found stands; where none
//! has the majority nobody knows which is right.

use crate::figure::{Channel, Figure, FigureId, Findings, NotMeasured, Unit};
use crate::figures::tone::Tone;
use crate::figures::{Measurement, Next};
use crate::quantity::Estimate;
use crate::rig::Rig;
use crate::signal::stimulus::Signal;
use crate::signal::take::Setup;
use crate::take::Examined;
use std::fmt::Write as _;

/// Name of the tone that a session begins with, in modes other than the first followed by the mode.
pub const CONNECTION: &str = "connection";

/// Name of the same tone at its end.
pub const CHECK: &str = "check";

/// How far the gain may move before volts are withheld, dB.
pub const MOST_DB: f64 = 0.1;

/// A word for programs: the gain was found to have moved.
pub const CODE: &str = "gain_moved";

/// A word for programs: whether the gain moved was not found out.
pub const NOT_VERIFIED: &str = "gain_not_verified";

/// Whether a measurement of this name is the tone at the end.
pub fn is_check(measurement: &str) -> bool {
    is_called(measurement, CHECK)
}

/// One capture, as far as this concerns it.
#[derive(Clone, Copy)]
pub(super) struct Dated<'a> {
    /// Name of the capture, `NNN-…`.
    pub(super) capture: &'a str,
    /// Name of its measurement.
    pub(super) measurement: &'a str,
    /// What is on it.
    pub(super) examined: &'a Examined,
    /// What it was recorded with.
    pub(super) rig: Option<&'a Rig>,
}

impl Dated<'_> {
    /// Whether the unit and the bench stood alike.
    fn stood_as(&self, other: &Self) -> bool {
        self.examined.take.setup == other.examined.take.setup && self.rig == other.rig
    }

    /// Whether the same was played as well: a gain that depends on the level is the unit's own.
    fn is_alike(&self, other: &Self) -> bool {
        let played = |d: &Self| d.examined.take.stimulus.as_ref().map(|s| s.channels.clone());
        self.stood_as(other) && played(self) == played(other)
    }
}

/// A stretch of captures in which the gain moved, or may have.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Moved {
    first: u64,
    last: u64,
    /// Only in this mode; `None` for every capture of the stretch.
    mode: Option<Option<String>>,
    code: &'static str,
    /// Whether left and right moved apart.
    apart: bool,
    /// In plain words, with what to do.
    pub(super) why: String,
}

/// Every stretch in which the gain moved or in which nobody can say that it did not.
pub(super) fn moved(captures: &[Dated<'_>]) -> Vec<Moved> {
    let mut sorted: Vec<(u64, Dated<'_>)> = captures
        .iter()
        .filter_map(|c| Some((number(c.capture)?, *c)))
        .collect();
    sorted.sort_by_key(|(number, _)| *number);
    let mut out: Vec<Moved> = (0..sorted.len())
        .filter_map(|index| since_connection(&sorted, index))
        .collect();
    out.extend(between_sessions(&sorted, &out));
    out
}

/// What stands before a connection's tone, silence say, was made by the same knobs: the first capture after the last check.
fn first_of_stretch(sorted: &[(u64, Dated<'_>)], index: usize) -> u64 {
    let check = sorted[..index]
        .iter()
        .rev()
        .find(|(_, c)| is_check(c.measurement));
    check.map_or(0, |(number, _)| number + 1)
}

/// Holds the connection's tone at `index` against the next check that was made with everything alike.
fn since_connection(sorted: &[(u64, Dated<'_>)], index: usize) -> Option<Moved> {
    let (_, connection) = &sorted[index];
    if !is_called(connection.measurement, CONNECTION) {
        return None;
    }
    let first = first_of_stretch(sorted, index);
    let check = sorted[index..]
        .iter()
        .find(|(_, c)| is_check(c.measurement) && c.stood_as(connection));
    let Some((last, check)) = check else {
        // On a simulated bench no knob moves by itself.
        return (!connection.examined.take.simulated).then(|| Moved {
            first,
            last: u64::MAX,
            mode: Some(connection.examined.take.setup.mode.clone()),
            code: NOT_VERIFIED,
            apart: true,
            why: UNCHECKED.to_owned(),
        });
    };
    if !check.is_alike(connection) {
        return None;
    }
    let (code, apart, why) = match between(connection.examined, check.examined) {
        Held::Yes => return None,
        Held::Unheard(why) => (NOT_VERIFIED, true, why),
        Held::No { apart, change, cause } => (
            CODE,
            apart,
            format!(
                "the gain of the path moved while the session ran ({change} from the first tone to the last): {cause}; volts \
                 and watts of this session are withheld. Put it back and measure again"
            ),
        ),
    };
    Some(Moved {
        first,
        last: *last,
        mode: None,
        code,
        apart,
        why,
    })
}

/// Why nothing in volts is said where the tone at the end is missing.
const UNCHECKED: &str = "the tone at the end of the session is missing, because it was stopped before or lost its signal, so \
                         that nobody can say whether the gain stayed what it was; volts and watts of this session are \
                         withheld. Measure again to the end";

/// Holds the checks of sessions against each other, whose stretches are in order by themselves.
fn between_sessions(sorted: &[(u64, Dated<'_>)], known: &[Moved]) -> Vec<Moved> {
    let checks: Vec<(usize, &(u64, Dated<'_>))> = sorted
        .iter()
        .enumerate()
        .filter(|(_, (_, c))| is_check(c.measurement))
        .filter(|(_, (_, c))| !known.iter().any(|m| m.covers(c.capture, &c.examined.take.setup)))
        .collect();
    let mut out = Vec::new();
    for (index, (last, own)) in &checks {
        let others = checks.iter().filter(|(i, (_, c))| i != index && c.is_alike(own));
        let (mut agree, mut against) = (1, Vec::new());
        for (_, (_, other)) in others {
            match between(other.examined, own.examined) {
                Held::No { apart, change, cause } => against.push((apart, change, cause)),
                _ => agree += 1,
            }
        }
        if against.len() < agree {
            continue;
        }
        let apart = against.iter().any(|(apart, ..)| *apart);
        out.extend(against.into_iter().next().map(|(_, change, cause)| Moved {
            first: first_of_stretch(sorted, *index),
            last: *last,
            mode: None,
            code: CODE,
            apart,
            why: format!(
                "the gain of the path is not that of another session of this stage ({change}): {cause}; which of them is \
                 right is not known, so volts and watts are withheld. Put it back and measure again"
            ),
        }));
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

/// Whether the gain is the same at two tones.
enum Held {
    Yes,
    /// Not: whether the channels parted, by how much in words, and what may have moved.
    No {
        apart: bool,
        change: String,
        cause: &'static str,
    },
    /// A channel that was there at the first does not carry the second.
    Unheard(String),
}

fn between(connection: &Examined, check: &Examined) -> Held {
    let (before, after) = (gains(connection), gains(check));
    let lost = before.iter().find(|(c, _)| after.iter().all(|(own, _)| own != c));
    if let Some((channel, _)) = lost {
        return Held::Unheard(format!(
            "the tone at the end of the session did not come back on the {channel} channel, so that nobody can say whether \
             the gain stayed what it was; volts and watts of this session are withheld. Find out what was lost and \
             measure again"
        ));
    }
    let changes: Vec<(Channel, Estimate)> = after
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
        return Held::Yes;
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
    Held::No {
        apart,
        change: what,
        cause,
    }
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
    pub(super) fn covers(&self, capture: &str, setup: &Setup) -> bool {
        self.mode.as_ref().is_none_or(|mode| *mode == setup.mode)
            && number(capture).is_some_and(|n| (self.first..=self.last).contains(&n))
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
                    code: self.code.to_owned(),
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
