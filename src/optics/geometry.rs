//! Sizes and angles of a focused thin lens.

use super::Lens;

/// Angle of view over a sensor dimension, radians: 2·atan(size/(2v)).
pub fn angle_of_view_rad(lens: &Lens, size_m: f64) -> f64 {
    2.0 * libm::atan(size_m / (2.0 * lens.image_m()))
}

/// Size on the sensor of a length across the axis at axial depth `depth_m` from the lens: length·v/z.
///
/// Holds in focus and out of focus; at the depth in focus v/z is the textbook f/(d − f).
pub fn on_sensor_m(lens: &Lens, length_m: f64, depth_m: f64) -> f64 {
    length_m * lens.image_m() / depth_m
}

/// Focus distance from the lens at which `length_m` in focus has the size `image_m` on the sensor:
/// f·(1 + length/image), the wall distance for a wanted pitch on the sensor.
pub fn distance_for_size_m(focal_m: f64, length_m: f64, image_m: f64) -> f64 {
    focal_m * (1.0 + length_m / image_m)
}
