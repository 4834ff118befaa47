//! What changed in the noise between two modes, channels or states of a unit.
//!
//! **Definition.** `noise_change`: noise in the second take re the first, dB, in the same weighting and band. Its split
//! into broadband noise, odd and even lines of the mains and other lines stands in [`Change`] and in the notes; the
//! difference of the two spectra in twelfth-octave bands is the curve `noise_change`.
//!
//! **Source.** Common practice: more even lines of the mains in one mode is supply ripple, more of the first line is
//! wiring.
//!
//! **Conditions.** Both takes with the same termination, volume and tap; through different taps they are compared in
//! volts. `mode` names the second, `reference` the first.
//!
//! **Assumptions.** As [`super::noise`] and [`super::hum`].
//!
//! **Uncertainty.** Repeatability of both takes. Errors that both share (calibration, the rig's noise) cancel as far as
//! they are the same. A take whose noise cannot be told from the rig's gives a limit; where both are at the rig's floor
//! nothing is given but that.

use super::hum::mains_of;
use super::noise::{Reading, silence_of};
pub use super::noise_parts::Part;
use super::noise_parts::Side;
use super::unit_power::{Chain, UnitPower, dbfs_of, volts_of};
use super::{Measurement, Next};
use crate::dsp::mains::Mains;
use crate::dsp::spectrum::PowerSpectrum;
use crate::figure::{
    Band, Channel, Curve, Figure, FigureId, Findings, LimitedBy, NotMeasured, Unit, Weighting,
};
use crate::quantity::{DB_PER_RELATIVE_POWER, Decibels, Estimate};
use crate::rig::Rig;
use crate::take::Examined;

/// Bands an octave of the difference of two spectra.
const BANDS_PER_OCTAVE: u32 = 12;

/// The change of one part, flat, 20 Hz–20 kHz.
#[derive(Debug, Clone, PartialEq)]
pub struct PartChange {
    /// Which part.
    pub part: Part,
    /// Level in the first take, dBFS; an upper limit where `Estimate` reaches down to nothing.
    pub first_dbfs: Option<Estimate>,
    /// Level in the second take, dBFS.
    pub second_dbfs: Option<Estimate>,
    /// Second re first, dB; `None` where the part stands out in neither.
    pub change_db: Option<Estimate>,
}

/// What changed on one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// The channel.
    pub channel: Channel,
    /// Part by part, in the order of [`Part::ALL`].
    pub parts: Vec<PartChange>,
    /// Whether the noise of both takes cannot be told from the rig's.
    pub both_at_the_rigs_floor: bool,
}

/// Compares the noise of the last two silent takes: the later re the earlier.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseChange {
    /// What is compared.
    pub readings: Vec<Reading>,
}

impl Default for NoiseChange {
    fn default() -> Self {
        let audio = |weighting| Reading {
            weighting,
            band: Band::AUDIO,
        };
        Self {
            readings: vec![audio(None), audio(Some(Weighting::A))],
        }
    }
}

impl Measurement for NoiseChange {
    fn next(&self, takes: &[&Examined], rig: Option<&Rig>) -> Next {
        let silent: Vec<&Examined> = takes
            .iter()
            .copied()
            .filter(|t| silence_of(t).is_some())
            .collect();
        Next::Done(match silent.as_slice() {
            [.., first, second] => self.between(first, second, rig).0,
            _ => Findings::default(),
        })
    }
}

/// Findings and parts of the noise in `second` re `first`, with the default readings.
pub fn noise_change(first: &Examined, second: &Examined, rig: Option<&Rig>) -> (Findings, Vec<Change>) {
    NoiseChange::default().between(first, second, rig)
}

impl NoiseChange {
    /// Findings and parts of the noise in `second` re `first`, channel by channel as far as both have them.
    pub fn between(&self, first: &Examined, second: &Examined, rig: Option<&Rig>) -> (Findings, Vec<Change>) {
        let (mut findings, mut changes) = (Findings::default(), Vec::new());
        let (Some(views_1), Some(views_2)) = (silence_of(first), silence_of(second)) else {
            return (findings, changes);
        };
        let mains = (mains_of(views_1, Band::AUDIO), mains_of(views_2, Band::AUDIO));
        for (index, (view_1, view_2)) in views_1.iter().zip(views_2).enumerate() {
            let pair = Pair {
                first: Side::new(first, view_1, rig, index, "the first take"),
                second: Side::new(second, view_2, rig, index, "the second take"),
            };
            for reading in &self.readings {
                match pair.figure(reading) {
                    Ok(figure) => findings.figures.push(figure),
                    Err(refusal) => findings.not_measured.push(refusal),
                }
            }
            let change = pair.parts(mains.0[index].as_ref(), mains.1[index].as_ref());
            findings.notes.push(change.note());
            findings.curves.push(pair.difference());
            changes.push(change);
        }
        (findings, changes)
    }
}

