//! The output stage: clipping, crossover and contact against published tables and the truth.

use super::*;

#[test]
fn a_take_shows_the_harmonics_of_the_truth() {
    let mut bench = ideal(silent(tarnbeck_60())).with_fault(Fault::UnderBias(Side::Right));
    let setup = Setup::default();
    let truth = truth(&bench, &setup);
    for (hertz, watts) in [(997.0, 60.0), (997.0, 0.05), (5003.0, 1.0)] {
        let emf = truth.emf_for_power_v(0, hertz, watts).unwrap().unwrap();
        let drive = cosines(&[(hertz, emf * SQRT_2)], 2.5);
        let take = play(&mut bench, &[drive], &setup);
        for channel in 0..2 {
            let tone = truth.tone(channel, hertz, emf).unwrap();
            for order in 1..=9u32 {
                let f = f64::from(order) * hertz;
                // The low-pass of the oversampling passes up to 0.47 of the rate.
                if f > 0.46 * f64::from(RATE) {
                    break;
                }
                let seen = component(&take.planes[channel], WINDOW, f);
                let expected = tone.peaks[order as usize - 1];
                // Ripple of the low-pass twice (2e-7) on the error before feedback, of at most 3 % of the fundamental;
                // interpolation of the curve 1 nV; what is left of the start after 1 s of a 2.2 Hz high-pass: 1e-6 of
                // the 0.2 % that a cosine's start puts into it.
                let tolerance = 2e-7 * 0.03 * tone.peaks[0].norm() + 5e-9;
                assert!(
                    (seen - expected).norm() < tolerance,
                    "channel {channel}, {hertz} Hz, {watts} W, order {order}: {seen} against {expected}"
                );
            }
        }
    }
}

#[test]
fn a_clipping_take_shows_the_truth_averaged_over_the_ripple() {
    let mut bench = ideal(silent(tarnbeck_60()));
    let setup = Setup::default();
    let truth = truth(&bench, &setup);
    let hertz = 997.0;
    let emf = 0.62;
    let drive = cosines(&[(hertz, emf * SQRT_2)], 2.5);
    let take = play(&mut bench, &[drive], &setup);
    let tone = truth.tone(0, hertz, emf).unwrap();
    assert!(tone.thd(Band::AUDIO) > 0.02, "it should clip");
    for order in [1usize, 3, 5] {
        let seen = component(&take.planes[0], WINDOW, order as f64 * hertz);
        let expected = tone.peaks[order - 1];
        // The ripple of the mean current itself at 2f (Ω = 2π·1994 Hz against 0.1 s: 5e-4 of 3 A) and the 200 ripple
        // periods of a second that are not whole (1/200) of a modulation of some 2 V: 10 mV each.
        assert!(
            (seen - expected).norm() < 0.02,
            "order {order}: {seen} {expected}"
        );
    }
}

#[test]
fn an_ideal_limiter_makes_the_published_harmonics() {
    // Symmetric clipping, closed forms of reference-values §5 in print: c, b1, h3/b1, h5/b1, THD of all harmonics.
    let rows = [
        (0.95, 0.986_680, 0.012_441, -0.010_500),
        (0.9, 0.962_614, 0.032_863, -0.022_873),
        (0.8, 0.895_912, 0.081_859, -0.034_708),
        (0.5, 0.608_998, 0.226_326, 0.045_265),
    ];
    for (c, b1, h3, h5) in rows {
        let mut bench = ideal(bare(10.0 * c));
        let drive = cosines(&[(1000.0, 10.0)], 2.5);
        let take = play(&mut bench, &[drive], &Setup::default());
        let at = |order: f64| component(&take.planes[0], WINDOW, 1000.0 * order) / 10.0;
        // The table is for a sine, whose n-th harmonic has the sign (−1)^((n−1)/2) re that of a cosine. Printed to 6
        // digits: 5e-7. A corner sampled N = 1536 times a period is misjudged by at most (4/π)·√(1 − c²)·(2π/N)²/12
        // (Euler–Maclaurin, four corners).
        let corner = 4.0 / PI * (1.0 - c * c).sqrt() * (TAU / 1536.0).powi(2) / 12.0;
        let tolerance = 5e-7 + corner;
        assert!((at(1.0).re - b1).abs() < tolerance, "{c}: {}", at(1.0));
        for (order, printed) in [(3.0, -h3), (5.0, h5)] {
            let seen = at(order).re / at(1.0).re;
            assert!(
                (seen - printed).abs() < 5e-7 + 1.3 * corner / b1,
                "{c}, {order}: {seen}"
            );
        }
    }
}

