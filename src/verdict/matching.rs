//! Which measured figures answer a rated one: the same figure under the conditions the sheet states.
//!
//! What a sheet states must agree with what was measured. Frequency, level, band, weighting and reference make the
//! number, so they must be known; input, mode, volume, load and driven channels may be unknown (a capture analysed
//! without a job), and then the verdict says what it takes for granted.

use super::{Answer, Limit};
use crate::figure::{Band, Channel, Driven, Figure, FigureId};
use crate::quantity::{Decibels, Volts, significant};
use crate::rig::SAME_LOAD;
use crate::unit::rules::{Need, is_extreme, is_of_silence, rules};
use crate::unit::{Rated, Reference, UnitSpec};

/// Frequencies agree within this: 997 Hz for 1 kHz, and every exact third-octave frequency for its nominal one (the
/// largest deviation is 0.71 %, 7943 Hz for 8 kHz).
const SAME_FREQUENCY: f64 = 0.01;

/// Output levels agree within this, dB: finer than distortion changes below clipping, coarser than a volume control
/// can be set by hand (common practice).
const SAME_LEVEL_DB: f64 = 0.25;

/// A rated figure in one mode and channel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted<'a> {
    pub(super) rated: &'a Rated,
    pub(super) spec: &'a UnitSpec,
    pub(super) mode: Option<&'a str>,
    pub(super) channel: Channel,
}

/// How far a figure answers.
#[derive(Debug, Default)]
pub(super) struct Comparison {
    /// Conditions that differ; empty where it answers.
    pub(super) differences: Vec<String>,
    /// Conditions that are unknown and taken as rated.
    pub(super) granted: Vec<String>,
    /// The part of the rated band it leaves out.
    pub(super) gap: Option<String>,
}

/// Whether two frequencies are the same for a rating: 997 Hz stands for 1 kHz.
pub fn same_frequency(a: f64, b: f64) -> bool {
    (a / b - 1.0).abs() <= SAME_FREQUENCY
}

