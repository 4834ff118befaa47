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
    /// Whoever reads the output has closed it.
    Unread,
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
        Self::new(Kind::Io, format!("could not {doing}: {}", in_words(cause)))
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

    /// Names the file of an error that knows at most a place inside it.
    #[must_use]
    pub fn in_file(self, path: &Path) -> Self {
        let file = path.display().to_string();
        match self.place() {
            None => self.at(file),
            Some(place) if !place.starts_with(&file) => {
                let place = format!("{file}, {place}");
                self.at(place)
            }
            Some(_) => self,
        }
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

/// What the operating system refused, without its error number. Causes that are rare keep the system's own words.
fn in_words(cause: &std::io::Error) -> String {
    use std::io::ErrorKind as E;
    let words = match cause.kind() {
        E::NotFound => "there is no such file or folder",
        E::PermissionDenied => "this user is not allowed to",
        E::IsADirectory => "this is a folder, not a file",
        E::NotADirectory => "a file stands where a folder belongs",
        E::AlreadyExists => "it exists already",
        E::StorageFull => "the disk is full",
        E::QuotaExceeded => "this user's share of the disk is full",
        E::ReadOnlyFilesystem => "the disk is write-protected",
        E::FileTooLarge => "the file is larger than this disk allows",
        E::ResourceBusy | E::ExecutableFileBusy => "another program is using it",
        E::InvalidFilename => "this disk does not allow such a name",
        E::UnexpectedEof => "the file ends too soon",
        _ => {
            let own = cause.to_string();
            // What follows the number may be the name of a file aside, which the user never asked for.
            return own.split(" (os error ").next().unwrap_or(&own).to_owned();
        }
    };
    words.to_owned()
}

/// The next step that fits most often, by the operating system's cause.
fn next_for(cause: &std::io::Error) -> &'static str {
    use std::io::ErrorKind as E;
    match cause.kind() {
        E::NotFound => "check the name and the folder",
        E::PermissionDenied => "check that you may read and write there, or choose another folder",
        E::IsADirectory => "name the files in it, not the folder",
        E::NotADirectory => "check the path: one of its folders is a file",
        E::InvalidFilename => "choose a shorter name of plain letters and digits",
        E::ReadOnlyFilesystem => "choose a folder on another disk",
        E::StorageFull | E::QuotaExceeded => {
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

    #[test]
    fn the_system_speaks_in_words_without_its_number() {
        let io =
            |cause: std::io::Error| Error::io("read the capture", Path::new("a.wav"), &cause).to_string();
        let folder = tempfile::tempdir().unwrap();
        let missing = io(std::fs::read(folder.path().join("a.wav")).unwrap_err());
        assert_eq!(
            missing,
            "a.wav: could not read the capture: there is no such file or folder\n  next: check the name and the folder"
        );
        let unnamed = tempfile::tempfile_in(folder.path().join("b")).unwrap_err();
        assert_eq!(io(unnamed), missing);
        assert!(
            io(std::io::ErrorKind::IsADirectory.into()).ends_with("name the files in it, not the folder")
        );
        // POSIX's ELOOP or its namesake elsewhere: any number whose cause has no words of ours.
        let rare = io(std::io::Error::from_raw_os_error(40));
        assert!(
            !rare.contains("os error") && rare.contains("read the capture: "),
            "{rare}"
        );
        assert!(io(std::io::Error::other("the cable is loose")).contains("the cable is loose"));
    }
}
