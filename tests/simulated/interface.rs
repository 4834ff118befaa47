//! The interface alone: response, distortion, latency, clocks, codes, calibration.

use super::*;

#[test]
fn a_loopback_shows_the_interface() {
    let interface = InterfaceModel {
        output_range_db: f64::INFINITY,
        input_range_db: f64::INFINITY,
        bits: None,
        ..bench_interface()
    };
    let mut bench = SimulatedBench::loopback(interface.clone(), 1);
    let peak = 0.9;
    let take = play(&mut bench, &[cosines(&[(997.0, peak)], 2.5)], &Setup::default());
    assert_eq!(take.planes[0].len(), 5 * WINDOW / 2 + 2312);
    // E.m.f. through 100 Ω into 20 kΩ.
    let divider = 20_000.0 / 20_100.0;
    let scale = interface.output_full_scale_v[0] / interface.input_full_scale_v[0] * divider;
    let response = interface.side_response(997.0) * interface.side_response(997.0);
    let crosstalk = 1.0 + 1e-5 * (4.89 / 4.92) * (7.81 / 7.74) * (7.74 / 7.81);
    let amplitude = peak * scale * response.norm() * crosstalk;
    let fundamental = component(&take.planes[0], WINDOW, 997.0);
    let gain = 1.0 + 0.75 * interface.third * amplitude * amplitude;
    assert!((fundamental.norm() / (amplitude * gain) - 1.0).abs() < 1e-6);
    let delay = Complex64::cis(-TAU * (997.0 * interface.latency_frames / f64::from(RATE)).fract());
    assert!((fundamental.arg() - (response * delay).arg()).abs() < 1e-9);
    let [second, third] = interface.harmonics(amplitude);
    for (order, ratio) in [(2.0, second), (3.0, third)] {
        let seen = component(&take.planes[0], WINDOW, 997.0 * order).norm() / fundamental.norm();
        assert!((seen / ratio - 1.0).abs() < 1e-4, "{order}: {seen} {ratio}");
    }
}

#[test]
fn a_fast_recording_clock_counts_more_frames() {
    let interface = InterfaceModel {
        clock_ppm: 120.0,
        ..ideal_interface()
    };
    let mut bench = SimulatedBench::loopback(interface, 1);
    // 20 kHz played; the recording sees 20 kHz/(1 + 120 ppm) by its own clock, undistorted.
    let take = play(&mut bench, &[cosines(&[(20_000.0, 0.5)], 2.5)], &Setup::default());
    assert_eq!(take.planes[0].len(), 240_028);
    let seen: f64 = 20_000.0 / 1.000_12;
    for (n, x) in take.planes[0].iter().enumerate().skip(96_000).take(5000) {
        let turns = seen * n as f64 / f64::from(RATE);
        // The resampler's 1e-8, and the ends of the tone, a step 96 000 frames away: (1/π)/(2·96000)·0.5 < 1e-6.
        let e = (x - 0.5 * (TAU * turns.fract()).cos()).abs();
        assert!(e < 1e-6, "{n} {e}");
    }
}

#[test]
fn codes_are_whole_and_stop_at_full_scale() {
    let interface = InterfaceModel {
        bits: Some(16),
        ..ideal_interface()
    };
    let mut bench = SimulatedBench::loopback(interface, 1);
    let take = play(&mut bench, &[cosines(&[(1000.0, 1.5)], 0.1)], &Setup::default());
    assert_eq!(take.bits, 16);
    for x in &take.planes[0] {
        let code = x * 32_768.0;
        assert!((code - code.round()).abs() < 1e-9 && (-32_768.0..=32_767.0).contains(&code));
    }
    assert!(take.planes[0].iter().any(|x| *x * 32_768.0 > 32_766.5));
}

#[test]
fn drawn_rigs_err_by_what_they_state() {
    let truth = bench_interface();
    let n = 2000u32;
    let (mut volts, mut ratio) = (0.0, 0.0);
    for seed in 0..u64::from(n) {
        let rig = drawn_rig(seed);
        let error = |value: f64, truth: f64, u: f64| (value / truth - 1.0) / (u / 100.0);
        let [left, right] = [0, 1].map(|c| {
            let v = &rig.channels[c].input_full_scale_v;
            error(v.value, truth.input_full_scale_v[c], v.u_percent)
        });
        // One meter, one error.
        assert!((left - right).abs() < 1e-9);
        volts += left * left;
        let r = &rig.taps[0].ratio[1];
        ratio += error(r.value, truth.taps[0].ratio[1], r.u_percent).powi(2);
    }
    for sum in [volts, ratio] {
        // A mean of n squared normal deviates: 1 ± √(2/n); four σ.
        assert!((sum / f64::from(n) - 1.0).abs() < 4.0 * (2.0 / f64::from(n)).sqrt());
    }
}
