//! The interface alone: full scale of its outputs and inputs, its impedances, and whether it is linear.

use super::answers::Answers;
use super::settings::{Settings, before_the_first_tone};
use super::step::{Ask, Measure, Reading, Refusal, Step, Trial, VOLTS, Walked, ready};
use super::{CHANNELS, arithmetic, output_alone};
use crate::bench::guard::LOUDER;
use crate::figure::Channel;
use crate::procedure::operator::{Expects, Notice, Question, Weight};
use crate::quantity::Estimate;
use crate::signal::take::Setup;

/// Level that full scale is read at, dBFS: clear of any limiter near full scale.
pub(super) const LEVEL_DBFS: f64 = -10.0;

/// Level where the meter's digits weigh too much at [`LEVEL_DBFS`], dBFS.
const LOUDER_DBFS: f64 = -3.0;

/// A step of the generator, dB, and how exactly it must be read. Common practice, no source: automatic gain, limiters
/// and noise gates miss it by far more.
const STEP_DB: f64 = -20.0;
/// See [`STEP_DB`].
const STEP_WITHIN_DB: f64 = 0.05;

/// Length of a tone that only the interface reads, s.
pub(super) const LISTENED_S: f64 = 1.5;

/// What outputs and inputs may be where nothing is known, Ω. Common practice, no source.
const TYPICAL_OUTPUT_OHM: [f64; 2] = [50.0, 300.0];
/// See [`TYPICAL_OUTPUT_OHM`].
const TYPICAL_INPUT_OHM: [f64; 2] = [10e3, 60e3];

/// How exactly a manual states an impedance. Common practice, no source.
const MANUAL_WITHIN: f64 = 0.2;

/// The series resistor as the setup names it.
pub const SERIES_RESISTOR: &str = "series resistor";

/// What stands for the cable in the setup where none goes from an output to an input.
pub const NO_CABLE: &str = "no cable";

/// Most that an input reads above what its output plays, dB: outputs of 10 V and inputs of half a volt. An amplifier adds
/// 20 dB and more to what is usual, 0 to 12 dB. Common practice, no source.
const MOST_SENSITIVE_DB: f64 = 26.0;

/// One channel of the interface.
#[derive(Debug, Clone)]
pub(super) struct Bare {
    pub(super) output_full_scale: Estimate,
    pub(super) output_impedance: Estimate,
    pub(super) input_full_scale: Estimate,
    pub(super) input_impedance: Estimate,
    /// What was read at the output, open.
    pub(super) open: Reading,
    /// What was read straight at the input.
    pub(super) direct: Reading,
}

pub(super) fn channels(s: &Settings, a: &Answers, reading_s: f64) -> Walked<Vec<Bare>> {
    let walk = Walk { s, a, reading_s };
    let open = each(|c| walk.open(c))?;
    let output_impedance = walk.output_impedance(&open)?;
    let direct = each(|c| walk.direct(c, &open))?;
    let input_impedance = walk.input_impedance(&direct, &output_impedance)?;
    each(|c| {
        let (open, direct) = (&open[c], &direct[c]);
        let at_output = s.meter.volts(open.volts, &open.key);
        let at_input = s.meter.volts(direct.volts, &direct.key);
        Ok(Bare {
            output_full_scale: arithmetic::output_full_scale(&at_output, open.played_dbfs),
            output_impedance: output_impedance[c].clone(),
            input_full_scale: arithmetic::input_full_scale(&at_input, &arithmetic::amplitude(direct)),
            input_impedance: input_impedance[c].clone(),
            open: open.clone(),
            direct: direct.clone(),
        })
    })
}

/// Left, then right.
pub(super) fn each<T>(of: impl Fn(usize) -> Walked<T>) -> Walked<Vec<T>> {
    (0..CHANNELS).map(of).collect()
}

/// What the multimeter shows while the tone plays.
pub(super) fn shown(key: &str) -> Option<Question> {
    Some(Question {
        key: format!("{key}-{VOLTS}"),
        weight: Weight::Step,
        text: "The meter showed, in volts; 0 plays the tone again".to_owned(),
        why: String::new(),
        expects: Expects::Number {
            unit: "V",
            example: "1.556".to_owned(),
            range: [0.0, 200.0],
            default: None,
        },
    })
}

struct Walk<'w> {
    s: &'w Settings,
    a: &'w Answers,
    reading_s: f64,
}

