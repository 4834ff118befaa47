//! Which of the configurations that a device offers is used: the stimulus' rate exactly, the most bits, enough channels,
//! and a period that leaves no more sound waiting than is allowed.

use super::words::{Side, kilohertz, listed};
use crate::error::{Error, Kind, Result};
use crate::rig::ceiling::PROMPT_S;
use cpal::{BufferSize, SampleFormat, StreamConfig, SupportedBufferSize, SupportedStreamConfigRange};

/// Formats that are used, the best first. A float of 32 bits holds 24 bits exactly.
pub(super) const FORMATS: [SampleFormat; 4] = [
    SampleFormat::I32,
    SampleFormat::I24,
    SampleFormat::F32,
    SampleFormat::I16,
];

/// Periods that a device holds: while one is heard the next is written.
pub(super) const PERIODS: u32 = 2;

/// Length of a period where nothing has to go silent promptly, s: rides out a busy machine.
const RELAXED_PERIOD_S: f64 = 0.2;

/// What is asked of a device.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wish {
    pub(super) side: Side,
    pub(super) rate: u32,
    /// Highest channel number used.
    pub(super) channels: u16,
    pub(super) period_frames: Option<u32>,
    pub(super) prompt: bool,
}

/// A configuration that fulfils a [`Wish`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Chosen {
    pub(super) config: StreamConfig,
    pub(super) format: SampleFormat,
}

impl Wish {
    /// The longest period that leaves no more sound waiting than is allowed, frames.
    fn longest_period(&self) -> u32 {
        let seconds = if self.prompt {
            PROMPT_S / f64::from(PERIODS)
        } else {
            RELAXED_PERIOD_S
        };
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a fraction of the sample rate, rounded down"
        )]
        let frames = (seconds * f64::from(self.rate)) as u32;
        frames.max(1)
    }

    /// Chooses among what the device `name` offers.
    ///
    /// # Errors
    /// Where nothing on offer will do; lists what is.
    pub(super) fn choose(&self, name: &str, offers: &[SupportedStreamConfigRange]) -> Result<Chosen> {
        let usable: Vec<_> = offers
            .iter()
            .filter(|o| FORMATS.contains(&o.sample_format()))
            .collect();
        if usable.is_empty() {
            return Err(self.no_format(name, offers));
        }
        let wide: Vec<_> = usable.iter().filter(|o| o.channels() >= self.channels).collect();
        if wide.is_empty() {
            return Err(self.too_few_channels(name, &usable));
        }
        let best = wide
            .iter()
            .filter(|o| o.contains_rate(self.rate))
            .min_by_key(|o| (o.channels(), rank(o.sample_format())))
            .ok_or_else(|| self.wrong_rate(name, wide.iter().map(|o| **o)))?;
        let period = self.period(name, *best.buffer_size())?;
        Ok(Chosen {
            config: StreamConfig {
                channels: best.channels(),
                sample_rate: self.rate,
                buffer_size: BufferSize::Fixed(period),
            },
            format: best.sample_format(),
        })
    }

    fn period(&self, name: &str, offered: SupportedBufferSize) -> Result<u32> {
        let longest = self.longest_period();
        let (least, most) = match offered {
            SupportedBufferSize::Range { min, max } => (min, max),
            SupportedBufferSize::Unknown => (1, u32::MAX),
        };
        if let Some(wanted) = self.period_frames {
            if self.prompt && wanted > longest {
                return Err(self.too_slow(
                    name,
                    wanted,
                    &format!("set the rig's period_frames to {longest} or less"),
                ));
            }
            return Ok(wanted.clamp(least, most.max(least)));
        }
        if self.prompt && least > longest {
            return Err(self.too_slow(
                name,
                least,
                &format!("set the period of its driver or sound server to {longest} frames or less"),
            ));
        }
        // A power of two: drivers and servers exchange such periods or multiples of them.
        let power = 1u32 << longest.ilog2();
        Ok(power.clamp(least, most.max(least)))
    }

    /// The error of a device that lets too much sound wait.
    pub(super) fn too_slow(&self, name: &str, period: u32, next: &str) -> Error {
        let ms = 1e3 * f64::from(PERIODS * period) / f64::from(self.rate);
        Error::new(
            Kind::Unavailable,
            format!(
                "{period} frames at once would leave {ms:.0} ms of sound waiting; with a unit connected it must fall silent within {:.0} ms",
                PROMPT_S * 1e3
            ),
        )
        .at(name)
        .next(next)
    }

    fn no_format(&self, name: &str, offers: &[SupportedStreamConfigRange]) -> Error {
        let side = self.side;
        let what = if offers.is_empty() {
            format!("the device has no {side}")
        } else {
            let formats = listed(offers.iter().map(|o| o.sample_format().to_string()));
            format!("the {side} offers only samples that are not used here ({formats})")
        };
        Error::new(Kind::Unavailable, what).at(name).next(format!(
            "run `asleft interfaces` and choose a device with an {side} of 16, 24 or 32 bits"
        ))
    }

    fn too_few_channels(&self, name: &str, offers: &[&SupportedStreamConfigRange]) -> Error {
        let most = offers.iter().map(|o| o.channels()).max().unwrap_or(0);
        let side = self.side;
        Error::new(
            Kind::Mismatch,
            format!(
                "the rig uses {side} {}, the device has {most} {side}{}",
                self.channels,
                if most == 1 { "" } else { "s" }
            ),
        )
        .at(name)
        .next("correct the channel numbers in the rig file, or choose another device")
    }

    fn wrong_rate<'a>(
        &self,
        name: &str,
        offers: impl Iterator<Item = &'a SupportedStreamConfigRange>,
    ) -> Error {
        let rates = listed(offers.map(rates_of));
        Error::new(
            Kind::Unavailable,
            format!(
                "the {} does not run at {} kHz; it offers {rates} kHz",
                self.side,
                kilohertz(self.rate)
            ),
        )
        .at(name)
        .next(
            "choose one of these rates, or set this one in the interface's own control panel or sound server",
        )
    }
}

