//! Back from a coded picture to linear light, for measuring.

use super::colour::primaries;
use super::{ColourSpace, DeliveryTransfer};
use crate::colour;
use crate::frame::Plane;
use crate::math::matrix3::{self, Matrix3};
use rayon::prelude::*;

/// Turns coded planes into linear light, in place: `top` is the number that stands for a signal of 1. Pixels of which a plane is at
/// the top are clipped: they become no numbers, if `clips`.
pub fn to_linear(planes: &mut [Plane], transfer: DeliveryTransfer, top: f64, clips: bool) {
    let decode: fn(f64) -> f64 = match transfer {
        DeliveryTransfer::Linear => |v| v,
        DeliveryTransfer::Srgb => colour::srgb_decode,
        DeliveryTransfer::Bt709 => colour::bt709_decode,
        DeliveryTransfer::HybridLogGamma => colour::hybrid_log_gamma_decode,
        DeliveryTransfer::AcesCct => colour::acescct_decode,
    };
    // Whole numbers of up to 16 bits: a table is exact.
    let levels = (top.fract() == 0.0 && (2.0..=65_535.0).contains(&top)).then_some(top as usize);
    let table: Option<Vec<f32>> =
        levels.map(|top| (0..=top).map(|i| decode(i as f64 / top as f64) as f32).collect());
    let clipped_from = top as f32;
    for plane in planes {
        plane.data.par_iter_mut().for_each(|v| {
            *v = match &table {
                _ if clips && *v >= clipped_from => f32::NAN,
                Some(table) if *v >= 0.0 && v.fract() == 0.0 => {
                    table.get(*v as usize).copied().unwrap_or(f32::NAN)
                }
                _ => decode(f64::from(*v) / top) as f32,
            };
        });
    }
}

/// The matrix from linear colours of a space to those of BT.709, white to white; `None` for the camera's own colours.
pub fn to_bt709(space: ColourSpace) -> Option<Matrix3> {
    colour::between(&primaries(space)?, &colour::BT709)
}

/// Mixes three planes, in place.
pub fn mix(planes: &mut [Plane; 3], matrix: &Matrix3) {
    let [r, g, b] = planes;
    let all = r.data.par_iter_mut().zip(&mut g.data).zip(&mut b.data);
    all.for_each(|((r, g), b)| {
        let out = matrix3::apply(matrix, [*r, *g, *b].map(f64::from));
        (*r, *g, *b) = (out[0] as f32, out[1] as f32, out[2] as f32);
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_become_light_and_the_top_is_clipped() {
        let coded = |v: f64| (colour::srgb_encode(v) * 255.0).round() as f32;
        let mut planes = [Plane { width: 3, height: 1, data: vec![coded(0.5), 0.0, 255.0] }];
        to_linear(&mut planes, DeliveryTransfer::Srgb, 255.0, true);
        let [half, none, top] = planes[0].data[..] else { panic!("three") };
        assert!((half - 0.5).abs() < 4e-3 && none == 0.0 && top.is_nan());
        let mut planes = [Plane { width: 2, height: 1, data: vec![0.25, 3.0] }];
        to_linear(&mut planes, DeliveryTransfer::Linear, 1.0, false);
        assert_eq!(planes[0].data, [0.25, 3.0]);
    }

    #[test]
    fn white_stays_white() {
        assert!(to_bt709(ColourSpace::CameraRgb).is_none());
        for space in [ColourSpace::Bt709, ColourSpace::Bt2020, ColourSpace::AcesAp1] {
            let mut white = [0; 3].map(|_| Plane::filled(1, 1, 0.7));
            mix(&mut white, &to_bt709(space).expect("a space"));
            assert!(white.iter().all(|p| (p.data[0] - 0.7).abs() < 1e-6), "{space:?}");
        }
    }
}
