//! This program as a bench of its own: plays one stimulus through the live bench and writes down what happened.
//!
//! The audio server is chosen by the environment, which a program cannot change for itself: so a test orders a take, and
//! this program runs again as a child to play it.

use asleft::bench::live::LiveBench;
use asleft::bench::{Bench, Flow, Played, Reason, Sink};
use asleft::error::{Error, Result};
use asleft::rig::Interface;
use asleft::rig::ceiling;
use asleft::signal::source::Format;
use asleft::signal::stimulus::Stimulus;
use asleft::signal::take::Setup;
use asleft::signal::wav_stream::WavStream;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Word by which this program plays the order in the file that is named next.
pub(crate) const PLAY: &str = "--play-an-order";

/// What to play, and where to write down what came of it.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Order {
    pub(crate) interface: Interface,
    pub(crate) stimulus: Stimulus,
    pub(crate) stop: Stop,
    pub(crate) wav: PathBuf,
    pub(crate) account: PathBuf,
}

/// When whoever listens asks for silence.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
pub(crate) enum Stop {
    Never,
    /// With the block that has this frame.
    AtFrame(u64),
    /// With the first block that is not silent.
    OnSound,
}

/// What came of it.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(crate) struct Account {
    /// What was cleared, if anything.
    pub(crate) cleared: Option<Stimulus>,
    /// Frames that came.
    pub(crate) frames: u64,
    /// The first frame behind the block that was answered with stop.
    pub(crate) stopped_at: Option<u64>,
    /// Losses that the bench told of, and the frame of each.
    pub(crate) losses: Vec<(u64, String)>,
    /// The bench's own word on why it ended early, and where.
    pub(crate) ended_early: Option<(String, u64)>,
    /// The most frames that waited in the device, as it reports them.
    pub(crate) waiting: Option<u64>,
    /// What and where, and what to do next, where it failed.
    pub(crate) error: Option<(String, String)>,
}

/// Plays the order in the file at `order`.
pub(crate) fn play(order: &Path) {
    let text = std::fs::read_to_string(order).unwrap();
    let order: Order = serde_json::from_str(&text).unwrap();
    let mut account = Account::default();
    if let Err(e) = obey(&order, &mut account) {
        let what = format!("{}: {}", e.place().unwrap_or_default(), e.what());
        account.error = Some((what, e.next_step().unwrap_or_default().to_owned()));
    }
    std::fs::write(&order.account, serde_json::to_string_pretty(&account).unwrap()).unwrap();
}

fn obey(order: &Order, account: &mut Account) -> Result<()> {
    let cleared = ceiling::clear_bare(order.stimulus.clone())?;
    account.cleared = Some(cleared.stimulus().clone());
    let mut bench = LiveBench::open(&order.interface)?;
    let mut listener = Listener {
        wav: &order.wav,
        stream: None,
        stop: order.stop,
        frames: 0,
        stopped_at: None,
    };
    let played = bench.play(&cleared, &Setup::default(), &mut listener);
    account.frames = listener.frames;
    account.stopped_at = listener.stopped_at;
    account.waiting = bench.timing().map(|t| t.waiting);
    let Played { losses, stopped, .. } = played?;
    account.losses = losses.into_iter().map(|l| (l.at_frame, l.what)).collect();
    account.ended_early = stopped.map(|(reason, frame)| (format!("{reason:?}"), frame));
    match listener.stream.take() {
        Some(stream) => stream.finish().map(drop),
        None => Ok(()),
    }
}

/// Writes what comes to the disk, and stops when it is told to.
struct Listener<'a> {
    wav: &'a Path,
    stream: Option<WavStream>,
    stop: Stop,
    frames: u64,
    stopped_at: Option<u64>,
}

impl Sink for Listener<'_> {
    fn begin(&mut self, format: &Format) -> Result<()> {
        self.stream = Some(WavStream::create(self.wav, *format)?);
        Ok(())
    }

    fn block(&mut self, planes: &[&[f64]]) -> Result<Flow> {
        let stream = self.stream.as_mut();
        stream
            .ok_or_else(|| Error::new(asleft::error::Kind::Mismatch, "a block came before the beginning"))?
            .write(planes)?;
        self.frames += planes.first().map_or(0, |p| p.len()) as u64;
        let now = match self.stop {
            Stop::Never => false,
            Stop::AtFrame(frame) => self.frames > frame,
            Stop::OnSound => planes.iter().any(|p| p.iter().any(|x| x.abs() > 0.0)),
        };
        if now && self.stopped_at.is_none() {
            self.stopped_at = Some(self.frames);
        }
        Ok(if self.stopped_at.is_some() {
            Flow::Stop(Reason::Asked)
        } else {
            Flow::Go
        })
    }
}
