//! From results to plots: which curves go on which sheet, and what the rating allows there.

use super::provenance::setup;
use super::{Gallery, Picture, spectra};
use crate::error::Result;
use crate::figure::{Channel, Curve, FigureId, Unit};
use crate::job::curves::DistortionCurve;
use crate::quantity::significant;
use crate::report::input::{MeasurementResults, ReportInput, StageResults};
use crate::report::plot::distortion::DistortionPlot;
use crate::report::plot::{ChannelCurve, Epoch};
use crate::report::words;
use crate::verdict::Outcome;

/// Height of a plot on the technical pages: three on a page.
pub(super) const HEIGHT_MM: f64 = 66.0;
/// Page one has less room.
const OWNER_HEIGHT_MM: f64 = 42.0;
/// From standard to expanded uncertainty of a curve's points, whose degrees of freedom are not kept.
const K: f64 = 2.0;

/// The one picture of page one: distortion against power, which shows a repair best; else the response.
pub(super) fn for_owner(input: &ReportInput) -> Result<Option<Picture>> {
    let sheets = || {
        modes(input).into_iter().map(|mode| Sheet {
            input,
            mode,
            height_mm: OWNER_HEIGHT_MM,
        })
    };
    let lines = "Thin lines are as found, thick ones as left.";
    for sheet in sheets() {
        if let Some(picture) = sheet.distortion(Unit::Watts)? {
            let caption = format!(
                "Distortion against power{}: lower is better. {lines}",
                sheet.in_mode()
            );
            return Ok(Some(Picture { caption, ..picture }));
        }
    }
    for sheet in sheets() {
        if let Some(picture) = sheet.response()? {
            let caption = format!(
                "Loudness against pitch{}: flatter is better. {lines}",
                sheet.in_mode()
            );
            return Ok(Some(Picture { caption, ..picture }));
        }
    }
    Ok(None)
}

/// Every plot of the technical pages, by kind.
pub(super) fn galleries(input: &ReportInput) -> Result<Vec<Gallery>> {
    let mut response = Vec::new();
    let mut distortion = Vec::new();
    for mode in modes(input) {
        let sheet = Sheet {
            input,
            mode,
            height_mm: HEIGHT_MM,
        };
        response.extend(sheet.response()?);
        response.extend(sheet.phase()?);
        response.extend(sheet.balance()?);
        distortion.extend(sheet.distortion(Unit::Watts)?);
        distortion.extend(sheet.distortion(Unit::Hertz)?);
        distortion.extend(sheet.harmonics()?);
    }
    let galleries = [
        ("Response and balance", response),
        ("Distortion against power and frequency", distortion),
        ("Spectra with harmonics", spectra::tones(input)?),
        ("Noise", spectra::noise(input)?),
    ];
    Ok(galleries
        .into_iter()
        .filter(|(_, pictures)| !pictures.is_empty())
        .map(|(heading, pictures)| Gallery { heading, pictures })
        .collect())
}

/// The modes in which anything was measured, in the order of the unit's specification; `None` where no mode was named.
fn modes(input: &ReportInput) -> Vec<Option<&str>> {
    let mut modes: Vec<Option<&str>> = input
        .record
        .unit
        .modes
        .iter()
        .map(|m| Some(m.name.as_str()))
        .collect();
    let all = || {
        input
            .stages
            .iter()
            .flat_map(|s| &s.measurements)
            .map(|m| m.setup.mode.as_deref())
    };
    modes.retain(|mode| all().any(|m| m == *mode));
    for mode in all() {
        if !modes.contains(&mode) {
            modes.push(mode);
        }
    }
    modes
}

/// One mode's curves of all stages on one sheet.
pub(super) struct Sheet<'a> {
    pub(super) input: &'a ReportInput,
    pub(super) mode: Option<&'a str>,
    pub(super) height_mm: f64,
}

impl<'a> Sheet<'a> {
    /// ", class AB", or nothing where no mode is named.
    fn in_mode(&self) -> String {
        self.mode.map(|m| format!(", {m}")).unwrap_or_default()
    }

