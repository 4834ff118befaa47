//! Response against frequency: both channels, before and after, with what the rating allows.

use super::axis::Axis;
use super::sheet::{Drawing, Sheet};
use super::{ChannelCurve, extent, traces};
use crate::error::Result;
use crate::figure::Band;

/// A rated limit of the response; infinite where one side is not rated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowed {
    /// Where it holds.
    pub band: Band,
    /// Lowest level allowed, dB re 1 kHz.
    pub low_db: f64,
    /// Highest level allowed, dB re 1 kHz.
    pub high_db: f64,
}

/// What a response plot shows.
#[derive(Debug, Clone, PartialEq)]
pub struct ResponsePlot {
    /// Curves in Hz and dB re the level at 1 kHz.
    pub curves: Vec<ChannelCurve>,
    /// The rated limits; where several hold, the tightest counts.
    pub allowed: Vec<Allowed>,
    /// Level and load, for the title.
    pub conditions: String,
    /// Height, mm.
    pub height_mm: f64,
    /// Whether nothing was real.
    pub simulated: bool,
}

/// Roll-offs deeper than this are cut, so that the pass band stays readable, dB.
const DEEPEST_DB: f64 = -12.0;

impl ResponsePlot {
    /// The plot as SVG.
    ///
    /// # Errors
    /// Where the drawing library refuses.
    pub fn draw(&self) -> Result<String> {
        let mut drawing = Drawing {
            traces: traces(&self.curves, |p| self.breaks_limit(p)),
            allowed: self.stretches(),
            ..Drawing::default()
        };
        drawing.allowed_legend = (!drawing.allowed.is_empty()).then(|| "allowed by the rating".to_owned());
        self.sheet().draw(&drawing)
    }

    fn breaks_limit(&self, (x, y): (f64, f64)) -> bool {
        let broken = |a: &Allowed| a.band.counts(x) && (y < a.low_db || y > a.high_db);
        self.allowed.iter().any(broken)
    }

    /// What all limits together allow: between any two edges of their bands the tightest.
    fn stretches(&self) -> Vec<(f64, f64, f64, f64)> {
        let mut edges: Vec<f64> = self
            .allowed
            .iter()
            .flat_map(|a| [a.band.low_hz, a.band.high_hz])
            .collect();
        edges.sort_by(f64::total_cmp);
        edges.dedup();
        let mut stretches = Vec::new();
        for pair in edges.windows(2) {
            let inside = |a: &&Allowed| a.band.low_hz <= pair[0] && a.band.high_hz >= pair[1];
            let here = || self.allowed.iter().filter(inside);
            let low = here().map(|a| a.low_db).fold(f64::NEG_INFINITY, f64::max);
            let high = here().map(|a| a.high_db).fold(f64::INFINITY, f64::min);
            if here().next().is_some() {
                stretches.push((pair[0], pair[1], low, high));
            }
        }
        stretches
    }

    fn sheet(&self) -> Sheet {
        let points = || self.curves.iter().flat_map(|c| c.points.iter().copied());
        let (x_low, x_high) = extent(points().map(|p| p.0));
        let limits = self
            .allowed
            .iter()
            .flat_map(|a| [1.5 * a.low_db, 1.5 * a.high_db]);
        let levels = points().map(|p| p.1.max(DEEPEST_DB));
        let (low, high) = extent(levels.chain(limits));
        Sheet {
            title: format!("Response against frequency, {}", self.conditions),
            x: Axis::logarithmic(x_low, x_high),
            x_label: "Frequency (Hz)".to_owned(),
            y: Axis::linear_round(low.min(-1.0), high.max(0.5)),
            y_label: "Level re 1 kHz (dB)".to_owned(),
            size_mm: (170.0, self.height_mm),
            simulated: self.simulated,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn where_two_ratings_hold_the_tighter_is_drawn() {
        let limit = |low_hz, high_hz, low_db, high_db| Allowed {
            band: Band { low_hz, high_hz },
            low_db,
            high_db,
        };
        let plot = ResponsePlot {
            curves: Vec::new(),
            allowed: vec![
                limit(10.0, 50e3, -1.0, f64::INFINITY),
                limit(10.0, 50e3, f64::NEG_INFINITY, 0.25),
                limit(20.0, 20e3, -0.5, f64::INFINITY),
                limit(20.0, 20e3, f64::NEG_INFINITY, 0.5),
            ],
            conditions: String::new(),
            height_mm: 50.0,
            simulated: false,
        };
        let expected = [
            (10.0, 20.0, -1.0, 0.25),
            (20.0, 20e3, -0.5, 0.25),
            (20e3, 50e3, -1.0, 0.25),
        ];
        assert_eq!(plot.stretches(), expected);
        assert!(plot.breaks_limit((30e3, 0.3)) && !plot.breaks_limit((30e3, -0.9)));
        assert!(plot.breaks_limit((1e3, -0.6)) && !plot.breaks_limit((60e3, -9.0)));
    }
}
