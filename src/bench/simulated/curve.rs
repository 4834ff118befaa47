//! A static odd curve tabulated for speed: fine steps around zero, where crossover lives, coarser ones outside.

/// An odd function of one variable, by cubic Lagrange interpolation in two tables.
///
/// The error of one interval is at most 3/128·h⁴·max|f⁗| (h the step); at the steps used here that is below 1 nV for
/// the sharpest crossover this crate simulates (features of 40 mV).
#[derive(Debug, Clone)]
pub(super) struct OddCurve {
    inner: Vec<f64>,
    outer: Vec<f64>,
}

/// Where the fine table ends, V.
const SPLIT: f64 = 2.0;
/// Steps per volt of the fine table.
const FINE: f64 = 1000.0;
/// Steps per volt of the coarse table.
const COARSE: f64 = 100.0;

impl OddCurve {
    /// Tabulates `f` (odd) up to `reach`; further out the last value is held.
    pub(super) fn new(reach: f64, f: impl Fn(f64) -> f64) -> Self {
        Self {
            inner: table(&f, SPLIT, FINE),
            outer: table(&f, reach.max(SPLIT), COARSE),
        }
    }

    /// The curve at `x`.
    #[inline]
    pub(super) fn at(&self, x: f64) -> f64 {
        let magnitude = x.abs();
        let y = if magnitude < SPLIT {
            cubic(&self.inner, magnitude * FINE)
        } else {
            cubic(&self.outer, magnitude * COARSE)
        };
        if x < 0.0 { -y } else { y }
    }
}

/// Values at −1, 0, 1, … steps up to two steps past `reach`.
fn table(f: &impl Fn(f64) -> f64, reach: f64, steps_per_volt: f64) -> Vec<f64> {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a few hundred volts at most"
    )]
    let count = (reach * steps_per_volt).ceil() as u32 + 4;
    (0..count)
        .map(|i| f((f64::from(i) - 1.0) / steps_per_volt))
        .collect()
}

/// Lagrange's cubic through the four points around `position` (in steps; the table starts at −1).
#[inline]
pub(super) fn cubic(table: &[f64], position: f64) -> f64 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "position is finite and not negative"
    )]
    let index = (position as usize).min(table.len().saturating_sub(4));
    let Some(&[a, b, c, d]) = table.get(index..index + 4) else {
        return 0.0;
    };
    #[allow(clippy::cast_precision_loss, reason = "indices are small")]
    let t = (position - index as f64).min(2.0);
    let (t1, t2, t3) = (t + 1.0, t - 1.0, t - 2.0);
    -t * t2 * t3 * a / 6.0 + t1 * t2 * t3 * b / 2.0 - t1 * t * t3 * c / 2.0 + t1 * t * t2 * d / 6.0
}
