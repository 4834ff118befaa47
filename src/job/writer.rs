//! The one writer of a job's folder.

use super::capture::{self, Sidecar};
use super::folder::{CAPTURES, Job, PREVIOUS, RECORD};
use super::moment::Moment;
use super::record::{self, Record, StageKind, TakeRef};
use crate::atomic::{self, Existing};
use crate::error::{Error, Kind, Result};
use crate::figure::FigureId;
use crate::signal::fingerprint;
use crate::signal::source::Format;
use crate::signal::stimulus::Stimulus;
use crate::signal::take::Setup;
use std::fs::{self, File};
use std::path::Path;

const LOCK: &str = "job.lock";

/// A job opened for writing. The folder is locked as long as this lives; the operating system frees the lock when the
/// program ends, however it ends.
#[derive(Debug)]
pub struct Writer {
    job: Job,
    _lock: File,
}

/// What is known of a capture before it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct NewCapture<'a> {
    /// Stage that it belongs to.
    pub stage: StageKind,
    /// Measurement that it belongs to.
    pub measurement: &'a str,
    /// Figures that the measurement was asked for.
    pub figures: &'a [FigureId],
    /// When the recording ended.
    pub recorded: Moment,
    /// What was played.
    pub stimulus: Option<&'a Stimulus>,
    /// How the unit stood.
    pub setup: &'a Setup,
    /// Key of the rig's snapshot, from [`Record::keep_rig`].
    pub rig_sha256: Option<&'a str>,
    /// Made by the simulated bench.
    pub simulated: bool,
}

impl Writer {
    /// Makes a folder for `record` under `root` and opens it. A number is added to the job's name where that is taken.
    ///
    /// # Errors
    /// Where the record contradicts itself or the disk refuses.
    pub fn create(root: &Path, mut record: Record) -> Result<Self> {
        record.check()?;
        fs::create_dir_all(root).map_err(|e| Error::io("make the folder of jobs", root, &e))?;
        let wanted = record.id.clone();
        for number in 2..=1000 {
            let folder = root.join(&record.id);
            match fs::create_dir(&folder) {
                Ok(()) => return Self::begin(&folder, record),
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {
                    record.id = format!("{wanted}-{number}");
                }
                Err(e) => return Err(Error::io("make the job's folder", &folder, &e)),
            }
        }
        Err(
            Error::new(Kind::Value, format!("a thousand jobs are called \"{wanted}\""))
                .at_path(root)
                .next("move old ones away"),
        )
    }

    fn begin(folder: &Path, record: Record) -> Result<Self> {
        let captures = folder.join(CAPTURES);
        fs::create_dir(&captures).map_err(|e| Error::io("make the folder of captures", &captures, &e))?;
        let mut writer = Self {
            _lock: lock(folder)?,
            job: Job {
                folder: folder.to_owned(),
                record,
            },
        };
        writer.save()?;
        Ok(writer)
    }

    /// Opens the job in `folder` and removes what an interrupted write left behind.
    ///
    /// # Errors
    /// Where there is no job, another program is writing to it, its record is damaged, or the disk refuses.
    pub fn open(folder: &Path) -> Result<Self> {
        let job = Job::read(folder)?;
        let lock = lock(folder)?;
        let captures = folder.join(CAPTURES);
        fs::create_dir_all(&captures).map_err(|e| Error::io("make the folder of captures", &captures, &e))?;
        atomic::clean(folder)?;
        atomic::clean(&captures)?;
        // Read again: until the lock was held, another writer may have gone on.
        drop(job);
        let job = Job::read(folder)?;
        Ok(Self { job, _lock: lock })
    }

    /// The job as it is on the disk.
    pub fn job(&self) -> &Job {
        &self.job
    }

    /// Changes the record and writes it. Where the change is refused or the disk refuses, the record stays as it was.
    ///
    /// # Errors
    /// What `change` says, a contradiction in the record, or the disk's refusal.
    pub fn update<T>(&mut self, change: impl FnOnce(&mut Record) -> Result<T>) -> Result<T> {
        let before = self.job.record.clone();
        let done = change(&mut self.job.record).and_then(|value| {
            self.save()?;
            Ok(value)
        });
        if done.is_err() {
            self.job.record = before;
        }
        done
    }

    /// Writes a capture, its sidecar, and its line in the record, in this order; returns the capture's name.
    ///
    /// `write` puts the WAV file into the stream it is given and says what it wrote.
    ///
    /// # Errors
    /// What `write` says, or the disk's refusal; the record is then as it was before, and samples already whole are kept.
    pub fn add_capture(
        &mut self,
        new: &NewCapture<'_>,
        write: impl FnOnce(&mut File) -> Result<Format>,
    ) -> Result<String> {
        let capture = self.next_name(new.measurement)?;
        let samples = self.job.samples_path(&capture);
        let format = atomic::write(&samples, "write the recording", Existing::Keep, write)?;
        self.finish_capture(&capture, new, format)
    }

