//! The header of a WAV file: RIFF, and RF64/BW64 for more than 4 GiB (EBU Tech 3306, ITU-R BS.2088).
//!
//! Recorders write what they like before the samples (`bext`, `JUNK`, `iXML`, …) and leave headers unfinished when the
//! power goes. This walk skips what it does not know, believes the file's real length before the header's, and refuses
//! only what leaves the samples' layout in doubt.

use super::pcm::Sample;
use super::source::{Encoding, MOST_CHANNELS, SAMPLE_RATES_HZ};
use crate::error::{Error, Kind, Result};
use std::io::{ErrorKind, Read, Seek, SeekFrom};

/// More chunks than any real file has before its samples.
const MOST_CHUNKS: usize = 10_000;

/// A 32-bit length that says "see elsewhere" or "not known".
const UNKNOWN: u64 = u32::MAX as u64;

/// What the header says, checked against the file's length.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Header {
    pub(super) layout: Layout,
    /// Offset of the first sample.
    pub(super) offset: u64,
    /// Whole frames that are there.
    pub(super) frames: u64,
    pub(super) notes: Vec<String>,
}

/// How frames lie in their bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Layout {
    pub(super) sample_rate_hz: u32,
    pub(super) channels: usize,
    pub(super) sample: Sample,
    pub(super) encoding: Encoding,
}

/// Where the samples are, before their layout is known to fit.
struct Data {
    offset: u64,
    declared: u64,
}

/// Reads the header of a file of `length` bytes.
///
/// # Errors
/// Where the file is no WAV, its header is cut off or absurd, its coding is not PCM or float, or no frame is there.
pub(super) fn read_header(file: &mut (impl Read + Seek), length: u64) -> Result<Header> {
    let mut walk = Walk { file, length };
    let top = walk.bytes::<12>(0)?;
    let large = match (&top[..4], &top[8..]) {
        (b"RIFF", b"WAVE") => false,
        (b"RF64" | b"BW64", b"WAVE") => true,
        _ => return Err(format_error("this is not a WAV file", EXPORT)),
    };
    let riff_size = u64::from(u32_at(&top, 4));
    let (mut at, mut layout, mut data, mut large_data) = (12, None, None, None);
    for _ in 0..MOST_CHUNKS {
        if at + 8 > length {
            break;
        }
        let head = walk.bytes::<8>(at)?;
        let size = u64::from(u32_at(&head, 4));
        match &head[..4] {
            b"ds64" if large => large_data = Some(u64::from_le_bytes(walk.bytes(at + 16)?)),
            b"fmt " if layout.is_none() => layout = Some(walk.layout(at + 8, size)?),
            b"data" if data.is_none() => {
                let declared = if size == UNKNOWN {
                    large_data.unwrap_or(size)
                } else {
                    size
                };
                data = Some(Data {
                    offset: at + 8,
                    declared,
                });
            }
            _ => {}
        }
        if let (Some(layout), Some(data)) = (layout, &data) {
            let unfinished =
                !large && (riff_size == 0 || riff_size == UNKNOWN || riff_size < data.offset - 8);
            return finish(layout, data, length, unfinished);
        }
        at = walk.after(at + 8, size)?;
    }
    let what = match (layout, data) {
        (None, _) => "the header ends before it says how the samples are stored",
        (Some(_), _) => "the header ends before the samples begin",
    };
    Err(format_error(
        what,
        "the file was cut off; copy it again from the recorder, or record again",
    ))
}

/// The next step where a file is in a format that is not read.
pub(super) const EXPORT: &str =
    "export the capture as WAV with 16, 24 or 32 bits or float, or as FLAC or AIFF";

fn format_error(what: impl Into<String>, next: &str) -> Error {
    Error::new(Kind::Format, what).next(next)
}

/// Compares what is declared with what is there.
fn finish(layout: Layout, data: &Data, length: u64, unfinished: bool) -> Result<Header> {
    let frame = (layout.sample.bytes() * layout.channels) as u64;
    let there = length - data.offset;
    let mut notes = Vec::new();
    let never_counted = data.declared == UNKNOWN || (data.declared == 0 && unfinished);
    let bytes = if never_counted {
        notes.push(
            "the recorder never finished the header; everything up to the end of the file was read"
                .to_owned(),
        );
        there
    } else if data.declared > there {
        let missing = (data.declared - there).div_ceil(frame);
        notes.push(format!(
            "the end of the file is missing: {missing} of {} frames",
            data.declared / frame
        ));
        there
    } else {
        data.declared
    };
    let frames = bytes / frame;
    if frames == 0 {
        return Err(format_error(
            "the file has a header but no samples",
            "record again; check that the recorder was stopped properly and the disk is not full",
        ));
    }
    Ok(Header {
        layout,
        offset: data.offset,
        frames,
        notes,
    })
}

/// Reads at any offset.
struct Walk<'a, F> {
    file: &'a mut F,
    length: u64,
}

