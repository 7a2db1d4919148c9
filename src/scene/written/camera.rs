//! Subject, lens, filters, camera, placement and delivery, as written.

use super::mode::{ModeFile, ShutterOfferedFile};
use super::preset::{CameraPresetFile, LowPassPresetFile};
use super::schema;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Where the subject stands.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct SubjectFile {
    /// Distance from the camera along the lens axis, from where `placement.measured_from` says.
    #[schemars(range(min = 0.01, max = 100_000.0))]
    pub distance_m: Option<f64>,
    #[doc = shared_help!(length)]
    #[schemars(schema_with = "schema::length")]
    pub distance: Option<f64>,
    /// Distance in front of the wall, along the lens axis.
    #[schemars(range(min = 0.0, max = 100_000.0))]
    pub in_front_of_wall_m: Option<f64>,
    #[doc = shared_help!(length)]
    #[schemars(schema_with = "schema::length")]
    pub in_front_of_wall: Option<f64>,
}

/// The lens, a thin lens.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["focal_mm"]))]
pub struct LensFile {
    /// Focal length.
    #[schemars(range(min = 1.0, max = 2000.0))]
    pub focal_mm: Option<f64>,
    /// Geometric f-number. Give this or `t_stop`, or both.
    #[schemars(range(min = 0.5, max = 128.0), extend("x-default" = "the T-stop"))]
    pub f_number: Option<f64>,
    /// T-stop: the f-number of a lossless lens that passes as much light.
    #[schemars(range(min = 0.5, max = 128.0), extend("x-default" = "the f-number"))]
    pub t_stop: Option<f64>,
    /// What is in focus.
    pub focus: FocusFile,
    /// Blur of the lens itself: σ of a Gaussian on the sensor.
    #[schemars(
        range(min = 0.0, max = 1000.0),
        extend("x-default" = "2, unless aberration_mtf50_cycles_per_mm is given")
    )]
    pub aberration_um: Option<f64>,
    /// The same blur as the frequency at which it leaves half the contrast.
    #[schemars(range(min = 0.1, max = 10_000.0))]
    pub aberration_mtf50_cycles_per_mm: Option<f64>,
    /// Opening of the iris.
    pub iris: IrisFile,
    /// Radial distortion at the corner of the sensor; negative is barrel.
    #[schemars(range(min = -30.0, max = 30.0))]
    pub distortion_percent: f64,
    /// Anamorphic squeeze: how much more the lens takes in across than upright. 1 is a spherical lens; `focal_mm` is that of
    /// the upright. Delivery takes the squeeze out again.
    #[schemars(range(min = 1.0, max = 3.0))]
    pub squeeze: f64,
}

impl Default for LensFile {
    fn default() -> Self {
        Self {
            focal_mm: None,
            f_number: None,
            t_stop: None,
            focus: FocusFile::default(),
            aberration_um: None,
            aberration_mtf50_cycles_per_mm: None,
            iris: IrisFile::Round,
            distortion_percent: 0.0,
            squeeze: 1.0,
        }
    }
}

/// What is in focus. Give one of `distance_m`, `distance` and `on`.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct FocusFile {
    /// Distance in focus, along the lens axis.
    #[schemars(range(min = 0.01, max = 1_000_000.0))]
    pub distance_m: Option<f64>,
    #[doc = shared_help!(length)]
    #[schemars(schema_with = "schema::length")]
    pub distance: Option<f64>,
    /// Focus on the subject or on the wall.
    #[schemars(extend("x-default" = "subject if there is one, else wall"))]
    pub on: Option<FocusOnFile>,
    /// Where the tape for `distance` is held.
    #[schemars(extend("x-default" = "placement.measured_from"))]
    pub measured_from: Option<MeasuredFromFile>,
}

/// Something to focus on.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FocusOnFile {
    /// The subject.
    Subject,
    /// The wall, where the lens axis meets it.
    Wall,
}

/// Where a tape is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MeasuredFromFile {
    /// The sensor-plane mark on the camera.
    Sensor,
    /// The lens (of the model: its optical centre).
    Lens,
}

