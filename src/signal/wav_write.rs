//! Writes a recording as WAV: 16 or 24 bits with dither, or 32-bit float.
//!
//! Integers are rounded after triangular dither of ±1 step, the sum of two uniform random numbers of one step each
//! (S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, "Quantization and Dither: A Theoretical Survey", J. Audio
//! Eng. Soc. 40(5), 1992): mean and power of the total error no longer depend on the signal, so that a faint tone keeps its level and
//! makes no harmonics. The error's power is q²/4. Silence is dithered too, which keeps converters from muting while
//! their noise is measured.

use super::random::Random;
use super::source::{BlockSource, Format};
use crate::atomic::{self, Existing};
use crate::error::{Error, Kind, Result};
use hound::{SampleFormat, WavSpec, WavWriter};
use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

/// Frames converted at once.
const BLOCK: usize = 16_384;

/// The stream of random numbers that dithers every file: the same input gives the same file.
const DITHER_SEED: u64 = 0x6469_7468_6572;

/// Room for any header below 4 GiB.
const MOST_BYTES: u64 = u32::MAX as u64 - 1024;

/// How samples are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WriteFormat {
    /// 16-bit integers, dithered.
    Int16,
    /// 24-bit integers, dithered.
    Int24,
    /// 32-bit floats.
    Float32,
    /// The codes that a converter of this many bits (16 or 24) delivered, as they are: its own noise has dithered them.
    Codes(u16),
}

impl WriteFormat {
    /// Bits a sample.
    pub fn bits(self) -> u16 {
        match self {
            Self::Int16 => 16,
            Self::Int24 => 24,
            Self::Float32 => 32,
            Self::Codes(bits) => bits,
        }
    }
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WriteSummary {
    /// Frames.
    pub frames: u64,
    /// Channels.
    pub channels: usize,
    /// Samples that were beyond the largest code and were written as it, one entry a channel. Floats never clip.
    pub clipped: Vec<u64>,
}

/// Writes all of `source` to a new file at `path`, which is there afterwards as a whole or not at all.
///
/// # Errors
/// As [`atomic::write`]; where the source cannot be read or holds a value that is no number; where the file would
/// exceed 4 GiB.
pub fn write(
    path: &Path,
    source: &dyn BlockSource,
    as_format: WriteFormat,
    existing: Existing,
) -> Result<WriteSummary> {
    atomic::write(path, "write the recording", existing, |file| {
        write_into(file, path, source, as_format)
    })
}

/// Writes all of `source` into an open, empty `file`; `path` is its name in messages.
///
/// # Errors
/// As [`fn@write`], but for those of the file's name.
pub fn write_into(
    file: &mut File,
    path: &Path,
    source: &dyn BlockSource,
    as_format: WriteFormat,
) -> Result<WriteSummary> {
    let format = source.format();
    let spec = specification(&format, as_format).map_err(|e| e.at_path(path))?;
    let mut conversion = Conversion {
        writer: WavWriter::new(BufWriter::with_capacity(256 * 1024, file), spec)
            .map_err(|e| write_error(path, e))?,
        path,
        as_format,
        random: Random::stream(DITHER_SEED, 0),
        clipped: vec![0; format.channels],
    };
    conversion.copy(source)?;
    let clipped = conversion.clipped;
    conversion.writer.finalize().map_err(|e| write_error(path, e))?;
    Ok(WriteSummary {
        frames: format.frames,
        channels: format.channels,
        clipped,
    })
}

fn specification(format: &Format, as_format: WriteFormat) -> Result<WavSpec> {
    let channels = u16::try_from(format.channels)
        .ok()
        .filter(|c| *c > 0)
        .ok_or_else(|| {
            Error::new(
                Kind::Value,
                format!("{} channels cannot be written", format.channels),
            )
        })?;
    let frame_bytes = u64::from(channels) * u64::from(as_format.bits() / 8);
    if format.frames.saturating_mul(frame_bytes) > MOST_BYTES {
        #[allow(clippy::cast_precision_loss, reason = "for a message in whole seconds")]
        let longest = (MOST_BYTES / frame_bytes) as f64 / f64::from(format.sample_rate_hz);
        return Err(Error::new(
            Kind::Value,
            "the recording is longer than the 4 GiB of a WAV file",
        )
        .next(format!(
            "at most {longest:.0} s fit; choose a shorter time or a lower sample rate"
        )));
    }
    Ok(WavSpec {
        channels,
        sample_rate: format.sample_rate_hz,
        bits_per_sample: as_format.bits(),
        sample_format: match as_format {
            WriteFormat::Float32 => SampleFormat::Float,
            WriteFormat::Int16 | WriteFormat::Int24 | WriteFormat::Codes(_) => SampleFormat::Int,
        },
    })
}

/// A file on its way.
struct Conversion<'a> {
    writer: WavWriter<BufWriter<&'a mut File>>,
    path: &'a Path,
    as_format: WriteFormat,
    random: Random,
    clipped: Vec<u64>,
}

