//! The invented unit "Tarnbeck 60" on the invented bench of "Example Bench": specification, rig and record.

use asleft::figure::{Band, Driven, FigureId, Unit, Weighting};
use asleft::job::{BenchKind, Moment, Record};
use asleft::rig::{Calibrated, Rig, RigChannel, Tap};
use asleft::unit::{
    Adjustment, Input, Mode, Output, OutputStage, Rated, RatedPower, SCHEMA as UNIT_SCHEMA, UnitSpec,
};

/// A date and time of the scenario.
pub(crate) fn at(text: &str) -> Moment {
    text.parse().unwrap()
}

/// The rated specification.
pub(crate) fn unit() -> UnitSpec {
    UnitSpec {
        schema: UNIT_SCHEMA.to_owned(),
        model: "Tarnbeck 60".to_owned(),
        source: Some("invented for demonstration".to_owned()),
        outputs: vec![Output {
            name: "Speakers A".to_owned(),
            loads_ohm: vec![8.0, 4.0],
            stage: OutputStage::Grounded,
        }],
        inputs: vec![Input {
            name: "AUX".to_owned(),
            sensitivity_v: 0.15,
            impedance_ohm: Some(47_000.0),
            phono: false,
        }],
        modes: vec![Mode {
            name: "class AB".to_owned(),
            note: None,
            power: None,
        }],
        power: RatedPower {
            watts: 60.0,
            load_ohm: 8.0,
            driven: Driven::Both,
            band_hz: Band::AUDIO,
            thd_percent: 0.05,
        },
        rated: rated_figures(),
        adjustments: vec![Adjustment {
            name: "DC offset".to_owned(),
            target_mv: 0.0,
            tolerance_mv: 20.0,
            mode: None,
            where_measured: None,
        }],
    }
}

fn rated_figures() -> Vec<Rated> {
    vec![
        Rated {
            max: Some(0.05),
            frequency_hz: Some(1000.0),
            power_w: Some(60.0),
            ..Rated::new(FigureId::Thd, Unit::Percent)
        },
        Rated {
            max: Some(0.02),
            frequency_hz: Some(1000.0),
            power_w: Some(1.0),
            ..Rated::new(FigureId::ThdN, Unit::Percent)
        },
        Rated {
            min: Some(95.0),
            weighting: Some(Weighting::A),
            reference: Some("rated output".to_owned()),
            ..Rated::new(FigureId::Snr, Unit::Decibels)
        },
        Rated {
            min: Some(-0.5),
            band_hz: Some(Band::AUDIO),
            ..Rated::new(FigureId::ResponseMin, Unit::Decibels)
        },
        Rated {
            max: Some(0.5),
            band_hz: Some(Band::AUDIO),
            ..Rated::new(FigureId::ResponseMax, Unit::Decibels)
        },
        Rated {
            max: Some(1.0),
            frequency_hz: Some(1000.0),
            ..Rated::new(FigureId::Balance, Unit::Decibels)
        },
        Rated {
            min: Some(50.0),
            frequency_hz: Some(10_000.0),
            ..Rated::new(FigureId::Separation, Unit::Decibels)
        },
    ]
}

fn calibrated(value: f64, u_percent: f64, source: &str) -> Calibrated {
    Calibrated {
        value,
        u_percent,
        source: source.to_owned(),
        date: "2026-03-01".to_owned(),
    }
}

/// The rig.
pub(crate) fn rig() -> Rig {
    let channel = || RigChannel {
        output_full_scale_v: calibrated(2.1, 0.4, "meter volts"),
        output_impedance_ohm: calibrated(100.0, 2.0, "meter ohms"),
        input_full_scale_v: calibrated(2.4, 0.4, "meter volts"),
        input_impedance_ohm: calibrated(22_000.0, 2.0, "meter ohms"),
        load_ohm: calibrated(8.06, 0.5, "meter ohms"),
        load_hot_ohm: None,
        load_rating_w: 100.0,
    };
    Rig {
        schema: asleft::rig::SCHEMA.to_owned(),
        name: "bench 1".to_owned(),
        interface: None,
        channels: vec![channel(), channel()],
        taps: vec![Tap {
            name: "power".to_owned(),
            ratio: vec![
                calibrated(0.0447, 0.3, "meter volts"),
                calibrated(0.0449, 0.3, "meter volts"),
            ],
            source_impedance_ohm: 449.0,
        }],
        pads: Vec::new(),
        ceiling_v: 1.0,
        loopback: Vec::new(),
    }
}

/// A record without stages.
pub(crate) fn record(bench: BenchKind) -> Record {
    let mut record = Record {
        schema: asleft::job::record::SCHEMA.to_owned(),
        id: "2026-03-14-tarnbeck-60-0042".to_owned(),
        opened: at("2026-03-14T09:30:00+01:00"),
        workshop: "Example Bench".to_owned(),
        owner: "Demo Customer".to_owned(),
        serial: "0042".to_owned(),
        complaint: "Left channel sounds rough when loud, and drops out now and then.".to_owned(),
        found: "An idle-current preset of the left channel had gone open; the speaker relay was burnt."
            .to_owned(),
        work: vec![
            "Left idle-current preset renewed and set.".to_owned(),
            "Speaker relay replaced.".to_owned(),
        ],
        notes: vec!["Mains 231 V throughout.".to_owned()],
        unit: unit(),
        bench,
        rigs: std::collections::BTreeMap::new(),
        rig_in_use: None,
        stages: Vec::new(),
        connections: Vec::new(),
    };
    record.keep_rig(&rig()).unwrap();
    record
}
