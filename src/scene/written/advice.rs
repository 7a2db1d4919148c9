//! What a shot can bear, as written: bounds for advice.

use super::CameraPresetFile;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How far advice may go. Nothing of it changes a frame or a verdict.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct LimitsFile {
    /// Nearest and farthest place of the camera, measured as `placement.distance_m`.
    #[schemars(inner(range(min = 0.01, max = 100_000.0)), extend("x-default" = "a quarter less and a quarter more than the present distance"))]
    pub distance_m: Option<[f64; 2]>,
    /// Shortest and longest focal length of the lenses at hand.
    #[schemars(inner(range(min = 1.0, max = 2000.0)), extend("x-default" = "a quarter less and a quarter more than the present one"))]
    pub focal_mm: Option<[f64; 2]>,
    /// How much larger or smaller the wall may become in the picture.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub framing_percent: f64,
    /// How far the camera may be turned, either way: pan and roll.
    #[schemars(range(min = 0.0, max = 45.0))]
    pub turn_deg: f64,
    /// Largest blur disc of the subject that still counts as in focus.
    #[schemars(range(min = 0.0, max = 1000.0))]
    pub subject_blur_photosites: f64,
    /// Widest and narrowest stop, as f-numbers.
    #[schemars(inner(range(min = 0.7, max = 64.0)), extend("x-default" = "two stops wider and one stop narrower than the present one"))]
    pub f_numbers: Option<[f64; 2]>,
    /// Light that may be lost, or made up for at the exposure index.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub light_stops: f64,
    /// Other frame rates that would do.
    #[schemars(length(min = 1, max = 16), inner(range(min = 0.1, max = 1000.0)), extend("x-default" = "none"))]
    pub frame_rates_fps: Option<Vec<f64>>,
    /// Pixel pitches of other walls that can be had.
    #[schemars(length(min = 1, max = 16), inner(range(min = 0.1, max = 100.0)), extend("x-default" = "none"))]
    pub wall_pitches_mm: Option<Vec<f64>>,
    /// Other cameras that can be had, by their preset.
    #[schemars(length(min = 1, max = 16), extend("x-default" = "none"))]
    pub cameras: Option<Vec<CameraPresetFile>>,
    /// Remedies that are not at hand, or not wanted.
    #[schemars(length(min = 1, max = 16), extend("x-default" = "none"))]
    pub without: Option<Vec<RemedyFile>>,
    /// Money for remedies, a day, in any currency.
    #[schemars(range(min = 0.0, max = 1e9), extend("x-default" = "no limit"))]
    pub money_per_day: Option<f64>,
    /// What remedies cost a day.
    pub prices_per_day: PricesFile,
}

impl Default for LimitsFile {
    fn default() -> Self {
        Self {
            distance_m: None,
            focal_mm: None,
            framing_percent: 10.0,
            turn_deg: 5.0,
            subject_blur_photosites: 3.0,
            f_numbers: None,
            light_stops: 1.0,
            frame_rates_fps: None,
            wall_pitches_mm: None,
            cameras: None,
            without: None,
            money_per_day: None,
            prices_per_day: PricesFile::default(),
        }
    }
}

/// Prices of remedies, in the currency of `limits.money_per_day`.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct PricesFile {
    /// A low-pass filter at the sensor.
    #[schemars(range(min = 0.0, max = 1e9), extend("x-default" = "not known"))]
    pub low_pass: Option<f64>,
    /// A low-pass filter in front of the lens.
    #[schemars(range(min = 0.0, max = 1e9), extend("x-default" = "not known"))]
    pub front_low_pass: Option<f64>,
    /// A diffuser for the wall.
    #[schemars(range(min = 0.0, max = 1e9), extend("x-default" = "not known"))]
    pub diffuser: Option<f64>,
    /// Another wall, over and above the present one.
    #[schemars(range(min = -1e9, max = 1e9), extend("x-default" = "not known"))]
    pub other_wall: Option<f64>,
    /// Another camera, over and above the present one.
    #[schemars(range(min = -1e9, max = 1e9), extend("x-default" = "not known"))]
    pub other_camera: Option<f64>,
}

/// One sort of remedy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RemedyFile {
    /// Another shutter.
    Shutter,
    /// Another frame rate.
    FrameRate,
    /// The camera nearer or farther.
    Distance,
    /// A shorter or longer lens.
    FocalLength,
    /// The camera nearer or farther, with the lens that keeps the framing.
    DistanceAndFocalLength,
    /// The focus off the wall.
    Focus,
    /// Another stop.
    Aperture,
    /// The camera panned.
    Pan,
    /// The camera rolled.
    Roll,
    /// A low-pass filter at the sensor.
    LowPass,
    /// A low-pass filter in front of the lens.
    FrontLowPass,
    /// A diffuser on the wall.
    Diffuser,
    /// Another wall.
    OtherWall,
    /// Another camera.
    OtherCamera,
}
