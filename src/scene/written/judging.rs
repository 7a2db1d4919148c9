//! How the picture is watched and how exact the plan is, as written.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How the delivered picture is watched: what counts as visible depends on it.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ViewingFile {
    /// Distance of the viewer from the picture, in heights of the picture: about 3 in front of a monitor, 1.5 in the front
    /// rows of a cinema.
    #[schemars(range(min = 0.3, max = 30.0))]
    pub distance_picture_heights: f64,
    /// Luminance of the display's white.
    #[schemars(range(min = 1.0, max = 10_000.0))]
    pub display_white_nits: f64,
    /// Contrast of the picture itself in every octave of detail, which hides artefacts: 0 for a flat colour, 4 for a sky or a
    /// background out of focus, 10 for busy detail.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub picture_contrast_percent: f64,
}

impl Default for ViewingFile {
    fn default() -> Self {
        Self {
            distance_picture_heights: 3.2,
            display_white_nits: 100.0,
            picture_contrast_percent: 4.0,
        }
    }
}

/// How far the set may be off its plan, either way. A verdict is the worst within all of it.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct TolerancesFile {
    /// Distance of camera and wall.
    #[schemars(range(min = 0.0, max = 20.0))]
    pub distance_percent: f64,
    /// Focal length.
    #[schemars(range(min = 0.0, max = 20.0))]
    pub focal_percent: f64,
    /// Pan, tilt and roll.
    #[schemars(range(min = 0.0, max = 20.0))]
    pub turn_deg: f64,
    /// Readout time of the camera.
    #[schemars(range(min = 0.0, max = 50.0))]
    pub readout_percent: f64,
}

impl Default for TolerancesFile {
    fn default() -> Self {
        Self { distance_percent: 2.0, focal_percent: 3.0, turn_deg: 2.0, readout_percent: 10.0 }
    }
}
