//! Small 3×3 matrices of f64, row by row: `m[row][column]`.

/// A 3×3 matrix, `m[row][column]`.
pub type Matrix3 = [[f64; 3]; 3];

/// The matrix that changes nothing.
pub const IDENTITY: Matrix3 = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// Matrix product `a·b` (first `b`, then `a`).
pub fn product(a: &Matrix3, b: &Matrix3) -> Matrix3 {
    std::array::from_fn(|r| {
        std::array::from_fn(|c| a[r][0] * b[0][c] + a[r][1] * b[1][c] + a[r][2] * b[2][c])
    })
}

/// Matrix times column vector.
pub fn apply(m: &Matrix3, v: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|r| m[r][0] * v[0] + m[r][1] * v[1] + m[r][2] * v[2])
}

/// Matrix with `v` on its diagonal.
pub fn diagonal(v: [f64; 3]) -> Matrix3 {
    [[v[0], 0.0, 0.0], [0.0, v[1], 0.0], [0.0, 0.0, v[2]]]
}

/// Determinant.
pub fn determinant(m: &Matrix3) -> f64 {
    m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1])
        - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
        + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
}

/// Smallest |determinant| over the product of the row lengths at which a matrix still counts as
/// invertible: below it an inverse would keep fewer than about four digits.
const SINGULAR: f64 = 1e-12;

/// Inverse by cofactors; `None` where the matrix is singular (to 1e-12 of its row lengths) or not finite.
pub fn inverse(m: &Matrix3) -> Option<Matrix3> {
    let det = determinant(m);
    let size: f64 =
        m.iter().map(|r| (r[0] * r[0] + r[1] * r[1] + r[2] * r[2]).sqrt()).product::<f64>();
    if !det.is_finite() || !size.is_finite() || det.abs() <= SINGULAR * size {
        return None;
    }
    // Row r, column c of the inverse is the signed minor of row c, column r; cyclic indices carry
    // the sign.
    Some(std::array::from_fn(|r| {
        std::array::from_fn(|c| {
            let (r1, r2, c1, c2) = ((c + 1) % 3, (c + 2) % 3, (r + 1) % 3, (r + 2) % 3);
            (m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]) / det
        })
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_undoes() {
        let m = [[2.0, -1.0, 0.5], [0.25, 3.0, -0.75], [-1.5, 0.125, 4.0]];
        let inv = inverse(&m).unwrap();
        for one in [product(&m, &inv), product(&inv, &m)] {
            for (row, want) in one.iter().zip(IDENTITY) {
                for (a, b) in row.iter().zip(want) {
                    assert!((a - b).abs() < 1e-14, "{one:?}");
                }
            }
        }
    }

    #[test]
    fn singular_and_broken_matrices_have_no_inverse() {
        assert_eq!(inverse(&[[1.0, 2.0, 3.0], [2.0, 4.0, 6.0], [0.0, 1.0, 5.0]]), None);
        assert_eq!(inverse(&[[f64::NAN; 3]; 3]), None);
        assert_eq!(inverse(&[[0.0; 3]; 3]), None);
    }
}
