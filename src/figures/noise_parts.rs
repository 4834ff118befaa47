//! One channel's noise taken apart: broadband, odd and even lines of the mains, other lines. For [`super::compare`].

use super::hum::line_power;
use super::noise::{Reading, unit_noise};
use super::unit_power::{Chain, UnitPower};
use crate::dsp::line::LinePower;
use crate::dsp::mains::{Mains, wander_hz};
use crate::dsp::spectrum::MeanSquare;
use crate::figure::{Band, NotMeasured};
use crate::rig::Rig;
use crate::take::{ChannelView, Examined};

/// A part of the noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// All of it.
    Total,
    /// What is left without lines.
    Broadband,
    /// Lines of the mains of odd order.
    MainsOdd,
    /// Lines of the mains of even order.
    MainsEven,
    /// Lines that are not of the mains.
    Other,
}

impl Part {
    /// Every part.
    pub const ALL: [Self; 5] = [
        Self::Total,
        Self::Broadband,
        Self::MainsOdd,
        Self::MainsEven,
        Self::Other,
    ];

    /// As notes name it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Total => "total",
            Self::Broadband => "broadband",
            Self::MainsOdd => "mains odd",
            Self::MainsEven => "mains even",
            Self::Other => "other lines",
        }
    }
}

/// One take's channel.
pub(super) struct Side<'a> {
    pub(super) chain: Chain<'a>,
    pub(super) view: &'a ChannelView,
    pub(super) name: &'static str,
}

impl<'a> Side<'a> {
    pub(super) fn new(
        examined: &'a Examined,
        view: &'a ChannelView,
        rig: Option<&'a Rig>,
        index: usize,
        name: &'static str,
    ) -> Self {
        Self {
            chain: Chain::new(&examined.take, rig, index),
            view,
            name,
        }
    }

    /// The unit's noise, its repeatability named after the take: the two takes scatter independently.
    pub(super) fn noise(&self, reading: &Reading) -> Result<UnitPower, NotMeasured> {
        unit_noise(&self.chain, self.view, reading, self.name)
    }

    /// The part of the noise; `None` where it holds nothing.
    pub(super) fn part(&self, part: Part, mains: Option<&Mains>) -> Option<UnitPower> {
        let spectrum = &self.view.spectrum;
        match part {
            Part::Total => {
                let flat = Reading {
                    weighting: None,
                    band: Band::AUDIO,
                };
                self.noise(&flat).ok()
            }
            Part::Broadband => {
                let without = spectrum.without_lines(&self.lines(mains));
                let total = without.band_power(Band::AUDIO, None);
                let rig = self.chain.rig_noise(spectrum);
                let rig = rig.map(|own| own.mean_square(Band::AUDIO, None));
                let quantisation = self.chain.quantisation(Band::AUDIO, None, spectrum);
                let name = format!("the broadband noise in {}", self.name);
                (total.value > 0.0).then(|| self.chain.unit_power(total, rig, quantisation, &name))
            }
            Part::MainsOdd => self.mains_part(mains?, 1),
            Part::MainsEven => self.mains_part(mains?, 0),
            Part::Other => {
                let lines = self.other_lines(mains);
                let (_, first) = lines.first()?;
                let name = format!("other lines in {}", self.name);
                let power = MeanSquare {
                    value: lines.iter().map(|(_, l)| l.power.value).sum(),
                    u: lines.iter().map(|(_, l)| l.power.u.powi(2)).sum::<f64>().sqrt(),
                    dof: first.power.dof,
                };
                Some(self.chain.unit_power(power, None, 0.0, &name))
            }
        }
    }

    fn mains_part(&self, mains: &Mains, parity: u32) -> Option<UnitPower> {
        let sum = mains.sum(|order| order % 2 == parity)?;
        let name = format!("mains lines in {}", self.name);
        Some(line_power(
            &self.chain,
            &self.view.spectrum,
            &sum,
            mains.frequency_hz,
            &name,
        ))
    }

    /// Lines that stand out and are not of the mains, with their frequencies.
    fn other_lines(&self, mains: Option<&Mains>) -> Vec<(f64, LinePower)> {
        let spectrum = &self.view.spectrum;
        let lobe = spectrum.main_lobe_bins() as f64 * spectrum.bin_hz;
        spectrum
            .distinct_lines(Band::AUDIO)
            .into_iter()
            .filter(|found| {
                mains.is_none_or(|m| {
                    let order = (found.hz / m.frequency_hz).round().max(1.0);
                    (found.hz - order * m.frequency_hz).abs() > lobe + wander_hz(order as u32)
                })
            })
            .map(|found| (found.hz, found.level))
            .collect()
    }

    /// Every line, with how far it wanders.
    fn lines(&self, mains: Option<&Mains>) -> Vec<(f64, f64)> {
        let of_mains = mains.map_or(&[][..], |m| &m.lines);
        of_mains
            .iter()
            .filter(|l| l.is_seen())
            .map(|l| (l.frequency_hz, wander_hz(l.order)))
            .chain(self.other_lines(mains).into_iter().map(|(hz, _)| (hz, 0.0)))
            .collect()
    }
}
