//! Every blur as a transfer function, on the sensor.
//!
//! Frequencies are in cycles per metre on the sensor, lengths in metres on the sensor. Axes are
//! those of the upright picture: x to the right, y up. A transfer function is the Fourier transform
//! ∫ p(r)·exp(−i2π f·r) d²r of a point spread p of unit energy ([`super::spread`] has its twin), so
//! it is 1 at zero frequency; it keeps its sign, since a contrast past a null is inverted.
//! Any finite argument is allowed. Values are good to 1e-12 unless said otherwise.

use super::{Lens, polygon};
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
/// the polygon turned by half a turn, as for a point nearer than the focus ([`blur_disc_m`] has this
/// sign). `blades` below 3 counts as 3. Exact ([`super::polygon`]).
pub fn defocus_polygon(
    fx: f64,
    fy: f64,
    circumdiameter_m: f64,
    blades: u32,
    rotation_rad: f64,
) -> (f64, f64) {
    let corners = polygon::regular(blades, rotation_rad);
    let scale = PI * circumdiameter_m;
    let (re, im) = polygon::transform(&corners, fx * scale, fy * scale);
    let area = polygon::area(&corners);
    (re / area, im / area)
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
        return wide_defocus_envelope(nu) * jinc(rate * (1.0 - nu));
    }
    let integral = gauss_legendre(0.0, edge, panels as usize, |angle| {
        let height = libm::sin(angle);
        libm::cos(rate * (libm::cos(angle) - nu)) * height * height
    });
    (4.0 / PI) * integral
}

/// What the transfer function of a widely defocused round pupil is over jinc(8π·W·ν·(1 − ν)), for ν in 0 to 1: P. A.
/// Stokseth, J. Opt. Soc. Am. 59, 1314–1321 (1969), with s = 2ν.
pub fn wide_defocus_envelope(nu: f64) -> f64 {
    let s = 2.0 * nu;
    1.0 - 0.69 * s + 0.0076 * s * s + 0.043 * s * s * s
}

/// Defocus and diffraction together for a bladed iris: transfer function (real, imaginary), exact.
///
/// `nu_x`, `nu_y` are the frequency times λ·N_w, where N_w belongs to the circle around the polygon;
/// `w20_waves` is the path error W at that circle, signed as [`w20_m`]; blades and rotation as in
/// [`defocus_polygon`]. The autocorrelation of a pupil with a quadratic path error has a linear
/// phase, so it is the transform of the overlap of the pupil with itself shifted by 2ν: an integral
/// over a convex polygon, in closed form. For many blades it goes to [`defocus_wave`].
pub fn defocus_wave_polygon(
    nu_x: f64,
    nu_y: f64,
    w20_waves: f64,
    blades: u32,
    rotation_rad: f64,
) -> (f64, f64) {
    defocus_wave_oval((nu_x, nu_y), (w20_waves, w20_waves), (blades, rotation_rad))
}

/// [`defocus_wave_polygon`] with a path error that differs across and upright, as behind an anamorphic lens: at the edge of the
/// circle around the polygon it is the first of `w20_waves` to the sides and the second above and below. Exact as well.
pub fn defocus_wave_oval(
    (nu_x, nu_y): (f64, f64),
    w20_waves: (f64, f64),
    (blades, rotation_rad): (u32, f64),
) -> (f64, f64) {
    let corners = polygon::regular(blades, rotation_rad);
    let moved = |sign: f64| -> Vec<(f64, f64)> {
        corners.iter().map(|&(x, y)| (x + sign * nu_x, y + sign * nu_y)).collect()
    };
    let overlap = polygon::overlap(&moved(1.0), &moved(-1.0));
    let phase = |waves: f64, nu: f64| 8.0 * PI * waves * nu;
    let (re, im) = polygon::transform(&overlap, phase(w20_waves.0, nu_x), phase(w20_waves.1, nu_y));
    let area = polygon::area(&corners);
    (re / area, im / area)
}

