//! Frequency weightings as exact functions of frequency: A and C (IEC 61672-1) and the ITU-R BS.468-4 network.
//!
//! They are applied to spectra, so no sample rate bends them. Every response is normalised to 1 at 1 kHz by its own
//! value there (the 2 kHz-referenced variant at 2 kHz); printed tables are rounded and are not used.
//!
//! **A, C.** IEC 61672-1:2013 Annex E gives the poles in closed form from fr = 1 kHz, fL = 10^1.5 Hz, fH = 10^3.9 Hz
//! and fA = 10^2.45 Hz: f₁ and f₄ are the double poles that put C at −3 dB (D² = ½) at fL and fH,
//! f₂,₃ = (3 ∓ √5)/2 · fA. C = f₄²f²/((f²+f₁²)(f²+f₄²)); A = C·f²/√((f²+f₂²)(f²+f₃²)).
//!
//! **BS.468.** The Recommendation draws the network: a 600 Ω source, a ladder of four shunt and three series branches,
//! a 600 Ω termination. Its transfer function is computed from the components as a product of chain matrices; it agrees
//! with the printed table within its rounding.

use crate::figure::Weighting;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::sync::LazyLock;

/// Power gain of `weighting` at `hz` ≥ 0: |H|², 1 at its reference frequency.
pub fn power_gain(weighting: Weighting, hz: f64) -> f64 {
    match weighting {
        Weighting::A => POLES.a(hz) / *A_AT_1K,
        Weighting::C => POLES.c(hz) / *C_AT_1K,
        Weighting::Itu468 => itu468_response(hz).norm_sqr(),
        Weighting::Itu468At2k => itu468_response(hz).norm_sqr() / *ITU468_AT_2K,
    }
}

/// Gain of `weighting` at `hz` in decibels; −∞ at 0 Hz.
pub fn gain_db(weighting: Weighting, hz: f64) -> f64 {
    10.0 * power_gain(weighting, hz).log10()
}

/// Complex response of the BS.468-4 network at `hz` (e^{+jωt}), with |H| = 1 at 1 kHz.
pub fn itu468_response(hz: f64) -> Complex64 {
    ladder(hz) / *ITU468_AT_1K
}

/// Pole frequencies of IEC 61672-1 Annex E, squared, Hz².
struct Poles {
    f1: f64,
    f2: f64,
    f3: f64,
    f4: f64,
}

static POLES: LazyLock<Poles> = LazyLock::new(Poles::derive);
static A_AT_1K: LazyLock<f64> = LazyLock::new(|| POLES.a(1000.0));
static C_AT_1K: LazyLock<f64> = LazyLock::new(|| POLES.c(1000.0));
static ITU468_AT_1K: LazyLock<f64> = LazyLock::new(|| ladder(1000.0).norm());
static ITU468_AT_2K: LazyLock<f64> = LazyLock::new(|| itu468_response(2000.0).norm_sqr());

impl Poles {
    /// IEC 61672-1:2013, Annex E.
    fn derive() -> Self {
        let reference = 1000f64.powi(2);
        let low = 10f64.powf(1.5).powi(2);
        let high = 10f64.powf(3.9).powi(2);
        let d = 0.5f64.sqrt();
        let b = (reference + low * high / reference - d * (low + high)) / (1.0 - d);
        let c = low * high;
        let root = (b * b - 4.0 * c).sqrt();
        let golden = |sign: f64| ((3.0 + sign * 5f64.sqrt()) / 2.0 * 10f64.powf(2.45)).powi(2);
        let f4 = (-b + root) / 2.0;
        Self {
            // Vieta's form: the small root by subtraction would lose digits.
            f1: c / f4,
            f2: golden(-1.0),
            f3: golden(1.0),
            f4,
        }
    }

    /// |C|² before normalisation.
    fn c(&self, hz: f64) -> f64 {
        let f = hz * hz;
        (self.f4 * f / ((f + self.f1) * (f + self.f4))).powi(2)
    }

    /// |A|² before normalisation.
    fn a(&self, hz: f64) -> f64 {
        let f = hz * hz;
        self.c(hz) * f * f / ((f + self.f2) * (f + self.f3))
    }
}

/// Source and load of the BS.468-4 network, Ω.
const TERMINATION_OHM: f64 = 600.0;

/// A branch of the ladder.
enum Branch {
    /// Capacitor to ground, F.
    ShuntFarad(f64),
    /// Capacitor in the line, F.
    SeriesFarad(f64),
    /// Inductor in the line, H.
    SeriesHenry(f64),
}

/// ITU-R BS.468-4, Fig. 1a, from source to load.
const LADDER: [Branch; 7] = [
    Branch::ShuntFarad(13.85e-9),
    Branch::SeriesHenry(12.88e-3),
    Branch::ShuntFarad(26.82e-9),
    Branch::SeriesFarad(33.06e-9),
    Branch::ShuntFarad(9.21e-9),
    Branch::SeriesHenry(26.49e-3),
    Branch::ShuntFarad(31.47e-9),
];

/// Voltage across the load re the source's e.m.f.
fn ladder(hz: f64) -> Complex64 {
    let s = Complex64::new(0.0, TAU * hz);
    // Walked from the load back to the source with 1 V across the load. The series capacitor is kept as an admittance
    // by carrying everything times s·C, so that 0 Hz divides by nothing.
    let mut volts = Complex64::new(1.0, 0.0);
    let mut amperes = volts / TERMINATION_OHM;
    let mut scale = Complex64::new(1.0, 0.0);
    for branch in LADDER.iter().rev() {
        match branch {
            Branch::ShuntFarad(c) => amperes += volts * s * c,
            Branch::SeriesHenry(l) => volts += amperes * s * l,
            Branch::SeriesFarad(c) => {
                volts = volts * s * c + amperes;
                amperes *= s * c;
                scale *= s * c;
            }
        }
    }
    scale / (volts + amperes * TERMINATION_OHM)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_weighting_is_one_at_its_reference() {
        for w in [Weighting::A, Weighting::C, Weighting::Itu468] {
            assert!((power_gain(w, 1000.0) - 1.0).abs() < 1e-14, "{w:?}");
        }
        assert!((power_gain(Weighting::Itu468At2k, 2000.0) - 1.0).abs() < 1e-14);
    }

    #[test]
    fn direct_current_is_blocked() {
        for w in [
            Weighting::A,
            Weighting::C,
            Weighting::Itu468,
            Weighting::Itu468At2k,
        ] {
            assert!(power_gain(w, 0.0).abs() < 1e-300, "{w:?}");
        }
    }

    #[test]
    fn the_network_lags_and_leads_like_a_causal_one() {
        // Far below its band the one zero at DC leads by 90°; far above, one zero against six poles lags by 450° = 90°.
        assert!((itu468_response(1.0).arg().to_degrees() - 90.0).abs() < 0.1);
        assert!((itu468_response(1e7).arg().to_degrees() + 90.0).abs() < 0.5);
    }
}
