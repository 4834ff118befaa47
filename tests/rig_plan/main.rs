//! The bench planner: its arithmetic against closed forms and a published table, its choices against their rules, and
//! the command with its drawings.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

mod command;
mod drawing;

use asleft::error::Kind;
use asleft::figure::Band;
use asleft::rig::planner::differential::Rejection;
use asleft::rig::planner::divider::Divider;
use asleft::rig::planner::interface::{Basis, Class, InterfaceFigures, Known, noise_of_dynamic_range};
use asleft::rig::planner::noise::{NoiseSeen, a_weighting_of_white};
use asleft::rig::planner::{
    CABLE_FARAD, Coupling, HEADROOM_DB, InputRequest, Negative, Plan, Request, e24, plan,
};
use proptest::prelude::*;

const NOTHING: f64 = f64::INFINITY;

fn request(rated_w: f64, negative: Negative) -> Request {
    Request {
        rated_w,
        load_ohm: 8.0,
        other_loads_ohm: Vec::new(),
        load_rating_w: None,
        headroom_db: HEADROOM_DB,
        negative,
        coupling: Coupling::Direct,
        inputs: Vec::new(),
        interface: InterfaceFigures::typical(Class::Usb),
        cable_farad: CABLE_FARAD,
        noise_tap: true,
    }
}

fn phono() -> InputRequest {
    InputRequest {
        name: "phono".to_owned(),
        sensitivity_v: 0.0025,
    }
}

fn close(value: f64, expected: f64, tolerance: f64) {
    assert!(
        (value - expected).abs() <= tolerance,
        "{value} is not {expected} ± {tolerance}"
    );
}

#[test]
fn the_series_is_that_of_the_standard() {
    // IEC 60063, E12 and the twelve that E24 adds, as printed.
    let e12 = [10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82];
    let added = [11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91];
    let mut printed: Vec<u32> = e12.into_iter().chain(added).collect();
    printed.sort_unstable();
    assert_eq!(e24::DECADE.to_vec(), printed);
    let values = e24::between(910.0, 1200.0);
    assert_eq!(values.len(), 4);
    for (value, expected) in values.iter().zip([910.0, 1000.0, 1100.0, 1200.0]) {
        // Products of decimal fractions: a few units in the last place.
        close(*value, expected, expected * 1e-12);
    }
    assert!(e24::between(-1.0, 5.0).is_empty() && e24::between(5.0, 1.0).is_empty());
}

/// A row of the published table of dividers at 40 V: parts, then dB, V, source Ω, noise µV, top W, corners kHz at 300 pF
/// and 1 nF, fault mA at 57 V.
type Row = (f64, f64, [f64; 8]);

#[test]
fn five_dividers_agree_with_the_table_of_bench_practice() {
    let rows: [Row; 5] = [
        (10e3, 470.0, [-27.0, 1.80, 449.0, 8.6, 0.15, 1200.0, 355.0, 5.7]),
        (10e3, 1e3, [-20.8, 3.64, 909.0, 6.0, 0.13, 584.0, 175.0, 5.7]),
        (4.7e3, 220.0, [-27.0, 1.79, 210.0, 5.9, 0.31, 2500.0, 757.0, 12.0]),
        (22e3, 1e3, [-27.2, 1.74, 957.0, 13.0, 0.07, 555.0, 166.0, 2.6]),
        (100e3, 10e3, [-20.8, 3.64, 9100.0, 19.0, 0.013, 58.0, 18.0, 0.6]),
    ];
    // Half of the last digit that the table prints in each column of each row.
    let half = [
        [0.05, 0.005, 0.5, 0.05, 0.005, 50.0, 0.5, 0.05],
        [0.05, 0.005, 0.5, 0.5, 0.005, 0.5, 0.5, 0.05],
        [0.05, 0.005, 0.5, 0.05, 0.005, 50.0, 0.5, 0.5],
        [0.05, 0.005, 0.5, 0.5, 0.005, 0.5, 0.5, 0.05],
        [0.05, 0.005, 50.0, 0.5, 0.0005, 0.5, 0.5, 0.05],
    ];
    for ((top_ohm, bottom_ohm, printed), half) in rows.into_iter().zip(half) {
        let d = Divider { top_ohm, bottom_ohm };
        let computed = [
            20.0 * d.ratio(NOTHING).log10(),
            40.0 * d.ratio(NOTHING),
            d.source_ohm(),
            d.noise_at_top_v(Band::AUDIO) * 1e6,
            d.top_watts(40.0, NOTHING),
            d.corner_hz(NOTHING, 300e-12) / 1e3,
            d.corner_hz(NOTHING, 1e-9) / 1e3,
            d.clamped_current_a(57.0) * 1e3,
        ];
        for ((value, expected), half) in computed.into_iter().zip(printed).zip(half) {
            close(value, expected, half * 1.0001);
        }
    }
    // The table's last row: −0.5 and −3.6 dB at 20 kHz.
    let d = Divider {
        top_ohm: 100e3,
        bottom_ohm: 10e3,
    };
    close(d.droop_db(20e3, NOTHING, 300e-12), 0.5, 0.05);
    close(d.droop_db(20e3, NOTHING, 1e-9), 3.6, 0.05);
    // Loading: 10, 20 and 60 kΩ on 449 Ω cost 0.38, 0.19, 0.06 dB.
    let d = Divider {
        top_ohm: 10e3,
        bottom_ohm: 470.0,
    };
    for (input, db) in [(10e3, 0.38), (20e3, 0.19), (60e3, 0.06)] {
        close(20.0 * (d.ratio(NOTHING) / d.ratio(input)).log10(), db, 0.005);
    }
}

