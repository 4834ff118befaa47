//! What a bench is fit for, by rules on its own floors.
//!
//! - **power**: levels follow, the gain is that of the calibration. The highest power is what the input takes through the
//!   tap 1 dB below full scale, or the load's rating.
//! - **distortion**: down to 10 dB above the bench's own at the best of its levels ([`RIG_MARGIN`]: from there on a figure
//!   is marked as limited by the rig; at 10 dB the rig's harmonic moves the unit's by up to ±2.4…3.3 dB).
//! - **noise**: down to the bench's own. It is taken off as power; as large as the unit's own it is known to 0.5 dB, which
//!   leaves ±1 dB for the unit (k = 2). In volts at the unit's output, tap by tap.
//! - **response**: as far as the sweep came back and is to be corrected; **separation**: up to 10 dB less than the
//!   bench's own.
//!
//! A limit is of use where ordinary amplifiers are better than it is bad: distortion of 0.1 %, noise of 0.5 mV, separation
//! of 40 dB, response from 20 Hz to 20 kHz (common practice, no source).

use super::trouble::Trouble;
use super::{ChannelCheck, SelfCheck};
use crate::figures::distortion::RIG_MARGIN;
use crate::quantity::{Decibels, Ohms, Volts};
use crate::rig::Rig;
use serde::Serialize;
use std::fmt;

/// Distortion that must be measurable, %.
const ORDINARY_PERCENT: f64 = 0.1;
/// Noise that must be measurable, V.
const ORDINARY_NOISE_V: f64 = 0.5e-3;
/// Separation that must be measurable, dB.
const ORDINARY_SEPARATION_DB: f64 = 40.0;
/// The response must reach at least so far, Hz; the lowest and the highest third octave inside 20 Hz–20 kHz.
const ORDINARY_HZ: [f64; 2] = [20.0, 19_900.0];
/// Where something was not found at all.
const LOOK: &str = "check the cables and the interface's mixer, and run the check again";
/// Working room below the input's full scale.
const HEADROOM: Decibels = Decibels(-1.0);

/// What a bench is used for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "each variant is the figure it is named after")]
pub enum Purpose {
    Power,
    Distortion,
    Noise,
    Response,
    Separation,
}

impl Purpose {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Power,
        Self::Distortion,
        Self::Noise,
        Self::Response,
        Self::Separation,
    ];

    /// The name on the command line and in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Power => "power",
            Self::Distortion => "distortion",
            Self::Noise => "noise",
            Self::Response => "response",
            Self::Separation => "separation",
        }
    }
}

impl fmt::Display for Purpose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// What can be said of one purpose.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fitness {
    /// For what.
    pub purpose: Purpose,
    /// Whether it is fit.
    pub fit: bool,
    /// How far: limits with their units, by tap where there are several.
    pub limits: Vec<Reach>,
    /// Why not; empty where it is fit.
    pub because: String,
    /// What to change; empty where nothing must be.
    pub next: String,
}

/// How far a bench reaches.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reach {
    /// What it holds for: "A-weighted", "up to".
    pub what: String,
    /// Tap, where it matters.
    pub tap: Option<String>,
    /// Value.
    pub value: f64,
    /// "W", "%", "V", "Hz", "dB", "dBFS".
    pub unit: &'static str,
}

/// One entry a purpose.
pub(super) fn all(check: &SelfCheck, rig: &Rig) -> Vec<Fitness> {
    Purpose::ALL.map(|purpose| of(purpose, check, rig)).to_vec()
}

fn of(purpose: Purpose, check: &SelfCheck, rig: &Rig) -> Fitness {
    let (limits, poor) = match purpose {
        Purpose::Power => power(rig),
        Purpose::Distortion => distortion(check),
        Purpose::Noise => noise(check, rig),
        Purpose::Response => response(check),
        Purpose::Separation => separation(check),
    };
    let spoiling: Vec<&Trouble> = check
        .troubles
        .iter()
        .filter(|t| t.spoils.contains(&purpose))
        .collect();
    let (because, next) = match (spoiling.first(), poor) {
        (Some(first), _) => (
            spoiling
                .iter()
                .map(|t| t.what.as_str())
                .collect::<Vec<_>>()
                .join("; "),
            first.next.clone(),
        ),
        (None, Some((because, next))) => (because, next),
        (None, None) => (String::new(), String::new()),
    };
    Fitness {
        purpose,
        fit: because.is_empty(),
        limits,
        because,
        next,
    }
}

/// Limits, and why they are not enough with what to change.
type Found = (Vec<Reach>, Option<(String, String)>);

fn poor(because: impl Into<String>, next: &str) -> Option<(String, String)> {
    Some((because.into(), next.to_owned()))
}

/// The taps of a rig by name; a rig without one has the bare input.
fn taps(rig: &Rig) -> Vec<Option<String>> {
    match rig.taps.as_slice() {
        [] => vec![None],
        taps => taps.iter().map(|t| Some(t.name.clone())).collect(),
    }
}

