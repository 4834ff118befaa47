//! What happened, where, and what to do next, in the technician's words.
//!
//! One error type serves the whole crate: nothing downstream branches on the cause except the exit code and a few
//! tests, so a [`Kind`] beside three sentences carries all there is to say. It never holds a back-trace, a type name
//! or anything else that helps only a programmer.

use std::fmt;
use std::path::Path;

/// Shorthand for results of this crate.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// The broad cause, for exit codes and tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The operating system refused to read or write.
    Io,
    /// A file is not in the format it should have.
    Format,
    /// A value is impossible or out of range.
    Value,
    /// Two things that must fit do not (a capture and its stimulus, a job and its bench).
    Mismatch,
    /// The request cannot be met with what is there.
    Unavailable,
}

/// An error with its place and its next step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Error {
    kind: Kind,
    what: String,
    place: Option<String>,
    next: Option<String>,
}

impl Error {
    /// An error of `kind`; `what` is one sentence without a final full stop.
    pub fn new(kind: Kind, what: impl Into<String>) -> Self {
        Self {
            kind,
            what: what.into(),
            place: None,
            next: None,
        }
    }

    /// An operating-system error while doing `doing` ("read the capture") on `path`.
    pub fn io(doing: &str, path: &Path, cause: &std::io::Error) -> Self {
        Self::new(Kind::Io, format!("could not {doing}: {cause}"))
            .at_path(path)
            .next(next_for(cause))
    }

    /// Names the place: a file, a line, a channel, a second.
    #[must_use]
    pub fn at(mut self, place: impl Into<String>) -> Self {
        self.place = Some(place.into());
        self
    }

    /// Names the file.
    #[must_use]
    pub fn at_path(self, path: &Path) -> Self {
        self.at(path.display().to_string())
    }

    /// Says what to do next; one sentence without a final full stop.
    #[must_use]
    pub fn next(mut self, next: impl Into<String>) -> Self {
        self.next = Some(next.into());
        self
    }

    /// The broad cause.
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// What happened, without place and next step.
    pub fn what(&self) -> &str {
        &self.what
    }

    /// Where it happened, if named.
    pub fn place(&self) -> Option<&str> {
        self.place.as_deref()
    }

    /// What to do next, if named.
    pub fn next_step(&self) -> Option<&str> {
        self.next.as_deref()
    }
}

/// The next step that fits most often, by the operating system's cause.
fn next_for(cause: &std::io::Error) -> &'static str {
    use std::io::ErrorKind as E;
    match cause.kind() {
        E::NotFound => "check the name and the folder",
        E::PermissionDenied => "check that you may read and write there, or choose another folder",
        E::StorageFull => {
            "free some space on the disk and run the same command again; nothing recorded so far is lost"
        }
        E::AlreadyExists => "choose another name, or move the existing one away",
        _ => "check the disk and the path, then run the same command again",
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(place) = &self.place {
            write!(f, "{place}: ")?;
        }
        write!(f, "{}", self.what)?;
        if let Some(next) = &self.next {
            write!(f, "\n  next: {next}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_reads_place_what_next() {
        let e = Error::new(Kind::Format, "this is not a WAV file")
            .at("a.wav")
            .next("export it as WAV");
        assert_eq!(
            e.to_string(),
            "a.wav: this is not a WAV file\n  next: export it as WAV"
        );
    }
}
