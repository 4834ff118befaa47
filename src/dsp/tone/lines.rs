//! Which lines a channel's sines have.

use crate::dsp::sine_fit::{Line, Tone};

/// Highest line, cycles per sample: 0.98 of the Nyquist frequency.
pub(super) const HIGHEST: f64 = 0.49;

/// Most orders of one sine.
const MOST_ORDERS: u32 = 400;

/// Fundamentals first, then harmonics by order; lines closer than `resolution` (cycles per sample) to one already there
/// are left out.
pub(super) fn lines(tones: &[Tone], resolution: f64, highest_order: u32) -> Vec<Line> {
    let mut all: Vec<Line> = (0..tones.len()).map(|tone| Line { tone, order: 1 }).collect();
    let mut taken: Vec<f64> = tones.iter().map(|t| t.nu).collect();
    for order in 2..=highest_order.min(MOST_ORDERS) {
        for tone in 0..tones.len() {
            let line = Line { tone, order };
            let nu = line.nu(tones);
            let alone = tones.len() == 1 || taken.iter().all(|t| (t - nu).abs() >= resolution);
            if nu < HIGHEST && alone {
                all.push(line);
                taken.push(nu);
            }
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shared_line_belongs_to_the_lower_order() {
        let tones = [0.05, 0.1].map(|nu| Tone { nu, fixed: false });
        let all = lines(&tones, 1e-4, 400);
        // 2 × 0.05 is the other fundamental; 4 × 0.05 = 2 × 0.1 goes to order 2.
        assert!(!all.contains(&Line { tone: 0, order: 2 }));
        assert!(!all.contains(&Line { tone: 0, order: 4 }) && all.contains(&Line { tone: 1, order: 2 }));
        assert!(all.iter().all(|l| l.nu(&tones) < HIGHEST));
    }
}
