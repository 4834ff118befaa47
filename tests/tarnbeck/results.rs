//! Results as an analysis of the scenario's captures would give them: the left channel distorts as found.

#[path = "spectra.rs"]
mod spectra;

use crate::tarnbeck::{at, record};
use asleft::figure::{
    Band, Channel, Conditions, Curve, Driven, Figure, FigureId, Findings, LimitedBy, NotMeasured, Unit,
    Weighting,
};
use asleft::job::capture::{Health, Sidecar};
use asleft::job::curves::DistortionCurve;
use asleft::job::{BenchKind, CaptureState, Measurement, Stage, StageKind};
use asleft::quantity::Estimate;
use asleft::report::{Judgement, MeasurementResults, ReportInput, StageResults};
use asleft::signal::source::{Encoding, Format};
use asleft::signal::take::Setup;
use asleft::verdict::{Outcome, Verdict};
use spectra::{noise_spectrum, tone_spectrum};

const CHANNELS: [Channel; 2] = [Channel::Left, Channel::Right];

pub(crate) fn figure(id: FigureId, channel: Channel, unit: Unit, estimate: Estimate) -> Figure {
    Figure {
        id,
        channel,
        estimate,
        unit,
        db: None,
        order: None,
        weighting: None,
        band: None,
        conditions: Conditions {
            driven: Some(Driven::Both),
            mode: Some("class AB".to_owned()),
            load_ohm: Some(8.06),
            ..Conditions::default()
        },
        limited_by: None,
        upper_limit: false,
    }
}

fn relative(value: f64, u: f64) -> Estimate {
    Estimate::exact(value)
        .with("meter volts", value * u * 0.8)
        .with("meter ohms", value * u * 0.5)
        .with_observed("repeatability", value * u * 0.33, 9.0)
}

fn verdict(outcome: Outcome, limit: f64, reason: &str) -> Verdict {
    Verdict {
        outcome,
        limit: Some(limit),
        reason: reason.to_owned(),
    }
}

fn setup(mode: &str) -> Setup {
    Setup {
        driven: Some(Driven::Both),
        mode: Some(mode.to_owned()),
        input: Some("AUX".to_owned()),
        volume: Some("reference".to_owned()),
        tap: Some("power".to_owned()),
        loaded: Some(true),
        ..Setup::default()
    }
}

fn is_faulty(kind: StageKind, channel: Channel) -> bool {
    kind == StageKind::AsFound && channel == Channel::Left
}

fn at_rated_power(kind: StageKind, channel: Channel) -> (f64, f64, [f64; 4]) {
    if is_faulty(kind, channel) {
        (48.3, 0.61, [-58.2, -44.6, -71.0, -57.3])
    } else {
        (63.4, 0.0123, [-84.1, -79.6, -102.0, -93.5])
    }
}

fn distortion(kind: StageKind) -> MeasurementResults {
    let mut findings = Findings::default();
    let mut spectra = Vec::new();
    for channel in CHANNELS {
        let (watts, thd, harmonics) = at_rated_power(kind, channel);
        let mut power = figure(FigureId::Power, channel, Unit::Watts, relative(watts, 0.011));
        power.conditions.frequency_hz = Some(997.0);
        let mut total = figure(FigureId::Thd, channel, Unit::Percent, relative(thd, 0.03));
        total.db = Some(20.0 * (thd / 100.0f64).log10());
        total.band = Some(Band::AUDIO);
        total.conditions.frequency_hz = Some(997.0);
        total.conditions.level_v = Some(22.36);
        total.conditions.harmonics = Some((2..=20).collect());
        findings.figures.extend([power, total]);
        for (order, level) in (2..).zip(harmonics) {
            let mut h = figure(
                FigureId::Harmonic,
                channel,
                Unit::Decibels,
                Estimate::exact(level).with("noise", 0.4),
            );
            h.order = Some(order);
            h.conditions.frequency_hz = Some(997.0);
            h.conditions.phase_deg = Some(-87.3);
            h.upper_limit = level < -100.0;
            h.limited_by = h.upper_limit.then_some(LimitedBy::RigDistortion);
            findings.figures.push(h);
        }
        spectra.push(tone_spectrum(channel, &harmonics));
    }
    findings
        .notes
        .push("the capture's clock is 12 ppm fast against the playback's".to_owned());
    MeasurementResults {
        name: "thd".to_owned(),
        setup: setup("class AB"),
        findings,
        spectra,
    }
}

