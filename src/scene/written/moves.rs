//! Moves of the camera, as written.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How the camera moves during the shot. Keyframes say where it is at a moment; each of their values runs on by itself from
/// the scene's own value at frame 0, through the keyframes that give it, and stays at the last.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["keyframes"]))]
pub struct MovesFile {
    /// How values go from one keyframe to the next.
    pub between: BetweenFile,
    /// The keyframes, in the order of time.
    #[schemars(length(min = 1, max = 1000), extend("x-default" = "none: must be given"))]
    pub keyframes: Vec<KeyframeFile>,
}

impl Default for MovesFile {
    fn default() -> Self {
        Self { between: BetweenFile::Smooth, keyframes: Vec::new() }
    }
}

/// From one keyframe to the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum BetweenFile {
    /// Starts and ends gently, and runs through keyframes on its way without a stop or an overshoot.
    Smooth,
    /// At an even pace, which changes at once at each keyframe.
    Linear,
}

/// Where the camera is at a moment. Give `at_frame` or `at_s`, and what moves.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct KeyframeFile {
    /// The camera's frame, from 0, that shows this.
    #[schemars(range(min = 0, max = 999_999))]
    pub at_frame: Option<u32>,
    /// The same as a time from the start of frame 0.
    #[schemars(range(min = 0.0, max = 100_000.0))]
    pub at_s: Option<f64>,
    /// Distance to the wall, as `placement.distance_m`.
    #[schemars(range(min = 0.01, max = 10_000.0))]
    pub distance_m: Option<f64>,
    /// Right of the wall's centre, as `placement.lateral_m`.
    #[schemars(range(min = -10_000.0, max = 10_000.0))]
    pub lateral_m: Option<f64>,
    /// Above the wall's centre, as `placement.vertical_m`.
    #[schemars(range(min = -10_000.0, max = 10_000.0))]
    pub vertical_m: Option<f64>,
    /// The point of the wall that the lens axis meets, as `placement.aim_m`.
    #[schemars(inner(range(min = -10_000.0, max = 10_000.0)))]
    pub aim_m: Option<[f64; 2]>,
    /// Turn to the right, as `placement.pan_deg`.
    #[schemars(range(min = -180.0, max = 180.0))]
    pub pan_deg: Option<f64>,
    /// Turn upwards, as `placement.tilt_deg`.
    #[schemars(range(min = -90.0, max = 90.0))]
    pub tilt_deg: Option<f64>,
    /// Turn clockwise, as `placement.roll_deg`.
    #[schemars(range(min = -180.0, max = 180.0))]
    pub roll_deg: Option<f64>,
    /// Focal length of a zoom, as `lens.focal_mm`.
    #[schemars(range(min = 1.0, max = 2000.0))]
    pub focal_mm: Option<f64>,
    /// Distance in focus, as `lens.focus.distance_m`. Without it, a focus on wall or subject stays on it.
    #[schemars(range(min = 0.01, max = 1_000_000.0))]
    pub focus_m: Option<f64>,
}
