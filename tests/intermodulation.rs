//! Intermodulation against the closed form of a polynomial device.
//!
//! y = x + c₂x² + c₃x³ on x = a₁ cos ω₁t + a₂ cos ω₂t gives, by the multinomial expansion, lines of c₂a₁a₂ at f₂ ± f₁ and
//! of ¾c₃a₁²a₂ at f₂ ± 2f₁ (and ¾c₃a₁a₂² at 2f₂ ± f₁), and changes the tone at f₂ to a₂(1 + ¾c₃a₂² + 3/2·c₃a₁²).

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands"
)]

mod steady;

use asleft::figure::{Figure, FigureId, LimitedBy};
use asleft::figures::{Context, of_take};
use asleft::signal::source::MemorySource;
use asleft::signal::take::Take;
use asleft::take::{Content, examine};
use std::f64::consts::TAU;
use std::sync::Arc;

const RATE: f64 = 96_000.0;
const SECONDS: f64 = 4.0;

struct Device {
    second: f64,
    third: f64,
}

struct Tones {
    hz: [f64; 2],
    peak: [f64; 2],
}

impl Tones {
    fn through(&self, device: &Device, noise_rms: f64) -> Vec<f64> {
        let noise = steady::noise((RATE * SECONDS) as usize, noise_rms, 11);
        noise
            .iter()
            .enumerate()
            .map(|(n, noise)| {
                let t = n as f64 / RATE;
                let x: f64 = (0..2)
                    .map(|i| self.peak[i] * (TAU * self.hz[i] * t + 0.3 * i as f64).cos())
                    .sum();
                x + device.second * x * x + device.third * x * x * x + noise
            })
            .collect()
    }

    /// Peak of the line at f₂, or at f₁, behind the device.
    fn behind(&self, which: usize, device: &Device) -> f64 {
        let (own, other) = (self.peak[which], self.peak[1 - which]);
        own * (1.0 + device.third * (0.75 * own * own + 1.5 * other * other))
    }
}

fn found(samples: Vec<f64>, rig: Option<&asleft::rig::Rig>) -> Vec<Figure> {
    let source = MemorySource::new(RATE as u32, vec![samples]);
    let examined = examine(Take::of(Arc::new(source)), None).unwrap();
    assert!(
        matches!(examined.content, Content::TwoTone(_)),
        "{}",
        examined.content.name()
    );
    let context = Context {
        rig,
        ..Context::default()
    };
    of_take(&examined, &context).figures
}

fn figure(figures: &[Figure], id: FigureId, order: Option<u32>) -> &Figure {
    figures
        .iter()
        .find(|f| f.id == id && f.order == order)
        .unwrap_or_else(|| panic!("no {id} {order:?}"))
}

/// The closed form is exact and the noise is 80 dB below the products: what is left is the noise's own scatter on a line,
/// well inside the stated interval, and at most a part in a thousand.
fn agrees(figure: &Figure, percent: f64) {
    let (low, high) = figure.estimate.interval();
    let value = figure.estimate.value;
    assert!((low..=high).contains(&percent), "{figure:?}: {percent}");
    assert!((value / percent - 1.0).abs() < 1e-3, "{value} for {percent}");
    assert!(!figure.upper_limit);
}

const DEVICE: Device = Device {
    second: 0.01,
    third: -0.02,
};

#[test]
fn modulation_distortion_of_a_polynomial() {
    // 4:1, together 0.5 of full scale.
    for hz in [[60.0, 7000.0], [250.0, 8000.0], [61.7, 6993.3]] {
        let tones = Tones { hz, peak: [0.4, 0.1] };
        let figures = found(tones.through(&DEVICE, 1e-7), None);
        let high = tones.behind(1, &DEVICE);
        let d2 = 100.0 * 2.0 * DEVICE.second * 0.4 * 0.1 / high;
        let d3 = 100.0 * 1.5 * DEVICE.third.abs() * 0.16 * 0.1 / high;
        agrees(figure(&figures, FigureId::ImdSmpte, Some(2)), d2);
        agrees(figure(&figures, FigureId::ImdSmpte, Some(3)), d3);
        let all = figure(&figures, FigureId::ImdSmpte, None);
        agrees(all, d2.hypot(d3));
        assert!((all.db.unwrap() - 20.0 * (d2.hypot(d3) / 100.0).log10()).abs() < 0.01);
        // The single sine of the same peak, 0.5 of full scale, to what the third order takes off (0.7 %).
        assert!((all.conditions.level_dbfs.unwrap() - 20.0 * 0.5f64.log10()).abs() < 0.1);
        assert!(figures.iter().all(|f| f.id != FigureId::ImdDifference));
    }
}

