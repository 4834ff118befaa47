//! The attenuators: taps before the interface's inputs, pads before the unit's input.

use super::amplifier::{self, Tapped};
use super::answers::Answers;
use super::bare::{Bare, LISTENED_S, again, each, shown};
use super::gate::Driving;
use super::settings::Settings;
use super::step::{Ask, Measure, Reading, Trial, VOLTS, Walked, mistyped, ready};
use super::{arithmetic, output_alone};
use crate::bench::guard::LOUDER;
use crate::figure::Channel;
use crate::procedure::operator::{Notice, Weight};
use crate::quantity::{Decibels, Estimate};
use crate::signal::take::Setup;

/// Lowest level that the bottom of a tap is read at, dBFS: noise and hum of a poor input are far below.
const LOWEST_DBFS: f64 = -60.0;

/// Most of a reading that the meter's digits may leave open, percent.
const MOST_DIGITS_PERCENT: f64 = 1.0;

/// How far a ratio may be from what its resistors make. Resistors of 5 %, one up and one down, move it by 10 %; the
/// rest is for an input whose impedance is hardly known.
pub(super) const RATIO_WITHIN: f64 = 0.15;

/// A tap or pad as it was typed in.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Built {
    pub(super) name: String,
    upper_ohm: f64,
    /// 0 where there is none.
    lower_ohm: f64,
}

/// A tap or pad with its ratios, left first.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Attenuator {
    pub(super) built: Built,
    pub(super) ratio: Vec<Estimate>,
    /// Keys of the readings, for their dates.
    pub(super) keys: Vec<String>,
}

impl Built {
    /// What follows sees this, Ω.
    pub(super) fn source_ohm(&self) -> f64 {
        let ohm = if self.lower_ohm > 0.0 {
            parallel(self.upper_ohm, self.lower_ohm)
        } else {
            self.upper_ohm
        };
        arithmetic::rounded(ohm, 4)
    }

    /// The ratio that the resistors make into `load_ohm`.
    pub(super) fn nominal(&self, load_ohm: f64) -> f64 {
        let lower = if self.lower_ohm > 0.0 {
            parallel(self.lower_ohm, load_ohm)
        } else {
            load_ohm
        };
        lower / (self.upper_ohm + lower)
    }
}

fn parallel(a: f64, b: f64) -> f64 {
    a * b / (a + b)
}

/// The taps, by name and resistors.
pub(super) fn taps(a: &Answers) -> Walked<Vec<Built>> {
    let typed = Ask::text(
        "taps",
        "Names of the taps, the attenuators before the interface's inputs, one word each",
        "power",
        Some("power noise"),
    )
    .why("One with a high ratio for power, and one with little or none for noise, is usual.")
    .word_in(a)?;
    built("tap", &typed, a)
}

/// The pads, by name and resistors.
pub(super) fn pads(a: &Answers) -> Walked<Vec<Built>> {
    let typed = Ask::text(
        "pads",
        "Names of the pads, the attenuators before an amplifier's inputs, or none",
        "phono",
        Some("none"),
    )
    .why("An input under 50 mV, phono for example, needs one: the interface's own noise is too high for it.")
    .word_in(a)?;
    built(
        "pad",
        if typed.eq_ignore_ascii_case("none") {
            ""
        } else {
            &typed
        },
        a,
    )
}

fn built(kind: &str, names: &str, a: &Answers) -> Walked<Vec<Built>> {
    let names: Vec<&str> = names.split_whitespace().collect();
    if let Some((_, twice)) = names.iter().enumerate().find(|(i, n)| names[..*i].contains(n)) {
        return Err(mistyped(
            format!("\"{twice}\" is there twice: give each its own name."),
            &[&format!("{kind}s")],
        ));
    }
    let one = |name: &&str| {
        let ask = |which: &str, text: String, example: &str, range| {
            Ask::number(&format!("{kind}-{name}-{which}-ohm"), text, "Ω", range)
                .example(example)
                .number_in(a)
        };
        let upper_ohm = ask(
            "upper",
            format!("Upper (series) resistor of the {kind} \"{name}\", as marked"),
            "10 k",
            [1.0, 1e7],
        )?;
        let lower_ohm = ask(
            "lower",
            format!("Lower resistor of the {kind} \"{name}\", as marked (0: there is none)"),
            "470",
            [0.0, 1e7],
        )?;
        Ok(Built {
            name: (*name).to_owned(),
            upper_ohm,
            lower_ohm,
        })
    };
    names.iter().map(one).collect()
}

