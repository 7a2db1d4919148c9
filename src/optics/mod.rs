//! From the plane of the wall to the plane of the sensor: where a point lands, and every blur as a
//! point spread and as a transfer function.

use glam::{DMat3, DVec3};

pub mod blur;
pub mod geometry;
pub mod lens_transfer;
pub mod plate;
pub mod polygon;
pub mod projection;
pub mod spread;
pub mod transfer;
pub mod view;
pub mod wave;

/// The opening of the iris.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Iris {
    /// A circle.
    Round,
    /// A regular polygon inscribed in the circle of the aperture.
    Bladed {
        /// Number of blades, 3 to 20.
        blades: u32,
        /// Turn of the polygon, radians, anticlockwise seen from behind the camera; 0 puts one corner to the right.
        rotation_rad: f64,
    },
}

/// How diffraction enters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Diffraction {
    /// No diffraction.
    Off,
    /// Airy pattern convolved with the geometric blur disc.
    Convolved,
    /// The defocused pupil.
    Wave,
}

/// A thin lens, focused; with [`Lens::squeeze`] above 1, one with an ideal anamorphic attachment in front.
///
/// The attachment makes angles across smaller by the squeeze and leaves upright ones alone, at every distance (it is focused
/// with the lens, without astigmatism). So the lens has its focal length upright and focal length / squeeze across, and from
/// the front its round pupil is seen 1/squeeze as wide as it is high. Behind the attachment all is as without it: light on the
/// sensor, natural vignetting, diffraction, distortion. What is left out: that a real attachment's squeeze changes with the
/// distance in focus, and its own faults across.
#[derive(Debug, Clone, PartialEq)]
pub struct Lens {
    /// Focal length, metres.
    pub focal_m: f64,
    /// Geometric f-number.
    pub f_number: f64,
    /// Light transmission, 0 to 1: (f-number / T-stop)², times neutral density.
    pub transmission: f64,
    /// Axial distance in focus, from the lens, metres; larger than the focal length.
    pub focus_m: f64,
    /// Aberration blur: σ of a Gaussian on the sensor, metres (0 for none).
    pub aberration_m: f64,
    /// Iris shape.
    pub iris: Iris,
    /// Radial distortion: (distorted − undistorted)/undistorted radius at the corner of the full
    /// sensor; negative for barrel. Division model, Fitzgibbon 2001: r_u = r_d / (1 + k (r_d/r_corner)²).
    pub distortion: f64,
    /// How much narrower the picture is across than upright, 1 for a spherical lens.
    pub squeeze: f64,
    /// Natural vignetting (cos⁴) on or off.
    pub vignetting: bool,
    /// Defocus on or off.
    pub defocus: bool,
    /// Diffraction.
    pub diffraction: Diffraction,
}

impl Lens {
    /// Distance from lens to sensor, metres: v = f·d/(d − f).
    pub fn image_m(&self) -> f64 {
        self.focal_m * self.focus_m / (self.focus_m - self.focal_m)
    }

    /// Width over height of a blur disc on the sensor: 1/squeeze for the pupil's width, 1/squeeze for the picture's.
    pub fn blur_aspect(&self) -> f64 {
        1.0 / (self.squeeze * self.squeeze)
    }

    /// Working f-number N(1 + m), m the magnification at focus.
    pub fn working_f_number(&self) -> f64 {
        self.f_number * self.image_m() / self.focal_m
    }
}

#[cfg(test)]
impl Lens {
    /// A plain lens to test with, 50 mm at f/2.8, without faults.
    pub(crate) fn plain() -> Self {
        Self {
            focal_m: 0.05,
            f_number: 2.8,
            transmission: 1.0,
            focus_m: 5.0,
            aberration_m: 0.0,
            iris: Iris::Round,
            squeeze: 1.0,
            distortion: 0.0,
            vignetting: true,
            defocus: true,
            diffraction: Diffraction::Wave,
        }
    }
}

/// Optical low-pass filter at the sensor: four equal spots at ±separation/2 on both axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LowPass {
    /// Distance of the spots across, metres on the sensor.
    pub across_m: f64,
    /// Distance of the spots upright, metres on the sensor.
    pub upright_m: f64,
}

/// Optical low-pass filter in front of the lens: it doubles every direction, across and upright, into four equal ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrontLowPass {
    /// Angle between the doubled directions across, radians; 0 or more.
    pub across_rad: f64,
    /// The same upright, radians.
    pub upright_rad: f64,
}

impl FrontLowPass {
    /// The filter at the sensor that does the same behind a lens: spots v·tan(angle) apart, with v the distance from
    /// lens to sensor, and across the squeeze less. Exact on the axis of a lens without distortion; towards the corners the true distance grows.
    pub fn at_sensor(&self, lens: &Lens) -> LowPass {
        let split = |angle_rad: f64| lens.image_m() * libm::tan(angle_rad);
        LowPass {
            across_m: split(self.across_rad) / lens.squeeze,
            upright_m: split(self.upright_rad),
        }
    }
}

/// Where the camera stands and how it is turned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Centre of the lens in world coordinates, metres (the wall is in z = 0 and looks to +z).
    pub lens_m: DVec3,
    /// Camera to world: camera axes x right, y up, z backward. Ry(yaw)·Rx(pitch)·Rz(roll).
    pub turn: DMat3,
}
