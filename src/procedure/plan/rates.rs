//! What the bench's sample rates allow of a plan, and what they cost.

use super::shape::SWEEP_TO_HZ;
use super::step::{Play, Step};
use crate::error::{Error, Kind, Result};

/// Share of the sample rate up to which a signal passes: above it the filters of converters fall. Common practice, no
/// source.
const PASSED: f64 = 0.45;

/// The highest offered rate that is not above `wanted`, else the lowest; `wanted` where all are offered.
pub(super) fn fit(offered: &[u32], wanted: u32) -> u32 {
    let below = offered.iter().copied().filter(|r| *r <= wanted).max();
    below.or(offered.iter().copied().min()).unwrap_or(wanted)
}

/// `hz`, or the highest frequency that passes at `rate`.
pub(super) fn highest_of(hz: f64, rate: u32) -> f64 {
    hz.min(PASSED * f64::from(rate))
}

/// The offered rates up to `most_hz`.
///
/// # Errors
/// Where none is left.
pub fn up_to(offered: &[u32], most_hz: Option<u32>) -> Result<Vec<u32>> {
    let within: Vec<u32> = offered
        .iter()
        .copied()
        .filter(|r| most_hz.is_none_or(|most| *r <= most))
        .collect();
    if !within.is_empty() {
        return Ok(within);
    }
    let (what, next) = match (most_hz, offered.iter().min()) {
        (Some(most), Some(least)) => (
            format!("the interface has no sample rate up to {}", kilohertz(most)),
            format!("its lowest is {}", kilohertz(*least)),
        ),
        _ => (
            "the interface's output and input have no sample rate in common".to_owned(),
            "set both to one rate in the interface's own control panel or in the sound server".to_owned(),
        ),
    };
    Err(Error::new(Kind::Unavailable, what).next(next))
}

/// Takes out of `steps` the tones whose second harmonic does not pass, and says what the rates cost.
pub(super) fn limit(steps: &mut Vec<Step>) -> Vec<String> {
    let mut notes = Vec::new();
    let mut gone: Vec<(f64, u32)> = Vec::new();
    let mut third: Option<(f64, u32)> = None;
    steps.retain(|step| match step.play {
        Play::Tone { frequency_hz, .. } => {
            let rate = step.sample_rate_hz;
            let has = |order: f64| order * frequency_hz <= PASSED * f64::from(rate);
            if !has(2.0) {
                gone.push((frequency_hz, rate));
                return false;
            }
            if !has(3.0) && third.is_none_or(|(hz, _)| hz > frequency_hz) {
                third = Some((frequency_hz, rate));
            }
            true
        }
        Play::Sweep { to_hz, .. } => {
            if to_hz < SWEEP_TO_HZ {
                notes.push(format!(
                    "At {} sweeps end at {:.1} kHz: what the specification states beyond is not measured.",
                    kilohertz(step.sample_rate_hz),
                    to_hz / 1e3
                ));
            }
            true
        }
        Play::Silence => true,
    });
    if let Some((hz, rate)) = third {
        notes.push(format!(
            "At {} the third harmonic of {} and of higher tones is not seen: their distortion may be more than is shown.",
            kilohertz(rate),
            frequency(hz)
        ));
    }
    for (hz, rate) in gone {
        notes.push(format!(
            "At {} no harmonic of {} is seen: it is left out, also as a frequency of rated power.",
            kilohertz(rate),
            frequency(hz)
        ));
    }
    let mut said: Vec<String> = Vec::new();
    for note in notes {
        if !said.contains(&note) {
            said.push(note);
        }
    }
    said
}

fn kilohertz(rate: u32) -> String {
    format!("{} kHz", f64::from(rate) / 1e3)
}

fn frequency(hz: f64) -> String {
    if hz < 1e3 {
        format!("{hz:.0} Hz")
    } else {
        format!("{} kHz", (hz / 10.0).round() / 100.0)
    }
}