/// Opening of the iris.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum IrisFile {
    /// A circle.
    Round,
    /// A polygon inscribed in the circle.
    Bladed(BladedFile),
}

/// A bladed iris.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct BladedFile {
    /// Number of blades.
    #[schemars(range(min = 3, max = 20))]
    pub blades: u32,
    /// Turn, anticlockwise seen from behind the camera; 0 puts one corner to the right.
    #[schemars(range(min = -360.0, max = 360.0))]
    pub rotation_deg: f64,
}

impl Default for BladedFile {
    fn default() -> Self {
        Self { blades: 9, rotation_deg: 0.0 }
    }
}

/// Filters.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct FiltersFile {
    /// Optical low-pass filter at the sensor: doubles every point, across and upright.
    #[schemars(extend("x-default" = "none"))]
    pub low_pass: Option<LowPassFile>,
    /// Optical low-pass filter in front of the lens: doubles every direction, across and upright, so that it blurs
    /// more the longer the lens. It may stand together with `low_pass`.
    #[schemars(extend("x-default" = "none"))]
    pub front_low_pass: Option<FrontLowPassFile>,
    /// Neutral density.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub neutral_density_stops: f64,
}

/// An optical low-pass filter. Give `separation_um` or `separation_photosites`, or the two
/// directions one by one.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct LowPassFile {
    /// A strength by its name; keys that are written win. `low_pass: standard` alone says the same.
    #[schemars(extend("x-default" = "none"))]
    pub preset: Option<LowPassPresetFile>,
    /// Distance of the doubled points on the sensor.
    #[schemars(range(min = 0.0, max = 1000.0))]
    pub separation_um: Option<f64>,
    /// The same in photosites.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub separation_photosites: Option<f64>,
    /// Distance across only.
    #[schemars(range(min = 0.0, max = 1000.0), extend("x-default" = "separation_um"))]
    pub across_um: Option<f64>,
    /// Distance upright only.
    #[schemars(range(min = 0.0, max = 1000.0), extend("x-default" = "separation_um"))]
    pub upright_um: Option<f64>,
}

/// An optical low-pass filter in front of the lens. Give `split_arcmin`, or the two directions one by one.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct FrontLowPassFile {
    /// Angle between the doubled directions, in minutes of arc.
    #[schemars(range(min = 0.0, max = 60.0))]
    pub split_arcmin: Option<f64>,
    /// Angle across only.
    #[schemars(range(min = 0.0, max = 60.0), extend("x-default" = "split_arcmin"))]
    pub across_arcmin: Option<f64>,
    /// Angle upright only.
    #[schemars(range(min = 0.0, max = 60.0), extend("x-default" = "split_arcmin"))]
    pub upright_arcmin: Option<f64>,
}

