//! Verdicts against JCGM 106 and against logic: no interval that straddles a limit passes or fails.

mod made;

use asleft::figure::{Figure, FigureId, LimitedBy, Unit};
use asleft::quantity::{Decibels, Estimate};
use asleft::verdict::{Limit, Outcome, Remedy, conformance_probability, judge, judge_capture, stated, worst};
use made::{figure, thd};
use proptest::prelude::*;

fn outcome(figure: &Figure, limit: &Limit) -> Outcome {
    judge(Some(figure), limit).outcome
}

// ---- JCGM 106 -----------------------------------------------------------------------------------------------

#[test]
fn conformance_probabilities_of_jcgm_106() {
    // JCGM 106:2012, 7.3.3, example 1: breakdown voltage −5.47 V, u = 0.05 V, upper limit −5.40 V: Φ(1.4) = 0.9192,
    // printed 0.92. Example 2: 509.7 kPa, u = 8.6 kPa, at least 490 kPa: Φ(2.29) = 0.9890, printed 0.99.
    // Tolerance: half of the last digit of Φ as tabulated.
    let p = conformance_probability(-5.47, 0.05, &Limit::at_most(-5.40, Unit::Volts));
    assert!((p - 0.9192).abs() < 5e-5, "{p}");
    let p = conformance_probability(509.7, 8.6, &Limit::at_least(490.0, Unit::Volts));
    assert!((p - 0.9890).abs() < 5e-5, "{p}");
}

#[test]
fn risk_at_the_edge_of_acceptance_follows_the_guard_band() {
    // A value at T − rU with U = 2u is outside with probability 1 − Φ(2r) (JCGM 106:2012, 8.3.2): 50 % for simple
    // acceptance, 5 % for r = 0.8224 (w = 1.644 854 u), 2.275 % for w = U. Tables of the normal distribution.
    for (r, risk) in [(0.0, 0.5), (0.5, 0.158_66), (0.822_427, 0.05), (1.0, 0.022_750)] {
        let p = 1.0 - conformance_probability(1.0 - r * 0.2, 0.1, &Limit::at_most(1.0, Unit::Percent));
        assert!((p - risk).abs() < 5e-6, "r = {r}: {p}");
    }
    // The rule in use has r = 1: a figure whose interval just ends at the limit passes, and its risk is 2.275 %.
    let just = thd(0.8, 0.1);
    assert_eq!(outcome(&just, &Limit::at_most(1.0, Unit::Percent)), Outcome::Pass);
}

#[test]
fn two_sided_probability_is_the_difference_of_two() {
    let both = Limit {
        min: Some(-1.0),
        max: Some(1.0),
        unit: Unit::Decibels,
    };
    // P(|x| ≤ 2σ) = 0.954 500 (GUM G.1.3 gives 95.45 %).
    assert!((conformance_probability(0.0, 0.5, &both) - 0.954_500).abs() < 5e-7);
    assert!((conformance_probability(0.3, 0.0, &both) - 1.0).abs() < 1e-15);
    assert!(conformance_probability(1.3, 0.0, &both).abs() < 1e-15);
}

// ---- the four outcomes ---------------------------------------------------------------------------------------

#[test]
fn the_four_outcomes() {
    let limit = Limit::at_most(0.05, Unit::Percent);
    assert_eq!(outcome(&thd(0.02, 0.001), &limit), Outcome::Pass);
    assert_eq!(outcome(&thd(0.08, 0.001), &limit), Outcome::Fail);
    assert_eq!(outcome(&thd(0.05, 0.001), &limit), Outcome::CannotTell);
    assert_eq!(judge(None, &limit).outcome, Outcome::NotMeasured);
    // An interval that begins exactly at the limit touches it: part of it is inside.
    let touching = thd(0.75, 0.125);
    assert_eq!(
        outcome(&touching, &Limit::at_most(0.5, Unit::Percent)),
        Outcome::CannotTell
    );
    assert_eq!(
        outcome(&touching, &Limit::at_most(1.0, Unit::Percent)),
        Outcome::Pass
    );
    assert_eq!(
        outcome(&touching, &Limit::at_least(0.5, Unit::Percent)),
        Outcome::Pass
    );
    // A value without uncertainty at its limit is inside it.
    let exact = figure(FigureId::Thd, Estimate::exact(0.5), Unit::Percent);
    assert_eq!(
        outcome(&exact, &Limit::at_most(0.5, Unit::Percent)),
        Outcome::Pass
    );
}

