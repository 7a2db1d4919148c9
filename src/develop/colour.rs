//! From the camera's own red, green and blue to the delivery space, by way of the wall's primaries.

use crate::colour::{self, RgbSpace};
use crate::math::matrix3::{self, Matrix3};

use super::ColourSpace;

/// White balance on the mosaic and the matrix after the demosaic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourTransform {
    /// Gains of red, green, blue photosites; the smallest is 1.
    pub gains: [f64; 3],
    /// White-balanced camera RGB → linear RGB of the delivery space; each row sums to 1.
    pub matrix: Matrix3,
}

/// Why there is no colour transform.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoTransform {
    /// Photosites of a colour record nothing of the wall's white.
    #[error(
        "the {0} photosites record no light from the wall's white: give that row of the camera's \
         colour matrix a positive sum"
    )]
    BlindPhotosite(&'static str),
    /// The camera cannot tell the wall's colours apart.
    #[error(
        "the camera's colour matrix cannot tell the wall's three colours apart: its rows must \
         differ by more than a factor, or deliver in camera RGB"
    )]
    Singular,
    /// The wall's primaries and white do not make a colour space.
    #[error(
        "the wall's white does not lie inside the triangle of its three primaries, or they lie on \
         a line: check the chromaticities"
    )]
    Wall,
}

impl ColourTransform {
    /// No change of colour: gains of 1, identity matrix.
    pub const NEUTRAL: Self = Self { gains: [1.0; 3], matrix: matrix3::IDENTITY };

    /// The transform that shows the wall's full white as the picture's neutral white, and its three
    /// primaries where they lie in the delivery space.
    ///
    /// - `electrons_per_primary[photosite][emitter]`: electrons that a photosite colour records of
    ///   each primary at the luminance it has in the wall's white; any one scale.
    /// - `primaries_xy`, `white_xy`: CIE 1931 chromaticities of the wall.
    ///
    /// Camera signals of the wall are c = E·s and its colours XYZ = P·s for the drive s of the three
    /// primaries, so XYZ = P·E⁻¹·c is exact for every colour that the wall can show. The wall's white is
    /// adapted to the delivery's (D65) by von Kries scaling of Bradford responses
    /// ([`colour::adaptation`]). Gains make the wall's white equal in the three colours; the smallest is 1,
    /// so that a full photosite reaches at least 1 in all of them.
    ///
    /// [`ColourSpace::CameraRgb`] has the gains and no matrix.
    pub fn from_wall(
        electrons_per_primary: [[f64; 3]; 3],
        primaries_xy: [[f64; 2]; 3],
        white_xy: [f64; 2],
        space: ColourSpace,
    ) -> Result<Self, NoTransform> {
        let white: [f64; 3] = electrons_per_primary.map(|row| row[0] + row[1] + row[2]);
        for (value, name) in white.iter().zip(["red", "green", "blue"]) {
            if !(*value > 0.0 && value.is_finite()) {
                return Err(NoTransform::BlindPhotosite(name));
            }
        }
        let brightest = white[0].max(white[1]).max(white[2]);
        let gains = white.map(|w| brightest / w);
        let Some(target) = primaries(space) else {
            return Ok(Self { gains, matrix: matrix3::IDENTITY });
        };
        colour::luminance_shares(primaries_xy, white_xy).ok_or(NoTransform::Wall)?;
        let wall = RgbSpace { primaries_xy, white_xy };
        let to_delivery = colour::between(&wall, &target).ok_or(NoTransform::Wall)?;
        // E with the gains in, and white at (1, 1, 1): its inverse takes balanced camera RGB to s.
        let balanced: Matrix3 =
            std::array::from_fn(|r| electrons_per_primary[r].map(|e| e / white[r]));
        let to_wall = matrix3::inverse(&balanced).ok_or(NoTransform::Singular)?;
        Ok(Self { gains, matrix: matrix3::product(&to_delivery, &to_wall) })
    }
}

