//! From the stored captures of a job to its figures and verdicts, each time anew.
//!
//! Nothing here is remembered between calls: a report shows what the captures give now, by the same code that
//! analyses a file.

use super::at_limit;
use super::capture::{CaptureState, Health, Sidecar};
use super::curves::{self, DistortionCurve};
use super::folder::Job;
use super::record::{Record, Stage, StageKind};
use super::spectra::{self, Spectrum};
use super::steadiness::{self, Dated, Moved};
use crate::error::Result;
use crate::figure::{Figure, Findings};
use crate::figures::{self, Context, compare};
use crate::rig::Rig;
use crate::signal::take::{Setup, Take};
use crate::signal::wav_read;
use crate::take::losses::Clocks;
use crate::take::{self, Content, Examined};
use crate::unit::UnitSpec;
use crate::verdict::{self, Judgement, Outcome, Verdict};
use rayon::prelude::*;

/// Everything a report shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Results {
    /// The job.
    pub record: Record,
    /// Name and version of the program that analysed the captures.
    pub software: String,
    /// One entry a stage that was measured.
    pub stages: Vec<StageResults>,
    /// Every capture of the job with its sidecar (where that can be read) and its state.
    pub captures: Vec<(CaptureState, Option<Sidecar>)>,
}

/// What one stage gave.
#[derive(Debug, Clone, PartialEq)]
pub struct StageResults {
    /// Which stage.
    pub kind: StageKind,
    /// By measurement, in the record's order.
    pub measurements: Vec<MeasurementResults>,
    /// Distortion against power and frequency, from many measurements.
    pub distortion: Vec<DistortionCurve>,
    /// Every rated item judged, one entry a channel and mode; an item without a figure is judged `not_measured`.
    pub judgements: Vec<Judgement>,
}

/// What one measurement gave.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasurementResults {
    /// Its name in the record.
    pub name: String,
    /// How the unit stood.
    pub setup: Setup,
    /// Figures, curves, what could not be measured, remarks.
    pub findings: Findings,
    /// Spectra to draw.
    pub spectra: Vec<Spectrum>,
}

impl Results {
    /// The results that tell the unit's condition before the work.
    pub fn before(&self) -> Option<&StageResults> {
        self.stages.iter().find(|s| s.kind.tells_before())
    }

    /// The results that tell the unit's condition after the work.
    pub fn after(&self) -> Option<&StageResults> {
        self.stages.iter().find(|s| s.kind.tells_after())
    }

    /// Whether nothing in the job is real, or any capture of it is not.
    pub fn simulated(&self) -> bool {
        self.record.bench == super::record::BenchKind::Simulated
            || self
                .captures
                .iter()
                .any(|(_, sidecar)| sidecar.as_ref().is_some_and(|s| s.simulated))
    }
}

impl StageResults {
    /// The verdict on `figure`, if it was judged.
    pub fn verdict_on(&self, figure: &Figure) -> Option<&Verdict> {
        self.judgements
            .iter()
            .find(|j| j.figure.as_ref() == Some(figure))
            .map(|j| &j.verdict)
    }
}

impl MeasurementResults {
    fn nothing_yet(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            setup: Setup::default(),
            findings: Findings::default(),
            spectra: Vec::new(),
        }
    }
}

/// One capture on its way.
struct Captured<'a> {
    /// Its name.
    capture: &'a str,
    measurement: usize,
    examined: Examined,
    /// The rig it was recorded with: one that was calibrated anew between two takes is another rig.
    rig: Option<&'a Rig>,
}

impl Captured<'_> {
    /// Whether it was made while the gain moved.
    fn is_in(&self, moved: &Moved) -> bool {
        moved.covers(self.capture, &self.examined.take.setup)
    }
}

/// Analyses every intact capture of `job` and judges each stage.
///
/// # Errors
/// Where a capture cannot be read. A capture that was altered is not used, and `captures` says so.
pub fn of(job: &Job) -> Result<Results> {
    let record = job.record().clone();
    let captures: Vec<(CaptureState, Option<Sidecar>)> = job
        .verify()?
        .into_iter()
        .map(|state| {
            let sidecar = job.sidecar(&state.capture).ok();
            (state, sidecar)
        })
        .collect();
    let stages = record
        .stages
        .iter()
        .map(|stage| stage_results(job, stage, &captures))
        .collect::<Result<_>>()?;
    Ok(Results {
        software: format!("asleft {}", env!("CARGO_PKG_VERSION")),
        record,
        stages,
        captures,
    })
}

