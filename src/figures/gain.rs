//! Gain, and the sensitivity that follows from it.
//!
//! **Definition.** `gain`: 20 lg of the fundamental's rms at the unit's output re the e.m.f. that drives its input, at the
//! take's own level, load and volume. `sensitivity`: that e.m.f. for the rated output voltage √(P·R) of the mode, if the
//! gain of the take held up to there: rated volts / gain.
//!
//! **Source.** Ratio of two voltages; the e.m.f. (not the voltage behind the source's resistance) is what sheets state an
//! input by. Common practice, no source. Budget as GUM 5.1.5.
//!
//! **Conditions.** A single tone whose stimulus is known, a rig that knows output, pad and input. Sensitivity wants the
//! volume at maximum and the unit's rated power. Without stimulus or rig there is nothing to say, and nothing is said.
//!
//! **Assumptions.** The recorded tone is the one that was played, and the stimulus is what the interface's output played.
//! What the input takes from the source by its own impedance belongs to the unit's gain; it is 0.1 dB for 500 Ω into
//! 47 kΩ. Near clipping a gain is smaller than at low level; sensitivity is best read at or below a tenth of rated power.
//!
//! **Uncertainty.** That of both voltages; what they share (one meter, the rig's response) cancels in their ratio.

use super::tone::{ToneChannel, channels, last_tone, play_tone};
use super::{Measurement, Next};
use crate::dsp::tone::ToneAnalysis;
use crate::figure::{FigureId, Findings, NotMeasured, Unit};
use crate::quantity::{Dbfs, Estimate};
use crate::rig::Rig;
use crate::signal::stimulus::Signal;
use crate::signal::take::FULL_VOLUME;
use crate::take::Examined;

/// Two clocks of a bench differ by less, relatively: a hundred parts in a million each, and as much again to spare.
const SAME_TONE: f64 = 4e-4;

/// Measures gain and sensitivity.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Gain {
    /// Rated output of the take's mode, V rms; without it there is no sensitivity.
    pub rated_v: Option<f64>,
}

impl Measurement for Gain {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let Some(take) = last_tone(takes) else {
            return play_tone();
        };
        let mut findings = Findings::default();
        for channel in channels(take, rig) {
            if channel.refusal(&[FigureId::Gain]).is_some() {
                continue;
            }
            for tone in channel.tones() {
                self.of_tone(&channel, tone, &mut findings);
            }
        }
        Next::Done(findings)
    }
}

impl Gain {
    fn of_tone(&self, channel: &ToneChannel<'_>, tone: &ToneAnalysis, findings: &mut Findings) {
        let volts = channel.volts(&tone.fundamental);
        let Some((output, emf)) = volts.zip(driving_emf(channel, tone)) else {
            return;
        };
        let ratio = output.over(&emf);
        findings
            .figures
            .push(channel.figure(FigureId::Gain, Unit::Decibels, ratio.amplitude_to_db(), tone));
        let Some(rated_v) = self.rated_v else { return };
        let volume = channel.chain.take.setup.volume.as_deref();
        if volume.is_some_and(|v| v != FULL_VOLUME) {
            findings.not_measured.push(not_at_full_volume(channel));
            return;
        }
        let sensitivity = Estimate::exact(rated_v).over(&ratio);
        let mut figure = channel.figure(FigureId::Sensitivity, Unit::Volts, sensitivity, tone);
        // It is stated at the rated output, whatever the level of the take.
        figure.conditions.level_dbfs = None;
        figure.conditions.level_v = None;
        figure.conditions.reference = Some("rated output".to_owned());
        findings.figures.push(figure);
    }
}

fn not_at_full_volume(channel: &ToneChannel<'_>) -> NotMeasured {
    channel.not_measured(
        FigureId::Sensitivity,
        "volume",
        "sensitivity is stated with the volume at maximum: turn it up and repeat the take",
    )
}

/// The e.m.f. at the unit's input, V rms, if the tone that was heard is the one that was played.
fn driving_emf(channel: &ToneChannel<'_>, tone: &ToneAnalysis) -> Option<Estimate> {
    let stimulus = channel.chain.take.stimulus.as_ref()?;
    let Signal::Tone {
        frequency_hz,
        level_dbfs,
    } = stimulus.channel(channel.index)?
    else {
        return None;
    };
    let heard_hz = tone.fundamental.frequency_hz;
    if (heard_hz / frequency_hz - 1.0).abs() > SAME_TONE {
        return None;
    }
    let full_scale = channel.chain.emf_at(*frequency_hz)?;
    Some(full_scale.scaled(Dbfs(*level_dbfs).sine_peak()))
}
