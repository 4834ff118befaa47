//! One tone on the bench, watched by the operator, and what the interface read of it.

use super::CHANNELS;
use super::step::{Measure, Reading};
use crate::bench::guard::Guard;
use crate::bench::{Bench, Flow, InMemory, Loss, Reason, Sink};
use crate::error::{Error, Kind, Result};
use crate::figure::{Channel, Driven};
use crate::procedure::operator::{Meter, Operator};
use crate::procedure::taping::stopped;
use crate::quantity::Dbfs;
use crate::rig::ceiling::{self, Cleared};
use crate::signal::source::Format;
use crate::signal::stimulus::{Signal, Stimulus};
use crate::signal::take::Take;
use crate::take::{self, Content, Examined};
use std::sync::Arc;

/// Silence before and after a tone, s: the interface's latency, and the unit's rest.
const SILENCE_S: f64 = 0.3;

/// How far the tone may be from what was played: clocks are off by a millionth, hum by far more.
const SAME_TONE: f64 = 0.01;

/// Meters are shown this often, s.
const SHOWN_EVERY_S: f64 = 0.1;

/// What came back of a tone.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Heard {
    /// A tone of this level and relative standard uncertainty, percent.
    Tone { dbfs: f64, u_percent: f64 },
    /// No tone.
    Nothing,
    /// The input was at full scale.
    Clipped,
    /// The guard ended the take: in its words.
    Stopped(String),
    /// The recording has losses: in the words of the analysis.
    Damaged(String),
}

/// The stimulus of a measurement at `level_dbfs`.
pub(super) fn stimulus(measure: &Measure, level_dbfs: f64, seconds: f64) -> Stimulus {
    let tone = Signal::Tone {
        frequency_hz: measure.frequency_hz,
        level_dbfs,
    };
    let driven = measure.setup.driven.unwrap_or(Driven::Both);
    Stimulus {
        lead_in_s: SILENCE_S,
        lead_out_s: SILENCE_S,
        fade_s: ceiling::RAMP_S,
        ..Stimulus::stereo(measure.opening.sample_rate_hz, seconds, &tone, driven)
    }
}

/// Plays and says what each input heard; nothing where `measure` does not listen.
///
/// # Errors
/// Where the operator stops it, or the bench fails.
pub(super) fn play(
    bench: &mut dyn Bench,
    operator: &mut dyn Operator,
    cleared: &Cleared,
    measure: &Measure,
) -> Result<Vec<Heard>> {
    let setup = &measure.setup;
    let mut tape = Watched {
        tape: InMemory::default(),
        operator,
        cleared: measure.listens.then_some(cleared),
        guard: None,
        of_s: cleared.stimulus().total_seconds(),
        rate: f64::from(measure.opening.sample_rate_hz),
        recent: Vec::new(),
        peak: Vec::new(),
        frames: 0,
    };
    let played = bench.play(cleared, setup, &mut tape)?;
    match played.stopped {
        Some((Reason::Asked, _)) => {
            return Err(Error::new(
                Kind::Unavailable,
                "the calibration was stopped, and the tone with it",
            )
            .next("run the same command again to go on"));
        }
        Some((Reason::Clipped(_), _)) => return Ok(vec![Heard::Clipped; CHANNELS]),
        Some((reason, _)) => return Ok(vec![Heard::Stopped(stopped(reason).what().to_owned()); CHANNELS]),
        None => {}
    }
    if !measure.listens {
        return Ok(Vec::new());
    }
    let source = tape.tape.source().ok_or_else(|| {
        Error::new(Kind::Unavailable, "the bench recorded nothing").next("run the same command again")
    })?;
    let take = Take {
        source: Arc::new(source),
        stimulus: Some(cleared.stimulus().clone()),
        setup: setup.clone(),
        simulated: bench.simulated(),
    };
    let examined = take::examine(take, None)?;
    let heard = |channel| heard(&examined, &played.losses, channel, measure.frequency_hz);
    Ok((0..CHANNELS).map(heard).collect())
}

