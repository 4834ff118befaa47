//! The demo unit, its faults, and the bench as others use it.

use super::*;

#[test]
fn the_healthy_unit_meets_its_rating_and_each_fault_breaks_what_it_should() {
    let setup = Setup::default();
    let of = |fault: Option<Fault>| {
        let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 1);
        if let Some(fault) = fault {
            fault.apply(&mut bench);
        }
        truth(&bench, &setup)
    };
    let healthy = of(None);
    let wide = Band {
        low_hz: 20.0,
        high_hz: 80e3,
    };
    for channel in 0..2 {
        for hertz in [20.0, 1e3, 20e3] {
            let emf = healthy.emf_for_power_v(channel, hertz, 60.0).unwrap().unwrap();
            assert!(healthy.tone(channel, hertz, emf).unwrap().thd(wide) < 4e-4);
        }
        let onset = healthy.clipping_onset_w(channel).unwrap().unwrap();
        assert!((65.0..80.0).contains(&onset), "{onset}");
        assert!(healthy.response_db(channel, 20.0) > -0.3 && healthy.response_db(channel, 20e3) > -0.3);
    }
    let emf = healthy.emf_for_power_v(0, 1e3, 1.0).unwrap().unwrap();
    let thd_n = healthy.thd_n(0, 1e3, emf, Band::AUDIO).unwrap();
    // By hand: 1 W in 8.03 Ω; the noise of the truth, H2 and H3, hum of some 30 µV.
    let noise = healthy.noise_v(0, Band::AUDIO, &|_| 1.0);
    let harmonics = healthy.tone(0, 1e3, emf).unwrap().thd(Band::AUDIO);
    let least = harmonics.hypot(noise / 8.03f64.sqrt());
    assert!(
        thd_n > least && thd_n < least.hypot(40e-6 / 8f64.sqrt()),
        "{thd_n} {least}"
    );
    assert!(healthy.balance_db(1e3).abs() < 0.5 && healthy.separation_db(0, 1e3) > 55.0);
    let dry = of(Some(Fault::DryReservoirCapacitors));
    assert!(dry.clipping_onset_w(0).unwrap().unwrap() < 55.0);
    assert!((dry.hum_line_v(0, 2) / healthy.hum_line_v(0, 2) - 5.0).abs() < 1e-9);
    assert!(of(Some(Fault::DriedCouplingCapacitor(Side::Left))).response_db(0, 40.0) < -3.0);
    assert!(of(Some(Fault::VolumeTrackMismatch)).balance_db(1e3) > 2.0);
    let lifted = of(Some(Fault::LiftedGround));
    assert!(lifted.hum_line_v(0, 1) > 20.0 * healthy.hum_line_v(0, 1));
    assert!(lifted.separation_db(0, 1e3) < healthy.separation_db(0, 1e3) - 10.0);
    let worn = of(Some(Fault::WornRelayContact(Side::Right)));
    assert!(worn.source_impedance(1, 1e3).re > 3.0 * healthy.source_impedance(1, 1e3).re);
}

#[test]
fn equal_seeds_give_equal_samples() {
    let take = |seed: u64| {
        let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), seed);
        let drive = [cosines(&[(997.0, 0.05)], 0.2)];
        let first = play(&mut bench, &drive, &Setup::default());
        let second = play(&mut bench, &drive, &Setup::default());
        (first, second)
    };
    let (a, b) = (take(7), take(7));
    assert!(a == b);
    assert!(a.0 != a.1, "takes of one bench must differ in their noise");
    assert!(take(8).0 != a.0);
}

#[test]
fn a_cleared_stimulus_is_played() {
    let rig = drawn_rig(1);
    let signal = Signal::Tone {
        frequency_hz: 1000.0,
        level_dbfs: -30.0,
    };
    let stimulus = Stimulus::stereo(48_000, 0.5, &signal, Driven::Left);
    let cleared = clear(stimulus, &rig, None).unwrap();
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 1);
    assert!(bench.simulated());
    let mut take = InMemory::default();
    let played = bench.play(&cleared, &Setup::default(), &mut take).unwrap();
    let planes = take.planes();
    assert_eq!((planes.len(), planes[0].len() as u64), (2, played.frames));
    let peak = |plane: &[f64]| plane.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    assert!(peak(&planes[0]) > 100.0 * peak(&planes[1]));
}

#[test]
fn impossible_setups_are_refused_with_a_next_step() {
    let mut bench = SimulatedBench::new(tarnbeck_60(), bench_interface(), 1);
    let drive = [vec![0.0; 100]];
    let wrong = |set: fn(&mut Setup)| {
        let mut setup = Setup::default();
        set(&mut setup);
        setup
    };
    for setup in [
        wrong(|s| s.input = Some("Fono".into())),
        wrong(|s| s.mode = Some("class B".into())),
        wrong(|s| s.volume = Some("loud".into())),
        wrong(|s| s.tap = Some("powr".into())),
        wrong(|s| s.pad = Some("none".into())),
        wrong(|s| s.termination = Some("a plug".into())),
    ] {
        let error = bench.run(&drive, RATE, &setup).unwrap_err();
        assert!(error.next_step().is_some(), "{error}");
    }
    assert!(bench.run(&[], RATE, &Setup::default()).is_err());
    assert!(bench.run(&[vec![]], RATE, &Setup::default()).is_err());
    assert!(bench.run(&[vec![f64::NAN; 9]], RATE, &Setup::default()).is_err());
    assert!(bench.run(&drive, 1, &Setup::default()).is_err());
}
