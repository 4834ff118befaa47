//! Cholesky factor of a small symmetric positive definite matrix, for normal equations: of fits and of prediction.

/// Lower triangular factor L of A = L·Lᵀ, row by row.
pub(crate) struct Cholesky {
    n: usize,
    factor: Vec<f64>,
}

impl Cholesky {
    /// Factors the n × n matrix whose entry (i, j ≤ i) is `entry(i, j)`. `None` where it is not positive definite: columns
    /// that cannot be told apart.
    pub(crate) fn new(n: usize, entry: impl Fn(usize, usize) -> f64) -> Option<Self> {
        let mut factor = vec![0.0; n * n];
        for i in 0..n {
            let (done, rest) = factor.split_at_mut(i * n);
            let row = &mut rest[..n];
            for j in 0..i {
                let other = &done[j * n..j * n + j + 1];
                let sum = entry(i, j) - dot(&row[..j], &other[..j]);
                row[j] = sum / other[j];
            }
            let pivot = entry(i, i) - dot(&row[..i], &row[..i]);
            if pivot.partial_cmp(&(1e-14 * entry(i, i)))? != std::cmp::Ordering::Greater {
                return None;
            }
            row[i] = pivot.sqrt();
        }
        Some(Self { n, factor })
    }

    /// Solves A·x = b in place.
    pub(crate) fn solve(&self, b: &mut [f64]) {
        let n = self.n;
        for i in 0..n {
            let row = &self.factor[i * n..i * n + i + 1];
            b[i] = (b[i] - dot(&row[..i], &b[..i])) / row[i];
        }
        for i in (0..n).rev() {
            b[i] /= self.factor[i * n + i];
            let x = b[i];
            let row = &self.factor[i * n..i * n + i];
            for (value, l) in b[..i].iter_mut().zip(row) {
                *value -= x * l;
            }
        }
    }
}

/// Σ aᵢbᵢ in four interleaved sums, which the compiler turns into vector instructions.
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (a4, b4) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest: f64 = a4
        .remainder()
        .iter()
        .zip(b4.remainder())
        .map(|(x, y)| x * y)
        .sum();
    for (x, y) in a4.zip(b4) {
        for i in 0..4 {
            sums[i] += x[i] * y[i];
        }
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_a_hilbert_matrix() {
        // The 4 × 4 Hilbert matrix times (1, 1, 1, 1): condition 1.6e4, so 1e-11 is far above its rounding.
        let h = |i: usize, j: usize| 1.0 / (i + j + 1) as f64;
        let mut b: Vec<f64> = (0..4).map(|i| (0..4).map(|j| h(i, j)).sum()).collect();
        Cholesky::new(4, h).unwrap().solve(&mut b);
        assert!(b.iter().all(|x| (x - 1.0).abs() < 1e-11), "{b:?}");
    }

    #[test]
    fn equal_columns_are_refused() {
        assert!(Cholesky::new(2, |_, _| 1.0).is_none());
        assert!(Cholesky::new(1, |_, _| f64::NAN).is_none());
    }

    #[test]
    fn an_indefinite_matrix_is_refused() {
        // Eigenvalues 3 and −1.
        assert!(Cholesky::new(2, |i, j| if i == j { 1.0 } else { 2.0 }).is_none());
    }
}
