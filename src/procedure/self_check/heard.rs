//! What is heard on the takes of the self-check, before any number is read from them.

use super::player::tones;
use super::{SelfCheck, TONE_HZ, floor};
use crate::error::Result;
use crate::figure::Driven;
use crate::signal::stimulus::{Signal, Stimulus};
use crate::signal::take::{Setup, Take};
use crate::take::alignment;
use crate::take::recognise::Wanted;
use crate::take::{self, Examined};

/// What is on a take.
pub(super) fn examine(take: Take) -> Result<Examined> {
    take::examine(take, None)
}

/// Whatever is heard in silence is noise: a line of a bus's clock is no test tone.
pub(super) fn examine_silence(take: Take) -> Result<Examined> {
    take::examine(take, Some(Wanted::Silence))
}

/// Keeps the floors of a silent take.
pub(super) fn store_floors(check: &mut SelfCheck, silent: &Examined) {
    for (channel, floor) in check.channels.iter_mut().zip(floor::floors(silent)) {
        channel.floor = Some(floor);
    }
}

/// A take in which only the side `driven` was played. A tone that comes back on the other side is not where its stimulus
/// says; it is looked for without it.
pub(super) fn examine_one_side(take: Take, driven: usize) -> Result<Examined> {
    let examined = take::examine(take.clone(), None)?;
    if order(&examined, driven) != alignment::ChannelOrder::Unknown {
        return Ok(examined);
    }
    take::examine(
        Take {
            stimulus: None,
            setup: Setup::default(),
            ..take
        },
        Some(Wanted::Tone),
    )
}

/// Whether left and right changed places where the side `driven` was played.
pub(super) fn order(examined: &Examined, driven: usize) -> alignment::ChannelOrder {
    let take::Content::Tone(views) = &examined.content else {
        return alignment::ChannelOrder::Unknown;
    };
    let level = |index: usize| {
        let tone = views.get(index).and_then(|v| v.tones.first());
        tone.map_or(0.0, |t| t.fundamental.amplitude)
    };
    let mut levels: [Option<f64>; 2] = [None; 2];
    levels[driven] = Some(0.0);
    let played = Stimulus::stereo(
        examined.take.source.format().sample_rate_hz,
        1.0,
        &Signal::Silence,
        Driven::Both,
    );
    let played = Stimulus {
        channels: tones(TONE_HZ, &levels),
        ..played
    };
    alignment::channel_order(&played, [level(0), level(1)])
}

/// The frequency that is heard where another was played; `None` where no tone is.
pub(super) fn heard_hz(take: Take) -> Option<f64> {
    let examined = take::examine(take, None).ok()?;
    let take::Content::Tone(views) = &examined.content else {
        return None;
    };
    views
        .iter()
        .find_map(|v| v.tones.first())
        .map(|t| t.fundamental.frequency_hz)
}
