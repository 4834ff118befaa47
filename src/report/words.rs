//! Figures, conditions, limits and outcomes in words.

use super::input::{Judgement, RatedItem};
use super::number::setting;
use crate::figure::{Band, Channel, Conditions, Driven, Figure, FigureId, LimitedBy, Unit, Weighting};
use crate::unit::{Rated, UnitSpec};
use crate::verdict::Outcome;

/// The decision rule, for every report.
pub const DECISION_RULE: &str = "Every figure has an interval that holds the true value with 95.45 % probability \
    (value ± U, U = k·u). A limit is judged with a guard band as wide as U (JCGM 106): pass when the whole interval is \
    inside the limit, fail when the whole interval is outside, cannot tell when the interval straddles the limit. \
    Cannot tell is not a pass. Rated power passes when, at a level whose power with its interval reaches the rated \
    power, the distortion with its interval stays inside its limit.";

/// The name of a figure for the trade.
pub fn name(id: FigureId) -> &'static str {
    match id {
        FigureId::Frequency => "frequency",
        FigureId::Level => "level",
        FigureId::Power => "power",
        FigureId::Thd => "THD",
        FigureId::ThdN => "THD+N",
        FigureId::Sinad => "SINAD",
        FigureId::Harmonic => "harmonic",
        FigureId::Noise => "noise",
        FigureId::Snr => "S/N",
        FigureId::HumLine => "hum line",
        FigureId::Hum => "hum",
        FigureId::NoiseChange => "change of noise",
        FigureId::Response => "response",
        FigureId::ResponseMax => "response, highest",
        FigureId::ResponseMin => "response, lowest",
        FigureId::CornerLow => "−3 dB point, low",
        FigureId::CornerHigh => "−3 dB point, high",
        FigureId::GroupDelay => "group delay",
        FigureId::Phase => "phase",
        FigureId::HarmonicResponse => "harmonic response",
        FigureId::Balance => "channel balance",
        FigureId::BalanceMax => "channel balance, largest",
        FigureId::Separation => "separation",
        FigureId::ImdSmpte => "modulation distortion",
        FigureId::ImdDifference => "difference-frequency distortion",
        FigureId::PowerAtLimit => "power at the limit",
        FigureId::ClippingOnset => "onset of clipping",
        FigureId::Gain => "gain",
        FigureId::Sensitivity => "sensitivity",
        FigureId::InputOverload => "input overload",
        FigureId::SourceImpedance => "source impedance",
        FigureId::DampingFactor => "damping factor",
        FigureId::Dim => "dynamic intermodulation",
        FigureId::RiaaError => "deviation from the disc curve",
        FigureId::RiaaMax => "largest deviation from the disc curve",
        FigureId::Headroom => "dynamic headroom",
        FigureId::ToneControl => "tone control",
        FigureId::Tracking => "tracking of the volume control",
        FigureId::TrackingMax => "largest tracking error",
        FigureId::ContactEvents => "contact events",
        FigureId::ContactSpread => "spread over operations of a contact",
        FigureId::MuteDelay => "muting delay",
        FigureId::Thump => "switching thump",
        FigureId::Polarity => "polarity",
        FigureId::ChannelOrder => "order of the channels",
        FigureId::Drift => "drift",
        FigureId::SpeedError => "speed error",
        FigureId::WowFlutter => "wow and flutter",
        FigureId::Azimuth => "azimuth",
        FigureId::DcOffset => "DC offset",
        FigureId::IdleVoltage => "idle voltage",
        FigureId::IdleCurrent => "idle current",
        FigureId::Reading => "reading",
    }
}

/// What a figure means, for an owner.
pub fn plain(id: FigureId) -> &'static str {
    match id {
        FigureId::Power => "Power",
        FigureId::Thd => "Distortion (THD)",
        FigureId::ThdN => "Distortion and noise (THD+N)",
        FigureId::Snr => "Quietness (S/N)",
        FigureId::Noise => "Noise",
        FigureId::Hum => "Hum",
        FigureId::ResponseMax => "Frequency response, highest",
        FigureId::ResponseMin => "Frequency response, lowest",
        FigureId::Balance | FigureId::BalanceMax => "Left/right difference",
        FigureId::Separation => "Left/right separation",
        other => name(other),
    }
}