fn thd_curve(kind: StageKind, channel: Channel, x_unit: Unit) -> DistortionCurve {
    let (from, ratio) = if x_unit == Unit::Watts {
        (0.1, 1.7)
    } else {
        (20.0, 1.9)
    };
    let x: Vec<f64> = (0..)
        .map(|i| from * f64::powi(ratio, i))
        .take_while(|x| *x < 20_001.0 && (x_unit == Unit::Hertz || *x < 80.0))
        .collect();
    let clip = if is_faulty(kind, channel) { 46.0 } else { 66.0 };
    let base = if is_faulty(kind, channel) { 0.3 } else { 0.009 };
    let side = if channel == Channel::Right { 1.2 } else { 1.0 };
    let y: Vec<f64> = x
        .iter()
        .map(|x| {
            side * if x_unit == Unit::Watts {
                base * (0.6 + 0.15 * x.sqrt() / 2.0) + 0.004 / x.sqrt() + if *x > clip { 2.0 } else { 0.0 }
            } else {
                base * (1.0 + x / 6000.0)
            }
        })
        .collect();
    let curve = Curve {
        id: FigureId::Thd,
        channel,
        order: None,
        u: y.iter().map(|y| y * 0.06).collect(),
        x,
        x_unit,
        y,
        y_unit: Unit::Percent,
        corrected_for_rig: false,
    };
    DistortionCurve {
        curve,
        conditions: Conditions {
            mode: Some("class AB".to_owned()),
            ..Conditions::default()
        },
        band: Some(Band::AUDIO),
        power_w: (x_unit == Unit::Hertz).then_some(6.0),
        upper_limits: if x_unit == Unit::Watts {
            vec![(0.05, 0.02)]
        } else {
            Vec::new()
        },
        rig_floor: if x_unit == Unit::Watts {
            vec![(0.05, 0.001), (50.0, 0.002)]
        } else {
            Vec::new()
        },
    }
}

fn response(kind: StageKind) -> MeasurementResults {
    let mut findings = Findings::default();
    let x: Vec<f64> = (0..240)
        .map(|i| 10.0 * 2200f64.powf(f64::from(i) / 239.0))
        .collect();
    let level = |f: f64, corner: f64| {
        -10.0 * (1.0 + (4.0 / f).powi(2)).log10() - 10.0 * (1.0 + (f / corner).powi(2)).log10()
    };
    for channel in CHANNELS {
        // As found, a coupling capacitor of the left channel has lost capacitance: the low end droops.
        let low = |f: f64| {
            if is_faulty(kind, channel) {
                -10.0 * (1.0 + (22.0 / f).powi(2)).log10()
            } else {
                0.0
            }
        };
        let corner = if channel == Channel::Left {
            95_000.0
        } else {
            88_000.0
        };
        let y: Vec<f64> = x.iter().map(|f| level(*f, corner) + low(*f)).collect();
        let at_20 = level(20.0, corner) + low(20.0);
        findings.curves.push(Curve {
            id: FigureId::Response,
            channel,
            order: None,
            x: x.clone(),
            x_unit: Unit::Hertz,
            u: vec![0.01; y.len()],
            y,
            y_unit: Unit::Decibels,
            corrected_for_rig: true,
        });
        for (id, value) in [
            (FigureId::ResponseMin, at_20.min(level(20e3, corner))),
            (FigureId::ResponseMax, 0.002),
        ] {
            let mut f = figure(
                id,
                channel,
                Unit::Decibels,
                Estimate::exact(value).with("rig response", 0.02),
            );
            f.band = Some(Band::AUDIO);
            f.conditions.level_v = Some(2.83);
            findings.figures.push(f);
        }
    }
    balance(&mut findings, x);
    MeasurementResults {
        name: "response".to_owned(),
        setup: setup("class AB"),
        findings,
        spectra: Vec::new(),
    }
}

fn balance(findings: &mut Findings, x: Vec<f64>) {
    findings.curves.push(Curve {
        id: FigureId::Balance,
        channel: Channel::Pair,
        order: None,
        y: x.iter().map(|f| 0.21 + 0.05 * (f / 20_000.0)).collect(),
        x,
        x_unit: Unit::Hertz,
        y_unit: Unit::Decibels,
        u: Vec::new(),
        corrected_for_rig: true,
    });
    let mut balance = figure(
        FigureId::Balance,
        Channel::Pair,
        Unit::Decibels,
        Estimate::exact(0.213).with("repeatability", 0.006),
    );
    balance.conditions.frequency_hz = Some(1000.0);
    findings.figures.push(balance);
}

fn noise(kind: StageKind, mode: &str) -> MeasurementResults {
    let mut findings = Findings::default();
    let mut spectra = Vec::new();
    let class_a = mode == "class A";
    for channel in CHANNELS {
        let volts = if class_a { 71e-6 } else { 52e-6 } * if is_faulty(kind, channel) { 4.0 } else { 1.0 };
        let mut f = figure(FigureId::Noise, channel, Unit::Volts, relative(volts, 0.02));
        f.weighting = Some(Weighting::A);
        f.band = Some(Band::AUDIO);
        f.conditions.mode = Some(mode.to_owned());
        f.conditions.termination = Some("shorted plug".to_owned());
        f.limited_by = (!class_a).then_some(LimitedBy::RigNoise);
        let mut snr = f.clone();
        snr.id = FigureId::Snr;
        snr.unit = Unit::Decibels;
        snr.estimate = Estimate::exact(20.0 * (21.9 / volts).log10()).with("repeatability", 0.17);
        snr.conditions.reference = Some("rated output".to_owned());
        findings.figures.extend([f, snr]);
        spectra.push(noise_spectrum(channel, class_a));
    }
    MeasurementResults {
        name: format!("noise-{}", mode.replace(' ', "-").to_lowercase()),
        setup: Setup {
            termination: Some("shorted plug".to_owned()),
            driven: None,
            ..setup(mode)
        },
        findings,
        spectra,
    }
}

