//! The questions of `unit new`, section by section: a section that cannot be right is asked again with the reasons.

use crate::cli::ask::{Asker, Question};
use crate::error::Result;
use crate::figure::{Band, Driven, FigureId, Unit, Weighting};
use crate::unit::file::problems_in;
use crate::unit::{
    Adjustment, Input, Mode, Output, OutputStage, Rated, RatedPower, Reference, SCHEMA, UnitSpec,
};
use std::path::PathBuf;

const STAGES: [(&str, OutputStage); 5] = [
    ("grounded", OutputStage::Grounded),
    ("capacitor-coupled", OutputStage::CapacitorCoupled),
    ("transformer-coupled", OutputStage::TransformerCoupled),
    ("bridged", OutputStage::Bridged),
    ("floating", OutputStage::Floating),
];

const DRIVEN: [(&str, Driven); 3] = [
    ("both", Driven::Both),
    ("left", Driven::Left),
    ("right", Driven::Right),
];

pub(super) const WEIGHTINGS: [(&str, Option<Weighting>); 5] = [
    ("A", Some(Weighting::A)),
    ("none", None),
    ("C", Some(Weighting::C)),
    ("itu468", Some(Weighting::Itu468)),
    ("itu468_2k", Some(Weighting::Itu468At2k)),
];

/// Asks for a whole specification; the result passes the check of unit files.
///
/// # Errors
/// Where the answers end early or the terminal has gone.
pub(super) fn interview(asker: &mut Asker<'_>) -> Result<UnitSpec> {
    asker.say("The rated specification of a model. Copy what the manual or the sheet states; leave out what it does not.")?;
    asker.say(
        "Numbers may have their unit (150 mV, 47 kΩ). An empty answer takes what stands in [brackets].",
    )?;
    let mut spec = empty();
    section(asker, &mut spec, "model", |asker, spec| {
        spec.model = asker.text(required("Model, as the front panel names it", "Example 40"))?;
        let source = asker.text(optional("Where the figures come from", "service manual, page 4"))?;
        spec.source = Some(source).filter(|s| !s.is_empty());
        Ok(())
    })?;
    section(asker, &mut spec, "outputs", outputs)?;
    section(asker, &mut spec, "power", |asker, spec| {
        let loads = &spec.outputs[0].loads_ohm;
        let load = loads.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        spec.power = power(asker, None, load)?;
        Ok(())
    })?;
    section(asker, &mut spec, "inputs", inputs)?;
    section(asker, &mut spec, "modes", modes)?;
    section(asker, &mut spec, "rated", rated)?;
    section(asker, &mut spec, "adjustments", adjustments)?;
    Ok(spec)
}

/// A name for the file, from the model's.
///
/// # Errors
/// As [`interview`].
pub(super) fn file_name(asker: &mut Asker<'_>, spec: &UnitSpec) -> Result<PathBuf> {
    let plain: String = spec
        .model
        .to_lowercase()
        .chars()
        .map(|c| if c.is_alphanumeric() { c } else { '-' })
        .collect();
    let default = format!("{}.unit.toml", plain.trim_matches('-'));
    let question = Question {
        text: "Name of the file to write",
        example: "",
        default: Some(&default),
    };
    asker.ask(question, |answer| {
        let path = PathBuf::from(answer);
        super::refuse_existing(&path).map(|()| path)
    })
}

fn empty() -> UnitSpec {
    UnitSpec {
        schema: SCHEMA.to_owned(),
        model: String::new(),
        source: None,
        outputs: Vec::new(),
        inputs: Vec::new(),
        modes: Vec::new(),
        power: RatedPower {
            watts: f64::NAN,
            load_ohm: f64::NAN,
            driven: Driven::Both,
            band_hz: Band::AUDIO,
            thd_percent: f64::NAN,
        },
        rated: Vec::new(),
        adjustments: Vec::new(),
    }
}

