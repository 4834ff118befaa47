//! The wiring as a picture, A5 landscape: two lines, one above and one below a ground that is drawn once.
//!
//! The line above is bluish green and solid with round joints, the line below reddish purple and dashed with square
//! ones, as in every plot; where both belong to one channel, the one below is green too, and broken by points.

use super::pen::{Anchor, INK, Pen, RESISTOR, Wire};
use super::shown::{decibels, ohms, rating, volts, watts};
use super::{joined, known, parts, remarks, terminal, title};
use crate::report::plot::sheet::FAMILY;
use crate::report::plot::{BLUISH_GREEN, REDDISH_PURPLE};
use crate::rig::wiring::{Line, Wiring};

const SIZE_MM: (f64, f64) = (210.0, 148.0);
const MARGIN: f64 = 6.0;
/// Distance of baselines.
const LINE_MM: f64 = 4.4;
/// Heights of the two lines and of ground between them.
const ROWS: [f64; 2] = [46.0, 104.0];
const GROUND: f64 = 75.0;
/// How far outside its line a noise tap lies.
const TAP_MM: f64 = 14.0;
/// Top and bottom of the boxes.
const BOX: (f64, f64) = (34.0, 114.0);

const UPPER: Wire = Wire {
    colour: BLUISH_GREEN,
    width_mm: 0.7,
    dash: None,
    square: false,
};
const LOWER: Wire = Wire {
    colour: REDDISH_PURPLE,
    width_mm: 0.7,
    dash: Some("2.4 1.2"),
    square: true,
};

/// The other terminal of the channel that is drawn above.
const OTHER_TERMINAL: Wire = Wire {
    dash: Some("4 1 0.8 1"),
    ..UPPER
};

/// Where things stand from left to right, mm.
struct Columns {
    outputs_right: f64,
    pad_top: f64,
    pad_bottom: f64,
    amplifier: (f64, f64),
    load: f64,
    top: f64,
    bottom: f64,
    jack: f64,
    clamp: f64,
    inputs_left: f64,
}

impl Columns {
    fn of(wiring: &Wiring) -> Self {
        let outputs_right = MARGIN + 29.0;
        let (left, right) = match wiring.pad {
            Some(_) => (outputs_right + 31.0, outputs_right + 62.0),
            None => (outputs_right + 13.0, outputs_right + 46.0),
        };
        let inputs_left = SIZE_MM.0 - MARGIN - 29.0;
        let clamp = inputs_left - 9.5;
        let bottom = clamp - 29.0;
        let load = right + 6.0;
        Self {
            outputs_right,
            pad_top: outputs_right + 10.0,
            pad_bottom: outputs_right + 19.0,
            amplifier: (left, right),
            load,
            top: f64::midpoint(load, bottom) + 1.0,
            bottom,
            jack: bottom + 16.0,
            clamp,
            inputs_left,
        }
    }
}

/// One line of the wiring with its place.
struct Row<'a> {
    line: &'a Line,
    wire: Wire,
    y: f64,
    /// −1 above ground, +1 below: away from ground.
    out: f64,
}

impl Row<'_> {
    /// Baseline of a text beside a resistor that lies in this row, away from ground.
    fn outside(&self) -> f64 {
        self.beside(self.out)
    }

    /// The same, towards ground.
    fn inside(&self) -> f64 {
        self.beside(-self.out)
    }

    fn beside(&self, side: f64) -> f64 {
        if side < 0.0 {
            self.y - RESISTOR.1 - 1.2
        } else {
            self.y + RESISTOR.1 + 3.6
        }
    }

    /// Half way to ground.
    fn middle(&self) -> f64 {
        f64::midpoint(self.y, GROUND)
    }
}

