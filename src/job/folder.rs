//! A job's folder as a reader sees it.

use super::capture::{CaptureState, Health, Sidecar};
use super::record::{self, Record, TakeRef};
use crate::error::{Error, Kind, Result};
use crate::signal::fingerprint;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

pub(super) const RECORD: &str = "job.json";
pub(super) const PREVIOUS: &str = "job.previous.json";
pub(super) const CAPTURES: &str = "captures";

/// A job read from its folder. Readers need no lock: whatever they see is a whole record.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    pub(super) folder: PathBuf,
    pub(super) record: Record,
}

impl Job {
    /// Reads the job in `folder`.
    ///
    /// # Errors
    /// Where there is no job, or its record is damaged; then the error says where the previous record is.
    pub fn read(folder: &Path) -> Result<Self> {
        let path = folder.join(RECORD);
        let read = fs::read_to_string(&path).map_err(|e| no_record(folder, &path, &e));
        let record = read
            .and_then(|text| Record::read(&text, &path))
            .map_err(|e| point_to_previous(e, folder))?;
        Ok(Self {
            folder: folder.to_owned(),
            record,
        })
    }

    /// The job called `name`: a path to a folder, or the name (or its unambiguous beginning) of a job under `root`.
    ///
    /// # Errors
    /// Where no job, or more than one, is called so.
    pub fn find(name: &str, root: &Path) -> Result<Self> {
        let direct = Path::new(name);
        if direct.join(RECORD).is_file() || direct.join(PREVIOUS).is_file() {
            return Self::read(direct);
        }
        let candidates: Vec<PathBuf> = folders_under(root)?
            .into_iter()
            .filter(|p| {
                p.file_name()
                    .is_some_and(|n| n.to_string_lossy().starts_with(name))
            })
            .collect();
        let exact = candidates
            .iter()
            .find(|p| p.file_name().is_some_and(|n| n.to_string_lossy() == name));
        match (exact, candidates.as_slice()) {
            (Some(folder), _) => Self::read(folder),
            (None, [folder]) => Self::read(folder),
            (None, []) => Err(
                Error::new(Kind::Unavailable, format!("there is no job called \"{name}\""))
                    .at_path(root)
                    .next("see which there are with `asleft job list`"),
            ),
            (None, several) => Err(Error::new(
                Kind::Value,
                format!("{} jobs have names that begin with \"{name}\"", several.len()),
            )
            .at_path(root)
            .next("write more of the name; `asleft job list` shows it")),
        }
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The record.
    pub fn record(&self) -> &Record {
        &self.record
    }

    /// The WAV file of a capture.
    pub fn samples_path(&self, capture: &str) -> PathBuf {
        self.folder.join(CAPTURES).join(format!("{capture}.wav"))
    }

    /// The sidecar file of a capture.
    pub fn sidecar_path(&self, capture: &str) -> PathBuf {
        self.folder.join(CAPTURES).join(format!("{capture}.json"))
    }

    /// Reads the sidecar of a capture.
    ///
    /// # Errors
    /// Where it is missing or damaged.
    pub fn sidecar(&self, capture: &str) -> Result<Sidecar> {
        let path = self.sidecar_path(capture);
        let text = fs::read_to_string(&path)
            .map_err(|e| Error::io("read the conditions of a capture", &path, &e))?;
        Sidecar::read(&text, &path)
    }

    /// Looks at every capture that the record names or the folder holds, by number.
    ///
    /// # Errors
    /// Where the folder or a file in it cannot be read at all.
    pub fn verify(&self) -> Result<Vec<CaptureState>> {
        let mut states = Vec::new();
        for take in self.record.takes() {
            states.push(CaptureState {
                capture: take.capture.clone(),
                health: self.health(take)?,
            });
        }
        let recorded: BTreeSet<&str> = self.record.takes().map(|t| t.capture.as_str()).collect();
        for capture in self.captures_on_disk()? {
            if !recorded.contains(capture.as_str()) {
                let finished = self.sidecar_path(&capture).is_file();
                let health = if finished {
                    Health::Unrecorded
                } else {
                    Health::Unfinished
                };
                states.push(CaptureState { capture, health });
            }
        }
        states.sort_by(|a, b| a.capture.cmp(&b.capture));
        Ok(states)
    }

    fn health(&self, take: &TakeRef) -> Result<Health> {
        let (sidecar, samples) = (self.sidecar_path(&take.capture), self.samples_path(&take.capture));
        if !sidecar.is_file() {
            return Ok(Health::SidecarMissing);
        }
        if !samples.is_file() {
            return Ok(Health::SamplesMissing);
        }
        if fingerprint::sha256_of(&sidecar)? != take.sidecar_sha256 {
            return Ok(Health::SidecarAltered);
        }
        let intact = fingerprint::sha256_of(&samples)? == self.sidecar(&take.capture)?.sha256;
        Ok(if intact {
            Health::Intact
        } else {
            Health::SamplesAltered
        })
    }

    /// Names of the WAV files in the folder.
    pub(super) fn captures_on_disk(&self) -> Result<BTreeSet<String>> {
        let folder = self.folder.join(CAPTURES);
        let mut names = BTreeSet::new();
        for entry in fs::read_dir(&folder).map_err(|e| Error::io("look into the folder", &folder, &e))? {
            let path = entry
                .map_err(|e| Error::io("look into the folder", &folder, &e))?
                .path();
            let name = path.file_stem().map(|n| n.to_string_lossy().into_owned());
            if let Some(name) = name.filter(|_| path.extension().is_some_and(|e| e == "wav")) {
                names.insert(name);
            }
        }
        Ok(names)
    }
}

/// A job in a list; a damaged one has its error instead of its record.
#[derive(Debug)]
pub struct Listed {
    /// Its folder.
    pub folder: PathBuf,
    /// Its record, or why it cannot be read.
    pub record: Result<Record>,
}

/// The jobs under `root`, by name. A root that does not exist holds none.
///
/// # Errors
/// Where the root cannot be read.
pub fn list(root: &Path) -> Result<Vec<Listed>> {
    let folders = folders_under(root)?;
    Ok(folders
        .into_iter()
        .map(|folder| Listed {
            record: Job::read(&folder).map(|job| job.record),
            folder,
        })
        .collect())
}

fn folders_under(root: &Path) -> Result<Vec<PathBuf>> {
    let entries = match fs::read_dir(root) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(Error::io("look into the folder of jobs", root, &e)),
    };
    let mut folders = Vec::new();
    for entry in entries {
        let path = entry
            .map_err(|e| Error::io("look into the folder of jobs", root, &e))?
            .path();
        if path.join(RECORD).exists() || path.join(PREVIOUS).exists() {
            folders.push(path);
        }
    }
    folders.sort();
    Ok(folders)
}

fn no_record(folder: &Path, path: &Path, cause: &std::io::Error) -> Error {
    if cause.kind() == std::io::ErrorKind::NotFound {
        return Error::new(Kind::Unavailable, "there is no job in this folder")
            .at_path(folder)
            .next("name a job's folder, or open a job with `asleft job new`");
    }
    Error::io("read the record of the job", path, cause)
}

/// Says where the previous record is, if that one is whole.
fn point_to_previous(error: Error, folder: &Path) -> Error {
    let path = folder.join(PREVIOUS);
    let whole = fs::read_to_string(&path).is_ok_and(|text| record::Record::read(&text, &path).is_ok());
    if !whole {
        return error;
    }
    error.next(format!(
        "the previous record is intact at {}: copy it to {RECORD}; only what was written last is missing from it, \
         and every capture is still in {CAPTURES}",
        path.display()
    ))
}
