//! The questions before the first sound: name, interface, multimeter.

use super::answers::Answers;
use super::step::{Ask, Opening, Walked, mistyped};
use super::tone;
use super::{CHANNELS, Calibration, Device};
use crate::procedure::operator::Notice;
use crate::procedure::plan::SAMPLE_RATE_HZ;
use crate::rig::Interface;
use crate::rig::meter::{self, Accuracy, Multimeter};

/// The word for a multimeter whose data are typed in.
const OTHER: &str = "another: I type what its data sheet states";

/// Rates where no device says what it offers, Hz.
const USUAL_RATES_HZ: [u32; 6] = [48_000, 44_100, 88_200, 96_000, 176_400, 192_000];

/// Lowest rate that a bench is used at, Hz: 20 kHz must pass.
const LOWEST_RATE_HZ: u32 = 44_100;

/// What is known before the first sound.
pub(super) struct Settings {
    pub(super) name: String,
    pub(super) opening: Opening,
    pub(super) meter: Multimeter,
    pub(super) tone_hz: f64,
}

pub(super) fn settings(calibration: &Calibration, answers: &Answers) -> Walked<Settings> {
    let name = Ask::text("name", "Name of this bench", "", Some(&calibration.name))
        .after(vec![Notice::step(
            "This calibrates the audio interface, the attenuators and the load. It takes a multimeter and half an hour. \
             Every answer is kept: stop at any time with Ctrl-C, and run the same command again to go on.",
            "",
        )])
        .word_in(answers)?;
    let interface = interface(calibration, answers)?;
    let sample_rate_hz = sample_rate(calibration, interface.as_ref(), answers)?;
    let meter = multimeter(answers)?;
    let tone_hz = tone::best_hz(meter.band_hz).ok_or_else(|| {
        mistyped(
            "Between 210 and 400 Hz, where readings are free of hum, nothing is stated for this multimeter: use \
             another one, or type the band of its data sheet.",
            &["meter"],
        )
    })?;
    Ok(Settings {
        name,
        opening: Opening {
            interface,
            sample_rate_hz,
        },
        meter,
        tone_hz,
    })
}

/// Devices and channel map; `None` of a simulated bench.
fn interface(calibration: &Calibration, answers: &Answers) -> Walked<Option<Interface>> {
    let Some(devices) = &calibration.devices else {
        return Ok(None);
    };
    let device = |key: &str, text: &str, all: &[Device]| match all {
        [] => Ask::text(key, text, "as `asleft interfaces` names it", None).word_in(answers),
        _ => {
            let names: Vec<String> = all.iter().map(|d| d.name.clone()).collect();
            Ask::choice(key, text, &names).word_in(answers)
        }
    };
    let output = device("output-device", "Device that plays", &devices.outputs)?;
    let input = device("input-device", "Device that records", &devices.inputs)?;
    let channels = |key: &str, text: &str| {
        let typed = Ask::text(key, text, "3 4", Some("1 2"))
            .why("Counted from 1, as the sockets are labelled.")
            .word_in(answers)?;
        let numbers: Option<Vec<u16>> = typed.split_whitespace().map(|n| n.parse().ok()).collect();
        numbers
            .filter(|n| n.len() == CHANNELS && n[0] != n[1] && !n.contains(&0))
            .ok_or_else(|| {
                mistyped(
                    format!("\"{typed}\" is no pair: write two different numbers, 1 or higher."),
                    &[key],
                )
            })
    };
    let output_channels = channels("output-channels", "Outputs that drive left and right")?;
    let input_channels = channels("input-channels", "Inputs that hear left and right")?;
    Ok(Some(Interface {
        output,
        input,
        output_channels,
        input_channels,
        period_frames: None,
    }))
}

/// Rates that both devices offer, the preferred first: 96 kHz shows harmonics and noise up to 40 kHz, and no device is
/// better above. Devices that do not say are asked when they are opened; a simulated bench takes any rate.
fn rates(calibration: &Calibration, interface: Option<&Interface>) -> Vec<u32> {
    let Some((devices, interface)) = calibration.devices.as_ref().zip(interface) else {
        return USUAL_RATES_HZ.to_vec();
    };
    let offers = |all: &[Device], name: &str| {
        let device = all.iter().find(|d| d.name == name);
        device.map_or(Vec::new(), |d| d.rates_hz.clone())
    };
    let output = offers(&devices.outputs, &interface.output);
    let input = offers(&devices.inputs, &interface.input);
    let mut rates = match (output.is_empty(), input.is_empty()) {
        (true, true) => USUAL_RATES_HZ.to_vec(),
        (true, false) => input,
        (false, true) => output,
        (false, false) => output.into_iter().filter(|r| input.contains(r)).collect(),
    };
    rates.retain(|r| *r >= LOWEST_RATE_HZ);
    rates.sort_by_key(|r| (*r != SAMPLE_RATE_HZ, *r));
    rates
}