/// Asks a section until the check of unit files finds nothing wrong with it.
fn section(
    asker: &mut Asker<'_>,
    spec: &mut UnitSpec,
    key: &str,
    ask: impl Fn(&mut Asker<'_>, &mut UnitSpec) -> Result<()>,
) -> Result<()> {
    loop {
        let mut tried = spec.clone();
        ask(asker, &mut tried)?;
        let problems = problems_in(&tried, key);
        if problems.is_empty() {
            *spec = tried;
            return Ok(());
        }
        for problem in &problems {
            asker.refuse(problem)?;
        }
        asker.say("  So these questions once more:")?;
    }
}

fn required<'q>(text: &'q str, example: &'q str) -> Question<'q> {
    Question {
        text,
        example,
        default: None,
    }
}

fn optional<'q>(text: &'q str, example: &'q str) -> Question<'q> {
    Question {
        text,
        example,
        default: Some(""),
    }
}

fn with_default<'q>(text: &'q str, default: &'q str) -> Question<'q> {
    Question {
        text,
        example: "",
        default: Some(default),
    }
}

/// One of the words of a table, the first being the default.
fn one_of<T: Copy>(asker: &mut Asker<'_>, text: &str, table: &[(&str, T)]) -> Result<T> {
    let words: Vec<&str> = table.iter().map(|(word, _)| *word).collect();
    let index = asker.choice(text, &words, words[0])?;
    Ok(table[index].1)
}

fn outputs(asker: &mut Asker<'_>, spec: &mut UnitSpec) -> Result<()> {
    asker.say("\nOutputs")?;
    loop {
        let name = asker.text(with_default("Name of the output on the panel", "speakers"))?;
        let loads_ohm = asker.ask(
            with_default("Loads that may be connected, in ohms", "4 8"),
            |answer| {
                answer
                    .split_whitespace()
                    .map(|n| crate::quantity::entered(n, "Ω", 1.0))
                    .collect::<Result<Vec<f64>>>()
            },
        )?;
        let stage = one_of(asker, "How the output stage is built", &STAGES)?;
        spec.outputs.push(Output {
            name,
            loads_ohm,
            stage,
        });
        if !asker.yes("Another output?", false)? {
            return Ok(());
        }
    }
}

/// Rated power, of the unit or of one mode.
fn power(asker: &mut Asker<'_>, mode: Option<&str>, load: f64) -> Result<RatedPower> {
    let suffix = mode.map(|m| format!(" in mode \"{m}\"")).unwrap_or_default();
    asker.say(&format!("\nRated power{suffix}"))?;
    let watts = asker.number(required("Watts a channel", "40"), "W", 1.0)?;
    let load_ohm = asker.number(
        with_default("Into this load, in ohms", &load.to_string()),
        "Ω",
        1.0,
    )?;
    let driven = one_of(asker, "Channels driven at the same time", &DRIVEN)?;
    let band = asker.pair(
        with_default("Over this range of frequencies", "20 Hz to 20 kHz"),
        "Hz",
    )?;
    let thd_percent = asker.number(
        required(
            "At no more than this total harmonic distortion, in percent",
            "0.1",
        ),
        "%",
        1.0,
    )?;
    Ok(RatedPower {
        watts,
        load_ohm,
        driven,
        band_hz: Band::from(band),
        thd_percent,
    })
}

fn inputs(asker: &mut Asker<'_>, spec: &mut UnitSpec) -> Result<()> {
    asker.say("\nInputs")?;
    let first = asker.text(with_default("Name of an input on the panel", "aux"))?;
    let mut next = first;
    while !next.is_empty() {
        let phono = asker.yes(
            &format!("Is \"{next}\" a phono input, with disc equalisation?"),
            false,
        )?;
        let example = if phono { "2.5" } else { "150" };
        let sensitivity_v = asker.number(
            required("Its sensitivity for rated power, in millivolts", example),
            "V",
            1e-3,
        )?;
        let impedance_ohm = asker.optional("Its impedance, in ohms", "47k", "Ω", 1.0)?;
        spec.inputs.push(Input {
            name: next,
            sensitivity_v,
            impedance_ohm,
            phono,
        });
        next = asker.text(optional("Name of the next input", "phono"))?;
    }
    Ok(())
}

fn modes(asker: &mut Asker<'_>, spec: &mut UnitSpec) -> Result<()> {
    asker.say("\nOperating modes, where the unit has more than one")?;
    loop {
        let name = asker.text(optional("Name of a mode on the panel", "class A"))?;
        if name.is_empty() {
            return Ok(());
        }
        let own = asker.yes(
            "Does the sheet give a rated power of its own for this mode?",
            false,
        )?;
        let power = match own {
            true => Some(power(asker, Some(&name), spec.power.load_ohm)?),
            false => None,
        };
        spec.modes.push(Mode {
            name,
            note: None,
            power,
        });
    }
}

fn rated(asker: &mut Asker<'_>, spec: &mut UnitSpec) -> Result<()> {
    asker.say("\nRated figures: leave out what the sheet does not state. More can be written into the file by hand.")?;
    let line = spec.inputs.iter().find(|i| !i.phono).map(|i| i.name.clone());
    let phono = spec.inputs.iter().find(|i| i.phono).map(|i| i.name.clone());
    distortion(asker, spec)?;
    response(asker, spec, line.as_deref())?;
    for input in [line.as_deref(), phono.as_deref()].into_iter().flatten() {
        signal_to_noise(asker, spec, input)?;
    }
    if let Some(volts) = asker.optional(
        "Hum at the output with the volume at minimum: no more than, in millivolts",
        "0.5",
        "V",
        1e-3,
    )? {
        spec.rated.push(Rated {
            max: Some(volts),
            volume: Some("minimum".to_owned()),
            ..Rated::new(FigureId::Hum, Unit::Volts)
        });
    }
    for hz in [1_000.0, 10_000.0] {
        let text = format!("Channel separation at {} kHz: no less than, in dB", hz / 1e3);
        if let Some(db) = asker.optional(&text, "50", "dB", 1.0)? {
            spec.rated.push(Rated {
                min: Some(db),
                frequency_hz: Some(hz),
                input: line.clone(),
                ..Rated::new(FigureId::Separation, Unit::Decibels)
            });
        }
    }
    if let Some(db) = asker.optional("Channel balance: within plus or minus, in dB", "1", "dB", 1.0)? {
        spec.rated.push(Rated {
            min: Some(-db),
            max: Some(db),
            input: line,
            ..Rated::new(FigureId::Balance, Unit::Decibels)
        });
    }
    Ok(())
}

fn distortion(asker: &mut Asker<'_>, spec: &mut UnitSpec) -> Result<()> {
    let text = "Distortion below rated power (1 kHz): no more than, in percent";
    if let Some(percent) = asker.optional(text, "0.08", "%", 1.0)? {
        let watts = asker.number(with_default("At this output power, in watts", "1"), "W", 1.0)?;
        spec.rated.push(Rated {
            max: Some(percent),
            frequency_hz: Some(1_000.0),
            power_w: Some(watts),
            ..Rated::new(FigureId::Thd, Unit::Percent)
        });
    }
    Ok(())
}

fn response(asker: &mut Asker<'_>, spec: &mut UnitSpec, input: Option<&str>) -> Result<()> {
    let Some(fall) = asker.optional(
        "Frequency response: largest fall re 1 kHz, in dB",
        "0.5",
        "dB",
        1.0,
    )?
    else {
        return Ok(());
    };
    let fall = fall.abs();
    let rise = asker.number(
        with_default("And its largest rise, in dB", &fall.to_string()),
        "dB",
        1.0,
    )?;
    let band = asker.pair(
        with_default("Over this range of frequencies", "20 Hz to 20 kHz"),
        "Hz",
    )?;
    let of = |figure, min, max| Rated {
        min,
        max,
        band_hz: Some(Band::from(band)),
        input: input.map(str::to_owned),
        ..Rated::new(figure, Unit::Decibels)
    };
    spec.rated.push(of(FigureId::ResponseMin, Some(-fall), None));
    spec.rated.push(of(FigureId::ResponseMax, None, Some(rise)));
    Ok(())
}

fn signal_to_noise(asker: &mut Asker<'_>, spec: &mut UnitSpec, input: &str) -> Result<()> {
    let text = format!("Signal-to-noise ratio of input \"{input}\": no less than, in dB");
    let Some(db) = asker.optional(&text, "90", "dB", 1.0)? else {
        return Ok(());
    };
    let weighting = one_of(asker, "Weighting", &WEIGHTINGS)?;
    let question = Question {
        text: "What it refers to",
        example: "rated output, 1 W, 0.5 V, 5 mV at the input",
        default: Some("rated output"),
    };
    let reference = asker.ask(question, |answer| answer.parse::<Reference>())?;
    spec.rated.push(Rated {
        min: Some(db),
        weighting,
        reference: Some(reference.to_string()),
        input: Some(input.to_owned()),
        ..Rated::new(FigureId::Snr, Unit::Decibels)
    });
    Ok(())
}

fn adjustments(asker: &mut Asker<'_>, spec: &mut UnitSpec) -> Result<()> {
    asker.say("\nAdjustments, read with a multimeter")?;
    let text = "DC offset at the speaker terminals: within plus or minus, in millivolts";
    if let Some(mv) = asker.optional(text, "30", "mV", 1.0)? {
        spec.adjustments.push(Adjustment {
            name: "DC offset".to_owned(),
            target_mv: 0.0,
            tolerance_mv: mv,
            mode: None,
            where_measured: Some("across the speaker terminals, no signal".to_owned()),
        });
    }
    let modes: Vec<Option<String>> = match spec.modes.len() {
        0 => vec![None],
        _ => spec.modes.iter().map(|m| Some(m.name.clone())).collect(),
    };
    for mode in modes {
        let suffix = mode
            .as_ref()
            .map(|m| format!(" in mode \"{m}\""))
            .unwrap_or_default();
        let text = format!("Idle voltage{suffix}: target, in millivolts");
        let Some(target_mv) = asker.optional(&text, "12", "mV", 1.0)? else {
            continue;
        };
        let tolerance_mv = asker.number(required("Within plus or minus, in millivolts", "2"), "mV", 1.0)?;
        let place = asker.text(with_default("Measured where", "across the emitter resistors"))?;
        spec.adjustments.push(Adjustment {
            name: "idle voltage".to_owned(),
            target_mv,
            tolerance_mv,
            mode,
            where_measured: Some(place),
        });
    }
    Ok(())
}
