//! Every blur as a transfer function, on the sensor.
//!
//! Frequencies are in cycles per metre on the sensor, lengths in metres on the sensor. Axes are
//! those of the upright picture: x to the right, y up. A transfer function is the Fourier transform
//! ∫ p(r)·exp(−i2π f·r) d²r of a point spread p of unit energy ([`super::spread`] has its twin), so
//! it is 1 at zero frequency; it keeps its sign, since a contrast past a null is inverted.
//! Any finite argument is allowed. Values are good to 1e-12 unless said otherwise.

use super::Lens;
use crate::math::quadrature::gauss_legendre;
use crate::math::special::{cos_pi, jinc, sinc};
use std::f64::consts::PI;

/// More panels than this are not spent on one value of [`defocus_wave`].
const MOST_PANELS: f64 = 4096.0;

/// A frequency as a fraction of the diffraction cutoff: ν = |f|·λ·N_w.
pub fn relative_frequency(f: f64, wavelength_m: f64, working_f_number: f64) -> f64 {
    f.abs() * wavelength_m * working_f_number
}

/// Diffraction of a clear round pupil in incoherent light: (2/π)·(acos ν − ν·√(1 − ν²)).
///
/// `nu` is the frequency over the cutoff 1/(λ·N_w) (see [`relative_frequency`]); 0 from 1 on; even
/// in `nu`. J. W. Goodman, *Introduction to Fourier Optics*, chapter on the optical transfer function.
pub fn diffraction(nu: f64) -> f64 {
    let nu = nu.abs();
    if nu >= 1.0 {
        return 0.0;
    }
    (2.0 / PI) * (libm::acos(nu) - nu * (1.0 - nu * nu).sqrt())
}

/// Geometric defocus of a round iris: a uniform disc, 2·J₁(π·d·f)/(π·d·f).
///
/// `diameter_m` is the blur disc on the sensor (its sign does not matter), `f` the length of the
/// frequency vector. Signed: negative between the first two nulls d·f = 1.2197 and 2.2331.
pub fn defocus_disc(diameter_m: f64, f: f64) -> f64 {
    jinc(PI * diameter_m * f)
}

/// Geometric defocus of a bladed iris: the transform (real, imaginary) of a uniform regular polygon.
///
/// The polygon is inscribed in a circle of `circumdiameter_m`; with `rotation_rad` 0 a corner lies
/// to the right, and the turn is anticlockwise in the upright picture. A negative circumdiameter is
/// the polygon seen upside down, as for a point nearer than the focus ([`blur_disc_m`] has this
/// sign). `blades` below 3 counts as 3.
///
/// From the divergence theorem: F = i/(k²·area)·Σ (k·n)·L·sinc(f·e)·exp(−i k·m) over edges e with
/// midpoint m, outward normal n and length L, k = 2πf; an edge across f is no special case in this
/// form. Near f = 0, where the sum cancels, the second-moment series takes over. Error below 1e-11.
pub fn defocus_polygon(
    fx: f64,
    fy: f64,
    circumdiameter_m: f64,
    blades: u32,
    rotation_rad: f64,
) -> (f64, f64) {
    let blades = blades.max(3);
    let radius = 0.5 * circumdiameter_m;
    let (kx, ky) = (2.0 * PI * fx * radius, 2.0 * PI * fy * radius);
    let k2 = kx * kx + ky * ky;
    let step = 2.0 * PI / f64::from(blades);
    if k2 < 1e-8 {
        // Mean of x² over a regular polygon of unit circumradius, the same along every axis.
        let mean_x2 = (2.0 + libm::cos(step)) / 12.0;
        return (1.0 - 0.5 * k2 * mean_x2, 0.0);
    }
    let area = 0.5 * f64::from(blades) * libm::sin(step);
    let corner = |j: u32| {
        let angle = rotation_rad + step * f64::from(j);
        (libm::cos(angle), libm::sin(angle))
    };
    let (mut re, mut im) = (0.0, 0.0);
    let (mut x0, mut y0) = corner(0);
    for j in 1..=blades {
        let (x1, y1) = corner(j % blades);
        let (ex, ey) = (x1 - x0, y1 - y0);
        // Outward normal times length of an anticlockwise edge is (ey, −ex).
        let weight = (kx * ey - ky * ex) * sinc((kx * ex + ky * ey) / (2.0 * PI));
        let phase = 0.5 * (kx * (x0 + x1) + ky * (y0 + y1));
        // i·exp(−i·phase) = sin(phase) + i·cos(phase)
        re += weight * libm::sin(phase);
        im += weight * libm::cos(phase);
        (x0, y0) = (x1, y1);
    }
    (re / (k2 * area), im / (k2 * area))
}