/// The picture as an SVG document.
pub fn svg(wiring: &Wiring) -> String {
    let mut pen = Pen::default();
    let columns = Columns::of(wiring);
    let name = title(wiring);
    pen.bold((MARGIN, 11.0), Anchor::Start, 4.4, &name);
    let second = if wiring.differential() {
        OTHER_TERMINAL
    } else {
        LOWER
    };
    let rows: Vec<Row<'_>> = wiring
        .lines
        .iter()
        .zip([(UPPER, -1.0), (second, 1.0)])
        .zip(ROWS)
        .map(|((line, (wire, out)), y)| Row { line, wire, y, out })
        .collect();
    ground(&mut pen, &columns, wiring);
    for row in &rows {
        if row.line.positive {
            drive(&mut pen, &columns, wiring, row);
        }
        listen(&mut pen, &columns, wiring, row);
        if let Some(tap) = &wiring.noise_tap {
            let texts = (
                format!("{}, {}", ohms(tap.series_ohm), rating(tap.rating_w)),
                format!("noise tap, {}", decibels(tap.ratio_db)),
            );
            noise_tap(&mut pen, &columns, row, &texts);
        }
    }
    load(&mut pen, &columns, wiring, &rows);
    boxes(&mut pen, &columns, wiring, &rows);
    foot(&mut pen, wiring);
    pen.finish(SIZE_MM, FAMILY, &name)
}

/// Ground, once: through the amplifier where its terminals are ground, else around it from its input's shell.
fn ground(pen: &mut Pen, c: &Columns, wiring: &Wiring) {
    let symbol = if wiring.differential() {
        ground_around(pen, c, wiring.noise_tap.is_some());
        c.load + 9.0
    } else {
        pen.wire(INK, &[(c.outputs_right, GROUND), (c.inputs_left, GROUND)]);
        c.load + 7.0
    };
    pen.ground((symbol, GROUND));
    pen.text((symbol + 3.8, GROUND + 5.0), Anchor::Start, "signal ground");
}

/// Under the amplifier and everything that hangs on its lower terminal, then up between load and divider, bridging what
/// it passes.
fn ground_around(pen: &mut Pen, c: &Columns, tapped: bool) {
    const HOP: f64 = 2.0;
    let (aside, up) = (c.amplifier.0 - 4.0, c.load + 5.5);
    let tap = ROWS[1] + TAP_MM;
    let under = if tapped { tap + 4.0 } else { BOX.1 + 4.0 };
    pen.wire(INK, &[(c.outputs_right, GROUND), (c.amplifier.0, GROUND)]);
    pen.junction(INK, (aside, GROUND));
    let mut path = vec![(aside, GROUND), (aside, under), (up, under)];
    let passed = [tapped.then_some(tap), Some(ROWS[1])];
    for y in passed.into_iter().flatten() {
        path.push((up, y + HOP));
        pen.wire(INK, &path);
        pen.hop((up, y));
        path = vec![(up, y - HOP)];
    }
    path.extend([(up, GROUND), (c.inputs_left, GROUND)]);
    pen.wire(INK, &path);
}

/// From the interface's output to the unit's input.
fn drive(pen: &mut Pen, c: &Columns, wiring: &Wiring, row: &Row<'_>) {
    pen.wire(row.wire, &[(c.outputs_right, row.y), (c.amplifier.0, row.y)]);
    let Some(pad) = &wiring.pad else { return };
    pen.lying((c.pad_top, row.y));
    pen.text((c.pad_top, row.outside()), Anchor::Middle, &ohms(pad.top_ohm));
    pen.wire(row.wire, &[(c.pad_bottom, row.y), (c.pad_bottom, GROUND)]);
    pen.junction(row.wire, (c.pad_bottom, row.y));
    pen.junction(INK, (c.pad_bottom, GROUND));
    pen.standing((c.pad_bottom, row.middle()));
    pen.text(
        (c.pad_bottom + 2.8, row.middle() + 1.0),
        Anchor::Start,
        &ohms(pad.bottom_ohm),
    );
}

/// From the terminal to the interface's input.
fn listen(pen: &mut Pen, c: &Columns, wiring: &Wiring, row: &Row<'_>) {
    pen.wire(row.wire, &[(c.amplifier.1, row.y), (c.inputs_left, row.y)]);
    pen.lying((c.top, row.y));
    pen.text((c.top, row.outside()), Anchor::Middle, &parts(&wiring.top));
    let bought = format!("{} each", rating(wiring.top.rating_w));
    pen.text((c.top, row.inside()), Anchor::Middle, &bought);
    for x in [c.bottom, c.clamp] {
        pen.wire(row.wire, &[(x, row.y), (x, GROUND)]);
        pen.junction(row.wire, (x, row.y));
        pen.junction(INK, (x, GROUND));
    }
    pen.standing((c.bottom, row.middle()));
    let beside = c.bottom + 3.0;
    pen.text(
        (beside, row.middle() - 1.0),
        Anchor::Start,
        &parts(&wiring.bottom),
    );
    pen.text(
        (beside, row.middle() + 3.4),
        Anchor::Start,
        joined(&wiring.bottom),
    );
    pen.block(
        (c.clamp - 7.0, row.middle() - 5.5),
        (c.clamp + 7.0, row.middle() + 5.5),
    );
    pen.text((c.clamp, row.middle() - 1.0), Anchor::Middle, "clamp");
    pen.text(
        (c.clamp, row.middle() + 3.4),
        Anchor::Middle,
        &format!("±{}", volts(wiring.clamp_v)),
    );
    let at_tap = volts(wiring.rated.interface_v);
    pen.text((c.bottom, row.outside()), Anchor::Middle, &at_tap);
}

