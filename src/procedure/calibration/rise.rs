//! Driving an amplifier: every take through the ceiling, each answer compared with what its ratings and the step before let
//! expect, and the multimeter asked at a fraction of a volt before the tone rises further.

use super::answers::Answers;
use super::bare;
use super::creep::{self, Creep};
use super::run::Calibrator;
use super::sound::{self, Heard};
use super::step::{Amplify, Measure, Reading};
use super::trial::TRIAL_S;
use crate::error::{Error, Result};
use crate::procedure::operator::{Expects, Notice, Question, Weight, confirmed};
use crate::procedure::run::{ATTEMPTS, GAIN_OFF};
use crate::quantity::Dbfs;
use crate::rig::ceiling::{Answer, Ceiling, Cleared, Wish};

/// Volts at the terminals that the meter is asked at first: enough for it, and a tenth of a watt even in 1 Ω.
const FAINT_V: f64 = 0.3;

/// A rise on its way.
struct Way<'c> {
    amplify: &'c Amplify,
    ceiling: Ceiling<'c>,
    heard: Vec<creep::Heard>,
}

/// What was asked for, or why the tone does not rise further.
type Risen<T> = std::result::Result<T, String>;

impl Way<'_> {
    /// What may be played. The limits keep load and unit below what they bear for ever, so that no rest is due.
    fn cleared(&mut self, level_dbfs: f64, seconds: f64) -> Result<Cleared> {
        let stimulus = sound::stimulus(&self.amplify.measure, level_dbfs, seconds);
        self.ceiling.clear(&Wish {
            stimulus: &stimulus,
            setup: &self.amplify.measure.setup,
            unit: &self.amplify.unit,
            confirmed: false,
        })
    }

    fn volts(&self, dbfs: f64) -> f64 {
        self.amplify.volts_at_full_scale * Dbfs(dbfs).sine_peak()
    }
}