fn power(rig: &Rig) -> Found {
    let channels = 0..rig.channels.len();
    let limits = taps(rig).into_iter().filter_map(|tap| {
        let watts = channels.clone().filter_map(|c| {
            let full_scale = rig.volts_at_full_scale(c, tap.as_deref())?.value;
            let load = rig.load(c, false)?.value;
            Some(
                (Volts(full_scale) * HEADROOM.amplitude_ratio())
                    .power_into(Ohms(load))
                    .0,
            )
        });
        let most = watts.reduce(f64::min)?;
        Some(Reach {
            what: "1 dB below full scale at".to_owned(),
            tap,
            value: most,
            unit: "W",
        })
    });
    let mut limits: Vec<Reach> = limits.collect();
    let rating = rig.channels.iter().map(|c| c.load_rating_w).reduce(f64::min);
    limits.extend(rating.map(|value| Reach {
        what: "the load is rated".to_owned(),
        tap: None,
        value,
        unit: "W",
    }));
    (limits, None)
}

/// Of each channel the best level, of the channels the worst.
fn distortion(check: &SelfCheck) -> Found {
    let of = |c: &ChannelCheck| {
        c.distortion
            .iter()
            .min_by(|a, b| a.thd_percent.total_cmp(&b.thd_percent))
            .cloned()
    };
    let best = |c: &ChannelCheck| of(c).map(|d| d.thd_percent);
    let level = worst(check, |c| of(c).map(|d| d.level_dbfs), f64::min).unwrap_or(0.0);
    let Some(own) = worst(check, best, f64::max) else {
        return (Vec::new(), poor("own distortion was not found", LOOK));
    };
    let value = own * RIG_MARGIN.amplitude_ratio();
    let reach = |what: &str, value, unit| Reach {
        what: what.to_owned(),
        tap: None,
        value,
        unit,
    };
    let limits = vec![reach("down to", value, "%"), reach("best at", level, "dBFS")];
    let weak = poor(
        format!("its own distortion is {own:.2} %"),
        "work at a lower input level, or use an interface with less distortion of its own",
    );
    (limits, weak.filter(|_| value > ORDINARY_PERCENT))
}

/// The same of every channel, where all have it.
fn worst(
    check: &SelfCheck,
    of: impl Fn(&ChannelCheck) -> Option<f64>,
    take: fn(f64, f64) -> f64,
) -> Option<f64> {
    let all: Option<Vec<f64>> = check.channels.iter().map(of).collect();
    all?.into_iter().reduce(take)
}

fn noise(check: &SelfCheck, rig: &Rig) -> Found {
    let at_output = |tap: Option<&str>, pick: fn(&super::Floor) -> f64| {
        let volts = |c: &ChannelCheck| {
            let floor = c.floor.as_ref()?;
            let full_scale = rig.volts_at_full_scale(c.channel.index()?, tap)?.value;
            Some(full_scale * Decibels(pick(floor)).amplitude_ratio())
        };
        worst(check, volts, f64::max)
    };
    let mut limits = Vec::new();
    for tap in taps(rig) {
        for (what, pick) in [
            ("20 Hz–20 kHz", (|f| f.flat_dbfs) as fn(&super::Floor) -> f64),
            ("A-weighted", |f| f.a_dbfs),
        ] {
            limits.extend(at_output(tap.as_deref(), pick).map(|value| Reach {
                what: what.to_owned(),
                tap: tap.clone(),
                value,
                unit: "V",
            }));
        }
    }
    let least = limits.iter().map(|l| l.value).reduce(f64::min);
    let weak = match least {
        None => poor("own noise was not found", LOOK),
        Some(v) if v > ORDINARY_NOISE_V => poor(
            format!("even through its best tap its own noise is {:.1} mV", 1000.0 * v),
            "measure noise through a second tap that attenuates little (0 to 6 dB)",
        ),
        Some(_) => None,
    };
    (limits, weak)
}

fn response(check: &SelfCheck) -> Found {
    let low = |c: &ChannelCheck| c.response.as_ref()?.frequency_hz.first().copied();
    let high = |c: &ChannelCheck| {
        let r = c.response.as_ref()?;
        r.cut_off_hz.or(r.frequency_hz.last().copied())
    };
    let (Some(low), Some(high)) = (worst(check, low, f64::max), worst(check, high, f64::min)) else {
        return (Vec::new(), poor("its own response was not found", LOOK));
    };
    let reach = |what: &str, value| Reach {
        what: what.to_owned(),
        tap: None,
        value,
        unit: "Hz",
    };
    let limits = vec![reach("from", low), reach("to", high)];
    let narrow = low > ORDINARY_HZ[0] || high < ORDINARY_HZ[1];
    let weak = poor(
        "it does not reach from 20 Hz to 20 kHz",
        "choose a sample rate of 48 kHz or more",
    );
    (limits, weak.filter(|_| narrow))
}

fn separation(check: &SelfCheck) -> Found {
    let own = |c: &ChannelCheck| c.crosstalk.iter().map(|x| x.db).reduce(f64::max);
    let Some(own) = worst(check, own, f64::max) else {
        return (Vec::new(), poor("its own crosstalk was not found", LOOK));
    };
    let value = -own - RIG_MARGIN.0;
    let limits = vec![Reach {
        what: "up to".to_owned(),
        tap: None,
        value,
        unit: "dB",
    }];
    let weak = poor(
        format!("its own channels are only {:.0} dB apart", -own),
        "switch off mixing and monitoring in the interface's mixer",
    );
    (limits, weak.filter(|_| value < ORDINARY_SEPARATION_DB))
}
