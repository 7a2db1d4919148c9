//! Colour spaces: primaries and white ⇄ matrices, and adaptation between whites.

use crate::math::matrix3::{self, Matrix3};

/// CIE 1931 chromaticity of D65, as ITU-R BT.709 and IEC 61966-2-1 write it.
pub const D65_XY: [f64; 2] = [0.3127, 0.3290];

/// ITU-R BT.709 (and sRGB) primaries.
pub const BT709: RgbSpace =
    RgbSpace { primaries_xy: [[0.640, 0.330], [0.300, 0.600], [0.150, 0.060]], white_xy: D65_XY };
/// ITU-R BT.2020 primaries.
pub const BT2020: RgbSpace =
    RgbSpace { primaries_xy: [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]], white_xy: D65_XY };
/// P3 primaries with a D65 white.
pub const P3_D65: RgbSpace =
    RgbSpace { primaries_xy: [[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]], white_xy: D65_XY };

/// The white of the ACES spaces, near a daylight of 6000 K (SMPTE ST 2065-1:2012, table 1).
pub const ACES_WHITE_XY: [f64; 2] = [0.32168, 0.33767];
/// ACES AP0 primaries, which hold every colour there is (SMPTE ST 2065-1:2012, table 1). The blue one, and with it the
/// space, goes beyond them: its luminance is negative.
pub const ACES_AP0: RgbSpace = RgbSpace {
    primaries_xy: [[0.7347, 0.2653], [0.0, 1.0], [0.0001, -0.0770]],
    white_xy: ACES_WHITE_XY,
};
/// ACES AP1 primaries, for working with light (Academy S-2014-004, 2016, table 1).
pub const ACES_AP1: RgbSpace = RgbSpace {
    primaries_xy: [[0.713, 0.293], [0.165, 0.830], [0.128, 0.044]],
    white_xy: ACES_WHITE_XY,
};

/// The chromaticities that make a linear RGB space.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RgbSpace {
    /// CIE 1931 (x, y) of red, green, blue.
    pub primaries_xy: [[f64; 2]; 3],
    /// CIE 1931 (x, y) of RGB (1, 1, 1).
    pub white_xy: [f64; 2],
}

impl RgbSpace {
    /// Linear RGB → XYZ with Y = 1 for white; `None` as in [`rgb_to_xyz`], but primaries may lie below the x axis
    /// (y < 0), as the blue one of [`ACES_AP0`] does.
    pub fn to_xyz(&self) -> Option<Matrix3> {
        let column = |[x, y]: [f64; 2]| {
            (x.is_finite() && y.is_finite() && y != 0.0).then(|| [x / y, 1.0, (1.0 - x - y) / y])
        };
        let [r, g, b] = self.primaries_xy.map(column);
        matrix(columns_of([r?, g?, b?]), self.white_xy)
    }

    /// XYZ → linear RGB; `None` as in [`rgb_to_xyz`].
    pub fn from_xyz(&self) -> Option<Matrix3> {
        matrix3::inverse(&self.to_xyz()?)
    }
}

/// XYZ with Y = 1 of a chromaticity; `None` unless both are finite and y > 0.
pub fn xy_to_xyz(xy: [f64; 2]) -> Option<[f64; 3]> {
    let [x, y] = xy;
    (x.is_finite() && y.is_finite() && y > 0.0).then(|| [x / y, 1.0, (1.0 - x - y) / y])
}

/// Chromaticity of XYZ; `None` where X + Y + Z is not positive and finite.
pub fn xyz_to_xy(xyz: [f64; 3]) -> Option<[f64; 2]> {
    let sum = xyz[0] + xyz[1] + xyz[2];
    (sum.is_finite() && sum > 0.0).then(|| [xyz[0] / sum, xyz[1] / sum])
}