    fn distortion(&self, x_unit: Unit) -> Result<Option<Picture>> {
        let all: Vec<(&StageResults, &DistortionCurve)> = self
            .stages()
            .flat_map(|s| s.distortion.iter().map(move |d| (s, d)))
            .filter(|(_, d)| d.conditions.mode.as_deref() == self.mode && d.curve.x_unit == x_unit)
            .collect();
        // The stage after the work comes last: its conditions and its rig are those of the report.
        let Some((_, last)) = all.last() else {
            return Ok(None);
        };
        let judged = [FigureId::Thd, FigureId::Power];
        let curves = all
            .iter()
            .map(|(stage, d)| self.curve(stage, &d.curve, &judged))
            .collect();
        let limits = all
            .iter()
            .flat_map(|(_, d)| d.upper_limits.iter().map(|p| (d.curve.channel, *p)))
            .collect();
        let conditions = distortion_conditions(last);
        let rated = self.input.record.unit.power_in(self.mode);
        // The rating limits distortion up to the rated power; at a tenth of it, it says nothing of other frequencies.
        let limit = (x_unit == Unit::Watts).then_some((rated.thd_percent, f64::MIN_POSITIVE, rated.watts));
        let svg = DistortionPlot {
            curves,
            upper_limits: limits,
            figure: words::name(last.curve.id).to_owned(),
            x_unit,
            limit,
            // On page one there is no room for what an owner does not ask.
            rig_floor: if self.height_mm < HEIGHT_MM {
                Vec::new()
            } else {
                last.rig_floor.clone()
            },
            conditions: conditions.clone(),
            height_mm: self.height_mm,
            simulated: self.input.simulated(),
        }
        .draw()?;
        let against = if x_unit == Unit::Hertz {
            "frequency"
        } else {
            "power"
        };
        let left_out = if all.iter().any(|(_, d)| !d.upper_limits.is_empty()) {
            " A mark with ≤ is an upper limit: what was found cannot be told from noise."
        } else {
            ""
        };
        let caption = format!(
            "THD against {against}{}; bars show the 95.45 % interval.{left_out} {} {}",
            self.in_mode(),
            rig_floor(&last.rig_floor),
            sentence(&conditions)
        );
        Ok(Some(Picture { svg, caption }))
    }

    /// The curves of this mode that are `wanted`, with the conditions they share: of each stage, channel and order the
    /// first. A curve failed where any rated item of `judged` failed for its channel.
    pub(super) fn curves(
        &self,
        judged: &[FigureId],
        wanted: impl Fn(&Curve) -> bool,
    ) -> (Vec<ChannelCurve>, String) {
        let mut seen = Vec::new();
        let mut curves = Vec::new();
        let mut conditions = String::new();
        for (stage, measurement) in self.measurements() {
            for curve in measurement.findings.curves.iter().filter(|c| wanted(c)) {
                // A sweep of one channel alone, played for separation, has the same response once more.
                let key = (stage.kind, curve.channel, curve.order);
                if seen.contains(&key) {
                    continue;
                }
                seen.push(key);
                conditions = setup(&measurement.setup);
                curves.push(self.curve(stage, curve, judged));
            }
        }
        (curves, conditions)
    }

    fn curve(&self, stage: &StageResults, curve: &Curve, judged: &[FigureId]) -> ChannelCurve {
        let who = match curve.channel {
            Channel::Pair => "Left − right".to_owned(),
            channel => words::channel(channel),
        };
        let (before, after) = (!stage.kind.tells_after(), stage.kind.in_words());
        ChannelCurve {
            channel: curve.channel,
            epoch: if before { Epoch::Before } else { Epoch::After },
            name: format!("{who}, {after}"),
            points: curve.x.iter().copied().zip(curve.y.iter().copied()).collect(),
            // Bars on a dense curve would be a smear.
            expanded: if curve.x.len() <= 40 {
                curve.u.iter().map(|u| K * u).collect()
            } else {
                Vec::new()
            },
            failed: self.failed(stage, curve.channel, judged),
        }
    }

    fn failed(&self, stage: &StageResults, channel: Channel, judged: &[FigureId]) -> bool {
        stage.judgements.iter().any(|j| {
            let mode = j.mode.as_deref();
            j.verdict.outcome == Outcome::Fail
                && j.channel == channel
                && (mode.is_none() || mode == self.mode)
                && judged.contains(&j.id)
        })
    }

    /// Stages, those before the work first.
    fn stages(&self) -> impl Iterator<Item = &'a StageResults> {
        let of = |after: bool| {
            self.input
                .stages
                .iter()
                .filter(move |s| s.kind.tells_after() == after)
        };
        of(false).chain(of(true))
    }

    /// Measurements in this mode, those before the work first.
    pub(super) fn measurements(&self) -> impl Iterator<Item = (&'a StageResults, &'a MeasurementResults)> {
        self.stages()
            .flat_map(|s| s.measurements.iter().map(move |m| (s, m)))
            .filter(|(_, m)| m.setup.mode.as_deref() == self.mode)
    }
}

/// How much of what is seen may be the rig's.
fn rig_floor(points: &[(f64, f64)]) -> String {
    let most = points.iter().map(|p| p.1).fold(0.0, f64::max);
    if most > 0.0 {
        let most = significant(most, 1);
        format!("The rig itself has {most} % at most (its 1 kHz loopback at the nearest level).")
    } else {
        "The rig's own distortion is not known.".to_owned()
    }
}

fn distortion_conditions(curve: &DistortionCurve) -> String {
    let mut shared = curve.conditions.clone();
    // Both channels' loads are on the plot.
    shared.load_ohm = shared.load_ohm.and_then(|ohm| significant(ohm, 2).parse().ok());
    let shared = words::conditions(&shared, curve.band);
    match curve.power_w {
        Some(watts) => format!("{} W, {shared}", significant(watts, 2)),
        None => shared,
    }
}

/// Conditions as a sentence of their own; empty where nothing is known.
pub(super) fn sentence(conditions: &str) -> String {
    if conditions.is_empty() {
        String::new()
    } else {
        format!("Conditions: {conditions}.")
    }
}
