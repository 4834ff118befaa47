//! What a device reports, in the technician's words.

use crate::error::{Error, Kind};
use cpal::ErrorKind;
use std::fmt;

/// A direction, seen from the interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Output,
    Input,
}

impl fmt::Display for Side {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Output => "output",
            Self::Input => "input",
        })
    }
}

/// A rate in kHz, without needless zeros.
pub(super) fn kilohertz(hertz: u32) -> String {
    (f64::from(hertz) / 1e3).to_string()
}

/// Without repetitions, numbers in their order, separated by commas.
pub(super) fn listed(items: impl Iterator<Item = String>) -> String {
    let mut items: Vec<String> = items.collect();
    let number = |s: &str| s.split(' ').next().and_then(|n| n.parse::<f64>().ok());
    items.sort_by(|a, b| match (number(a), number(b)) {
        (Some(x), Some(y)) => x.total_cmp(&y),
        _ => a.cmp(b),
    });
    items.dedup();
    items.join(", ")
}

/// What the system says, without the names of its functions and its numbers: of "ALSA function '…' failed with error
/// 'I/O error (5)'" the words "I/O error".
fn reported(cause: &cpal::Error) -> String {
    let whole = cause.to_string();
    let quoted = whole.strip_suffix('\'').and_then(|w| w.rsplit('\'').next());
    let words = quoted.unwrap_or(&whole);
    words.split(" (").next().unwrap_or(words).to_owned()
}

/// Why a device could not be opened.
pub(super) fn opening(cause: &cpal::Error, side: Side, name: &str) -> Error {
    let (what, next) = match cause.kind() {
        ErrorKind::DeviceBusy => (
            format!("the {side} is busy: another program is using it"),
            "close what plays or records sound (browser, player, call, audio editor); on Linux the desktop's sound \
             server holds a card too: choose its \"off\" profile for this interface",
        ),
        ErrorKind::PermissionDenied => (
            format!("this user may not use the {side}"),
            "allow this program the microphone in the system's privacy settings; on Linux add the user to the group \"audio\" and log in again",
        ),
        ErrorKind::DeviceNotAvailable => (
            format!(
                "the {side} is not there: the interface is unplugged or off, or its sound server does not run"
            ),
            "plug it in, switch it on, start its sound server if it has one, and run `asleft interfaces`",
        ),
        ErrorKind::HostUnavailable => (
            "the sound server does not answer".to_owned(),
            "start the sound server the interface belongs to, then run the same command again",
        ),
        ErrorKind::UnsupportedConfig | ErrorKind::InvalidInput => (
            format!(
                "the {side} refuses the rate or the format that it offers ({})",
                reported(cause)
            ),
            "close what else uses the interface: another program may have set its rate; then run `asleft interfaces`",
        ),
        ErrorKind::UnsupportedOperation => (
            format!("the device has no {side}"),
            "run `asleft interfaces` and choose a device that has one",
        ),
        _ => (
            format!("the {side} could not be opened ({})", reported(cause)),
            "check that the interface is on, that its sound server runs and that what it connects to is there",
        ),
    };
    Error::new(Kind::Unavailable, what).at(name).next(next)
}

/// Why a device failed while it played or recorded.
pub(super) fn failing(cause: &cpal::Error, side: Side, name: &str) -> Error {
    let (what, next) = match cause.kind() {
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => (
            format!(
                "the {side} went away in the middle of the take: unplugged, switched off, or its sound server ended"
            ),
            "check plug, power and sound server, then take it again",
        ),
        ErrorKind::DeviceChanged | ErrorKind::StreamInvalidated => (
            format!("the system sent the {side} elsewhere or changed its settings in the middle of the take"),
            "leave the system's sound settings alone while a take runs, then take it again",
        ),
        ErrorKind::PermissionDenied => (
            format!("the system withdrew the {side} in the middle of the take"),
            "allow this program the microphone in the system's privacy settings",
        ),
        _ => (
            format!(
                "the {side} failed in the middle of the take ({})",
                reported(cause)
            ),
            "check the interface and its sound server, then take it again",
        ),
    };
    Error::new(Kind::Unavailable, what).at(name).next(format!(
        "{next}; the output is silent, and what was recorded so far is kept"
    ))
}

/// A stream that carried nothing for a while, though the other one went on.
pub(super) fn late(side: Side) -> String {
    let doing = match side {
        Side::Output => "took no samples",
        Side::Input => "delivered no samples",
    };
    format!("the {side} {doing} for a while; the sound was faded out")
}

/// A stream that runs and carries nothing.
pub(super) fn stalled(side: Side, name: &str, seconds: f64) -> Error {
    let doing = match side {
        Side::Output => "takes no samples",
        Side::Input => "delivers no samples",
    };
    Error::new(
        Kind::Unavailable,
        format!("the {side} is open, but {doing} for {seconds:.1} s: its sound server has ended, or its driver hangs"),
    )
    .at(name)
    .next("check that the sound server runs, or unplug the interface and plug it in again; what was recorded so far is kept")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_cause_has_its_next_step() {
        use ErrorKind as E;
        let kinds = [
            E::DeviceBusy,
            E::DeviceChanged,
            E::DeviceNotAvailable,
            E::HostUnavailable,
            E::InvalidInput,
            E::PermissionDenied,
            E::RealtimeDenied,
            E::ResourceExhausted,
            E::StreamInvalidated,
            E::UnsupportedConfig,
            E::UnsupportedOperation,
            E::Xrun,
            E::BackendError,
            E::Other,
        ];
        for kind in kinds {
            let cause = cpal::Error::new(kind);
            for error in [
                opening(&cause, Side::Input, "card"),
                failing(&cause, Side::Output, "card"),
            ] {
                assert_eq!(error.kind(), Kind::Unavailable);
                assert_eq!(error.place(), Some("card"));
                assert!(error.next_step().is_some_and(|n| n.len() > 20), "{error}");
            }
        }
        let busy = opening(&cpal::Error::new(E::DeviceBusy), Side::Output, "card").to_string();
        assert!(busy.contains("busy") && busy.contains("browser"), "{busy}");
    }

    #[test]
    fn the_system_is_quoted_without_its_functions() {
        let said = "ALSA function 'snd_pcm_hw_params' failed with error 'I/O error (5)'";
        let cause = cpal::Error::with_message(ErrorKind::BackendError, said);
        let told = opening(&cause, Side::Input, "card");
        assert_eq!(told.what(), "the input could not be opened (I/O error)");
    }

    #[test]
    fn rates_are_listed_by_size() {
        let rates = [96_000, 44_100, 192_000, 96_000].map(kilohertz);
        assert_eq!(listed(rates.into_iter()), "44.1, 96, 192");
    }
}
