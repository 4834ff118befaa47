//! What is asked of an amplifier before it may be driven: how its output is made, its ratings, DC at its terminals, and how
//! its grounds stand. Each answer can refuse it. The readings are judged by the gates of a measurement.

use super::answers::Answers;
use super::bare::each;
use super::step::{Ask, Walked, mistyped, refused};
use crate::figure::Channel;
use crate::procedure::gates::limits::{self, Joined, Judged};
use crate::procedure::operator::Notice;
use crate::quantity::{Ohms, Watts};
use crate::rig::Rig;
use crate::rig::SENSITIVE_INPUT_V;
use crate::rig::ceiling::UnitLimits;
use crate::unit::{Output, OutputStage};

/// Beginning of the keys of all answers about the amplifier at hand, which hold for one session.
pub(super) const AMPLIFIER: &str = "amplifier";

/// Most volts at the terminals without a word of the operator.
const USUAL_LIMIT_V: f64 = 8.0;

/// Range of limits that make sense, V.
const LIMIT_V: [f64; 2] = [6.0, 10.0];

/// How an output may be made, as it is offered. The first is what an empty answer means.
const STAGES: [(&str, Option<OutputStage>); 6] = [
    ("unknown", None),
    ("direct", Some(OutputStage::Grounded)),
    ("capacitor", Some(OutputStage::CapacitorCoupled)),
    ("transformer", Some(OutputStage::TransformerCoupled)),
    ("bridged", Some(OutputStage::Bridged)),
    ("floating", Some(OutputStage::Floating)),
];

/// What to use where an amplifier is refused.
const INSTEAD: &str = "Use a transistor amplifier of low power whose − terminals are its ground, or none: skip this check, \
                       or let the interface's own output drive the tap.";

/// An amplifier that is at hand, and what may be done with it.
pub(super) struct Driving {
    pub(super) rig: Rig,
    pub(super) unit: UnitLimits,
    pub(super) limit_v: f64,
    pub(super) reading_s: f64,
}

/// Asks what is needed before an amplifier is connected and driven. `way_out` is the key of the question that chose to use
/// one, which is asked again where it is refused.
pub(super) fn driving(a: &Answers, rig: Rig, reading_s: f64, way_out: &str) -> Walked<Driving> {
    let refusal = Refusing { way_out };
    let stage = stage(a, &refusal)?;
    let unit = ratings(a, &rig, stage, &refusal)?;
    let limit_v = Ask::number(
        "amplifier-limit",
        "Most volts that may stand at its terminals",
        "V",
        LIMIT_V,
    )
    .or(USUAL_LIMIT_V)
    .why("5 V are enough, which is 3 W in 8 Ω. The tone stops before this limit.")
    .number_in(a)?;
    dc_at_terminals(a, &refusal)?;
    grounds(a, &refusal)?;
    Ok(Driving {
        rig,
        unit,
        limit_v,
        reading_s,
    })
}

/// Refuses an amplifier.
struct Refusing<'w> {
    way_out: &'w str,
}

impl Refusing<'_> {
    fn because<T>(&self, what: impl Into<String>, why: &str) -> Walked<T> {
        let what = format!("{} {INSTEAD}", what.into());
        Err(refused(what, why, &[AMPLIFIER, self.way_out]))
    }
}

fn stage(a: &Answers, refusal: &Refusing<'_>) -> Walked<OutputStage> {
    let words = STAGES.map(|(word, _)| word.to_owned());
    let word = Ask::choice(
        "amplifier-stage",
        "What is between the amplifier's output devices and its terminals",
        &words,
    )
    .after(vec![Notice::caution(
        "Switch nothing on yet, and connect nothing to the amplifier yet.",
        "",
    )])
    .why(
        "A valve amplifier with output transformers is destroyed without its load, and a bridged or floating output by the \
         interface's ground. The service manual says what it is.",
    )
    .word_in(a)?;
    let chosen = STAGES
        .iter()
        .find(|(w, _)| *w == word)
        .and_then(|(_, stage)| *stage);
    match chosen {
        None => refusal.because(
            "An amplifier whose output is not known is not driven here.",
            "Some kinds are destroyed by what comes next.",
        ),
        Some(OutputStage::TransformerCoupled) => refusal.because(
            "Do not power a transformer-coupled amplifier for this.",
            "Without a load on every channel the voltages in its output transformers rise until they break down, and for \
             this check its channels are connected one after the other.",
        ),
        Some(stage) if limits::must_be_differential(stage) => refusal.because(
            "Do not connect an amplifier with driven − terminals.",
            "The interface's ground would short its output.",
        ),
        Some(stage) => Ok(stage),
    }
}

/// The loads that the maker allows, as typed and in ohms.
fn allowed_loads(a: &Answers, rated_ohm: f64) -> Walked<(String, Vec<f64>)> {
    let key = "amplifier-loads";
    let usual = format!("{rated_ohm}");
    let typed = Ask::text(key, "Loads that its maker allows, in ohms", "4 8", Some(&usual)).word_in(a)?;
    let ohms: Option<Vec<f64>> = typed
        .split_whitespace()
        .map(|ohm| ohm.parse().ok().filter(|o: &f64| *o > 0.0 && o.is_finite()))
        .collect();
    let ohms = ohms.filter(|all| !all.is_empty()).ok_or_else(|| {
        mistyped(
            format!("\"{typed}\" are no loads: write numbers, 4 8 for example."),
            &[key],
        )
    })?;
    Ok((typed.to_string(), ohms))
}

