//! Questions on a terminal, or answers from a pipe: each with an example and, where one is safe, a default; what
//! makes no sense is asked again with the reason.

use super::interrupt;
use crate::error::{Error, Kind, Result};
use crate::quantity::entered;
use std::io::{BufRead, Write};
use std::path::Path;

/// Asks on `out`, reads answers from `input`, one a line.
pub struct Asker<'a> {
    input: &'a mut dyn BufRead,
    out: &'a mut dyn Write,
}

/// One question.
#[derive(Debug, Clone, Copy)]
pub struct Question<'q> {
    /// In plain words, with its unit.
    pub text: &'q str,
    /// What an answer looks like; empty where the default shows it.
    pub example: &'q str,
    /// What an empty answer means; `None` where it must be answered.
    pub default: Option<&'q str>,
}

impl<'a> Asker<'a> {
    /// An asker.
    pub fn new(input: &'a mut dyn BufRead, out: &'a mut dyn Write) -> Self {
        Self { input, out }
    }

    /// Says a line.
    ///
    /// # Errors
    /// Where the terminal has gone.
    pub fn say(&mut self, line: &str) -> Result<()> {
        writeln!(self.out, "{line}").map_err(|e| gone(&e))
    }

    /// Shows a line in place of the one before it, without going on to the next.
    ///
    /// # Errors
    /// Where the terminal has gone.
    pub fn show(&mut self, line: &str) -> Result<()> {
        // Back to the first column, and erase what stood there (ECMA-48: CR, EL).
        write!(self.out, "\r{line}\x1b[K")
            .and_then(|()| self.out.flush())
            .map_err(|e| gone(&e))
    }

    /// Asks until `read` accepts the answer.
    ///
    /// # Errors
    /// Where the answers end, or the terminal has gone.
    pub fn ask<T>(&mut self, question: Question<'_>, read: impl Fn(&str) -> Result<T>) -> Result<T> {
        loop {
            let Question {
                text,
                example,
                default,
            } = question;
            let hint = match (example.is_empty(), default) {
                (_, Some("")) if example.is_empty() => " [leave out]".to_owned(),
                (_, Some("")) => format!(" (for example {example}) [leave out]"),
                (true, Some(default)) => format!(" [{default}]"),
                (false, Some(default)) => format!(" (for example {example}) [{default}]"),
                (true, None) => String::new(),
                (false, None) => format!(" (for example {example})"),
            };
            write!(self.out, "{text}{hint}: ").map_err(|e| gone(&e))?;
            self.out.flush().map_err(|e| gone(&e))?;
            let answer = self.line()?;
            let answer = match (answer.as_str(), default) {
                ("", Some(default)) => default,
                ("", None) => {
                    self.say("  This one has no default: please answer it.")?;
                    continue;
                }
                (given, _) => given,
            };
            match read(answer) {
                Ok(value) => return Ok(value),
                Err(why) => self.refuse(&why)?,
            }
        }
    }

    /// Says why an answer is not taken.
    ///
    /// # Errors
    /// Where the terminal has gone.
    pub fn refuse(&mut self, why: &Error) -> Result<()> {
        match why.next_step() {
            Some(next) => self.say(&format!("  {}: {next}.", why.what())),
            None => self.say(&format!("  {}.", why.what())),
        }
    }

    /// A text.
    ///
    /// # Errors
    /// As [`Asker::ask`].
    pub fn text(&mut self, question: Question<'_>) -> Result<String> {
        self.ask(question, |answer| Ok(answer.to_owned()))
    }

    /// A number in `unit`; a bare one is in units of `bare`.
    ///
    /// # Errors
    /// As [`Asker::ask`].
    pub fn number(&mut self, question: Question<'_>, unit: &str, bare: f64) -> Result<f64> {
        self.ask(question, |answer| entered(answer, unit, bare))
    }

    /// A number that may be left out.
    ///
    /// # Errors
    /// As [`Asker::ask`].
    pub fn optional(&mut self, text: &str, example: &str, unit: &str, bare: f64) -> Result<Option<f64>> {
        let question = Question {
            text,
            example,
            default: Some(""),
        };
        self.ask(question, |answer| match answer {
            "" => Ok(None),
            given => entered(given, unit, bare).map(Some),
        })
    }

    /// Two numbers, lower first.
    ///
    /// # Errors
    /// As [`Asker::ask`].
    pub fn pair(&mut self, question: Question<'_>, unit: &str) -> Result<[f64; 2]> {
        self.ask(question, |answer| {
            let parts: Vec<&str> = answer.split(" to ").collect();
            let [low, high] = parts[..] else {
                return Err(Error::new(Kind::Value, format!("\"{answer}\" is no range"))
                    .next("write two numbers with \"to\" between them: 20 Hz to 20 kHz"));
            };
            Ok([entered(low, unit, 1.0)?, entered(high, unit, 1.0)?])
        })
    }

    /// One of several words; its index.
    ///
    /// # Errors
    /// As [`Asker::ask`].
    pub fn choice(&mut self, text: &str, words: &[&str], default: &str) -> Result<usize> {
        let question = Question {
            text: &format!("{text} ({})", words.join(", ")),
            example: "",
            default: Some(default),
        };
        self.ask(question, |answer| {
            let found = words.iter().position(|w| w.eq_ignore_ascii_case(answer));
            found.ok_or_else(|| {
                let error = Error::new(
                    Kind::Value,
                    format!("\"{answer}\" is not among {}", words.join(", ")),
                );
                match crate::ownfile::nearest(answer, words) {
                    Some(near) => error.next(format!("did you mean {near}")),
                    None => error.next("write one of them"),
                }
            })
        })
    }

    /// Yes or no.
    ///
    /// # Errors
    /// As [`Asker::ask`].
    pub fn yes(&mut self, text: &str, default: bool) -> Result<bool> {
        let default = if default { "yes" } else { "no" };
        Ok(self.choice(text, &["yes", "no"], default)? == 0)
    }

    fn line(&mut self) -> Result<String> {
        let mut line = String::new();
        match self.input.read_line(&mut line) {
            Ok(0) => Err(
                Error::new(Kind::Unavailable, "the answers ended before the last question")
                    .next("nothing was written; run the same command again and answer every question"),
            ),
            Ok(_) => Ok(line.trim().to_owned()),
            Err(_) if interrupt::asked() => Err(Error::new(Kind::Unavailable, "stopped by Ctrl-C")
                .next("run the same command again to go on")),
            Err(e) => Err(gone(&e)),
        }
    }
}

fn gone(cause: &std::io::Error) -> Error {
    Error::io("ask on this terminal", Path::new("terminal"), cause)
}
