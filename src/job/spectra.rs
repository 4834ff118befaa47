//! Spectra of a take as levels, for drawing: what a line of each frequency would read.

use crate::dsp::spectrum::PowerSpectrum;
use crate::figure::Channel;
use crate::quantity::{Dbfs, Estimate};
use crate::rig::{Loopback, Rig};
use crate::take::{ChannelView, Content, Examined};

/// A spectrum to draw, in levels.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// Of which channel.
    pub channel: Channel,
    /// Of a tone or of the unit's noise.
    pub kind: SpectrumKind,
    /// Spacing of the lines, Hz; line `i` is at `i · bin_hz`.
    pub bin_hz: f64,
    /// Level of each line, in `unit`, −∞ where there is nothing.
    pub level_db: Vec<f64>,
    /// What the levels are in: "dB re fundamental", "dBV", "dBFS".
    pub unit: String,
    /// Bandwidth that one line hears, Hz: a level of noise means nothing without it.
    pub line_hz: f64,
    /// The rig's own level at (frequency in Hz, level in `unit`), for the same bandwidth; empty where not known.
    pub rig_floor: Vec<(f64, f64)>,
}

/// What is on a spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpectrumKind {
    /// A steady tone with its harmonics.
    Tone,
    /// No signal: hum and noise.
    Noise,
}

/// Every channel of a steady take; nothing of a sweep.
pub fn of(examined: &Examined, rig: Option<&Rig>) -> Vec<Spectrum> {
    let (views, kind) = match &examined.content {
        Content::Tone(views) => (views, SpectrumKind::Tone),
        Content::Silence(views) | Content::Noise(views) => (views, SpectrumKind::Noise),
        Content::TwoTone(_) | Content::Sweep(_) | Content::Unknown(_) => return Vec::new(),
    };
    let tap = examined.take.setup.tap.as_deref();
    views
        .iter()
        .enumerate()
        .filter_map(|(index, view)| channel(index, view, kind, rig, tap))
        .collect()
}

fn channel(
    index: usize,
    view: &ChannelView,
    kind: SpectrumKind,
    rig: Option<&Rig>,
    tap: Option<&str>,
) -> Option<Spectrum> {
    // Levels are dBFS − `zero_dbfs`.
    let (zero_dbfs, unit) = match kind {
        SpectrumKind::Tone => {
            let fundamental = &view.tones.first()?.fundamental;
            (Dbfs::from_sine_peak(fundamental.amplitude).0, "dB re fundamental")
        }
        SpectrumKind::Noise => match rig.and_then(|r| r.volts_at_full_scale(index, tap)) {
            Some(Estimate { value, .. }) => (-20.0 * value.log10(), "dBV"),
            None => (0.0, "dBFS"),
        },
    };
    let spectrum = &view.spectrum;
    let line_hz = spectrum.bin_hz * spectrum.line_width_bins;
    let mut level_db: Vec<f64> = spectrum
        .density
        .iter()
        .map(|d| Dbfs::from_rms((d * line_hz).sqrt()).0 - zero_dbfs)
        .collect();
    if kind == SpectrumKind::Tone {
        put_fundamental(&mut level_db, spectrum, view.tones[0].fundamental.frequency_hz);
    }
    let rig_floor = rig
        .and_then(|r| r.loopback.iter().find(|l| l.channel == index))
        .map(|l| floor(l, line_hz, zero_dbfs))
        .unwrap_or_default();
    Some(Spectrum {
        channel: Channel::at(index),
        kind,
        bin_hz: spectrum.bin_hz,
        level_db,
        unit: unit.to_owned(),
        line_hz,
        rig_floor,
    })
}

/// The fundamental was fitted out of the spectrum; it is drawn as the line of 0 dB that it is.
fn put_fundamental(level_db: &mut [f64], spectrum: &PowerSpectrum, frequency_hz: f64) {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a bin inside the spectrum"
    )]
    let bin = (frequency_hz / spectrum.bin_hz).round() as usize;
    if let Some(level) = level_db.get_mut(bin) {
        *level = 0.0;
    }
}

fn floor(loopback: &Loopback, line_hz: f64, zero_dbfs: f64) -> Vec<(f64, f64)> {
    let bandwidth_db = 10.0 * line_hz.log10();
    loopback
        .frequency_hz
        .iter()
        .zip(&loopback.noise_dbfs_per_hz)
        .map(|(hz, density)| (*hz, density + bandwidth_db - zero_dbfs))
        .collect()
}
