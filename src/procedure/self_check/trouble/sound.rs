//! What is heard beside the signal, its resolution and its sign.

use super::super::{Floor, Purpose, SelfCheck};
use super::{Evidence, FEW_BITS, Kind, Trouble, named, those, trouble};
use crate::figure::Channel;
use crate::take::alignment::ChannelOrder;

/// Combs above this re the noise in 20 Hz–20 kHz are worth a word, dB.
const COMB_DB: f64 = -6.0;

/// Crosstalk from which channels are not apart, dB: less than an ordinary cable and an ordinary input have.
const CROSSTALK_DB: f64 = -60.0;

/// Combs, bits, crosstalk, polarity.
pub(super) fn of_sound(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    [
        hum(evidence),
        bus(evidence),
        few_bits(check),
        crosstalk(check, evidence),
        inverted(check),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The channel with the loudest comb that is worth a word, and its level, dBFS.
fn loudest(evidence: &Evidence, comb: fn(&Floor) -> Option<f64>) -> Option<(Channel, f64)> {
    let loud = |floor: &Floor| comb(floor).filter(|db| *db > floor.flat_dbfs + COMB_DB);
    let all = evidence.cabled.iter().enumerate();
    all.filter_map(|(index, floor)| Some((Channel::at(index), loud(floor)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

fn hum(evidence: &Evidence) -> Option<Trouble> {
    let (channel, db) = loudest(evidence, |f| f.hum_dbfs)?;
    Some(trouble(
        Kind::Hum,
        vec![channel],
        format!("mains hum of {db:.0} dBFS with nothing but cables connected ({channel}): a ground loop"),
        "plug computer and interface into one outlet strip, try the computer on battery, use balanced cables; never lift \
         a safety earth",
        &[],
    ))
}

fn bus(evidence: &Evidence) -> Option<Trouble> {
    let (channel, db) = loudest(evidence, |f| f.bus_dbfs)?;
    Some(trouble(
        Kind::BusNoise,
        vec![channel],
        format!(
            "lines at multiples of 1 kHz, {db:.0} dBFS ({channel}): the USB bus is heard through the ground"
        ),
        "try another USB port or a powered hub, and the computer on battery",
        &[],
    ))
}

fn few_bits(check: &SelfCheck) -> Option<Trouble> {
    let few = |bits: Option<u16>| bits.filter(|b| *b <= FEW_BITS);
    let bits = check.channels.iter().filter_map(|c| few(c.bits)).min()?;
    let coarse = those(check, |c| few(c.bits).is_some());
    let what = format!(
        "{}: the samples have only {bits} bits; what is fainter than their last bit is lost",
        named(&coarse)
    );
    let next = "choose a 24-bit format for the interface in the system's sound settings";
    Some(trouble(Kind::FewBits, coarse, what, next, &[]))
}

fn crosstalk(check: &SelfCheck, evidence: &Evidence) -> Option<Trouble> {
    let all = check.channels.iter().flat_map(|c| &c.crosstalk).map(|c| c.db);
    let worst = all.reduce(f64::max).filter(|db| *db > CROSSTALK_DB)?;
    let has_a_name = evidence.order.contains(&ChannelOrder::Swapped) || evidence.twice;
    (!has_a_name).then(|| {
        trouble(
            Kind::Crosstalk,
            vec![Channel::Left, Channel::Right],
            format!("{worst:.0} dB of one channel arrive in the other"),
            "switch off monitoring and mixing in the interface's mixer, and check the cables' grounds",
            &[Purpose::Separation],
        )
    })
}

fn inverted(check: &SelfCheck) -> Option<Trouble> {
    let inverted = those(check, |c| c.polarity == Some(-1));
    if inverted.is_empty() {
        return None;
    }
    let what = format!("{}: polarity is inverted", named(&inverted));
    let next = "check which way round the cable or the balanced plug is wired; levels and distortion are not affected";
    Some(trouble(Kind::Inverted, inverted, what, next, &[]))
}