#[test]
fn resistor_noise_is_johnsons() {
    // 1 kΩ, 20 kHz, 20 °C: 0.569025 µV (√(4kTRΔf) with the SI's exact k). Here 25 °C and 19 980 Hz; two of 2 kΩ are a
    // source of 1 kΩ behind a ratio of one half.
    let d = Divider {
        top_ohm: 2e3,
        bottom_ohm: 2e3,
    };
    let expected = 2.0 * 0.569_025e-6 * (298.15f64 / 293.15 * 19_980.0 / 20_000.0).sqrt();
    // The reference has six digits.
    close(d.noise_at_top_v(Band::AUDIO), expected, expected * 2e-6);
}

#[test]
fn white_noise_loses_two_decibels_under_the_a_curve() {
    // White noise, 20 Hz–20 kHz, A-weighted: −2.04827 dB, from the curve of IEC 61672-1 integrated elsewhere; five
    // printed decimals and the midpoint rule's step: 1e-4 dB.
    close(20.0 * a_weighting_of_white().log10(), -2.048_27, 1e-4);
}

#[test]
fn an_interface_hides_a_good_amplifier_behind_an_attenuator() {
    // Published with the table above: full scale +10 dBu, 105 dB A: 14 µV at the input, about 307 µV through −27 dB, no
    // better than about 79 dB re 1 W and 99 dB re 100 W into 8 Ω.
    let mut interface = InterfaceFigures::typical(Class::Usb);
    interface.input_ohm = Known::stated(1e12);
    interface.input_noise_v = Known::stated(noise_of_dynamic_range(2.45, 105.0));
    let d = Divider {
        top_ohm: 10e3,
        bottom_ohm: 470.0,
    };
    let seen = NoiseSeen::through(&d, 1, &interface, 800f64.sqrt(), 8f64.sqrt());
    close(
        interface.input_noise_v.value * a_weighting_of_white() * 1e6,
        14.0,
        0.5,
    );
    close(seen.interface_v * a_weighting_of_white() * 1e6, 307.0, 0.5);
    close(seen.snr_1w_a_db, 79.0, 0.5);
    close(seen.snr_rated_a_db, 99.0, 0.5);
    // Uncorrelated noises add as squares, and two dividers have twice the noise power of one.
    close(
        seen.total_v.powi(2),
        seen.thermal_v.powi(2) + seen.interface_v.powi(2),
        1e-18,
    );
    let two = NoiseSeen::through(&d, 2, &interface, 800f64.sqrt(), 8f64.sqrt());
    close((two.total_v / seen.total_v).powi(2), 2.0, 1e-12);
}

#[test]
fn rejection_is_the_worst_of_all_corners() {
    // Every one of four resistors at either end of its tolerance, tried one by one.
    let d = Divider {
        top_ohm: 10e3,
        bottom_ohm: 470.0,
    };
    for tolerance in [0.01, 0.001] {
        let mut worst = f64::INFINITY;
        for corner in 0..16u32 {
            let sign = |bit: u32| {
                if corner >> bit & 1 == 1 {
                    1.0 + tolerance
                } else {
                    1.0 - tolerance
                }
            };
            let ratio = |top: f64, bottom: f64| {
                let (t, b) = (d.top_ohm * top, d.bottom_ohm * bottom);
                b / (t + b)
            };
            let (plus, minus) = (ratio(sign(0), sign(1)), ratio(sign(2), sign(3)));
            if (plus - minus).abs() > 0.0 {
                worst = worst.min(((plus + minus) / 2.0 / (plus - minus)).abs());
            }
        }
        // First order in the tolerance: what is left is its square, 1e-4 of 1, 0.001 dB.
        close(
            Rejection::new(&d, tolerance).worst_db,
            20.0 * worst.log10(),
            0.002,
        );
    }
}

