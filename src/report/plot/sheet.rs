//! The sheet that every plot is drawn on: legend strip, frame, axes, bands, traces, marks.
//!
//! Drawn at twenty units a millimetre, then given its size in millimetres: the back end knows whole units only, and at
//! screen size a smooth curve would show steps.

use super::axis::Axis;
use super::legend::{self, Entry, SAMPLE_MM, STRIP_ROW_MM};
use super::{LIMIT_GREY, cut};
use crate::error::{Error, Kind, Result};
use plotters::chart::{ChartBuilder, ChartContext};
use plotters::coord::Shift;
use plotters::coord::cartesian::Cartesian2d;
use plotters::prelude::{
    Circle, Color, DashedLineSeries, DrawingArea, EmptyElement, IntoDrawingArea, IntoFont, LineSeries,
    PathElement, RGBColor, Rectangle, SVGBackend, ShapeStyle, Text, TextStyle,
};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{BLACK, WHITE};
use std::fmt::Display;

const UNITS_PER_MM: f64 = 20.0;
/// The back end divides every font size by this.
const FONT_DIVISOR: f64 = 1.24;
/// Letters of every picture.
pub(in crate::report) const FAMILY: &str = "Open Sans, sans-serif";
const TEXT_MM: f64 = 2.9;
/// Room below the frame for labels and description, mm.
const BELOW_MM: f64 = 10.5;
/// Size of the legend's letters and of those at marks.
pub(super) const SMALL_MM: f64 = 2.6;
/// The warning on every plot of a simulated job.
const SIMULATED: &str = "SIMULATED";

/// What is common to all plots.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// What the plot shows, for those who cannot see it.
    pub title: String,
    /// Abscissa.
    pub x: Axis,
    /// What the abscissa is, with its unit.
    pub x_label: String,
    /// Ordinate.
    pub y: Axis,
    /// What the ordinate is, with its unit.
    pub y_label: String,
    /// Width and height, mm.
    pub size_mm: (f64, f64),
    /// Whether nothing was real.
    pub simulated: bool,
}

/// Kinds of line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Dash {
    Solid,
    Dashed,
    Dotted,
}

/// Shapes of marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Marker {
    Round,
    Square,
}

/// How a trace looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Look {
    pub(super) colour: RGBColor,
    pub(super) width_mm: f64,
    pub(super) dash: Dash,
    pub(super) marker: Option<Marker>,
}

/// A curve.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Trace {
    pub(super) points: Vec<(f64, f64)>,
    /// Half-lengths of uncertainty bars; empty for none.
    pub(super) bars: Vec<f64>,
    pub(super) look: Look,
    /// Name in the legend strip; `None` where another trace already has it.
    pub(super) legend: Option<String>,
}

/// A labelled point.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Mark {
    pub(super) at: (f64, f64),
    pub(super) shape: Marker,
    pub(super) colour: RGBColor,
    pub(super) label: String,
}

/// All that is drawn on a sheet.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Drawing {
    /// What limits allow, as rectangles (x from, x to, y from, y to), cut at the frame.
    pub(super) allowed: Vec<(f64, f64, f64, f64)>,
    /// Name of the grey bands in the legend.
    pub(super) allowed_legend: Option<String>,
    pub(super) traces: Vec<Trace>,
    pub(super) marks: Vec<Mark>,
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<Axis, Axis>>;

impl Sheet {
    /// The drawing as an SVG document.
    ///
    /// # Errors
    /// Where the drawing library refuses.
    pub(super) fn draw(&self, drawing: &Drawing) -> Result<String> {
        let mut svg = String::new();
        let size = (units(self.size_mm.0), units(self.size_mm.1));
        {
            let unsigned = (size.0.unsigned_abs(), size.1.unsigned_abs());
            let root = SVGBackend::with_string(&mut svg, unsigned).into_drawing_area();
            root.fill(&WHITE).map_err(|e| refused(&e))?;
            let room = self.size_mm.0 - if self.simulated { WARNING_MM + 6.0 } else { 4.0 };
            let (entries, rows) = legend::placed(drawing, room);
            let (strip, field) = root.split_vertically(units(STRIP_ROW_MM * f64::from(rows) + 1.0));
            self.draw_strip(&strip, &entries)?;
            self.draw_field(&field, drawing)?;
            root.present().map_err(|e| refused(&e))?;
        }
        Ok(self.finish(&svg, size))
    }

    /// Gives the document its size in millimetres and its title.
    fn finish(&self, svg: &str, size: (i32, i32)) -> String {
        let from = format!("<svg width=\"{}\" height=\"{}\"", size.0, size.1);
        let to = format!(
            "<svg role=\"img\" width=\"{}mm\" height=\"{}mm\"",
            self.size_mm.0, self.size_mm.1
        );
        let sized = svg.replacen(&from, &to, 1);
        let warning = if self.simulated { "SIMULATED. " } else { "" };
        let title = escaped(&format!("{warning}{}", self.title));
        match sized.find('>') {
            Some(end) => format!("{}<title>{title}</title>{}", &sized[..=end], &sized[end + 1..]),
            None => sized,
        }
    }

