//! What stands before the wall, as written.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A picture with see-through parts at the subject's distance, square to the lens axis: a person, a window frame. It is lit
/// evenly and steadily.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["file", "height_m"]))]
pub struct ForegroundFile {
    /// PNG with opacity, its path from the scene file's folder; colours are sRGB.
    #[schemars(extend("x-default" = "none: must be given"))]
    pub file: String,
    /// Height of the whole picture.
    #[schemars(range(min = 0.001, max = 1000.0), extend("x-default" = "none: must be given"))]
    pub height_m: f64,
    /// Its middle to the right of the lens axis.
    #[schemars(range(min = -1000.0, max = 1000.0))]
    pub right_m: f64,
    /// Its middle above the lens axis.
    #[schemars(range(min = -1000.0, max = 1000.0))]
    pub up_m: f64,
    /// Steady light on it; a white of the picture reflects all of it.
    #[schemars(range(min = 0.0, max = 1e6))]
    pub light_lx: f64,
}

impl Default for ForegroundFile {
    fn default() -> Self {
        Self { file: String::new(), height_m: 0.0, right_m: 0.0, up_m: 0.0, light_lx: 500.0 }
    }
}