/// The camera. The defaults describe a typical cinema camera.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct CameraFile {
    /// Kit to start from: typical values, not a product. It also sets the low-pass filter at the sensor. Keys that are
    /// written win; `gridbeat presets` lists every value.
    #[schemars(extend("x-default" = "none"))]
    pub preset: Option<CameraPresetFile>,
    /// Photosites across and down the sensor; without a `mode`, the area that is read.
    #[schemars(inner(range(min = 8, max = 65_536)))]
    pub photosites: [u32; 2],
    /// Distance between the centres of neighbouring photosites. Give this or `sensor_mm`.
    #[schemars(range(min = 0.3, max = 100.0), extend("x-default" = "6, unless sensor_mm is given"))]
    pub photosite_pitch_um: Option<f64>,
    /// Width and height of the sensor; without a `mode`, of the area that is read.
    #[schemars(inner(range(min = 0.5, max = 200.0)))]
    pub sensor_mm: Option<[f64; 2]>,
    /// Layout of the colours.
    pub mosaic: MosaicFile,
    /// Light-sensitive share of a photosite's area, microlens included.
    #[schemars(range(min = 1.0, max = 100.0))]
    pub fill_factor_percent: f64,
    /// Rolling or global shutter.
    pub readout: ReadoutFile,
    /// Frames per second; 23.976 and its family are taken exactly, `24000/1001` is understood.
    #[schemars(schema_with = "schema::rate")]
    pub frame_rate_fps: f64,
    /// Exposure as an angle of the frame. Give one of this, `shutter_speed` and `exposure_ms`.
    #[schemars(
        range(min = 0.01, max = 360.0),
        extend("x-default" = "180, unless the exposure is given")
    )]
    pub shutter_angle_deg: Option<f64>,
    /// Exposure as a fraction of a second, such as 1/50.
    #[schemars(schema_with = "schema::shutter")]
    pub shutter_speed: Option<f64>,
    /// Exposure.
    #[schemars(range(min = 0.0001, max = 10_000.0))]
    pub exposure_ms: Option<f64>,
    /// Exposure index (ISO).
    #[schemars(range(min = 1.0, max = 1_000_000.0))]
    pub exposure_index: f64,
    /// Electrons a photosite holds.
    #[schemars(range(min = 10.0, max = 10_000_000.0))]
    pub full_well_e: f64,
    /// Read noise, one standard deviation.
    #[schemars(range(min = 0.0, max = 10_000.0))]
    pub read_noise_e: f64,
    /// Spread of the photosites' sensitivity, one standard deviation.
    #[schemars(range(min = 0.0, max = 50.0))]
    pub response_spread_percent: f64,
    /// Bits of a raw level.
    #[schemars(range(min = 8, max = 16))]
    pub bits: u32,
    /// Raw level without light.
    #[schemars(range(min = 0, max = 65_535), extend("x-default" = "1/16 of the raw range"))]
    pub black_level: Option<u32>,
    /// The same seed gives the same noise.
    #[schemars(range(min = 0, max = 9_007_199_254_740_991_u64))]
    pub noise_seed: u64,
    /// Electrons per photon: a row for each photosite colour (red, green, blue), a column for
    /// each emitter colour.
    #[schemars(inner(inner(range(min = 0.0, max = 1.0))))]
    pub matrix: [[f64; 3]; 3],
    /// The part of the sensor that is recorded; with a `mode`, the part of what it records.
    #[schemars(extend("x-default" = "all of it"))]
    pub crop: Option<CropFile>,
    /// Recording mode: which part of the sensor it reads, with which gaps, what it joins, how long that takes.
    #[schemars(extend("x-default" = "the whole sensor, photosite by photosite"))]
    pub mode: Option<ModeFile>,
    /// Shutter settings that the camera offers.
    #[schemars(extend("x-default" = "any"))]
    pub shutter_offered: Option<ShutterOfferedFile>,
}

impl Default for CameraFile {
    fn default() -> Self {
        Self {
            preset: None,
            photosites: [3840, 2160],
            photosite_pitch_um: None,
            sensor_mm: None,
            mosaic: MosaicFile::Rggb,
            fill_factor_percent: 90.0,
            readout: ReadoutFile::Rolling(RollingFile::default()),
            frame_rate_fps: 24.0,
            shutter_angle_deg: None,
            shutter_speed: None,
            exposure_ms: None,
            exposure_index: 800.0,
            full_well_e: 40_000.0,
            read_noise_e: 4.0,
            response_spread_percent: 0.5,
            bits: 12,
            black_level: None,
            noise_seed: 1,
            // Typical of a colour filter array under narrow red, green and blue light.
            matrix: [[0.42, 0.04, 0.02], [0.06, 0.46, 0.10], [0.01, 0.07, 0.40]],
            crop: None,
            mode: None,
            shutter_offered: None,
        }
    }
}

/// Layout of the photosite colours; a Bayer mosaic is named by its top left four.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MosaicFile {
    /// Red, green, green, blue.
    Rggb,
    /// Green, red, blue, green.
    Grbg,
    /// Green, blue, red, green.
    Gbrg,
    /// Blue, green, green, red.
    Bggr,
    /// No colours.
    Monochrome,
    /// Every photosite records all three colours.
    FullPlanes,
}

/// Shutter.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReadoutFile {
    /// All rows at once.
    Global,
    /// Row after row.
    Rolling(RollingFile),
}