/// The second tap and the jacks that the interface's cable is moved between.
fn noise_tap(pen: &mut Pen, c: &Columns, row: &Row<'_>, (resistor, jack): &(String, String)) {
    let y = row.y + row.out * TAP_MM;
    pen.wire(row.wire, &[(c.load, row.y), (c.load, y), (c.jack, y)]);
    pen.lying((c.top, y));
    pen.text(
        (c.top, row.outside() + row.out * TAP_MM),
        Anchor::Middle,
        resistor,
    );
    let moved = Wire {
        dash: Some("0.4 0.9"),
        width_mm: 0.4,
        ..INK
    };
    pen.wire(moved, &[(c.jack, y), (c.jack, row.y)]);
    pen.jack((c.jack, y));
    pen.jack((c.jack, row.y));
    pen.text((c.jack, row.outside() + row.out * TAP_MM), Anchor::Middle, jack);
    let between = row.outside() + row.out * LINE_MM;
    pen.text((c.jack - 2.0, between), Anchor::End, "move the plug");
}

/// The load: to ground, or between the two lines.
fn load(pen: &mut Pen, c: &Columns, wiring: &Wiring, rows: &[Row<'_>]) {
    let (ohm, least) = (ohms(wiring.load.0), rating(wiring.load.1));
    for row in rows {
        let end = if wiring.differential() { ROWS[1] } else { GROUND };
        let from = row.y;
        if wiring.differential() && !row.line.positive {
            pen.junction(row.wire, (c.load, from));
            continue;
        }
        pen.wire(INK, &[(c.load, from), (c.load, end)]);
        pen.junction(row.wire, (c.load, from));
        if !wiring.differential() {
            pen.junction(INK, (c.load, GROUND));
        }
        pen.standing((c.load, row.middle()));
        pen.text((c.load + 3.0, row.middle() - 1.0), Anchor::Start, &ohm);
        pen.text(
            (c.load + 3.0, row.middle() + 3.4),
            Anchor::Start,
            &format!("≥ {least}"),
        );
    }
}

/// The three boxes with their labels.
fn boxes(pen: &mut Pen, c: &Columns, wiring: &Wiring, rows: &[Row<'_>]) {
    pen.block((MARGIN, BOX.0), (c.outputs_right, BOX.1));
    pen.block((c.amplifier.0, BOX.0), (c.amplifier.1, BOX.1));
    pen.block((c.inputs_left, BOX.0), (SIZE_MM.0 - MARGIN, BOX.1));
    for row in rows {
        labels_of_row(pen, c, wiring, row);
    }
    outputs(pen, c, wiring);
    amplifier(pen, c, wiring);
    inputs(pen, c, wiring);
}

fn labels_of_row(pen: &mut Pen, c: &Columns, wiring: &Wiring, row: &Row<'_>) {
    let y = row.y + 1.0;
    if row.line.positive {
        let output = format!("out {}", row.line.input);
        pen.text((c.outputs_right - 2.0, y), Anchor::End, &output);
        let side = terminal(row.line);
        let side = side.split(' ').next().unwrap_or_default();
        pen.text((c.amplifier.0 + 2.0, y), Anchor::Start, &format!("in {side}"));
        pen.jack((c.outputs_right, row.y));
        pen.jack((c.amplifier.0, row.y));
    }
    pen.text((c.amplifier.1 - 2.0, y), Anchor::End, &terminal(row.line));
    pen.jack((c.amplifier.1, row.y));
    let input = format!("in {}", row.line.input);
    pen.text((c.inputs_left + 2.0, y), Anchor::Start, &input);
    pen.jack((c.inputs_left, row.y));
    let level = super::shown::dbfs(wiring.rated.dbfs);
    pen.text((c.inputs_left + 2.0, y + LINE_MM), Anchor::Start, &level);
}

fn outputs(pen: &mut Pen, c: &Columns, wiring: &Wiring) {
    let centre = f64::midpoint(MARGIN, c.outputs_right);
    pen.bold((centre, BOX.0 + 4.6), Anchor::Middle, 3.1, "Audio interface");
    pen.text((c.outputs_right - 2.0, GROUND + 1.0), Anchor::End, "shell");
    let full_scale = known(
        volts(wiring.output.full_scale_v.value),
        wiring.output.full_scale_v,
    );
    pen.text((centre, ROWS[0] + 10.0), Anchor::Middle, "0 dBFS is");
    pen.text((centre, ROWS[0] + 14.4), Anchor::Middle, &full_scale);
    let ohm = known(ohms(wiring.output.ohm.value), wiring.output.ohm);
    pen.text((centre, ROWS[0] + 18.8), Anchor::Middle, &format!("from {ohm}"));
}

fn amplifier(pen: &mut Pen, c: &Columns, wiring: &Wiring) {
    let centre = f64::midpoint(c.amplifier.0, c.amplifier.1);
    pen.bold((centre, BOX.0 + 4.6), Anchor::Middle, 3.1, "Amplifier");
    pen.text((c.amplifier.0 + 2.0, GROUND + 1.0), Anchor::Start, "shell");
    pen.jack((c.amplifier.0, GROUND));
    if !wiring.differential() {
        pen.text((c.amplifier.1 - 2.0, GROUND + 1.0), Anchor::End, "L −, R −");
        pen.jack((c.amplifier.1, GROUND));
    }
    let lines = [
        watts(wiring.rated_w),
        format!("into {}:", ohms(wiring.load.0)),
        volts(wiring.rated.terminals_v),
    ];
    if let Some(pad) = &wiring.pad {
        let lines = [
            format!("\"{}\":", shortened(&pad.input)),
            "0 dBFS is".to_owned(),
            volts(pad.full_scale_v),
        ];
        for (n, line) in lines.iter().enumerate() {
            pen.text(
                (centre, ROWS[1] - 18.0 + LINE_MM * n as f64),
                Anchor::Middle,
                line,
            );
        }
    }
    for (n, line) in lines.iter().enumerate() {
        let down = 10.0 + LINE_MM * n as f64;
        pen.text((centre, ROWS[0] + down), Anchor::Middle, line);
    }
}

fn inputs(pen: &mut Pen, c: &Columns, wiring: &Wiring) {
    let right = SIZE_MM.0 - MARGIN;
    let centre = f64::midpoint(c.inputs_left, right);
    pen.bold((centre, BOX.0 + 4.6), Anchor::Middle, 3.1, "Audio interface");
    pen.text((c.inputs_left + 2.0, GROUND + 1.0), Anchor::Start, "shell");
    pen.jack((c.inputs_left, GROUND));
    pen.jack((c.outputs_right, GROUND));
    let full_scale = known(volts(wiring.input.full_scale_v.value), wiring.input.full_scale_v);
    let ohm = known(ohms(wiring.input.ohm.value), wiring.input.ohm);
    for (n, line) in ["0 dBFS is".to_owned(), full_scale, format!("into {ohm}")]
        .iter()
        .enumerate()
    {
        pen.text((centre, GROUND - 14.0 + LINE_MM * n as f64), Anchor::Middle, line);
    }
    pen.text((centre, GROUND + 13.0), Anchor::Middle, "(one and");
    pen.text((centre, GROUND + 13.0 + LINE_MM), Anchor::Middle, "the same)");
}

/// A name that has room in a box.
fn shortened(name: &str) -> String {
    const MOST: usize = 12;
    if name.chars().count() <= MOST {
        return name.to_owned();
    }
    let kept: String = name.chars().take(MOST - 1).collect();
    format!("{kept}…")
}

/// Levels and remarks under the picture.
fn foot(pen: &mut Pen, wiring: &Wiring) {
    let lines = remarks(wiring);
    let first = SIZE_MM.1 - 3.0 - LINE_MM * (lines.len() - 1) as f64;
    for (n, line) in lines.iter().enumerate() {
        let y = first + LINE_MM * n as f64;
        pen.text((MARGIN, y), Anchor::Start, line);
    }
}
