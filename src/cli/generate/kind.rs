//! The signals that can be asked for, and the stimulus each of them makes.

use super::FileArgs;
use crate::cli::channels::Channels;
use crate::error::{Error, Kind, Result};
use crate::figure::Driven;
use crate::quantity::Dbfs;
use crate::signal::stimulus::{Component, Marks, NoiseColour, SCHEMA, Signal, Stimulus};
use clap::ValueEnum;

/// Fade of steady signals, s: short beside any analysis, long enough not to click.
const FADE_S: f64 = 0.010;

/// Least silence on either side of a signal with marks, s: a mark, its gap, and as much again for the noise before it.
const MARKED_SILENCE_S: f64 = 0.1;

/// What is played.
#[derive(Debug, clap::Subcommand)]
pub(super) enum SignalKind {
    /// A sine that rises exponentially (frequency response and its harmonics)
    #[command(after_help = "Example:\n  asleft generate sweep --from 10 --to 22000 --seconds 6 --out s.wav")]
    Sweep {
        /// First frequency, Hz
        #[arg(long, value_name = "HZ", default_value_t = 10.0)]
        from: f64,
        /// Last frequency, Hz
        #[arg(long, value_name = "HZ", default_value_t = 22_000.0)]
        to: f64,
        #[command(flatten)]
        level: SineLevel,
        #[command(flatten)]
        file: FileArgs,
    },
    /// A steady sine
    #[command(after_help = "Example:\n  asleft generate tone --frequency 997 --level -3 --out t.wav")]
    Tone {
        /// Frequency, Hz
        #[arg(long, value_name = "HZ", default_value_t = 1000.0)]
        frequency: f64,
        /// Another frequency on the right channel, Hz, so that swapped channels show
        #[arg(long, value_name = "HZ")]
        right_frequency: Option<f64>,
        #[command(flatten)]
        level: SineLevel,
        #[command(flatten)]
        file: FileArgs,
    },
    /// Two steady sines (intermodulation)
    #[command(after_help = "Example:\n  asleft generate two-tone --out im.wav")]
    TwoTone {
        /// First frequency, Hz
        #[arg(long, value_name = "HZ", default_value_t = 19_000.0)]
        frequency1: f64,
        /// Second frequency, Hz
        #[arg(long, value_name = "HZ", default_value_t = 20_000.0)]
        frequency2: f64,
        /// Amplitude of the first sine over that of the second; 4 for 60 Hz + 7 kHz, 1 for 19 + 20 kHz
        #[arg(long, default_value_t = 1.0)]
        ratio: f64,
        #[command(flatten)]
        level: SineLevel,
        #[command(flatten)]
        file: FileArgs,
    },
    /// Several steady sines of equal level
    #[command(after_help = "Example:\n  asleft generate multi-tone --frequencies 100,1000,10000 --out m.wav")]
    MultiTone {
        /// Frequencies, Hz, separated by commas
        #[arg(long, value_name = "HZ,HZ,…", value_delimiter = ',', required = true)]
        frequencies: Vec<f64>,
        #[command(flatten)]
        level: SineLevel,
        #[command(flatten)]
        file: FileArgs,
    },
    /// Silence (noise and hum of a player); integer files carry dither
    #[command(after_help = "Example:\n  asleft generate silence --seconds 30 --out quiet.wav")]
    Silence {
        #[command(flatten)]
        file: FileArgs,
    },
    /// Random noise, the same for the same seed
    #[command(after_help = "Example:\n  asleft generate noise --colour pink --out pink.wav")]
    Noise {
        /// Spectrum
        #[arg(long, value_enum, default_value_t = Colour::Pink)]
        colour: Colour,
        /// Number that the noise is made from
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// Level, dBFS: of the rms, a sine of full scale being 0
        #[arg(long, value_name = "DBFS", default_value_t = -12.0, allow_negative_numbers = true)]
        level: f64,
        #[command(flatten)]
        file: FileArgs,
    },
    /// Sine bursts of whole periods (dynamic headroom)
    #[command(after_help = "Example:\n  asleft generate burst --out b.wav")]
    Burst {
        /// Frequency, Hz
        #[arg(long, value_name = "HZ", default_value_t = 1000.0)]
        frequency: f64,
        /// Length of a burst, s
        #[arg(long, value_name = "S", default_value_t = 0.020)]
        on: f64,
        /// From the start of one burst to the start of the next, s
        #[arg(long, value_name = "S", default_value_t = 0.5)]
        every: f64,
        #[command(flatten)]
        level: SineLevel,
        #[command(flatten)]
        file: FileArgs,
    },
}

/// Level of everything made of sines.
#[derive(Debug, Clone, Copy, clap::Args)]
pub(super) struct SineLevel {
    /// Level, dBFS: a sine of full scale is 0. Of several sines, the level of one with the peak of them all
    #[arg(long, value_name = "DBFS", default_value_t = -6.0, allow_negative_numbers = true)]
    level: f64,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum Colour {
    /// Equal power per hertz
    White,
    /// Equal power per octave
    Pink,
}

impl SignalKind {
    pub(super) fn file(&self) -> &FileArgs {
        match self {
            Self::Sweep { file, .. }
            | Self::Tone { file, .. }
            | Self::TwoTone { file, .. }
            | Self::MultiTone { file, .. }
            | Self::Silence { file }
            | Self::Noise { file, .. }
            | Self::Burst { file, .. } => file,
        }
    }

