//! Plots of what a sweep shows: response against its limits, phase, balance, harmonics against frequency.

use super::Picture;
use super::pictures::{Sheet, sentence};
use crate::error::Result;
use crate::figure::{Band, FigureId};
use crate::report::plot::balance::BalancePlot;
use crate::report::plot::response::{Allowed, ResponsePlot};
use crate::report::plot::swept::SweptPlot;
use crate::report::plot::{ChannelCurve, Epoch};
use crate::report::words;
use crate::unit::{Rated, UnitSpec};

/// Height of a plot beside the main one, mm.
const LOW_MM: f64 = 52.0;
/// Harmonics that are drawn: higher ones of an amplifier that works are at the floor.
const DRAWN_ORDERS: u32 = 3;

impl Sheet<'_> {
    pub(super) fn response(&self) -> Result<Option<Picture>> {
        let ids = [FigureId::ResponseMin, FigureId::ResponseMax];
        let (curves, conditions) = self.curves(&ids, |c| c.id == FigureId::Response);
        if curves.is_empty() {
            return Ok(None);
        }
        let svg = ResponsePlot {
            curves,
            allowed: allowed(&self.input.record.unit, self.mode),
            conditions: conditions.clone(),
            height_mm: self.height_mm,
            simulated: self.input.simulated(),
        }
        .draw()?;
        let caption = format!(
            "Response re 1 kHz. {} {}",
            self.rig(FigureId::Response),
            sentence(&conditions)
        );
        Ok(Some(Picture { svg, caption }))
    }

    pub(super) fn phase(&self) -> Result<Option<Picture>> {
        let (curves, conditions) = self.curves(&[], |c| c.id == FigureId::Phase);
        let what = "Phase re the input, the path's delay taken out";
        self.swept(curves, "Phase (°)", what, FigureId::Phase, &conditions)
    }

    /// H2 and H3 after the work, or before it where there is nothing else.
    pub(super) fn harmonics(&self) -> Result<Option<Picture>> {
        let mut curves = Vec::new();
        let mut conditions = String::new();
        for order in 2..=DRAWN_ORDERS {
            let (found, setup) = self.curves(&[], |c| {
                c.id == FigureId::HarmonicResponse && c.order == Some(order)
            });
            let after = found.iter().any(|c| c.epoch == Epoch::After);
            let shown = found.into_iter().filter(|c| !after || c.epoch == Epoch::After);
            curves.extend(shown.map(|c| ChannelCurve {
                name: format!("{}, H{order}", c.name),
                epoch: if order == 2 { Epoch::After } else { Epoch::Before },
                ..c
            }));
            conditions = setup;
        }
        let what = "Harmonics against the frequency of the fundamental, where they stand above the noise; H2 thick, \
                    H3 thin";
        self.swept(
            curves,
            "Level re fundamental (dB)",
            what,
            FigureId::HarmonicResponse,
            &conditions,
        )
    }

    fn swept(
        &self,
        curves: Vec<ChannelCurve>,
        y_label: &str,
        what: &str,
        id: FigureId,
        conditions: &str,
    ) -> Result<Option<Picture>> {
        if curves.iter().all(|c| c.points.is_empty()) {
            return Ok(None);
        }
        let svg = SweptPlot {
            curves,
            title: format!("{}, {conditions}", words::name(id)),
            y_label: y_label.to_owned(),
            height_mm: LOW_MM,
            simulated: self.input.simulated(),
        }
        .draw()?;
        let caption = format!("{what}. {} {}", self.rig(id), sentence(conditions));
        Ok(Some(Picture { svg, caption }))
    }

    pub(super) fn balance(&self) -> Result<Option<Picture>> {
        let ids = [FigureId::Balance, FigureId::BalanceMax];
        let (curves, conditions) = self.curves(&ids, |c| c.id == FigureId::Balance);
        if curves.is_empty() {
            return Ok(None);
        }
        let unit = &self.input.record.unit;
        let mut largest = rated_of(unit, FigureId::BalanceMax, self.mode);
        let limit = largest
            .next()
            .and_then(|r| Some((r.band_hz.unwrap_or(Band::AUDIO), r.max?)));
        let svg = BalancePlot {
            curves,
            limit,
            height_mm: LOW_MM,
            simulated: self.input.simulated(),
        }
        .draw()?;
        Ok(Some(Picture {
            svg,
            caption: format!(
                "Gain of the left channel minus gain of the right. {}",
                sentence(&conditions)
            ),
        }))
    }

    fn rig(&self, id: FigureId) -> &'static str {
        let mut curves = self
            .measurements()
            .flat_map(|(_, m)| &m.findings.curves)
            .filter(|c| c.id == id);
        if curves.all(|c| c.corrected_for_rig) {
            "The rig's own response is divided out."
        } else {
            "Not corrected for the rig's own response."
        }
    }
}

/// The rated entries of `id` that hold in `mode`.
fn rated_of<'a>(unit: &'a UnitSpec, id: FigureId, mode: Option<&'a str>) -> impl Iterator<Item = &'a Rated> {
    unit.rated
        .iter()
        .filter(move |r| r.figure == id && (r.mode.is_none() || r.mode.as_deref() == mode))
}

/// What the specification allows of the response: one entry a rated limit.
fn allowed(unit: &UnitSpec, mode: Option<&str>) -> Vec<Allowed> {
    let of = |id| rated_of(unit, id, mode);
    of(FigureId::ResponseMin)
        .chain(of(FigureId::ResponseMax))
        .map(|r| Allowed {
            band: r.band_hz.unwrap_or(Band::AUDIO),
            low_db: r.min.unwrap_or(f64::NEG_INFINITY),
            high_db: r.max.unwrap_or(f64::INFINITY),
        })
        .collect()
}
