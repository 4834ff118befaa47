//! Which tone a multimeter and an interface are compared at.

/// Where handheld multimeters read AC volts as they were made to, and hum has grown faint, Hz. Common practice: their
/// ranges are made for 50 and 60 Hz, and many read low from about a kilohertz on.
const SEARCHED_HZ: [f64; 2] = [210.0, 400.0];

/// Mains frequencies whose harmonics are kept away from, Hz.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];

/// Closest that a tone may come to a harmonic, Hz: ten times what mains wander at the eighth.
const CLOSEST_HZ: f64 = 4.0;

/// Distance from the nearest harmonic of either mains frequency, Hz.
pub fn distance_hz(hertz: f64) -> f64 {
    MAINS_HZ
        .iter()
        .map(|mains| (hertz - mains * (hertz / mains).round()).abs())
        .fold(f64::INFINITY, f64::min)
}

/// The tone of whole hertz that is farthest from every harmonic of 50 and 60 Hz, inside the band that the meter is
/// stated for; of equals the lowest, nearer to what meters are made for. `None` where the band leaves none.
pub fn best_hz(band_hz: [f64; 2]) -> Option<f64> {
    let (low, high) = (band_hz[0].max(SEARCHED_HZ[0]), band_hz[1].min(SEARCHED_HZ[1]));
    let mut best: Option<(f64, f64)> = None;
    let mut hertz = low.ceil();
    while hertz <= high {
        let distance = distance_hz(hertz);
        if distance >= CLOSEST_HZ && best.is_none_or(|(_, d)| distance > d) {
            best = Some((hertz, distance));
        }
        hertz += 1.0;
    }
    best.map(|(hertz, _)| hertz)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tone_is_half_way_between_harmonics() {
        // Multiples of 50 and 60 from 210 to 400: 240, 250, 300, 350, 360, 400. The widest gaps are 250…300 and
        // 300…350; their middles are 25 Hz away from both sides.
        assert_eq!(best_hz([40.0, 1_000.0]), Some(275.0));
        assert!((distance_hz(275.0) - 25.0).abs() < 1e-12);
        assert_eq!(best_hz([300.0, 1_000.0]), Some(325.0));
        // Up to 240 Hz: 220 is 20 Hz from 200 and from 240.
        assert_eq!(best_hz([40.0, 240.0]), Some(220.0));
        assert_eq!(best_hz([45.0, 65.0]), None);
        assert_eq!(best_hz([f64::NAN, f64::NAN]), Some(275.0));
    }
}
