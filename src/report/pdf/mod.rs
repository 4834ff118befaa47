//! The report as a PDF: the same view of a job as the HTML has, set by a template that a workshop can restyle.
//!
//! Fonts are embedded, text can be selected, the file is tagged (PDF/A-2a with PDF/UA-1). The only date in it is the
//! job's, so that the same job gives the same bytes.

mod world;

use super::html::View;
use super::input::ReportInput;
use super::letterhead::Letterhead;
use crate::error::{Error, Kind, Result};
use typst::diag::SourceDiagnostic;
use typst::foundations::Smart;
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards};

/// The template that is used where a workshop has none of its own.
const TEMPLATE: &str = include_str!("../../../templates/report.typ");

/// Sizes of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// ISO 216 A4.
    #[default]
    A4,
    /// US letter.
    Letter,
}

impl Paper {
    fn name(self) -> &'static str {
        match self {
            Self::A4 => "a4",
            Self::Letter => "us-letter",
        }
    }
}

/// The report as the bytes of a PDF file.
///
/// # Errors
/// Where a plot cannot be drawn, or where a text has a character that no font of the program has: it is named.
pub fn pdf(input: &ReportInput, letterhead: &Letterhead, paper: Paper) -> Result<Vec<u8>> {
    let view = View::of(input, letterhead)?;
    let data = serde_json::json!({
        "paper": paper.name(),
        "date": input.record.opened.date().to_string(),
        "report": view,
    });
    let world = world::Sealed::new(TEMPLATE, data.to_string().into_bytes())?;
    let document: PagedDocument = typst::compile(&world).output.map_err(|e| refused(&e))?;
    let options = PdfOptions {
        ident: Smart::Custom(input.record.id.clone()),
        creator: Smart::Custom(Some(input.software.clone())),
        standards: PdfStandards::new(&[PdfStandard::A_2a, PdfStandard::Ua_1])
            .map_err(|e| put_together(e.message().as_str()))?,
        ..PdfOptions::default()
    };
    typst_pdf::pdf(&document, &options).map_err(|e| refused(&e))
}

fn refused(diagnostics: &[SourceDiagnostic]) -> Error {
    let all: Vec<&str> = diagnostics.iter().map(|d| d.message.as_str()).collect();
    put_together(&all.join("; "))
}

fn put_together(why: &str) -> Error {
    Error::new(
        Kind::Unavailable,
        format!("the report could not be put together as a PDF: {why}"),
    )
    .next("asleft report --html writes the same figures; a character that no font has can be changed in the job's texts")
}
