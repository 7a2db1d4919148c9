//! Every blur as a point spread: light per area on the sensor from a point of unit energy, 1/m².
//!
//! Lengths in metres on the sensor, from the blur's centre, x to the right and y up in the upright
//! picture. Each function is the twin of the one of the same name in [`super::transfer`]; tests
//! hold the Fourier transform of one against the other. Sizes are to be above 0: a blur of no size
//! has no finite point spread.

use super::polygon;
use crate::math::quadrature::gauss_legendre;
use crate::math::special::jinc;
use std::f64::consts::PI;

/// Airy pattern of a clear round pupil: π/(4λ²N_w²)·[2·J₁(x)/x]², x = πr/(λN_w).
///
/// `r_m` from the centre. First dark ring at r = 1.219670·λN_w. Beyond radius x the share 2/(πx) of the
/// energy is still to come.
pub fn diffraction(r_m: f64, wavelength_m: f64, working_f_number: f64) -> f64 {
    let unit = wavelength_m * working_f_number;
    let amplitude = jinc(PI * r_m / unit);
    PI / (4.0 * unit * unit) * amplitude * amplitude
}

/// Uniform disc: the geometric blur of a round iris, or a round emitter's image.
pub fn disc(r_m: f64, diameter_m: f64) -> f64 {
    if 2.0 * r_m.abs() <= diameter_m.abs() { 4.0 / (PI * diameter_m * diameter_m) } else { 0.0 }
}

/// Uniform regular polygon: the geometric blur of a bladed iris. Arguments as in
/// [`super::transfer::defocus_polygon`].
pub fn defocus_polygon(
    x_m: f64,
    y_m: f64,
    circumdiameter_m: f64,
    blades: u32,
    rotation_rad: f64,
) -> f64 {
    let corners = polygon::regular(blades, rotation_rad);
    let radius_m = 0.5 * circumdiameter_m;
    if polygon::contains(&corners, x_m / radius_m, y_m / radius_m) {
        1.0 / (polygon::area(&corners) * radius_m * radius_m)
    } else {
        0.0
    }
}

/// Defocused round pupil: π/(4λ²N_w²)·|2∫₀¹ J₀(xs)·exp(i2πWs²)·s ds|², x = πr/(λN_w).
///
/// `w20_waves` is the path error W at the edge of the pupil, in waves; at 0 this is
/// [`diffraction`]. Goodman, *Introduction to Fourier Optics* (impulse response as the transform of
/// the generalised pupil). Quadrature to 1e-9 of the peak in focus; the time grows with x + 4π|W|.
pub fn defocus_wave(r_m: f64, wavelength_m: f64, working_f_number: f64, w20_waves: f64) -> f64 {
    let unit = wavelength_m * working_f_number;
    let x = PI * r_m.abs() / unit;
    let bend = 2.0 * PI * w20_waves;
    let panels = ((x + 2.0 * bend.abs()) / 8.0).min(1e6).ceil() as usize + 1;
    let part = |wave: fn(f64) -> f64| {
        gauss_legendre(0.0, 1.0, panels, |s| 2.0 * s * libm::j0(x * s) * wave(bend * s * s))
    };
    let (re, im) = (part(libm::cos), part(libm::sin));
    PI / (4.0 * unit * unit) * (re * re + im * im)
}

/// The four spots of the optical low-pass filter, a quarter of the light each: x, y in metres.
pub fn low_pass(across_m: f64, upright_m: f64) -> [(f64, f64); 4] {
    let (x, y) = (0.5 * across_m, 0.5 * upright_m);
    [(-x, -y), (x, -y), (-x, y), (x, y)]
}

/// Gaussian of standard deviation `sigma_m` along any axis.
pub fn gaussian(r_m: f64, sigma_m: f64) -> f64 {
    let t = r_m / sigma_m;
    libm::exp(-0.5 * t * t) / (2.0 * PI * sigma_m * sigma_m)
}

/// Uniform square: the photosite's aperture.
pub fn aperture(x_m: f64, y_m: f64, width_m: f64) -> f64 {
    rectangle(x_m, y_m, width_m, width_m)
}

/// Uniform rectangle: the image of a rectangular emitter.
pub fn rectangle(x_m: f64, y_m: f64, width_m: f64, height_m: f64) -> f64 {
    let inside = 2.0 * x_m.abs() <= width_m && 2.0 * y_m.abs() <= height_m;
    if inside { 1.0 / (width_m * height_m) } else { 0.0 }
}

/// Tent of base two pitches on both axes: bilinear interpolation between pixel centres.
pub fn tent(x_m: f64, y_m: f64, pitch_m: f64) -> f64 {
    let one = |x: f64| (1.0 - x.abs() / pitch_m).max(0.0) / pitch_m;
    one(x_m) * one(y_m)
}

#[cfg(test)]
mod tests;
