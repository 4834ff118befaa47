//! Plots as SVG text: pure functions of small input structs, one module a kind.
//!
//! [`axis`] scales, `cut` keeps data inside the frame, [`sheet`] draws frame, legend, traces and marks; the kinds only
//! say what is drawn. Left is bluish green, solid, with round marks; right is reddish purple, dashed, with square
//! marks; what a limit allows is a grey band; the rig's own floor is thin, dotted, grey. Colours are Okabe and Ito's
//! set, which colour-blind readers tell apart; without any colour, dashes and marks still do.

pub mod axis;
pub mod balance;
mod columns;
mod cut;
pub mod distortion;
mod legend;
pub mod noise;
pub mod response;
pub mod sheet;
pub mod spectrum;
pub mod swept;

use crate::figure::Channel;
use plotters::style::RGBColor;
use sheet::{Dash, Look, Marker, Trace};

/// The left channel.
pub(in crate::report) const BLUISH_GREEN: RGBColor = RGBColor(0x00, 0x9E, 0x73);
/// The right channel.
pub(in crate::report) const REDDISH_PURPLE: RGBColor = RGBColor(0xCC, 0x79, 0xA7);
const VERMILLION: RGBColor = RGBColor(0xD5, 0x5E, 0x00);
const BLUE: RGBColor = RGBColor(0x00, 0x72, 0xB2);
const ORANGE: RGBColor = RGBColor(0xE6, 0x9F, 0x00);
const RIG_GREY: RGBColor = RGBColor(0x70, 0x70, 0x70);
const LIMIT_GREY: RGBColor = RGBColor(0xE4, 0xE4, 0xE4);

/// Which of the two sets of readings a trace shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Epoch {
    /// Before the work: thin, no marks.
    Before,
    /// After the work: thick, with marks.
    After,
}

/// A curve of one channel at one epoch.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelCurve {
    /// Which channel.
    pub channel: Channel,
    /// Before or after.
    pub epoch: Epoch,
    /// Name in the legend.
    pub name: String,
    /// Points, x rising.
    pub points: Vec<(f64, f64)>,
    /// Expanded uncertainty of each y, drawn as bars; empty for none.
    pub expanded: Vec<f64>,
    /// Whether its verdict is fail: only then is what lies outside the limit drawn in vermillion.
    pub failed: bool,
}

impl ChannelCurve {
    /// How this curve looks.
    fn look(&self) -> Look {
        let after = self.epoch == Epoch::After;
        let (colour, dash, marker) = match self.channel {
            Channel::Right => (REDDISH_PURPLE, Dash::Dashed, Marker::Square),
            Channel::Left | Channel::Pair => (BLUISH_GREEN, Dash::Solid, Marker::Round),
            Channel::Nth(_) => (BLUE, Dash::Solid, Marker::Round),
        };
        Look {
            colour,
            width_mm: if after { 0.5 } else { 0.2 },
            dash,
            marker: after.then_some(marker),
        }
    }
}

/// The traces of some curves, and under those that failed a broad vermillion one through the points for which `broken`
/// holds: the curve stays readable on top.
fn traces(curves: &[ChannelCurve], broken: impl Fn((f64, f64)) -> bool) -> Vec<Trace> {
    let mut traces: Vec<Trace> = Vec::new();
    for curve in curves.iter().filter(|c| c.failed) {
        let keep = |p: &(f64, f64)| if broken(*p) { *p } else { (p.0, f64::NAN) };
        let points: Vec<(f64, f64)> = curve.points.iter().map(keep).collect();
        if points.iter().all(|p| p.1.is_nan()) {
            continue;
        }
        traces.push(Trace {
            points,
            bars: Vec::new(),
            look: Look {
                colour: VERMILLION,
                width_mm: 1.1,
                dash: Dash::Solid,
                marker: None,
            },
            legend: traces.is_empty().then(|| "limit broken".to_owned()),
        });
    }
    traces.extend(curves.iter().map(|curve| Trace {
        points: curve.points.clone(),
        bars: curve.expanded.clone(),
        look: curve.look(),
        legend: Some(curve.name.clone()),
    }));
    traces
}

/// The rig's own floor as a trace; none where it is not known.
fn rig_floor(points: &[(f64, f64)]) -> Option<Trace> {
    (!points.is_empty()).then(|| Trace {
        points: points.to_vec(),
        bars: Vec::new(),
        look: Look {
            colour: RIG_GREY,
            width_mm: 0.35,
            dash: Dash::Dotted,
            marker: None,
        },
        legend: Some("the rig's own floor".to_owned()),
    })
}

/// Least and greatest finite value; (∞, −∞) where there is none.
fn extent(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(v), high.max(v))
        })
}
