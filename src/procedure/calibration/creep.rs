//! How an amplifier's level rises from far below: small steps, each compared with what the last one lets expect.

use crate::quantity::Decibels;
use crate::rig::ceiling::WRONG_GAIN;

/// One step up, dB.
const STEP_DB: f64 = 6.0;

/// Steps that fall short of what is enough by less are not worth a further one, dB.
const NEAR_DB: f64 = 0.1;

/// Where to rise to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Creep {
    /// Level to begin at, dBFS.
    pub from_dbfs: f64,
    /// Level never to be exceeded, dBFS.
    pub most_dbfs: f64,
    /// Volts at the terminals that are enough.
    pub enough_v: f64,
    /// Volts at the terminals never to be exceeded.
    pub limit_v: f64,
}

/// A level that was played, and the volts that came back for it; `None` where no tone was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heard {
    /// dBFS.
    pub level_dbfs: f64,
    /// V rms at the terminals.
    pub volts: Option<f64>,
}

/// What follows.
#[derive(Debug, Clone, PartialEq)]
pub enum Rise {
    /// Play at this level, dBFS.
    Play(f64),
    /// The last level is enough.
    Enough,
    /// Stop: why, and what to check.
    Stop(String),
}

impl Creep {
    /// What follows after `heard`, oldest first.
    pub fn next(&self, heard: &[Heard]) -> Rise {
        let Some(last) = heard.last() else {
            return Rise::Play(self.from_dbfs.min(self.most_dbfs));
        };
        let Some(volts) = last.volts else {
            return Rise::Stop(without_answer(heard));
        };
        // Not "volts > limit": what is no number must not go on.
        if !(volts >= 0.0 && volts <= self.limit_v) {
            return Rise::Stop(format!(
                "{volts:.2} V at the terminals is above the limit of {} V; the tone was stopped",
                self.limit_v
            ));
        }
        if let Some(why) = broken_step(heard) {
            return Rise::Stop(why);
        }
        let missing_db = Decibels::from_amplitude_ratio(self.enough_v / volts).0;
        if missing_db <= NEAR_DB {
            return Rise::Enough;
        }
        // Aimed between what is enough and the limit, so that a gain that is off by 1 dB stays inside.
        self.up(last.level_dbfs, STEP_DB.min(missing_db + NEAR_DB))
    }

    fn up(&self, from_dbfs: f64, step_db: f64) -> Rise {
        let next = (from_dbfs + step_db).min(self.most_dbfs);
        if next > from_dbfs {
            return Rise::Play(next);
        }
        Rise::Stop(
            "the amplifier's rated sensitivity is reached and its output is still low: turn its volume up, or check the \
             sensitivity that was typed"
                .to_owned(),
        )
    }
}

/// An answer is never waited for at a higher level: what does not come back may go elsewhere.
fn without_answer(heard: &[Heard]) -> String {
    if heard.iter().any(|h| h.volts.is_some()) {
        return "what came back is gone: check the connections".to_owned();
    }
    "nothing comes back: check cables, input selector, volume, speaker switch and tap; do not turn the level up".to_owned()
}

/// Whether the last answer rose by something else than the level did.
fn broken_step(heard: &[Heard]) -> Option<String> {
    let [.., before, last] = heard else { return None };
    let (from, to) = (before.volts?, last.volts?);
    let played = last.level_dbfs - before.level_dbfs;
    let answered = Decibels::from_amplitude_ratio(to / from).0;
    // Not "further than": what is no number is broken.
    let fits = (answered - played).abs() <= WRONG_GAIN.0;
    (!fits).then(|| {
        format!(
            "a step of {played:.1} dB came back as {answered:.1} dB: the amplifier limits, oscillates, or something was moved"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const CREEP: Creep = Creep {
        from_dbfs: -90.0,
        most_dbfs: -30.0,
        enough_v: 5.0,
        limit_v: 8.0,
    };

    fn all(creep: Creep, answer: impl Fn(f64) -> Option<f64>) -> (Vec<Heard>, Rise) {
        let mut heard = Vec::new();
        loop {
            match creep.next(&heard) {
                Rise::Play(level_dbfs) => heard.push(Heard {
                    level_dbfs,
                    volts: answer(level_dbfs),
                }),
                end => return (heard, end),
            }
        }
    }

    #[test]
    fn it_rises_to_what_is_enough_and_no_further() {
        // A gain that gives 20 V at −30 dBFS: 5 V are reached at −42.04 dBFS (20 lg 4 = 12.04).
        let (heard, end) = all(CREEP, |dbfs| Some(20.0 * 10f64.powf((dbfs + 30.0) / 20.0)));
        assert_eq!(end, Rise::Enough);
        let last = heard.last().unwrap();
        assert!((last.level_dbfs + 42.04).abs() < 0.15, "{last:?}");
        assert!((heard[0].level_dbfs + 90.0).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_right_stops_it() {
        let words = |end: Rise| match end {
            Rise::Stop(why) => why,
            other => panic!("{other:?}"),
        };
        let (heard, end) = all(CREEP, |_| None);
        assert!(words(end).contains("nothing comes back"));
        // One faint tone, and none above it.
        assert_eq!(heard.len(), 1);
        assert!(words(all(CREEP, |_| Some(9.0)).1).contains("above the limit"));
        assert!(words(all(CREEP, |_| Some(f64::NAN)).1).contains("above the limit"));
        assert!(words(all(CREEP, |_| Some(0.1)).1).contains("came back as 0.0 dB"));
        let weak = all(CREEP, |dbfs| Some(10f64.powf((dbfs + 30.0) / 20.0)));
        assert!(words(weak.1).contains("still low"));
        let gone = all(CREEP, |dbfs| {
            (dbfs < -80.0).then_some(0.01 * 10f64.powf((dbfs + 90.0) / 20.0))
        });
        assert!(words(gone.1).contains("gone"));
    }

    proptest! {
        #[test]
        fn it_ends_and_never_exceeds_its_level(answers in proptest::collection::vec(proptest::option::of(0.0f64..20.0), 40)) {
            let mut heard = Vec::new();
            while let Rise::Play(level_dbfs) = CREEP.next(&heard) {
                prop_assert!(level_dbfs <= CREEP.most_dbfs);
                if let Some(last) = heard.last() {
                    let last: &Heard = last;
                    prop_assert!(level_dbfs <= last.level_dbfs + STEP_DB && last.volts.is_none_or(|v| v <= CREEP.limit_v));
                }
                prop_assert!(heard.len() < answers.len());
                heard.push(Heard { level_dbfs, volts: answers[heard.len()] });
            }
        }
    }
}
