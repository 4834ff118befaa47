//! Deconvolution of the synchronised exponential sweep (Novak, Lotton and Simon, JAES 63(10), 2015).
//!
//! The way of one capture: find the sweep ([`delay`]), fit its delay and clock from the phase of the linear transfer
//! function ([`phase`]), write the sweep and its multiples once more in closed form exactly where they lie on the
//! capture ([`mod@reference`]) — so neither a fraction of a sample nor a clock offset is ever interpolated — and read
//! every order through a gate ([`gate`], [`settle`]) on a common grid ([`grid`]).
//!
//! What the numbers are worth, on clean captures: magnitude and phase of flat devices to rounding; of sloping ones
//! [`SweepAnalysis::gating_limit_db`]; orders 2 to 5 no worse than their `floor`.

mod delay;
mod gate;
mod grid;
mod least_squares;
mod minimum_phase;
mod phase;
mod reference;
mod separate;
mod settle;
mod transform;

pub use reference::{LONGEST_S, SweepParameters};

use crate::error::{Error, Kind, Result};
use crate::signal::source::BlockSource;
use rustfft::num_complex::Complex64;
use separate::Separator;
use transform::Transform;

/// Longest capture of a sweep, s: all of it is transformed at once.
const LONGEST_CAPTURE_S: f64 = 90.0;

/// Most frames of a capture: half a minute at 384 kHz, some 0.6 GB in stereo.
const MOST_FRAMES: u64 = 12_000_000;

/// Transfer functions of one capture of a sweep, on a common frequency grid.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepAnalysis {
    /// Frequencies of the grid, Hz, rising, inside the sweep's band.
    pub frequency_hz: Vec<f64>,
    /// One channel after the other.
    pub channels: Vec<ChannelTransfer>,
    /// From the start of the capture to the start of the stimulus (its lead-in included), s; negative where the
    /// beginning is missing. Of the channel with the strongest sweep; taken out of its phases.
    pub delay_s: f64,
    /// Capture clock re playing clock, parts per million; exactly 0 where no offset can be told.
    pub clock_ppm: f64,
    /// Standard uncertainty of `clock_ppm` from the fit.
    pub clock_ppm_u: f64,
    /// Index of the channel with the strongest sweep.
    pub strongest: usize,
    /// From this frequency up the gate of the first order stays clear of the start of the sweep.
    pub settled_from_hz: f64,
    /// How well the capture fits the sweep.
    pub quality: Quality,
}

/// How well a capture fits its sweep, measured on the channel with the strongest sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quality {
    /// Share of a band's energy that deconvolves to one arrival, median over the bands: 1 clean, below 0.2 nothing.
    pub compact: f64,
    /// Median departure of a band's delay from a common delay and clock, s.
    pub scatter_s: f64,
    /// Seconds of the sweep that are missing before the capture.
    pub missing_start_s: f64,
    /// Seconds of the sweep that are missing after its end.
    pub missing_end_s: f64,
    /// rms of the capture (without DC), full scale = 1.
    pub rms: f64,
    /// Clock offset that the bands show, as a ratio − 1, before it is judged or refined.
    pub rough_clock: f64,
}

/// One channel's transfer functions, capture re stimulus, both in units of full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelTransfer {
    /// H₁, complex gain with the path's delay taken out; one value a grid frequency.
    pub linear: Vec<Complex64>,
    /// Standard uncertainty of |H₁| from the noise around it, same scale.
    pub linear_u: Vec<f64>,
    /// H₂…H₅ against the frequency of the **fundamental**, as amplitude ratios re the stimulus; entries end where
    /// n·f leaves the measured band.
    pub higher: Vec<HigherTransfer>,
    /// Delay of this channel re [`SweepAnalysis::delay_s`], s; taken out of its phases. 0 where its sweep is too weak.
    pub delay_s: f64,
    /// +1 or −1; 0 where the sweep is too weak to tell.
    pub polarity: i8,
    /// Largest phase in mid-band that no minimum-phase network, delay, clock offset or noise explains,
    /// degrees; `None` where the sweep is too weak to tell.
    pub excess_phase_deg: Option<f64>,
}

/// One higher-order transfer function.
#[derive(Debug, Clone, PartialEq)]
pub struct HigherTransfer {
    /// Order, 2…5.
    pub order: u32,
    /// Complex amplitude at the first entries of the grid (may be shorter than the grid). The phase is that of
    /// sin(n·φ) re the stimulus' sin(φ), as in a device without memory.
    pub values: Vec<Complex64>,
    /// Noise floor of |value| at the same entries.
    pub floor: Vec<f64>,
}

impl SweepAnalysis {
    /// What the gate may do to |H₁| at `hz`, dB: the limit of a rectangular distribution. Found with first-order
    /// high-passes from half to twice the first frequency, whose slopes are the steepest that amplifiers have there.
    pub fn gating_limit_db(&self, hz: f64) -> f64 {
        let start = self.frequency_hz.first().copied().unwrap_or(0.0);
        if hz >= self.settled_from_hz {
            0.005
        } else if hz >= 1.15 * start {
            0.05
        } else {
            0.1
        }
    }
}

/// Analyses a capture of `sweep` on all its channels.
///
/// Whether the capture is of this sweep at all is for the caller to judge from [`SweepAnalysis::quality`]; an answer
/// is given whenever the arithmetic is possible. Memory is about 8 bytes × frames × (channels + 10) / 2: about 50 MiB
/// for 10 s of stereo at 96 kHz, more for longer captures and higher rates.
///
/// # Errors
/// Where the parameters are no sweep, the capture is empty, much shorter than the sweep, or holds values that are not
/// numbers, or nothing of the sweep can be found.
pub fn analyse(source: &dyn BlockSource, sweep: &SweepParameters) -> Result<SweepAnalysis> {
    sweep.check()?;
    let format = source.format();
    let rate = f64::from(format.sample_rate_hz);
    if sweep.from_hz * 4.0 > 0.45 * rate {
        return Err(too_short("the capture's sample rate is too low for this sweep"));
    }
    if format.seconds() < 0.5 * sweep.seconds {
        return Err(too_short(format!(
            "the capture lasts {:.2} s, the sweep alone {:.2} s",
            format.seconds(),
            sweep.seconds
        )));
    }
    if format.seconds() > LONGEST_CAPTURE_S || format.frames > MOST_FRAMES {
        return Err(Error::new(
            Kind::Value,
            format!(
                "a capture of {:.0} s at {} Hz is more than is analysed at once ({LONGEST_CAPTURE_S:.0} s, {} million frames)",
                format.seconds(),
                format.sample_rate_hz,
                MOST_FRAMES / 1_000_000
            ),
        )
        .next("cut the capture down to the sweep with a second before and after it, or play a shorter sweep"));
    }
    let frames = usize::try_from(format.frames).unwrap_or(usize::MAX);
    let transform = Transform::new(frames, rate, 1.1 * sweep.to_hz + 1000.0);
    let mut spectra = Vec::with_capacity(format.channels);
    let mut power = Vec::with_capacity(format.channels);
    for index in 0..format.channels {
        let (samples, mean_square) = transform::channel(source, index, transform.length)?;
        spectra.push(transform.spectrum(samples)?);
        power.push(mean_square);
    }
    Separator {
        sweep,
        transform: &transform,
        spectra: &spectra,
        power: &power,
    }
    .run()
}

fn too_short(what: impl Into<String>) -> Error {
    Error::new(Kind::Mismatch, what).next(
        "check that this is the stimulus of this capture, and record it again from before the sweep to after its end",
    )
}
