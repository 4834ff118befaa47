//! The operator at a terminal: notices, questions and the meters on standard error, answers from standard input.

use super::ask::{Asker, Question as Asked};
use super::{complaint, interrupt};
use crate::error::{Error, Kind, Result};
use crate::procedure::operator::{Answer, Expects, Meter, Notice, Operator, Question, Weight};
use crate::quantity::{entered, significant};
use std::io::{BufRead, Write};

/// What the bars of the meters show, dBFS.
const BAR_DBFS: [f64; 2] = [-60.0, 0.0];

/// Characters of a bar: at most, and the fewest that still tell anything.
const BAR: [usize; 2] = [20, 6];

/// Terminals whose width is not known.
const USUAL_WIDTH: usize = 80;

/// A person at a terminal, or answers from a pipe.
pub(super) struct Terminal<'a> {
    asker: Asker<'a>,
    interactive: bool,
    line_is_open: bool,
}

impl<'a> Terminal<'a> {
    /// Reads answers from `input`, one a line, and writes to `out`; the meters only where a person watches
    /// (`interactive`). From now on Ctrl-C asks for an end instead of ending the program.
    ///
    /// # Errors
    /// Where the operating system lets nobody listen to Ctrl-C.
    pub(super) fn new(input: &'a mut dyn BufRead, out: &'a mut dyn Write, interactive: bool) -> Result<Self> {
        interrupt::listen()?;
        Ok(Self {
            asker: Asker::new(input, out),
            interactive,
            line_is_open: false,
        })
    }

    /// Says lines, folded to a readable width.
    fn say(&mut self, text: &str) -> Result<()> {
        self.close_line()?;
        for line in text.lines() {
            self.asker.say(&complaint::folded(line))?;
        }
        Ok(())
    }

    /// Takes the meters away before something else is written.
    fn close_line(&mut self) -> Result<()> {
        if std::mem::take(&mut self.line_is_open) {
            self.asker.show("")?;
        }
        Ok(())
    }
}

impl Operator for Terminal<'_> {
    fn tell(&mut self, notice: &Notice) -> Result<()> {
        self.say(&format!("{}{}", mark(notice.weight), notice.text))?;
        if !notice.why.is_empty() {
            self.say(&format!("    Why: {}", notice.why))?;
        }
        Ok(())
    }

    fn ask(&mut self, question: &Question) -> Result<Answer> {
        self.close_line()?;
        let text = format!("{}{}", mark(question.weight), question.text);
        let text = if question.why.is_empty() {
            complaint::folded(&text)
        } else {
            self.say(&text)?;
            self.say(&format!("    Why: {}", question.why))?;
            String::new()
        };
        let asker = &mut self.asker;
        answer(asker, &text, &question.expects)
    }

    fn watch(&mut self, meter: &Meter) {
        if !self.interactive {
            return;
        }
        let width = terminal_size::terminal_size().map_or(USUAL_WIDTH, |(w, _)| usize::from(w.0));
        // A terminal that has gone is found by the next question.
        self.line_is_open = self.asker.show(&meter_line(meter, width)).is_ok();
    }

    fn wants_to_stop(&mut self) -> bool {
        interrupt::asked()
    }
}

/// How seriously something is meant, in a word that needs no colour.
fn mark(weight: Weight) -> &'static str {
    match weight {
        Weight::Step => "",
        Weight::Caution => "CAUTION: ",
    }
}

/// What stands before an answer whose question was said above it.
const ASKED_ABOVE: &str = "  Answer";