/// How much longer than wide, in second moments, the overlap of a round pupil with itself shifted by 2ν is (⟨v²⟩/⟨u²⟩, u along
/// the shift), times (1 − ν)²: 1 at ν = 0, 0 at 1.
pub fn overlap_shape(nu: f64) -> f64 {
    if nu >= 1.0 {
        return 0.0;
    }
    let edge = libm::acos(nu);
    // By the angle of the rim of the disc around −ν: u = cos t − ν, v = sin t, du·2v and dv·2u.
    let along = gauss_legendre(0.0, edge, 8, |t| {
        let (u, v) = (libm::cos(t) - nu, libm::sin(t));
        u * u * v * v
    });
    let across = gauss_legendre(0.0, edge, 8, |t| {
        let (u, v) = (libm::cos(t) - nu, libm::sin(t));
        v * v * u * libm::cos(t)
    });
    let open = 1.0 - nu;
    if along > 0.0 { open * open * across / along } else { 0.0 }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn low_pass_is_zero_at_half_and_minus_one_at_one_over_the_separation() {
        for d in [1e-6, 3.3e-6, 4e-6, 7.7e-6] {
            assert!(low_pass(1.0 / (2.0 * d), 0.0, d, d).abs() < 3e-16, "{d}");
            assert!(low_pass(0.0, 1.0 / (2.0 * d), d, d).abs() < 3e-16, "{d}");
            assert_eq!(low_pass(1.0 / d, 0.0, d, d), -1.0);
            assert_eq!(low_pass(1.0 / d, 1.0 / d, d, d), 1.0);
        }
        assert_eq!(low_pass(0.125, 0.0, 4.0, 0.0), 0.0);
    }

    #[test]
    fn zeros_of_the_disc() {
        // Zeros of J₁ over π.
        for x in [1.219_670, 2.233_131, 3.238_315] {
            assert!(defocus_disc(1.0, x).abs() < 1e-6, "{x}");
        }
    }

    #[test]
    fn wave_in_focus_is_diffraction_alone() {
        for i in 0..=20 {
            let nu = f64::from(i) / 20.0;
            assert!((defocus_wave(nu, 0.0) - diffraction(nu)).abs() < 1e-12, "{nu}");
        }
    }

    #[test]
    fn wave_keeps_its_accuracy_far_out_of_focus() {
        // Ten times the panels as the reference; past the largest number of panels, nearly nothing is left.
        for (nu, waves) in [(0.3, 66.584), (0.02, 400.0), (0.9, 400.0), (0.5, 1500.0)] {
            let edge = libm::acos(nu);
            let fine = gauss_legendre(0.0, edge, 40_000, |a| {
                let h = libm::sin(a);
                libm::cos(8.0 * PI * waves * nu * (libm::cos(a) - nu)) * h * h
            }) * 4.0
                / PI;
            assert!((defocus_wave(nu, waves) - fine).abs() < 1e-9, "{nu} {waves}");
        }
        let (nu, waves) = (0.5, 5000.0);
        let fine = gauss_legendre(0.0, libm::acos(nu), 40_000, |a| {
            let h = libm::sin(a);
            libm::cos(8.0 * PI * waves * nu * (libm::cos(a) - nu)) * h * h
        }) * 4.0
            / PI;
        assert!((defocus_wave(nu, waves) - fine).abs() < 2e-6);
        assert!(defocus_wave(0.3, 1e12).abs() < 2e-6);
        assert!(defocus_wave(0.3, f64::NAN).is_nan() && defocus_wave(f64::NAN, 1.0).is_nan());
    }

    #[test]
    fn wave_far_out_of_focus_and_low_frequency_is_the_disc() {
        // c = 8·N_w·λ·W: the geometric limit, within the handbook's difference of a few hundredths.
        let (waves, nu) = (66.584, 0.004);
        let geometric = jinc(8.0 * PI * waves * nu);
        assert!((defocus_wave(nu, waves) - geometric).abs() < 0.01);
        let (re, im) = defocus_wave_polygon(0.004, 0.0025, waves, 3, 0.3);
        let (gre, gim) = defocus_polygon(0.004, 0.0025, 8.0 * waves, 3, 0.3);
        assert!((re - gre).abs() < 0.01 && (im - gim).abs() < 0.01, "{re} {gre}, {im} {gim}");
        assert!(gim.abs() > 0.05, "the case must show the sign of the imaginary part");
    }

    #[test]
    fn many_blades_are_a_circle() {
        for (nu, waves) in [(0.1, 0.5), (0.45, 1.0), (0.8, 0.0), (0.3, -2.0)] {
            let (re, im) = defocus_wave_polygon(nu * 0.6, nu * 0.8, waves, 720, 0.1);
            assert!((re - defocus_wave(nu, waves)).abs() < 1e-4 && im.abs() < 1e-9, "{nu} {waves}");
            let (re, im) = defocus_polygon(nu * 0.6, nu * 0.8, 9.0, 720, 0.1);
            assert!((re - defocus_disc(9.0, nu)).abs() < 1e-4 && im.abs() < 1e-9);
        }
    }

    #[test]
    fn the_blur_stands_upright_beyond_the_focus() {
        assert!(blur_disc_m(&Lens::plain(), 6.0) > 0.0 && blur_disc_m(&Lens::plain(), 4.0) < 0.0);
        assert_eq!(blur_disc_m(&Lens::plain(), 5.0), 0.0);
        let far = blur_disc_m(&Lens::plain(), f64::INFINITY);
        // c = f²/(N(S₁ − f)) for a point at infinity.
        assert!((far - 0.05 * 0.05 / (2.8 * 4.95)).abs() < 1e-15);
        assert_eq!(blur_disc_m(&Lens { defocus: false, ..Lens::plain() }, 6.0), 0.0);
    }
}