    /// The signal of a driven channel.
    fn signal(&self) -> Result<Signal> {
        Ok(match self {
            Self::Sweep { from, to, level, .. } => Signal::Sweep {
                from_hz: *from,
                to_hz: *to,
                level_dbfs: level.level,
            },
            Self::Tone { frequency, level, .. } => Signal::Tone {
                frequency_hz: *frequency,
                level_dbfs: level.level,
            },
            Self::TwoTone {
                frequency1,
                frequency2,
                ratio,
                level,
                ..
            } => {
                if !(ratio.is_finite() && *ratio > 0.0) {
                    return Err(
                        Error::new(Kind::Value, format!("a ratio of {ratio} is impossible"))
                            .next("give the first amplitude over the second, 4 or 1 for example"),
                    );
                }
                tones(&[(*frequency1, *ratio), (*frequency2, 1.0)], level.level)
            }
            Self::MultiTone {
                frequencies, level, ..
            } => {
                let equal: Vec<(f64, f64)> = frequencies.iter().map(|f| (*f, 1.0)).collect();
                tones(&equal, level.level)
            }
            Self::Silence { .. } => Signal::Silence,
            Self::Noise {
                colour, seed, level, ..
            } => Signal::Noise {
                colour: colour.of_noise(),
                level_dbfs: *level,
                seed: *seed,
            },
            Self::Burst {
                frequency,
                on,
                every,
                level,
                ..
            } => Signal::Burst {
                frequency_hz: *frequency,
                level_dbfs: level.level,
                on_s: *on,
                every_s: *every,
            },
        })
    }

    pub(super) fn stimulus(&self) -> Result<(&FileArgs, Stimulus)> {
        let file = self.file();
        let signal = self.signal()?;
        let mut channels: Vec<Signal> = (0..usize::from(file.channels))
            .map(|index| {
                if Driven::from(file.driven).includes(index) {
                    signal.clone()
                } else {
                    Signal::Silence
                }
            })
            .collect();
        if let Self::Tone {
            right_frequency: Some(right),
            level,
            ..
        } = self
        {
            if channels.len() != 2 || !matches!(file.driven, Channels::Both) {
                let what = "--right-frequency needs two channels, both driven";
                return Err(Error::new(Kind::Value, what).next("leave out --channels and --driven"));
            }
            channels[1] = Signal::Tone {
                frequency_hz: *right,
                level_dbfs: level.level,
            };
        } else if channels.iter().all(|c| *c == Signal::Silence) && signal != Signal::Silence {
            let what = "no channel would play: a file of one channel has only a left one";
            return Err(Error::new(Kind::Value, what).next("use --channels 2, or leave out --driven"));
        }
        let usual_fade = match self {
            Self::Burst { .. } | Self::Silence { .. } => 0.0,
            _ => FADE_S.min(file.seconds / 10.0).max(0.0),
        };
        // What is impossible stays so, to be refused.
        let silence = |seconds: f64| {
            if file.marks.is_some() && seconds >= 0.0 {
                seconds.max(MARKED_SILENCE_S)
            } else {
                seconds
            }
        };
        let stimulus = Stimulus {
            schema: SCHEMA.to_owned(),
            sample_rate_hz: file.rate,
            seconds: file.seconds,
            lead_in_s: silence(file.lead_in),
            lead_out_s: silence(file.lead_out),
            fade_s: file.fade.unwrap_or(usual_fade),
            marks: file.marks.map(|level_dbfs| Marks {
                level_dbfs,
                channels: (0..channels.len())
                    .filter(|c| Driven::from(file.driven).includes(*c))
                    .collect(),
            }),
            channels,
        };
        Ok((file, stimulus))
    }

    pub(super) fn in_words(&self) -> String {
        match self {
            Self::Sweep { from, to, level, .. } => {
                format!("sweep {from} Hz to {to} Hz, {} dBFS", level.level)
            }
            Self::Tone {
                frequency,
                right_frequency: Some(right),
                level,
                ..
            } => {
                format!("tone {frequency} Hz left, {right} Hz right, {} dBFS", level.level)
            }
            Self::Tone { frequency, level, .. } => format!("tone {frequency} Hz, {} dBFS", level.level),
            Self::TwoTone {
                frequency1,
                frequency2,
                ratio,
                level,
                ..
            } => format!(
                "two tones {frequency1} Hz + {frequency2} Hz {ratio}:1, peak as a sine of {} dBFS",
                level.level
            ),
            Self::MultiTone {
                frequencies, level, ..
            } => {
                format!(
                    "{} tones, peak at most as a sine of {} dBFS",
                    frequencies.len(),
                    level.level
                )
            }
            Self::Silence { .. } => "silence".to_owned(),
            Self::Noise {
                colour, seed, level, ..
            } => {
                let colour = match colour {
                    Colour::White => "white",
                    Colour::Pink => "pink",
                };
                format!("{colour} noise (seed {seed}), {level} dBFS")
            }
            Self::Burst {
                frequency,
                on,
                every,
                level,
                ..
            } => {
                format!(
                    "bursts of {frequency} Hz, {on} s every {every} s, {} dBFS",
                    level.level
                )
            }
        }
    }
}

/// Sines of these frequencies and relative amplitudes whose peaks add up to that of a sine of `level_dbfs`.
fn tones(parts: &[(f64, f64)], level_dbfs: f64) -> Signal {
    let sum: f64 = parts.iter().map(|(_, amplitude)| amplitude).sum();
    let tones = parts
        .iter()
        .map(|(frequency_hz, amplitude)| Component {
            frequency_hz: *frequency_hz,
            level_dbfs: level_dbfs + Dbfs::from_sine_peak(amplitude / sum).0,
            phase_deg: 0.0,
        })
        .collect();
    Signal::Tones { tones }
}

impl Colour {
    fn of_noise(self) -> NoiseColour {
        match self {
            Self::White => NoiseColour::White,
            Self::Pink => NoiseColour::Pink,
        }
    }
}