/// Primaries of a delivery space; `None` for the camera's own.
pub(super) fn primaries(space: ColourSpace) -> Option<RgbSpace> {
    match space {
        ColourSpace::Bt709 => Some(colour::BT709),
        ColourSpace::Bt2020 => Some(colour::BT2020),
        ColourSpace::P3D65 => Some(colour::P3_D65),
        ColourSpace::AcesAp0 => Some(colour::ACES_AP0),
        ColourSpace::AcesAp1 => Some(colour::ACES_AP1),
        ColourSpace::CameraRgb => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Invented camera: overlapping colour filters.
    const E: [[f64; 3]; 3] = [[900.0, 150.0, 30.0], [120.0, 1500.0, 180.0], [10.0, 160.0, 700.0]];
    const SPACES: [ColourSpace; 5] = [
        ColourSpace::Bt709,
        ColourSpace::Bt2020,
        ColourSpace::P3D65,
        ColourSpace::AcesAp0,
        ColourSpace::AcesAp1,
    ];

    #[test]
    fn wall_white_becomes_neutral_white() {
        for space in SPACES {
            let t = ColourTransform::from_wall(E, colour::BT2020.primaries_xy, [0.29, 0.30], space)
                .unwrap();
            let camera: [f64; 3] = std::array::from_fn(|r| E[r].iter().sum::<f64>() * t.gains[r]);
            let out = matrix3::apply(&t.matrix, camera.map(|c| c / camera[1]));
            for v in out {
                assert!((v - 1.0).abs() < 1e-12, "{space:?} {out:?}");
            }
            assert_eq!(t.gains.iter().copied().fold(f64::INFINITY, f64::min), 1.0);
        }
    }

    /// A wall that has the delivery's own primaries and white: lighting one primary gives one
    /// channel, whatever the camera's filters.
    #[test]
    fn primaries_of_the_delivery_come_out_pure() {
        let t = ColourTransform::from_wall(
            E,
            colour::BT709.primaries_xy,
            colour::D65_XY,
            ColourSpace::Bt709,
        )
        .unwrap();
        let white: f64 = E[1].iter().sum::<f64>() * t.gains[1];
        for emitter in [0, 1, 2] {
            let camera = std::array::from_fn(|r| E[r][emitter] * t.gains[r] / white);
            let out = matrix3::apply(&t.matrix, camera);
            for (c, v) in out.iter().enumerate() {
                let want = if c == emitter { 1.0 } else { 0.0 };
                assert!((v - want).abs() < 1e-12, "{emitter} {out:?}");
            }
        }
    }

    /// Luminance is kept: with the wall's white as delivery white no adaptation enters, and Y of the
    /// picture is the sum of the luminance shares of what is lit.
    #[test]
    fn luminance_of_a_mix_is_kept() {
        let primaries = [[0.69, 0.309], [0.171, 0.712], [0.135, 0.053]];
        let shares = colour::luminance_shares(primaries, colour::D65_XY).unwrap();
        let t =
            ColourTransform::from_wall(E, primaries, colour::D65_XY, ColourSpace::Bt709).unwrap();
        let mix = [0.2, 0.7, 0.4];
        let white: f64 = E[1].iter().sum::<f64>() * t.gains[1];
        let camera = std::array::from_fn(|r| {
            (0..3).map(|e| E[r][e] * mix[e]).sum::<f64>() * t.gains[r] / white
        });
        let rgb = matrix3::apply(&t.matrix, camera);
        let got = matrix3::apply(&colour::BT709.to_xyz().unwrap(), rgb)[1];
        let want: f64 = shares.iter().zip(mix).map(|(s, m)| s * m).sum();
        assert!((got - want).abs() < 1e-12, "{got} {want}");
    }

    #[test]
    fn impossible_cameras_are_refused_with_a_reason() {
        let p = colour::BT709.primaries_xy;
        let make = |e, xy, space| ColourTransform::from_wall(e, p, xy, space);
        let same = [[1.0, 2.0, 3.0]; 3];
        assert_eq!(make(same, colour::D65_XY, ColourSpace::Bt709), Err(NoTransform::Singular));
        assert!(make(same, colour::D65_XY, ColourSpace::CameraRgb).is_ok());
        let blind = [[0.0; 3], [1.0; 3], [1.0, 0.0, 1.0]];
        let refused = make(blind, colour::D65_XY, ColourSpace::Bt709).unwrap_err();
        assert_eq!(refused, NoTransform::BlindPhotosite("red"));
        assert!(refused.to_string().starts_with("the red photosites record no light"));
        assert_eq!(make(E, [0.1, 0.8], ColourSpace::Bt709), Err(NoTransform::Wall));
        let nan = [[f64::NAN; 3]; 3];
        assert!(make(nan, colour::D65_XY, ColourSpace::Bt709).is_err());
    }
}
