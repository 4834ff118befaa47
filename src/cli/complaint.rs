//! An error as standard error shows it: in lines that read on any terminal.

use crate::error::Error;

/// Characters of a line at most, where words allow.
const WIDTH: usize = 100;

/// The error with its next step, folded between words; what is carried over stands further in.
pub(super) fn said(error: &Error) -> String {
    format!("asleft: {error}")
        .lines()
        .map(folded)
        .collect::<Vec<_>>()
        .join("\n")
}

/// A line folded between words; what is carried over stands further in.
pub(super) fn folded(line: &str) -> String {
    let indent = line.len() - line.trim_start().len();
    let mut out = " ".repeat(indent);
    let mut column = indent;
    for (index, word) in line.split_whitespace().enumerate() {
        let length = word.chars().count();
        if index > 0 && column + 1 + length > WIDTH {
            out.push('\n');
            out.push_str(&" ".repeat(indent + 4));
            column = indent + 4;
        } else if index > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::Kind;

    #[test]
    fn long_lines_are_folded_between_words() {
        let names = vec!["frequency"; 30].join(", ");
        let text = said(
            &Error::new(Kind::Value, "unknown")
                .at("a.toml")
                .next(format!("known are: {names}")),
        );
        assert!(text.lines().all(|l| l.chars().count() <= WIDTH), "{text}");
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[0] == "asleft: a.toml: unknown" && lines[1].starts_with("  next: known"));
        assert!(lines[2].starts_with("      frequency"), "{text}");
        let words = |s: &str| s.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
        assert_eq!(words(&text)[4..], words(&format!("known are: {names}"))[..]);
    }
}