    fn draw_field(&self, field: &Area<'_>, drawing: &Drawing) -> Result<()> {
        let length_mm = f64::from(field.dim_in_pixel().1) / UNITS_PER_MM - BELOW_MM;
        let mut chart = ChartBuilder::on(field)
            .margin_right(units(4.0))
            .margin_top(units(1.0))
            .x_label_area_size(units(BELOW_MM))
            .y_label_area_size(units(15.0))
            .build_cartesian_2d(self.x.clone(), self.y.clone().upright(length_mm))
            .map_err(|e| refused(&e))?;
        self.draw_allowed(&mut chart, drawing)?;
        chart
            .configure_mesh()
            .light_line_style(RGBColor(0xEC, 0xEC, 0xEC).stroke_width(2))
            .bold_line_style(RGBColor(0xC4, 0xC4, 0xC4).stroke_width(3))
            .axis_style(BLACK.stroke_width(4))
            .set_all_tick_mark_size(units(1.0))
            .label_style(font(TEXT_MM))
            .axis_desc_style(font(TEXT_MM))
            .x_desc(self.x_label.clone())
            .y_desc(self.y_label.clone())
            .draw()
            .map_err(|e| refused(&e))?;
        for trace in &drawing.traces {
            self.draw_trace(&mut chart, trace)?;
        }
        self.draw_marks(&mut chart, &drawing.marks)
    }

    fn draw_allowed(&self, chart: &mut Chart<'_, '_>, drawing: &Drawing) -> Result<()> {
        let within = |axis: &Axis, v: f64| v.clamp(axis.low(), axis.high());
        let rectangles = drawing.allowed.iter().map(|(x0, x1, y0, y1)| {
            let from = (within(&self.x, *x0), within(&self.y, *y0));
            let to = (within(&self.x, *x1), within(&self.y, *y1));
            Rectangle::new([from, to], LIMIT_GREY.filled())
        });
        chart.draw_series(rectangles).map_err(|e| refused(&e))?;
        Ok(())
    }

    fn draw_trace(&self, chart: &mut Chart<'_, '_>, trace: &Trace) -> Result<()> {
        let look = trace.look;
        let style = look.colour.stroke_width(stroke(look.width_mm));
        for part in cut::inside(&trace.points, &self.x, &self.y) {
            line(chart, part, look.dash, style)?;
        }
        for (point, u) in trace.points.iter().zip(&trace.bars) {
            for ends in self.bar(*point, *u) {
                line(chart, ends, Dash::Solid, look.colour.stroke_width(stroke(0.25)))?;
            }
        }
        let Some(shape) = look.marker else {
            return Ok(());
        };
        for point in self.marked(&trace.points) {
            marker(chart, point, shape, look.colour)?;
        }
        Ok(())
    }

    /// An uncertainty bar, cut at the frame.
    fn bar(&self, (x, y): (f64, f64), u: f64) -> Vec<Vec<(f64, f64)>> {
        // A bar that reaches below zero has no lower end on a logarithmic axis: it goes down to the frame.
        let low = (y - u).max(self.y.low());
        cut::inside(&[(x, low), (x, y + u)], &self.x, &self.y)
    }

    /// The points inside the frame that get a mark: all of a sparse curve, about a dozen of a dense one, evenly along
    /// the axis.
    fn marked(&self, points: &[(f64, f64)]) -> Vec<(f64, f64)> {
        const MARKS: f64 = 12.0;
        const SPARSE: usize = 40;
        let spacing = if points.len() <= SPARSE { 0.0 } else { 1.0 / MARKS };
        let mut next = spacing / 2.0;
        let mut marked = Vec::new();
        for point in points.iter().filter(|p| cut::holds(**p, &self.x, &self.y)) {
            let position = self.x.position(point.0);
            if position >= next - 1e-9 {
                marked.push(*point);
                next = position + spacing;
            }
        }
        marked
    }

    /// Marks from the left; a label is left out where it would touch the one before.
    fn draw_marks(&self, chart: &mut Chart<'_, '_>, marks: &[Mark]) -> Result<()> {
        let mut free_from = f64::NEG_INFINITY;
        for mark in marks.iter().filter(|m| cut::holds(m.at, &self.x, &self.y)) {
            marker(chart, mark.at, mark.shape, mark.colour)?;
            let centre_mm = self.x.position(mark.at.0) * self.size_mm.0;
            let half_mm = legend::letters_mm(&mark.label, SMALL_MM) / 2.0;
            if centre_mm - half_mm < free_from {
                continue;
            }
            free_from = centre_mm + half_mm;
            let style = font(SMALL_MM).pos(Pos::new(HPos::Center, VPos::Bottom));
            let text = Text::new(mark.label.clone(), (0, -units(1.2)), style);
            let element = EmptyElement::at(mark.at) + text;
            chart
                .draw_series(std::iter::once(element))
                .map_err(|e| refused(&e))?;
        }
        Ok(())
    }