fn stage_results(
    job: &Job,
    stage: &Stage,
    captures: &[(CaptureState, Option<Sidecar>)],
) -> Result<StageResults> {
    let unit = &job.record().unit;
    let wanted: Vec<(usize, &Sidecar, &str)> = stage
        .measurements
        .iter()
        .enumerate()
        .flat_map(|(index, m)| m.takes.iter().map(move |t| (index, t)))
        .filter_map(|(index, take)| {
            let (_, sidecar) = captures
                .iter()
                .find(|(s, _)| s.capture == take.capture && s.health == Health::Intact)?;
            Some((index, sidecar.as_ref()?, take.capture.as_str()))
        })
        .collect();
    let examined: Vec<Captured<'_>> = wanted
        .par_iter()
        .map(|(measurement, sidecar, capture)| {
            let examined = examine(job, sidecar, capture)?;
            Ok(Captured {
                capture,
                measurement: *measurement,
                examined,
                rig: rig_of(job, sidecar),
            })
        })
        .collect::<Result<_>>()?;
    let moved = moved_gains(&examined, stage);
    let with = |moved: &[Moved]| measured(stage, &examined, unit, moved);
    let (measurements, rigs) = with(&moved);
    let mut judgements = verdict::judge_all(unit, &together(&measurements));
    if let Some(first) = moved.first() {
        // What could have been judged if the gain had held is not judged for that reason, and no other.
        let judged = verdict::judge_all(unit, &together(&with(&[]).0));
        for (own, held) in judgements.iter_mut().zip(judged) {
            if own.verdict.outcome == Outcome::NotMeasured && held.verdict.outcome != Outcome::NotMeasured {
                own.verdict.reason.clone_from(&first.why);
            }
        }
    }
    Ok(StageResults {
        kind: stage.kind,
        distortion: curves::of(&measurements, &rigs),
        measurements,
        judgements,
    })
}

/// The stretches of a stage in which the gain of the path moved.
fn moved_gains(examined: &[Captured<'_>], stage: &Stage) -> Vec<Moved> {
    let dated: Vec<Dated<'_>> = examined
        .iter()
        .filter_map(|c| {
            Some(Dated {
                capture: c.capture,
                measurement: &stage.measurements.get(c.measurement)?.name,
                examined: &c.examined,
                rig: c.rig,
            })
        })
        .collect();
    steadiness::moved(&dated)
}

/// All findings of a stage.
fn together(measurements: &[MeasurementResults]) -> Findings {
    let mut all = Findings::default();
    for m in measurements {
        all.extend(m.findings.clone());
    }
    all
}

/// What every measurement gave, without what `moved` makes worthless, and the rig each was made with.
fn measured<'a>(
    stage: &Stage,
    examined: &[Captured<'a>],
    unit: &UnitSpec,
    moved: &[Moved],
) -> (Vec<MeasurementResults>, Vec<Option<&'a Rig>>) {
    let mut measurements: Vec<MeasurementResults> = stage
        .measurements
        .iter()
        .map(|m| MeasurementResults::nothing_yet(&m.name))
        .collect();
    let mut rigs = vec![None; measurements.len()];
    for captured in examined {
        rigs[captured.measurement] = captured.rig;
        let into = &mut measurements[captured.measurement];
        into.setup = captured.examined.take.setup.clone();
        let context = Context {
            rig: captured.rig,
            unit: Some(unit),
            reference: None,
        };
        let mut findings = figures::of_take(&captured.examined, &context);
        let moved = moved.iter().find(|m| captured.is_in(m));
        if let Some(moved) = moved {
            moved.withhold(&mut findings);
        }
        into.findings.extend(findings);
        // Without its gain a spectrum is drawn re full scale.
        let rig = captured.rig.filter(|_| moved.is_none());
        into.spectra.extend(spectra::of(&captured.examined, rig));
    }
    if let Some((index, change)) = change_between_modes(examined, unit) {
        let held = !moved.iter().any(|m| examined.iter().any(|c| c.is_in(m)));
        if held {
            measurements[index].findings.extend(change);
        }
    }
    for (index, found) in at_limit::of(&measurements, unit) {
        measurements[index].findings.extend(found);
    }
    (measurements, rigs)
}

fn examine(job: &Job, sidecar: &Sidecar, capture: &str) -> Result<Examined> {
    let path = job.samples_path(capture);
    let take = Take {
        source: wav_read::open(&path)?,
        stimulus: sidecar.stimulus.clone(),
        setup: sidecar.setup.clone(),
        simulated: sidecar.simulated,
    };
    take::examine_with(take, None, Clocks::of(rig_of(job, sidecar))).map_err(|e| e.in_file(&path))
}

fn rig_of<'a>(job: &'a Job, sidecar: &Sidecar) -> Option<&'a Rig> {
    job.record().rigs.get(sidecar.rig_sha256.as_deref()?)
}