impl<'a> Wanted<'a> {
    /// The figures that answer, or why there are none.
    pub(super) fn answer<'f>(&self, figures: &'f [Figure]) -> Result<Answer<'f>, String> {
        let mut nearest: Option<Comparison> = None;
        let mut answers: Vec<(&Figure, Comparison)> = Vec::new();
        for figure in figures.iter().filter(|f| self.is_of_kind(f)) {
            let comparison = self.compare(figure);
            if comparison.differences.is_empty() {
                // A later measurement under the same conditions takes the place of an earlier one.
                answers.retain(|(earlier, _)| !self.same_point(earlier, figure));
                answers.push((figure, comparison));
            } else if nearest
                .as_ref()
                .is_none_or(|n| comparison.differences.len() <= n.differences.len())
            {
                nearest = Some(comparison);
            }
        }
        if answers.is_empty() {
            return Err(match nearest {
                Some(comparison) => comparison.differences.join("; "),
                None => format!("{} was not measured", self.rated.figure),
            });
        }
        let gap = self.gap(&answers);
        let mut granted: Vec<String> = answers.iter().flat_map(|(_, c)| c.granted.clone()).collect();
        granted.sort();
        granted.dedup();
        Ok(Answer {
            figures: answers.into_iter().map(|(figure, _)| figure).collect(),
            gap,
            granted,
        })
    }

    fn is_of_kind(&self, figure: &Figure) -> bool {
        figure.id == self.rated.figure
            && figure.channel == self.channel
            && figure.order == self.rated.order
            && Limit::from(self.rated).in_unit(figure.unit).is_some()
    }

    /// Whether one figure takes the place of the other.
    fn same_point(&self, a: &Figure, b: &Figure) -> bool {
        if is_extreme(self.rated.figure) {
            return a.band == b.band;
        }
        if self.rated.frequency_range_hz.is_none() {
            return true;
        }
        match (a.conditions.frequency_hz, b.conditions.frequency_hz) {
            (Some(a), Some(b)) => same_frequency(a, b),
            _ => true,
        }
    }

    /// Holds a figure against every condition of the rating.
    pub(super) fn compare(&self, figure: &Figure) -> Comparison {
        let mut out = Comparison::default();
        self.frequency(figure, &mut out);
        self.level(figure, &mut out);
        self.band(figure, &mut out);
        if figure.weighting != self.rated.weighting {
            let said = |w: Option<crate::figure::Weighting>| match w {
                None => "unweighted".to_owned(),
                Some(w) => format!("weighted {}", name_of(&w)),
            };
            out.differences.push(format!(
                "it was measured {}, the rating is {}",
                said(figure.weighting),
                said(self.rated.weighting)
            ));
        }
        self.reference(figure, &mut out);
        self.setting(figure, &mut out);
        out
    }

    fn frequency(&self, figure: &Figure, out: &mut Comparison) {
        let measured = figure.conditions.frequency_hz;
        let difference = match (self.rated.frequency_hz, self.rated.frequency_range_hz, measured) {
            (Some(rated), _, Some(hz)) if !same_frequency(hz, rated) => Some(format!(
                "it was measured at {}, the rating is for {}",
                hertz(hz),
                hertz(rated)
            )),
            (None, Some(range), Some(hz)) if !within(range, hz) => Some(format!(
                "it was measured at {}, the rating is for {} to {}",
                hertz(hz),
                hertz(range.low_hz),
                hertz(range.high_hz)
            )),
            (Some(_), _, None) | (None, Some(_), None) => {
                Some("the frequency it was measured at is not known".to_owned())
            }
            _ => None,
        };
        out.differences.extend(difference);
    }

    fn level(&self, figure: &Figure, out: &mut Comparison) {
        let Some(rated) = self.rated.level(self.spec, self.mode) else {
            // Hum is rated without signal unless an output is stated: a loaded supply hums more.
            let of_hum = matches!(figure.id, FigureId::Hum | FigureId::HumLine);
            if of_hum && figure.conditions.level_dbfs.is_some() {
                out.differences
                    .push("it was measured beside a test tone, the rating is without signal".to_owned());
            }
            return;
        };
        let Some(volts) = figure.conditions.level_v else {
            out.differences.push(format!(
                "its output level in volts is not known, the rating is for {} V: measure with a calibrated rig",
                significant(rated.0, 3)
            ));
            return;
        };
        let off = Decibels::from_amplitude_ratio(volts / rated.0).0;
        if off.is_nan() || off.abs() > SAME_LEVEL_DB {
            out.differences.push(format!(
                "it was measured at {} V, the rating is for {} V at the output",
                significant(volts, 3),
                significant(rated.0, 3)
            ));
        }
    }

    fn band(&self, figure: &Figure, out: &mut Comparison) {
        if rules(self.rated.figure).is_ok_and(|r| r.band == Need::Never) {
            return;
        }
        let Some(measured) = figure.band else { return };
        let rated = self.rated.band_hz.unwrap_or(Band::AUDIO);
        let same =
            same_frequency(measured.low_hz, rated.low_hz) && same_frequency(measured.high_hz, rated.high_hz);
        if same {
            return;
        }
        let said = format!(
            "it was measured from {}, the rating is from {}",
            span(measured),
            span(rated)
        );
        let inside = within(rated, measured.low_hz) && within(rated, measured.high_hz);
        if is_extreme(self.rated.figure) && inside {
            out.gap = Some(said);
        } else {
            out.differences.push(said);
        }
    }

    fn reference(&self, figure: &Figure, out: &mut Comparison) {
        let Some(rated) = &self.rated.reference else {
            return;
        };
        let Some(measured) = &figure.conditions.reference else {
            out.differences.push(format!(
                "what it refers to is not known, the rating is re {rated}"
            ));
            return;
        };
        let volts = |text: &str| {
            let reference: Reference = text.parse().ok()?;
            reference.volts(self.rated, self.spec, self.mode)
        };
        // Re a tone of another take: the level of that tone at the output, where the rig knows it.
        let tone = figure.conditions.level_v.map(Volts);
        let same = match (volts(measured).or(tone), volts(rated)) {
            (Some(a), Some(b)) => Decibels::from_amplitude_ratio(a / b).0.abs() <= SAME_LEVEL_DB,
            _ => measured.trim().eq_ignore_ascii_case(rated.trim()),
        };
        if !same {
            out.differences
                .push(format!("it refers to {measured}, the rating is re {rated}"));
        }
    }

    /// What the operator set. Unknown settings are taken as rated, and said.
    fn setting(&self, figure: &Figure, out: &mut Comparison) {
        let c = &figure.conditions;
        for (what, rated, measured) in [
            ("mode", self.mode, c.mode.as_deref()),
            ("input", self.rated.input.as_deref(), c.input.as_deref()),
            ("volume", self.rated.volume.as_deref(), c.volume.as_deref()),
        ] {
            match (rated, measured) {
                (Some(rated), Some(measured)) if !rated.trim().eq_ignore_ascii_case(measured.trim()) => {
                    out.differences.push(format!(
                        "it was measured with {what} \"{measured}\", the rating is for \"{rated}\""
                    ));
                }
                (Some(rated), None) => out.granted.push(format!("{what} \"{rated}\"")),
                _ => {}
            }
        }
        let through_phono = c
            .input
            .as_deref()
            .and_then(|name| self.spec.input(name))
            .is_some_and(|i| i.phono);
        if self.rated.input.is_none() && through_phono {
            out.differences
                .push("it was measured through a phono input, the rating is for a line input".to_owned());
        }
        if is_of_silence(self.rated.figure) && c.driven.is_some() && self.rated.driven.is_none() {
            out.differences
                .push("it was measured beside a signal, the rating is for none".to_owned());
        }
        self.load(figure, out);
        match (self.rated.driven, c.driven) {
            (Some(rated), Some(measured)) if rated != measured => out.differences.push(format!(
                "{} was driven, the rating is for {}",
                name_of(&measured),
                name_of(&rated)
            )),
            (Some(rated), None) => out.granted.push(driven_words(rated)),
            _ => {}
        }
    }

    /// What was connected to the output. Nothing at all is another load than the rated one.
    fn load(&self, figure: &Figure, out: &mut Comparison) {
        let rated = self.rated.load(self.spec, self.mode).0;
        let said = significant(rated, 3);
        match figure.conditions.load_ohm {
            _ if figure.conditions.unloaded => out
                .differences
                .push(format!("no load was connected, the rating is for {said} Ω")),
            Some(ohm) if (ohm / rated - 1.0).abs() > SAME_LOAD => out.differences.push(format!(
                "it was measured into {} Ω, the rating is for {said} Ω",
                significant(ohm, 3)
            )),
            Some(_) => {}
            None => out.granted.push(format!("load {said} Ω")),
        }
    }

    /// What of the rated range or band no figure covers.
    fn gap(&self, answers: &[(&Figure, Comparison)]) -> Option<String> {
        if let Some(range) = self.rated.frequency_range_hz {
            let measured: Vec<f64> = answers
                .iter()
                .filter_map(|(f, _)| f.conditions.frequency_hz)
                .collect();
            return uncovered(range, &measured);
        }
        // One figure over the whole band is enough.
        let gaps: Option<Vec<&String>> = answers.iter().map(|(_, c)| c.gap.as_ref()).collect();
        gaps.and_then(|g| g.last().map(|s| (*s).clone()))
    }
}

