//! Which interfaces there are, what they offer, and which of their names convert without a word.

use super::offer::FORMATS;
use super::words::{self, Side, listed};
use crate::error::{Error, Kind, Result};
use crate::ownfile::nearest;
use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{DeviceId, SupportedStreamConfigRange};
use serde::Serialize;
use std::collections::BTreeSet;

/// Rates that are looked for where a device offers a range, Hz.
const USUAL_RATES_HZ: [u32; 9] = [
    32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 352_800, 384_000,
];

/// No converter runs faster, Hz: a name that offers more converts.
const FASTEST_HZ: u32 = 1_536_000;

/// An audio interface as `asleft interfaces` lists it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct InterfaceInfo {
    /// What the rig file names it by: `host:name`.
    pub id: String,
    /// The part of the system that it is reached through.
    pub host: String,
    /// In its maker's or its driver's words.
    pub description: String,
    /// What it plays on; `None` where it has no outputs or they could not be asked.
    pub outputs: Option<Ends>,
    /// What it records from; `None` where it has no inputs or they could not be asked.
    pub inputs: Option<Ends>,
    /// Whether the system plays on it unless told otherwise.
    pub usual_output: bool,
    /// Whether the system records from it unless told otherwise.
    pub usual_input: bool,
    /// Why it is not measured through: samples that it delivers may have been converted.
    pub converts: Option<String>,
    /// Why outputs or inputs are missing here though the interface may have some.
    pub note: Option<String>,
}

impl InterfaceInfo {
    /// Whether something can be measured through it, alone or with another.
    pub fn is_usable(&self) -> bool {
        self.converts.is_none() && (self.outputs.is_some() || self.inputs.is_some())
    }
}

/// One direction of an interface.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Ends {
    /// How many, at most.
    pub channels: u16,
    /// Frames per second, rising.
    pub rates_hz: Vec<u32>,
    /// Sample formats that can be used here (`i16`, `i24`, `i32`, `f32`), the best first.
    pub formats: Vec<String>,
    /// Fewest and most frames that are exchanged at once, where known.
    pub period_frames: Option<(u32, u32)>,
}

/// All interfaces of this machine, those that can be measured with first.
///
/// # Errors
/// Where the system's sound cannot be asked at all.
pub fn interfaces() -> Result<Vec<InterfaceInfo>> {
    let mut found = Vec::new();
    for host_id in cpal::available_hosts() {
        let host = cpal::host_from_id(host_id).map_err(|e| unasked(&e))?;
        let usual_output = host.default_output_device().and_then(|d| d.id().ok());
        let usual_input = host.default_input_device().and_then(|d| d.id().ok());
        for device in host.devices().map_err(|e| unasked(&e))? {
            let Ok(id) = device.id() else { continue };
            let mut info = describe(&id, &device);
            info.usual_output = usual_output.as_ref() == Some(&id);
            info.usual_input = usual_input.as_ref() == Some(&id);
            found.push(info);
        }
    }
    found.sort_by_key(|i| {
        (
            !i.is_usable(),
            i.converts.is_some(),
            i.outputs.is_none() || i.inputs.is_none(),
        )
    });
    Ok(found)
}

fn describe(id: &DeviceId, device: &cpal::Device) -> InterfaceInfo {
    let mut notes = Vec::new();
    let by_name = converts_by_name(id);
    let unserved = is_unserved_jack(id);
    if unserved {
        notes.push("no JACK server runs".to_owned());
    }
    let mut ask = |side| {
        // A name that is known to convert says nothing of the converters behind it, and opening it may start a server.
        if by_name.is_some() || unserved {
            return Vec::new();
        }
        offers(device, side).unwrap_or_else(|error| {
            notes.push(error.what().to_owned());
            Vec::new()
        })
    };
    let (outputs, inputs) = (ask(Side::Output), ask(Side::Input));
    let boundless = outputs.iter().chain(&inputs).any(claims_everything);
    let (outputs, inputs) = (ends(&outputs), ends(&inputs));
    InterfaceInfo {
        id: id.to_string(),
        host: id.host().name().to_owned(),
        description: device
            .description()
            .map_or_else(|_| id.id().to_owned(), |d| d.name().trim().to_owned()),
        note: notes.into_iter().next(),
        converts: by_name
            .or_else(|| boundless.then_some("offers rates that no converter has, so it converts"))
            .map(str::to_owned),
        outputs,
        inputs,
        usual_output: false,
        usual_input: false,
    }
}

