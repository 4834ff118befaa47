//! A WAV file that is written while the samples arrive, and can be read at any moment.
//!
//! Until [`WavStream::finish`] the header gives its lengths as "not known" (all bits set), which readers take as "up to
//! the end of the file". Room is kept for the 64-bit lengths of RF64, so that a file that passes 4 GiB only has its
//! header rewritten (EBU Tech 3306, "RF64: An extended file format for audio", 2009).
//!
//! While a recording runs, what was written is handed to the operating system four times a second, which keeps it where
//! this program ends, however it ends. The disk itself is waited for only when the recording is over: it may take a
//! second, in which nobody would watch over what is played. A power cut can therefore cost the end of the take that runs.

use super::source::{Encoding, Format};
use crate::error::{Error, Kind, Result};
use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Bytes before the first sample.
const HEADER: usize = 80;
/// A 32-bit length that says "not known" or "see the 64-bit one".
const UNKNOWN: u32 = u32::MAX;
/// Times a second that the operating system is given what was written.
const FLUSHES_PER_S: u64 = 4;

/// A recording on its way to the disk.
#[derive(Debug)]
pub struct WavStream {
    path: PathBuf,
    file: BufWriter<File>,
    format: Format,
    flushed: u64,
}

impl WavStream {
    /// Starts a new file at `path`; `format.frames` is not used.
    ///
    /// # Errors
    /// Where there is such a file already, the encoding is not 16, 24, 32 bits or 32-bit float, or the disk refuses.
    pub fn create(path: &Path, format: Format) -> Result<Self> {
        let known = matches!(format.encoding, Encoding::Int(16 | 24 | 32) | Encoding::Float(32));
        if !known || !(1..=super::source::MOST_CHANNELS).contains(&format.channels) {
            return Err(Error::new(
                Kind::Value,
                "samples are recorded as 16, 24 or 32 bits or 32-bit float, on 1 to 64 channels",
            )
            .at_path(path)
            .next("choose another format of the interface"));
        }
        let file = File::options()
            .write(true)
            .create_new(true)
            .open(path)
            .map_err(|e| Error::io("start the recording", path, &e))?;
        let mut stream = Self {
            path: path.to_owned(),
            file: BufWriter::with_capacity(64 * 1024, file),
            format: Format { frames: 0, ..format },
            flushed: 0,
        };
        let header = stream.header(None);
        stream.put(&header)?;
        Ok(stream)
    }

    /// Shape of what was written so far.
    pub fn format(&self) -> Format {
        self.format
    }

    /// Appends frames, planar, one slice a channel of equal length, full scale ±1. Integers are rounded to the nearest
    /// code and held at the ends, without dither: what a converter delivered comes out as it was.
    ///
    /// # Errors
    /// Where the disk refuses; the file then holds what was written before.
    pub fn write(&mut self, planes: &[&[f64]]) -> Result<()> {
        let frames = planes.iter().map(|p| p.len()).min().unwrap_or(0);
        let mut bytes = Vec::with_capacity(frames * self.frame_bytes());
        for frame in 0..frames {
            for plane in planes {
                encode(plane[frame], self.format.encoding, &mut bytes);
            }
        }
        self.put(&bytes)?;
        self.format.frames += frames as u64;
        if FLUSHES_PER_S * (self.format.frames - self.flushed) >= u64::from(self.format.sample_rate_hz) {
            self.flushed = self.format.frames;
            self.file
                .flush()
                .map_err(|e| Error::io("write the recording", &self.path, &e))?;
        }
        Ok(())
    }

    /// Writes the true lengths into the header and waits until the disk has everything.
    ///
    /// # Errors
    /// Where the disk refuses; the file can be read even so.
    pub fn finish(mut self) -> Result<Format> {
        let bytes = self.format.frames * self.frame_bytes() as u64;
        let header = self.header(Some(bytes));
        if bytes % 2 == 1 {
            self.put(&[0])?;
        }
        self.file
            .seek(SeekFrom::Start(0))
            .map_err(|e| Error::io("finish the recording", &self.path, &e))?;
        self.put(&header)?;
        self.keep()?;
        Ok(self.format)
    }

    fn put(&mut self, bytes: &[u8]) -> Result<()> {
        self.file
            .write_all(bytes)
            .map_err(|e| Error::io("write the recording", &self.path, &e))
    }

    fn keep(&mut self) -> Result<()> {
        self.file
            .flush()
            .and_then(|()| self.file.get_ref().sync_data())
            .map_err(|e| Error::io("keep the recording on the disk", &self.path, &e))
    }

    fn frame_bytes(&self) -> usize {
        let bits = match self.format.encoding {
            Encoding::Int(bits) | Encoding::Float(bits) => bits,
        };
        self.format.channels * usize::from(bits / 8)
    }

