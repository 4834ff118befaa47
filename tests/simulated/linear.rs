//! Linear laws: equalisation, corners, Ohm's law, balance and separation.

use super::*;

#[test]
fn the_disc_equaliser_follows_the_standard() {
    // IEC 60098 (RIAA) re 1 kHz, from its time constants; printed to 4 decimals.
    let rows = [
        (20.0, 19.2741),
        (50.0, 16.9457),
        (100.0, 13.0885),
        (200.0, 8.2195),
        (2000.0, -2.5885),
        (5000.0, -8.2096),
        (10_000.0, -13.7343),
        (20_000.0, -19.6203),
    ];
    let mut model = bare(1e6);
    for channel in &mut model.channels {
        // With the loop of the bare model the stage adds nothing, but its curves still need not be tabulated to 1 MV.
        channel.stage.second_per_v = 0.0;
        channel.stage.third_per_v2 = 0.0;
    }
    let mut bench = ideal(model);
    let setup = Setup {
        input: Some("phono".into()),
        ..Setup::default()
    };
    let mut tones: Vec<(f64, f64)> = rows.iter().map(|(f, _)| (*f, 1e-3)).collect();
    tones.push((1000.0, 1e-3));
    let take = play(&mut bench, &[cosines(&tones, 2.5)], &setup);
    let at = |hertz: f64| component(&take.planes[1], WINDOW, hertz).norm();
    for (hertz, expected) in rows {
        // Half a unit of the last printed digit, and as much again for the take.
        assert!(
            (decibels(at(hertz) / at(1000.0)) - expected).abs() < 1e-4,
            "{hertz}"
        );
    }
    // The demo's equaliser: 60 V/V at 1 kHz.
    assert!((at(1000.0) / 1e-3 - 60.0).abs() < 1e-6);
}

#[test]
fn a_coupling_capacitor_sets_the_corner_of_rc() {
    let mut model = bare(100.0);
    model.channels[0].coupling_ohm = 10e3;
    model.channels[0].coupling_f = 159.154_943e-9; // 1/(2π·10 kΩ·100 Hz)
    let mut bench = ideal(model);
    let setup = Setup::default();
    let corner = truth(&bench, &setup).corner_low_hz(0).unwrap();
    // −3.01 dB re 1 kHz, where this high-pass already loses a factor 1/√1.01: f = 100/√(2·1.01 − 1) Hz.
    assert!((corner - 100.0 / 1.02f64.sqrt()).abs() < 1e-4, "{corner}");
    let take = play(&mut bench, &[cosines(&[(100.0, 1.0)], 2.5)], &setup);
    let seen = component(&take.planes[0], WINDOW, 100.0);
    assert!((seen.norm() - FRAC_1_SQRT_2).abs() < 1e-6);
    assert!((seen.arg().to_degrees() - 45.0).abs() < 1e-4);
}

#[test]
fn load_and_wiring_divide_by_ohms_law() {
    let mut model = bare(100.0);
    model.channels[0].stage.wiring_ohm = 0.4;
    let mut loaded = ideal(model.clone());
    let drive = [cosines(&[(1000.0, 4.2)], 2.5)];
    let setup = Setup {
        loaded: Some(false),
        ..Setup::default()
    };
    let with = component(
        &play(&mut loaded, &drive, &Setup::default()).planes[0],
        WINDOW,
        1000.0,
    )
    .norm();
    let without = component(&play(&mut loaded, &drive, &setup).planes[0], WINDOW, 1000.0).norm();
    // 8 Ω behind 0.4 Ω: 20/21. Power is V²/R.
    assert!((with - 4.0).abs() < 1e-6 && (without - 4.2).abs() < 1e-6);
    let truth = truth(&loaded, &Setup::default());
    assert!((truth.source_impedance(0, 1000.0) - 0.4).norm() < 1e-9);
    let tone = truth.tone(0, 1000.0, 4.2 * FRAC_1_SQRT_2).unwrap();
    assert!((truth.power_w(0, &tone).unwrap() - 1.0).abs() < 1e-9);
    let missing = ideal(model).with_fault(Fault::MissingLoad);
    let truth = missing.truth(&Setup::default()).unwrap();
    let tone = truth.tone(0, 1000.0, 1.0).unwrap();
    assert!(truth.power_w(0, &tone).is_none());
}

#[test]
fn balance_and_separation_of_a_take_are_those_of_the_truth() {
    let mut bench = ideal(silent(tarnbeck_60()));
    let drive = [
        cosines(&[(1000.0, 0.1), (10_000.0, 0.1)], 2.5),
        vec![0.0; 5 * WINDOW / 2],
    ];
    let setup = Setup {
        driven: Some(Driven::Left),
        termination: Some("shorted plug".into()),
        ..Setup::default()
    };
    let truth = truth(&bench, &setup);
    let take = play(&mut bench, &drive, &setup);
    for hertz in [1000.0, 10_000.0] {
        let at = |channel: usize| component(&take.planes[channel], WINDOW, hertz).norm();
        // 1.6 W: the gain of the driven channel differs from the small-signal one by crossover, below 0.1 %.
        assert!((decibels(at(0) / at(1)) - truth.separation_db(0, hertz)).abs() < 0.01);
    }
}
