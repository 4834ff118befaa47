//! Power at the load.
//!
//! **Definition.** V²/R, V the rms of the fundamental at the unit's output, R the load resistor's resistance; watts a
//! channel. Where distortion or noise adds more than 1 % to the square of the voltage, a note gives the total.
//!
//! **Source.** Ohm's law; the budget as GUM 5.1.5.
//!
//! **Conditions.** Load, and which channels were driven at the same time. Without a rig there are no volts and no watts.
//!
//! **Assumptions.** The rig's load was connected, unless the setup says otherwise, and is a resistance at this
//! frequency. Below a watt it is cold; above, where its hot value is known, midway between cold and hot.
//!
//! **Uncertainty.** That of the level (twice, relatively), of the load, and of its temperature ([`Rig::load_taking`]).

use super::tone::{ToneChannel, channels, last_tone, play_tone};
use super::{Measurement, Next};
use crate::dsp::tone::ToneAnalysis;
use crate::figure::{Band, FigureId, Findings, NotMeasured, Unit};
use crate::rig::Rig;
use crate::take::Examined;

/// Share of the power beside the fundamental's that is worth a note.
const WORTH_A_NOTE: f64 = 0.01;

/// Measures the power at the load.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Power;

impl Measurement for Power {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let Some(take) = last_tone(takes) else {
            return play_tone();
        };
        let mut findings = Findings::default();
        for channel in channels(take, rig) {
            if let Some(refusals) = channel.refusal(&[FigureId::Power]) {
                findings.not_measured.extend(refusals);
                continue;
            }
            for tone in channel.tones() {
                if let Err(refusal) = channel.power(tone, &mut findings) {
                    findings.not_measured.push(refusal);
                }
            }
        }
        Next::Done(findings)
    }
}

impl ToneChannel<'_> {
    fn power(&self, tone: &ToneAnalysis, findings: &mut Findings) -> Result<(), NotMeasured> {
        let refuse = |code: &str, reason: &str| self.not_measured(FigureId::Power, code, reason);
        let rig = self.rig.ok_or_else(|| {
            refuse(
                "uncalibrated",
                "volts and watts need a calibrated rig: name its file with --rig, or write one with asleft rig new --template",
            )
        })?;
        let volts = self.volts(&tone.fundamental).ok_or_else(|| {
            refuse(
                "uncalibrated",
                "the rig file does not describe this channel or this tap: calibrate it",
            )
        })?;
        if self.chain.take.setup.loaded == Some(false) {
            return Err(refuse(
                "no_load",
                "no load was connected: connect it and repeat the take",
            ));
        }
        let load = rig
            .load(self.index, false)
            .and_then(|cold| rig.load_taking(self.index, volts.value.powi(2) / cold.value))
            .ok_or_else(|| {
                refuse(
                    "uncalibrated",
                    "the rig file states no load for this channel: add its resistance",
                )
            })?;
        let power = volts.times(&volts).over(&load);
        let watts = power.value;
        let mut figure = self.figure(FigureId::Power, Unit::Watts, power, tone);
        figure.conditions.load_ohm = Some(load.value);
        findings.figures.push(figure);
        let beside = self.view.spectrum.mean_square(Band::AUDIO, None);
        let share = beside / (0.5 * tone.fundamental.amplitude.powi(2));
        if share > WORTH_A_NOTE {
            findings.notes.push(format!(
                "{}: the fundamental delivers {watts:.4} W; with distortion and noise it is {:.4} W",
                self.channel(),
                watts * (1.0 + share)
            ));
        }
        Ok(())
    }
}