fn sample_rate(calibration: &Calibration, interface: Option<&Interface>, answers: &Answers) -> Walked<u32> {
    let rates = rates(calibration, interface);
    if rates.is_empty() {
        return Err(mistyped(
            "The device that plays and the one that records offer no sample rate of 44.1 kHz or more in common: choose \
             others.",
            &["output-device", "input-device"],
        ));
    }
    let words: Vec<String> = rates.iter().map(u32::to_string).collect();
    let word = Ask::choice("sample-rate", "Sample rate in Hz", &words).word_in(answers)?;
    let chosen = rates.into_iter().find(|r| r.to_string() == word);
    chosen.ok_or_else(|| {
        mistyped(
            format!("\"{word}\" is no sample rate that is offered."),
            &["sample-rate"],
        )
    })
}

fn multimeter(answers: &Answers) -> Walked<Multimeter> {
    let classes = meter::classes();
    let mut words: Vec<String> = classes.iter().map(meter::Class::words).collect();
    words.push(OTHER.to_owned());
    let word = Ask::choice("meter", "Multimeter", &words)
        .why("All volts and ohms of the rig rest on it. Its data sheet says which; choose the basic one if in doubt.")
        .word_in(answers)?;
    if let Some(class) = classes.iter().find(|c| c.words() == word) {
        return Ok(class.meter.clone());
    }
    stated_multimeter(answers)
}

/// A multimeter by its data sheet.
fn stated_multimeter(answers: &Answers) -> Walked<Multimeter> {
    let ask = |key: &str, text: &str, unit, range, example: &str| {
        Ask::number(key, text, unit, range)
            .example(example)
            .number_in(answers)
    };
    let accuracy = |of: &str, name: &str, example: &str| -> Walked<Accuracy> {
        let percent = ask(
            &format!("meter-{of}-percent"),
            &format!("Accuracy on {name}: percent of the reading"),
            "%",
            [0.001, 10.0],
            example,
        )?;
        let digits = ask(
            &format!("meter-{of}-digits"),
            &format!("Accuracy on {name}: plus this many digits"),
            "",
            [0.0, 1_000.0],
            "3",
        )?;
        Ok(Accuracy { percent, digits })
    };
    let volts = accuracy("volts", "AC volts, at 50 Hz and above", "0.7")?;
    let ohms = accuracy("ohms", "ohms, lowest range", "0.3")?;
    let display = "Highest number that the display shows";
    let counts = ask("meter-counts", display, "", [999.0, 1e8], "5999")?;
    let last = |of: &str| format!("Last digit of the lowest range of {of}");
    let finest_v = ask(
        "meter-finest-volts",
        &last("AC volts"),
        "V",
        [1e-9, 1.0],
        "0.1 mV",
    )?;
    let finest_ohm = ask("meter-finest-ohms", &last("ohms"), "Ω", [1e-9, 10.0], "0.01")?;
    let holds = |where_to: &str| format!("This accuracy on AC volts holds {where_to}");
    let low = ask("meter-low", &holds("from"), "Hz", [1.0, 1e6], "40")?;
    let high = ask("meter-high", &holds("up to"), "Hz", [1.0, 1e6], "400")?;
    Ok(Multimeter {
        counts,
        finest_v,
        finest_ohm,
        volts,
        ohms,
        band_hz: [low, high],
    })
}

/// What is said before the first tone.
pub(super) fn before_the_first_tone() -> Vec<Notice> {
    vec![
        Notice::caution(
            "Unplug headphones from the interface and disconnect loudspeakers. No amplifier is connected.",
            "A steady tone comes next, faintly first and then at a third of the interface's full output: it hurts ears, burns tweeters and \
             drives an amplifier to its limit.",
        ),
        Notice::caution(
            "Switch phantom power (48 V) off on every input.",
            "It can damage what is plugged in, the interface's own outputs included.",
        ),
        Notice::caution(
            "On a balanced output use the hot contact (tip) and the sleeve. Leave the cold contact (ring) open unless \
             the interface's manual says to ground it.",
            "Grounding the cold leg of an active balanced output can overheat or distort it. Wire it now as it will be \
             used with amplifiers: the wiring decides the voltage.",
        ),
        Notice::step(
            "Set every gain and level control of the interface to an end stop, the computer's volume to its maximum, \
             and switch off direct monitoring, effects and automatic gain. Touch none of them from now on.",
            "The calibration holds for these positions only.",
        ),
        Notice::step("Set the multimeter to AC volts.", ""),
    ]
}