    fn draw_strip(&self, strip: &Area<'_>, entries: &[Entry]) -> Result<()> {
        for entry in entries {
            let (x, y) = (units(entry.x_mm), units(entry.y_mm));
            let end = x + units(SAMPLE_MM);
            match entry.look {
                Some(look) => draw_sample(strip, look, (x, end), y)?,
                None => {
                    let half = units(1.3);
                    let swatch = Rectangle::new([(x, y - half), (end, y + half)], LIMIT_GREY.filled());
                    strip.draw(&swatch).map_err(|e| refused(&e))?;
                }
            }
            let style = font(SMALL_MM).pos(Pos::new(HPos::Left, VPos::Center));
            let text = Text::new(entry.name.clone(), (end + units(1.5), y), style);
            strip.draw(&text).map_err(|e| refused(&e))?;
        }
        if self.simulated {
            self.draw_warning(strip)?;
        }
        Ok(())
    }

    fn draw_warning(&self, strip: &Area<'_>) -> Result<()> {
        let right = units(self.size_mm.0 - 4.0);
        let (left, top, bottom) = (right - units(WARNING_MM), units(0.5), units(STRIP_ROW_MM + 0.3));
        let frame = Rectangle::new([(left, top), (right, bottom)], BLACK.stroke_width(5));
        strip.draw(&frame).map_err(|e| refused(&e))?;
        let style = font(TEXT_MM).pos(Pos::new(HPos::Center, VPos::Center));
        let centre = (i32::midpoint(left, right), i32::midpoint(top, bottom));
        let text = Text::new(SIMULATED, centre, style);
        strip.draw(&text).map_err(|e| refused(&e))
    }
}

/// Width of the frame around [`SIMULATED`], mm.
const WARNING_MM: f64 = 23.0;

/// A short piece of line as it looks in the plot.
fn draw_sample(strip: &Area<'_>, look: Look, (from, to): (i32, i32), y: i32) -> Result<()> {
    let style = look.colour.stroke_width(stroke(look.width_mm));
    let (on, off) = dash_units(look.dash).unwrap_or((to - from, 0));
    let mut x = from;
    while x < to {
        let piece = PathElement::new([(x, y), ((x + on).min(to), y)], style);
        strip.draw(&piece).map_err(|e| refused(&e))?;
        x += on + off;
    }
    let (centre, r) = (i32::midpoint(from, to), units(MARK_MM));
    let fill = look.colour.filled();
    match look.marker {
        Some(Marker::Round) => strip.draw(&Circle::new((centre, y), r, fill)),
        Some(Marker::Square) => strip.draw(&Rectangle::new([(centre - r, y - r), (centre + r, y + r)], fill)),
        None => Ok(()),
    }
    .map_err(|e| refused(&e))
}

fn line(chart: &mut Chart<'_, '_>, points: Vec<(f64, f64)>, dash: Dash, style: ShapeStyle) -> Result<()> {
    match dash_units(dash) {
        None => chart.draw_series(LineSeries::new(points, style)).map(|_| ()),
        Some((on, off)) => chart
            .draw_series(DashedLineSeries::new(points, on, off, style))
            .map(|_| ()),
    }
    .map_err(|e| refused(&e))
}

/// Lengths of a dash and of a gap, in units.
fn dash_units(dash: Dash) -> Option<(i32, i32)> {
    match dash {
        Dash::Solid => None,
        Dash::Dashed => Some((units(2.4), units(1.2))),
        Dash::Dotted => Some((units(0.4), units(0.9))),
    }
}

/// Half the size of a mark, mm.
const MARK_MM: f64 = 0.75;

fn marker(chart: &mut Chart<'_, '_>, at: (f64, f64), shape: Marker, colour: RGBColor) -> Result<()> {
    let (r, fill) = (units(MARK_MM), colour.filled());
    match shape {
        Marker::Round => {
            let element = EmptyElement::at(at) + Circle::new((0, 0), r, fill);
            chart.draw_series(std::iter::once(element)).map(|_| ())
        }
        Marker::Square => {
            let element = EmptyElement::at(at) + Rectangle::new([(-r, -r), (r, r)], fill);
            chart.draw_series(std::iter::once(element)).map(|_| ())
        }
    }
    .map_err(|e| refused(&e))
}

fn font(size_mm: f64) -> TextStyle<'static> {
    (FAMILY, size_mm * UNITS_PER_MM * FONT_DIVISOR)
        .into_font()
        .color(&BLACK)
}

fn stroke(width_mm: f64) -> u32 {
    units(width_mm).unsigned_abs().max(1)
}

fn units(mm: f64) -> i32 {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "sheets are at most some 300 mm wide"
    )]
    let units = (mm * UNITS_PER_MM).round() as i32;
    units
}

/// Text as it may stand between tags.
pub(in crate::report) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

fn refused(cause: &impl Display) -> Error {
    Error::new(Kind::Unavailable, format!("a plot could not be drawn: {cause}"))
        .next("please report this with the job's record")
}
