//! A scene: as written in the file, and as meant (SI units, checked, immutable).

use crate::diag::Diagnostic;
use crate::optics::{Lens, LowPass, Pose};
use crate::sensor::Camera;
use crate::wall::{Wall, WallImage, drive::Drive};
use std::sync::Arc;

/// A scene as meant: every value checked and in SI units.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Short name, from the file's name.
    pub name: String,
    /// The wall.
    pub wall: Wall,
    /// How it is driven.
    pub drive: Drive,
    /// What it shows.
    pub content: Arc<WallImage>,
    /// The lens.
    pub lens: Lens,
    /// The low-pass filter at the sensor, if any.
    pub low_pass: Option<LowPass>,
    /// The camera.
    pub camera: Camera,
    /// Where it stands.
    pub pose: Pose,
    /// Development and delivery.
    pub delivery: crate::develop::Delivery,
    /// Distance of the subject from the lens along the axis, metres, if given.
    pub subject_m: Option<f64>,
    /// Things a person should know.
    pub notes: Vec<Diagnostic>,
}
