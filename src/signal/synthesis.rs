//! Renders a [`Stimulus`] as a recording: block by block, from any frame, in constant memory.

use super::burst::Bursts;
use super::mark;
use super::noise::{PinkNoise, fill_white};
use super::oscillator::Oscillator;
use super::source::{BlockReader, BlockSource, Encoding, Format};
use super::stimulus::{NoiseColour, Signal, Stimulus};
use super::sweep::Sweep;
use super::validity::faults;
use crate::error::Result;
use crate::quantity::Dbfs;
use std::f64::consts::PI;
use std::sync::Arc;

/// A stimulus ready to be read like a recording, with its lead-in, fades and lead-out.
#[derive(Debug, Clone)]
pub struct Renderer {
    format: Format,
    envelope: Envelope,
    voices: Arc<Vec<Voice>>,
    marks: Option<Chirps>,
}

impl Renderer {
    /// Checks `stimulus` and prepares its synthesis, one channel a signal.
    ///
    /// # Errors
    /// The first value that is impossible ([`faults`]).
    pub fn new(stimulus: &Stimulus) -> Result<Self> {
        Self::with_channels(stimulus, stimulus.channels.len())
    }

    /// The same with `channels` channels: a single signal plays on all of them; otherwise channels without a signal
    /// are silent.
    ///
    /// # Errors
    /// As [`Renderer::new`].
    pub fn with_channels(stimulus: &Stimulus, channels: usize) -> Result<Self> {
        if let Some(first) = faults(stimulus).into_iter().next() {
            return Err(first.error);
        }
        let silence = Signal::Silence;
        let voices = (0..channels)
            .map(|index| Voice::new(stimulus.channel(index).unwrap_or(&silence), stimulus))
            .collect();
        Ok(Self {
            format: Format {
                sample_rate_hz: stimulus.sample_rate_hz,
                channels,
                frames: stimulus.total_frames(),
                encoding: Encoding::Float(64),
            },
            envelope: Envelope {
                lead_in: stimulus.lead_in_frames(),
                frames: stimulus.signal_frames(),
                fade: stimulus
                    .frames_in(stimulus.fade_s)
                    .min(stimulus.signal_frames() / 2),
            },
            voices: Arc::new(voices),
            marks: Chirps::of(stimulus),
        })
    }
}

impl BlockSource for Renderer {
    fn format(&self) -> Format {
        self.format
    }

    fn open(&self) -> Result<Box<dyn BlockReader>> {
        Ok(Box::new(Reader {
            total: self.format.frames,
            envelope: self.envelope,
            voices: self.voices.to_vec(),
            marks: self.marks.clone(),
        }))
    }
}

struct Reader {
    total: u64,
    envelope: Envelope,
    voices: Vec<Voice>,
    marks: Option<Chirps>,
}

impl BlockReader for Reader {
    fn read(&mut self, first: u64, planes: &mut [&mut [f64]]) -> Result<usize> {
        let there = usize::try_from(self.total.saturating_sub(first)).unwrap_or(usize::MAX);
        let mut got = 0;
        for (channel, (voice, plane)) in self.voices.iter_mut().zip(planes.iter_mut()).enumerate() {
            got = plane.len().min(there);
            self.envelope.render(voice, first, &mut plane[..got]);
            if let Some(marks) = &self.marks {
                marks.render(channel, first, &mut plane[..got]);
            }
        }
        Ok(got)
    }
}

/// The marks before and after the signal.
#[derive(Debug, Clone)]
struct Chirps {
    starts: [u64; 2],
    frames: u64,
    sample_rate_hz: u32,
    peak: f64,
    channels: Vec<usize>,
}

impl Chirps {
    fn of(stimulus: &Stimulus) -> Option<Self> {
        let marks = stimulus.marks.as_ref()?;
        Some(Self {
            starts: stimulus.mark_frames(),
            frames: stimulus.frames_in(mark::MARK_S),
            sample_rate_hz: stimulus.sample_rate_hz,
            peak: Dbfs(marks.level_dbfs).sine_peak(),
            channels: marks.channels.clone(),
        })
    }

    /// Writes the marks' part of frames `first…` of one channel; lead-in and lead-out are silent elsewhere.
    fn render(&self, channel: usize, first: u64, out: &mut [f64]) {
        if !self.channels.contains(&channel) {
            return;
        }
        let last = first + out.len() as u64;
        for start in self.starts {
            for frame in start.max(first)..(start + self.frames).min(last) {
                #[allow(clippy::cast_precision_loss, reason = "a mark is some thousand frames")]
                let t = (frame - start) as f64 / f64::from(self.sample_rate_hz);
                let index = usize::try_from(frame - first).unwrap_or(usize::MAX);
                if let Some(sample) = out.get_mut(index) {
                    *sample = self.peak * mark::value(channel, t);
                }
            }
        }
    }
}