#[test]
fn a_figure_with_a_sign_has_two_limits() {
    let limit = Limit {
        min: Some(-1.0),
        max: Some(1.0),
        unit: Unit::Decibels,
    };
    for (value, expected, at) in [
        (0.2, Outcome::Pass, 1.0),
        (-0.2, Outcome::Pass, -1.0),
        (-1.5, Outcome::Fail, -1.0),
        (0.95, Outcome::CannotTell, 1.0),
    ] {
        let balance = figure(
            FigureId::Balance,
            Estimate::exact(value).with("meter", 0.05),
            Unit::Decibels,
        );
        let verdict = judge(Some(&balance), &limit);
        assert_eq!(verdict.outcome, expected, "{value}");
        assert!((verdict.limit.unwrap() - at).abs() < 1e-15, "{value}");
    }
}

#[test]
fn a_bound_can_pass_and_stay_open_but_never_fail() {
    let limit = Limit::at_most(0.05, Unit::Percent);
    let bound = |percent| Figure {
        upper_limit: true,
        ..thd(percent, 0.001)
    };
    assert_eq!(outcome(&bound(0.02), &limit), Outcome::Pass);
    assert_eq!(outcome(&bound(0.06), &limit), Outcome::CannotTell);
    assert_eq!(outcome(&bound(5.0), &limit), Outcome::CannotTell);
    // The distance of a residue that is only bounded is bounded from below.
    let snr = Figure {
        upper_limit: true,
        ..figure(
            FigureId::Snr,
            Estimate::exact(96.0).with("repeatability", 0.1),
            Unit::Decibels,
        )
    };
    assert_eq!(
        outcome(&snr, &Limit::at_least(95.0, Unit::Decibels)),
        Outcome::Pass
    );
    assert_eq!(
        outcome(&snr, &Limit::at_least(99.0, Unit::Decibels)),
        Outcome::CannotTell
    );
    assert!(
        judge(Some(&snr), &Limit::at_least(99.0, Unit::Decibels))
            .reason
            .contains("above 95.8 dB")
    );
}

#[test]
fn nothing_is_judged_in_a_unit_it_cannot_be_said_in() {
    let uncalibrated = figure(FigureId::Noise, Estimate::exact(-90.0), Unit::Dbfs);
    let verdict = judge(Some(&uncalibrated), &Limit::at_most(1e-3, Unit::Volts));
    assert_eq!(verdict.outcome, Outcome::NotMeasured);
    assert!(verdict.reason.contains("calibrated"));
    let broken = figure(FigureId::Thd, Estimate::exact(f64::NAN), Unit::Percent);
    assert_eq!(
        outcome(&broken, &Limit::at_most(1.0, Unit::Percent)),
        Outcome::NotMeasured
    );
}

#[test]
fn clipping_and_lost_products_leave_doubt() {
    let clipped = |percent| Figure {
        limited_by: Some(LimitedBy::Clipping),
        ..thd(percent, 0.001)
    };
    let limit = Limit::at_most(0.05, Unit::Percent);
    assert_eq!(outcome(&clipped(3.0), &limit), Outcome::CannotTell);
    assert_eq!(outcome(&clipped(0.001), &limit), Outcome::CannotTell);
    let narrow = |percent| Figure {
        limited_by: Some(LimitedBy::Bandwidth),
        ..thd(percent, 0.001)
    };
    assert_eq!(outcome(&narrow(0.01), &limit), Outcome::CannotTell);
    assert_eq!(
        outcome(&narrow(0.10), &limit),
        Outcome::Fail,
        "missing products only add"
    );
}

#[test]
fn the_worst_outcome_counts() {
    use Outcome::{CannotTell, Fail, NotMeasured, Pass};
    assert_eq!(worst([]), None);
    assert_eq!(worst([Pass, Pass]), Some(Pass));
    assert_eq!(worst([Pass, NotMeasured]), Some(NotMeasured));
    assert_eq!(worst([CannotTell, Pass, NotMeasured]), Some(CannotTell));
    assert_eq!(worst([CannotTell, Fail, NotMeasured]), Some(Fail));
}

// ---- what would decide -----------------------------------------------------------------------------------------

