//! The wall, its drive and its content, as written.

use super::build::{ArcFile, CabinetSpreadFile, TurnedFile};
use super::preset::WallPresetFile;
use super::{DimmingFile, schema};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The LED wall; its centre is the origin of all positions.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["pixel_pitch_mm"]))]
pub struct WallFile {
    /// Kit to start from: typical values, not a product. It also sets how the wall is driven. Keys that are written
    /// win; `gridbeat presets` lists every value.
    #[schemars(extend("x-default" = "none"))]
    pub preset: Option<WallPresetFile>,
    /// Distance between the centres of neighbouring wall pixels.
    #[schemars(range(min = 0.1, max = 100.0))]
    pub pixel_pitch_mm: Option<f64>,
    /// Wall pixels across and down. Give this, or `cabinets`.
    #[schemars(inner(range(min = 1, max = 100_000)))]
    pub size_px: Option<[u32; 2]>,
    /// Cabinets across and down; needs `cabinet_px`.
    #[schemars(inner(range(min = 1, max = 1000)))]
    pub cabinets: Option<[u32; 2]>,
    /// Pixels across and down one cabinet: scan rows count from the top of each.
    #[schemars(inner(range(min = 1, max = 100_000)), extend("x-default" = "the whole wall is one"))]
    pub cabinet_px: Option<[u32; 2]>,
    /// How the emitters are built; sets typical sizes and offsets from the pitch.
    pub packaging: PackagingFile,
    /// The emitters, colour by colour, where they differ from the packaging's typical values.
    pub emitters: EmittersFile,
    /// Luminance of full white at full brightness, straight on, averaged over pixels and time.
    #[schemars(range(min = 0.1, max = 100_000.0))]
    pub white_nits: f64,
    /// Brightness the wall is run at.
    #[schemars(range(min = 0.1, max = 100.0))]
    pub brightness_percent: f64,
    /// How the wall dims below full brightness. Where that is not known, shorter pulses are assumed: the worse case.
    pub dimming: DimmingFile,
    /// CIE 1931 chromaticity x, y of full white.
    #[schemars(inner(range(min = 0.0, max = 1.0)))]
    pub white_xy: [f64; 2],
    /// From code value to light.
    pub transfer: TransferFile,
    /// Bits of a code value.
    #[schemars(range(min = 1, max = 16))]
    pub bits: u32,
    /// A diffuser in front of the wall: a sheet that blurs the emitters into each other.
    #[schemars(extend("x-default" = "none"))]
    pub diffuser: Option<DiffuserFile>,
    /// Bends the wall into an arc of flat facets.
    #[schemars(extend("x-default" = "none: flat"))]
    pub arc: Option<ArcFile>,
    /// Gap between neighbouring cabinets beyond the pixel pitch, on both axes.
    #[schemars(range(min = 0.0, max = 1000.0))]
    pub seam_mm: f64,
    /// Cabinets that hang turned.
    #[schemars(extend("x-default" = "none"))]
    pub cabinets_turned: Option<TurnedFile>,
    /// How cabinets differ from each other.
    pub cabinet_spread: CabinetSpreadFile,
    /// Emitters that give no light, of a million.
    #[schemars(range(min = 0.0, max = 1e6))]
    pub dead_emitters_per_million: f64,
    /// What the differences of cabinets and the dead emitters are drawn from.
    #[schemars(range(min = 0, max = 9_007_199_254_740_991_u64))]
    pub seed: u64,
    /// Light that the face of the wall reflects, emitters and the dark between them together.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub reflectance_percent: f64,
    /// Room light that falls on the wall, taken as light of the wall's white that does not flicker.
    #[schemars(range(min = 0.0, max = 1e6))]
    pub ambient_lx: f64,
}

impl Default for WallFile {
    fn default() -> Self {
        Self {
            preset: None,
            pixel_pitch_mm: None,
            size_px: None,
            cabinets: None,
            cabinet_px: None,
            packaging: PackagingFile::SurfaceMount,
            emitters: EmittersFile::default(),
            white_nits: 1500.0,
            brightness_percent: 100.0,
            dimming: DimmingFile::Unknown,
            white_xy: [0.3127, 0.3290],
            transfer: TransferFile::Gamma(2.2),
            bits: 10,
            diffuser: None,
            arc: None,
            seam_mm: 0.0,
            cabinets_turned: None,
            cabinet_spread: CabinetSpreadFile::default(),
            dead_emitters_per_million: 0.0,
            seed: 1,
            reflectance_percent: 5.0,
            ambient_lx: 0.0,
        }
    }
}

/// A diffuser; what is left out is typical of a thin diffusing sheet, not any product's.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct DiffuserFile {
    /// Distance from the wall's face.
    #[schemars(range(min = 0.0, max = 1000.0))]
    pub stand_off_mm: f64,
    /// How far it scatters light: full angle at half of the maximum.
    #[schemars(range(min = 0.0, max = 150.0))]
    pub scatter_fwhm_deg: f64,
    /// Light that it passes.
    #[schemars(range(min = 1.0, max = 100.0))]
    pub transmission_percent: f64,
}

