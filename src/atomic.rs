//! Files that are either whole or not there: written aside in the same folder, flushed to the disk, renamed.
//!
//! A power cut at any moment leaves the old file or the new one, never half of one.

use crate::error::{Error, Result};
use std::fs::{self, File};
use std::io::Write;
use std::path::Path;
use tempfile::Builder;

/// How the name of a file aside begins and ends.
const PREFIX: &str = ".";
const SUFFIX: &str = ".part";

/// What to do where a file of that name is there already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Existing {
    /// Leave it and refuse.
    Keep,
    /// Put the new one in its place.
    Replace,
}

/// Writes the file at `path` through `fill`, which gets it empty and open. `doing` is for messages ("write the
/// stimulus").
///
/// # Errors
/// Where `fill` fails, the folder is not there or not writable, the disk is full, or the file exists and is to be
/// kept. The old file, if any, is untouched then.
pub fn write<T>(
    path: &Path,
    doing: &str,
    existing: Existing,
    fill: impl FnOnce(&mut File) -> Result<T>,
) -> Result<T> {
    let cannot = |cause: &std::io::Error| Error::io(doing, path, cause);
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    if existing == Existing::Keep && path.exists() {
        return Err(cannot(&std::io::ErrorKind::AlreadyExists.into()));
    }
    let mut aside = aside(folder).map_err(|e| cannot(&e))?;
    let done = fill(aside.as_file_mut())?;
    aside.as_file().sync_all().map_err(|e| cannot(&e))?;
    let kept = match existing {
        Existing::Keep => aside.persist_noclobber(path),
        Existing::Replace => aside.persist(path),
    };
    kept.map_err(|e| cannot(&e.error))?;
    sync_folder(folder);
    Ok(done)
}

/// Writes `bytes` to `path` in place of what is there.
///
/// # Errors
/// As [`fn@write`].
pub fn replace(path: &Path, bytes: &[u8]) -> Result<()> {
    write(path, "write the file", Existing::Replace, |file| {
        file.write_all(bytes)
            .map_err(|e| Error::io("write the file", path, &e))
    })
}

/// Whether `path` is a leftover of an interrupted write.
pub fn is_leftover(path: &Path) -> bool {
    path.file_name()
        .map(|n| n.to_string_lossy())
        .is_some_and(|n| n.starts_with(PREFIX) && n.ends_with(SUFFIX))
}

/// Removes the leftovers of interrupted writes from `folder`.
///
/// # Errors
/// Where the folder cannot be read or a leftover cannot be removed.
pub fn clean(folder: &Path) -> Result<()> {
    for entry in fs::read_dir(folder).map_err(|e| Error::io("look into the folder", folder, &e))? {
        let path = entry
            .map_err(|e| Error::io("look into the folder", folder, &e))?
            .path();
        if is_leftover(&path) {
            fs::remove_file(&path)
                .map_err(|e| Error::io("remove the leftover of an interrupted write", &path, &e))?;
        }
    }
    Ok(())
}

/// A file aside with the permissions that any new file gets.
fn aside(folder: &Path) -> std::io::Result<tempfile::NamedTempFile> {
    let mut builder = Builder::new();
    builder.prefix(PREFIX).suffix(SUFFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

/// Makes the rename itself survive a power cut, where the system lets folders be flushed. Network file systems may
/// refuse; the file is in its place by then, so that is no failure.
fn sync_folder(folder: &Path) {
    if cfg!(unix) {
        let _ = File::open(folder).and_then(|f| f.sync_all());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::Kind;
    use std::io::Write;

    #[test]
    fn a_failed_write_leaves_the_old_file_and_nothing_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.txt");
        let put = |existing, text: &'static [u8]| {
            write(&path, "write the text", existing, |f| {
                f.write_all(text).unwrap();
                Ok(())
            })
        };
        put(Existing::Keep, b"old").unwrap();
        let refused = put(Existing::Keep, b"new").unwrap_err();
        assert_eq!(refused.kind(), Kind::Io);
        let failed: Result<()> = write(&path, "write the text", Existing::Replace, |f| {
            f.write_all(b"half").unwrap();
            Err(Error::new(Kind::Value, "stop"))
        });
        assert!(failed.is_err());
        assert_eq!(std::fs::read(&path).unwrap(), b"old");
        put(Existing::Replace, b"new").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"new");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