    /// The header for `data` bytes of samples; `None` while they are not known.
    fn header(&self, data: Option<u64>) -> Vec<u8> {
        let riff = data.map(|d| d + d % 2 + HEADER as u64 - 8);
        let short = |length: Option<u64>| {
            length
                .and_then(|l| u32::try_from(l).ok())
                .filter(|l| *l < UNKNOWN)
                .unwrap_or(UNKNOWN)
        };
        let large = riff.is_some_and(|r| r >= u64::from(UNKNOWN));
        let (bits, tag) = match self.format.encoding {
            Encoding::Int(bits) => (bits, 1u16),
            Encoding::Float(bits) => (bits, 3u16),
        };
        #[allow(
            clippy::cast_possible_truncation,
            reason = "at most 64 channels of 4 bytes, checked when the file was started"
        )]
        let (channels, frame_bytes) = (self.format.channels as u16, self.frame_bytes() as u16);
        let rate = self.format.sample_rate_hz;
        let mut out = Vec::with_capacity(HEADER);
        out.extend_from_slice(if large { b"RF64" } else { b"RIFF" });
        out.extend_from_slice(&short(riff).to_le_bytes());
        out.extend_from_slice(b"WAVE");
        out.extend_from_slice(if large { b"ds64" } else { b"JUNK" });
        out.extend_from_slice(&28u32.to_le_bytes());
        let long = |length: u64| if large { length } else { 0 };
        out.extend_from_slice(&long(riff.unwrap_or(0)).to_le_bytes());
        out.extend_from_slice(&long(data.unwrap_or(0)).to_le_bytes());
        out.extend_from_slice(&long(self.format.frames).to_le_bytes());
        out.extend_from_slice(&[0; 4]);
        out.extend_from_slice(b"fmt ");
        out.extend_from_slice(&16u32.to_le_bytes());
        out.extend_from_slice(&tag.to_le_bytes());
        out.extend_from_slice(&channels.to_le_bytes());
        out.extend_from_slice(&rate.to_le_bytes());
        out.extend_from_slice(&(rate * u32::from(frame_bytes)).to_le_bytes());
        out.extend_from_slice(&frame_bytes.to_le_bytes());
        out.extend_from_slice(&bits.to_le_bytes());
        out.extend_from_slice(b"data");
        out.extend_from_slice(&short(data).to_le_bytes());
        out
    }
}

impl Drop for WavStream {
    fn drop(&mut self) {
        // Also where a take ends by an error, what was written is on the disk. Nobody is left to be told of a failure.
        let _ = self.keep();
    }
}

fn encode(value: f64, encoding: Encoding, out: &mut Vec<u8>) {
    match encoding {
        #[allow(
            clippy::cast_possible_truncation,
            reason = "rounding to f32 is what is asked for"
        )]
        Encoding::Float(_) => out.extend_from_slice(&(value as f32).to_le_bytes()),
        Encoding::Int(bits) => {
            let full_scale = f64::from(bits - 1).exp2();
            #[allow(
                clippy::cast_possible_truncation,
                reason = "held within 32 bits in the same expression"
            )]
            let code = (value * full_scale).round().clamp(-full_scale, full_scale - 1.0) as i32;
            out.extend_from_slice(&code.to_le_bytes()[..usize::from(bits / 8)]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::wav_read;

    fn format(encoding: Encoding) -> Format {
        Format {
            sample_rate_hz: 48_000,
            channels: 2,
            frames: 0,
            encoding,
        }
    }

    #[test]
    fn what_was_written_comes_back_bit_for_bit_finished_or_not() {
        let folder = tempfile::tempdir().unwrap();
        for (encoding, step) in [
            (Encoding::Int(16), (-15f64).exp2()),
            (Encoding::Int(24), (-23f64).exp2()),
            (Encoding::Int(32), (-31f64).exp2()),
            (Encoding::Float(32), (-20f64).exp2()),
        ] {
            let left: Vec<f64> = (0..1000).map(|n| f64::from(n - 500) * step).collect();
            let right: Vec<f64> = left.iter().map(|x| -x).collect();
            for finished in [true, false] {
                let path = folder.path().join(format!("{encoding:?}-{finished}.wav"));
                let mut stream = WavStream::create(&path, format(encoding)).unwrap();
                stream.write(&[&left, &right]).unwrap();
                if finished {
                    assert_eq!(stream.finish().unwrap().frames, 1000);
                } else {
                    drop(stream);
                }
                let read = wav_read::open(&path).unwrap();
                assert_eq!(read.format().frames, 1000, "{encoding:?}");
                assert_eq!(read.format().encoding, encoding);
                assert_eq!(read.notes().is_empty(), finished);
                let mut planes = [vec![0.0; 1000], vec![0.0; 1000]];
                let [a, b] = &mut planes;
                read.open().unwrap().read(0, &mut [a, b]).unwrap();
                assert_eq!(planes, [left.clone(), right.clone()], "{encoding:?}");
            }
        }
    }

    /// What another program sees while the recording runs, is what stays where this one is killed.
    #[test]
    fn a_running_recording_lacks_a_quarter_of_a_second_at_most() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("running.wav");
        let mut stream = WavStream::create(&path, format(Encoding::Int(16))).unwrap();
        let block = [0.25; 1024];
        for blocks in 1..=200u64 {
            stream.write(&[&block, &block]).unwrap();
            let there = wav_read::open(&path).map_or(0, |read| read.format().frames);
            assert!(
                there + 12_000 >= 1024 * blocks,
                "{there} frames of {}",
                1024 * blocks
            );
        }
    }

    #[test]
    fn past_four_gigabytes_the_header_has_64_bit_lengths() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.wav");
        let mut stream = WavStream::create(&path, format(Encoding::Int(24))).unwrap();
        // 6 bytes a frame: the header of 5 GiB, without the samples.
        stream.format.frames = 900_000_000;
        let header = stream.header(Some(5_400_000_000));
        assert_eq!(header.len(), HEADER);
        assert_eq!(&header[..4], b"RF64");
        assert_eq!(&header[4..8], [255; 4]);
        assert_eq!(&header[12..16], b"ds64");
        assert_eq!(&header[28..36], 5_400_000_000u64.to_le_bytes());
        assert_eq!(&header[36..44], 900_000_000u64.to_le_bytes());
        assert_eq!(&header[76..80], [255; 4]);
    }

    #[test]
    fn an_older_recording_is_never_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        std::fs::write(&path, "kept").unwrap();
        assert!(WavStream::create(&path, format(Encoding::Int(24))).is_err());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "kept");
    }
}