/// Whether both edges of `range` are among the measured frequencies; if not, which are missing.
pub(super) fn uncovered(range: Band, measured: &[f64]) -> Option<String> {
    let missing: Vec<String> = [range.low_hz, range.high_hz]
        .into_iter()
        .filter(|edge| !measured.iter().any(|hz| same_frequency(*hz, *edge)))
        .map(hertz)
        .collect();
    (!missing.is_empty()).then(|| {
        format!(
            "it was not measured at {}, the edge of the rated range",
            missing.join(" and ")
        )
    })
}

fn within(range: Band, hz: f64) -> bool {
    hz >= range.low_hz * (1.0 - SAME_FREQUENCY) && hz <= range.high_hz * (1.0 + SAME_FREQUENCY)
}

pub(super) fn hertz(hz: f64) -> String {
    if hz >= 1000.0 {
        format!("{} kHz", significant(hz / 1000.0, 4))
    } else {
        format!("{} Hz", significant(hz, 4))
    }
}

fn span(band: Band) -> String {
    format!("{} to {}", hertz(band.low_hz), hertz(band.high_hz))
}

/// A rating's driven channels where the measurement does not tell them.
pub(super) fn driven_words(rated: Driven) -> String {
    format!("{} driven", name_of(&rated))
}

/// The word a setting has in our files.
pub(super) fn name_of<T: serde::Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        _ => String::new(),
    }
}

/// The channels a figure is rated for.
pub(super) fn channels_of(figure: FigureId) -> &'static [Channel] {
    match figure {
        FigureId::Balance | FigureId::BalanceMax => &[Channel::Pair],
        _ => &[Channel::Left, Channel::Right],
    }
}
