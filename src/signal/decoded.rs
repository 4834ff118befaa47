//! FLAC and AIFF, decoded once into an unnamed temporary file of `f64` frames, so that they can be read again and
//! again from any frame like a WAV, in constant memory.

use super::pcm::{PcmSource, Sample, Store};
use super::riff::EXPORT;
use super::source::{BlockSource, Encoding, Format, MOST_CHANNELS, SAMPLE_RATES_HZ};
use crate::error::{Error, Kind, Result};
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::{Arc, Mutex};
use symphonia::core::codecs::audio::well_known::{
    CODEC_ID_PCM_ALAW, CODEC_ID_PCM_F32BE, CODEC_ID_PCM_F64BE, CODEC_ID_PCM_MULAW,
};
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as DecodeError;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::default::formats::{AiffReader, FlacReader};

/// What [`open`] decodes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coding {
    Flac,
    Aiff,
}

/// Decodes `file`; `path` is for messages. What lies behind a damaged place is not read, and a note says so.
///
/// # Errors
/// Where nothing can be decoded, the shape is out of range, or the temporary file cannot be written.
pub(super) fn open(file: File, coding: Coding, path: &Path) -> Result<Arc<dyn BlockSource>> {
    // The decoding library indexes and multiplies by what a damaged header says; whatever comes of it is the file's
    // fault and must not end the program.
    let decoded = catch_unwind(AssertUnwindSafe(|| decode(file, coding)));
    let Decoded { spool, format, notes } =
        decoded.unwrap_or_else(|_| Err(damaged("the file is damaged beyond reading")))?;
    Ok(Arc::new(PcmSource {
        store: Store::Unnamed(Arc::new(Mutex::new(spool))),
        name: path.to_owned(),
        offset: 0,
        sample: Sample::F64,
        format,
        notes,
    }))
}

struct Decoded {
    spool: File,
    format: Format,
    notes: Vec<String>,
}

fn decode(file: File, coding: Coding) -> Result<Decoded> {
    let stream = MediaSourceStream::new(Box::new(file), MediaSourceStreamOptions::default());
    let options = FormatOptions::default();
    let reader: Result<Box<dyn FormatReader>, DecodeError> = match coding {
        Coding::Flac => FlacReader::try_new(stream, options).map(|r| Box::new(r) as _),
        Coding::Aiff => AiffReader::try_new(stream, options).map(|r| Box::new(r) as _),
    };
    let mut reader = reader.map_err(|e| refuse(&e))?;
    let track = reader
        .first_track(TrackType::Audio)
        .ok_or_else(|| damaged("there is no audio in the file"))?;
    let promised = track.num_frames;
    let parameters = track
        .codec_params
        .as_ref()
        .and_then(|p| p.audio())
        .ok_or_else(|| damaged("the header does not say how the samples are stored"))?
        .clone();
    let mut format = shape(&parameters)?;
    let mut decoder = symphonia::default::get_codecs()
        .make_audio_decoder(&parameters, &AudioDecoderOptions::default().verify(true))
        .map_err(|e| refuse(&e))?;
    let mut spool = Spool::new().map_err(|e| spool_error(&e))?;
    let mut notes = Vec::new();
    if let Some(stop) = copy(reader.as_mut(), decoder.as_mut(), &mut spool, format.channels)? {
        notes.push(stop);
    }
    format.frames = spool.samples / format.channels as u64;
    if format.frames == 0 {
        return Err(damaged("no sample of the file can be read"));
    }
    match promised {
        Some(promised) if promised > format.frames => notes.push(format!(
            "the end of the file is missing: {} of {promised} frames",
            promised - format.frames
        )),
        _ if decoder.finalize().verify_ok == Some(false) => {
            notes.push("the samples do not match the file's own checksum: some were changed".to_owned());
        }
        _ => {}
    }
    let spool = spool.finish().map_err(|e| spool_error(&e))?;
    Ok(Decoded { spool, format, notes })
}