fn answer(asker: &mut Asker<'_>, text: &str, expects: &Expects) -> Result<Answer> {
    let listed = text;
    let text = if text.is_empty() { ASKED_ABOVE } else { text };
    match expects {
        Expects::Yes => {
            let text = format!("{text} (yes or no)");
            let question = Asked {
                text: &text,
                example: "",
                default: None,
            };
            asker.ask(question, yes_or_no).map(Answer::Yes)
        }
        Expects::Number {
            unit,
            example,
            range,
            default,
        } => {
            let default = default.map(|d| format!("{} {unit}", significant(d, 6)));
            let question = Asked {
                text,
                example,
                default: default.as_deref(),
            };
            let number = asker.ask(question, |given| within(entered(given, unit, 1.0)?, *range, unit))?;
            Ok(Answer::Number(number))
        }
        Expects::Choice { words, default } => choice(asker, listed, words, *default).map(Answer::Choice),
        Expects::Text { example, default } => {
            let question = Asked {
                text,
                example,
                default: default.as_deref(),
            };
            asker.text(question).map(Answer::Text)
        }
    }
}

/// Only a typed "yes" is a yes.
fn yes_or_no(given: &str) -> Result<bool> {
    match given.to_lowercase().as_str() {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err(Error::new(Kind::Value, format!("\"{given}\" is neither")).next("write yes or no in full")),
    }
}

fn within(value: f64, [low, high]: [f64; 2], unit: &str) -> Result<f64> {
    if (low..=high).contains(&value) {
        return Ok(value);
    }
    let shown = |x: f64| significant(x, 6);
    let what = format!(
        "{} {unit} is not between {} and {} {unit}",
        shown(value),
        shown(low),
        shown(high)
    );
    Err(Error::new(Kind::Value, what)
        .next(format!("write the number in {unit}, or with its unit and prefix")))
}

/// Short words on one line; long ones in a list, where the number is an answer too.
fn choice(asker: &mut Asker<'_>, text: &str, words: &[String], default: usize) -> Result<usize> {
    let plain: Vec<&str> = words.iter().map(String::as_str).collect();
    if plain.iter().all(|w| !w.contains(' ')) {
        let text = if text.is_empty() { ASKED_ABOVE } else { text };
        return asker.choice(text, &plain, plain.get(default).copied().unwrap_or_default());
    }
    if !text.is_empty() {
        asker.say(text)?;
    }
    for (index, word) in plain.iter().enumerate() {
        asker.say(&complaint::folded(&format!("  {}  {word}", index + 1)))?;
    }
    let default = (default + 1).to_string();
    let question = Asked {
        text: "Which",
        example: "",
        default: Some(&default),
    };
    asker.ask(question, |given| {
        let by_number = given
            .parse::<usize>()
            .ok()
            .and_then(|n| n.checked_sub(1))
            .filter(|i| *i < plain.len());
        let found = by_number.or_else(|| plain.iter().position(|w| w.eq_ignore_ascii_case(given)));
        found.ok_or_else(|| {
            Error::new(Kind::Value, format!("\"{given}\" is none of them"))
                .next(format!("write a number from 1 to {}", plain.len()))
        })
    })
}

/// Time and levels on one line that fits `width`.
fn meter_line(meter: &Meter, width: usize) -> String {
    let start = format!("{:4.1} of {:.0} s", meter.at_s, meter.of_s);
    let channels = meter.level_dbfs.len().max(1);
    // "  left  -12.3 dBFS []" beside the bar itself.
    let beside = 23 * channels;
    let bar = (width.saturating_sub(start.len() + beside + 1) / channels).min(BAR[0]);
    let mut line = start;
    for (index, level) in meter.level_dbfs.iter().enumerate() {
        let name = crate::figure::Channel::at(index).to_string();
        if level.is_finite() {
            line.push_str(&format!("  {name:5} {level:6.1} dBFS"));
        } else {
            line.push_str(&format!("  {name:5}      silent"));
        }
        if bar >= BAR[1] {
            let peak = meter.peak_dbfs.get(index).copied().unwrap_or(*level);
            line.push_str(&format!(" [{}]", bar_of(*level, peak, bar)));
        }
    }
    // What wraps cannot be written over.
    line.chars().take(width.saturating_sub(1)).collect()
}