/// Columns are the primaries at luminance 1.
fn unit_luminance_columns(primaries_xy: [[f64; 2]; 3]) -> Option<Matrix3> {
    let r = xy_to_xyz(primaries_xy[0])?;
    let g = xy_to_xyz(primaries_xy[1])?;
    let b = xy_to_xyz(primaries_xy[2])?;
    Some(columns_of([r, g, b]))
}

fn columns_of([r, g, b]: [[f64; 3]; 3]) -> Matrix3 {
    std::array::from_fn(|i| [r[i], g[i], b[i]])
}

/// Primaries at luminance 1 in columns, each scaled to its luminance in the white.
fn matrix(columns: Matrix3, white_xy: [f64; 2]) -> Option<Matrix3> {
    let y = matrix3::apply(&matrix3::inverse(&columns)?, xy_to_xyz(white_xy)?);
    Some(matrix3::product(&columns, &matrix3::diagonal(y)))
}

/// Luminances of the primaries in a white of luminance 1, of either sign.
fn luminances(primaries_xy: [[f64; 2]; 3], white_xy: [f64; 2]) -> Option<[f64; 3]> {
    let columns = unit_luminance_columns(primaries_xy)?;
    Some(matrix3::apply(&matrix3::inverse(&columns)?, xy_to_xyz(white_xy)?))
}

/// Shares of white's luminance that red, green and blue give; they sum to 1.
///
/// `None` where the primaries lie on a line, a chromaticity has no luminance (y ≤ 0) or is not
/// finite, or the white lies on the edge of or outside the triangle of the primaries, so that a
/// share would not be positive.
pub fn luminance_shares(primaries_xy: [[f64; 2]; 3], white_xy: [f64; 2]) -> Option<[f64; 3]> {
    luminances(primaries_xy, white_xy).filter(|s| s.iter().all(|&v| v > 0.0 && v.is_finite()))
}

/// Linear RGB → XYZ from the primaries and the white, with Y = 1 for RGB (1, 1, 1).
///
/// `None` where the primaries lie on a line, or a chromaticity has y ≤ 0 or is not finite.
/// Source: SMPTE RP 177:1993, section 3.3.
pub fn rgb_to_xyz(primaries_xy: [[f64; 2]; 3], white_xy: [f64; 2]) -> Option<Matrix3> {
    matrix(unit_luminance_columns(primaries_xy)?, white_xy)
}

/// The Bradford cone-like responses to XYZ: K. M. Lam, "Metamerism and colour constancy", thesis,
/// University of Bradford, 1985; digits as in the ICC profile specification (ICC.1:2004-10, annex E).
const BRADFORD: Matrix3 =
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];

/// XYZ → XYZ matrix that turns one white into another (von Kries scaling of Bradford responses).
///
/// `None` where a white has y ≤ 0, is not finite, or has no response in one of the channels.
pub fn adaptation(from_white_xy: [f64; 2], to_white_xy: [f64; 2]) -> Option<Matrix3> {
    let from = matrix3::apply(&BRADFORD, xy_to_xyz(from_white_xy)?);
    let to = matrix3::apply(&BRADFORD, xy_to_xyz(to_white_xy)?);
    if from.iter().chain(&to).any(|v| *v <= 0.0) {
        return None;
    }
    let gains = matrix3::diagonal(std::array::from_fn(|i| to[i] / from[i]));
    Some(matrix3::product(&matrix3::inverse(&BRADFORD)?, &matrix3::product(&gains, &BRADFORD)))
}

/// Linear RGB of one space → linear RGB of another; whites that differ are adapted
/// ([`adaptation`]). `None` where either space is degenerate.
pub fn between(from: &RgbSpace, to: &RgbSpace) -> Option<Matrix3> {
    let mut xyz = from.to_xyz()?;
    if from.white_xy != to.white_xy {
        xyz = matrix3::product(&adaptation(from.white_xy, to.white_xy)?, &xyz);
    }
    Some(matrix3::product(&to.from_xyz()?, &xyz))
}

#[cfg(test)]
mod tests {
    use super::*;

