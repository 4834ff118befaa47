//! Transfer functions of resistors and capacitors, as complex gains at a frequency.
//!
//! The simulation multiplies whole spectra by these, so that a filter is realised exactly at every frequency up to
//! half the sample rate: there is no bilinear warping. What error is left is rounding (below 1e-12 relative) and the
//! response that outlives the second of silence after a take.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Time constants of disc playback equalisation, s: IEC 60098 (RIAA).
pub const RIAA_BASS_S: f64 = 3180e-6;
/// See [`RIAA_BASS_S`].
pub const RIAA_MIDDLE_S: f64 = 318e-6;
/// See [`RIAA_BASS_S`].
pub const RIAA_TREBLE_S: f64 = 75e-6;
/// Time constant of the subsonic high-pass that the amendment of IEC 60098 adds to playback, s.
pub const RIAA_SUBSONIC_S: f64 = 7950e-6;

const ONE: Complex64 = Complex64::new(1.0, 0.0);

/// 1 + jωτ.
fn lead(hertz: f64, seconds: f64) -> Complex64 {
    Complex64::new(1.0, TAU * hertz * seconds)
}

/// Corner frequency of a resistance with a capacitance, Hz: 1/(2πRC).
pub fn rc_corner_hz(ohm: f64, farad: f64) -> f64 {
    1.0 / (TAU * ohm * farad)
}

/// One RC high-pass, −3.01 dB at `corner_hz`.
pub fn high_pass(hertz: f64, corner_hz: f64) -> Complex64 {
    let x = Complex64::new(0.0, hertz / corner_hz);
    x / (ONE + x)
}

/// One RC low-pass, −3.01 dB at `corner_hz`.
pub fn low_pass(hertz: f64, corner_hz: f64) -> Complex64 {
    ONE / Complex64::new(1.0, hertz / corner_hz)
}

/// First-order bass shelf: gain `db` well below `middle_hz`, half of it (in dB) there, unity above. 0 dB is exactly
/// transparent, and boost and cut of equal size cancel.
pub fn bass_shelf(hertz: f64, middle_hz: f64, db: f64) -> Complex64 {
    let root = 10f64.powf(db / 40.0);
    let s = Complex64::new(0.0, hertz / middle_hz);
    (s + root) / (s + 1.0 / root)
}

/// First-order treble shelf, the mirror image of [`bass_shelf`].
pub fn treble_shelf(hertz: f64, middle_hz: f64, db: f64) -> Complex64 {
    let root = 10f64.powf(db / 40.0);
    let s = Complex64::new(0.0, hertz / middle_hz);
    (s * root + 1.0) / (s / root + 1.0)
}

/// Disc playback equalisation re DC: (1 + s·318 µs) / ((1 + s·3180 µs)(1 + s·75 µs)), with or without the subsonic
/// high-pass.
pub fn riaa(hertz: f64, subsonic: bool) -> Complex64 {
    let curve = lead(hertz, RIAA_MIDDLE_S) / (lead(hertz, RIAA_BASS_S) * lead(hertz, RIAA_TREBLE_S));
    if subsonic {
        curve * high_pass(hertz, 1.0 / (TAU * RIAA_SUBSONIC_S))
    } else {
        curve
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn db(z: Complex64) -> f64 {
        20.0 * z.norm().log10()
    }

    #[test]
    fn rc_corners_are_at_minus_3_01_db_and_45_degrees() {
        // |1/(1+j)|² = ½ (any textbook).
        for z in [high_pass(7.0, 7.0), low_pass(7.0, 7.0)] {
            assert!((db(z) + 10.0 * 2f64.log10()).abs() < 1e-12);
            assert!((z.arg().abs() - std::f64::consts::FRAC_PI_4).abs() < 1e-12);
        }
        // 1 kΩ with 159.155 nF is 1 kHz.
        assert!((rc_corner_hz(1e3, 159.154_943_1e-9) - 1000.0).abs() < 1e-5);
    }

    #[test]
    fn shelves_are_transparent_when_flat_and_reach_their_gain() {
        for hertz in [1.0, 100.0, 1e3, 2e4] {
            assert!((bass_shelf(hertz, 250.0, 0.0) - ONE).norm() < 1e-15);
            assert!((treble_shelf(hertz, 2500.0, 0.0) - ONE).norm() < 1e-15);
            let cancelled = bass_shelf(hertz, 250.0, 8.0) * bass_shelf(hertz, 250.0, -8.0);
            assert!((cancelled - ONE).norm() < 1e-12);
        }
        assert!((db(bass_shelf(1e-3, 250.0, 10.0)) - 10.0).abs() < 1e-6);
        assert!((db(bass_shelf(250.0, 250.0, 10.0)) - 5.0).abs() < 1e-9);
        assert!((db(treble_shelf(1e9, 2500.0, -10.0)) + 10.0).abs() < 1e-6);
    }
}
