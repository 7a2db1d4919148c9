//! The scene as written in its file: plain structs with a unit in every key's name, and their
//! JSON Schema, from which the reader of the file, the key reference and an editor's completion
//! all work, so that they cannot drift apart.
//!
//! Rules: no tagged, untagged or flattened enums; a choice is a word or a map with a single key.

/// Help sentences of keys that mean the same wherever they stand.
macro_rules! shared_help {
    (length) => {
        "The same as a length with its unit."
    };
    (colour_share) => {
        "Share of red, green and blue in that light."
    };
}

mod advice;
mod build;
pub mod by_hand;
mod camera;
mod delivery;
mod drive;
mod foreground;
mod judging;
mod mode;
mod moves;
mod other_light;
mod preset;
mod schema;
mod shape;
mod unknown;
mod wall;
mod yaml;

pub use advice::*;
pub use build::*;
pub use camera::*;
pub use delivery::*;
pub use drive::*;
pub use foreground::*;
pub use judging::*;
pub use mode::*;
pub use moves::*;
pub use other_light::*;
pub use preset::*;
pub use schema::{Walkable, editor_schema, key_reference, kind_of, schema, unit_of};
pub use shape::{Read, allowed, read};
pub use unknown::{typical, whom_to_ask};
pub use wall::*;
pub use yaml::{Key, Node, Value, parse};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A scene: an LED wall, what it shows and how it is driven, and the camera that looks at it.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["wall", "lens", "placement"]))]
pub struct SceneFile {
    /// Free text about the scene, for people.
    pub about: Option<String>,
    /// The LED wall.
    pub wall: WallFile,
    /// How the wall's light is switched over time.
    pub drive: DriveFile,
    /// What the wall shows.
    pub content: ContentFile,
    /// The person or thing in front of the wall.
    pub subject: SubjectFile,
    /// A picture that stands before the wall.
    #[schemars(extend("x-default" = "none"))]
    pub foreground: Option<ForegroundFile>,
    /// Other lamps in shot whose light pulses.
    #[schemars(length(min = 1, max = 16), extend("x-default" = "none"))]
    pub other_light: Option<Vec<OtherLightFile>>,
    /// The lens.
    pub lens: LensFile,
    /// Filters at the lens and at the sensor.
    pub filters: FiltersFile,
    /// The camera and its recording mode.
    pub camera: CameraFile,
    /// Where the camera stands and how it is turned.
    pub placement: PlacementFile,
    /// Moves of the camera during the shot.
    #[schemars(extend("x-default" = "none"))]
    pub moves: Option<MovesFile>,
    /// The picture that is delivered; or a list of pictures, each with a `name`, developed from the same raw frame.
    #[schemars(with = "DeliveryFile", extend("x-or-list" = true))]
    pub delivery: DeliveriesFile,
    /// How the picture is watched, for verdicts.
    pub viewing: ViewingFile,
    /// How far the set may be off its plan, for verdicts.
    pub tolerances: TolerancesFile,
    /// How far advice may go.
    pub limits: LimitsFile,
    /// Switches that take single physical effects out, to look at one alone.
    pub effects: EffectsFile,
}

/// Which physical effects take part.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct EffectsFile {
    /// Diffraction at the iris.
    pub diffraction: DiffractionFile,
    /// Blur of what is out of focus.
    #[schemars(schema_with = "schema::switch")]
    pub defocus: bool,
    /// Blur of the lens itself (`lens.aberration_um`).
    #[schemars(schema_with = "schema::switch")]
    pub aberration: bool,
    /// The low-pass filter at the sensor (`filters.low_pass`).
    #[schemars(schema_with = "schema::switch")]
    pub low_pass: bool,
    /// The low-pass filter in front of the lens (`filters.front_low_pass`).
    #[schemars(schema_with = "schema::switch")]
    pub front_low_pass: bool,
    /// Darkening towards the corners with the fourth power of the cosine of the field angle.
    #[schemars(schema_with = "schema::switch")]
    pub natural_vignetting: bool,
    /// Radial distortion (`lens.distortion_percent`).
    #[schemars(schema_with = "schema::switch")]
    pub distortion: bool,
    /// Emitters get darker when seen from the side (`half_angle_deg`).
    #[schemars(schema_with = "schema::switch")]
    pub viewing_angle: bool,
    /// The diffuser in front of the wall (`wall.diffuser`): its blur and its loss of light.
    #[schemars(schema_with = "schema::switch")]
    pub diffuser: bool,
    /// What stands before the wall (`foreground`).
    #[schemars(schema_with = "schema::switch")]
    pub foreground: bool,
    /// What the wall brings with it.
    pub wall: WallEffectsFile,
    /// Noise of light and camera.
    #[schemars(schema_with = "schema::switch")]
    pub noise: bool,
    /// The recording mode (`camera.mode`); without it the whole sensor is read, photosite by photosite.
    #[schemars(schema_with = "schema::switch")]
    pub mode: bool,
    /// Anamorphic squeeze (`lens.squeeze`); without it the lens is spherical.
    #[schemars(schema_with = "schema::switch")]
    pub squeeze: bool,
    /// Moves of the camera (`moves`); without them it stays where `placement` and `lens` put it.
    #[schemars(schema_with = "schema::switch")]
    pub moves: bool,
}

impl Default for EffectsFile {
    fn default() -> Self {
        Self {
            diffraction: DiffractionFile::Wave,
            defocus: true,
            aberration: true,
            low_pass: true,
            front_low_pass: true,
            natural_vignetting: true,
            distortion: true,
            viewing_angle: true,
            diffuser: true,
            foreground: true,
            wall: WallEffectsFile::default(),
            noise: true,
            mode: true,
            squeeze: true,
            moves: true,
        }
    }
}

/// How diffraction enters.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DiffractionFile {
    /// No diffraction.
    Off,
    /// The diffraction spot laid over the geometric blur disc: quick, too soft near focus.
    Convolved,
    /// The light wave through the defocused iris.
    Wave,
}