impl<F: Read + Seek> Walk<'_, F> {
    fn bytes<const N: usize>(&mut self, at: u64) -> Result<[u8; N]> {
        let mut bytes = [0; N];
        self.file
            .seek(SeekFrom::Start(at))
            .and_then(|_| self.file.read_exact(&mut bytes))
            .map_err(|cause| match cause.kind() {
                ErrorKind::UnexpectedEof => format_error(
                    "the header is cut off",
                    "copy the file again from the recorder, or record again",
                ),
                _ => Error::new(Kind::Io, format!("could not read the header: {cause}"))
                    .next("check the disk, then run the same command again"),
            })?;
        Ok(bytes)
    }

    /// Where the chunk after one of `size` bytes at `body` begins. Chunks are padded to even lengths, but not by
    /// every writer; no chunk's name begins with the zero of a pad.
    fn after(&mut self, body: u64, size: u64) -> Result<u64> {
        let end = body + size;
        let padded = size % 2 == 1 && end < self.length && self.bytes::<1>(end)? == [0];
        Ok(if padded { end + 1 } else { end })
    }

    /// Reads a `fmt ` chunk.
    fn layout(&mut self, at: u64, size: u64) -> Result<Layout> {
        if size < 16 {
            return Err(absurd(&format!("a format description of {size} bytes")));
        }
        let plain = self.bytes::<16>(at)?;
        let mut tag = u16_at(&plain, 0);
        let mut valid_bits = u16_at(&plain, 14);
        if tag == EXTENSIBLE {
            if size < 40 {
                return Err(absurd(&format!("an extended format description of {size} bytes")));
            }
            let extension = self.bytes::<24>(at + 16)?;
            if extension[10..] != SUBFORMAT_TAIL {
                return Err(format_error("the samples are in a coding of their own", EXPORT));
            }
            tag = u16_at(&extension, 8);
            let stated = u16_at(&extension, 2);
            if stated > 0 && stated < valid_bits {
                valid_bits = stated;
            }
        }
        Fields {
            tag,
            channels: u16_at(&plain, 2),
            sample_rate_hz: u32_at(&plain, 4),
            frame_bytes: u16_at(&plain, 12),
            bits: u16_at(&plain, 14),
            valid_bits,
        }
        .check()
    }
}

const INTEGER: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xfffe;

/// What follows the two bytes of the tag in the subformat of an extensible header (RFC 2361).
const SUBFORMAT_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71,
];

/// The numbers of a `fmt ` chunk.
struct Fields {
    tag: u16,
    channels: u16,
    sample_rate_hz: u32,
    frame_bytes: u16,
    bits: u16,
    valid_bits: u16,
}

impl Fields {
    fn check(&self) -> Result<Layout> {
        let channels = usize::from(self.channels);
        if channels == 0 || channels > MOST_CHANNELS {
            return Err(absurd(&format!(
                "{channels} channels (1 to {MOST_CHANNELS} are read)"
            )));
        }
        if !SAMPLE_RATES_HZ.contains(&self.sample_rate_hz) {
            let (low, high) = (SAMPLE_RATES_HZ.start(), SAMPLE_RATES_HZ.end());
            let rate = self.sample_rate_hz;
            return Err(absurd(&format!(
                "a sample rate of {rate} Hz ({low} to {high} Hz are read)"
            )));
        }
        let (sample, encoding) = self.sample()?;
        Ok(Layout {
            sample_rate_hz: self.sample_rate_hz,
            channels,
            sample,
            encoding,
        })
    }

    /// The kind of sample, from its coding and the bytes it takes; fewer significant bits than bytes hold are
    /// aligned to the most significant.
    fn sample(&self) -> Result<(Sample, Encoding)> {
        let bytes = self.frame_bytes / self.channels;
        let even = self.frame_bytes.is_multiple_of(self.channels);
        let known = match (self.tag, bytes) {
            (INTEGER, 1) => Some((Sample::U8, Encoding::Int(self.valid_bits))),
            (INTEGER, 2) => Some((Sample::I16, Encoding::Int(self.valid_bits))),
            (INTEGER, 3) => Some((Sample::I24, Encoding::Int(self.valid_bits))),
            (INTEGER, 4) => Some((Sample::I32, Encoding::Int(self.valid_bits))),
            (FLOAT, 4) => Some((Sample::F32, Encoding::Float(32))),
            (FLOAT, 8) => Some((Sample::F64, Encoding::Float(64))),
            (INTEGER | FLOAT, _) => None,
            (tag, _) => return Err(unsupported(tag)),
        };
        let float = self.tag == FLOAT;
        let fits = |bytes: u16| {
            if float {
                self.bits == bytes * 8
            } else {
                self.bits <= bytes * 8
            }
        };
        match known {
            Some(found) if even && fits(bytes) && self.valid_bits >= 8 => Ok(found),
            _ => Err(absurd(&format!(
                "frames of {} bytes for {} channels of {} bits",
                self.frame_bytes, self.channels, self.bits
            ))),
        }
    }
}

fn absurd(what: &str) -> Error {
    format_error(
        format!("the header makes no sense: {what}"),
        "the file is damaged or not audio; record or export it again",
    )
}

/// Names a coding that is not read (registered in RFC 2361 and its successors).
fn unsupported(tag: u16) -> Error {
    let name = match tag {
        0x0002 => "Microsoft ADPCM",
        0x0006 => "A-law",
        0x0007 => "µ-law",
        0x0011 => "IMA ADPCM",
        0x0031 => "GSM 6.10",
        0x0050 => "MPEG audio",
        0x0055 => "MP3",
        0x0092 => "AC-3 over S/PDIF",
        0x0161..=0x0163 => "Windows Media Audio",
        0x00ff => "AAC",
        0x2000 => "AC-3",
        0xf1ac => "FLAC inside WAV",
        _ => "",
    };
    let what = if name.is_empty() {
        format!("the samples are coded in an unknown way (number {tag:#06x})")
    } else {
        format!("the samples are coded as {name}, which loses or hides what is to be measured")
    };
    format_error(what, EXPORT)
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
}
