//! How the wall is put together, as written.

use super::schema;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// An arc of flat facets around an upright axis: its circle touches every facet at its middle, and the middle of the arc is
/// the origin of all positions.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["radius_m"]))]
pub struct ArcFile {
    /// Radius of the circle that the wall follows.
    #[schemars(range(min = 0.1, max = 1e12), extend("x-default" = "none: must be given"))]
    pub radius_m: f64,
    /// Which way it is bent, for a viewer in front of it.
    pub side: ArcSideFile,
    /// Wall pixels across one flat facet.
    #[schemars(range(min = 1, max = 100_000), extend("x-default" = "one cabinet"))]
    pub facet_px: Option<u32>,
}

impl Default for ArcFile {
    fn default() -> Self {
        Self { radius_m: 0.0, side: ArcSideFile::Concave, facet_px: None }
    }
}

/// Which way an arc is bent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ArcSideFile {
    /// Around the viewer: the ends come forward.
    Concave,
    /// Away from the viewer: the ends go back.
    Convex,
}

/// Cabinets that hang turned, so that emitters and scan turn with them; the picture stays upright.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct TurnedFile {
    /// How far they are turned, clockwise for a viewer: 90, 180 or 270 (0 for not at all).
    #[schemars(range(min = 0, max = 270))]
    pub clockwise_deg: u32,
    /// Which of them.
    pub which: WhichFile,
}

impl Default for TurnedFile {
    fn default() -> Self {
        Self { clockwise_deg: 180, which: WhichFile::All }
    }
}

/// Some of the cabinets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WhichFile {
    /// Every cabinet.
    All,
    /// The second, fourth, … column of cabinets.
    EverySecondColumn,
    /// The second, fourth, … row of cabinets.
    EverySecondRow,
    /// One cabinet: its column and row, counted from 1 at the top left.
    One(#[schemars(inner(range(min = 1, max = 100_000)))] [u32; 2]),
}

/// How cabinets differ from each other: standard deviations, drawn for every cabinet and kept within three of them.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct CabinetSpreadFile {
    /// In brightness.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub brightness_percent: f64,
    /// In each colour against the others.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub white_percent: f64,
    /// In when the drive starts: clocks that are not in step.
    #[schemars(range(min = 0.0, max = 1e6))]
    pub clock_us: f64,
}

/// Switches of what a wall brings with it.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct WallEffectsFile {
    /// The bend of the wall (`wall.arc`): off, it stands flat.
    #[schemars(schema_with = "schema::switch")]
    pub arc: bool,
    /// Gaps between cabinets (`wall.seam_mm`).
    #[schemars(schema_with = "schema::switch")]
    pub seams: bool,
    /// Cabinets that hang turned (`wall.cabinets_turned`).
    #[schemars(schema_with = "schema::switch")]
    pub turned: bool,
    /// Differences between cabinets (`wall.cabinet_spread`).
    #[schemars(schema_with = "schema::switch")]
    pub spread: bool,
    /// Emitters that give no light (`wall.dead_emitters_per_million`).
    #[schemars(schema_with = "schema::switch")]
    pub dead_emitters: bool,
    /// Room light that the wall's face reflects (`wall.ambient_lx`).
    #[schemars(schema_with = "schema::switch")]
    pub reflection: bool,
}

impl Default for WallEffectsFile {
    fn default() -> Self {
        Self {
            arc: true,
            seams: true,
            turned: true,
            spread: true,
            dead_emitters: true,
            reflection: true,
        }
    }
}