/// A figure's name with its order and weighting.
pub fn full_name(figure: &Figure) -> String {
    let mut text = name(figure.id).to_owned();
    if let Some(order) = figure.order {
        text.push_str(&match figure.id {
            FigureId::Harmonic => format!(" H{order}"),
            FigureId::ImdSmpte | FigureId::ImdDifference => format!(" d{order}"),
            _ => format!(" {order}"),
        });
    }
    if let Some(weighting) = figure.weighting {
        text.push_str(&format!(", {}", weighted(weighting)));
    }
    text
}

/// A weighting in words.
pub fn weighted(weighting: Weighting) -> &'static str {
    match weighting {
        Weighting::A => "A-weighted",
        Weighting::C => "C-weighted",
        Weighting::Itu468 => "ITU-R 468, quasi-peak",
        Weighting::Itu468At2k => "ITU-R 468 re 2 kHz, rms",
    }
}

/// A band in words.
pub fn band(band: Band) -> String {
    format!(
        "{} to {}",
        setting(band.low_hz, Unit::Hertz),
        setting(band.high_hz, Unit::Hertz)
    )
}

/// Channels driven, in words.
pub fn driven(driven: Driven) -> &'static str {
    match driven {
        Driven::Left => "left driven",
        Driven::Right => "right driven",
        Driven::Both => "both driven",
    }
}

/// What a figure holds under, in one line; empty where nothing is known.
pub fn conditions(conditions: &Conditions, in_band: Option<Band>) -> String {
    let c = conditions;
    let mut parts = Vec::new();
    let mut add = |text: Option<String>| parts.extend(text);
    add(c.frequency_hz.map(|x| setting(x, Unit::Hertz)));
    // Volts say what the unit gives; the level on the interface matters only where they are not known.
    add(match (c.level_v, c.level_dbfs) {
        (Some(v), _) => Some(setting(v, Unit::Volts)),
        (None, dbfs) => dbfs.map(|x| setting(x, Unit::Dbfs)),
    });
    add(c.load_ohm.map(|x| format!("into {}", setting(x, Unit::Ohms))));
    add(c.driven.map(|d| driven(d).to_owned()));
    add(in_band.map(band));
    add(c.mode.clone());
    add(c.input.as_ref().map(|x| format!("input {x}")));
    add(c.volume.as_ref().map(|x| format!("volume {x}")));
    add(c
        .termination
        .as_ref()
        .map(|x| format!("input terminated with {x}")));
    add(c.harmonics.as_ref().map(|x| orders(x)));
    add(c
        .phase_deg
        .map(|x| format!("phase {}", setting(x, Unit::Degrees))));
    add(c.reference.as_ref().map(|x| format!("re {x}")));
    parts.join(", ")
}

/// "H2…H5" for a run, else the orders one by one.
fn orders(orders: &[u32]) -> String {
    match (orders.first(), orders.last()) {
        (Some(first), Some(last)) if orders.len() > 1 && orders.windows(2).all(|w| w[1] == w[0] + 1) => {
            format!("H{first}…H{last}")
        }
        _ => orders
            .iter()
            .map(|o| format!("H{o}"))
            .collect::<Vec<_>>()
            .join(" "),
    }
}

/// What limits a figure, in words.
pub fn limited_by(limit: LimitedBy) -> &'static str {
    match limit {
        LimitedBy::RigNoise => "the rig's noise",
        LimitedBy::RigDistortion => "the rig's distortion",
        LimitedBy::Bandwidth => "the bandwidth",
        LimitedBy::Clipping => "a clipped capture",
        LimitedBy::Duration => "a short capture",
        LimitedBy::Quantisation => "the sample resolution",
    }
}

/// The mark of an outcome; it always stands beside its word.
pub fn mark(outcome: Outcome) -> char {
    match outcome {
        Outcome::Pass => '✓',
        Outcome::Fail => '✗',
        Outcome::CannotTell => '?',
        Outcome::NotMeasured => '–',
    }
}

/// The word of an outcome.
pub fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::Fail => "fail",
        Outcome::CannotTell => "cannot tell",
        Outcome::NotMeasured => "not measured",
    }
}

/// Rank by how much an owner has to worry: what failed first, what passed last.
pub fn gravity(outcome: Outcome) -> u8 {
    match outcome {
        Outcome::Fail => 3,
        Outcome::CannotTell => 2,
        Outcome::NotMeasured => 1,
        Outcome::Pass => 0,
    }
}

