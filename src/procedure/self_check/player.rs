//! Plays one cleared stimulus and keeps what comes back; stops when the operator asks.

use crate::bench::{Bench, Flow, InMemory, Reason, Sink};
use crate::error::{Error, Kind, Result};
use crate::figure::Driven;
use crate::procedure::operator::{Notice, Operator, Weight};
use crate::procedure::run::ATTEMPTS;
use crate::rig::ceiling::{self, Cleared};
use crate::signal::source::{BlockSource, Format, MemorySource};
use crate::signal::stimulus::{SCHEMA, Signal, Stimulus};
use crate::signal::take::{SHORTED_PLUG, Setup, Take};
use std::sync::Arc;

/// Silence before each signal, s: the quiet start that its onset is found by.
pub(super) const LEAD_IN_S: f64 = 0.1;
/// Silence after each signal, s.
const LEAD_OUT_S: f64 = 0.1;

/// The bench with whoever stands at it.
pub(super) struct Player<'a> {
    pub(super) bench: &'a mut dyn Bench,
    pub(super) operator: &'a mut dyn Operator,
}

/// One tone a channel, dBFS at the outputs; `None` is silence.
pub(super) fn tones(hz: f64, levels: &[Option<f64>]) -> Vec<Signal> {
    let signal = |level: &Option<f64>| {
        level.map_or(Signal::Silence, |level_dbfs| Signal::Tone {
            frequency_hz: hz,
            level_dbfs,
        })
    };
    levels.iter().map(signal).collect()
}

impl Player<'_> {
    /// Plays `channels` for `seconds` and returns the take. One in which the device lost samples is made again: what was
    /// lost would become the floor of every later plot.
    ///
    /// # Errors
    /// Where the signal may not be played, the bench fails, loses samples [`ATTEMPTS`] times, or the operator stops.
    pub(super) fn play(
        &mut self,
        sample_rate_hz: u32,
        seconds: f64,
        channels: Vec<Signal>,
        setup: &Setup,
    ) -> Result<Take> {
        let stimulus = Stimulus {
            schema: SCHEMA.to_owned(),
            sample_rate_hz,
            seconds,
            lead_in_s: LEAD_IN_S,
            lead_out_s: LEAD_OUT_S,
            fade_s: ceiling::RAMP_S,
            marks: None,
            channels,
        };
        let cleared = ceiling::clear_bare(stimulus)?;
        let mut lost = String::new();
        for _ in 0..ATTEMPTS {
            match self.take(&cleared, setup)? {
                Ok(take) => return Ok(take),
                Err(loss) => lost = loss,
            }
            self.operator.tell(&Notice {
                weight: Weight::Step,
                text: "Samples were lost; this part of the check is made again.".to_owned(),
                why: lost.clone(),
            })?;
        }
        Err(Error::new(
            Kind::Unavailable,
            format!("samples were lost {ATTEMPTS} times: {lost}"),
        )
        .next("close other programs, try larger periods or another USB socket, and run the check again"))
    }

    /// One attempt; the first loss where samples were lost.
    fn take(&mut self, cleared: &Cleared, setup: &Setup) -> Result<std::result::Result<Take, String>> {
        let mut tape = Tape {
            kept: InMemory::default(),
            operator: self.operator,
        };
        let played = self.bench.play(cleared, setup, &mut tape)?;
        if let Some((reason, _)) = played.stopped {
            return Err(stopped(reason));
        }
        if let Some(loss) = played.losses.first() {
            return Ok(Err(loss.what.clone()));
        }
        let source = tape
            .kept
            .source()
            .filter(|s: &MemorySource| s.format().frames > 0);
        let Some(source) = source else {
            return Err(
                Error::new(Kind::Unavailable, "the interface recorded nothing").next(
                    "check that its input is free and that this program may record, then repeat the check",
                ),
            );
        };
        Ok(Ok(Take {
            source: Arc::new(source),
            stimulus: Some(cleared.stimulus().clone()),
            setup: setup.clone(),
            simulated: self.bench.simulated(),
        }))
    }
}

/// How the bench stands with `driven` channels playing into a cable.
pub(super) fn cabled(driven: Driven) -> Setup {
    Setup {
        driven: Some(driven),
        ..Setup::default()
    }
}

/// How it stands with terminated inputs.
pub(super) fn terminated() -> Setup {
    Setup {
        termination: Some(SHORTED_PLUG.to_owned()),
        ..Setup::default()
    }
}

fn stopped(reason: Reason) -> Error {
    let what = match reason {
        Reason::Asked => "the check was stopped".to_owned(),
        Reason::Clipped(channel) => format!("the {channel} input is at full scale"),
        Reason::Vanished(channel) => format!("what came back on the {channel} input is gone"),
        Reason::Louder(channel, db) => {
            format!("the {channel} input hears {db:.1} dB more than was predicted")
        }
        Reason::Uncalled(channel) => format!("the {channel} input hears what nobody plays"),
        Reason::NotANumber(channel) => format!("the {channel} input delivers what is no number"),
    };
    Error::new(Kind::Unavailable, what).next("check cables and gain, then repeat the check")
}

/// Keeps what comes, and asks the operator before each block whether to go on.
struct Tape<'o> {
    kept: InMemory,
    operator: &'o mut dyn Operator,
}

impl Sink for Tape<'_> {
    fn begin(&mut self, format: &Format) -> Result<()> {
        self.kept.begin(format)
    }

    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow> {
        self.kept.block(planes)?;
        if self.operator.wants_to_stop() {
            return Ok(Flow::Stop(Reason::Asked));
        }
        Ok(Flow::Go)
    }
}
