//! Draws the symbols of a wiring picture as SVG, in millimetres.
//!
//! Resistors are rectangles, junctions are dots, ground is the three strokes of IEC 60617.

use crate::report::plot::sheet::escaped;
use plotters::style::{BLACK, RGBColor};
use std::fmt::Write;

/// Size of ordinary letters, mm.
pub(super) const TEXT_MM: f64 = 3.1;

/// Half the length and half the width of a resistor, mm.
pub(super) const RESISTOR: (f64, f64) = (6.0, 2.0);

/// How a wire looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wire {
    pub(super) colour: RGBColor,
    pub(super) width_mm: f64,
    /// Lengths of dash and gap, mm.
    pub(super) dash: Option<&'static str>,
    /// Junctions are squares instead of dots.
    pub(super) square: bool,
}

/// Ground and everything that belongs to no channel.
pub(super) const INK: Wire = Wire {
    colour: BLACK,
    width_mm: 0.5,
    dash: None,
    square: false,
};

/// Where a text stands in relation to its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

fn hex(RGBColor(r, g, b): RGBColor) -> String {
    format!("#{r:02X}{g:02X}{b:02X}")
}

/// A drawing that grows.
#[derive(Debug, Default)]
pub(super) struct Pen {
    svg: String,
}

impl Pen {
    fn put(&mut self, element: &str) {
        self.svg.push_str(element);
        self.svg.push('\n');
    }

    /// A wire through `points`.
    pub(super) fn wire(&mut self, wire: Wire, points: &[(f64, f64)]) {
        let mut path = String::new();
        for (x, y) in points {
            // Writing to a string cannot fail.
            let _ = write!(path, "{x:.1},{y:.1} ");
        }
        let dash = wire
            .dash
            .map_or_else(String::new, |d| format!(" stroke-dasharray=\"{d}\""));
        self.put(&format!(
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{}\"{dash}/>",
            path.trim_end(),
            hex(wire.colour),
            wire.width_mm
        ));
    }

    /// A joint of wires.
    pub(super) fn junction(&mut self, wire: Wire, (x, y): (f64, f64)) {
        if wire.square {
            self.put(&format!(
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"1.8\" height=\"1.8\" fill=\"{}\"/>",
                x - 0.9,
                y - 0.9,
                hex(wire.colour)
            ));
        } else {
            self.put(&format!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1\" fill=\"{}\"/>",
                hex(wire.colour)
            ));
        }
    }

    /// A jack or a terminal: an open circle.
    pub(super) fn jack(&mut self, (x, y): (f64, f64)) {
        self.put(&format!(
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1.3\" fill=\"#ffffff\" stroke=\"#000000\" stroke-width=\"0.4\"/>"
        ));
    }

    /// A rectangle from one corner to the other.
    pub(super) fn block(&mut self, (x0, y0): (f64, f64), (x1, y1): (f64, f64)) {
        self.put(&format!(
            "<rect x=\"{x0:.1}\" y=\"{y0:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"#ffffff\" stroke=\"#000000\" stroke-width=\"0.5\"/>",
            x1 - x0,
            y1 - y0
        ));
    }

    /// A resistor that lies, around its centre.
    pub(super) fn lying(&mut self, (x, y): (f64, f64)) {
        let (long, wide) = RESISTOR;
        self.block((x - long, y - wide), (x + long, y + wide));
    }

    /// A resistor that stands, around its centre.
    pub(super) fn standing(&mut self, (x, y): (f64, f64)) {
        let (long, wide) = RESISTOR;
        self.block((x - wide, y - long), (x + wide, y + long));
    }

    /// The ground symbol under a point.
    pub(super) fn ground(&mut self, (x, y): (f64, f64)) {
        self.wire(INK, &[(x, y), (x, y + 2.5)]);
        for (half, below) in [(3.0, 2.5), (2.0, 3.7), (1.0, 4.9)] {
            self.wire(INK, &[(x - half, y + below), (x + half, y + below)]);
        }
    }

    /// A wire that goes up past another at (x, y), bridging it.
    pub(super) fn hop(&mut self, (x, y): (f64, f64)) {
        self.put(&format!(
            "<path d=\"M {x:.1} {:.1} A 2 2 0 0 0 {x:.1} {:.1}\" fill=\"none\" stroke=\"#000000\" stroke-width=\"0.5\"/>",
            y + 2.0,
            y - 2.0
        ));
    }

    /// Text whose baseline goes through the point.
    pub(super) fn text(&mut self, (x, y): (f64, f64), anchor: Anchor, text: &str) {
        self.letters((x, y), anchor, TEXT_MM, false, text);
    }

    /// A heading.
    pub(super) fn bold(&mut self, at: (f64, f64), anchor: Anchor, size_mm: f64, text: &str) {
        self.letters(at, anchor, size_mm, true, text);
    }

    fn letters(&mut self, (x, y): (f64, f64), anchor: Anchor, size_mm: f64, bold: bool, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let weight = if bold { " font-weight=\"bold\"" } else { "" };
        self.put(&format!(
            "<text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"{size_mm}\" text-anchor=\"{anchor}\"{weight}>{}</text>",
            escaped(text)
        ));
    }

    /// The document, `size_mm` large, called `title`.
    pub(super) fn finish(self, (width, height): (f64, f64), family: &str, title: &str) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" width=\"{width}mm\" height=\"{height}mm\" viewBox=\"0 0 {width} {height}\" font-family=\"{family}\" fill=\"#000000\">\n<title>{}</title>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#ffffff\"/>\n{}</svg>\n",
            escaped(title),
            self.svg
        )
    }
}