/// Place of a format in [`FORMATS`].
fn rank(format: SampleFormat) -> usize {
    FORMATS.iter().position(|f| *f == format).unwrap_or(FORMATS.len())
}

/// The rates of an offer in kHz.
pub(super) fn rates_of(offer: &SupportedStreamConfigRange) -> String {
    let (from, to) = (offer.min_sample_rate(), offer.max_sample_rate());
    if from == to {
        kilohertz(from)
    } else {
        format!("{} to {}", kilohertz(from), kilohertz(to))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn offer(
        channels: u16,
        rates: (u32, u32),
        periods: (u32, u32),
        format: SampleFormat,
    ) -> SupportedStreamConfigRange {
        let (min, max) = periods;
        SupportedStreamConfigRange::new(
            channels,
            rates.0,
            rates.1,
            SupportedBufferSize::Range { min, max },
            format,
        )
    }

    fn wish() -> Wish {
        Wish {
            side: Side::Output,
            rate: 96_000,
            channels: 2,
            period_frames: None,
            prompt: true,
        }
    }

    #[test]
    fn the_most_bits_and_no_more_channels_than_needed() {
        let any = (32, 65_536);
        let offers = [
            offer(8, (96_000, 96_000), any, SampleFormat::I32),
            offer(2, (44_100, 192_000), any, SampleFormat::I16),
            offer(2, (44_100, 192_000), any, SampleFormat::F32),
            offer(2, (44_100, 192_000), any, SampleFormat::I24),
            offer(2, (44_100, 48_000), any, SampleFormat::I32),
            offer(2, (44_100, 192_000), any, SampleFormat::F64),
        ];
        let chosen = wish().choose("x", &offers).unwrap();
        assert_eq!(chosen.format, SampleFormat::I24);
        assert_eq!(chosen.config.channels, 2);
        assert_eq!(chosen.config.sample_rate, 96_000);
        // 25 ms at 96 kHz are 2400 frames; the power of two below is 2048.
        assert_eq!(chosen.config.buffer_size, BufferSize::Fixed(2_048));
        let third = Wish {
            channels: 3,
            ..wish()
        };
        assert_eq!(third.choose("x", &offers).unwrap().config.channels, 8);
    }

    #[test]
    fn what_is_not_on_offer_is_refused_with_what_is() {
        let said = |wish: Wish, offers: &[SupportedStreamConfigRange]| {
            wish.choose("card", offers).unwrap_err().to_string()
        };
        let offers = [
            offer(2, (48_000, 48_000), (32, 4_096), SampleFormat::I32),
            offer(2, (44_100, 44_100), (32, 4_096), SampleFormat::I32),
        ];
        let rate = said(wish(), &offers);
        assert!(rate.contains("96 kHz") && rate.contains("44.1, 48 kHz"), "{rate}");
        assert!(
            said(
                Wish {
                    channels: 3,
                    ..wish()
                },
                &offers
            )
            .contains("output 3")
        );
        assert!(said(wish(), &[]).contains("no output"));
        let odd = [offer(2, (96_000, 96_000), (32, 4_096), SampleFormat::F64)];
        assert!(said(wish(), &odd).contains("f64"));
        let slow = [offer(2, (96_000, 96_000), (4_096, 8_192), SampleFormat::I32)];
        // Two periods of 4096 frames at 96 kHz last 85.3 ms.
        let waits = said(wish(), &slow);
        assert!(
            waits.contains("85 ms") && waits.contains("2400 frames or less"),
            "{waits}"
        );
        let relaxed = Wish {
            prompt: false,
            ..wish()
        };
        assert_eq!(
            relaxed.choose("x", &slow).unwrap().config.buffer_size,
            BufferSize::Fixed(8_192)
        );
    }

    #[test]
    fn the_rig_chooses_the_period_as_far_as_it_may() {
        let offers = [offer(2, (96_000, 96_000), (64, 65_536), SampleFormat::I32)];
        let asked = |frames| {
            Wish {
                period_frames: Some(frames),
                ..wish()
            }
            .choose("x", &offers)
        };
        assert_eq!(asked(256).unwrap().config.buffer_size, BufferSize::Fixed(256));
        assert_eq!(asked(16).unwrap().config.buffer_size, BufferSize::Fixed(64));
        assert!(asked(2_401).unwrap_err().to_string().contains("period_frames"));
    }
}
