//! Weighted least squares of a handful of parameters.

/// Weighted least squares by the normal equations: solution and variances, scaled by the residual where that is more
/// than the weights promise. The columns are of order one, so f64 has digits to spare.
pub(super) fn least_squares(
    rows: &[Vec<f64>],
    target: &[f64],
    weight: &[f64],
) -> Option<(Vec<f64>, Vec<f64>)> {
    let n = rows.first()?.len();
    let mut system = vec![vec![0.0; 2 * n + 1]; n];
    for ((row, t), w) in rows.iter().zip(target).zip(weight) {
        for i in 0..n {
            for j in 0..n {
                system[i][j] += w * row[i] * row[j];
            }
            system[i][n] += w * row[i] * t;
        }
    }
    for (i, equation) in system.iter_mut().enumerate() {
        equation[n + 1 + i] = 1.0;
    }
    eliminate(&mut system)?;
    let solution: Vec<f64> = system.iter().map(|e| e[n]).collect();
    let misfit: f64 = rows
        .iter()
        .zip(target)
        .zip(weight)
        .map(|((row, t), w)| w * (t - row.iter().zip(&solution).map(|(a, b)| a * b).sum::<f64>()).powi(2))
        .sum();
    #[allow(clippy::cast_precision_loss, reason = "counts here are small")]
    let scale = (misfit / (rows.len().saturating_sub(n)).max(1) as f64).max(1e-6);
    let variance = (0..n).map(|i| system[i][n + 1 + i] * scale).collect();
    Some((solution, variance))
}

/// Gauss–Jordan elimination with partial pivoting of n equations; `None` where they are singular.
fn eliminate(system: &mut [Vec<f64>]) -> Option<()> {
    let n = system.len();
    for column in 0..n {
        let pivot =
            (column..n).max_by(|&a, &b| system[a][column].abs().total_cmp(&system[b][column].abs()))?;
        system.swap(column, pivot);
        let lead = system[column].clone();
        if lead[column].abs() < 1e-300 {
            return None;
        }
        for (i, equation) in system.iter_mut().enumerate() {
            let factor = if i == column {
                1.0 - 1.0 / lead[column]
            } else {
                equation[column] / lead[column]
            };
            for (e, l) in equation.iter_mut().zip(&lead) {
                *e -= factor * l;
            }
        }
    }
    Some(())
}
