//! What the linear demosaics do to a pattern: their kernels and frequency responses.

use super::Demosaic;

/// Which missing colour at which photosite.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Site {
    /// Green at a red or blue photosite.
    GreenAtChroma,
    /// At green, the colour that shares its row.
    ChromaInGreensRow,
    /// At green, the colour of the rows above and below.
    ChromaAcrossGreensRow,
    /// Red at blue, or blue at red.
    ChromaAtChroma,
}

/// The 5×5 kernel (rows top to bottom) that fills in a colour; `None` for the edge-aware method, which
/// has none. A colour that a photosite records itself is left alone.
///
/// Gradient-corrected: H. S. Malvar, L.-W. He, R. Cutler, "High-quality linear interpolation for
/// demosaicing of Bayer-patterned color images", IEEE ICASSP 2004, figure 2.
pub fn kernel(method: Demosaic, site: Site) -> Option<[[f64; 5]; 5]> {
    let across = |k: [[f64; 5]; 5]| -> [[f64; 5]; 5] {
        std::array::from_fn(|r| std::array::from_fn(|c| k[c][r]))
    };
    let (kernel, whole) = match (method, site) {
        (Demosaic::EdgeAware, _) => return None,
        (Demosaic::Bilinear, Site::GreenAtChroma) => (
            [
                [0.0; 5],
                [0.0, 0.0, 1.0, 0.0, 0.0],
                [0.0, 1.0, 0.0, 1.0, 0.0],
                [0.0, 0.0, 1.0, 0.0, 0.0],
                [0.0; 5],
            ],
            4.0,
        ),
        (Demosaic::Bilinear, Site::ChromaInGreensRow) => {
            ([[0.0; 5], [0.0; 5], [0.0, 1.0, 0.0, 1.0, 0.0], [0.0; 5], [0.0; 5]], 2.0)
        }
        (Demosaic::Bilinear, Site::ChromaAtChroma) => (
            [[0.0; 5], [0.0, 1.0, 0.0, 1.0, 0.0], [0.0; 5], [0.0, 1.0, 0.0, 1.0, 0.0], [0.0; 5]],
            4.0,
        ),
        (Demosaic::GradientCorrected, Site::GreenAtChroma) => (
            [
                [0.0, 0.0, -1.0, 0.0, 0.0],
                [0.0, 0.0, 2.0, 0.0, 0.0],
                [-1.0, 2.0, 4.0, 2.0, -1.0],
                [0.0, 0.0, 2.0, 0.0, 0.0],
                [0.0, 0.0, -1.0, 0.0, 0.0],
            ],
            8.0,
        ),
        (Demosaic::GradientCorrected, Site::ChromaInGreensRow) => (
            [
                [0.0, 0.0, 0.5, 0.0, 0.0],
                [0.0, -1.0, 0.0, -1.0, 0.0],
                [-1.0, 4.0, 5.0, 4.0, -1.0],
                [0.0, -1.0, 0.0, -1.0, 0.0],
                [0.0, 0.0, 0.5, 0.0, 0.0],
            ],
            8.0,
        ),
        (Demosaic::GradientCorrected, Site::ChromaAtChroma) => (
            [
                [0.0, 0.0, -1.5, 0.0, 0.0],
                [0.0, 2.0, 0.0, 2.0, 0.0],
                [-1.5, 0.0, 6.0, 0.0, -1.5],
                [0.0, 2.0, 0.0, 2.0, 0.0],
                [0.0, 0.0, -1.5, 0.0, 0.0],
            ],
            8.0,
        ),
        (method, Site::ChromaAcrossGreensRow) => {
            return kernel(method, Site::ChromaInGreensRow).map(across);
        }
    };
    Some(kernel.map(|row| row.map(|k| k / whole)))
}

/// Amplitude that a grey sinusoid of 1 keeps in a filled-in colour, at `fx`, `fy` cycles a photosite
/// (columns, rows). The kernels are symmetric, so it is real; negative turns the pattern over.
/// `None` for the edge-aware method.
pub fn grey_response(method: Demosaic, site: Site, fx: f64, fy: f64) -> Option<f64> {
    let kernel = kernel(method, site)?;
    let mut sum = 0.0;
    for (row, y) in kernel.iter().zip(-2_i32..) {
        for (k, x) in row.iter().zip(-2_i32..) {
            let turns = fx * f64::from(x) + fy * f64::from(y);
            sum += k * libm::cos(2.0 * std::f64::consts::PI * turns);
        }
    }
    Some(sum)
}
