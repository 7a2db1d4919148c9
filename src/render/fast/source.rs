//! Emitters as kernels need them.

use crate::math::special::sinc;
use crate::optics::transfer;
use crate::wall::EmitterShape;
use glam::DVec2;
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// An emitter as the kernel needs it: lengths in wall pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Source {
    pub shape: EmitterShape,
    pub pitch_m: f64,
    pub wavelength_m: f64,
    /// σ of what a diffuser makes of a point of it, pixels; 0 without one.
    pub spread: f64,
    /// What the wall's outline does to it, across and down.
    pub outline: [Outline; 2],
}

/// What the wall's outline does to a tent: bilinear light holds its value from the outermost pixels' centres to the
/// outline, and ends there. Along an axis the outermost tent becomes itself plus a difference, and this is the difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Outline {
    /// The emitter itself.
    Whole,
    /// The difference at the first pixel, whose centre is so many pixels inside the outline.
    First(f64),
    /// The difference at the last pixel.
    Last(f64),
}

impl Outline {
    /// Transform of the difference: a box from the outline to the centre, less the tent's outer half. The centre lies at most
    /// one pixel inside.
    fn difference(inside: f64, g: f64) -> Complex64 {
        let a = 2.0 * PI * g;
        if a.abs() < 1e-6 {
            return Complex64::new(inside - 0.5, 0.0);
        }
        let i = Complex64::i();
        let turned = |x: f64| Complex64::new(libm::cos(a * x), libm::sin(a * x));
        let held = (turned(inside) - 1.0) / (i * a);
        let half_tent = i / a - (turned(1.0) - 1.0) / (a * a);
        held - half_tent
    }
}

impl Source {
    /// Transform of the shape with unit light along one axis, frequency in cycles per pixel; 1 for
    /// a disc, which has no such factors. Conjugate, since a weight is the view times the emitter moved to a pixel.
    ///
    /// The diffuser's Gaussian goes with it: round, and so a product over the axes for every shape.
    pub fn factor(&self, axis: usize, g: f64) -> Complex64 {
        let emitter = match self.outline[axis] {
            Outline::Whole => Complex64::from(self.whole(axis, g)),
            Outline::First(inside) => Outline::difference(inside, g).conj(),
            Outline::Last(inside) => Outline::difference(inside, g),
        };
        emitter * transfer::gaussian(g, self.spread)
    }

    fn whole(&self, axis: usize, g: f64) -> f64 {
        match self.shape {
            EmitterShape::Rectangle { width_m, height_m } => {
                sinc(g * if axis == 0 { width_m } else { height_m } / self.pitch_m)
            }
            EmitterShape::Tent => sinc(g) * sinc(g),
            EmitterShape::Disc { .. } => 1.0,
        }
    }

    /// Half of its size, across and down, pixels; what a diffuser makes of it ends at 3.5 σ.
    pub fn half(&self) -> DVec2 {
        let shape = match self.shape {
            EmitterShape::Rectangle { width_m, height_m } => {
                DVec2::new(width_m, height_m) / (2.0 * self.pitch_m)
            }
            EmitterShape::Disc { diameter_m } => DVec2::splat(diameter_m / (2.0 * self.pitch_m)),
            EmitterShape::Tent => DVec2::ONE,
        };
        shape + 3.5 * self.spread
    }
}
