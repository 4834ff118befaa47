//! `asleft generate`: writes a test signal as WAV and, beside it, the description that analysis needs.

mod kind;
#[cfg(test)]
mod tests;

use self::kind::SignalKind;
use super::channels::Channels;
use super::{CommandResult, Ending, Streams};
use crate::atomic::Existing;
use crate::error::{Error, Kind, Result};
use crate::signal::source::{BlockReader, BlockSource, Format};
use crate::signal::stimulus::Stimulus;
use crate::signal::synthesis::Renderer;
use crate::signal::wav_write::{WriteFormat, WriteSummary};
use crate::signal::{stimulus_file, wav_write};
use clap::ValueEnum;
use indicatif::ProgressBar;
use std::path::{Path, PathBuf};

/// Write a test signal as a WAV file for a player, a test disc or a field recorder.
///
/// Beside FILE.wav a FILE.stimulus.toml says what was played; keep it with the captures.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  asleft generate sweep --from 10 --to 22000 --seconds 6 --rate 48000 --level -6 --out s.wav
  asleft generate tone --frequency 997 --seconds 20 --level -3 --out tone.wav
  asleft generate tone --frequency 997 --right-frequency 1499 --out channels.wav
  asleft generate silence --seconds 20 --marks -40 --out silence.wav
  asleft generate noise --colour pink --seed 7 --out pink.wav")]
pub struct Args {
    #[command(subcommand)]
    kind: SignalKind,
}

/// What is the same for every signal.
#[derive(Debug, clap::Args)]
struct FileArgs {
    /// WAV file to write
    #[arg(long, value_name = "FILE.wav")]
    out: PathBuf,
    /// Length of the signal, s
    #[arg(long, value_name = "S", default_value_t = 10.0, allow_negative_numbers = true)]
    seconds: f64,
    /// Sample rate, Hz
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    rate: u32,
    /// Sample format
    #[arg(long, value_enum, default_value_t = Bits::Int24)]
    bits: Bits,
    /// Number of channels
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u8).range(1..=8))]
    channels: u8,
    /// Channels that play; the others are silent
    #[arg(long, value_enum, default_value_t = Channels::Both)]
    driven: Channels,
    /// Silence before the signal, s
    #[arg(long, value_name = "S", default_value_t = 0.0, allow_negative_numbers = true)]
    lead_in: f64,
    /// Silence after the signal, s
    #[arg(long, value_name = "S", default_value_t = 0.0, allow_negative_numbers = true)]
    lead_out: f64,
    /// Fade at each end of the signal, s [default: 0.01, bursts 0]
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    fade: Option<f64>,
    /// Play a mark of this level (dBFS) before and after the signal, by which losses are counted; lead-in and lead-out
    /// are then at least 0.1 s
    #[arg(long, value_name = "DBFS", allow_negative_numbers = true)]
    marks: Option<f64>,
    /// Replace existing files
    #[arg(long)]
    force: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Bits {
    /// 16-bit integers, dithered
    #[value(name = "16")]
    Int16,
    /// 24-bit integers, dithered
    #[value(name = "24")]
    Int24,
    /// 32-bit floats
    #[value(name = "float")]
    Float32,
}

/// Runs the command.
///
/// # Errors
/// Where a value is impossible, a file exists and `--force` is not given, or the disk refuses.
pub fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let (file, stimulus) = args.kind.stimulus()?;
    let renderer = Renderer::new(&stimulus)?;
    let description = check_names(file)?;
    let existing = if file.force {
        Existing::Replace
    } else {
        Existing::Keep
    };
    let bar = super::progress::bar(stimulus.total_frames(), io.interactive);
    let watched = Watched {
        source: renderer,
        bar: bar.clone(),
    };
    let written = wav_write::write(&file.out, &watched, file.bits.format(), existing)?;
    bar.finish_and_clear();
    stimulus_file::write(&description, &stimulus, existing)?;
    let said = report(args, &stimulus, &written, &description);
    let cannot = |e: std::io::Error| super::output_error(&e);
    writeln!(io.out, "{said}").map_err(cannot)?;
    let clipped: u64 = written.clipped.iter().sum();
    if clipped > 0 {
        let warning = "samples touched full scale and were held there; lower --level by 0.1 dB to avoid it";
        writeln!(io.err, "note: {clipped} {warning}").map_err(cannot)?;
    }
    Ok(Ending::Done)
}

/// A source that moves a progress bar while it is read.
#[derive(Debug)]
struct Watched {
    source: Renderer,
    bar: ProgressBar,
}

impl BlockSource for Watched {
    fn format(&self) -> Format {
        self.source.format()
    }

    fn open(&self) -> Result<Box<dyn BlockReader>> {
        let reader = self.source.open()?;
        Ok(Box::new(WatchedReader {
            reader,
            bar: self.bar.clone(),
        }))
    }
}

struct WatchedReader {
    reader: Box<dyn BlockReader>,
    bar: ProgressBar,
}

impl BlockReader for WatchedReader {
    fn read(&mut self, first: u64, planes: &mut [&mut [f64]]) -> Result<usize> {
        self.bar.set_position(first);
        self.reader.read(first, planes)
    }
}

/// Refuses before anything is written; returns the name of the description.
fn check_names(file: &FileArgs) -> Result<PathBuf> {
    let is_wav = file
        .out
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("wav"));
    if !is_wav {
        return Err(Error::new(Kind::Value, "the file to write must end in .wav")
            .at_path(&file.out)
            .next("give a name such as --out tone.wav"));
    }
    let description = stimulus_file::beside(&file.out);
    let taken = [&file.out, &description].into_iter().find(|p| p.exists());
    match taken {
        Some(path) if !file.force => Err(Error::new(Kind::Value, "this file exists already")
            .at_path(path)
            .next("choose another name, or add --force to replace it")),
        _ => Ok(description),
    }
}

/// The one line that says what was written.
fn report(args: &Args, stimulus: &Stimulus, written: &WriteSummary, description: &Path) -> String {
    let file = args.kind.file();
    let bits = match file.bits {
        Bits::Int16 => "16 bits",
        Bits::Int24 => "24 bits",
        Bits::Float32 => "32-bit float",
    };
    let plural = if written.channels == 1 { "" } else { "s" };
    format!(
        "{}: {}, {} s at {} Hz, {} channel{plural}, {bits}; described in {}",
        file.out.display(),
        args.kind.in_words(),
        stimulus.total_seconds(),
        stimulus.sample_rate_hz,
        written.channels,
        description.display()
    )
}

impl Bits {
    fn format(self) -> WriteFormat {
        match self {
            Self::Int16 => WriteFormat::Int16,
            Self::Int24 => WriteFormat::Int24,
            Self::Float32 => WriteFormat::Float32,
        }
    }
}
