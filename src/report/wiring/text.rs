//! The wiring in letters, 80 columns wide: one channel of a pair, or the two lines of a differential connection.

use super::shown::{decibels, ohms, rating, volts};
use super::{joined, known, parts, remarks, terminal};
use crate::report::table::wrapped;
use crate::rig::wiring::{Line, Wiring};

const WIDTH: usize = 80;
const PAD_TOP: usize = 12;
const PAD_BOTTOM: usize = 20;
const AMPLIFIER: (usize, usize) = (25, 41);
const LOAD: usize = 46;
const TOP: usize = 54;
const BOTTOM: usize = 63;
const JACK: usize = 68;
const CLAMP: usize = 73;
const INPUT: usize = 76;

/// Rows of letters that are written over one another.
struct Sheet(Vec<Vec<char>>);

impl Sheet {
    fn new(rows: usize) -> Self {
        Self(vec![vec![' '; WIDTH]; rows])
    }

    fn put(&mut self, x: usize, y: usize, text: &str) {
        for (i, c) in text.chars().enumerate() {
            if let Some(cell) = self.0.get_mut(y).and_then(|row| row.get_mut(x + i)) {
                *cell = c;
            }
        }
    }

    /// Text with its middle at `x`.
    fn centred(&mut self, x: usize, y: usize, text: &str) {
        self.put(x.saturating_sub(text.chars().count() / 2), y, text);
    }

    fn across(&mut self, from: usize, to: usize, y: usize) {
        self.put(from, y, &"─".repeat(to.saturating_sub(from)));
    }

    /// A part that stands between two rows, with up to two lines of text in its middle.
    fn standing(&mut self, x: usize, (from, to): (usize, usize), lines: [&str; 2]) {
        for y in from + 1..to {
            self.put(x, y, "│");
        }
        for (n, line) in lines.iter().filter(|l| !l.is_empty()).enumerate() {
            self.centred(x, from + 2 + n, line);
        }
    }

    fn text(&self) -> String {
        let line = |row: &Vec<char>| format!("{}\n", row.iter().collect::<String>().trim_end());
        self.0.iter().map(line).collect()
    }
}

/// The drawing, with a line feed after each line.
pub fn text(wiring: &Wiring) -> String {
    let (plus, ground, minus) = (3, 8, 13);
    let mut sheet = Sheet::new(if wiring.differential() { 15 } else { 10 });
    sheet.put(0, 0, "audio interface");
    sheet.centred(33, 0, "amplifier");
    sheet.put(WIDTH - 15, 0, "audio interface");
    let [first, second] = &wiring.lines;
    frame(&mut sheet, if wiring.differential() { 14 } else { 9 });
    drive(&mut sheet, wiring, first, (plus, ground));
    listen(&mut sheet, wiring, first, (plus, ground));
    ground_row(&mut sheet, wiring, ground);
    let load = format!("[{}]", ohms(wiring.load.0));
    let least = format!("≥ {}", rating(wiring.load.1));
    if wiring.differential() {
        listen(&mut sheet, wiring, second, (minus, ground));
        sheet.standing(LOAD, (plus, minus), [&load, &least]);
        sheet.put(LOAD, minus, "┴");
    } else {
        sheet.standing(LOAD, (plus, ground), [&load, &least]);
        sheet.put(LOAD, ground, "┴");
    }
    noise_tap(&mut sheet, wiring, plus);
    let mut out = sheet.text();
    out.push_str(&legend(wiring));
    for line in remarks(wiring) {
        out.push_str(&wrapped(&line, "  ", WIDTH));
    }
    out
}

fn frame(sheet: &mut Sheet, last: usize) {
    let (left, right) = AMPLIFIER;
    let edge = "─".repeat(right - left - 1);
    sheet.put(left, 1, &format!("┌{edge}┐"));
    for y in 2..last {
        sheet.put(left, y, "│");
        sheet.put(right, y, "│");
    }
    sheet.put(left, last, &format!("└{edge}┘"));
}

/// From the interface's output to the unit's input.
fn drive(sheet: &mut Sheet, wiring: &Wiring, line: &Line, (row, ground): (usize, usize)) {
    sheet.put(0, row, &format!("out {}", line.input));
    sheet.across(6, AMPLIFIER.0, row);
    sheet.put(AMPLIFIER.0, row, "┤");
    let side = terminal(line);
    sheet.put(AMPLIFIER.0 + 2, row, &format!("in {}", &side[..1]));
    if let Some(pad) = &wiring.pad {
        sheet.centred(PAD_TOP, row, &format!("[{}]", ohms(pad.top_ohm)));
        sheet.put(PAD_BOTTOM, row, "┬");
        sheet.standing(
            PAD_BOTTOM,
            (row, ground),
            [&format!("[{}]", ohms(pad.bottom_ohm)), ""],
        );
    }
}

