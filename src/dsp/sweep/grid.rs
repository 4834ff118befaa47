//! The frequencies at which transfer functions are given.

/// Points an octave.
const PER_OCTAVE: f64 = 48.0;

/// Nominal third-octave frequencies of one decade (ISO 266).
const THIRDS: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

/// 48 points an octave counted from 1 kHz, and the nominal third-octave frequencies exactly, from `low` to `high` Hz.
pub(super) fn frequencies(low: f64, high: f64) -> Vec<f64> {
    let first = (PER_OCTAVE * (low / 1000.0).log2()).ceil();
    let mut points: Vec<f64> = (0..)
        .map(|i| 1000.0 * ((first + f64::from(i)) / PER_OCTAVE).exp2())
        .take_while(|f| *f <= high)
        .collect();
    let thirds = (-1..6).flat_map(|decade| THIRDS.iter().map(move |f| f * 10f64.powi(decade)));
    for third in thirds.filter(|f| *f >= low && *f <= high) {
        // A neighbour closer than a quarter of a step gives way to the round number.
        points.retain(|f| (f / third).log2().abs() > 0.25 / PER_OCTAVE);
        points.push(third);
    }
    points.sort_by(f64::total_cmp);
    points
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holds_the_round_numbers_and_rises() {
        let grid = frequencies(10.2, 21_000.0);
        for f in [12.5, 20.0, 63.0, 1000.0, 10_000.0, 20_000.0] {
            assert!(grid.iter().any(|g| (g - f).abs() < 1e-9), "{f}");
        }
        assert!(grid.windows(2).all(|p| p[1] > p[0] * 1.003 && p[1] < p[0] * 1.03));
    }
}