fn stage(kind: StageKind) -> StageResults {
    let mut measurements = vec![distortion(kind), response(kind), noise(kind, "class AB")];
    if kind == StageKind::AsLeft {
        measurements.push(noise(kind, "class A"));
        measurements[0].findings.not_measured.push(NotMeasured {
            id: FigureId::Separation,
            channel: Channel::Right,
            code: "no_reference".to_owned(),
            reason: "no capture drives the left channel alone; record one with `--driven left`".to_owned(),
        });
    }
    let judgements = judgements(kind, &measurements);
    let distortion = [Unit::Watts, Unit::Hertz]
        .into_iter()
        .flat_map(|x_unit| CHANNELS.map(|channel| thd_curve(kind, channel, x_unit)))
        .collect();
    StageResults {
        kind,
        measurements,
        distortion,
        judgements,
    }
}

fn judgements(kind: StageKind, measurements: &[MeasurementResults]) -> Vec<Judgement> {
    let mut judgements = Vec::new();
    for m in measurements {
        for f in &m.findings.figures {
            let (rated, limit) = match f.id {
                FigureId::Power => (None, 60.0),
                FigureId::Thd => (Some(0), 0.05),
                FigureId::Snr => (Some(2), 95.0),
                FigureId::ResponseMin => (Some(3), -0.5),
                FigureId::ResponseMax => (Some(4), 0.5),
                FigureId::Balance => (Some(5), 1.0),
                _ => continue,
            };
            let fails = is_faulty(kind, f.channel)
                && matches!(f.id, FigureId::Power | FigureId::Thd | FigureId::ResponseMin);
            judgements.push(Judgement {
                id: f.id,
                rated,
                mode: f.conditions.mode.clone(),
                channel: f.channel,
                figure: Some(f.clone()),
                verdict: if fails {
                    verdict(Outcome::Fail, limit, "the whole interval lies outside the limit")
                } else {
                    verdict(Outcome::Pass, limit, "")
                },
            });
        }
    }
    if kind == StageKind::AsLeft {
        let mut f = figure(
            FigureId::Separation,
            Channel::Left,
            Unit::Decibels,
            Estimate::exact(50.6).with("rig separation", 0.5),
        );
        f.conditions.frequency_hz = Some(10_000.0);
        judgements.push(Judgement {
            id: FigureId::Separation,
            rated: Some(6),
            mode: f.conditions.mode.clone(),
            channel: Channel::Left,
            figure: Some(f),
            verdict: verdict(Outcome::CannotTell, 50.0, "the interval 49.6 … 51.6 dB straddles 50 dB; a rig with a separation of 80 dB at 10 kHz would decide"),
        });
    }
    judgements
}

fn captures() -> Vec<(CaptureState, Option<Sidecar>)> {
    let names = [
        "001-thd",
        "002-response",
        "003-noise",
        "004-thd",
        "005-response",
        "006-noise",
        "007-noise",
    ];
    names
        .iter()
        .enumerate()
        .map(|(i, name)| {
            let sidecar = Sidecar {
                schema: asleft::job::capture::SCHEMA.to_owned(),
                stage: if i < 3 {
                    StageKind::AsFound
                } else {
                    StageKind::AsLeft
                },
                measurement: "thd".to_owned(),
                recorded: at(&format!("2026-03-14T1{i}:05:00+01:00")),
                sha256: format!("{i}908d868d1f99c32b2fd2d4b355f91bf9a4f820aac23d2031278614c1758a876"),
                format: Format {
                    sample_rate_hz: 48_000,
                    channels: 2,
                    frames: 480_000,
                    encoding: Encoding::Int(24),
                },
                stimulus: None,
                setup: setup("class AB"),
                rig_sha256: None,
                simulated: false,
            };
            let health = if i == 6 {
                Health::SamplesAltered
            } else {
                Health::Intact
            };
            let capture = (*name).to_owned();
            (CaptureState { capture, health }, Some(sidecar))
        })
        .collect()
}

/// The whole scenario.
pub(crate) fn input(bench: BenchKind) -> ReportInput {
    let mut record = record(bench);
    for (kind, begun) in [
        (StageKind::AsFound, "2026-03-14T10:00:00+01:00"),
        (StageKind::AsLeft, "2026-03-17T15:20:00+01:00"),
    ] {
        record.stages.push(Stage {
            kind,
            begun: at(begun),
            reason: None,
            measurements: vec![Measurement {
                name: "thd".to_owned(),
                figures: vec![FigureId::Thd],
                takes: Vec::new(),
            }],
        });
    }
    ReportInput {
        record,
        software: "asleft 0.1.0".to_owned(),
        stages: vec![stage(StageKind::AsFound), stage(StageKind::AsLeft)],
        captures: captures(),
    }
}