/// The shape from the header, still without its length.
fn shape(parameters: &AudioCodecParameters) -> Result<Format> {
    let codec = parameters.codec;
    if codec == CODEC_ID_PCM_ALAW || codec == CODEC_ID_PCM_MULAW {
        let what = "the samples are coded as A-law or µ-law, which hides what is to be measured";
        return Err(Error::new(Kind::Format, what).next(EXPORT));
    }
    let sample_rate_hz = parameters.sample_rate.unwrap_or(0);
    if !SAMPLE_RATES_HZ.contains(&sample_rate_hz) {
        return Err(damaged(&format!(
            "the header gives a sample rate of {sample_rate_hz} Hz"
        )));
    }
    let channels = parameters.channels.as_ref().map_or(0, |c| c.count());
    if channels == 0 || channels > MOST_CHANNELS {
        return Err(damaged(&format!("the header gives {channels} channels")));
    }
    let encoding = if codec == CODEC_ID_PCM_F32BE {
        Encoding::Float(32)
    } else if codec == CODEC_ID_PCM_F64BE {
        Encoding::Float(64)
    } else {
        let bits = parameters.bits_per_sample.unwrap_or(0);
        let whole = u16::try_from(bits).ok().filter(|b| (1..=32).contains(b));
        Encoding::Int(whole.ok_or_else(|| damaged(&format!("the header gives {bits} bits a sample")))?)
    };
    Ok(Format {
        sample_rate_hz,
        channels,
        frames: 0,
        encoding,
    })
}

/// Decodes all packets in order. Returns why it stopped early, if it did: after a damaged packet the rest would stand
/// at the wrong time.
fn copy(
    reader: &mut dyn FormatReader,
    decoder: &mut dyn AudioDecoder,
    spool: &mut Spool,
    channels: usize,
) -> Result<Option<String>> {
    let mut samples: Vec<f64> = Vec::new();
    loop {
        let frame = spool.samples / channels as u64;
        let stop = || {
            Ok(Some(format!(
                "the file is damaged after frame {frame}; what follows was not read"
            )))
        };
        let packet = match reader.next_packet() {
            Ok(Some(packet)) => packet,
            Ok(None) => return Ok(None),
            Err(DecodeError::IoError(cause)) if cause.kind() == io::ErrorKind::UnexpectedEof => {
                return Ok(None);
            }
            Err(_) => return stop(),
        };
        if u64::try_from(packet.pts.get()) != Ok(frame) {
            return stop();
        }
        match decoder.decode(&packet) {
            Ok(block) if block.num_planes() == channels => {
                samples.clear();
                block.copy_to_vec_interleaved(&mut samples);
                spool.push(&samples).map_err(|e| spool_error(&e))?;
            }
            _ => return stop(),
        }
    }
}

/// Decoded samples on their way to the disk.
struct Spool {
    file: BufWriter<File>,
    samples: u64,
}

impl Spool {
    fn new() -> io::Result<Self> {
        Ok(Self {
            file: BufWriter::with_capacity(256 * 1024, tempfile::tempfile()?),
            samples: 0,
        })
    }

    fn push(&mut self, samples: &[f64]) -> io::Result<()> {
        for sample in samples {
            self.file.write_all(&sample.to_le_bytes())?;
        }
        self.samples += samples.len() as u64;
        Ok(())
    }

    fn finish(self) -> io::Result<File> {
        self.file.into_inner().map_err(io::IntoInnerError::into_error)
    }
}

fn spool_error(cause: &io::Error) -> Error {
    Error::io("write the decoded samples aside", &std::env::temp_dir(), cause)
}

fn damaged(what: &str) -> Error {
    Error::new(Kind::Format, what).next("copy the file again, or export it again as WAV")
}

fn refuse(cause: &DecodeError) -> Error {
    match cause {
        DecodeError::Unsupported(what) => Error::new(
            Kind::Format,
            format!("the file uses what is not supported here ({what})"),
        )
        .next(EXPORT),
        DecodeError::IoError(cause) if cause.kind() == io::ErrorKind::UnexpectedEof => {
            damaged("the file is cut off: it ends before its header says")
        }
        other => damaged(&format!("the file cannot be read ({other})")),
    }
}