/// What ratios are measured with.
pub(super) struct Ratios<'w> {
    pub(super) s: &'w Settings,
    pub(super) a: &'w Answers,
    pub(super) bare: &'w [Bare],
    pub(super) reading_s: f64,
    pub(super) amplifier: &'w dyn Fn(&str) -> Walked<Driving>,
}

impl Ratios<'_> {
    /// The ratio of a tap on each channel, with the interface's input connected.
    pub(super) fn of_tap(&self, built: &Built) -> Walked<Attenuator> {
        let ratio = each(|c| {
            let nominal = built.nominal(self.bare[c].input_impedance.value);
            let read = if self.is_enough(c, nominal) || self.by_output(built)? {
                self.by_the_output("tap", built, c)?
            } else {
                let tapped = Tapped {
                    name: &built.name,
                    input_full_scale_v: self.bare[c].input_full_scale.value,
                    ratio: nominal,
                    source_ohm: built.source_ohm(),
                    within: self.allowed(built, c),
                    suspects: typed("tap", built),
                };
                let driving = || (self.amplifier)(&driven_by(built));
                amplifier::drive(
                    self.s,
                    self.a,
                    &driving,
                    &format!("tap-{}", built.name),
                    c,
                    &tapped,
                )?
            };
            let found = self.ratio(c, &read);
            self.as_built("tap", built, c, &found, nominal)?;
            Ok(found)
        })?;
        Ok(Attenuator {
            keys: keys("tap", built),
            built: built.clone(),
            ratio,
        })
    }

    /// Whether the interface's output drives the tap though it is low for it.
    fn by_output(&self, built: &Built) -> Walked<bool> {
        let words = ["output", "amplifier"].map(str::to_owned);
        let text = format!(
            "The interface's own output is low for the tap \"{}\". What drives it?",
            built.name
        );
        let by = Ask::choice(&driven_by(built), text, &words)
            .why("The output alone harms nothing and reads less exactly; a transistor amplifier gives the meter more to read.")
            .word_in(self.a)?;
        Ok(by == "output")
    }

    /// The ratio of a pad on each channel, as if nothing loaded it.
    pub(super) fn of_pad(&self, built: &Built) -> Walked<Attenuator> {
        let ratio = each(|c| {
            let read = self.by_the_output("pad", built, c)?;
            let found = self.ratio(c, &read);
            let input = &self.bare[c].input_impedance;
            self.as_built("pad", built, c, &found, built.nominal(input.value))?;
            Ok(arithmetic::unloaded(&found, built.source_ohm(), input))
        })?;
        Ok(Attenuator {
            keys: keys("pad", built),
            built: built.clone(),
            ratio,
        })
    }

    fn ratio(&self, channel: usize, read: &Reading) -> Estimate {
        let top = self.s.meter.volts(read.volts, &read.key);
        arithmetic::ratio(
            &self.bare[channel].input_full_scale,
            &arithmetic::amplitude(read),
            &top,
        )
    }

    /// Whether the interface's own output is enough for both the meter and the input.
    fn is_enough(&self, channel: usize, nominal: f64) -> bool {
        let direct = &self.bare[channel].direct;
        let bottom_dbfs = direct.dbfs + Decibels::from_amplitude_ratio(nominal).0;
        self.s.meter.digits_percent(direct.volts) <= MOST_DIGITS_PERCENT && bottom_dbfs >= LOWEST_DBFS
    }

    /// The output drives the top; the meter reads there, the program at the bottom. The level of the input's own
    /// reading keeps the meter on one range, so that its error cancels.
    fn by_the_output(&self, kind: &str, built: &Built, channel: usize) -> Walked<Reading> {
        let direct = &self.bare[channel].direct;
        let nominal = built.nominal(self.bare[channel].input_impedance.value);
        let (side, name) = (Channel::at(channel), &built.name);
        let key = format!("{kind}-{name}-{side}");
        let place = if kind == "tap" {
            "the side of the amplifier's output"
        } else {
            "the side of the interface's output"
        };
        let notices = vec![Notice::step(
            format!(
                "Connect the {side} output to the top of the {kind} \"{name}\" ({place}), its bottom to the {side} input, \
                 and the meter across the top. No amplifier, no load."
            ),
            "With the input connected, its loading is part of what is read.",
        )];
        let named = Some(name.clone());
        let (tap, pad) = if kind == "tap" {
            (named, None)
        } else {
            (None, named)
        };
        Measure {
            opening: self.s.opening.clone(),
            notices,
            ready: ready(
                format!("Is the {kind} \"{name}\" connected so on the {side} channel, without an amplifier?"),
                Weight::Step,
            ),
            channel,
            frequency_hz: self.s.tone_hz,
            level_dbfs: direct.played_dbfs,
            seconds: self.reading_s.max(LISTENED_S),
            setup: Setup {
                driven: Some(output_alone(channel)),
                tap,
                pad,
                ..Setup::default()
            },
            meter: shown(&key),
            listens: true,
            trial: Trial::Returns(
                direct.dbfs - direct.played_dbfs + Decibels::from_amplitude_ratio(nominal).0 + LOUDER.0,
            ),
            suspects: typed(kind, built),
            key,
        }
        .reading_in(self.a)
    }

    /// Refuses a ratio that its resistors cannot make.
    fn as_built(
        &self,
        kind: &str,
        built: &Built,
        channel: usize,
        found: &Estimate,
        nominal: f64,
    ) -> Walked<()> {
        let (side, name) = (Channel::at(channel), &built.name);
        let beyond = found.value / nominal - 1.0;
        if beyond.abs() <= self.allowed(built, channel) {
            return Ok(());
        }
        let key = format!("{kind}-{name}");
        Err(again(
            &[
                &format!("{key}-{side}"),
                &format!("{key}-upper-ohm"),
                &format!("{key}-lower-ohm"),
            ],
            format!(
                "{side}: the {kind} \"{name}\" reads 1 : {:.2}, its resistors make 1 : {:.2}. Check the values typed, the \
                 socket, and that the meter is across the top.",
                1.0 / found.value,
                1.0 / nominal
            ),
        ))
    }

    /// How far the ratio may be from the nominal one, relative.
    fn allowed(&self, built: &Built, channel: usize) -> f64 {
        RATIO_WITHIN + 2.0 * self.loading_is_open(built, channel)
    }

    /// Relative standard uncertainty of the nominal ratio from the input's loading.
    fn loading_is_open(&self, built: &Built, channel: usize) -> f64 {
        let input = &self.bare[channel].input_impedance;
        built.source_ohm() / (built.source_ohm() + input.value) * input.standard_uncertainty() / input.value
    }
}