impl Change {
    /// "left: total +1.2 ±0.1 dB, broadband +0.1 ±0.1 dB, …".
    fn note(&self) -> String {
        if self.both_at_the_rigs_floor {
            return format!(
                "{}: the noise of both takes is at the rig's own floor",
                self.channel
            );
        }
        let parts: Vec<String> = self
            .parts
            .iter()
            .map(|p| match &p.change_db {
                Some(change) => {
                    let (low, high) = change.interval();
                    format!(
                        "{} {:+.1} dB ({low:+.1} to {high:+.1})",
                        p.part.name(),
                        change.value
                    )
                }
                None => format!("{} in neither", p.part.name()),
            })
            .collect();
        format!("{}: {}", self.channel, parts.join(", "))
    }
}

/// The same channel of two takes.
struct Pair<'a> {
    first: Side<'a>,
    second: Side<'a>,
}

impl Pair<'_> {
    fn channel(&self) -> Channel {
        self.first.chain.channel
    }

    /// Level of the second re that of the first, dB. Through one tap the calibration is the same and is not needed.
    fn ratio(&self, first: &UnitPower, second: &UnitPower) -> Option<Estimate> {
        let (a, b) = (&self.first.chain, &self.second.chain);
        if a.take.setup.tap == b.take.setup.tap {
            return Some(dbfs_of(&second.power).minus(&dbfs_of(&first.power)));
        }
        let level = |chain: &Chain<'_>, unit: &UnitPower| {
            let volts = volts_of(&unit.power, &chain.volts_at_full_scale(Band::AUDIO)?);
            Some(volts.amplitude_to_db())
        };
        Some(level(b, second)?.minus(&level(a, first)?))
    }

    fn refuse(&self, code: &str, reason: &str) -> NotMeasured {
        NotMeasured {
            id: FigureId::NoiseChange,
            channel: self.channel(),
            code: code.to_owned(),
            reason: reason.to_owned(),
        }
    }

    fn figure(&self, reading: &Reading) -> Result<Figure, NotMeasured> {
        let renamed = |refusal: NotMeasured| NotMeasured {
            id: FigureId::NoiseChange,
            ..refusal
        };
        let first = self.first.noise(reading).map_err(renamed)?;
        let second = self.second.noise(reading).map_err(renamed)?;
        if first.upper_limit && second.upper_limit {
            return Err(self.refuse(
                "rig_floor",
                "the noise of both takes is at the rig's own floor, so a change of the unit's cannot be seen; use a tap \
                 with less attenuation",
            ));
        }
        let estimate = self.ratio(&first, &second).ok_or_else(|| {
            self.refuse(
                "uncalibrated",
                "the two takes were made through different taps; compare them with a rig file that knows both",
            )
        })?;
        let mut conditions = self.second.chain.conditions();
        let setup = &self.first.chain.take.setup;
        conditions.reference = Some(setup.mode.clone().unwrap_or_else(|| self.first.name.to_owned()));
        Ok(Figure {
            id: FigureId::NoiseChange,
            channel: self.channel(),
            estimate,
            unit: Unit::Decibels,
            db: None,
            order: None,
            weighting: reading.weighting,
            band: reading.shown_band(),
            conditions,
            limited_by: second.limited_by.or(first.limited_by),
            upper_limit: second.upper_limit,
        })
    }

    fn parts(&self, mains_1: Option<&Mains>, mains_2: Option<&Mains>) -> Change {
        let at_floor = |unit: &Option<UnitPower>| {
            unit.as_ref()
                .is_some_and(|u| u.upper_limit && u.limited_by == Some(LimitedBy::RigNoise))
        };
        let mut both_at_the_rigs_floor = false;
        let parts = Part::ALL
            .into_iter()
            .map(|part| {
                let (first, second) = (self.first.part(part, mains_1), self.second.part(part, mains_2));
                if part == Part::Total {
                    both_at_the_rigs_floor = at_floor(&first) && at_floor(&second);
                }
                let change_db = match (&first, &second) {
                    (Some(a), Some(b)) if !(a.upper_limit && b.upper_limit) => self.ratio(a, b),
                    _ => None,
                };
                PartChange {
                    part,
                    first_dbfs: first.map(|u| dbfs_of(&u.power)),
                    second_dbfs: second.map(|u| dbfs_of(&u.power)),
                    change_db,
                }
            })
            .collect();
        Change {
            channel: self.channel(),
            parts,
            both_at_the_rigs_floor,
        }
    }

    /// Difference of the two spectra, as captured: the rig's noise is in both.
    fn difference(&self) -> Curve {
        let bands = |spectrum: &PowerSpectrum| spectrum.octave_bands(Band::AUDIO, BANDS_PER_OCTAVE);
        let mut curve = Curve {
            id: FigureId::NoiseChange,
            channel: self.channel(),
            order: None,
            x: Vec::new(),
            x_unit: Unit::Hertz,
            y: Vec::new(),
            y_unit: Unit::Decibels,
            u: Vec::new(),
            corrected_for_rig: false,
        };
        let (first, second) = (
            bands(&self.first.view.spectrum),
            bands(&self.second.view.spectrum),
        );
        for ((hz, a), (_, b)) in first.into_iter().zip(second) {
            if a.value > 0.0 && b.value > 0.0 {
                curve.x.push(hz);
                curve.y.push(Decibels::from_power_ratio(b.value / a.value).0);
                curve
                    .u
                    .push(DB_PER_RELATIVE_POWER * (a.u / a.value).hypot(b.u / b.value));
            }
        }
        curve
    }
}