/// A bar with a mark where the highest peak was.
fn bar_of(level_dbfs: f64, peak_dbfs: f64, width: usize) -> String {
    let [low, high] = BAR_DBFS;
    let filled = |dbfs: f64| share_of((dbfs - low) / (high - low), width);
    let (level, peak) = (filled(level_dbfs), filled(peak_dbfs));
    (1..=width)
        .map(|place| match () {
            () if place <= level => '#',
            () if place == peak => '|',
            () => '-',
        })
        .collect()
}

/// `share` of `width`, rounded; nothing for what is no number.
fn share_of(share: f64, width: usize) -> usize {
    (1..=width)
        .filter(|place| share * width as f64 >= *place as f64 - 0.5)
        .count()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(range: [f64; 2], default: Option<f64>) -> Question {
        Question {
            key: "x".to_owned(),
            weight: Weight::Step,
            text: "What the meter shows".to_owned(),
            why: "It is the standard.".to_owned(),
            expects: Expects::Number {
                unit: "V",
                example: "1.556 V".to_owned(),
                range,
                default,
            },
        }
    }

    fn asked(question: &Question, answers: &str) -> (Result<Answer>, String) {
        let mut out = Vec::new();
        let mut input = answers.as_bytes();
        let answer = Terminal::new(&mut input, &mut out, false).unwrap().ask(question);
        (answer, String::from_utf8(out).unwrap())
    }

    #[test]
    fn what_makes_no_sense_is_asked_again_with_the_reason() {
        let (answer, said) = asked(&number([0.0, 50.0], None), "\n1.5 A\n120\n1556 mV\n");
        assert_eq!(answer, Ok(Answer::Number(1.556)));
        for words in [
            "Why: It is",
            "no default",
            "is not in V",
            "not between 0 and 50 V",
        ] {
            assert!(said.contains(words), "{words}: {said}");
        }
        let (answer, said) = asked(&number([0.0, 50.0], Some(8.0)), "\n");
        assert_eq!(answer, Ok(Answer::Number(8.0)));
        assert!(said.contains("[8 V]"), "{said}");
    }

    #[test]
    fn only_a_typed_yes_is_a_yes() {
        let question = Question {
            expects: Expects::Yes,
            weight: Weight::Caution,
            ..number([0.0, 1.0], None)
        };
        let (answer, said) = asked(&question, "y\n\nok\nYes\n");
        assert_eq!(answer, Ok(Answer::Yes(true)));
        assert!(said.contains("CAUTION: ") && said.contains("neither"), "{said}");
        assert_eq!(asked(&question, "no\n").0, Ok(Answer::Yes(false)));
        assert!(asked(&question, "").0.is_err());
    }

    #[test]
    fn long_words_are_chosen_by_their_number() {
        let words = ["good handheld".to_owned(), "bench meter".to_owned()].to_vec();
        let question = Question {
            expects: Expects::Choice { words, default: 0 },
            ..number([0.0, 1.0], None)
        };
        for (given, index) in [("", 0), ("2", 1), ("Bench meter", 1), ("0\n3\nnone\n1", 0)] {
            assert_eq!(
                asked(&question, &format!("{given}\n")).0,
                Ok(Answer::Choice(index)),
                "{given}"
            );
            // The question and its reason stand above the list: nothing dangles between.
            assert!(!asked(&question, &format!("{given}\n")).1.contains("Answer"));
        }
    }

    #[test]
    fn the_meters_fit_every_terminal() {
        let meter = Meter {
            at_s: 3.2,
            of_s: 20.0,
            level_dbfs: vec![-15.0, f64::NEG_INFINITY],
            peak_dbfs: vec![-6.0, f64::NEG_INFINITY],
        };
        for width in [0, 1, 20, 40, 60, 80, 200] {
            assert!(
                meter_line(&meter, width).chars().count() < width.max(1),
                "{width}"
            );
        }
        // -15 dBFS is three quarters of the way from -60 to 0, -6 is nine tenths.
        let line = meter_line(&meter, 200);
        assert!(
            line.contains("left   -15.0 dBFS [###############--|--]"),
            "{line}"
        );
        assert!(
            line.contains("right      silent [--------------------]"),
            "{line}"
        );
    }
}
