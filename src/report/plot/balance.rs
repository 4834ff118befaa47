//! Difference of the channels' gains against frequency.

use super::axis::Axis;
use super::sheet::{Drawing, Sheet};
use super::{ChannelCurve, extent, traces};
use crate::error::Result;
use crate::figure::Band;

/// What a balance plot shows.
#[derive(Debug, Clone, PartialEq)]
pub struct BalancePlot {
    /// Left − right in dB against Hz, before and after.
    pub curves: Vec<ChannelCurve>,
    /// Band and largest difference allowed in it, dB.
    pub limit: Option<(Band, f64)>,
    /// Height, mm.
    pub height_mm: f64,
    /// Whether nothing was real.
    pub simulated: bool,
}

impl BalancePlot {
    /// The plot as SVG.
    ///
    /// # Errors
    /// Where the drawing library refuses.
    pub fn draw(&self) -> Result<String> {
        let points = || self.curves.iter().flat_map(|c| c.points.iter().copied());
        let (x_low, x_high) = extent(points().map(|p| p.0));
        let (low, high) = extent(points().map(|p| p.1));
        let reach = self.limit.map_or(0.5, |(_, limit)| 1.2 * limit);
        let sheet = Sheet {
            title: "Left minus right against frequency".to_owned(),
            x: Axis::logarithmic(x_low, x_high),
            x_label: "Frequency (Hz)".to_owned(),
            y: Axis::linear_round(low.min(-reach), high.max(reach)),
            y_label: "Left − right (dB)".to_owned(),
            size_mm: (170.0, self.height_mm),
            simulated: self.simulated,
        };
        let broken = |(x, y): (f64, f64)| {
            self.limit
                .is_some_and(|(band, limit)| band.counts(x) && y.abs() > limit)
        };
        let mut drawing = Drawing {
            traces: traces(&self.curves, broken),
            ..Drawing::default()
        };
        if let Some((band, limit)) = self.limit {
            drawing.allowed = vec![(band.low_hz, band.high_hz, -limit, limit)];
            drawing.allowed_legend = Some("allowed by the rating".to_owned());
        }
        sheet.draw(&drawing)
    }
}
