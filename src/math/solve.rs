//! Symmetric, positive systems of equations, as least squares make them.

/// A symmetric positive definite matrix, taken apart by Cholesky: A = L·Lᵀ.
#[derive(Debug, Clone)]
pub struct Cholesky {
    size: usize,
    lower: Vec<f64>,
}

/// Share of a column's own square below which what is left of it counts as nothing: the column is a mix of those before it.
const DEPENDENT: f64 = 1e-13;

impl Cholesky {
    /// Takes apart `matrix` (`size`·`size` values, row by row; the lower triangle is read).
    ///
    /// A column that depends on those before it (to 1e-13 of its square) is left out: its unknown becomes 0 in [`Self::solve`].
    /// Values that are not finite count as such.
    pub fn new(mut matrix: Vec<f64>, size: usize) -> Self {
        matrix.resize(size * size, 0.0);
        for j in 0..size {
            let own = matrix[j * size + j];
            let (before, rows) = matrix.split_at_mut(j * size);
            let _ = before;
            let square: f64 = rows[..j].iter().map(|v| v * v).sum();
            let left = own - square;
            let kept = left > DEPENDENT * own && left.is_finite();
            let pivot = if kept { left.sqrt() } else { 0.0 };
            rows[j] = pivot;
            let row_j: Vec<f64> = rows[..j].to_vec();
            for i in j + 1..size {
                let row = &mut matrix[i * size..i * size + j + 1];
                let dot: f64 = row[..j].iter().zip(&row_j).map(|(a, b)| a * b).sum();
                row[j] = if kept { (row[j] - dot) / pivot } else { 0.0 };
            }
        }
        Self { size, lower: matrix }
    }

    /// The unknowns of A·x = b.
    pub fn solve(&self, right: &[f64]) -> Vec<f64> {
        let n = self.size;
        let mut x: Vec<f64> = right.iter().copied().chain(std::iter::repeat(0.0)).take(n).collect();
        for i in 0..n {
            let row = &self.lower[i * n..i * n + n];
            let dot: f64 = row[..i].iter().zip(&x).map(|(a, b)| a * b).sum();
            x[i] = if row[i] > 0.0 { (x[i] - dot) / row[i] } else { 0.0 };
        }
        for i in (0..n).rev() {
            let pivot = self.lower[i * n + i];
            let dot: f64 = (i + 1..n).map(|k| self.lower[k * n + i] * x[k]).sum();
            x[i] = if pivot > 0.0 { (x[i] - dot) / pivot } else { 0.0 };
        }
        x
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A 3 × 3 system solved by hand: A·(1, −2, 3).
    #[test]
    fn a_small_system() {
        let a = vec![4.0, 2.0, 0.5, 2.0, 5.0, 1.0, 0.5, 1.0, 3.0];
        let b = [4.0 - 4.0 + 1.5, 2.0 - 10.0 + 3.0, 0.5 - 2.0 + 9.0];
        let x = Cholesky::new(a, 3).solve(&b);
        for (x, want) in x.iter().zip([1.0, -2.0, 3.0]) {
            assert!((x - want).abs() < 1e-14, "{x} {want}");
        }
    }

    /// Twice the same column: one of them takes all, the other nothing.
    #[test]
    fn a_column_that_depends_on_another_is_left_out() {
        let x = Cholesky::new(vec![2.0, 2.0, 2.0, 2.0], 2).solve(&[6.0, 6.0]);
        assert!((x[0] - 3.0).abs() < 1e-12 && x[1] == 0.0, "{x:?}");
        let broken = Cholesky::new(vec![f64::NAN; 4], 2).solve(&[1.0, 1.0]);
        assert_eq!(broken, [0.0, 0.0]);
    }
}
