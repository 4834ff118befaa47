//! Noise, and with a reference ([`super::snr`]) the signal-to-noise ratio.
//!
//! **Definition.** `noise`: rms of all that the unit puts out in a band while its input is terminated and nothing drives
//! it, flat or weighted; in dBFS (0 dBFS is the rms of a full-scale sine, AES17), with a rig also in volts at the unit's
//! output. With the `itu468` weighting it is the median quasi-peak reading after the first 3 s. `snr`: a reference level
//! over the noise, in dB.
//!
//! **Source.** Weightings: IEC 61672-1 and ITU-R BS.468-4 ([`crate::dsp::weighting`], [`crate::dsp::quasi_peak`]). Bands:
//! brick-wall in the frequency domain; 20 Hz–20 kHz as AES17 and IEC 61606, 22 Hz–22 kHz of IEC 60268-1. S/N re rated
//! output: IEC 60268-3; re 1 W: IHF-A-202.
//!
//! **Conditions.** Termination of the input, volume, mode, input and load come from the take's setup. A band that the
//! sample rate cannot hold is cut at half of it and says `bandwidth`. The quasi-peak figure has no band: its network is
//! one.
//!
//! **Assumptions.** Noise of the interface and of the unit are independent, so that their powers add; the rig's noise
//! now is that of its loopback within 0.5 dB (standard uncertainty). Without a rig the figure is that of unit and
//! interface together. Quasi-peak readings of the two add as the weighted powers do, which holds for Gaussian noise.
//!
//! **Uncertainty.** Repeatability (segments of the take, or the statistics of Gaussian noise; of the median reading, its
//! spread with the correlation of neighbours), the rig's noise where it was taken off, quantisation; in volts the
//! calibration and the rig's response. Noise that cannot be told from the rig's is an upper limit.

use super::snr::{Reference, reference_level};
use super::tone::last_tone;
use super::unit_power::{Chain, Named, UnitPower};
use super::{Measurement, Next};
use crate::dsp::spectrum::MeanSquare;
use crate::dsp::weighting::power_gain;
use crate::figure::{Band, Driven, FigureId, Findings, LimitedBy, NotMeasured, Weighting};
use crate::rig::Rig;
use crate::signal::stimulus::{Signal, Stimulus};
use crate::signal::take::Setup;
use crate::take::{ChannelView, Content, Examined};

/// 22 Hz–22 kHz, the wide noise band of IEC 60268-1.
pub const TO_22_KHZ: Band = Band {
    low_hz: 22.0,
    high_hz: 22_000.0,
};

/// One way of reading the noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Weighting; `None` is flat.
    pub weighting: Option<Weighting>,
    /// Band. The quasi-peak meter ignores it.
    pub band: Band,
}

/// Measures noise, and S/N where a reference is given.
#[derive(Debug, Clone, PartialEq)]
pub struct Noise {
    /// What is read.
    pub readings: Vec<Reading>,
    /// What S/N refers to.
    pub references: Vec<Reference>,
    /// Rate to record at.
    pub sample_rate_hz: u32,
    /// Length of the silent take, s.
    pub seconds: f64,
    /// How the unit is to stand: its input terminated.
    pub setup: Setup,
}

impl Default for Noise {
    fn default() -> Self {
        let audio = |weighting| Reading {
            weighting,
            band: Band::AUDIO,
        };
        Self {
            readings: vec![
                audio(None),
                Reading {
                    weighting: None,
                    band: TO_22_KHZ,
                },
                audio(Some(Weighting::A)),
                audio(Some(Weighting::C)),
                audio(Some(Weighting::Itu468)),
                audio(Some(Weighting::Itu468At2k)),
            ],
            references: Vec::new(),
            sample_rate_hz: 96_000,
            seconds: 23.0,
            setup: Setup::default(),
        }
    }
}

impl Measurement for Noise {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let Some((take, views)) = last_silence(takes) else {
            return silent_take(self.sample_rate_hz, self.seconds, &self.setup);
        };
        let tone = last_tone(takes);
        let mut findings = Findings::default();
        for (index, view) in views.iter().enumerate() {
            let chain = Chain::new(&take.take, rig, index);
            self.channel(&chain, view, tone, rig, &mut findings);
        }
        if let Some(tone) = tone.filter(|_| self.references.contains(&Reference::Tone)) {
            let of_reference = tone
                .integrity
                .notes
                .iter()
                .map(|n| format!("reference tone: {n}"));
            findings.notes.extend(of_reference);
        }
        Next::Done(findings)
    }
}

/// The last take of noise alone.
pub(super) fn last_silence<'a>(takes: &[&'a Examined]) -> Option<(&'a Examined, &'a [ChannelView])> {
    takes.iter().rev().find_map(|t| Some((*t, silence_of(t)?)))
}

/// The channels of a take of noise alone; `None` of any other.
pub(super) fn silence_of(examined: &Examined) -> Option<&[ChannelView]> {
    match &examined.content {
        Content::Silence(views) => Some(views),
        // Noise that was played is a test signal, not the unit's own.
        Content::Noise(views) if examined.take.stimulus.is_none() => Some(views),
        _ => None,
    }
}

