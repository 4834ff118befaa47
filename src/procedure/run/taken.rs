//! One take: played, recorded, and read back from the disk.

use super::{Session, Taped, Whole, at_step};
use crate::bench::{Played, Reason};
use crate::error::{Error, Kind, Result};
use crate::procedure::damage::Damaged;
use crate::procedure::plan::{Play, Step};
use crate::procedure::taping::{Taping, stopped};
use crate::rig::ceiling::{Cleared, UnitLimits};
use crate::signal::take::{Setup, Take};
use crate::signal::wav_read;
use crate::take::losses::Clocks;
use crate::take::{self, Examined};
use std::path::Path;
use std::time::Instant;

impl Session<'_> {
    /// Plays and records, then reads back.
    pub(super) fn tape(&mut self, step: &Step, limits: &UnitLimits, cleared: Cleared) -> Result<Taped> {
        let (capture, path) = self.writer.begin_capture(&step.name)?;
        let mut taping = Taping::new(&cleared, &path, &mut *self.operator);
        let played = self.bench.play(&cleared, &step.setup, &mut taping);
        if !self.bench.simulated() {
            self.ended = Some(Instant::now());
        }
        let played = played.map_err(|e| at_step(e, step))?;
        if let Some((reason, frame)) = played.stopped {
            let at_s = frame as f64 / f64::from(cleared.stimulus().sample_rate_hz);
            let error = at_step(stopped(reason).at(format!("second {at_s:.2}")), step);
            return if self.goes_on_after(reason, step) {
                Ok(Taped::Stopped(error))
            } else {
                Err(error)
            };
        }
        let format = taping.finish()?;
        // A step wants its load connected; the bench may know that it was not.
        let setup = Setup {
            loaded: played.loaded.or(step.setup.loaded),
            ..step.setup.clone()
        };
        if limits.transformer_coupled && setup.loaded != Some(true) {
            return Err(at_step(
                Error::new(
                    Kind::Mismatch,
                    "the load is not connected, and this unit has output transformers, which break down without it",
                )
                .next("switch the unit off now, connect the loads, and begin again"),
                step,
            ));
        }
        let (damaged, examined) = self.look(&path, &cleared, &setup, &played)?;
        let whole = examined.map(|examined| {
            Box::new(Whole {
                capture,
                format,
                setup,
                examined,
                cleared,
            })
        });
        Ok(match (damaged, whole) {
            (None, Some(whole)) => Taped::Whole(whole),
            (damaged, whole) => Taped::Damaged(damaged.unwrap_or_default(), whole),
        })
    }

    /// Whether what the guard saw concerns this step alone: a peak of the response in a sweep, or an input at full scale for
    /// the first time.
    pub(super) fn goes_on_after(&mut self, reason: Reason, step: &Step) -> bool {
        match reason {
            Reason::Louder(..) => matches!(step.play, Play::Sweep { .. }),
            Reason::Clipped(_) => !std::mem::replace(&mut self.clipped, true),
            _ => false,
        }
    }

    /// Examines a capture as it is on the disk: what damages it, and what is on it where it can be read.
    pub(super) fn look(
        &self,
        path: &Path,
        cleared: &Cleared,
        setup: &Setup,
        played: &Played,
    ) -> Result<(Option<Damaged>, Option<Examined>)> {
        let take = Take {
            source: wav_read::open(path)?,
            stimulus: Some(cleared.stimulus().clone()),
            setup: setup.clone(),
            simulated: self.bench.simulated(),
        };
        match take::examine_with(take, None, Clocks::of(Some(self.rig))) {
            Ok(examined) => Ok((Damaged::of(&played.losses, &examined.integrity), Some(examined))),
            Err(error) if error.kind() == Kind::Io => Err(error),
            Err(error) => Ok((Some(Damaged::unreadable(&played.losses, &error)), None)),
        }
    }
}