/// Whether this is the plain name of the JACK server, and none runs: asking it then prints lines of its own. A server
/// (JACK 2) shows its socket as `/dev/shm/jack_NAME_…`.
fn is_unserved_jack(id: &DeviceId) -> bool {
    let server = std::env::var("JACK_DEFAULT_SERVER").unwrap_or_else(|_| "default".to_owned());
    let socket = format!("jack_{server}_");
    let runs = || {
        let files = std::fs::read_dir("/dev/shm").into_iter().flatten().flatten();
        files
            .map(|f| f.file_name())
            .any(|name| name.to_string_lossy().starts_with(&socket))
    };
    id.host().name().eq_ignore_ascii_case("alsa") && id.id() == "jack" && !runs()
}

/// What a device offers in one direction; nothing where it has none.
///
/// # Errors
/// Where it is busy or gone.
pub(super) fn offers(device: &cpal::Device, side: Side) -> Result<Vec<SupportedStreamConfigRange>> {
    let (all, shared) = match side {
        Side::Output if !device.supports_output() => return Ok(Vec::new()),
        Side::Input if !device.supports_input() => return Ok(Vec::new()),
        Side::Output => (
            device.supported_output_configs().map(Iterator::collect),
            shared_rate(device)
                .then(|| device.default_output_config().ok())
                .flatten(),
        ),
        Side::Input => (
            device.supported_input_configs().map(Iterator::collect),
            shared_rate(device)
                .then(|| device.default_input_config().ok())
                .flatten(),
        ),
    };
    let name = device.id().map_or_else(|_| String::new(), |id| id.to_string());
    match all {
        Ok(all) => Ok(match shared {
            None => all,
            Some(own) => Vec::into_iter(all)
                .filter(|o| o.contains_rate(own.sample_rate()))
                .collect(),
        }),
        Err(e) if e.kind() == cpal::ErrorKind::UnsupportedOperation => Ok(Vec::new()),
        Err(e) => Err(words::opening(&e, side, &name)),
    }
}

/// Whether all programs share the one rate that the system has set, and any other is converted to it without a word:
/// Windows' shared mode.
fn shared_rate(device: &cpal::Device) -> bool {
    device
        .id()
        .is_ok_and(|id| id.host().name().eq_ignore_ascii_case("wasapi"))
}

fn ends(offers: &[SupportedStreamConfigRange]) -> Option<Ends> {
    let channels = offers.iter().map(SupportedStreamConfigRange::channels).max()?;
    let offered = |format| offers.iter().any(|o| o.sample_format() == format);
    let periods: Vec<(u32, u32)> = offers
        .iter()
        .filter_map(|o| match o.buffer_size() {
            cpal::SupportedBufferSize::Range { min, max } => Some((*min, *max)),
            cpal::SupportedBufferSize::Unknown => None,
        })
        .collect();
    let least = periods.iter().map(|p| p.0).min();
    let most = periods.iter().map(|p| p.1).max();
    Some(Ends {
        channels,
        rates_hz: rates_hz(offers.iter()).into_iter().collect(),
        formats: FORMATS
            .iter()
            .filter(|f| offered(**f))
            .map(ToString::to_string)
            .collect(),
        period_frames: least.zip(most),
    })
}

/// Rates among `offers`: single ones, and the usual ones of a range.
pub(super) fn rates_hz<'a>(offers: impl Iterator<Item = &'a SupportedStreamConfigRange>) -> BTreeSet<u32> {
    let mut rates = BTreeSet::new();
    for offer in offers {
        rates.extend(USUAL_RATES_HZ.into_iter().filter(|r| offer.contains_rate(*r)));
        if offer.min_sample_rate() == offer.max_sample_rate() {
            rates.insert(offer.min_sample_rate());
        }
    }
    rates
}

fn claims_everything(offer: &SupportedStreamConfigRange) -> bool {
    offer.max_sample_rate() > FASTEST_HZ
}

/// Why samples of a name of this kind may have been converted; `None` where nothing is known against it.
fn converts_by_name(id: &DeviceId) -> Option<&'static str> {
    if !id.host().name().eq_ignore_ascii_case("alsa") {
        return None;
    }
    match id.id().split(':').next().unwrap_or_default() {
        "plughw" | "plug" => Some("converts; take the card's hw: name"),
        "default" | "sysdefault" => Some("goes where the system says, and may convert"),
        "dmix" | "dsnoop" | "asym" => Some("mixes at a rate of its own"),
        "pulse" | "pipewire" => Some("a sound server that may convert the rate"),
        "null" => Some("is connected to nothing"),
        "samplerate" | "samplerate_best" | "samplerate_medium" | "samplerate_order" | "speexrate"
        | "speexrate_best" | "speexrate_medium" | "lavrate" | "lavrate_fast" | "lavrate_faster"
        | "lavrate_high" | "lavrate_higher" => Some("converts the rate"),
        "upmix" | "vdownmix" | "speex" | "a52" | "dca" | "usbstream" | "oss" => {
            Some("mixes or encodes on the way")
        }
        _ => None,
    }
}