/// Where the signal sounds, and how it comes and goes.
#[derive(Debug, Clone, Copy)]
struct Envelope {
    lead_in: u64,
    frames: u64,
    fade: u64,
}

impl Envelope {
    /// Fills `out` with frames `first…` of the whole, silence included.
    fn render(self, voice: &mut Voice, first: u64, out: &mut [f64]) {
        let frames_out = out.len() as u64;
        let begin = self.lead_in.clamp(first, first + frames_out) - first;
        let end = (self.lead_in + self.frames).clamp(first, first + frames_out) - first;
        let index = |offset: u64| usize::try_from(offset).unwrap_or(usize::MAX).min(out.len());
        let (begin, end) = (index(begin), index(end));
        out[..begin].fill(0.0);
        out[end..].fill(0.0);
        let sounding = &mut out[begin..end];
        if sounding.is_empty() {
            return;
        }
        let start = first + begin as u64 - self.lead_in;
        voice.fill(start, sounding);
        self.fade(start, sounding);
    }

    /// Applies the fades to frames `start…` of the signal proper.
    fn fade(self, start: u64, out: &mut [f64]) {
        let fully_on = self.fade..self.frames - self.fade;
        if fully_on.contains(&start) && start + out.len() as u64 <= fully_on.end {
            return;
        }
        for (n, sample) in (start..).zip(out) {
            if !fully_on.contains(&n) {
                *sample *= raised_cosine(n.min(self.frames - 1 - n), self.fade);
            }
        }
    }
}

/// ½ − ½ cos(π n / length): 0 at frame 0, 1 at `length`.
fn raised_cosine(n: u64, length: u64) -> f64 {
    #[allow(
        clippy::cast_precision_loss,
        reason = "fades are far shorter than 2^53 frames"
    )]
    let part = n as f64 / length.max(1) as f64;
    0.5 - 0.5 * (PI * part).cos()
}

/// One channel's signal at its level.
#[derive(Debug, Clone)]
enum Voice {
    Silence,
    Tones(Vec<(Oscillator, f64)>),
    Sweep(Sweep, f64),
    White { seed: u64, rms: f64 },
    Pink(PinkNoise, f64),
    Bursts(Bursts, f64),
}

impl Voice {
    fn new(signal: &Signal, stimulus: &Stimulus) -> Self {
        let rate = stimulus.sample_rate_hz;
        let peak = |level_dbfs: f64| Dbfs(level_dbfs).sine_peak();
        match signal {
            Signal::Silence => Self::Silence,
            Signal::Tone {
                frequency_hz,
                level_dbfs,
            } => Self::Tones(vec![(
                Oscillator::new(*frequency_hz, rate, 0.0),
                peak(*level_dbfs),
            )]),
            Signal::Tones { tones } => Self::Tones(
                tones
                    .iter()
                    .map(|t| {
                        let start = t.phase_deg / 360.0;
                        (
                            Oscillator::new(t.frequency_hz, rate, start - start.round()),
                            peak(t.level_dbfs),
                        )
                    })
                    .collect(),
            ),
            Signal::Sweep {
                from_hz,
                to_hz,
                level_dbfs,
            } => Self::Sweep(
                Sweep::new(*from_hz, *to_hz, stimulus.seconds, rate),
                peak(*level_dbfs),
            ),
            Signal::Noise {
                colour,
                level_dbfs,
                seed,
            } => {
                let rms = Dbfs(*level_dbfs).rms();
                match colour {
                    NoiseColour::White => Self::White { seed: *seed, rms },
                    NoiseColour::Pink => Self::Pink(PinkNoise::new(*seed, rate), rms),
                }
            }
            Signal::Burst {
                frequency_hz,
                level_dbfs,
                on_s,
                every_s,
            } => {
                let every = stimulus.frames_in(*every_s);
                let bursts = Bursts::new(*frequency_hz, rate, *on_s, every, stimulus.signal_frames());
                Self::Bursts(bursts, peak(*level_dbfs))
            }
        }
    }

    /// Fills `out` with frames `start…` of the signal, without fades.
    fn fill(&mut self, start: u64, out: &mut [f64]) {
        let gain = match self {
            Self::Silence => {
                out.fill(0.0);
                return;
            }
            Self::Tones(tones) => {
                for (n, sample) in (start..).zip(out) {
                    *sample = tones.iter().map(|(sine, peak)| peak * sine.sine(n)).sum();
                }
                return;
            }
            Self::Sweep(sweep, peak) => {
                sweep.fill(start, out);
                *peak
            }
            Self::White { seed, rms } => {
                fill_white(*seed, start, out);
                *rms
            }
            Self::Pink(pink, rms) => {
                pink.fill(start, out);
                *rms
            }
            Self::Bursts(bursts, peak) => {
                for (n, sample) in (start..).zip(out.iter_mut()) {
                    *sample = bursts.sample(n);
                }
                *peak
            }
        };
        for sample in out {
            *sample *= gain;
        }
    }
}
