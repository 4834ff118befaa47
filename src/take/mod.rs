//! Is this take fit to use, and what is on it: integrity, recognition, alignment.
//!
//! [`Examined`] is a take with everything that all figures share, found once: the figures read it and never go back to
//! the samples for what is already here.

pub mod alignment;
mod examine;
mod gate;
pub mod integrity;
mod lines;
pub mod losses;
mod marked;
pub mod marks;
pub mod recognise;
pub mod residual;
mod sines;
pub mod sweep_check;
mod track;

pub use examine::{examine, examine_with};

use crate::dsp::spectrum::PowerSpectrum;
use crate::dsp::tone::ToneAnalysis;
use crate::signal::take::Take;
use alignment::Alignment;
use integrity::Integrity;

/// A take that was looked at.
#[derive(Debug)]
pub struct Examined {
    /// The take.
    pub take: Take,
    /// Whether it is fit to use.
    pub integrity: Integrity,
    /// Where it lies against its stimulus; `None` where no stimulus is known.
    pub alignment: Option<Alignment>,
    /// What is on it.
    pub content: Content,
    /// Pairs of channels (by index) that are equal bit for bit: one channel recorded twice.
    pub identical: Vec<(usize, usize)>,
}

impl Examined {
    /// Whether the channels at `a` and `b` are one and the same recording, so that nothing can be said of the difference
    /// between them.
    pub fn is_one_twice(&self, a: usize, b: usize) -> bool {
        self.identical.contains(&(a.min(b), a.max(b)))
    }
}

/// What is on a take, by channel.
#[derive(Debug)]
pub enum Content {
    /// One steady sine on at least one channel. A channel without it has `None` and only its spectrum.
    Tone(Vec<ChannelView>),
    /// Two steady sines on at least one channel.
    TwoTone(Vec<ChannelView>),
    /// Silence: hum and noise, no test signal.
    Silence(Vec<ChannelView>),
    /// A test signal of random noise (known by its stimulus) or a recording of noise well above a floor.
    Noise(Vec<ChannelView>),
    /// The sweep of the take's stimulus: its deconvolution.
    Sweep(crate::dsp::sweep::SweepAnalysis),
    /// Not a test signal.
    Unknown(Vec<ChannelView>),
}

/// One channel of a steady take.
#[derive(Debug)]
pub struct ChannelView {
    /// The sines, strongest first: none, one or two.
    pub tones: Vec<ToneAnalysis>,
    /// Spectrum of the channel without its sines and without DC.
    pub spectrum: PowerSpectrum,
    /// Mean of the samples.
    pub dc: f64,
    /// Median quasi-peak reading after the first 3 s through the ITU-R BS.468-4 network, in units of full scale (a
    /// steady 1 kHz sine reads its rms); only of silence and noise.
    pub quasi_peak: Option<QuasiPeak>,
}

/// A quasi-peak reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuasiPeak {
    /// Median reading, rms-calibrated, in units of full scale.
    pub median: f64,
    /// Standard uncertainty of the median from the readings' spread.
    pub u: f64,
    /// Degrees of freedom.
    pub dof: f64,
}

impl Content {
    /// The word that JSON has for it.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Tone(_) => "tone",
            Self::TwoTone(_) => "two_tone",
            Self::Silence(_) => "silence",
            Self::Noise(_) => "noise",
            Self::Sweep(_) => "sweep",
            Self::Unknown(_) => "unknown",
        }
    }
}