impl Default for DiffuserFile {
    fn default() -> Self {
        Self { stand_off_mm: 5.0, scatter_fwhm_deg: 20.0, transmission_percent: 70.0 }
    }
}

/// Common ways to build a wall pixel. Sizes are typical shares of the pitch, not any product's.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PackagingFile {
    /// Single lamps with round lenses: red above, green left below, blue right below.
    ThroughHole,
    /// Three small chips in one package, red, green, blue from top to bottom.
    SurfaceMount,
    /// Bare chips close together on the board, red, green, blue from top to bottom.
    ChipOnBoard,
}

/// Settings of single emitter colours.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct EmittersFile {
    /// The red emitter.
    pub red: EmitterFile,
    /// The green emitter.
    pub green: EmitterFile,
    /// The blue emitter.
    pub blue: EmitterFile,
}

/// One emitter colour; whatever is left out comes from the packaging.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct EmitterFile {
    /// Shape and size of the light-giving face.
    #[schemars(extend("x-default" = "from the packaging"))]
    pub shape: Option<ShapeFile>,
    /// Centre of the emitter from the centre of its pixel: right and up, as a viewer sees it.
    #[schemars(inner(range(min = -100.0, max = 100.0)), extend("x-default" = "from the packaging"))]
    pub offset_mm: Option<[f64; 2]>,
    /// Peak wavelength.
    #[schemars(
        range(min = 380.0, max = 780.0),
        extend("x-default" = "625 red, 525 green, 465 blue")
    )]
    pub peak_nm: Option<f64>,
    /// Width of the spectrum at half its height.
    #[schemars(range(min = 1.0, max = 150.0), extend("x-default" = "18 red, 33 green, 24 blue"))]
    pub linewidth_nm: Option<f64>,
    /// CIE 1931 chromaticity x, y.
    #[schemars(
        inner(range(min = 0.0, max = 1.0)),
        extend("x-default" = "from peak and width of the spectrum")
    )]
    pub xy: Option<[f64; 2]>,
    /// Angle off the normal at which it shines half as bright as straight on.
    #[schemars(range(min = 5.0, max = 89.0), extend("x-default" = "from the packaging"))]
    pub half_angle_deg: Option<f64>,
}

/// Shape of an emitter.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ShapeFile {
    /// Width and height of a rectangle.
    RectangleMm(#[schemars(schema_with = "schema::size_mm")] [f64; 2]),
    /// Diameter of a disc.
    DiscMm(#[schemars(schema_with = "schema::diameter_mm")] f64),
}

/// Transfer curve of the wall.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TransferFile {
    /// Light is proportional to the code value.
    Linear,
    /// The sRGB curve.
    Srgb,
    /// Light is the code value to this power.
    Gamma(#[schemars(schema_with = "schema::gamma")] f64),
}

/// What the wall shows. Light is given in percent of full white and set to the nearest code value.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ContentFile {
    /// One colour.
    Solid(SolidFile),
    /// A ramp of light from one side to the other.
    Ramp(RampFile),
    /// A chessboard.
    Checker(CheckerFile),
    /// Stripes.
    Stripes(StripesFile),
    /// Rings that grow finer towards the edge.
    ZonePlate(ZonePlateFile),
    /// A random code value for every pixel and colour, for tests.
    Random(RandomFile),
    /// A picture.
    Image(ImageFile),
    /// Numbered pictures, one after the other on the wall's clock.
    Sequence(SequenceFile),
}

impl Default for ContentFile {
    fn default() -> Self {
        Self::Solid(SolidFile::default())
    }
}

/// One colour.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct SolidFile {
    /// Light, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub light_percent: f64,
    #[doc = shared_help!(colour_share)]
    #[schemars(inner(range(min = 0.0, max = 100.0)))]
    pub colour_percent: [f64; 3],
}

impl Default for SolidFile {
    fn default() -> Self {
        Self { light_percent: 50.0, colour_percent: [100.0; 3] }
    }
}

/// A ramp of light.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct RampFile {
    /// Which way the light changes.
    pub direction: DirectionFile,
    /// Light at the left or top, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub from_percent: f64,
    /// Light at the right or bottom, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub to_percent: f64,
    #[doc = shared_help!(colour_share)]
    #[schemars(inner(range(min = 0.0, max = 100.0)))]
    pub colour_percent: [f64; 3],
}

impl Default for RampFile {
    fn default() -> Self {
        Self {
            direction: DirectionFile::Across,
            from_percent: 0.0,
            to_percent: 100.0,
            colour_percent: [100.0; 3],
        }
    }
}

/// A direction on the wall.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DirectionFile {
    /// From left to right.
    Across,
    /// From top to bottom.
    Down,
}

