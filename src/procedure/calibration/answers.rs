//! What was answered and read so far: the only state of a calibration, and the draft that survives an interruption.

use crate::atomic;
use crate::error::{Error, Kind, Result};
use crate::ownfile;
use crate::quantity::significant;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Version tag of drafts.
const SCHEMA: &str = "asleft.rig-draft.v1";

/// An answer or a reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Value {
    /// A number in the unit of its question; levels in dBFS.
    Number(f64),
    /// A text, or the word that was chosen.
    Word(String),
}

/// One answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// Key of the question, or of the reading.
    pub key: String,
    /// What was answered or read.
    pub value: Value,
    /// When, YYYY-MM-DD.
    pub date: String,
}

/// Answers and readings in the order they were given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answers {
    schema: String,
    #[serde(default)]
    answers: Vec<Entry>,
}

impl Default for Answers {
    fn default() -> Self {
        Self {
            schema: SCHEMA.to_owned(),
            answers: Vec::new(),
        }
    }
}

impl Answers {
    /// Puts an answer in place of an older one of the same key.
    pub fn put(&mut self, key: &str, value: Value, date: &str) {
        self.answers.retain(|e| e.key != key);
        self.answers.push(Entry {
            key: key.to_owned(),
            value,
            date: date.to_owned(),
        });
    }

    /// Forgets every answer whose key is one of `keys`, or begins with one and a hyphen.
    pub fn forget(&mut self, keys: &[String]) {
        let meant = |key: &str| {
            keys.iter()
                .any(|k| key.strip_prefix(k.as_str()).is_some_and(|rest| rest.is_empty() || rest.starts_with('-')))
        };
        self.answers.retain(|e| !meant(&e.key));
    }

    /// The number answered to `key`.
    pub fn number(&self, key: &str) -> Option<f64> {
        match self.entry(key)?.value {
            Value::Number(number) => Some(number),
            Value::Word(_) => None,
        }
    }

    /// The word answered to `key`.
    pub fn word(&self, key: &str) -> Option<&str> {
        match &self.entry(key)?.value {
            Value::Word(word) => Some(word),
            Value::Number(_) => None,
        }
    }

    /// When `key` was answered; empty where it was not.
    pub fn date(&self, key: &str) -> &str {
        self.entry(key).map_or("", |e| e.date.as_str())
    }

    /// Whether nothing was answered.
    pub fn is_empty(&self) -> bool {
        self.answers.is_empty()
    }

    /// One line an answer, for people.
    pub fn in_words(&self) -> Vec<String> {
        let line = |e: &Entry| match &e.value {
            Value::Number(number) => format!("{} {}", e.key, significant(*number, 6)),
            Value::Word(word) => format!("{} {word}", e.key),
        };
        self.answers.iter().map(line).collect()
    }

    fn entry(&self, key: &str) -> Option<&Entry> {
        self.answers.iter().find(|e| e.key == key)
    }

    /// Reads the draft at `path`; nothing answered where there is none.
    ///
    /// # Errors
    /// Where it cannot be read, or is no draft of this version.
    pub fn read(path: &Path) -> Result<Self> {
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(cause) if cause.kind() == std::io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(cause) => return Err(Error::io("read the draft of the calibration", path, &cause)),
        };
        let place = path.display().to_string();
        let begin_again = "move the draft away to begin the calibration again";
        let read: Self = ownfile::parse(&text, &place, &[]).map_err(|e| e.next(begin_again))?;
        if read.schema != SCHEMA {
            return Err(Error::new(Kind::Format, format!("this is no draft of version {SCHEMA}"))
                .at_path(path)
                .next(begin_again));
        }
        Ok(read)
    }

    /// Keeps the answers at `path`, whole.
    ///
    /// # Errors
    /// Where the operating system refuses.
    pub fn keep(&self, path: &Path) -> Result<()> {
        let text = toml::to_string(self).map_err(|cause| {
            Error::new(Kind::Format, format!("the answers cannot be written: {cause}")).at_path(path)
        })?;
        atomic::replace(path, text.as_bytes())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some() -> Answers {
        let mut answers = Answers::default();
        answers.put("name", Value::Word("Example Bench".to_owned()), "2026-01-10");
        answers.put("output-left-volts", Value::Number(1.556), "2026-01-10");
        answers.put("output-left-volts", Value::Number(1.557), "2026-01-11");
        answers.put("output-leftover", Value::Number(8.0), "2026-01-11");
        answers
    }

    #[test]
    fn a_draft_reads_back_and_the_last_answer_counts() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bench.rig.draft.toml");
        assert!(Answers::read(&path).unwrap().is_empty());
        some().keep(&path).unwrap();
        let read = Answers::read(&path).unwrap();
        assert_eq!(read, some());
        assert_eq!(read.number("output-left-volts"), Some(1.557));
        assert_eq!(read.date("output-left-volts"), "2026-01-11");
        assert_eq!(read.word("output-left-volts"), None);
        std::fs::write(&path, "schema = \"asleft.rig-draft.v9\"").unwrap();
        assert!(Answers::read(&path).unwrap_err().to_string().contains("begin the calibration again"));
        std::fs::write(&path, "schema = 1 [").unwrap();
        assert!(Answers::read(&path).unwrap_err().next_step().is_some());
    }

    #[test]
    fn forgetting_takes_whole_words_only() {
        let mut answers = some();
        answers.forget(&["output-left".to_owned()]);
        assert_eq!(answers.number("output-left-volts"), None);
        assert_eq!(answers.number("output-leftover"), Some(8.0));
    }
}
