//! Spectrum of one channel with its harmonics marked and the rig's own floor.

use super::axis::Axis;
use super::columns::{Lines, Merge};
use super::sheet::{Dash, Drawing, Look, Mark, Marker, Sheet, Trace};
use super::{BLUISH_GREEN, REDDISH_PURPLE, RIG_GREY, extent, rig_floor};
use crate::error::Result;
use crate::figure::Channel;

/// A harmonic to mark.
#[derive(Debug, Clone, PartialEq)]
pub struct HarmonicMark {
    /// Order; 1 is the fundamental.
    pub order: u32,
    /// Hz.
    pub frequency_hz: f64,
    /// Level in the plot's unit.
    pub level_db: f64,
    /// Only an upper limit: the line cannot be told from noise. It is marked in grey.
    pub upper_limit: bool,
}

/// What a spectrum plot shows.
#[derive(Debug, Clone, PartialEq)]
pub struct SpectrumPlot {
    /// Which channel.
    pub channel: Channel,
    /// Name of the stage in the legend.
    pub stage: String,
    /// Spacing of the lines, Hz; line `i` is at `i · bin_hz`.
    pub bin_hz: f64,
    /// Level of each line.
    pub level_db: Vec<f64>,
    /// What the levels are in.
    pub unit: String,
    /// Bandwidth of a line, Hz.
    pub line_hz: f64,
    /// Harmonics, rising.
    pub harmonics: Vec<HarmonicMark>,
    /// The rig's own level for the same bandwidth; empty where not known.
    pub rig_floor: Vec<(f64, f64)>,
    /// Level, load, mode, for the title.
    pub conditions: String,
    /// Whether nothing was real.
    pub simulated: bool,
}

/// Lines this far down are cut, dB.
const DEEPEST_DB: f64 = -180.0;
/// Room above the highest mark for its label, dB.
const ROOM_DB: f64 = 10.0;

impl SpectrumPlot {
    /// The plot as SVG.
    ///
    /// # Errors
    /// Where the drawing library refuses.
    pub fn draw(&self) -> Result<String> {
        let (colour, shape) = match self.channel {
            Channel::Right => (REDDISH_PURPLE, Marker::Square),
            _ => (BLUISH_GREEN, Marker::Round),
        };
        let lines = Lines {
            bin_hz: self.bin_hz,
            level_db: &self.level_db,
        };
        let x = lines.axis();
        let points = lines.columns(&x, Merge::Highest);
        let sheet = self.sheet(x, &points);
        let mut traces = vec![Trace {
            points,
            bars: Vec::new(),
            look: Look {
                colour,
                width_mm: 0.2,
                dash: Dash::Solid,
                marker: None,
            },
            legend: Some(format!(
                "{}, {}",
                crate::report::words::channel(self.channel),
                self.stage
            )),
        }];
        traces.extend(rig_floor(&self.rig_floor));
        let marks = self.harmonics.iter().map(|h| Mark {
            at: (h.frequency_hz, h.level_db),
            shape,
            colour: if h.upper_limit { RIG_GREY } else { colour },
            label: format!("H{}", h.order),
        });
        sheet.draw(&Drawing {
            traces,
            marks: marks.collect(),
            ..Drawing::default()
        })
    }

    fn sheet(&self, x: Axis, points: &[(f64, f64)]) -> Sheet {
        let levels = points.iter().chain(&self.rig_floor).map(|p| p.1);
        let marks = self.harmonics.iter().map(|h| h.level_db);
        let (low, high) = extent(levels.chain(marks));
        Sheet {
            title: format!("Spectrum of the {} channel, {}", self.channel, self.conditions),
            x,
            x_label: "Frequency (Hz)".to_owned(),
            y: Axis::linear_round(low.max(DEEPEST_DB), high + ROOM_DB),
            y_label: level_label(&self.unit, self.line_hz),
            size_mm: (170.0, 56.0),
            simulated: self.simulated,
        }
    }
}

/// A level of noise means nothing without the bandwidth it was heard in.
pub(super) fn level_label(unit: &str, line_hz: f64) -> String {
    format!(
        "Level ({unit} in {} Hz)",
        crate::quantity::significant(line_hz, 2)
    )
}