/// A channel, capitalised for the head of a column or a line.
pub fn channel(channel: Channel) -> String {
    match channel {
        Channel::Left => "Left".to_owned(),
        Channel::Right => "Right".to_owned(),
        Channel::Nth(n) => format!("Channel {n}"),
        Channel::Pair => "Both".to_owned(),
    }
}

/// The limit of a rated figure: "at most 0.05 %".
pub fn limit(rated: &Rated) -> String {
    match (rated.min, rated.max) {
        (Some(min), Some(max)) if (min + max).abs() < 1e-9 * max.abs() => {
            format!("±{}", setting(max, rated.unit))
        }
        (Some(min), Some(max)) => format!("{} … {}", setting(min, rated.unit), setting(max, rated.unit)),
        (Some(min), None) => format!("≥ {}", setting(min, rated.unit)),
        (None, Some(max)) => format!("≤ {}", setting(max, rated.unit)),
        (None, None) => "no limit stated".to_owned(),
    }
}

/// The conditions a rated figure is stated under, in one line, but for its mode.
pub fn rated_conditions(rated: &Rated) -> String {
    let mut parts = Vec::new();
    parts.extend(rated.frequency_hz.map(|x| setting(x, Unit::Hertz)));
    parts.extend(rated.power_w.map(|x| setting(x, Unit::Watts)));
    parts.extend(rated.band_hz.map(band));
    parts.extend(rated.weighting.map(|w| weighted(w).to_owned()));
    parts.extend(rated.input.as_ref().map(|x| format!("input {x}")));
    parts.extend(rated.reference.as_ref().map(|x| format!("re {x}")));
    parts.join(", ")
}

/// A line of the rated specification in one mode: what stands in one row group of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RatedLine {
    /// Which item of the specification.
    pub item: RatedItem,
    /// The mode; `None` where the unit has only one.
    pub mode: Option<String>,
    /// Which figure.
    pub figure: FigureId,
    /// The conditions it is stated under, the mode last.
    pub conditions: String,
    /// The limit: "≥ 60 W".
    pub limit: String,
}

impl RatedLine {
    /// Whether `judgement` answers this line. One without a mode (nothing was measured) answers in every mode.
    pub fn is_answered_by(&self, judgement: &Judgement) -> bool {
        let same_mode = judgement.mode.is_none() || judgement.mode == self.mode;
        judgement.item() == self.item && same_mode
    }
}

/// Every line of a unit's specification in its own order, an item that holds in several modes once for each.
pub fn rated_lines(unit: &UnitSpec) -> Vec<RatedLine> {
    let mut modes: Vec<Option<&str>> = unit.modes.iter().map(|m| Some(m.name.as_str())).collect();
    if modes.is_empty() {
        modes.push(None);
    }
    let power = modes.into_iter().map(|mode| power_line(unit, mode));
    let figures = unit.rated.iter().enumerate().flat_map(|(index, rated)| {
        unit.modes_of(rated).into_iter().map(move |mode| RatedLine {
            item: RatedItem::Figure(index),
            mode: mode.map(str::to_owned),
            figure: rated.figure,
            conditions: in_mode(rated_conditions(rated), mode),
            limit: limit(rated),
        })
    });
    power.chain(figures).collect()
}

fn power_line(unit: &UnitSpec, mode: Option<&str>) -> RatedLine {
    let p = unit.power_in(mode);
    let conditions = format!(
        "into {}, {}, {}, THD ≤ {}",
        setting(p.load_ohm, Unit::Ohms),
        driven(p.driven),
        band(p.band_hz),
        setting(p.thd_percent, Unit::Percent)
    );
    RatedLine {
        item: RatedItem::Power,
        mode: mode.map(str::to_owned),
        figure: FigureId::Power,
        conditions: in_mode(conditions, mode),
        limit: format!("≥ {}", setting(p.watts, Unit::Watts)),
    }
}

fn in_mode(conditions: String, mode: Option<&str>) -> String {
    match mode {
        Some(mode) if conditions.is_empty() => mode.to_owned(),
        Some(mode) => format!("{conditions}, {mode}"),
        None => conditions,
    }
}

/// What a capture was recognised as, for people.
pub fn recognised(word: &str) -> &'static str {
    match word {
        "tone" => "a steady tone",
        "two_tone" => "two steady tones",
        "silence" => "silence: hum and noise only",
        "sweep" => "the sweep",
        "noise" => "noise",
        _ => "not a test signal",
    }
}
