//! The report as one self-contained HTML file: page one for the owner, then the technical pages.
//!
//! No script, no font, no picture from elsewhere; plots are inline SVG. The same input gives the same bytes: the only
//! dates are the job's.

mod figures;
mod owner;
mod pictures;
mod provenance;
mod spectra;
mod swept;

use super::input::ReportInput;
use super::letterhead::Letterhead;
use super::words;
use crate::error::{Error, Kind, Result};
use askama::Template;
use serde::Serialize;

/// What a report never leaves out.
const CAUTIONS: [&str; 4] = [
    "This report is no safety certificate. Nothing here says that the unit is electrically safe; that takes a test by \
     a competent person under the rules of the country.",
    "The figures hold for this unit, on the dates and under the conditions stated, and for nothing else.",
    "“Cannot tell” means that the measurement was not sharp enough to decide. It is not a pass.",
    "An audio interface sees neither direct voltage nor anything above half its sample rate: offset, idle current and \
     oscillation at radio frequencies are not judged by the figures of this page.",
];

/// A plot with its caption.
#[derive(Serialize)]
struct Picture {
    svg: String,
    caption: String,
}

/// A group of plots under one heading.
#[derive(Serialize)]
struct Gallery {
    heading: &'static str,
    pictures: Vec<Picture>,
}

/// All that a report shows, as text and pictures: the HTML and the PDF are two ways to set it.
#[derive(Template, Serialize)]
#[template(path = "report.html")]
pub(in crate::report) struct View<'a> {
    title: String,
    /// For a string inside the style sheet.
    footer: String,
    workshop: String,
    simulated: bool,
    owner: owner::Page<'a>,
    cautions: [&'static str; 4],
    galleries: Vec<Gallery>,
    stages: Vec<figures::StageTable>,
    judged_stage: &'static str,
    judged: Vec<figures::JudgedRow>,
    decision_rule: &'static str,
    undecided: Vec<figures::Remark>,
    rigs: Vec<provenance::RigSummary>,
    captures: Vec<provenance::CaptureRow>,
    notes: &'a [String],
    software: &'a str,
    letterhead: &'a Letterhead,
}

impl<'a> View<'a> {
    /// # Errors
    /// Where a plot cannot be drawn.
    pub(in crate::report) fn of(input: &'a ReportInput, letterhead: &'a Letterhead) -> Result<Self> {
        let title = format!("{}, {}", input.record.unit.model, input.record.id);
        Ok(Self {
            footer: css_string(&title),
            workshop: css_string(&input.record.workshop),
            title,
            simulated: input.simulated(),
            owner: owner::Page::of(input)?,
            cautions: CAUTIONS,
            galleries: pictures::galleries(input)?,
            stages: figures::stages(input),
            judged_stage: figures::judged_stage(input).unwrap_or_default(),
            judged: figures::judged(input),
            decision_rule: words::DECISION_RULE,
            undecided: figures::undecided(input),
            rigs: provenance::rigs(input),
            captures: provenance::captures(input),
            notes: &input.record.notes,
            software: &input.software,
            letterhead,
        })
    }
}

/// The report as HTML text.
///
/// # Errors
/// Where a plot cannot be drawn; never for what an owner or a file wrote.
pub fn html(input: &ReportInput, letterhead: &Letterhead) -> Result<String> {
    View::of(input, letterhead)?.render().map_err(|e| {
        Error::new(
            Kind::Unavailable,
            format!("the report could not be put together: {e}"),
        )
        .next("please report this with the job's record")
    })
}

/// `text` as the inside of a CSS string: what is no plain letter, digit, space, comma, hyphen or point becomes an
/// escape (CSS Syntax Level 3, 4.3.7), so that nothing an owner wrote can end the string or the style sheet.
fn css_string(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() || " ,.-".contains(c) {
            out.push(c);
        } else {
            out.push_str(&format!("\\{:x} ", u32::from(c)));
        }
    }
    out
}
