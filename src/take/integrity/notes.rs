//! Remarks on a capture in the technician's words. A clean capture gets none.

use super::scan::{ChannelScan, Scan};
use super::{BlockLevel, Inspection};
use crate::figure::Channel;
use crate::signal::source::{Encoding, Format};

/// DC that is worth a remark, re full scale.
const DC: f64 = 0.01;

/// Exact zeros at an end of the file that are worth a remark, s.
const TRIMMED_S: f64 = 0.01;

/// The remarks on `inspection`; `breaks` is how many discontinuities there are in all.
pub(super) fn of(inspection: &Inspection, scan: &Scan, format: Format, breaks: usize) -> Vec<String> {
    let mut notes = Vec::new();
    for (c, channel) in scan.channels.iter().enumerate() {
        let name = Channel::at(c);
        if inspection.peak[c] <= 0.0 {
            if format.frames > 0 {
                notes.push(format!(
                    "{name}: every sample is exactly zero: nothing was heard. The input is muted or not connected in \
                     software, or the program has no permission to record; this is not a measurement of noise"
                ));
            }
            continue;
        }
        notes.extend(level_notes(inspection, channel, c, format));
        notes.extend(end_notes(channel, c, format));
    }
    for (a, b) in &inspection.identical {
        notes.push(format!(
            "{} and {} are the same, bit for bit: one channel was recorded twice (a mono input, a mono switch or a \
             mixer), so nothing can be said of balance or separation",
            Channel::at(*a),
            Channel::at(*b)
        ));
    }
    let shown = inspection.integrity.discontinuities.len();
    if breaks > shown {
        notes.push(format!(
            "{breaks} breaks were found in all; the first {shown} are listed"
        ));
    }
    notes
}

fn level_notes(inspection: &Inspection, channel: &ChannelScan, c: usize, format: Format) -> Vec<String> {
    let name = Channel::at(c);
    let mut notes = Vec::new();
    let clipped = inspection.integrity.clipped_samples[c];
    let second = |test: &dyn Fn(&BlockLevel) -> bool| {
        let block = channel.levels.iter().position(test).unwrap_or(0);
        (block * super::BLOCK_FRAMES) as f64 / f64::from(format.sample_rate_hz)
    };
    let peak = inspection.peak[c];
    if clipped > 0 {
        let at = second(&|b| b.high.max(-b.low) >= 0.9999 * peak.min(1.0));
        notes.push(format!(
            "{name}: {clipped} samples are clipped at full scale, the first near {at:.2} s: turn the input down and \
             record again"
        ));
    } else if channel.clipped > 0 {
        notes.push(format!(
            "{name}: every sample is at full scale, as of a square wave; heavy clipping would look the same"
        ));
    }
    if peak > 1.001 && matches!(format.encoding, Encoding::Float(_)) {
        let at = second(&|b| b.high.max(-b.low) > 1.001);
        notes.push(format!(
            "{name}: samples reach {peak:.4} times full scale, the first near {at:.2} s: no converter delivers that, so \
             the file was scaled after recording and its levels are not those of the interface"
        ));
    }
    let dc = steady_mean(&channel.levels);
    if dc.abs() > DC {
        notes.push(format!(
            "{name}: DC of {:.1} % of full scale: an input that passes DC, or a fault of the converter (an amplifier's \
             offset is read with a meter, not here)",
            dc * 100.0
        ));
    }
    notes
}

/// Mean under a Hann weighting, so that an odd piece of a period does not pass for DC; 0 for captures too short for it.
fn steady_mean(levels: &[BlockLevel]) -> f64 {
    let whole = levels.len().saturating_sub(1);
    if whole < 8 {
        return 0.0;
    }
    let weight = |i: usize| {
        (std::f64::consts::PI * (i as f64 + 0.5) / whole as f64)
            .sin()
            .powi(2)
    };
    let (mut sum, mut weights) = (0.0, 0.0);
    for (i, b) in levels[..whole].iter().enumerate() {
        sum += weight(i) * b.mean;
        weights += weight(i);
    }
    sum / weights
}

/// Digital silence at the ends of a capture that otherwise carries something.
fn end_notes(channel: &ChannelScan, c: usize, format: Format) -> Vec<String> {
    let rate = f64::from(format.sample_rate_hz);
    let name = Channel::at(c);
    let silences = || {
        channel
            .held
            .iter()
            .filter(|r| r.is_zero() && r.length() as f64 > TRIMMED_S * rate)
    };
    // Between the bursts of a digital signal lies the same silence as after the last one.
    if silences().any(|r| r.start > 0 && r.end < format.frames) {
        return Vec::new();
    }
    silences()
        .filter_map(|r| {
            let seconds = r.length() as f64 / rate;
            if r.start == 0 {
                Some(format!(
                    "{name}: begins with {seconds:.3} s of digital silence (exact zeros)"
                ))
            } else if r.end == format.frames {
                Some(format!(
                    "{name}: ends with {seconds:.3} s of digital silence (exact zeros)"
                ))
            } else {
                None
            }
        })
        .collect()
}