    /// The name and the path of the WAV file of a capture that is about to be recorded. Until [`Writer::finish_capture`]
    /// the file is an unfinished capture: kept, and used for no figure.
    ///
    /// # Errors
    /// Where `measurement` cannot name a file, or the folder cannot be read.
    pub fn begin_capture(&self, measurement: &str) -> Result<(String, std::path::PathBuf)> {
        let capture = self.next_name(measurement)?;
        let path = self.job.samples_path(&capture);
        Ok((capture, path))
    }

    /// Writes the sidecar of a capture whose samples are whole on the disk, then its line in the record; returns the
    /// capture's name.
    ///
    /// # Errors
    /// The disk's refusal; the record is then as it was before, and the samples are kept.
    pub fn finish_capture(&mut self, capture: &str, new: &NewCapture<'_>, format: Format) -> Result<String> {
        let capture = capture.to_owned();
        let samples = self.job.samples_path(&capture);
        let sidecar = Sidecar {
            schema: capture::SCHEMA.to_owned(),
            stage: new.stage,
            measurement: new.measurement.to_owned(),
            recorded: new.recorded,
            sha256: fingerprint::sha256_of(&samples)?,
            format,
            stimulus: new.stimulus.cloned(),
            setup: new.setup.clone(),
            rig_sha256: new.rig_sha256.map(str::to_owned),
            simulated: new.simulated,
        };
        let text = sidecar.to_text()?;
        atomic::replace(&self.job.sidecar_path(&capture), text.as_bytes())?;
        let take = TakeRef {
            capture: capture.clone(),
            sidecar_sha256: fingerprint::of_bytes(text.as_bytes()),
        };
        self.update(|record| {
            record
                .stage_mut(new.stage, new.recorded)
                .measurement_mut(new.measurement, new.figures)
                .takes
                .push(take);
            Ok(capture)
        })
    }

    /// Writes a file of the job other than its record: a report.
    ///
    /// # Errors
    /// Where the disk refuses; an older file of that name is then untouched.
    pub fn write_report(&self, name: &str, bytes: &[u8]) -> Result<std::path::PathBuf> {
        let path = self.job.folder.join(name);
        atomic::replace(&path, bytes)?;
        Ok(path)
    }

    /// Writes the record, after the one before was set aside whole.
    fn save(&mut self) -> Result<()> {
        let path = self.job.folder.join(RECORD);
        let text = self.job.record.to_text()?;
        // What cannot be read back must not replace what can.
        Record::read(&text, &path)?;
        match fs::read(&path) {
            Ok(before) => atomic::replace(&self.job.folder.join(PREVIOUS), &before)?,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => return Err(Error::io("read the record of the job", &path, &e)),
        }
        atomic::replace(&path, text.as_bytes())
    }

    /// `NNN-measurement`, with a number that no capture has, recorded or left over.
    fn next_name(&self, measurement: &str) -> Result<String> {
        let name = record::plain_name(measurement);
        if name.is_empty() {
            return Err(
                Error::new(Kind::Value, format!("\"{measurement}\" cannot name a capture"))
                    .next("use letters and digits"),
            );
        }
        let on_disk = self.job.captures_on_disk()?;
        let recorded = self.job.record.takes().map(|take| take.capture.as_str());
        let last = on_disk
            .iter()
            .map(String::as_str)
            .chain(recorded)
            .filter_map(|capture| capture.split('-').next()?.parse::<u32>().ok())
            .max();
        Ok(format!("{:03}-{name}", last.map_or(1, |n| n.saturating_add(1))))
    }
}

/// Takes the lock of the folder, without waiting.
fn lock(folder: &Path) -> Result<File> {
    let path = folder.join(LOCK);
    let file = File::options()
        .create(true)
        .write(true)
        .truncate(false)
        .open(&path)
        .map_err(|e| Error::io("open the job for writing", &path, &e))?;
    match fs4::FileExt::try_lock(&file) {
        Ok(()) => Ok(file),
        Err(fs4::TryLockError::WouldBlock) => Err(Error::new(
            Kind::Unavailable,
            "another window or program is writing to this job",
        )
        .at_path(folder)
        .next("finish there first; reading and `asleft job show` work meanwhile")),
        Err(fs4::TryLockError::Error(e)) => Err(Error::io("lock the job", &path, &e)),
    }
}