/// Defocus and diffraction together: the transfer function of a round pupil out of focus, exact.
///
/// (4/π)·∫₀^{1−ν} cos(8π·W·ν·x)·√(1 − (x+ν)²) dx, with `nu` the frequency over the cutoff and
/// `w20_waves` the path error W at the edge of the pupil in waves ([`w20_m`] over λ; its sign does
/// not matter). Real and signed; 0 from ν = 1 on; equals [`diffraction`] at W = 0.
/// H. H. Hopkins, Proc. R. Soc. A 231, 91–103 (1955).
///
/// With x + ν = cos φ the integrand is smooth and Gauss–Legendre panels of at most a period give an
/// error below 1e-9. Where the phase passes about 20 000 rad the value is below 2e-6 and P. A.
/// Stokseth's approximation (J. Opt. Soc. Am. 59, 1314–1321, 1969) stands in for it.
pub fn defocus_wave(nu: f64, w20_waves: f64) -> f64 {
    let nu = nu.abs();
    if nu >= 1.0 {
        return 0.0;
    }
    let rate = 8.0 * PI * w20_waves.abs() * nu;
    let edge = libm::acos(nu);
    let panels = (rate * libm::sin(edge) * edge / 6.0).ceil() + 1.0;
    if panels > MOST_PANELS {
        let s = 2.0 * nu;
        let envelope = 1.0 - 0.69 * s + 0.0076 * s * s + 0.043 * s * s * s;
        return envelope * jinc(rate * (1.0 - nu));
    }
    let integral = gauss_legendre(0.0, edge, panels as usize, |angle| {
        let height = libm::sin(angle);
        libm::cos(rate * (libm::cos(angle) - nu)) * height * height
    });
    (4.0 / PI) * integral
}

/// Optical low-pass filter of four equal spots at (±across/2, ±upright/2): cos(π·f_x·d_x)·cos(π·f_y·d_y).
///
/// Signed: 0 at f = 1/(2d), −1 at 1/d.
pub fn low_pass(fx: f64, fy: f64, across_m: f64, upright_m: f64) -> f64 {
    cos_pi(fx * across_m) * cos_pi(fy * upright_m)
}

/// Gaussian blur of standard deviation `sigma_m`: exp(−2π²σ²f²), `f` the length of the frequency vector.
pub fn gaussian(f: f64, sigma_m: f64) -> f64 {
    let t = PI * sigma_m * f;
    libm::exp(-2.0 * t * t)
}

/// Square photosite aperture of side `width_m` (photosite pitch times √fill factor):
/// sinc(f_x·w)·sinc(f_y·w).
pub fn aperture(fx: f64, fy: f64, width_m: f64) -> f64 {
    sinc(fx * width_m) * sinc(fy * width_m)
}

/// A uniform rectangle, such as the image of an emitter: sinc(f_x·w)·sinc(f_y·h).
pub fn rectangle(fx: f64, fy: f64, width_m: f64, height_m: f64) -> f64 {
    sinc(fx * width_m) * sinc(fy * height_m)
}

/// A uniform disc, such as the image of a round emitter: jinc(π·d·f), `f` the length of the frequency vector.
pub fn disc(f: f64, diameter_m: f64) -> f64 {
    jinc(PI * diameter_m * f)
}

/// A tent two pitches wide on both axes: sinc²(f_x·p)·sinc²(f_y·p); zero at every lattice frequency.
pub fn tent(fx: f64, fy: f64, pitch_m: f64) -> f64 {
    let one = sinc(fx * pitch_m) * sinc(fy * pitch_m);
    one * one
}

/// Diameter of the blur disc on the sensor of a point at axial depth `depth_m` from the lens, metres.
///
/// c = A·(v/d)·(1 − d/z), with A = f/N the pupil, d the focus distance, v the image distance and z
/// the depth: exact for a thin lens. Positive beyond the focus, where the blur stands upright in
/// the upright picture as the iris does seen from behind the camera; negative nearer than the focus,
/// where it is turned by half a turn. 0 when the lens has defocus switched off. `depth_m` is to be
/// above 0; +∞ is allowed.
pub fn blur_disc_m(lens: &Lens, depth_m: f64) -> f64 {
    if !lens.defocus {
        return 0.0;
    }
    let pupil_m = lens.focal_m / lens.f_number;
    pupil_m * (lens.image_m() / lens.focus_m) * (1.0 - lens.focus_m / depth_m)
}

/// Path error at the edge of the pupil of a point at axial depth `depth_m`, metres, signed as [`blur_disc_m`].
///
/// W20 = (A²/8)·(1/v − 1/v_z) for a pupil A and the image distances v in focus, v_z of the point;
/// that is c·A/(8v) = c/(8·N_w), exactly, with the working f-number N_w = v/A.
pub fn w20_m(lens: &Lens, depth_m: f64) -> f64 {
    blur_disc_m(lens, depth_m) / (8.0 * lens.working_f_number())
}