/// A chessboard whose top left square is light.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct CheckerFile {
    /// Side of a square, in wall pixels.
    #[schemars(range(min = 1, max = 100_000))]
    pub square_px: u32,
    /// Light of the light squares, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub light_percent: f64,
    /// Light of the dark squares, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub dark_percent: f64,
    #[doc = shared_help!(colour_share)]
    #[schemars(inner(range(min = 0.0, max = 100.0)))]
    pub colour_percent: [f64; 3],
}

impl Default for CheckerFile {
    fn default() -> Self {
        Self { square_px: 8, light_percent: 100.0, dark_percent: 0.0, colour_percent: [100.0; 3] }
    }
}

/// Stripes, the first one light.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct StripesFile {
    /// Which way light and dark follow each other: `across` makes upright stripes.
    pub direction: DirectionFile,
    /// Width of one stripe, in wall pixels.
    #[schemars(range(min = 1, max = 100_000))]
    pub width_px: u32,
    /// Light of the light stripes, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub light_percent: f64,
    /// Light of the dark stripes, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub dark_percent: f64,
    #[doc = shared_help!(colour_share)]
    #[schemars(inner(range(min = 0.0, max = 100.0)))]
    pub colour_percent: [f64; 3],
}

impl Default for StripesFile {
    fn default() -> Self {
        Self {
            direction: DirectionFile::Across,
            width_px: 4,
            light_percent: 100.0,
            dark_percent: 0.0,
            colour_percent: [100.0; 3],
        }
    }
}

/// Rings around the wall's centre.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ZonePlateFile {
    /// Distance from ring to ring at the nearest edge of the wall, in wall pixels.
    #[schemars(range(min = 2.0, max = 100_000.0))]
    pub edge_period_px: f64,
    /// Light of the light rings, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub light_percent: f64,
    /// Light of the dark rings, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub dark_percent: f64,
    #[doc = shared_help!(colour_share)]
    #[schemars(inner(range(min = 0.0, max = 100.0)))]
    pub colour_percent: [f64; 3],
}

impl Default for ZonePlateFile {
    fn default() -> Self {
        Self {
            edge_period_px: 4.0,
            light_percent: 100.0,
            dark_percent: 0.0,
            colour_percent: [100.0; 3],
        }
    }
}

/// Random code values.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct RandomFile {
    /// The same seed gives the same picture.
    #[schemars(range(min = 0, max = 9_007_199_254_740_991_u64))]
    pub seed: u64,
}

impl Default for RandomFile {
    fn default() -> Self {
        Self { seed: 1 }
    }
}

/// A picture: its values are taken as code values of the wall, whatever its colour profile says.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["file"]))]
pub struct ImageFile {
    /// PNG or JPEG, its path from the scene file's folder.
    #[schemars(extend("x-default" = "none: must be given"))]
    pub file: String,
    /// How the picture is laid on the wall.
    pub map: MapFile,
    /// Light around the picture, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub border_percent: f64,
}

impl Default for ImageFile {
    fn default() -> Self {
        Self { file: String::new(), map: MapFile::Fill, border_percent: 0.0 }
    }
}

/// Numbered pictures. The wall shows in each of its video frames the picture of the moment that the frame starts; wall time 0
/// is the first picture's.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(extend("required" = ["files"]))]
pub struct SequenceFile {
    /// PNG or JPEG files, `####` or `%04d` where the number stands; the path counts from the scene file's folder.
    #[schemars(extend("x-default" = "none: must be given"))]
    pub files: String,
    /// Number of the first picture.
    #[schemars(range(min = 0, max = 100_000_000))]
    pub first: u32,
    /// How many pictures.
    #[schemars(
        range(min = 1, max = 1_000_000),
        extend("x-default" = "as many as there are without a gap")
    )]
    pub pictures: Option<u32>,
    /// Pictures a second; 23.976 and its family are taken exactly.
    #[schemars(schema_with = "schema::rate", extend("x-default" = "the wall's video rate"))]
    pub frame_rate_fps: Option<f64>,
    /// What comes after the last picture.
    pub at_end: AtEndFile,
    /// How the pictures are laid on the wall.
    pub map: MapFile,
    /// Light around the pictures, in percent of full white.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub border_percent: f64,
}

impl Default for SequenceFile {
    fn default() -> Self {
        Self {
            files: String::new(),
            first: 1,
            pictures: None,
            frame_rate_fps: None,
            at_end: AtEndFile::Repeat,
            map: MapFile::Fill,
            border_percent: 0.0,
        }
    }
}

/// What comes after the last picture of a sequence.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AtEndFile {
    /// The first one again.
    Repeat,
    /// The last one stays.
    Hold,
}

/// How a picture is laid on the wall, its centre on the wall's centre.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MapFile {
    /// All of the picture is shown; borders where the shapes differ.
    Fit,
    /// All of the wall is used; the picture is cut where the shapes differ.
    Fill,
    /// One picture pixel is one wall pixel.
    PixelForPixel,
}
