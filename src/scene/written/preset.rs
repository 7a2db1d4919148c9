//! The names of presets; their values stand in `scene/presets/kit.yaml`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A wall to start from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WallPresetFile {
    /// A fine indoor wall, for what is near the camera.
    FineIndoor,
    /// A stage or touring wall.
    Stage,
    /// A bright, coarse wall above the set, as its light.
    Ceiling,
    /// A wall that outshines daylight.
    Outdoor,
}

/// A camera to start from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CameraPresetFile {
    /// A cinema camera with a large sensor and a low-pass filter.
    LargeSensor,
    /// The same without a low-pass filter.
    LargeSensorNoLowPass,
    /// A small body that reads one photosite in three, across and down.
    SmallLineSkipping,
    /// A camera that exposes all rows at once.
    GlobalShutter,
}

/// The strength of a low-pass filter at the sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LowPassPresetFile {
    /// No filter.
    None,
    /// A split of half a photosite.
    Weak,
    /// A split of three quarters of a photosite.
    Standard,
    /// A split of a whole photosite.
    Strong,
}