#[test]
fn a_shared_meter_that_dominates_is_named_with_the_accuracy_that_decides() {
    // 60.4 W, a meter of ±0.5 % (P = V²/R: 2·0.5/√3 % = 0.349 W) and a load of u = 0.05 W; at least 60 W needs
    // U ≤ 0.4 W, u ≤ 0.2 W, meter ≤ √(0.2² − 0.05²) = 0.193 65 W: ±0.5·0.193 65/0.348 72 = ±0.277 66 %.
    let u_meter = 60.4 * 2.0 * 0.005 / 3f64.sqrt();
    let power = figure(
        FigureId::Power,
        Estimate::exact(60.4)
            .with("meter volts", u_meter)
            .with("load", 0.05),
        Unit::Watts,
    );
    let Remedy::Meter { percent } = Remedy::of(&power, 60.0, None) else {
        panic!("{:?}", Remedy::of(&power, 60.0, None))
    };
    assert!((percent - 0.5 * (0.2f64.powi(2) - 0.05f64.powi(2)).sqrt() / u_meter).abs() < 1e-12);
    let verdict = judge(Some(&power), &Limit::at_least(60.0, Unit::Watts));
    assert_eq!(verdict.outcome, Outcome::CannotTell);
    assert!(
        verdict
            .reason
            .contains("a meter accurate to ±0.27 % would decide"),
        "{}",
        verdict.reason
    );
    assert!(
        verdict
            .reason
            .starts_with("60.40 ± 0.70 W cannot be told from the limit of 60 W"),
        "{}",
        verdict.reason
    );
    // Φ((60.4 − 60)/0.35229) = Φ(1.1354) = 87.2 %.
    assert!(verdict.reason.contains("87 %"), "{}", verdict.reason);
    // With the promised meter it is decided.
    let better = figure(
        FigureId::Power,
        Estimate::exact(60.4)
            .with("meter volts", 60.4 * 2.0 * 0.0027 / 3f64.sqrt())
            .with("load", 0.05),
        Unit::Watts,
    );
    assert_eq!(
        outcome(&better, &Limit::at_least(60.0, Unit::Watts)),
        Outcome::Pass
    );
}

#[test]
fn repeatability_asks_for_a_longer_capture() {
    // U = 2·0.01 must shrink to 0.005: four times smaller, sixteen times as long (1/√T).
    let snr = figure(
        FigureId::Snr,
        Estimate::exact(90.005).with_observed("repeatability", 0.01, 1e6),
        Unit::Decibels,
    );
    let verdict = judge_capture(&snr, &Limit::at_least(90.0, Unit::Decibels), 10.0);
    assert!(
        verdict.reason.contains("a capture of 160 s would decide"),
        "{}",
        verdict.reason
    );
    let verdict = judge(Some(&snr), &Limit::at_least(90.0, Unit::Decibels));
    assert!(
        verdict.reason.contains("a capture 16 times as long would decide"),
        "{}",
        verdict.reason
    );
}

#[test]
fn a_rig_floor_asks_for_a_lower_one() {
    // Reach 0.01 beyond a negligible U must shrink to 0.005: half the amplitude, 6.02 dB.
    let near = figure(
        FigureId::Thd,
        Estimate::exact(0.045)
            .with("rig distortion", 1e-9)
            .with_reach(0.01, 0.01),
        Unit::Percent,
    );
    let verdict = judge(Some(&near), &Limit::at_most(0.05, Unit::Percent));
    assert!(
        verdict.reason.contains("a rig floor 6.1 dB lower would decide"),
        "{}",
        verdict.reason
    );
    assert!(
        !verdict.reason.contains("probability"),
        "no normal distribution here: {}",
        verdict.reason
    );
    // A bound of 0.1 % against 0.05 %: 6.02 dB as well.
    let bound = Figure {
        upper_limit: true,
        limited_by: Some(LimitedBy::RigNoise),
        ..figure(FigureId::Thd, Estimate::exact(0.1), Unit::Percent)
    };
    let verdict = judge(Some(&bound), &Limit::at_most(0.05, Unit::Percent));
    assert!(
        verdict.reason.contains("a rig floor 6.1 dB lower would decide"),
        "{}",
        verdict.reason
    );
}

#[test]
fn hopeless_and_shared_blame_are_said() {
    let at_limit = thd(0.05, 0.001);
    assert_eq!(Remedy::of(&at_limit, 0.05, None), Remedy::Nothing);
    let two = figure(
        FigureId::Thd,
        Estimate::exact(0.049)
            .with("mains", 0.001)
            .with("resolution", 0.001_1),
        Unit::Percent,
    );
    let verdict = judge(Some(&two), &Limit::at_most(0.05, Unit::Percent));
    assert!(
        verdict
            .reason
            .contains("beginning with \"resolution\" and \"mains\""),
        "{}",
        verdict.reason
    );
}

#[test]
fn figures_are_said_with_honest_digits() {
    assert_eq!(stated(&thd(0.012_345, 0.000_2)), "0.01235 ± 0.00040 %");
    let skew = figure(
        FigureId::Thd,
        Estimate::exact(0.02).with("x", 0.001).with_reach(0.0, 0.004),
        Unit::Percent,
    );
    assert_eq!(stated(&skew), "0.0200 % (0.0180 to 0.0260 %)");
    assert_eq!(
        stated(&Figure {
            upper_limit: true,
            ..thd(0.003, 0.000_05)
        }),
        "below 0.0031 %"
    );
}

