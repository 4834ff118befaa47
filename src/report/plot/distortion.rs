//! Distortion against level, power or frequency, with uncertainty bars.

use super::axis::Axis;
use super::sheet::{Drawing, Mark, Marker, Sheet};
use super::{ChannelCurve, RIG_GREY, extent, rig_floor, traces};
use crate::error::Result;
use crate::figure::{Channel, Unit};

/// What a distortion plot shows.
#[derive(Debug, Clone, PartialEq)]
pub struct DistortionPlot {
    /// Distortion in percent against `x_unit`.
    pub curves: Vec<ChannelCurve>,
    /// What was not told from noise: (abscissa, percent that it is below).
    pub upper_limits: Vec<(Channel, (f64, f64))>,
    /// "THD", "THD+N".
    pub figure: String,
    /// Unit of the abscissa: watts, volts, hertz, or dBFS.
    pub x_unit: Unit,
    /// Largest distortion allowed, percent, from and to these abscissae.
    pub limit: Option<(f64, f64, f64)>,
    /// The rig's own distortion against the abscissa, percent; empty where not known.
    pub rig_floor: Vec<(f64, f64)>,
    /// Frequency or level, load, band, for the title.
    pub conditions: String,
    /// Height, mm.
    pub height_mm: f64,
    /// Whether nothing was real.
    pub simulated: bool,
}

/// Part of the least distortion down to which the plot makes room for the rig's floor.
const ROOM_FOR_FLOOR: f64 = 0.2;

impl DistortionPlot {
    /// The plot as SVG.
    ///
    /// # Errors
    /// Where the drawing library refuses.
    pub fn draw(&self) -> Result<String> {
        let sheet = self.sheet();
        let broken = |(x, y): (f64, f64)| {
            self.limit
                .is_some_and(|(limit, from, to)| x >= from && x <= to && y > limit)
        };
        let mut drawing = Drawing {
            traces: traces(&self.curves, broken),
            ..Drawing::default()
        };
        if let Some((limit, from, to)) = self.limit {
            drawing.allowed = vec![(from, to, sheet.y.low(), limit)];
            drawing.allowed_legend = Some("allowed by the rating".to_owned());
        }
        if self.rig_floor.iter().any(|p| p.1 > sheet.y.low()) {
            drawing.traces.extend(rig_floor(&self.rig_floor));
        }
        drawing.marks = self
            .upper_limits
            .iter()
            .map(|(channel, at)| upper_limit(*channel, *at))
            .collect();
        drawing.marks.sort_by(|a, b| a.at.0.total_cmp(&b.at.0));
        sheet.draw(&drawing)
    }

    fn sheet(&self) -> Sheet {
        let limits = self.upper_limits.iter().map(|(_, at)| *at);
        let points = || {
            self.curves
                .iter()
                .flat_map(|c| c.points.iter().copied())
                .chain(limits.clone())
        };
        let (x_low, x_high) = extent(points().map(|p| p.0));
        let limit = self.limit.map(|(limit, _, _)| limit);
        let (least, _) = extent(points().map(|p| p.1).filter(|y| *y > 0.0));
        // A floor far below needs no room of its own: the caption says how low it is.
        let floor = self
            .rig_floor
            .iter()
            .map(|p| p.1)
            .filter(|y| *y > ROOM_FOR_FLOOR * least);
        let levels = points().map(|p| p.1).chain(floor);
        let (low, high) = extent(levels.filter(|y| *y > 0.0).chain(limit));
        let (x, x_label) = match self.x_unit {
            Unit::Hertz => (Axis::logarithmic(x_low / 1.2, x_high * 1.2), "Frequency (Hz)"),
            Unit::Watts => (Axis::logarithmic_round(x_low, x_high), "Power (W)"),
            Unit::Volts => (Axis::logarithmic_round(x_low, x_high), "Output (V rms)"),
            _ => (Axis::linear_round(x_low, x_high), "Level (dBFS)"),
        };
        Sheet {
            title: format!("{} against {}, {}", self.figure, x_label, self.conditions),
            x,
            x_label: x_label.to_owned(),
            y: Axis::logarithmic_round(low * 0.8, high * 1.25),
            y_label: format!("{} (%)", self.figure),
            size_mm: (170.0, self.height_mm),
            simulated: self.simulated,
        }
    }
}

/// A grey mark in the channel's shape.
fn upper_limit(channel: Channel, at: (f64, f64)) -> Mark {
    let shape = if channel == Channel::Right {
        Marker::Square
    } else {
        Marker::Round
    };
    Mark {
        at,
        shape,
        colour: RIG_GREY,
        label: "≤".to_owned(),
    }
}