fn driven_by(built: &Built) -> String {
    format!("driven-by-{}", built.name)
}

/// Keys of the resistors as typed.
fn typed(kind: &str, built: &Built) -> Vec<String> {
    ["upper", "lower"]
        .map(|which| format!("{kind}-{}-{which}-ohm", built.name))
        .to_vec()
}

fn keys(kind: &str, built: &Built) -> Vec<String> {
    (0..super::CHANNELS)
        .map(|c| format!("{kind}-{}-{}-{}", built.name, Channel::at(c), VOLTS))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resistors_make_a_ratio_and_a_source() {
        // 10 kΩ over 470 Ω: 449 Ω, −27.0 dB open; 20 kΩ across it costs 0.19 dB (voltage divider).
        let power = Built {
            name: "power".to_owned(),
            upper_ohm: 10e3,
            lower_ohm: 470.0,
        };
        assert!((power.source_ohm() - 448.9).abs() < 0.1);
        let db = |load: f64| 20.0 * power.nominal(load).log10();
        assert!((db(1e12) + 26.96).abs() < 0.01 && (db(20e3) - db(1e12) + 0.193).abs() < 0.001);
        // A series resistor alone.
        let noise = Built {
            name: "noise".to_owned(),
            upper_ohm: 1e3,
            lower_ohm: 0.0,
        };
        assert!((noise.source_ohm() - 1e3).abs() < 1e-9 && (noise.nominal(19e3) - 0.95).abs() < 1e-12);
    }
}