/// From the terminal to the interface's input, the divider's bottom towards ground.
fn listen(sheet: &mut Sheet, wiring: &Wiring, line: &Line, (row, ground): (usize, usize)) {
    let (down, joint) = if row < ground {
        ((row, ground), "┬")
    } else {
        ((ground, row), "┴")
    };
    let name = terminal(line);
    sheet.put(AMPLIFIER.1 - 4, row, &name);
    sheet.put(AMPLIFIER.1, row, "├");
    sheet.across(AMPLIFIER.1 + 1, INPUT - 1, row);
    sheet.put(LOAD, row, joint);
    sheet.centred(TOP, row, &format!("[{}]", parts(&wiring.top)));
    let bottom = format!("[{}]", parts(&wiring.bottom));
    let clamp = format!("[±{}]", volts(wiring.clamp_v));
    for (x, lines) in [
        (BOTTOM, [bottom.as_str(), joined(&wiring.bottom)]),
        (CLAMP, [clamp.as_str(), "clamp"]),
    ] {
        sheet.put(x, row, joint);
        sheet.standing(x, down, lines);
    }
    sheet.put(INPUT, row, &format!("in {}", line.input));
}

fn ground_row(sheet: &mut Sheet, wiring: &Wiring, row: usize) {
    sheet.put(0, row, "shell");
    sheet.across(6, AMPLIFIER.0, row);
    sheet.put(AMPLIFIER.0, row, "┤");
    sheet.put(AMPLIFIER.0 + 2, row, "shell");
    if wiring.pad.is_some() {
        sheet.put(PAD_BOTTOM, row, "┴");
    }
    let joint = if wiring.differential() {
        sheet.put(AMPLIFIER.0 + 8, row, "(G)");
        sheet.put(LOAD + 3, row, "G");
        sheet.across(LOAD + 5, INPUT - 2, row);
        "┼"
    } else {
        sheet.put(AMPLIFIER.1 - 4, row, "L −");
        sheet.put(AMPLIFIER.1, row, "├");
        sheet.across(AMPLIFIER.1 + 1, INPUT - 2, row);
        "┴"
    };
    sheet.put(BOTTOM, row, joint);
    sheet.put(CLAMP, row, joint);
    sheet.put(INPUT - 1, row, "shell");
}

fn noise_tap(sheet: &mut Sheet, wiring: &Wiring, row: usize) {
    let Some(tap) = &wiring.noise_tap else { return };
    sheet.put(LOAD, row, "┼");
    sheet.put(LOAD, row - 1, "│");
    sheet.put(LOAD, row - 2, "└");
    sheet.put(LOAD, row - 2, "┌");
    sheet.across(LOAD + 1, JACK, row - 2);
    sheet.centred(TOP, row - 2, &format!("[{}]", ohms(tap.series_ohm)));
    sheet.put(JACK, row - 2, "○ noise");
    sheet.put(JACK, row, "○");
}

/// What the drawing has no room for.
fn legend(wiring: &Wiring) -> String {
    let output = known(
        volts(wiring.output.full_scale_v.value),
        wiring.output.full_scale_v,
    );
    let input = known(volts(wiring.input.full_scale_v.value), wiring.input.full_scale_v);
    let ohm = known(ohms(wiring.input.ohm.value), wiring.input.ohm);
    let mut out = format!("  Interface: 0 dBFS is {output} out, {input} in; its input has {ohm}.\n");
    if wiring.differential() {
        out.push_str("  G: signal ground, one wire from the shell of the amplifier's input.\n");
        out.push_str("  One channel of the amplifier at a time; the other keeps its own load.\n");
    } else {
        out.push_str("  Left is drawn; right is the same: out 2, in R, R + and in 2. Ground is one.\n");
    }
    if let Some(tap) = &wiring.noise_tap {
        let both = if wiring.differential() {
            " of both lines"
        } else {
            ""
        };
        out.push_str(&format!(
            "  Noise tap ({}){both}: move the plug from jack to jack.\n",
            decibels(tap.ratio_db)
        ));
    }
    if let Some(pad) = &wiring.pad {
        out.push_str(&format!(
            "  Input pad for \"{}\": 0 dBFS gives {} there.\n",
            pad.input,
            volts(pad.full_scale_v)
        ));
    }
    out
}
