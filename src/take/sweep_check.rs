//! Is this capture the answer of one steady amplifier to this sweep?
//!
//! A deconvolution always gives curves; these tests say when they mean nothing. Each is set so that a soft-clipping
//! amplifier, a noisy one, steep filters and a clock hundreds of ppm off pass:
//!
//! - the energy of every band must arrive together, and at a delay that one clock explains, or it is another sweep;
//! - the whole sweep must be on the capture, but for a little at its beginning;
//! - magnitude and phase must belong together as Bode's integral says. A gain that moved while the sweep ran (automatic
//!   gain control, limiter, a touched knob) changes the magnitude without its phase. Half a decibel in one step, or
//!   about two in a slow drift, is seen; a compressor that has settled before the sweep is loud is not, since it then
//!   is a steady gain.

use super::integrity::Integrity;
use crate::dsp::sweep::{SweepAnalysis, SweepParameters};
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;

/// Below this rms a capture has no signal: −90 dBFS.
const NO_SIGNAL: f64 = 2.2e-5;

/// Least share of a band's energy that must arrive together; noise as loud as the sweep still leaves 0.7.
const LEAST_COMPACT: f64 = 0.25;

/// Largest departure of a band's delay from the common line, s. An amplifier's own is below a millisecond.
const MOST_SCATTER_S: f64 = 0.002;

/// Largest clock offset of two real clocks: five times the worst crystal.
const MOST_CLOCK: f64 = 5e-4;

/// Largest phase that magnitude and delay may leave unexplained, degrees. Oversharp filters leave 1°, hard clipping 2°.
const MOST_EXCESS_DEG: f64 = 3.0;

/// Channels this far below the strongest are not judged by phase: what they carry is crosstalk.
const JUDGED: f64 = 0.1;

/// Checks an analysed capture against its sweep.
///
/// # Errors
/// Of kind `Mismatch`, with the reason and what to do, where the curves would mean nothing.
pub fn check(analysis: &SweepAnalysis, sweep: &SweepParameters, integrity: &Integrity) -> Result<()> {
    matches(analysis)?;
    complete(analysis, sweep)?;
    unclipped(integrity)?;
    steady(analysis)
}

fn mismatch(what: impl Into<String>, next: &str) -> Error {
    Error::new(Kind::Mismatch, what).next(next)
}

fn matches(analysis: &SweepAnalysis) -> Result<()> {
    let q = &analysis.quality;
    if q.rms < NO_SIGNAL {
        return Err(mismatch(
            "there is no signal on the capture",
            "check the cables, the input selector and the volume control, and record the sweep again",
        ));
    }
    if q.compact < LEAST_COMPACT || q.scatter_s > MOST_SCATTER_S {
        return Err(mismatch(
            "the capture is not of this sweep: what is on it does not line up with the stimulus",
            "give the stimulus file that was played when this was recorded, or record it again without noise suppression or other effects",
        ));
    }
    if q.rough_clock.abs() > MOST_CLOCK {
        return Err(mismatch(
            format!(
                "the sweep on the capture runs {:.2} % {} than the stimulus: it is another sweep, or the capture was resampled",
                100.0 * q.rough_clock.abs(),
                if q.rough_clock > 0.0 { "slower" } else { "faster" }
            ),
            "give the stimulus file that was played, and record at the interface's own sample rate",
        ));
    }
    Ok(())
}

fn complete(analysis: &SweepAnalysis, sweep: &SweepParameters) -> Result<()> {
    let q = &analysis.quality;
    if q.missing_end_s > sweep.fade_s + 0.02 {
        return Err(mismatch(
            format!(
                "the capture ends {:.2} s before the sweep does: its top, above {:.0} Hz, is missing",
                q.missing_end_s,
                sweep.frequency_at(sweep.seconds - q.missing_end_s)
            ),
            "record again, and stop a second after the sweep has ended",
        ));
    }
    if q.missing_start_s > sweep.fade_s + sweep.rate() * std::f64::consts::LN_2 {
        return Err(mismatch(
            format!(
                "the capture begins {:.2} s after the sweep did: all below {:.0} Hz is missing",
                q.missing_start_s,
                sweep.frequency_at(q.missing_start_s)
            ),
            "record again, and start recording before the sweep is played",
        ));
    }
    Ok(())
}

fn unclipped(integrity: &Integrity) -> Result<()> {
    match integrity.clipped_samples.iter().position(|n| *n > 0) {
        Some(index) => Err(mismatch(
            "the capture is clipped: the interface's input was overdriven",
            "lower the input gain or use a larger attenuator, and record the sweep again",
        )
        .at(format!("channel {}", Channel::at(index)))),
        None => Ok(()),
    }
}

fn steady(analysis: &SweepAnalysis) -> Result<()> {
    let middle = analysis.frequency_hz.len() / 2;
    let gain = |i: usize| {
        analysis
            .channels
            .get(i)
            .and_then(|c| c.linear.get(middle))
            .map_or(0.0, |h| h.norm())
    };
    let loudest = gain(analysis.strongest);
    for (index, channel) in analysis.channels.iter().enumerate() {
        let excess = channel.excess_phase_deg.filter(|e| *e > MOST_EXCESS_DEG);
        if let Some(excess) = excess.filter(|_| gain(index) > JUDGED * loudest) {
            return Err(mismatch(
                format!(
                    "the gain changed while the sweep ran: magnitude and phase differ by {excess:.0}° from what one steady amplifier does"
                ),
                "switch off automatic gain control, limiter and other effects, touch no knob, and record the sweep again; behind a digital equaliser of linear phase, measure with tones instead",
            )
            .at(format!("channel {}", Channel::at(index))));
        }
    }
    Ok(())
}
