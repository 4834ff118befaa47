//! Anything of a sweep against frequency that no rating limits: phase, harmonics.

use super::axis::Axis;
use super::sheet::{Drawing, Sheet};
use super::{ChannelCurve, extent, traces};
use crate::error::Result;

/// What the plot shows.
#[derive(Debug, Clone, PartialEq)]
pub struct SweptPlot {
    /// Curves in Hz and the ordinate's unit.
    pub curves: Vec<ChannelCurve>,
    /// What is shown, with its conditions.
    pub title: String,
    /// What the ordinate is, with its unit.
    pub y_label: String,
    /// Height, mm.
    pub height_mm: f64,
    /// Whether nothing was real.
    pub simulated: bool,
}

impl SweptPlot {
    /// The plot as SVG.
    ///
    /// # Errors
    /// Where the drawing library refuses.
    pub fn draw(&self) -> Result<String> {
        let points = || self.curves.iter().flat_map(|c| c.points.iter().copied());
        let (x_low, x_high) = extent(points().map(|p| p.0));
        let (low, high) = extent(points().map(|p| p.1));
        let sheet = Sheet {
            title: self.title.clone(),
            x: Axis::logarithmic(x_low, x_high),
            x_label: "Frequency (Hz)".to_owned(),
            y: Axis::linear_round(low, high),
            y_label: self.y_label.clone(),
            size_mm: (170.0, self.height_mm),
            simulated: self.simulated,
        };
        sheet.draw(&Drawing {
            traces: traces(&self.curves, |_| false),
            ..Drawing::default()
        })
    }
}