// ---- properties ------------------------------------------------------------------------------------------------

proptest! {
    #[test]
    fn a_straddling_interval_neither_passes_nor_fails(
        value in -100f64..100.0, u in 0f64..10.0, below in 0f64..5.0, above in 0f64..5.0, limit in -100f64..100.0,
    ) {
        let f = figure(FigureId::Level, Estimate::exact(value).with("x", u).with_reach(below, above), Unit::Volts);
        let (low, high) = f.estimate.interval();
        let expected = |inside: bool, outside: bool| match (inside, outside) {
            (true, _) => Outcome::Pass,
            (_, true) => Outcome::Fail,
            _ => Outcome::CannotTell,
        };
        prop_assert_eq!(outcome(&f, &Limit::at_most(limit, Unit::Volts)), expected(high <= limit, low > limit));
        prop_assert_eq!(outcome(&f, &Limit::at_least(limit, Unit::Volts)), expected(low >= limit, high < limit));
    }

    /// A looser limit, a smaller value or a smaller uncertainty never turns a pass into anything else.
    #[test]
    fn verdicts_are_monotonic(
        value in 0.001f64..1.0, u in 0f64..0.2, limit in 0.001f64..1.0, less in 0f64..0.5, more in 0f64..0.5,
    ) {
        let at = |value: f64, u: f64, limit: f64| outcome(&thd(value, u), &Limit::at_most(limit, Unit::Percent));
        if at(value, u, limit) == Outcome::Pass {
            prop_assert_eq!(at(value - less, u, limit), Outcome::Pass);
            prop_assert_eq!(at(value, u * (1.0 - less), limit), Outcome::Pass);
            prop_assert_eq!(at(value, u, limit + more), Outcome::Pass);
        }
        if at(value, u, limit) == Outcome::Fail {
            prop_assert_eq!(at(value + more, u, limit), Outcome::Fail);
            prop_assert_eq!(at(value, u * (1.0 - less), limit), Outcome::Fail);
        }
    }

    #[test]
    fn percent_and_decibels_say_the_same(percent in 1e-6f64..100.0, db in -160f64..0.0) {
        let limit = Limit::at_most(percent, Unit::Percent);
        let back = limit.in_unit(Unit::Decibels).and_then(|l| l.in_unit(Unit::Percent)).unwrap();
        // Two logarithms and a power in f64: a few parts in 10¹⁴.
        prop_assert!((back.max.unwrap() / percent - 1.0).abs() < 1e-12);
        let value = Decibels(db).amplitude_ratio() * 100.0;
        let clear_of_rounding = (value / percent - 1.0).abs() > 1e-9;
        if clear_of_rounding {
            let in_percent = figure(FigureId::Thd, Estimate::exact(value), Unit::Percent);
            let in_db = figure(FigureId::Thd, Estimate::exact(db), Unit::Decibels);
            prop_assert_eq!(outcome(&in_percent, &limit), outcome(&in_db, &limit));
        }
    }

    /// What the remedy promises is enough: with the improved source the figure is decided.
    #[test]
    fn the_promised_remedy_decides(
        value in 0.5f64..1.5, meter in 0.001f64..0.5, other in 0.0001f64..0.1, seconds in 1f64..100.0,
    ) {
        let limit = 1.0;
        let make = |meter: f64, other: f64| figure(
            FigureId::Level,
            Estimate::exact(value).with("meter volts", meter).with_observed("repeatability", other, 1e6),
            Unit::Volts,
        );
        let now = make(meter, other);
        prop_assume!(outcome(&now, &Limit::at_most(limit, Unit::Volts)) == Outcome::CannotTell);
        let better = match Remedy::of(&now, limit, Some(seconds)) {
            Remedy::Meter { percent } => make(percent / 100.0 * value / 3f64.sqrt(), other),
            Remedy::Capture { times, seconds: Some(s) } => {
                prop_assert!((s / seconds / times - 1.0).abs() < 1e-12);
                make(meter, other / times.sqrt())
            }
            Remedy::Everything { times, .. } => make(meter / times, other / times),
            Remedy::Nothing => return Ok(()),
            unexpected => return Err(TestCaseError::fail(format!("{unexpected:?}"))),
        };
        // The interval now ends at the limit, within rounding.
        let (low, high) = better.estimate.interval();
        let end = if value < limit { high } else { low };
        prop_assert!((end - limit).abs() < 1e-9, "{end}");
    }
}