/// Asks for a take of silence.
pub(super) fn silent_take(sample_rate_hz: u32, seconds: f64, setup: &Setup) -> Next {
    let stimulus = Stimulus::stereo(sample_rate_hz, seconds, &Signal::Silence, Driven::Both);
    Next::Play(Box::new(stimulus), setup.clone())
}

impl Noise {
    fn channel(
        &self,
        chain: &Chain<'_>,
        view: &ChannelView,
        tone: Option<&Examined>,
        rig: Option<&Rig>,
        findings: &mut Findings,
    ) {
        let mut read = Vec::new();
        for reading in self.fitting(f64::from(chain.format().sample_rate_hz) / 2.0) {
            match unit_noise(chain, view, &reading, "the take") {
                Ok(noise) => read.push((reading, noise)),
                Err(refusal) => findings.not_measured.push(refusal),
            }
        }
        for (reading, noise) in &read {
            let named = Named {
                order: None,
                weighting: reading.weighting,
                band: reading.shown_band(),
                conditions: chain.conditions(),
            };
            chain.push_levels(findings, FigureId::Noise, noise, &named);
        }
        for reference in &self.references {
            match reference_level(reference, chain, tone, rig) {
                Ok(level) => {
                    let ratios = read
                        .iter()
                        .map(|(reading, noise)| level.over(chain, reading, noise));
                    findings.figures.extend(ratios);
                }
                Err(refusal) => findings.not_measured.push(refusal),
            }
        }
    }

    /// The readings as far as the sample rate holds them: a band that reaches beyond is cut, unless the same weighting
    /// was read already.
    fn fitting(&self, nyquist_hz: f64) -> Vec<Reading> {
        let mut out: Vec<Reading> = Vec::new();
        for reading in &self.readings {
            let fits = reading.band.high_hz <= nyquist_hz || reading.is_quasi_peak();
            if fits {
                out.push(*reading);
            } else if reading.band.low_hz < nyquist_hz && out.iter().all(|r| r.weighting != reading.weighting)
            {
                let mut cut = *reading;
                cut.band.high_hz = nyquist_hz;
                out.push(cut);
            }
        }
        out
    }
}

impl Reading {
    pub(super) fn is_quasi_peak(&self) -> bool {
        self.weighting == Some(Weighting::Itu468)
    }

    pub(super) fn shown_band(&self) -> Option<Band> {
        (!self.is_quasi_peak()).then_some(self.band)
    }
}

/// The unit's noise in one reading; `take` names its repeatability apart from that of other takes.
pub(super) fn unit_noise(
    chain: &Chain<'_>,
    view: &ChannelView,
    reading: &Reading,
    take: &str,
) -> Result<UnitPower, NotMeasured> {
    let refuse = |code: &str, reason: &str| NotMeasured {
        id: FigureId::Noise,
        channel: chain.channel,
        code: code.to_owned(),
        reason: reason.to_owned(),
    };
    let weigh = reading.weighting.map(|w| move |hz: f64| power_gain(w, hz));
    let gain = weigh.as_ref().map(|w| w as &dyn Fn(f64) -> f64);
    let band = if reading.is_quasi_peak() {
        Band {
            low_hz: 0.0,
            high_hz: view.spectrum.last_hz(),
        }
    } else {
        reading.band
    };
    let rms = view.spectrum.band_power(band, gain);
    if rms.value <= 0.0 {
        return Err(refuse(
            "no_signal",
            "every sample is exactly zero: that is a muted or blocked input, not silence; check the input and the \
             recording permission, and record again",
        ));
    }
    let total = if reading.is_quasi_peak() {
        let Some(q) = view.quasi_peak.filter(|q| q.median > 0.0) else {
            return Err(refuse(
                "too_short",
                "the quasi-peak reading is the median after the first 3 s; record at least 5 s, better 20 s",
            ));
        };
        MeanSquare {
            value: q.median * q.median,
            u: 2.0 * q.median * q.u,
            dof: q.dof,
        }
    } else {
        rms
    };
    // A quasi-peak reading is shared out as the weighted power is.
    let share = total.value / rms.value;
    let rig = chain
        .rig_noise(&view.spectrum)
        .map(|own| share * own.mean_square(band, gain));
    let quantisation = share * chain.quantisation(band, gain, &view.spectrum);
    let mut unit = chain.unit_power(total, rig, quantisation, &format!("{} in {take}", reading.name()));
    let half_rate = f64::from(chain.format().sample_rate_hz) / 2.0;
    let cut = !reading.is_quasi_peak() && reading.band.high_hz >= half_rate;
    if unit.limited_by.is_none() && cut {
        unit.limited_by = Some(LimitedBy::Bandwidth);
    }
    Ok(unit)
}

impl Reading {
    /// As budgets name it; readings of different weighting or band scatter differently.
    fn name(&self) -> String {
        let weighting = match self.weighting {
            None => "flat",
            Some(Weighting::A) => "A-weighted",
            Some(Weighting::C) => "C-weighted",
            Some(Weighting::Itu468) => return "the quasi-peak noise".to_owned(),
            Some(Weighting::Itu468At2k) => "468-weighted",
        };
        format!(
            "the {weighting} noise {:.0}–{:.0} Hz",
            self.band.low_hz, self.band.high_hz
        )
    }
}