/// The ratings as the ceiling needs them.
fn ratings(a: &Answers, rig: &Rig, stage: OutputStage, refusal: &Refusing<'_>) -> Walked<UnitLimits> {
    let rated_w = Ask::number(
        "amplifier-rated-w",
        "Rated power of one channel",
        "W",
        [0.1, 2_000.0],
    )
    .example("40")
    .number_in(a)?;
    let rated_load_ohm = Ask::number(
        "amplifier-rated-ohm",
        "Load that this power is rated for",
        "Ω",
        [1.0, 100.0],
    )
    .or(8.0)
    .number_in(a)?;
    let (typed, loads_ohm) = allowed_loads(a, rated_load_ohm)?;
    let output = Output {
        name: "speakers".to_owned(),
        loads_ohm: loads_ohm.clone(),
        stage,
    };
    for (channel, own) in rig.channels.iter().enumerate() {
        if limits::load_fits(own.load_ohm.value, &output, rig, channel).is_some() {
            return refusal.because(
                format!(
                    "{}: this bench's load has {:.2} Ω, the amplifier may drive {typed} Ω.",
                    Channel::at(channel),
                    own.load_ohm.value
                ),
                "A load below what is allowed overheats the output devices.",
            );
        }
    }
    let sensitivity_v = Ask::number(
        "amplifier-sensitivity",
        "Sensitivity of the amplifier's line input for this power",
        "V",
        [SENSITIVE_INPUT_V, 10.0],
    )
    .example("150 mV")
    .why("The tone begins 60 dB below it and rises in small steps. Use no input of less than 50 mV: it would need a pad.")
    .number_in(a)?;
    Ok(UnitLimits {
        sensitivity_v,
        sensitivity_output_v: Watts(rated_w).volts_across(Ohms(rated_load_ohm)).0,
        full_volume: true,
        phono: false,
        rated_w,
        rated_load_ohm,
        loads_ohm,
        transformer_coupled: stage == OutputStage::TransformerCoupled,
    })
}

fn dc_at_terminals(a: &Answers, refusal: &Refusing<'_>) -> Walked<()> {
    let notices = || {
        vec![
            Notice::caution(
                "Follow local rules, and leave work inside an amplifier to those licensed for it. Disconnect all loudspeakers \
                 and headphones from it.",
                "A steady tone burns tweeters.",
            ),
            Notice::step(
                "With nothing connected to the amplifier and its volume at minimum, switch it on, wait three minutes, and \
                 set the meter to DC volts.",
                "An output stage that has failed puts its whole supply on the load and the interface.",
            ),
        ]
    };
    each(|c| {
        let side = Channel::at(c);
        let key = format!("amplifier-dc-{side}");
        let ask = Ask::number(
            &key,
            format!("DC between + and − of its {side} terminals"),
            "V",
            [-500.0, 500.0],
        )
        .example("4 mV");
        let volts = ask
            .after(if c == 0 { notices() } else { Vec::new() })
            .number_in(a)?;
        match limits::dc_at_terminals(volts) {
            Judged::Fine | Judged::Warned => Ok(()),
            Judged::Refused => refusal.because(
                format!(
                    "{side}: {volts} V of DC at the terminals is more than {} mV: the amplifier is faulty. Switch it off.",
                    limits::DC_REFUSED_V * 1e3
                ),
                "It would heat the load, and the interface cannot see it.",
            ),
        }
    })?;
    Ok(())
}

/// Only a common ground will do: the interface joins the − terminals and the inputs' shells.
fn grounds(a: &Answers, refusal: &Refusing<'_>) -> Walked<()> {
    let ask = |which: &str, text: &str| {
        Ask::number(&format!("amplifier-ohms-{which}"), text, "Ω", [0.0, 1e9])
            .example("0.3; 100M where the meter shows no connection")
    };
    let first = ask(
        "left",
        "Resistance from its left − terminal to the shell of its line input, less that of the leads",
    )
    .after(vec![Notice::caution(
        "Switch the amplifier off, pull its mains plug and wait five minutes before the meter is set to ohms.",
        "A charge that is left makes resistances wrong.",
    )])
    .why("The interface's ground joins the two. Where they are not one node already, it would short the output.");
    let ohms = [
        first.number_in(a)?,
        ask("right", "The same from its right − terminal").number_in(a)?,
        ask("between", "Resistance between its two − terminals").number_in(a)?,
    ];
    match limits::grounds_joined(ohms) {
        Joined::Yes => Ok(()),
        Joined::Contradictory => Err(mistyped(
            format!(
                "{} Ω, {} Ω and {} Ω cannot all be true: measure all three again.",
                ohms[0], ohms[1], ohms[2]
            ),
            &["amplifier-ohms"],
        )),
        Joined::Perhaps | Joined::No => refusal.because(
            format!(
                "The − terminals and the inputs' shells are not one node in this amplifier: {} Ω, {} Ω, {} Ω.",
                ohms[0], ohms[1], ohms[2]
            ),
            "The interface would join what its maker keeps apart.",
        ),
    }
}