#[test]
fn products_do_not_fold_back() {
    // The demo amplifier driven 3 dB into clipping on steady rails. 7919 is prime and no divisor of the rate: an alias
    // of a harmonic never falls on another harmonic below half the rate.
    let mut model = silent(tarnbeck_60());
    model.supply.reservoir_f = 1e9;
    model.supply.resistance_ohm = 0.0;
    let mut bench = ideal(model);
    let drive = cosines(&[(7919.0, 0.85 * SQRT_2)], 3.5);
    let take = play(&mut bench, &[drive], &Setup::default());
    let bins = spectrum(&take.planes[0][2 * WINDOW..3 * WINDOW]);
    let fundamental = bins[7919].norm();
    assert!(bins[3 * 7919].norm() > 0.02 * fundamental, "it should clip");
    let worst = (1..WINDOW / 2)
        .filter(|bin| bin % 7919 != 0)
        .map(|bin| bins[bin].norm())
        .fold(0.0, f64::max);
    assert!(
        decibels(worst / fundamental) < -120.0,
        "{}",
        decibels(worst / fundamental)
    );
}

#[test]
fn crossover_is_least_at_the_optimum_bias() {
    // reference-values §9 (Oliver 1971): about 26 mV across each emitter resistor; the least spread of the output
    // resistance over ±3 A near 24 mV. Distortion of the output pair alone, 10 W in 8 Ω.
    let thd = |millivolts: f64| {
        let mut model = bare(60.0);
        let stage = &mut model.channels[0].stage;
        stage.loop_gain = LoopGain {
            dc: 0.0,
            corner_hz: 1e9,
        };
        stage.internal_ohm = 0.0;
        stage.second_per_v = 0.0;
        stage.third_per_v2 = 0.0;
        stage.junction_kelvin = 300.0; // V_T = 25.852 mV
        model.modes[0].idle_a = millivolts * 1e-3 / stage.emitter_ohm;
        let truth = ideal(model).truth(&Setup::default()).unwrap();
        truth.tone(0, 1000.0, 9.0).unwrap().thd(Band::AUDIO)
    };
    let mut best = (f64::INFINITY, 0.0);
    for step in 10..100 {
        let millivolts = f64::from(step) * 0.5;
        let t = thd(millivolts);
        if t < best.0 {
            best = (t, millivolts);
        }
    }
    assert!((18.0..=27.0).contains(&best.1), "{best:?}");
    assert!(thd(5.0) > 3.0 * best.0 && thd(60.0) > 1.5 * best.0);
}

#[test]
fn under_bias_and_worn_contact_show_their_signatures() {
    let setup = Setup::default();
    let tone = |fault: Option<Fault>, watts: f64| {
        let mut bench = ideal(silent(tarnbeck_60()));
        if let Some(fault) = fault {
            fault.apply(&mut bench);
        }
        let truth = truth(&bench, &setup);
        let emf = truth.emf_for_power_v(1, 1000.0, watts).unwrap().unwrap();
        truth.tone(1, 1000.0, emf).unwrap()
    };
    // trade §6: high-order odd harmonics that grow as the level falls.
    let starved = Some(Fault::UnderBias(Side::Right));
    for order in [5, 7, 9] {
        assert!(tone(starved, 0.05).harmonic_db(order) > tone(starved, 30.0).harmonic_db(order) + 10.0);
        assert!(tone(starved, 0.05).harmonic_db(order) > tone(None, 0.05).harmonic_db(order) + 40.0);
    }
    // reference-values §9: mainly the third order.
    let worn = tone(Some(Fault::WornRelayContact(Side::Right)), 1.0);
    assert!(worn.harmonic_db(3) > worn.harmonic_db(2) + 20.0);
    assert!(worn.harmonic_db(3) > worn.harmonic_db(5) + 10.0);
    assert!(worn.harmonic_db(3) > tone(None, 1.0).harmonic_db(3) + 20.0);
}
