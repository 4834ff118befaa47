//! Phases of sines over millions of cycles, exact to the last digit of an `f64`.
//!
//! The product ν·t of a frequency in cycles per sample and a time in samples carries the fraction of a cycle in its last
//! digits; rounding it costs up to 10⁻⁹ rad after a few million cycles, which is a spurious noise at −180 dB. The rounding
//! error of a product is known exactly through a fused multiply–add (Dekker 1971), so the whole cycles are dropped first.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// ν·t without its whole cycles, in −½…½.
pub(super) fn turns(nu: f64, t: f64) -> f64 {
    let product = nu * t;
    let lost = nu.mul_add(t, -product);
    (product - product.round()) + lost
}

/// e^{j2πνt}.
pub(super) fn phasor(nu: f64, t: f64) -> Complex64 {
    let (s, c) = (TAU * turns(nu, t)).sin_cos();
    Complex64::new(c, s)
}

/// sin(πx) and cos(πx), exact zeros at whole and half numbers.
pub(super) fn sin_cos_pi(x: f64) -> (f64, f64) {
    let whole = x.round();
    let (s, c) = (std::f64::consts::PI * (x - whole)).sin_cos();
    let odd = (whole / 2.0 - (whole / 2.0).round()).abs() > 0.25;
    if odd { (-s, -c) } else { (s, c) }
}

/// sin(πνt) and cos(πνt) with the product's rounding error kept.
pub(super) fn sin_cos_pi_product(nu: f64, t: f64) -> (f64, f64) {
    let product = nu * t;
    let lost = std::f64::consts::PI * nu.mul_add(t, -product);
    let (s, c) = sin_cos_pi(product);
    (s + c * lost, c - s * lost)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_third_of_a_cycle_after_many() {
        // 1/3 as an f64 is exactly 6004799503160661·2⁻⁵⁴; times 3·10⁶ + 1 its fraction follows in whole numbers.
        let t = 3_000_001.0;
        let exact = (6_004_799_503_160_661u128 * 3_000_001u128) % (1u128 << 54);
        let expected = exact as f64 / (1u128 << 54) as f64;
        assert!((turns(1.0 / 3.0, t) - expected).abs() < 1e-16);
    }

    #[test]
    fn half_and_whole_turns() {
        for k in -6..=6 {
            let (s, c) = sin_cos_pi(f64::from(k));
            assert!(s.abs() < 1e-300 && (c - if k % 2 == 0 { 1.0 } else { -1.0 }).abs() < 1e-15);
            let (s, _) = sin_cos_pi(f64::from(k) + 0.5);
            assert!((s - if k % 2 == 0 { 1.0 } else { -1.0 }).abs() < 1e-15, "{k}");
        }
    }
}
