//! The camera's recording mode and the shutter settings it offers, as written.

use super::{ScaleFilterFile, schema};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A recording mode. With it, the other keys of `camera` describe the full sensor, and the mode says what it does with it.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ModeFile {
    /// Photosites across and down the part of the sensor that is in use, in its middle.
    #[schemars(inner(range(min = 8, max = 65_536)), extend("x-default" = "the whole sensor"))]
    pub area_photosites: Option<[u32; 2]>,
    /// Line skipping: of so many columns, and of so many rows, one is read; with a Bayer mosaic they go in pairs, so that the
    /// colours stay in place. [1, 1] reads all, [1, 3] one pair of rows in three.
    #[schemars(inner(range(min = 1, max = 16)))]
    pub read_one_of: [u32; 2],
    /// Binning: so many neighbours of one colour, across and down, are joined into one recorded photosite.
    #[schemars(inner(range(min = 1, max = 8)))]
    pub bin: [u32; 2],
    /// How they are joined.
    pub bin_as: BinAsFile,
    /// Time from the start of the first row to the end of the last row's turn, rows that are read only.
    #[schemars(
        range(min = 0.001, max = 10_000.0),
        extend("x-default" = "the full sensor's time for as many rows")
    )]
    pub readout_ms: Option<f64>,
    /// Bits of a raw level.
    #[schemars(range(min = 8, max = 16), extend("x-default" = "camera.bits"))]
    pub bits: Option<u32>,
    /// Scaling in the camera: pixels across and down its recording. Delivery scales from there. A `crop` leaves it out, and
    /// raw files show the photosites before it.
    #[schemars(inner(range(min = 1, max = 65_536)), extend("x-default" = "none"))]
    pub scale_to_px: Option<[u32; 2]>,
    /// Filter of that scaling, which works on linear light.
    pub scale_filter: ScaleFilterFile,
}

impl Default for ModeFile {
    fn default() -> Self {
        Self {
            area_photosites: None,
            read_one_of: [1; 2],
            bin: [1; 2],
            bin_as: BinAsFile::Levels,
            readout_ms: None,
            bits: None,
            scale_to_px: None,
            scale_filter: ScaleFilterFile::Cubic,
        }
    }
}

/// How photosites are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum BinAsFile {
    /// Their charges are added before they are read: read noise comes once, and rows that are joined are read in one turn.
    Charge,
    /// Each is read in its own turn, with its own read noise; the levels are averaged and rounded.
    Levels,
}

/// Shutter settings that the camera offers; all lists and steps together. A scene with another setting gets a note.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ShutterOfferedFile {
    /// Shutter angles.
    #[schemars(length(min = 1, max = 100), inner(range(min = 0.01, max = 360.0)), extend("x-default" = "none"))]
    pub angles_deg: Option<Vec<f64>>,
    /// Shutter angles in even steps: every whole number of times this, up to 360.
    #[schemars(range(min = 0.01, max = 360.0), extend("x-default" = "none"))]
    pub angle_step_deg: Option<f64>,
    /// Fractions of a second, such as [1/50, 1/60].
    #[schemars(schema_with = "schema::shutters", extend("x-default" = "none"))]
    pub speeds: Option<Vec<f64>>,
}
