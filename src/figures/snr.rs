//! What a signal-to-noise ratio refers to, and the ratio.
//!
//! **Definition.** Reference level over noise ([`super::noise`]), in dB. The reference is unweighted; the noise is in the
//! weighting and band of the figure.
//!
//! **Source.** Rated output: IEC 60268-3; 1 W: IHF-A-202; a tone of the same path: common practice.
//!
//! **Conditions.** `reference` names it, with its level and frequency.
//!
//! **Assumptions.** A tone recorded through the same tap shares the calibration with the noise, so that it cancels;
//! through another tap both are compared in volts.
//!
//! **Uncertainty.** That of the noise and of the tone, the calibration once. Where the noise is an upper limit the
//! interval reaches up by as much as that one reaches down: the figure is "at least". A clipped tone leaves it in doubt.

use super::noise::Reading;
use super::tone::DISTINCT;
use super::unit_power::{Chain, UnitPower, dbfs_of, volts_of};
use crate::figure::{Band, Figure, FigureId, LimitedBy, NotMeasured, Unit};
use crate::quantity::{Dbfs, Estimate};
use crate::rig::Rig;
use crate::take::{Content, Examined};

/// What a signal-to-noise ratio refers to.
#[derive(Debug, Clone, PartialEq)]
pub enum Reference {
    /// The fundamental of the last tone among the takes.
    Tone,
    /// A voltage at the unit's output, V rms; needs a rig.
    Output {
        /// As the report names it ("rated output", "1 W").
        name: String,
        /// V rms.
        volts: f64,
    },
}

impl Reference {
    /// The voltage of `watts` into `load_ohm`.
    pub fn power(name: impl Into<String>, watts: f64, load_ohm: f64) -> Self {
        Self::Output {
            name: name.into(),
            volts: (watts * load_ohm).sqrt(),
        }
    }
}

/// A reference for S/N, in dB of the scale that the noise is compared on.
pub(super) struct ReferenceLevel {
    db: Estimate,
    name: String,
    scale: Scale,
    frequency_hz: Option<f64>,
    level_dbfs: Option<f64>,
    level_v: Option<f64>,
    /// The converter clipped the tone.
    clipped: bool,
}

enum Scale {
    Dbfs,
    Dbv,
}

impl ReferenceLevel {
    pub(super) fn over(&self, chain: &Chain<'_>, reading: &Reading, noise: &UnitPower) -> Figure {
        let noise_db = match self.scale {
            Scale::Dbfs => dbfs_of(&noise.power),
            // The reference exists on this scale only where the rig knows volts.
            Scale::Dbv => chain
                .volts_at_full_scale(reading.band)
                .map_or_else(|| dbfs_of(&noise.power), |v| in_db(&volts_of(&noise.power, &v))),
        };
        let mut conditions = chain.conditions();
        conditions.reference = Some(self.name.clone());
        conditions.frequency_hz = self.frequency_hz;
        conditions.level_dbfs = self.level_dbfs;
        conditions.level_v = self.level_v;
        Figure {
            id: FigureId::Snr,
            channel: chain.channel,
            // Where the noise is an upper limit its interval reaches down to nothing, and this one up accordingly.
            estimate: self.db.minus(&noise_db),
            unit: Unit::Decibels,
            db: None,
            order: None,
            weighting: reading.weighting,
            band: reading.shown_band(),
            conditions,
            limited_by: match self.clipped {
                true => Some(LimitedBy::Clipping),
                false => noise.limited_by,
            },
            upper_limit: noise.upper_limit,
        }
    }
}

/// dB re 1 V, the interval kept.
fn in_db(volts: &Estimate) -> Estimate {
    let squared = volts.map(volts.value * volts.value / 2.0, volts.value);
    dbfs_of(&squared)
}

pub(super) fn reference_level(
    reference: &Reference,
    chain: &Chain<'_>,
    tone: Option<&Examined>,
    rig: Option<&Rig>,
) -> Result<ReferenceLevel, NotMeasured> {
    let refuse = |code: &str, reason: String| NotMeasured {
        id: FigureId::Snr,
        channel: chain.channel,
        code: code.to_owned(),
        reason,
    };
    match reference {
        Reference::Output { name, volts } => {
            if chain.volts_at_full_scale(Band::AUDIO).is_none() {
                return Err(refuse(
                    "uncalibrated",
                    format!("S/N re {name} needs the noise in volts; calibrate the rig, or give a tone as the reference"),
                ));
            }
            Ok(ReferenceLevel {
                db: Estimate::exact(20.0 * volts.log10()),
                name: name.clone(),
                scale: Scale::Dbv,
                frequency_hz: None,
                level_dbfs: None,
                level_v: Some(*volts),
                clipped: false,
            })
        }
        Reference::Tone => tone
            .and_then(|t| tone_level(t, chain, rig))
            .ok_or_else(|| {
                refuse(
                    "no_reference",
                    "S/N needs a tone that was played on this channel and stands out of its noise, recorded through the \
                     same tap (or a rig that knows both taps)"
                        .to_owned(),
                )
            }),
    }
}

/// Level of the tone on the same channel of another take; through another tap it is compared in volts.
fn tone_level(tone: &Examined, chain: &Chain<'_>, rig: Option<&Rig>) -> Option<ReferenceLevel> {
    let Content::Tone(views) = &tone.content else {
        return None;
    };
    let index = chain.channel.index()?;
    if tone.take.setup.driven.is_some_and(|d| !d.includes(index)) {
        return None;
    }
    let f = &views.get(index)?.tones.first()?.fundamental;
    if f.amplitude <= DISTINCT * f.amplitude_u {
        return None;
    }
    let source = format!("repeatability of the reference tone, {}", chain.channel);
    let peak = Estimate::exact(f.amplitude).with_observed(source, f.amplitude_u, f.dof);
    let same_tap = tone.take.setup.tap == chain.take.setup.tap;
    let loud = Chain::new(&tone.take, rig, index);
    let volts = loud.volts_at_full_scale(Band::AUDIO).map(|v| peak.times(&v));
    let level_dbfs = Dbfs::from_sine_peak(f.amplitude).0;
    let (db, scale) = if same_tap {
        (peak.amplitude_to_db(), Scale::Dbfs)
    } else {
        chain.volts_at_full_scale(Band::AUDIO)?;
        (volts.as_ref()?.amplitude_to_db(), Scale::Dbv)
    };
    Some(ReferenceLevel {
        db,
        name: format!("tone of {level_dbfs:.2} dBFS at {:.1} Hz", f.frequency_hz),
        scale,
        frequency_hz: Some(f.frequency_hz),
        level_dbfs: Some(level_dbfs),
        level_v: volts.map(|v| v.value),
        clipped: tone.integrity.clipped_samples.get(index).is_some_and(|n| *n > 0),
    })
}
