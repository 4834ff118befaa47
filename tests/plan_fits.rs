//! A plan fits the bench: its sample rates, its pads. The oracle is arithmetic: what a rate carries ends below half of it
//! (the sampling theorem), and a converter's filter falls from 0.45 of it on.

#![allow(clippy::unwrap_used, reason = "a test may stop where it stands")]

use asleft::bench::simulated::demo_rig;
use asleft::figure::FigureId;
use asleft::procedure::plan::{self, Means, Plan, Play};
use asleft::rig::Pad;
use asleft::unit::{UnitSpec, file};

fn unit() -> UnitSpec {
    file::parse(include_str!("../units/tarnbeck-60.unit.toml"), "demo").unwrap()
}

fn at(rates_hz: &[u32]) -> Plan {
    let means = Means {
        power_tap: "power",
        noise_tap: "noise",
        pads: &[],
        rates_hz,
    };
    plan::with(&unit(), &means).unwrap()
}

#[test]
fn every_step_fits_the_rates_that_are_offered() {
    let offers: [&[u32]; 6] = [
        &[44_100],
        &[44_100, 48_000],
        &[48_000, 96_000],
        &[88_200, 176_400],
        &[192_000],
        &[44_100, 48_000, 88_200, 96_000, 176_400, 192_000],
    ];
    for offered in offers {
        let plan = at(offered);
        for step in &plan.steps {
            let rate = f64::from(step.sample_rate_hz);
            assert!(offered.contains(&step.sample_rate_hz), "{}", step.name);
            let highest = match step.play {
                Play::Silence => 0.0,
                // A second harmonic must be inside, or distortion is not seen at all.
                Play::Tone { frequency_hz, .. } => 2.0 * frequency_hz,
                Play::Sweep { to_hz, .. } => to_hz,
            };
            assert!(highest <= 0.45 * rate, "{} at {rate} Hz", step.name);
        }
        // Every mode still begins with a tone and ends with it.
        assert_eq!(
            plan.steps.iter().filter(|s| s.is_check()).count(),
            unit().modes.len()
        );
    }
    // With all rates nothing is lost, and nothing is said.
    assert_eq!(at(&[]).notes, Vec::<String>::new());
    assert_eq!(at(offers[5]), at(&[]));
}

#[test]
fn what_a_low_rate_costs_is_said_once() {
    let notes = at(&[44_100, 48_000]).notes;
    let has = |words: &str| notes.iter().filter(|n| n.contains(words)).count();
    assert_eq!(has("At 48 kHz the third harmonic of 10 kHz"), 1, "{notes:#?}");
    assert_eq!(
        has("no harmonic of 20 kHz is seen: it is left out"),
        1,
        "{notes:#?}"
    );
    assert_eq!(has("sweeps end at 21.6 kHz"), 1, "{notes:#?}");
    assert_eq!(notes.len(), 3, "{notes:#?}");
}

#[test]
fn rates_can_be_capped_but_not_to_nothing() {
    assert_eq!(plan::up_to(&[44_100, 96_000], Some(48_000)).unwrap(), [44_100]);
    let error = plan::up_to(&[96_000], Some(48_000)).unwrap_err().to_string();
    assert!(error.contains("48 kHz") && error.contains("96 kHz"), "{error}");
    let error = plan::up_to(&[], None).unwrap_err().to_string();
    assert!(error.contains("in common"), "{error}");
}

#[test]
fn figures_are_measured_between_a_connection_and_its_check() {
    let only = plan::for_figures(at(&[]), &[FigureId::Thd], Some("class a")).unwrap();
    assert!(only.steps.first().unwrap().finds_gain() && only.steps.last().unwrap().is_check());
    assert!(
        only.steps
            .iter()
            .all(|s| s.setup.mode.as_deref() == Some("class A"))
    );
    let silent = plan::for_figures(at(&[]), &[FigureId::Noise], None).unwrap();
    assert!(silent.steps.iter().all(|s| s.play == Play::Silence));
    assert!(plan::for_figures(at(&[]), &[FigureId::Thd], Some("class X")).is_err());
}

#[test]
fn a_sensitive_input_is_planned_with_the_pad_that_attenuates_most() {
    let mut unit = unit();
    for input in &mut unit.inputs {
        input.sensitivity_v = 0.03;
    }
    let known = demo_rig().taps[0].ratio.clone();
    let pad = |name: &str, value: f64| Pad {
        name: name.to_owned(),
        ratio: known
            .iter()
            .map(|r| asleft::rig::Calibrated { value, ..r.clone() })
            .collect(),
        source_impedance_ohm: 100.0,
    };
    let pads = [pad("weak", 0.5), pad("strong", 0.01)];
    let plan = |unit: &UnitSpec| {
        let means = Means {
            power_tap: "power",
            noise_tap: "noise",
            pads: &pads,
            rates_hz: &[],
        };
        plan::with(unit, &means).unwrap().steps
    };
    assert!(
        plan(&unit)
            .iter()
            .all(|s| s.setup.pad.as_deref() == Some("strong"))
    );
    assert!(plan(&self::unit()).iter().all(|s| s.setup.pad.is_none()));
}
