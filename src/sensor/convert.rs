//! From electrons to the camera's integers.

use super::{Camera, noise};
use crate::frame::{Electrons, Plane, RawFrame};
use rayon::prelude::*;

/// More electrons than any photosite holds; keeps the arithmetic finite.
const MOST_ELECTRONS: f64 = 1e15;

/// What the camera writes for a window of light: noise, full well, gain, black level, rounding and
/// the converter's limits.
///
/// `gain_dn_per_e` is raw levels per electron ([`super::photons::gain_dn_per_e`]); `frame` counts
/// from 0 and picks the noise. Light that is not a number counts as none, below 0 as 0. Rounding is
/// to the nearest level, halves up. Levels run from 0 to 2^bits − 1. The same bits for any number
/// of threads; a crop gives the same levels as that part of the full frame.
pub fn expose(electrons: &Electrons, camera: &Camera, gain_dn_per_e: f64, frame: u32) -> RawFrame {
    let window = electrons.window;
    let planes = electrons
        .planes
        .iter()
        .enumerate()
        .map(|(number, plane)| {
            let origin = (u64::from(window.x), u64::from(window.y), number as u64);
            levels(plane, origin, camera, gain_dn_per_e, frame)
        })
        .collect();
    RawFrame { window, planes }
}

/// Highest raw level: 2^bits − 1 (at most 16 bits).
pub fn top_level(camera: &Camera) -> u32 {
    (1 << camera.bits.min(16)) - 1
}

fn levels(
    plane: &Plane,
    (left, top, number): (u64, u64, u64),
    camera: &Camera,
    gain_dn_per_e: f64,
    frame: u32,
) -> Vec<u16> {
    let mut levels = vec![0_u16; plane.data.len()];
    let black = f64::from(camera.black_level);
    let most = f64::from(top_level(camera));
    let width = plane.width.max(1);
    levels.par_chunks_mut(width).zip(plane.data.par_chunks(width)).enumerate().for_each(
        |(y, (out, light))| {
            for (x, (level, &mean_e)) in out.iter_mut().zip(light).enumerate() {
                let index = noise::photosite_index(camera, left + x as u64, top + y as u64, number);
                // A NaN is not above 0 either.
                let mean_e = if mean_e > 0.0 { f64::from(mean_e).min(MOST_ELECTRONS) } else { 0.0 };
                let electrons = noise::read_out_e(mean_e, camera, frame, index);
                let value = (black + gain_dn_per_e * electrons + 0.5).floor();
                *level = value.max(0.0).min(most) as u16;
            }
        },
    );
    levels
}
