//! Reducing a spectrum of many thousand lines to the columns of a sheet.

use super::axis::Axis;

/// Columns of a sheet: a fifth of a millimetre each.
const COLUMNS: f64 = 750.0;
/// Lowest frequency that spectra show, Hz.
const LOWEST_HZ: f64 = 20.0;

/// The lines of a spectrum; line `i` is at `i · bin_hz`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lines<'a> {
    pub(super) bin_hz: f64,
    pub(super) level_db: &'a [f64],
}

/// How lines that share a column become one point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Merge {
    /// The highest: no line is lost. Noise then looks some dB higher than it is.
    Highest,
    /// The mean power, so that noise keeps its density; a line that stands out of its column keeps its own level.
    Density,
}

impl Lines<'_> {
    fn frequency(&self, line: usize) -> f64 {
        #[allow(
            clippy::cast_precision_loss,
            reason = "spectra have far fewer than 2^52 lines"
        )]
        let line = line as f64;
        line * self.bin_hz
    }

    /// From 20 Hz (or the first line above) to the last line.
    pub(super) fn axis(&self) -> Axis {
        let last = self.frequency(self.level_db.len().saturating_sub(1));
        Axis::logarithmic(LOWEST_HZ.max(self.bin_hz), last)
    }

    /// One point a column that holds a line.
    pub(super) fn columns(&self, x: &Axis, merge: Merge) -> Vec<(f64, f64)> {
        let mut points = Vec::new();
        let mut group: Vec<(f64, f64)> = Vec::new();
        let mut here = f64::NAN;
        for (i, level) in self.level_db.iter().enumerate() {
            let position = x.position(self.frequency(i));
            if !(0.0..=1.0).contains(&position) || !level.is_finite() {
                continue;
            }
            let column = (position * COLUMNS).floor();
            if here.is_nan() || column > here {
                points.extend(merged(&group, merge));
                group.clear();
                here = column;
            }
            group.push((self.frequency(i), *level));
        }
        points.extend(merged(&group, merge));
        points
    }
}

/// A line this far above the median of its column is no noise, dB: of 1000 lines of Gaussian noise, the highest is
/// expected 10 lg((ln 1000 + 0.577)/ln 2) = 10.3 dB above.
const STANDS_OUT_DB: f64 = 13.0;

fn merged(group: &[(f64, f64)], merge: Merge) -> Option<(f64, f64)> {
    let highest = group.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
    if merge == Merge::Highest {
        return Some(highest);
    }
    let middle = group.get(group.len() / 2)?.0;
    let mut levels: Vec<f64> = group.iter().map(|p| p.1).collect();
    levels.sort_by(f64::total_cmp);
    if highest.1 > levels.get(levels.len() / 2)? + STANDS_OUT_DB {
        return Some((middle, highest.1));
    }
    let sum: f64 = levels.iter().map(|level| 10f64.powf(level / 10.0)).sum();
    let count = f64::from(u32::try_from(levels.len()).unwrap_or(u32::MAX));
    Some((middle, 10.0 * (sum / count).log10()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_lost_and_noise_keeps_its_density() {
        let mut level_db = vec![-120.0; 100_000];
        level_db[77_777] = -60.0;
        let lines = Lines {
            bin_hz: 0.25,
            level_db: &level_db,
        };
        let x = lines.axis();
        let highest = lines.columns(&x, Merge::Highest);
        assert!(highest.len() <= 751);
        assert!(highest.contains(&(77_777.0 * 0.25, -60.0)));
        let density = lines.columns(&x, Merge::Density);
        // The line keeps its level, every other column the level that all of its lines have.
        let standing_out: Vec<f64> = density
            .iter()
            .map(|p| p.1)
            .filter(|y| (y + 120.0).abs() > 1e-9)
            .collect();
        assert_eq!(standing_out, [-60.0]);
    }
}
