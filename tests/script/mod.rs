//! An operator that answers from a list, and keeps what it was told and asked.

use asleft::error::{Error, Kind, Result};
use asleft::procedure::operator::{Answer, Expects, Meter, Notice, Operator, Question, Weight};
use std::collections::BTreeMap;

/// Answers by key. A key with several answers gives them in turn, and the last one from then on.
#[derive(Debug, Default, Clone)]
pub(crate) struct Script {
    answers: BTreeMap<String, Vec<Answer>>,
    given: BTreeMap<String, usize>,
    /// Keys, in the order they were asked.
    pub(crate) asked: Vec<String>,
    /// What a person would have read, line by line.
    pub(crate) dialogue: String,
    /// Stops when this many questions were asked.
    pub(crate) leaves_after: Option<usize>,
}

impl Script {
    /// Replaces the answers to `key`.
    pub(crate) fn says(mut self, key: &str, answers: &[Answer]) -> Self {
        self.answers.insert(key.to_owned(), answers.to_vec());
        self
    }

    /// Replaces the answer to `key` by a number.
    pub(crate) fn reads(self, key: &str, number: f64) -> Self {
        self.says(key, &[Answer::Number(number)])
    }

    /// Replaces the answer to `key` by yes or no.
    pub(crate) fn agrees(self, key: &str, yes: bool) -> Self {
        self.says(key, &[Answer::Yes(yes)])
    }

    fn say(&mut self, weight: Weight, text: &str, why: &str) {
        let mark = if weight == Weight::Caution {
            "CAUTION: "
        } else {
            ""
        };
        self.dialogue.push_str(&format!("{mark}{text}\n"));
        if !why.is_empty() {
            self.dialogue.push_str(&format!("    Why: {why}\n"));
        }
    }
}

/// A technician in front of a unit in good order: a few millivolts of DC, discharged rails, one ground node, loads of 8 Ω.
pub(crate) fn good_order() -> Script {
    let yes = [
        "bare",
        "unplugged",
        "load",
        "on-load",
        "attenuator",
        "phantom-off",
        "ears-and-speakers",
        "load-clear",
        "input",
        "on",
        "changed",
        "still-connected",
    ];
    let numbers = [
        ("dc-left", 0.004),
        ("dc-right", -0.006),
        ("reservoirs", 0.4),
        ("ohms-left", 0.2),
        ("ohms-right", 0.3),
        ("ohms-between", 0.3),
        ("load-left", 8.0),
        ("load-right", 8.0),
        ("between-dc", 0.001),
        ("between-ac", 0.003),
    ];
    let script = Script::default().says("who", &[Answer::Text("Example Bench".to_owned())]);
    let script = yes.into_iter().fold(script, |s, key| s.agrees(key, true));
    numbers.into_iter().fold(script, |s, (key, n)| s.reads(key, n))
}

impl Operator for Script {
    fn tell(&mut self, notice: &Notice) -> Result<()> {
        self.say(notice.weight, &notice.text, &notice.why);
        Ok(())
    }

    fn ask(&mut self, question: &Question) -> Result<Answer> {
        self.say(question.weight, &question.text, &question.why);
        self.asked.push(question.key.clone());
        let turn = self.given.entry(question.key.clone()).or_default();
        let answers = self.answers.get(&question.key).map_or(&[][..], Vec::as_slice);
        let Some(answer) = answers.get(*turn).or(answers.last()) else {
            return Err(Error::new(
                Kind::Unavailable,
                format!("the script has no answer to {}", question.key),
            ));
        };
        *turn += 1;
        let fits = matches!(
            (&question.expects, answer),
            (Expects::Yes, Answer::Yes(_))
                | (Expects::Number { .. }, Answer::Number(_))
                | (Expects::Choice { .. }, Answer::Choice(_))
                | (Expects::Text { .. }, Answer::Text(_))
        );
        assert!(fits, "{question:?} was answered with {answer:?}");
        self.dialogue.push_str(&format!("  > {answer:?}\n"));
        Ok(answer.clone())
    }

    fn watch(&mut self, _: &Meter) {}

    fn wants_to_stop(&mut self) -> bool {
        self.leaves_after.is_some_and(|n| self.asked.len() >= n)
    }
}
