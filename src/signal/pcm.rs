//! Blocks of interleaved samples, wherever their bytes are, decoded in bulk into planar `f64`.
//!
//! Analysis passes over a capture several times; one sample at a time through an iterator would cost more than the
//! analysis. The loops here run over fixed-size groups of bytes without a bounds check.

use super::source::{BlockReader, BlockSource, Format};
use crate::error::{Error, Result};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Bytes read at once: large enough for the operating system, small enough for the processor's cache.
const CHUNK_BYTES: usize = 256 * 1024;

/// How one sample lies in its bytes, least significant first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sample {
    /// 8 bits, unsigned, 128 is zero.
    U8,
    I16,
    I24,
    I32,
    F32,
    F64,
}

impl Sample {
    pub(super) fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::I16 => 2,
            Self::I24 => 3,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }
}

/// Where samples are.
#[derive(Debug, Clone)]
pub(super) enum Store {
    /// A file by its name.
    Path(PathBuf),
    /// A file without a name, which vanishes with its last reader.
    Unnamed(Arc<Mutex<File>>),
    /// Bytes in memory.
    Memory(Arc<[u8]>),
}

impl Store {
    /// Opens for reading.
    fn open(&self) -> io::Result<Bytes> {
        Ok(match self {
            Self::Path(path) => Bytes::File(File::open(path)?),
            Self::Unnamed(file) => Bytes::Shared(Arc::clone(file)),
            Self::Memory(bytes) => Bytes::Memory(Arc::clone(bytes)),
        })
    }
}

enum Bytes {
    File(File),
    Shared(Arc<Mutex<File>>),
    Memory(Arc<[u8]>),
}

impl Bytes {
    fn read_exact_at(&mut self, offset: u64, into: &mut [u8]) -> io::Result<()> {
        let read = |file: &mut File, into: &mut [u8]| {
            file.seek(SeekFrom::Start(offset))?;
            file.read_exact(into)
        };
        match self {
            Self::File(file) => read(file, into),
            // Position and read belong together; a panic elsewhere leaves nothing half done that matters here.
            Self::Shared(file) => read(&mut file.lock().unwrap_or_else(PoisonError::into_inner), into),
            Self::Memory(bytes) => {
                let start = usize::try_from(offset).unwrap_or(usize::MAX);
                let end = start.saturating_add(into.len());
                let there = bytes.get(start..end).ok_or(io::ErrorKind::UnexpectedEof)?;
                into.copy_from_slice(there);
                Ok(())
            }
        }
    }
}

/// Interleaved samples in a store.
#[derive(Debug, Clone)]
pub(super) struct PcmSource {
    pub(super) store: Store,
    /// The file's name, for messages.
    pub(super) name: PathBuf,
    /// Offset of the first sample, bytes.
    pub(super) offset: u64,
    pub(super) sample: Sample,
    pub(super) format: Format,
    pub(super) notes: Vec<String>,
}

impl BlockSource for PcmSource {
    fn format(&self) -> Format {
        self.format
    }

    fn open(&self) -> Result<Box<dyn BlockReader>> {
        let bytes = self.store.open().map_err(|e| read_error(&self.name, &e))?;
        Ok(Box::new(PcmReader {
            bytes,
            name: self.name.clone(),
            offset: self.offset,
            sample: self.sample,
            format: self.format,
            buffer: Vec::new(),
        }))
    }

    fn notes(&self) -> Vec<String> {
        self.notes.clone()
    }
}

struct PcmReader {
    bytes: Bytes,
    name: PathBuf,
    offset: u64,
    sample: Sample,
    format: Format,
    buffer: Vec<u8>,
}

impl BlockReader for PcmReader {
    fn read(&mut self, first: u64, planes: &mut [&mut [f64]]) -> Result<usize> {
        let wanted = planes.iter().map(|p| p.len()).min().unwrap_or(0);
        let there = usize::try_from(self.format.frames.saturating_sub(first)).unwrap_or(usize::MAX);
        let total = wanted.min(there);
        let frame_bytes = self.sample.bytes() * self.format.channels;
        let at_once = (CHUNK_BYTES / frame_bytes).max(1);
        let mut done = 0;
        while done < total {
            let count = at_once.min(total - done);
            self.buffer.resize(count * frame_bytes, 0);
            let offset = self.offset + (first + done as u64) * frame_bytes as u64;
            self.bytes
                .read_exact_at(offset, &mut self.buffer)
                .map_err(|e| read_error(&self.name, &e))?;
            decode(self.sample, &self.buffer, self.format.channels, planes, done);
            done += count;
        }
        Ok(total)
    }
}

