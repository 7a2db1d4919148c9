//! From electrons to the camera's integers.

use super::mode::Joining;
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
///
/// `electrons` are those of the photosites read ([`Camera::read`]); the noise of each belongs to its place on the sensor. Where
/// the mode joins photosites, what is returned are the recorded ones, the camera's crop of them. The gain is that of a
/// photosite by itself: joined charges count by their mean.
pub fn expose(electrons: &Electrons, camera: &Camera, gain_dn_per_e: f64, frame: u32) -> RawFrame {
    if camera.bins() && camera.mode().joining == Joining::Charge {
        return expose_joined(electrons, camera, gain_dn_per_e, frame);
    }
    let window = electrons.window;
    let planes = electrons
        .planes
        .iter()
        .enumerate()
        .map(|(number, plane)| {
            let origin = (window.x, window.y, number as u64);
            levels(plane, origin, camera, gain_dn_per_e, frame)
        })
        .collect();
    let read = RawFrame { window, planes };
    if camera.bins() { camera.joined_levels(&read) } else { read }
}

/// [`expose`] of photosites whose charges are added before they are read: shot noise and full well are each photosite's own,
/// read noise comes once, that of the first of them.
fn expose_joined(
    electrons: &Electrons,
    camera: &Camera,
    gain_dn_per_e: f64,
    frame: u32,
) -> RawFrame {
    let window = electrons.window;
    let width = window.width.max(1) as usize;
    let planes = electrons.planes.iter().enumerate().map(|(number, plane)| {
        camera.join(window, |members| {
            let (mut charge, mut read_noise) = (0.0, 0.0);
            for (k, &i) in members.iter().enumerate() {
                let place = (window.x + (i % width) as u32, window.y + (i / width) as u32);
                let (x, y) = camera.sensor_of_read(place.0, place.1);
                let index =
                    noise::photosite_index(camera, u64::from(x), u64::from(y), number as u64);
                let mean_e = possible_e(plane.data.get(i).copied().unwrap_or(0.0));
                let (own, read) = noise::charge_and_noise_e(mean_e, camera, frame, index);
                charge += own;
                if k == 0 {
                    read_noise = read;
                }
            }
            level((charge + read_noise) / members.len() as f64, camera, gain_dn_per_e)
        })
    });
    RawFrame { window: camera.crop, planes: planes.collect() }
}

/// Light as a photosite can collect it: no less than none, and finite.
fn possible_e(mean_e: f32) -> f64 {
    // A NaN is not above 0 either.
    if mean_e > 0.0 { f64::from(mean_e).min(MOST_ELECTRONS) } else { 0.0 }
}

/// The raw level of a charge.
fn level(electrons: f64, camera: &Camera, gain_dn_per_e: f64) -> u16 {
    let value = (f64::from(camera.black_level) + gain_dn_per_e * electrons + 0.5).floor();
    value.max(0.0).min(f64::from(top_level(camera))) as u16
}

/// Highest raw level: 2^bits − 1 (at most 16 bits).
pub fn top_level(camera: &Camera) -> u32 {
    (1 << camera.bits.min(16)) - 1
}

fn levels(
    plane: &Plane,
    (left, top, number): (u32, u32, u64),
    camera: &Camera,
    gain_dn_per_e: f64,
    frame: u32,
) -> Vec<u16> {
    let mut levels = vec![0_u16; plane.data.len()];
    let width = plane.width.max(1);
    levels.par_chunks_mut(width).zip(plane.data.par_chunks(width)).enumerate().for_each(
        |(y, (out, light))| {
            for (x, (out_level, &mean_e)) in out.iter_mut().zip(light).enumerate() {
                let place = (left.wrapping_add(x as u32), top.wrapping_add(y as u32));
                let (column, row) = camera.sensor_of_read(place.0, place.1);
                let index =
                    noise::photosite_index(camera, u64::from(column), u64::from(row), number);
                let electrons = noise::read_out_e(possible_e(mean_e), camera, frame, index);
                *out_level = level(electrons, camera, gain_dn_per_e);
            }
        },
    );
    levels
}