/// The device that a rig file names.
///
/// # Errors
/// Where there is none of this name (names near ones), or the name is known to convert.
pub(super) fn find(name: &str, side: Side) -> Result<cpal::Device> {
    let Ok(id) = name.parse::<DeviceId>() else {
        return Err(Error::new(
            Kind::Value,
            format!("\"{name}\" does not name an {side} on this machine"),
        )
        .next("names look like alsa:hw:CARD=Name,DEV=0; run `asleft interfaces` and copy one"));
    };
    let host = cpal::host_from_id(id.host()).map_err(|e| unasked(&e))?;
    let Some(device) = host.device_by_id(&id) else {
        return Err(unknown(name, &host));
    };
    let claims = || {
        offers(&device, side)
            .is_ok_and(|o| o.iter().any(claims_everything))
            .then_some("offers rates that no converter has, so it converts")
    };
    match converts_by_name(&id).or_else(claims) {
        Some(why) => Err(Error::new(
            Kind::Unavailable,
            format!("this {side} is not measured through: it {why}"),
        )
        .at(name)
        .next("run `asleft interfaces` and choose a name that is not marked as converting")),
        None => Ok(device),
    }
}

fn unknown(name: &str, host: &cpal::Host) -> Error {
    let there: Vec<String> = host
        .devices()
        .map(|all| all.filter_map(|d| d.id().ok()).map(|id| id.to_string()).collect())
        .unwrap_or_default();
    let own = |id: &str| {
        id.split_once(':')
            .map_or(id.to_owned(), |(_, own)| own.to_owned())
    };
    let names: Vec<String> = there.iter().map(|id| own(id)).collect();
    let known: Vec<&str> = names.iter().map(String::as_str).collect();
    let near = nearest(&own(name), &known).and_then(|n| there.iter().find(|id| own(id) == n));
    let next = match near {
        Some(near) => {
            format!("did you mean {near}? Otherwise plug it in, switch it on, and run `asleft interfaces`")
        }
        None if there.is_empty() => "plug it in, switch it on, and run `asleft interfaces`".to_owned(),
        None => format!(
            "plug it in, switch it on, and run `asleft interfaces`; there is {}",
            listed(there.into_iter().take(4))
        ),
    };
    Error::new(Kind::Unavailable, "there is no such audio interface")
        .at(name)
        .next(next)
}

fn unasked(cause: &cpal::Error) -> Error {
    Error::new(
        Kind::Unavailable,
        format!("the system's sound does not answer ({cause})"),
    )
    .next("check that the sound system is installed and runs, then run the same command again")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_convert_are_known() {
        let why = |name: &str| name.parse::<DeviceId>().ok().and_then(|id| converts_by_name(&id));
        if cfg!(target_os = "linux") {
            for name in [
                "alsa:plughw:CARD=X,DEV=0",
                "alsa:default",
                "alsa:pulse",
                "alsa:null",
            ] {
                assert!(why(name).is_some(), "{name}");
            }
            assert_eq!(why("alsa:hw:CARD=X,DEV=0"), None);
        }
    }

    #[test]
    fn a_wrong_name_is_refused_in_words() {
        let error = find("no host at all", Side::Input).unwrap_err();
        assert!(error.to_string().contains("asleft interfaces"), "{error}");
    }

    #[test]
    fn an_offer_is_summed_up() {
        let offer = |channels, from, to, format| {
            let period = cpal::SupportedBufferSize::Range { min: 64, max: 4_096 };
            SupportedStreamConfigRange::new(channels, from, to, period, format)
        };
        let both = [
            offer(2, 44_100, 96_000, cpal::SampleFormat::I16),
            offer(4, 50_000, 50_000, cpal::SampleFormat::I24),
        ];
        let ends = ends(&both).unwrap();
        assert_eq!(ends.channels, 4);
        assert_eq!(ends.rates_hz, [44_100, 48_000, 50_000, 88_200, 96_000]);
        assert_eq!(ends.formats, ["i24", "i16"]);
        assert_eq!(ends.period_frames, Some((64, 4_096)));
        assert!(claims_everything(&offer(
            2,
            4_000,
            u32::MAX,
            cpal::SampleFormat::I16
        )));
    }
}
