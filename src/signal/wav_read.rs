//! Opens a recording: WAV in any of its forms, and through [`super::decoded`] FLAC and AIFF.

use super::decoded;
use super::pcm::{PcmSource, Store};
use super::riff::{self, Header};
use super::source::{BlockSource, Format};
use crate::error::{Error, Kind, Result};
use std::fs::File;
use std::io::{Cursor, Read, Seek};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Opens the recording at `path`: WAV (RIFF, RF64, BW64; 8 to 32 bits or float), FLAC, AIFF or AIFF-C. Only the header
/// of a WAV is read now; other formats are decoded once into an unnamed temporary file.
///
/// A file whose end is missing is read as far as it goes, and its [`BlockSource::notes`] say so.
///
/// # Errors
/// Where the file cannot be read, is none of these, its header is cut off or absurd, its coding is not supported, or
/// it holds no samples.
pub fn open(path: &Path) -> Result<Arc<dyn BlockSource>> {
    let cannot = |e: &std::io::Error| Error::io("read the recording", path, e);
    let mut file = File::open(path).map_err(|e| cannot(&e))?;
    let about = file.metadata().map_err(|e| cannot(&e))?;
    if about.is_dir() {
        return Err(Error::new(Kind::Io, "this is a folder, not a recording")
            .at_path(path)
            .next("name the files in it"));
    }
    let mut magic = Vec::new();
    file.by_ref()
        .take(12)
        .read_to_end(&mut magic)
        .map_err(|e| cannot(&e))?;
    file.rewind().map_err(|e| cannot(&e))?;
    match Container::of(&magic) {
        Container::Wav => wav(&mut file, about.len(), Store::Path(path.to_owned()), path),
        Container::Flac => decoded::open(file, decoded::Coding::Flac, path),
        Container::Aiff => decoded::open(file, decoded::Coding::Aiff, path),
        Container::Unknown => {
            let what = if magic.is_empty() {
                "the file is empty"
            } else {
                "this is not a WAV, FLAC or AIFF file"
            };
            Err(Error::new(Kind::Format, what).next(riff::EXPORT))
        }
    }
    .map_err(|e| if e.place().is_some() { e } else { e.at_path(path) })
}

/// Opens a WAV file that is held in memory; `name` is for messages.
///
/// # Errors
/// As [`open`].
pub fn from_bytes(bytes: &[u8], name: &str) -> Result<Arc<dyn BlockSource>> {
    let shared: Arc<[u8]> = bytes.into();
    let length = bytes.len() as u64;
    wav(
        &mut Cursor::new(bytes),
        length,
        Store::Memory(shared),
        Path::new(name),
    )
    .map_err(|e| e.at(name))
}

/// What a file is by its first bytes; its name's ending is not asked.
enum Container {
    Wav,
    Flac,
    Aiff,
    Unknown,
}

impl Container {
    fn of(magic: &[u8]) -> Self {
        let id = magic.get(..4).unwrap_or_default();
        let form = magic.get(8..12).unwrap_or_default();
        match (id, form) {
            // A WAV cut off within its first 12 bytes is a cut-off WAV, not an unknown file.
            (b"RIFF" | b"RF64" | b"BW64", b"WAVE" | b"") => Self::Wav,
            (b"fLaC", _) => Self::Flac,
            (b"FORM", b"AIFF" | b"AIFC") => Self::Aiff,
            _ => Self::Unknown,
        }
    }
}

fn wav(
    file: &mut (impl Read + Seek),
    length: u64,
    store: Store,
    path: &Path,
) -> Result<Arc<dyn BlockSource>> {
    let Header {
        layout,
        offset,
        frames,
        notes,
    } = riff::read_header(file, length)?;
    Ok(Arc::new(PcmSource {
        store,
        name: PathBuf::from(path),
        offset,
        sample: layout.sample,
        format: Format {
            sample_rate_hz: layout.sample_rate_hz,
            channels: layout.channels,
            frames,
            encoding: layout.encoding,
        },
        notes,
    }))
}