#[test]
fn a_phono_pad_gives_ten_times_the_sensitivity_from_a_low_impedance() {
    let mut asked = request(50.0, Negative::Grounded);
    asked.inputs = vec![
        phono(),
        InputRequest {
            name: "aux".into(),
            sensitivity_v: 0.15,
        },
    ];
    let planned = plan(&asked).unwrap();
    // Only the input under 50 mV.
    assert_eq!(planned.pads.len(), 1);
    let pad = &planned.pads[0];
    // Ohm with the output's own 100 Ω; E24 pairs over a wide choice of bottoms come within half a step, 5 %.
    let ratio = pad.divider.bottom_ohm / (pad.divider.bottom_ohm + pad.divider.top_ohm + 100.0);
    close(pad.full_scale_v, 2.45 * ratio, 1e-9);
    close(pad.full_scale_v / 0.025, 1.0, 0.05);
    close(pad.sensitivity_dbfs, -20.0, 0.43);
    assert!(pad.source_ohm < 51.0);
    assert!(pad.divider.top_ohm + pad.divider.bottom_ohm >= 600.0);
}

#[test]
fn loads_get_a_duty() {
    // 20 V into 8 Ω is 50 W, into 4 Ω 100 W: 12.5 W continuous is 15 s and 7.5 s of each minute.
    let mut asked = request(50.0, Negative::Grounded);
    asked.other_loads_ohm = vec![4.0];
    asked.load_rating_w = Some(12.5);
    let planned = plan(&asked).unwrap();
    close(planned.loads[0].rated_s_per_min.unwrap(), 15.0, 1e-9);
    close(planned.loads[1].rated_w, 100.0, 1e-9);
    close(planned.loads[1].rated_s_per_min.unwrap(), 7.5, 1e-9);
    asked.load_rating_w = None;
    for load in plan(&asked).unwrap().loads {
        assert!(load.rating_w >= load.clipping_w && load.clipping_s_per_min.is_none());
    }
}

#[test]
fn what_cannot_be_built_is_said_with_what_would_do() {
    let mut weak = request(0.5, Negative::Grounded);
    let mut long = request(50.0, Negative::Grounded);
    long.cable_farad = 50e-9;
    let mut deaf = request(50.0, Negative::Grounded);
    deaf.inputs = vec![InputRequest {
        name: "main in".into(),
        sensitivity_v: 4.0,
    }];
    let mut microphone = request(5.0, Negative::Grounded);
    microphone.interface.input_ohm = Known::stated(600.0);
    weak.noise_tap = false;
    for (asked, word) in [
        (weak, "clamp"),
        (long, "pF of cable"),
        (deaf, "sensitive"),
        (microphone, "line input"),
    ] {
        let error = plan(&asked).unwrap_err();
        assert_eq!(error.kind(), Kind::Mismatch, "{error}");
        let next = error.next_step().unwrap();
        assert!(next.contains(word), "{next}");
    }
    for bad in [f64::NAN, 0.0, -8.0, f64::INFINITY] {
        let mut asked = request(50.0, Negative::Grounded);
        asked.load_ohm = bad;
        assert_eq!(plan(&asked).unwrap_err().kind(), Kind::Value);
    }
}

/// Whether a value is one of E24, by its first two digits.
fn preferred(ohm: f64) -> bool {
    let decade = 10f64.powf(ohm.log10().floor() - 1.0);
    e24::DECADE
        .iter()
        .any(|m| (ohm / decade - f64::from(*m)).abs() < 1e-6)
}

fn negatives() -> impl Strategy<Value = Negative> {
    prop_oneof![
        Just(Negative::Grounded),
        Just(Negative::Driven),
        Just(Negative::Floating)
    ]
}