/// A rolling shutter.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct RollingFile {
    /// Time from the start of the first row to the end of the last row's turn.
    #[schemars(
        range(min = 0.001, max = 10_000.0),
        extend("x-default" = "12, or 9/10 of the frame where that is shorter")
    )]
    pub readout_ms: Option<f64>,
    /// Which row starts.
    pub direction: ReadoutDirectionFile,
}

impl Default for RollingFile {
    fn default() -> Self {
        Self { readout_ms: None, direction: ReadoutDirectionFile::TopDown }
    }
}

/// Direction of the readout, in the upright picture.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReadoutDirectionFile {
    /// The top row starts.
    TopDown,
    /// The bottom row starts.
    BottomUp,
}

/// A part of the sensor, in photosites from the top left.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["width", "height"]))]
pub struct CropFile {
    /// First column.
    #[schemars(range(min = 0, max = 65_535))]
    pub x: u32,
    /// First row.
    #[schemars(range(min = 0, max = 65_535))]
    pub y: u32,
    /// Columns.
    #[schemars(range(min = 1, max = 65_536), extend("x-default" = "none: must be given"))]
    pub width: u32,
    /// Rows.
    #[schemars(range(min = 1, max = 65_536), extend("x-default" = "none: must be given"))]
    pub height: u32,
}

/// Where the camera stands and how it is turned.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct PlacementFile {
    /// Distance from the camera to the wall. Give this or `distance`.
    #[schemars(range(min = 0.01, max = 10_000.0))]
    pub distance_m: Option<f64>,
    /// The same as a length with its unit, such as `13 ft 2 in`.
    #[schemars(schema_with = "schema::length")]
    pub distance: Option<f64>,
    /// Where the tape is held at the camera.
    pub measured_from: MeasuredFromFile,
    /// Where the tape goes: along the lens axis, or square to the wall. In front of an arc always square to the plane that
    /// touches its middle.
    pub measured_along: MeasuredAlongFile,
    /// Camera to the right of the wall's centre, for a viewer who faces the wall.
    #[schemars(range(min = -10_000.0, max = 10_000.0), extend("x-default" = "0"))]
    pub lateral_m: Option<f64>,
    #[doc = shared_help!(length)]
    #[schemars(schema_with = "schema::length")]
    pub lateral: Option<f64>,
    /// Camera above the wall's centre.
    #[schemars(range(min = -10_000.0, max = 10_000.0), extend("x-default" = "0"))]
    pub vertical_m: Option<f64>,
    #[doc = shared_help!(length)]
    #[schemars(schema_with = "schema::length")]
    pub vertical: Option<f64>,
    /// The point of the wall that the lens axis meets: right of and above the wall's centre.
    #[schemars(
        inner(range(min = -10_000.0, max = 10_000.0)),
        extend("x-default" = "none: straight ahead, then pan and tilt")
    )]
    pub aim_m: Option<[f64; 2]>,
    /// Turn to the right. Not together with `aim_m`.
    #[schemars(range(min = -180.0, max = 180.0), extend("x-default" = "0"))]
    pub pan_deg: Option<f64>,
    /// Turn upwards. Not together with `aim_m`.
    #[schemars(range(min = -90.0, max = 90.0), extend("x-default" = "0"))]
    pub tilt_deg: Option<f64>,
    /// Turn clockwise, seen from behind the camera.
    #[schemars(range(min = -180.0, max = 180.0))]
    pub roll_deg: f64,
}

impl Default for PlacementFile {
    fn default() -> Self {
        Self {
            distance_m: None,
            distance: None,
            measured_from: MeasuredFromFile::Sensor,
            measured_along: MeasuredAlongFile::LensAxis,
            lateral_m: None,
            lateral: None,
            vertical_m: None,
            vertical: None,
            aim_m: None,
            pan_deg: None,
            tilt_deg: None,
            roll_deg: 0.0,
        }
    }
}

/// Where the tape goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MeasuredAlongFile {
    /// To the point of the wall that the lens looks at.
    LensAxis,
    /// To the nearest point of the wall's plane.
    SquareToWall,
}
