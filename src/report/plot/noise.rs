//! Noise spectra of two modes of one channel over each other, and their difference.

use super::axis::Axis;
use super::columns::{Lines, Merge};
use super::sheet::{Dash, Drawing, Look, Sheet, Trace};
use super::spectrum::level_label;
use super::{BLUE, ORANGE, extent, rig_floor};
use crate::error::Result;
use crate::figure::Channel;
use plotters::style::{BLACK, RGBColor};

/// One noise spectrum.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseCurve {
    /// Name in the legend: the mode.
    pub name: String,
    /// Spacing of the lines, Hz.
    pub bin_hz: f64,
    /// Level of each line.
    pub level_db: Vec<f64>,
}

/// What a noise plot shows.
#[derive(Debug, Clone, PartialEq)]
pub struct NoisePlot {
    /// Which channel.
    pub channel: Channel,
    /// First mode.
    pub a: NoiseCurve,
    /// Second mode, if there is one.
    pub b: Option<NoiseCurve>,
    /// What the levels are in.
    pub unit: String,
    /// Bandwidth of a line, Hz.
    pub line_hz: f64,
    /// The rig's own level for the same bandwidth; empty where not known.
    pub rig_floor: Vec<(f64, f64)>,
    /// Termination, volume, for the title.
    pub conditions: String,
    /// Whether nothing was real.
    pub simulated: bool,
}

impl NoiseCurve {
    fn lines(&self) -> Lines<'_> {
        Lines {
            bin_hz: self.bin_hz,
            level_db: &self.level_db,
        }
    }

    fn points(&self, x: &Axis) -> Vec<(f64, f64)> {
        self.lines().columns(x, Merge::Density)
    }
}

impl NoisePlot {
    /// The spectra as SVG.
    ///
    /// # Errors
    /// Where the drawing library refuses.
    pub fn draw(&self) -> Result<String> {
        let x = self.a.lines().axis();
        let mut traces = vec![trace(self.a.points(&x), BLUE, Dash::Solid, self.a.name.clone())];
        traces.extend(
            self.b
                .as_ref()
                .map(|b| trace(b.points(&x), ORANGE, Dash::Dashed, b.name.clone())),
        );
        traces.extend(rig_floor(&self.rig_floor));
        let (low, high) = extent(traces.iter().flat_map(|t| t.points.iter().map(|p| p.1)));
        let sheet = Sheet {
            title: format!("Noise of the {} channel, {}", self.channel, self.conditions),
            x,
            x_label: "Frequency (Hz)".to_owned(),
            y: Axis::linear_round(low, high + 3.0),
            y_label: level_label(&self.unit, self.line_hz),
            size_mm: (170.0, 54.0),
            simulated: self.simulated,
        };
        sheet.draw(&Drawing {
            traces,
            ..Drawing::default()
        })
    }

    /// Second mode minus first as SVG; `None` where there is no second mode, or its lines are not those of the first.
    ///
    /// # Errors
    /// Where the drawing library refuses.
    pub fn draw_difference(&self) -> Result<Option<String>> {
        let Some(b) = self.b.as_ref().filter(|b| self.comparable(b)) else {
            return Ok(None);
        };
        let x = self.a.lines().axis();
        // Both have the same lines, so their columns pair up but where one of them has nothing.
        let points: Vec<(f64, f64)> = self
            .a
            .points(&x)
            .into_iter()
            .zip(b.points(&x))
            .filter(|(a, b)| (a.0 / b.0 - 1.0).abs() < 1e-9)
            .map(|(a, b)| (a.0, b.1 - a.1))
            .collect();
        let (low, high) = extent(points.iter().map(|p| p.1));
        let name = format!("{} minus {}", b.name, self.a.name);
        let sheet = Sheet {
            title: format!("Noise of the {} channel: {name}", self.channel),
            x,
            x_label: "Frequency (Hz)".to_owned(),
            y: Axis::linear_round(low.min(-3.0), high.max(3.0)),
            y_label: "Difference (dB)".to_owned(),
            size_mm: (170.0, 38.0),
            simulated: self.simulated,
        };
        let drawing = Drawing {
            traces: vec![trace(points, BLACK, Dash::Solid, name)],
            ..Drawing::default()
        };
        sheet.draw(&drawing).map(Some)
    }

    fn comparable(&self, b: &NoiseCurve) -> bool {
        (b.bin_hz / self.a.bin_hz - 1.0).abs() < 1e-9 && b.level_db.len() == self.a.level_db.len()
    }
}

fn trace(points: Vec<(f64, f64)>, colour: RGBColor, dash: Dash, legend: String) -> Trace {
    Trace {
        points,
        bars: Vec::new(),
        look: Look {
            colour,
            width_mm: 0.3,
            dash,
            marker: None,
        },
        legend: Some(legend),
    }
}