fn requests() -> impl Strategy<Value = Request> {
    let interface = (0.5..10.0f64, 2e3..60e3f64, 80.0..115.0f64);
    (1.0..500.0f64, 2.0..16.0f64, negatives(), interface, any::<bool>()).prop_map(
        |(rated_w, load_ohm, negative, (full_scale, input_ohm, range), with_pad)| {
            let mut asked = request(rated_w, negative);
            asked.load_ohm = load_ohm;
            asked.interface.input_full_scale_v = Known::stated(full_scale);
            asked.interface.input_ohm = Known::stated(input_ohm);
            asked.interface.input_noise_v = Known::stated(noise_of_dynamic_range(full_scale, range));
            asked.inputs = if with_pad { vec![phono()] } else { Vec::new() };
            asked
        },
    )
}

/// What every plan must hold, from Ohm and Kirchhoff and the rules that the planner states.
fn check(planned: &Plan) {
    let (a, f) = (&planned.attenuator, &planned.failures);
    assert!(preferred(a.top.each_ohm) && preferred(a.bottom.each_ohm));
    // A preferred value may lie above its limit by a rounding error of 1e-9: 1e-8 dB.
    assert!(planned.clipping.dbfs <= -3.0 + 1e-7, "{}", planned.clipping.dbfs);
    assert!(planned.rated.dbfs >= -12.0);
    close(planned.clipping.dbfs - planned.rated.dbfs, HEADROOM_DB, 1e-9);
    let input_ohm = planned.request.interface.input_ohm.value;
    let (top, bottom) = (2.0 * a.top.each_ohm, a.bottom.each_ohm / 2.0);
    // Kirchhoff: what comes through the top leaves through the bottom and the interface.
    let leg = planned.rated.interface_v / a.ratio;
    let tap = planned.rated.interface_v;
    close(((leg - tap) / top) / (tap / bottom + tap / input_ohm), 1.0, 1e-9);
    // Energy: the parts' heat and the interface's share are all that the terminal gives.
    let heat = 2.0 * (a.top.each_w + a.bottom.each_w) + tap * tap / input_ohm;
    close(heat / (leg * (leg - tap) / top), 1.0, 1e-9);
    for part in [&a.top, &a.bottom] {
        assert!(part.rating_w >= 4.0 * part.each_w);
    }
    assert!(a.load_error_percent <= 0.1 && a.droop_20k_db <= 0.1);
    assert!(f.clamp_v >= 3.0 * f.working_peak_v && preferred(f.clamp_v));
    assert!(f.bottom_open_v > f.rail_at_interface_v && f.one_open_db < 6.03);
    if let Some(t) = &planned.noise_tap {
        assert!(t.ratio_db <= 0.0 && t.ratio_db >= -6.0 && preferred(t.series_ohm));
        assert!(t.noise.total_v < planned.noise.total_v);
    }
}

proptest! {
    #[test]
    fn every_plan_keeps_its_rules(asked in requests()) {
        match plan(&asked) {
            Ok(planned) => check(&planned),
            Err(e) => {
                prop_assert_eq!(e.kind(), Kind::Mismatch);
                prop_assert!(e.next_step().is_some());
            }
        }
    }

    #[test]
    fn preferred_values_bracket_any_other(x in 0.01..1e7f64) {
        let (low, high) = (e24::at_most(x).unwrap(), e24::at_least(x).unwrap());
        prop_assert!(preferred(low) && preferred(high));
        prop_assert!(low <= x * (1.0 + 1e-8) && high >= x * (1.0 - 1e-8));
        // The widest gap of the series is from 13 to 15.
        prop_assert!(high / low <= 15.0 / 13.0 + 1e-9);
    }
}

#[test]
fn a_stored_loopback_gives_the_interfaces_noise() {
    let mut rig = asleft::rig::file::parse(asleft::rig::file::template(), "x").unwrap();
    let figures = InterfaceFigures::of_rig(&rig, Class::Usb).unwrap();
    assert_eq!(figures.input_noise_v.basis, Basis::Typical);
    rig.loopback = vec![asleft::rig::Loopback {
        channel: 0,
        level_dbfs: -6.0,
        date: "2026-01-10".into(),
        frequency_hz: vec![100.0, 1_000.0, 10_000.0],
        noise_dbfs_per_hz: vec![-150.0; 3],
        response_hz: vec![],
        response_db: vec![],
        response_deg: vec![],
        response_u_db: 0.0,
        harmonics_db: vec![],
    }];
    // White: density × 19 980 Hz, re the rms of a full-scale sine.
    let expected = 2.45 * (1e-15f64 * 19_980.0).sqrt();
    let figures = InterfaceFigures::of_rig(&rig, Class::Usb).unwrap();
    close(figures.input_noise_v.value, expected, expected * 1e-9);
}
