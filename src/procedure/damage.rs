//! Takes that are damaged: why, what to do about it, and whether it may be the unit's own doing.

use crate::bench::Loss;
use crate::error::{Error, Kind};
use crate::figure::Channel;
use crate::take::integrity::{Damage, DiscontinuityKind, Integrity};

/// A take that cannot be used as it is.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Damaged {
    /// Why, in the technician's words.
    pub(super) reasons: Vec<String>,
    /// What to do, for each kind of damage once.
    next: Vec<&'static str>,
    /// Channels whose level changed, in the order they were found, where that is all that happened.
    level_alone: Option<Vec<Channel>>,
}

const LOSSES: &str = "close other programs, try larger periods or another USB socket, and run the step again";
const LEVEL: &str = "touch no control while it plays, switch automatic gain and limiters off, and look for a bad contact; a \
                     supply that sags or warmth do this too";
const GATE: &str = "switch noise suppression off wherever the system or the interface has it";
const SILENT: &str = "look whether the input is muted, and whether the program may record";
const CLIPPED: &str = "choose a tap that attenuates more";

impl Damaged {
    /// What is wrong with a take; `None` where nothing is. Flat tops below full scale are the unit's own and belong to the
    /// figure.
    pub(super) fn of(losses: &[Loss], integrity: &Integrity) -> Option<Self> {
        let mut of_the_path = integrity.clone();
        of_the_path.flat_tops.fill(false);
        let mut out = Self::reported(losses);
        out.reasons.extend(of_the_path.reasons());
        for damage in &integrity.damage {
            out.do_next(match damage {
                Damage::FramesMissing { .. } | Damage::FramesAdded { .. } => LOSSES,
                Damage::GainMoved { .. } | Damage::AutomaticGain { .. } => LEVEL,
                Damage::Gate { .. } => GATE,
                Damage::NoMarks => SILENT,
            });
        }
        for broken in &integrity.discontinuities {
            out.do_next(match broken.kind {
                DiscontinuityKind::Zeros => SILENT,
                _ => LOSSES,
            });
        }
        if integrity.clipped_samples.iter().any(|n| *n > 0) {
            out.do_next(CLIPPED);
        }
        out.level_alone = (out.next == [LEVEL]).then(|| levels(integrity));
        (!out.reasons.is_empty()).then_some(out)
    }

    /// A take that could not even be analysed.
    pub(super) fn unreadable(losses: &[Loss], error: &Error) -> Self {
        let mut out = Self::reported(losses);
        out.reasons.push(error.what().to_owned());
        out.do_next(LOSSES);
        out
    }

    fn reported(losses: &[Loss]) -> Self {
        let mut out = Self::default();
        for loss in losses {
            out.reasons.push(format!(
                "the device reported at frame {}: {}",
                loss.at_frame, loss.what
            ));
            out.do_next(LOSSES);
        }
        out
    }

    fn do_next(&mut self, what: &'static str) {
        if !self.next.contains(&what) {
            self.next.push(what);
        }
    }
}

fn levels(integrity: &Integrity) -> Vec<Channel> {
    let channel = |d: &Damage| match d {
        Damage::GainMoved { channel, .. } | Damage::AutomaticGain { channel, .. } => Some(*channel),
        _ => None,
    };
    let mut channels: Vec<Channel> = integrity.damage.iter().filter_map(channel).collect();
    channels.sort_unstable();
    channels.dedup();
    channels
}

/// Whether nothing but the level of the same channels changed in every take: a hand or a lost sample does not repeat so.
pub(super) fn may_be_the_units_own(all: &[Damaged]) -> bool {
    let Some(first) = all.first() else {
        return false;
    };
    first.level_alone.is_some() && all.iter().all(|d| d.level_alone == first.level_alone)
}

/// The error of a step whose takes were all damaged.
pub(super) fn given_up(all: &[Damaged]) -> Error {
    let last = all.last().cloned().unwrap_or_default();
    Error::new(
        Kind::Unavailable,
        format!("{} takes were damaged: {}", all.len(), last.reasons.join("; ")),
    )
    .next(last.next.join("; "))
}
