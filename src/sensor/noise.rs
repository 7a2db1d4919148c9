//! Noise of the sensor: fixed differences between photosites, shot noise, read noise.
//!
//! Every number is a pure function of (seed, frame, photosite in the full sensor, purpose), so the
//! noise does not depend on threads, and a crop carries the noise of the full frame.

use super::Camera;
use crate::math::random::{Purpose, normal_quantile, poisson, uniforms};

/// Where a photosite stands among all photosites of all planes of the full sensor.
///
/// `plane` is 0 for a mosaic or a monochrome sensor, 0 to 2 for full planes.
pub fn photosite_index(camera: &Camera, x: u64, y: u64, plane: u64) -> u64 {
    let columns = u64::from(camera.columns);
    let rows = u64::from(camera.rows);
    // Wrapping: a crop that reaches outside the sensor is still some number, never a panic.
    plane
        .wrapping_mul(columns.wrapping_mul(rows))
        .wrapping_add(y.wrapping_mul(columns).wrapping_add(x))
}

/// Charge that a photosite is read out with: mean electrons → electrons with noise.
///
/// `mean_e` is at least 0. In order: response non-uniformity (the same in every frame), shot noise
/// (Poisson), full well, read noise (normal). With noise off only the full well is left. May be
/// below 0, by read noise.
pub fn read_out_e(mean_e: f64, camera: &Camera, frame: u32, index: u64) -> f64 {
    let (charge, read_noise) = charge_and_noise_e(mean_e, camera, frame, index);
    charge + read_noise
}

/// The two parts of [`read_out_e`]: the charge that a photosite holds, and the read noise that is added to it.
pub fn charge_and_noise_e(mean_e: f64, camera: &Camera, frame: u32, index: u64) -> (f64, f64) {
    if !camera.noise {
        return (mean_e.min(camera.full_well_e), 0.0);
    }
    let mut electrons = mean_e;
    if camera.prnu > 0.0 {
        let [u, _] = uniforms(camera.seed, 0, index, Purpose::Response);
        electrons = (electrons * (1.0 + camera.prnu * normal_quantile(u))).max(0.0);
    }
    let [shot, read] = uniforms(camera.seed, frame, index, Purpose::Exposure);
    let charge = poisson(electrons, shot).min(camera.full_well_e);
    (charge, camera.read_noise_e * normal_quantile(read))
}