impl Calibrator<'_> {
    /// Drives an amplifier and reads at its terminals; however that ends, the amplifier is to be switched off before
    /// anything is moved. `None` where the operator wants to begin again.
    pub(super) fn amplify(&mut self, amplify: &Amplify, answers: &mut Answers) -> Result<Option<Reading>> {
        self.prepare(&amplify.measure)?;
        let read = self.rise(amplify, answers);
        self.operator.tell(&Notice::caution(
            "Turn the volume to minimum, switch the amplifier off and pull its mains plug before anything is moved.",
            "",
        ))?;
        match read? {
            Ok(reading) => Ok(reading),
            Err(why) => {
                self.tell(format!("Stopped: {why}."))?;
                self.try_again()?;
                Ok(None)
            }
        }
    }

    /// Rises from far below to a level for the meter, compares, rises to what is enough, and reads there.
    fn rise(&mut self, amplify: &Amplify, answers: &mut Answers) -> Result<Risen<Option<Reading>>> {
        let creep = Creep {
            from_dbfs: amplify.from_dbfs,
            most_dbfs: amplify.most_dbfs,
            enough_v: amplify.enough_v,
            limit_v: amplify.limit_v,
        };
        let faint = Creep {
            enough_v: FAINT_V.min(amplify.enough_v),
            ..creep
        };
        let mut way = Way {
            amplify,
            ceiling: Ceiling::new(&amplify.rig),
            heard: Vec::new(),
        };
        if let Err(why) = self.climb(&mut way, &faint)? {
            return Ok(Err(why));
        }
        let first = Measure {
            key: format!("{}-faint", amplify.measure.key),
            meter: bare::shown(&format!("{}-faint", amplify.measure.key)),
            ..amplify.measure.clone()
        };
        let Some(read) = self.stay(&mut way, &first)? else {
            return Ok(Ok(None));
        };
        if let Some(why) = disagreement(&way, &read) {
            answers.forget(&amplify.measure.suspects);
            return Ok(Err(why));
        }
        if let Err(why) = self.climb(&mut way, &creep)? {
            return Ok(Err(why));
        }
        self.stay(&mut way, &amplify.measure).map(Ok)
    }

    fn climb(&mut self, way: &mut Way<'_>, creep: &Creep) -> Result<Risen<()>> {
        loop {
            match creep.next(&way.heard) {
                creep::Rise::Play(level_dbfs) => match self.answer(way, level_dbfs)? {
                    Ok(volts) => way.heard.push(creep::Heard { level_dbfs, volts }),
                    Err(why) => return Ok(Err(why)),
                },
                creep::Rise::Enough => return Ok(Ok(())),
                creep::Rise::Stop(why) => return Ok(Err(why)),
            }
        }
    }

    /// Volts at the terminals for one short tone, also anew at the same level where its recording is damaged; `None` where
    /// no tone comes back.
    fn answer(&mut self, way: &mut Way<'_>, level_dbfs: f64) -> Result<Risen<Option<f64>>> {
        let measure = &way.amplify.measure;
        for _ in 0..ATTEMPTS {
            let cleared = way.cleared(level_dbfs, TRIAL_S)?;
            let volts = match self.play(measure, &cleared)? {
                Heard::Tone { dbfs, .. } => way.volts(dbfs),
                Heard::Nothing => return Ok(Ok(None)),
                Heard::Clipped => {
                    return Ok(Err(
                        "the input is at full scale: use a tap that attenuates more".to_owned()
                    ));
                }
                Heard::Stopped(why) => return Ok(Err(why)),
                Heard::Damaged(how) => {
                    self.tell(format!("{how}. The tone is played once more, no louder."))?;
                    continue;
                }
            };
            self.tell(format!(
                "  {level_dbfs:.1} dBFS at the output: about {volts:.2} V at the terminals"
            ))?;
            return Ok(self.judged(way, volts)?.map(|()| Some(volts)));
        }
        Ok(Err(format!(
            "{ATTEMPTS} recordings in a row have losses: close other programs, choose a larger period for the device"
        )))
    }

    /// Compares an answer with the ratings, and with the answers before.
    fn judged(&mut self, way: &mut Way<'_>, volts: f64) -> Result<Risen<()>> {
        let mut all = vec![None; way.amplify.rig.channels.len()];
        if let Some(own) = all.get_mut(way.amplify.measure.channel) {
            *own = Some(volts);
        }
        match way.ceiling.answer(&all) {
            Answer::AsExpected => Ok(Ok(())),
            Answer::Off(error) if way.heard.is_empty() && self.is_so(&error)? => {
                way.ceiling.accept();
                Ok(Ok(()))
            }
            Answer::Off(error) | Answer::WrongConnection(error) | Answer::NoSignal(error) => {
                Ok(Err(in_words(&error)))
            }
        }
    }

    fn is_so(&mut self, off: &Error) -> Result<bool> {
        let question = Question {
            key: GAIN_OFF.to_owned(),
            weight: Weight::Caution,
            text: format!(
                "With the ratings, resistors and readings that were typed, {}. Are all of them right, and is the amplifier so?",
                off.what()
            ),
            why: "A resistor of ten times the value that was typed makes ten times the volts look harmless."
                .to_owned(),
            expects: Expects::Yes,
        };
        confirmed(self.operator, &question)
    }

    /// The tone at the level reached, for as long as the meter takes.
    fn stay(&mut self, way: &mut Way<'_>, measure: &Measure) -> Result<Option<Reading>> {
        let level_dbfs = way.heard.last().map_or(way.amplify.from_dbfs, |h| h.level_dbfs);
        self.tell(format!(
            "The tone stays for {:.0} s: read the meter while it lasts.",
            measure.seconds
        ))?;
        self.read(measure, level_dbfs, &mut |seconds| {
            way.cleared(level_dbfs, seconds)
        })
    }
}

/// What the meter says against what the rig makes of the recording.
fn disagreement(way: &Way<'_>, read: &Reading) -> Option<String> {
    let program = way.volts(read.dbfs);
    let off = program / read.volts - 1.0;
    // Not "off > within": what is no number must not pass.
    let agrees = off.abs() <= way.amplify.within;
    (!agrees).then(|| {
        format!(
            "the meter shows {:.3} V at the terminals, the program makes {:.3} V of the readings and resistors that were \
             typed: they are asked again, and nothing louder was played",
            read.volts,
            program
        )
    })
}

fn in_words(error: &Error) -> String {
    match error.next_step() {
        Some(next) => format!("{}: {next}", error.what()),
        None => error.what().to_owned(),
    }
}
