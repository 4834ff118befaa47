//! The PDF carries the numbers of the HTML, page for page what a reader needs, and nothing that a font lacks.

#![cfg(feature = "pdf")]
#![allow(
    clippy::unwrap_used,
    clippy::print_stderr,
    reason = "a test that cannot go on fails, and one that is skipped says so"
)]

#[path = "tarnbeck/results.rs"]
mod results;
mod tarnbeck;

use asleft::job::BenchKind;
use asleft::report::html::html;
use asleft::report::letterhead::{Letterhead, Logo};
use asleft::report::pdf::{Paper, pdf};
use std::io::Write;
use std::process::Command;

/// The PDF of the scenario, without a letterhead.
fn plain(bench: BenchKind, paper: Paper) -> Vec<u8> {
    pdf(&results::input(bench), &Letterhead::default(), paper).unwrap()
}

/// The text of a PDF, by a program nobody here wrote (poppler's `pdftotext`); `None` where it is not installed.
fn text_of(bytes: &[u8], pages: &[&str]) -> Option<String> {
    let mut file = tempfile::NamedTempFile::new().unwrap();
    file.write_all(bytes).unwrap();
    let out = Command::new("pdftotext")
        .args(pages)
        .arg(file.path())
        .arg("-")
        .output();
    match out {
        Ok(out) => {
            assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
            Some(String::from_utf8(out.stdout).unwrap())
        }
        Err(_) => {
            eprintln!("skipped: pdftotext is not installed (Debian package poppler-utils)");
            None
        }
    }
}

/// Without spaces, line ends and hyphens at line ends, which two typesetters put in different places.
fn solid(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_whitespace() && *c != '\u{ad}')
        .collect()
}

/// The content of every cell of the tables that are marked as numbers.
fn numbers(html: &str, from: &str, to: &str) -> Vec<String> {
    let start = html.find(from).unwrap();
    let part = &html[start..start + html[start..].find(to).unwrap()];
    part.split("<td class=\"n")
        .skip(1)
        .map(|cell| {
            let cell = &cell[cell.find('>').unwrap() + 1..cell.find("</td>").unwrap()];
            let mut plain = String::new();
            let mut inside = false;
            for c in cell.chars() {
                match c {
                    '<' => inside = true,
                    '>' => inside = false,
                    _ if !inside => plain.push(c),
                    _ => {}
                }
            }
            solid(&plain.replace("&#60;", "<").replace("&#62;", ">"))
        })
        .filter(|cell| !cell.is_empty())
        .collect()
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let first = plain(BenchKind::Simulated, Paper::A4);
    // ASLEFT_LOOK_PDF=FILE keeps it for looking at it.
    if let Ok(path) = std::env::var("ASLEFT_LOOK_PDF") {
        std::fs::write(path, &first).unwrap();
    }
    assert_eq!(first, plain(BenchKind::Simulated, Paper::A4));
    assert_ne!(first, plain(BenchKind::Simulated, Paper::Letter));
}

#[test]
fn page_one_and_the_judged_table_have_the_numbers_of_the_html() {
    let input = results::input(BenchKind::Simulated);
    let page = html(&input, &Letterhead::default()).unwrap();
    let bytes = pdf(&input, &Letterhead::default(), Paper::A4).unwrap();
    let Some(first) = text_of(&bytes, &["-l", "1", "-raw"]) else {
        return;
    };
    let whole = solid(&text_of(&bytes, &["-raw"]).unwrap());
    let first = solid(&first);
    let of_owner = numbers(&page, "<main", "</main>");
    assert!(of_owner.len() > 10);
    for number in of_owner {
        assert!(first.contains(&number), "{number} is not on page one of the PDF");
    }
    let judged = numbers(&page, "wide judged", "</table>");
    assert!(judged.len() > 10);
    for number in judged {
        assert!(whole.contains(&number), "{number} is not in the PDF");
    }
}

#[test]
fn a_simulated_job_says_so_on_every_page_and_a_real_one_nowhere() {
    let real = plain(BenchKind::Live, Paper::A4);
    let simulated = plain(BenchKind::Simulated, Paper::A4);
    let Some(text) = text_of(&simulated, &[]) else {
        return;
    };
    for (index, page) in text.trim_end_matches('\u{c}').split('\u{c}').enumerate() {
        assert!(page.contains("SIMULATED"), "page {}", index + 1);
    }
    assert!(!text_of(&real, &[]).unwrap().contains("SIMULATED: no real"));
}

#[test]
fn what_an_owner_wrote_is_text_and_never_markup() {
    let mut input = results::input(BenchKind::Simulated);
    input.record.complaint = "#panic(\"x\") *loud* $hum$ <b> [one] \\ @ref _soft_".to_owned();
    let bytes = pdf(&input, &Letterhead::default(), Paper::A4).unwrap();
    let Some(text) = text_of(&bytes, &["-l", "1"]) else {
        return;
    };
    for part in ["#panic(", "*loud*", "$hum$", "<b>", "[one]", "@ref", "_soft_"] {
        assert!(text.contains(part), "{part}");
    }
}

#[test]
fn a_character_without_a_font_is_an_error_that_names_it() {
    let mut input = results::input(BenchKind::Simulated);
    input.record.owner = "\u{13000}".to_owned();
    let error = pdf(&input, &Letterhead::default(), Paper::A4)
        .unwrap_err()
        .to_string();
    assert!(error.contains("PDF"), "{error}");
    // The hieroglyph itself, or its code point: either tells what to change.
    assert!(error.contains('\u{13000}') || error.contains("13000"), "{error}");
}

#[test]
fn a_letterhead_stands_on_page_one() {
    let svg = "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 4 2'><rect width='4' height='2'/></svg>";
    let letterhead = Letterhead {
        address: vec!["1 Example Lane".to_owned()],
        closing: "Thank you for your trust.".to_owned(),
        logo: Some(Logo::of(svg.as_bytes().to_vec(), "logo").unwrap()),
    };
    let input = results::input(BenchKind::Live);
    let bytes = pdf(&input, &letterhead, Paper::A4).unwrap();
    assert!(html(&input, &letterhead).unwrap().contains("1 Example Lane"));
    let Some(text) = text_of(&bytes, &["-l", "1"]) else {
        return;
    };
    assert!(text.contains("1 Example Lane") && text.contains("Thank you for your trust."));
}
