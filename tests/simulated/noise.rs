//! Thermal noise, hum, and what a silent take shows.

use super::*;

#[test]
fn a_resistor_makes_the_noise_of_nyquist() {
    // √(4kTRB): 1 kΩ, 20 °C, 20 Hz–20 kHz (19 980 Hz): 4.023617 nV/√Hz · √19980 = 0.568740 µV (reference-values §8:
    // 0.569025 µV in a full 20 kHz).
    let mut model = bare(100.0);
    model.kelvin = CELSIUS_ZERO + 20.0;
    model.volume.track_ohm = 0.0;
    let mut bench = ideal(model);
    let setup = Setup {
        termination: Some("1 kΩ".into()),
        ..Setup::default()
    };
    let full = Band {
        low_hz: 1.0,
        high_hz: 20_001.0,
    };
    let noise = truth(&bench, &setup).noise_v(0, full, &|_| 1.0);
    assert!((noise - 0.569_025e-6).abs() < 1e-12, "{noise}");
    let take = play(&mut bench, &[vec![0.0; 2 * WINDOW]], &setup);
    let seen = band_rms(&take.planes[0], 1.0, 20_001.0);
    // 40 000 independent bins of two degrees of freedom: σ = 1/(2·√40000) = 0.25 %; four of them.
    assert!((seen / noise - 1.0).abs() < 0.01, "{seen}");
}

#[test]
fn a_silent_take_shows_the_noise_and_hum_of_the_truth() {
    let mut model = tarnbeck_60();
    model.supply.mains.wander_hz = 0.0;
    let interface = bench_interface();
    let mut bench = SimulatedBench::new(model, interface.clone(), 3);
    let setup = Setup {
        termination: Some("shorted plug".into()),
        tap: Some("noise".into()),
        mode: Some("class A".into()),
        ..Setup::default()
    };
    let truth = truth(&bench, &setup);
    let take = play(&mut bench, &[vec![0.0; 4 * WINDOW]], &setup);
    let tap = &interface.taps[1];
    for channel in 0..2 {
        let per_volt = interface.sample_per_volt(channel, Some(tap));
        let band = Band {
            low_hz: 2100.0,
            high_hz: 20_000.0,
        };
        let amplifier = truth.noise_v(channel, band, &|_| 1.0) * per_volt;
        let own = (interface.noise_density(channel, Some(tap)) * (band.high_hz - band.low_hz)).sqrt();
        let seen = band_rms(&take.planes[channel][..4 * WINDOW], band.low_hz, band.high_hz);
        // 4 s · 17.9 kHz bins: σ = 1/(2·√71600) = 0.19 %; crosstalk of the inputs 1e-5; four σ.
        assert!((seen / amplifier.hypot(own) - 1.0).abs() < 0.008);
        for order in [1u32, 2, 3, 4, 6] {
            let line = f64::from(order) * 50.0;
            let seen = component(&take.planes[channel], WINDOW, line).norm() * FRAC_1_SQRT_2 / per_volt;
            let response = interface.side_response(line).norm();
            let expected = truth.hum_line_v(channel, order) * response;
            // Noise in one bin of 1 Hz: up to 3 µV/√Hz of 1/f noise at 50 Hz, σ of the amplitude √½ of it; four σ.
            let floor = truth.noise_density(channel, line).sqrt();
            assert!(
                (seen - expected).abs() < 4.0 * floor + 1e-4 * expected,
                "{channel} {order}"
            );
        }
    }
}

#[test]
fn hum_of_rich_bias_and_dry_reservoirs_is_ripple() {
    let at = |mode: &str, fault: Option<Fault>| {
        let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 3);
        if let Some(fault) = fault {
            fault.apply(&mut bench);
        }
        let setup = Setup {
            mode: Some(mode.into()),
            ..Setup::default()
        };
        truth(&bench, &setup)
    };
    let (ab, a) = (at("class AB", None), at("class A", None));
    // Ripple is proportional to the idle current: 1.1 A against 0.085 A.
    assert!((a.hum_line_v(0, 2) / ab.hum_line_v(0, 2) - 1.1 / 0.085).abs() < 1e-9);
    assert!((a.hum_line_v(0, 1) - ab.hum_line_v(0, 1)).abs() < 1e-3 * ab.hum_line_v(0, 1));
    // By hand: two pairs of 1.1 A, (1 − 0.15)/100 s, 10 mF: 1.87 V; second harmonic sin(0.15π)/(π²·0.15·0.85) = 0.360772
    // of it, 2e-4 of that at the output, /√2.
    let by_hand = 1.87 * 0.360_772 * 2e-4 * FRAC_1_SQRT_2;
    assert!((a.hum_line_v(0, 2) / by_hand - 1.0).abs() < 1e-5);
}