impl Conversion<'_> {
    fn copy(&mut self, source: &dyn BlockSource) -> Result<()> {
        let format = source.format();
        let mut reader = source.open()?;
        let mut planes = vec![vec![0.0; BLOCK]; format.channels];
        let mut first = 0;
        while first < format.frames {
            let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
            let got = reader.read(first, &mut slices)?;
            if got == 0 {
                return Err(Error::new(Kind::Io, "the source ended before its stated length")
                    .at_path(self.path)
                    .next("run the same command again"));
            }
            for frame in 0..got {
                self.push(planes.iter().map(|plane| plane[frame]))?;
            }
            first += got as u64;
        }
        Ok(())
    }

    fn push(&mut self, frame: impl Iterator<Item = f64>) -> Result<()> {
        for (channel, value) in frame.enumerate() {
            if !value.is_finite() {
                return Err(
                    Error::new(Kind::Value, "the source holds a value that is no number")
                        .at_path(self.path)
                        .next("check what it was made from"),
                );
            }
            let written = match self.as_format {
                #[allow(
                    clippy::cast_possible_truncation,
                    reason = "rounding to f32 is what is asked for"
                )]
                WriteFormat::Float32 => self.writer.write_sample(value as f32),
                WriteFormat::Int16 | WriteFormat::Int24 | WriteFormat::Codes(_) => {
                    let dither = match self.as_format {
                        WriteFormat::Codes(_) => 0.0,
                        _ => 0.5 * (self.random.symmetric() + self.random.symmetric()),
                    };
                    let (code, clipped) = quantise(value, dither, self.as_format.bits());
                    self.clipped[channel] += u64::from(clipped);
                    self.writer.write_sample(code)
                }
            };
            written.map_err(|e| write_error(self.path, e))?;
        }
        Ok(())
    }
}

/// The nearest code to `value` plus `dither` (in steps), and whether it had to be limited.
fn quantise(value: f64, dither: f64, bits: u16) -> (i32, bool) {
    let full_scale = f64::from(bits - 1).exp2();
    let wanted = (value * full_scale + dither).round();
    let held = wanted.clamp(-full_scale, full_scale - 1.0);
    #[allow(clippy::cast_possible_truncation, reason = "held within 24 bits just above")]
    let code = held as i32;
    (code, wanted > full_scale - 1.0 || wanted < -full_scale)
}

fn write_error(path: &Path, cause: hound::Error) -> Error {
    match cause {
        hound::Error::IoError(cause) => Error::io("write the recording", path, &cause),
        other => Error::new(
            Kind::Value,
            format!("the recording cannot be written as WAV: {other}"),
        )
        .at_path(path)
        .next("choose another format or sample rate"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_rounded_to_the_nearest_and_held_at_the_ends() {
        let step = (-15f64).exp2();
        assert_eq!(quantise(0.0, 0.0, 16), (0, false));
        assert_eq!(quantise(0.4 * step, 0.0, 16), (0, false));
        assert_eq!(quantise(0.6 * step, 0.0, 16), (1, false));
        assert_eq!(quantise(-0.6 * step, 0.0, 16), (-1, false));
        assert_eq!(quantise(-1.0, 0.0, 16), (-32_768, false));
        assert_eq!(quantise(1.0, 0.0, 16), (32_767, true));
        assert_eq!(quantise(7.0, 0.0, 24), (8_388_607, true));
        assert_eq!(quantise(-7.0, 0.0, 24), (-8_388_608, true));
    }
}
