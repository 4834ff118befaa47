//! Where the legend's entries go: in a strip above the frame, never over data.

use super::sheet::{Drawing, Look, SMALL_MM};

/// Length of the piece of line before a name, mm.
pub(super) const SAMPLE_MM: f64 = 9.0;
/// Height of a row of the strip, mm.
pub(super) const STRIP_ROW_MM: f64 = 4.6;
/// Where the strip begins, above the frame's left edge, mm.
const FROM_MM: f64 = 15.0;
/// Mean width of a letter re the size of its font, on the wide side: there are no font metrics here, and a reader's
/// substitute font may be wide.
const LETTER: f64 = 0.53;

/// One entry, placed.
pub(super) struct Entry {
    /// Left end of its sample, mm from the left of the sheet.
    pub(super) x_mm: f64,
    /// Middle of its row, mm from the top.
    pub(super) y_mm: f64,
    pub(super) name: String,
    /// `None` is the grey band.
    pub(super) look: Option<Look>,
}

/// Places the entries in rows that end before `room_mm`; returns them and the number of rows, at least one.
pub(super) fn placed(drawing: &Drawing, room_mm: f64) -> (Vec<Entry>, u8) {
    let named = drawing
        .traces
        .iter()
        .filter_map(|t| t.legend.clone().map(|name| (name, Some(t.look))));
    let (mut row, mut x_mm) = (0u8, FROM_MM);
    let mut entries = Vec::new();
    for (name, look) in named.chain(drawing.allowed_legend.clone().map(|name| (name, None))) {
        let width = SAMPLE_MM + 1.5 + letters_mm(&name, SMALL_MM) + 3.0;
        if x_mm + width > room_mm && x_mm > FROM_MM {
            row = row.saturating_add(1);
            x_mm = FROM_MM;
        }
        let y_mm = STRIP_ROW_MM * (f64::from(row) + 0.5) + 0.5;
        entries.push(Entry {
            x_mm,
            y_mm,
            name,
            look,
        });
        x_mm += width;
    }
    (entries, row.saturating_add(1))
}

/// About how wide `text` is, mm.
pub(super) fn letters_mm(text: &str, size_mm: f64) -> f64 {
    let letters = u32::try_from(text.chars().count()).unwrap_or(u32::MAX);
    f64::from(letters) * size_mm * LETTER
}