#[test]
fn difference_frequency_distortion_of_a_polynomial() {
    for hz in [[19_000.0, 20_000.0], [13_000.0, 14_000.0], [18_991.0, 20_003.5]] {
        let tones = Tones {
            hz,
            peak: [0.25, 0.25],
        };
        let figures = found(tones.through(&DEVICE, 1e-7), None);
        let sum = 2.0 * tones.behind(0, &DEVICE);
        let d2 = 100.0 * DEVICE.second * 0.0625 / sum;
        let d3 = 100.0 * 2.0 * 0.75 * DEVICE.third.abs() * 0.25f64.powi(3) / sum;
        agrees(figure(&figures, FigureId::ImdDifference, Some(2)), d2);
        agrees(figure(&figures, FigureId::ImdDifference, Some(3)), d3);
        assert!(figures.iter().all(|f| f.id != FigureId::ImdSmpte));
    }
}

#[test]
fn scale_and_sign_change_nothing() {
    let tones = Tones {
        hz: [60.0, 7000.0],
        peak: [0.4, 0.1],
    };
    let whole = tones.through(&DEVICE, 1e-7);
    let half: Vec<f64> = whole.iter().map(|x| -0.5 * x).collect();
    let (a, b) = (found(whole, None), found(half, None));
    for order in [None, Some(2), Some(3)] {
        let of = |f| figure(f, FigureId::ImdSmpte, order).estimate.value;
        // Rounding alone: 1e-15 of full scale under products of 1e-3.
        assert!((of(&a) / of(&b) - 1.0).abs() < 1e-9, "{order:?}");
    }
}

#[test]
fn what_noise_hides_is_an_upper_limit() {
    let clean = Device {
        second: 0.0,
        third: 0.0,
    };
    let tones = Tones {
        hz: [19_000.0, 20_000.0],
        peak: [0.25, 0.25],
    };
    let figures = found(tones.through(&clean, 1e-4), None);
    for order in [2, 3] {
        let limit = figure(&figures, FigureId::ImdDifference, Some(order));
        assert!(limit.upper_limit && limit.limited_by == Some(LimitedBy::Duration));
        // Density 1e-8/48 kHz over some lines of a quarter of a hertz: peaks of about 1e-6 re 0.5, up to three times that.
        assert!((1e-5..2e-3).contains(&limit.estimate.value), "{limit:?}");
        assert!(limit.estimate.interval().0 <= 0.0);
    }
}

#[test]
fn the_rigs_own_products_widen_the_interval_and_are_never_taken_out() {
    let tones = Tones {
        hz: [19_000.0, 20_000.0],
        peak: [0.25, 0.25],
    };
    let samples = tones.through(&DEVICE, 1e-7);
    let alone = found(samples.clone(), None);
    // H2/H1 = c₂A/2 of this very device at A = 0.5: −52.04 dB; H3/H1 = c₃A²/4: −58.06 dB. A rig 6 dB better.
    let rig = steady::rig(vec![-58.04, -64.06]);
    let with = found(samples, Some(&rig));
    for order in [2, 3] {
        let (a, b) = (
            figure(&alone, FigureId::ImdDifference, Some(order)),
            figure(&with, FigureId::ImdDifference, Some(order)),
        );
        assert!((a.estimate.value - b.estimate.value).abs() < 1e-12 * a.estimate.value);
        // The rig's products are half of what was found: u = r/√2 = 0.354 of the value, to what the device's own third
        // order changes of its fundamental (under 1 %).
        let relative = b.estimate.standard_uncertainty() / b.estimate.value;
        assert!(
            (relative - 0.5 / std::f64::consts::SQRT_2).abs() < 0.01,
            "{order}: {relative}"
        );
        assert_eq!(b.limited_by, Some(LimitedBy::RigDistortion));
    }
}

#[test]
fn two_tones_of_no_known_test_give_no_intermodulation() {
    let tones = Tones {
        hz: [1000.0, 4370.0],
        peak: [0.2, 0.2],
    };
    let figures = found(tones.through(&DEVICE, 1e-7), None);
    assert!(
        figures
            .iter()
            .all(|f| !matches!(f.id, FigureId::ImdSmpte | FigureId::ImdDifference))
    );
}
