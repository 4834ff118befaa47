//! Spectra that look like an amplifier's.

use asleft::figure::Channel;
use asleft::report::{Spectrum, SpectrumKind};

/// Numbers that look like noise and are the same on every run (a linear congruential generator).
struct Scatter(u64);

impl Scatter {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A noise level of one line, dB about its mean power.
    fn level(&mut self) -> f64 {
        10.0 * (-self.next().max(1e-12).ln()).log10()
    }
}

pub(crate) fn tone_spectrum(channel: Channel, harmonics: &[f64]) -> Spectrum {
    let bin_hz = 48_000.0 / 65_536.0;
    let mut scatter = Scatter(if channel == Channel::Left { 1 } else { 2 });
    let mut level_db: Vec<f64> = (0..32_769).map(|_| -131.0 + scatter.level()).collect();
    let mut line = |hz: f64, db: f64| {
        let bin = (hz / bin_hz).round() as usize;
        level_db[bin] = level_db[bin].max(db);
    };
    for (order, level) in (2..).zip(harmonics) {
        line(997.0 * f64::from(order), *level);
    }
    for k in 1..12 {
        line(100.0 * f64::from(k), -104.0 - 4.0 * f64::from(k));
    }
    Spectrum {
        channel,
        kind: SpectrumKind::Tone,
        bin_hz,
        level_db,
        unit: "dB re fundamental".to_owned(),
        line_hz: 1.5 * bin_hz,
        rig_floor: [20.0, 100.0, 1000.0, 24_000.0]
            .into_iter()
            .zip([-128.0, -136.0, -138.0, -138.0])
            .collect(),
    }
}

pub(crate) fn noise_spectrum(channel: Channel, class_a: bool) -> Spectrum {
    let bin_hz = 48_000.0 / 65_536.0;
    let mut scatter = Scatter(if class_a { 3 } else { 4 });
    let floor = if class_a { -127.0 } else { -130.5 };
    let mut level_db: Vec<f64> = (0..32_769)
        .map(|i| floor + 6.0 / (1.0 + f64::from(i) / 400.0) + scatter.level())
        .collect();
    for k in 1..15 {
        let bin = (100.0 * f64::from(k) / bin_hz).round() as usize;
        level_db[bin] = if class_a { -94.0 } else { -102.0 } - 3.0 * f64::from(k);
    }
    Spectrum {
        channel,
        kind: SpectrumKind::Noise,
        bin_hz,
        level_db,
        unit: "dBV".to_owned(),
        line_hz: 1.5 * bin_hz,
        rig_floor: vec![(20.0, -129.0), (100.0, -134.0), (24_000.0, -135.0)],
    }
}