/// The change of noise from the unit's first mode to its second, with the measurement it belongs to: of the latest
/// silent take in the second mode that has one in the first under otherwise equal circumstances, and of these the latest.
fn change_between_modes(examined: &[Captured<'_>], unit: &UnitSpec) -> Option<(usize, Findings)> {
    let [first, second, ..] = unit.modes.as_slice() else {
        return None;
    };
    let alike = |a: &Captured<'_>, b: &Captured<'_>| {
        let (x, y) = (&a.examined.take.setup, &b.examined.take.setup);
        x.input == y.input
            && x.volume == y.volume
            && x.termination == y.termination
            && x.tap == y.tap
            && a.rig == b.rig
    };
    let (a, b) = silent_in(examined, &second.name).find_map(|b| {
        silent_in(examined, &first.name)
            .find(|a| alike(a, b))
            .map(|a| (a, b))
    })?;
    Some((
        b.measurement,
        compare::noise_change(&a.examined, &b.examined, b.rig).0,
    ))
}

/// The silent takes in a mode, latest first.
fn silent_in<'c, 'r>(examined: &'c [Captured<'r>], mode: &'c str) -> impl Iterator<Item = &'c Captured<'r>> {
    examined.iter().rev().filter(move |c| {
        matches!(c.examined.content, Content::Silence(_))
            && c.examined.take.setup.mode.as_deref() == Some(mode)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::source::MemorySource;
    use crate::take::integrity::Integrity;
    use crate::unit::file;
    use std::sync::Arc;

    fn silent(measurement: usize, mode: &str, volume: &str) -> Captured<'static> {
        let mut take = Take::of(Arc::new(MemorySource::new(48_000, vec![vec![0.0; 16]])));
        take.setup.mode = Some(mode.to_owned());
        take.setup.volume = Some(volume.to_owned());
        Captured {
            capture: "001-noise",
            measurement,
            examined: Examined {
                take,
                integrity: Integrity::default(),
                alignment: None,
                identical: Vec::new(),
                content: Content::Silence(Vec::new()),
            },
            rig: None,
        }
    }

    #[test]
    fn the_change_between_modes_is_of_the_latest_takes_under_equal_circumstances() {
        let unit = file::parse(include_str!("../../units/tarnbeck-60.unit.toml"), "demo").unwrap();
        let [first, second, ..] = unit.modes.as_slice() else {
            panic!("two modes");
        };
        let (a, b) = (first.name.as_str(), second.name.as_str());
        let mut takes = vec![
            silent(0, a, "maximum"),
            silent(1, b, "maximum"),
            silent(2, b, "minimum"),
        ];
        let of = |takes: &[Captured<'_>]| change_between_modes(takes, &unit).map(|(index, _)| index);
        assert_eq!(of(&takes), Some(1));
        takes.push(silent(3, b, "maximum"));
        assert_eq!(of(&takes), Some(3));
        assert_eq!(of(&takes[..1]), None);
        assert_eq!(of(&[silent(0, a, "maximum"), silent(1, b, "minimum")]), None);
    }
}