    const BRADFORD_65_50: Matrix3 = [
        [1.047929792545, 0.022946870602, -0.050192266289],
        [0.02962780877, 0.990434426754, -0.017073799063],
        [-0.009243040646, 0.01505519149, 0.751874281428],
    ];

    fn close(got: &Matrix3, want: &Matrix3, bound: f64) {
        for (g, w) in got.iter().flatten().zip(want.iter().flatten()) {
            assert!((g - w).abs() <= bound, "{got:?}\n{want:?}");
        }
    }

    /// Bradford from D65 to D50 computed with colour-science 0.4.7
    /// (`matrix_chromatic_adaptation_VonKries`, x,y .3127,.3290 → .3457,.3585).
    #[test]
    fn adaptation_agrees_with_a_library() {
        let got = adaptation(D65_XY, [0.3457, 0.3585]).unwrap();
        close(&got, &BRADFORD_65_50, 1e-9);
        // It carries white to white exactly.
        let white = matrix3::apply(&got, xy_to_xyz(D65_XY).unwrap());
        let xy = xyz_to_xy(white).unwrap();
        assert!((xy[0] - 0.3457).abs() < 1e-14 && (xy[1] - 0.3585).abs() < 1e-14);
        assert!((white[1] - 1.0).abs() < 1e-14);
    }

    /// AP0: SMPTE ST 2065-1:2012, equation for RGB → XYZ; AP1: Academy S-2014-004, annex A. Both printed to ten decimals;
    /// the digits here are from memory, and chromaticities and matrix bear each other out.
    #[test]
    fn aces_matrices_are_the_published_ones() {
        let ap0 = [
            [0.9525523959, 0.0, 0.0000936786],
            [0.3439664498, 0.7281660966, -0.0721325464],
            [0.0, 0.0, 1.0088251844],
        ];
        close(&ACES_AP0.to_xyz().unwrap(), &ap0, 1e-10);
        let ap1 = [
            [0.6624541811, 0.1340042065, 0.1561876870],
            [0.2722287168, 0.6740817658, 0.0536895174],
            [-0.0055746495, 0.0040607335, 1.0103391003],
        ];
        close(&ACES_AP1.to_xyz().unwrap(), &ap1, 1e-10);
        // An imaginary primary is for a delivery, not for a wall.
        assert_eq!(rgb_to_xyz(ACES_AP0.primaries_xy, ACES_WHITE_XY), None);
        assert_eq!(luminance_shares(ACES_AP0.primaries_xy, ACES_WHITE_XY), None);
        let level =
            RgbSpace { primaries_xy: [[0.7, 0.3], [0.2, 0.0], [0.1, 0.1]], white_xy: D65_XY };
        assert_eq!(level.to_xyz(), None);
    }

    #[test]
    fn shares_are_the_luminance_row() {
        let shares = luminance_shares(BT709.primaries_xy, D65_XY).unwrap();
        let row = BT709.to_xyz().unwrap()[1];
        for (a, b) in shares.iter().zip(row) {
            assert!((a - b).abs() < 1e-14);
        }
        assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-14);
    }

    #[test]
    fn impossible_whites_and_primaries_have_no_shares() {
        let p = BT709.primaries_xy;
        assert_eq!(luminance_shares(p, [0.1, 0.8]), None, "outside the triangle");
        assert_eq!(luminance_shares(p, [0.640, 0.330]), None, "white on a primary");
        assert_eq!(luminance_shares([p[0], p[0], p[2]], D65_XY), None, "two primaries the same");
        assert_eq!(luminance_shares([[0.2, 0.2], [0.3, 0.3], [0.4, 0.4]], D65_XY), None, "a line");
        assert_eq!(luminance_shares(p, [0.3, 0.0]), None, "no luminance");
        assert_eq!(luminance_shares(p, [f64::NAN, 0.3]), None);
        assert_eq!(luminance_shares([p[0], p[1], [f64::INFINITY, 0.06]], D65_XY), None);
    }
}