impl Walk<'_> {
    /// A tone on one channel at [`LEVEL_DBFS`], into whatever is connected.
    fn tone(&self, key: String, channel: usize, notices: Vec<Notice>, asked: &str) -> Measure {
        Measure {
            opening: self.s.opening.clone(),
            notices,
            ready: ready(asked, Weight::Step),
            channel,
            frequency_hz: self.s.tone_hz,
            level_dbfs: LEVEL_DBFS,
            seconds: LISTENED_S,
            setup: Setup {
                driven: Some(output_alone(channel)),
                ..Setup::default()
            },
            meter: None,
            listens: true,
            trial: Trial::Unmoved,
            suspects: Vec::new(),
            key,
        }
    }

    /// The same into a meter or a resistor: no input hears it.
    fn alone(&self, tone: Measure) -> Measure {
        Measure {
            listens: false,
            trial: Trial::Silent,
            setup: Setup {
                pad: Some(NO_CABLE.to_owned()),
                ..tone.setup.clone()
            },
            ..tone
        }
    }

    fn open(&self, channel: usize) -> Walked<Reading> {
        let side = Channel::at(channel);
        let key = format!("output-{side}");
        let notices = if channel == 0 {
            before_the_first_tone()
        } else {
            Vec::new()
        };
        let asked = format!(
            "Put the meter across tip and sleeve of the {side} output. Is it there, and nothing else on the outputs?"
        );
        let measure = Measure {
            seconds: self.reading_s,
            meter: shown(&key),
            ..self.alone(self.tone(key.clone(), channel, notices, &asked))
        };
        let read = measure.reading_in(self.a)?;
        if read.volts * 1e3 < 1.0 {
            return Err(again(
                &[&key],
                format!(
                    "{side}: {} V is no signal. Check the socket, the meter's range, and the volume.",
                    read.volts
                ),
            ));
        }
        Ok(read)
    }

    fn direct(&self, channel: usize, open: &[Reading]) -> Walked<Reading> {
        let side = Channel::at(channel);
        let key = format!("input-{side}");
        let notices = vec![Notice::step(
            format!(
                "Connect the {side} output to the {side} input with a cable. Leave the meter across tip and sleeve. No \
                 attenuator and no amplifier between them."
            ),
            "The meter reads the volts that reach the input, and the program what they are in dBFS.",
        )];
        let open = &open[channel];
        let digits = self.s.meter.digits_percent(open.volts);
        let level_dbfs = if digits > self.s.meter.volts.percent {
            LOUDER_DBFS
        } else {
            LEVEL_DBFS
        };
        let asked = format!("Does the {side} output go straight to the {side} input, with the meter across?");
        let measure = Measure {
            level_dbfs,
            seconds: self.reading_s,
            meter: shown(&key),
            trial: Trial::Returns(MOST_SENSITIVE_DB),
            ..self.tone(key, channel, notices, &asked)
        };
        let read = measure.reading_in(self.a)?;
        self.step_is_read(channel, &read)?;
        Ok(read)
    }

    /// Nothing is moved: a tone a hundredth as strong must be read so.
    fn step_is_read(&self, channel: usize, direct: &Reading) -> Walked<()> {
        let side = Channel::at(channel);
        let measure = Measure {
            ready: None,
            level_dbfs: direct.played_dbfs + STEP_DB,
            ..self.tone(format!("linearity-{side}"), channel, Vec::new(), "")
        };
        let read = measure.reading_in(self.a)?;
        let step_db = read.dbfs - direct.dbfs;
        if (step_db - STEP_DB).abs() <= STEP_WITHIN_DB {
            return Ok(());
        }
        Err(again(
            &[&format!("input-{side}"), &format!("linearity-{side}")],
            format!(
                "{side}: a step of {STEP_DB:.2} dB was read as {step_db:.2} dB; within {STEP_WITHIN_DB} dB is needed. \
                 Automatic gain, a limiter, a noise gate or an effect is at work: switch it off in the interface and \
                 in the computer's sound settings."
            ),
        ))
    }

    fn output_impedance(&self, open: &[Reading]) -> Walked<Vec<Estimate>> {
        let by = self.impedance_by("output", "50 to 300 Ω", "1 kΩ")?;
        if by != "measured" {
            let known = self.unmeasured("output", &by, TYPICAL_OUTPUT_OHM)?;
            return Ok(vec![known; CHANNELS]);
        }
        let resistor = self.resistor("output", [100.0, 10e3], "998")?;
        each(|c| {
            let side = Channel::at(c);
            let key = format!("output-{side}-loaded");
            let asked = format!(
                "Connect the resistor and the meter across tip and sleeve of the {side} output. Are both there, and \
                 nothing else?"
            );
            let notices = if c == 0 {
                vec![Notice::step("Set the multimeter to AC volts again.", "")]
            } else {
                Vec::new()
            };
            let measure = Measure {
                level_dbfs: open[c].played_dbfs,
                seconds: self.reading_s,
                meter: shown(&key),
                ..self.alone(self.tone(key.clone(), c, notices, &asked))
            };
            let read = measure.reading_in(self.a)?;
            let volts = |r: &Reading| self.s.meter.volts(r.volts, &r.key);
            let found = arithmetic::output_impedance(&volts(&open[c]), &volts(&read), &resistor);
            if (0.01..1e4).contains(&found.value) {
                return Ok(found);
            }
            Err(again(
                &[&key],
                format!(
                    "{side}: {} V open and {} V with the resistor make no output impedance. Check the resistor.",
                    open[c].volts, read.volts
                ),
            ))
        })
    }

    fn input_impedance(&self, direct: &[Reading], source: &[Estimate]) -> Walked<Vec<Estimate>> {
        let by = self.impedance_by("input", "10 to 60 kΩ", "10 kΩ")?;
        if by != "measured" {
            let known = self.unmeasured("input", &by, TYPICAL_INPUT_OHM)?;
            return Ok(vec![known; CHANNELS]);
        }
        let resistor = self.resistor("input", [500.0, 1e6], "9.98 k")?;
        each(|c| {
            let side = Channel::at(c);
            let key = format!("input-{side}-behind");
            let asked = format!(
                "Put the resistor into the hot wire from the {side} output to the {side} input; take the meter off. Is it so?"
            );
            let tone = self.tone(key.clone(), c, Vec::new(), &asked);
            let measure = Measure {
                level_dbfs: direct[c].played_dbfs,
                trial: Trial::Returns(direct[c].dbfs - direct[c].played_dbfs + LOUDER.0),
                setup: Setup {
                    pad: Some(SERIES_RESISTOR.to_owned()),
                    ..tone.setup.clone()
                },
                ..tone
            };
            let read = measure.reading_in(self.a)?;
            // The generator's own steps are exact: levels are referred to the one that was played straight.
            let referred = Reading {
                dbfs: read.dbfs - read.played_dbfs + direct[c].played_dbfs,
                ..read
            };
            let found = arithmetic::input_impedance(
                &arithmetic::amplitude(&direct[c]),
                &arithmetic::amplitude(&referred),
                &resistor,
                &source[c],
            );
            if (100.0..1e8).contains(&found.value) {
                return Ok(found);
            }
            Err(again(
                &[&key],
                format!(
                    "{side}: {:.2} dBFS straight and {:.2} dBFS behind the resistor make no input impedance. Check the resistor.",
                    direct[c].dbfs, referred.dbfs
                ),
            ))
        })
    }

    fn impedance_by(&self, what: &str, typical: &str, resistor: &str) -> Walked<String> {
        let words = ["typical", "manual", "measured"].map(str::to_owned);
        let text = format!(
            "Impedance of the {what}s: {typical} is typical; a manual may state it; it is measured with a loose resistor \
             of about {resistor}"
        );
        Ask::choice(&format!("{what}-impedance"), text, &words).word_in(self.a)
    }

    fn unmeasured(&self, what: &str, by: &str, typical: [f64; 2]) -> Walked<Estimate> {
        if by != "manual" {
            return Ok(arithmetic::between(typical, "typical"));
        }
        let text = format!("Impedance of an {what} as the manual states it, in ohms");
        let ohm = Ask::number(&format!("{what}-impedance-ohm"), text, "Ω", [0.1, 1e7]).number_in(self.a)?;
        Ok(arithmetic::between(
            [ohm * (1.0 - MANUAL_WITHIN), ohm * (1.0 + MANUAL_WITHIN)],
            "manual",
        ))
    }

    fn resistor(&self, what: &str, range: [f64; 2], example: &str) -> Walked<Estimate> {
        let key = format!("{what}-resistor-ohm");
        let ohm = Ask::number(
            &key,
            "Measure the loose resistor with the multimeter on ohms. It shows",
            "Ω",
            range,
        )
        .example(example)
        .number_in(self.a)?;
        Ok(self.s.meter.ohms(ohm, &key))
    }
}

/// Readings that cannot stand: connected anew, if the operator agrees.
pub(super) fn again(keys: &[&str], what: String) -> Box<Step> {
    Box::new(Step::Refuse(Refusal {
        notice: Notice::step(what, ""),
        forget: keys.iter().map(|k| (*k).to_owned()).collect(),
        asks: true,
    }))
}