fn heard(examined: &Examined, losses: &[Loss], channel: usize, frequency_hz: f64) -> Heard {
    if examined
        .integrity
        .clipped_samples
        .get(channel)
        .is_some_and(|n| *n > 0)
    {
        return Heard::Clipped;
    }
    if let Some(loss) = losses.first() {
        return Heard::Damaged(format!(
            "the device reported at frame {}: {}",
            loss.at_frame, loss.what
        ));
    }
    let side = Channel::at(channel);
    if let Some(loss) = examined
        .integrity
        .discontinuities
        .iter()
        .find(|d| d.channel == side)
    {
        return Heard::Damaged(format!("{side}: the recording has a break at {:.2} s", loss.at_s));
    }
    let Content::Tone(views) = &examined.content else {
        return Heard::Nothing;
    };
    let tone = views
        .get(channel)
        .and_then(|v| v.tones.first())
        .map(|t| &t.fundamental);
    match tone {
        Some(f) if (f.frequency_hz / frequency_hz - 1.0).abs() < SAME_TONE => Heard::Tone {
            dbfs: Dbfs::from_sine_peak(f.amplitude).0,
            u_percent: 100.0 * f.amplitude_u / f.amplitude,
        },
        _ => Heard::Nothing,
    }
}

/// The tone's level on the bench, without an operator: what a script or a test reads of a measurement.
///
/// # Errors
/// As [`play`], and where no sound tone comes back.
pub(super) fn reading(measure: &Measure, heard: &Heard, played_dbfs: f64, volts: f64) -> Result<Reading> {
    let (dbfs, u_percent) = match heard {
        _ if !measure.listens => (f64::NAN, f64::NAN),
        Heard::Tone { dbfs, u_percent } => (*dbfs, *u_percent),
        Heard::Nothing => return Err(no_tone(measure, "no tone comes back")),
        Heard::Clipped => return Err(no_tone(measure, "the input is at full scale")),
        Heard::Damaged(how) | Heard::Stopped(how) => return Err(no_tone(measure, how)),
    };
    Ok(Reading {
        key: measure.key.clone(),
        volts,
        dbfs,
        u_percent,
        played_dbfs,
    })
}

fn no_tone(measure: &Measure, what: &str) -> Error {
    Error::new(Kind::Unavailable, what)
        .at(measure.key.clone())
        .next("check the cable, the sockets and the channel map, then run the same command again")
}

/// Keeps the recording, shows its level, and stops when the operator or the guard asks.
struct Watched<'o> {
    tape: InMemory,
    operator: &'o mut dyn Operator,
    /// What is played, where the inputs are listened to.
    cleared: Option<&'o Cleared>,
    guard: Option<Guard>,
    of_s: f64,
    rate: f64,
    /// Sum of squares and frames since the meters were last shown.
    recent: Vec<(f64, f64)>,
    peak: Vec<f64>,
    frames: u64,
}

impl Watched<'_> {
    fn add(&mut self, planes: &[&[f64]]) {
        for ((plane, recent), peak) in planes.iter().zip(&mut self.recent).zip(&mut self.peak) {
            recent.0 += plane.iter().map(|x| x * x).sum::<f64>();
            recent.1 += plane.len() as f64;
            *peak = plane.iter().fold(*peak, |m, x| m.max(x.abs()));
        }
        self.frames += planes.first().map_or(0, |p| p.len() as u64);
    }

    fn show(&mut self) {
        if self
            .recent
            .first()
            .is_none_or(|r| r.1 < SHOWN_EVERY_S * self.rate)
        {
            return;
        }
        #[allow(
            clippy::cast_precision_loss,
            reason = "takes are far shorter than 2^52 frames"
        )]
        let at_s = self.frames as f64 / self.rate;
        let meter = Meter {
            at_s,
            of_s: self.of_s,
            level_dbfs: self
                .recent
                .iter()
                .map(|(s, n)| Dbfs::from_rms((s / n).sqrt()).0)
                .collect(),
            peak_dbfs: self.peak.iter().map(|p| Dbfs::from_sine_peak(*p).0).collect(),
        };
        self.recent.fill((0.0, 0.0));
        self.operator.watch(&meter);
    }
}

impl Sink for Watched<'_> {
    fn begin(&mut self, format: &Format) -> Result<()> {
        self.recent = vec![(0.0, 0.0); format.channels];
        self.peak = vec![0.0; format.channels];
        self.guard = self.cleared.map(|cleared| Guard::new(cleared, format));
        self.tape.begin(format)
    }

    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow> {
        self.tape.block(planes)?;
        self.add(planes);
        self.show();
        if self.operator.wants_to_stop() {
            return Ok(Flow::Stop(Reason::Asked));
        }
        Ok(self.guard.as_mut().map_or(Flow::Go, |guard| guard.block(planes)))
    }
}