fn read_error(name: &Path, cause: &io::Error) -> Error {
    Error::io("read the samples", name, cause)
}

/// Decodes whole frames from `bytes` into `planes`, from index `at` on.
fn decode(sample: Sample, bytes: &[u8], channels: usize, planes: &mut [&mut [f64]], at: usize) {
    let full_scale_32 = (-31f64).exp2();
    match sample {
        Sample::U8 => spread(bytes, channels, planes, at, |[b]| (f64::from(b) - 128.0) / 128.0),
        Sample::I16 => {
            let full_scale_16 = (-15f64).exp2();
            spread(bytes, channels, planes, at, |b| {
                f64::from(i16::from_le_bytes(b)) * full_scale_16
            });
        }
        // Three bytes are the upper ones of four: the sign comes out right and the scale is that of 32 bits.
        Sample::I24 => spread(bytes, channels, planes, at, |[a, b, c]| {
            f64::from(i32::from_le_bytes([0, a, b, c])) * full_scale_32
        }),
        Sample::I32 => spread(bytes, channels, planes, at, |b| {
            f64::from(i32::from_le_bytes(b)) * full_scale_32
        }),
        Sample::F32 => spread(bytes, channels, planes, at, |b| f64::from(f32::from_le_bytes(b))),
        Sample::F64 => spread(bytes, channels, planes, at, f64::from_le_bytes),
    }
}

/// Converts each sample of `N` bytes and hands it to its channel. Channels without a plane are skipped.
fn spread<const N: usize>(
    bytes: &[u8],
    channels: usize,
    planes: &mut [&mut [f64]],
    at: usize,
    convert: impl Fn([u8; N]) -> f64,
) {
    let (samples, _) = bytes.as_chunks::<N>();
    if let (2, [left, right]) = (channels, &mut *planes) {
        // Stereo in one pass over the bytes; this is nearly every capture.
        let (frames, _) = samples.as_chunks::<2>();
        for (([l, r], left), right) in frames.iter().zip(&mut left[at..]).zip(&mut right[at..]) {
            *left = convert(*l);
            *right = convert(*r);
        }
        return;
    }
    for (channel, plane) in planes.iter_mut().enumerate().take(channels) {
        let own = samples.iter().skip(channel).step_by(channels);
        for (value, s) in plane[at..].iter_mut().zip(own) {
            *value = convert(*s);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(sample: Sample, bytes: &[u8]) -> f64 {
        let mut out = [0.0];
        decode(sample, bytes, 1, &mut [&mut out[..]], 0);
        out[0]
    }

    #[test]
    fn codes_have_the_scale_of_their_width() {
        // WAV (IBM and Microsoft, 1991): 8 bits unsigned with 128 as zero, more bits two's complement.
        assert_eq!(one(Sample::U8, &[128]).to_bits(), 0f64.to_bits());
        assert_eq!(one(Sample::U8, &[0]).to_bits(), (-1f64).to_bits());
        assert_eq!(one(Sample::I16, &[0, 0x80]).to_bits(), (-1f64).to_bits());
        assert_eq!(
            one(Sample::I16, &[0xff, 0x7f]).to_bits(),
            (32_767.0 / 32_768f64).to_bits()
        );
        assert_eq!(one(Sample::I24, &[0, 0, 0x80]).to_bits(), (-1f64).to_bits());
        assert_eq!(one(Sample::I24, &[1, 0, 0]).to_bits(), (-23f64).exp2().to_bits());
        assert_eq!(
            one(Sample::I24, &[0xff; 3]).to_bits(),
            (-(-23f64).exp2()).to_bits()
        );
        assert_eq!(
            one(Sample::I32, &[1, 0, 0, 0]).to_bits(),
            (-31f64).exp2().to_bits()
        );
    }

    #[test]
    fn three_channels_are_told_apart_and_two_planes_may_be_asked_for() {
        let bytes: Vec<u8> = (1i16..=6).flat_map(i16::to_le_bytes).collect();
        let (mut a, mut b) = (vec![0.0; 2], vec![0.0; 2]);
        decode(Sample::I16, &bytes, 3, &mut [&mut a[..], &mut b[..]], 0);
        let scaled = |x: &[f64]| x.iter().map(|v| v * 32_768.0).collect::<Vec<_>>();
        assert_eq!(scaled(&a), [1.0, 4.0]);
        assert_eq!(scaled(&b), [2.0, 5.0]);
    }
}
