//! The source of light: the lattice of pixels, the shapes of the emitters, what is shown, and how
//! the drive turns a level into light over time. SI units throughout.

use crate::math::special::{jinc, sinc};
use glam::DVec2;

pub mod arithmetic;
mod build;
pub mod content;
mod diffuser;
pub mod drive;
pub mod electronics;
pub mod spectrum;
mod waveform;

pub use build::{Bend, Build, Face, Reflection, Spread};
pub use diffuser::Diffuser;
pub use waveform::{NoWaveform, Waveform};

/// Red, green and blue, in this order, wherever something is kept per emitter colour.
pub const COLOURS: [&str; 3] = ["red", "green", "blue"];

/// The shape of one emitter, in the plane of the wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum EmitterShape {
    /// A rectangle, metres.
    Rectangle {
        /// Across, metres.
        width_m: f64,
        /// Upright, metres.
        height_m: f64,
    },
    /// A disc, metres.
    Disc {
        /// Diameter, metres.
        diameter_m: f64,
    },
    /// Bilinear interpolation between pixel centres: a tent whose base is two pitches wide on both
    /// axes. Only the ideal frame uses it.
    Tent,
}

impl EmitterShape {
    /// Light-giving area, m²; a tent counts as one pitch squared.
    pub fn area_m2(&self, pitch_m: f64) -> f64 {
        match *self {
            Self::Rectangle { width_m, height_m } => width_m * height_m,
            Self::Disc { diameter_m } => std::f64::consts::PI / 4.0 * diameter_m * diameter_m,
            Self::Tent => pitch_m * pitch_m,
        }
    }

    /// Transform of the shape with unit light, at a frequency in cycles per wall pixel; real, since shapes are symmetric.
    pub fn transform(&self, g: DVec2, pitch_m: f64) -> f64 {
        match *self {
            Self::Rectangle { width_m, height_m } => {
                sinc(g.x * width_m / pitch_m) * sinc(g.y * height_m / pitch_m)
            }
            Self::Disc { diameter_m } => {
                jinc(std::f64::consts::PI * diameter_m / pitch_m * g.length())
            }
            Self::Tent => (sinc(g.x) * sinc(g.y)) * (sinc(g.x) * sinc(g.y)),
        }
    }
}

/// One emitter colour of a wall pixel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Emitter {
    /// Shape and size.
    pub shape: EmitterShape,
    /// Offset of its centre from the pixel's centre, metres: x to the right, y up, as a viewer sees it.
    pub offset_m: DVec2,
    /// Peak wavelength, metres.
    pub wavelength_m: f64,
    /// Spectral full width at half maximum, metres.
    pub linewidth_m: f64,
    /// CIE 1931 chromaticity x, y.
    pub xy: [f64; 2],
    /// Angle off the normal at which the radiance is half of that on axis, radians;
    /// `None` for no falloff. Radiance goes with cos(angle)^k, k = ln ½ / ln cos(half angle).
    pub half_angle_rad: Option<f64>,
}

/// Transfer curve of the wall: from code value (0 to 1) to level of light (0 to 1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WallTransfer {
    /// level = code^gamma. `Gamma(1.0)` is linear.
    Gamma(f64),
    /// The sRGB curve (IEC 61966-2-1).
    Srgb,
}

impl WallTransfer {
    /// Level of a code value, both from 0 to 1.
    pub fn level(&self, code: f64) -> f64 {
        match *self {
            Self::Gamma(g) => libm::pow(code, g),
            Self::Srgb => {
                if code <= 0.04045 {
                    code / 12.92
                } else {
                    libm::pow((code + 0.055) / 1.055, 2.4)
                }
            }
        }
    }

    /// Code value of a level: the inverse of [`Self::level`].
    pub fn code(&self, level: f64) -> f64 {
        match *self {
            Self::Gamma(g) => libm::pow(level, 1.0 / g),
            Self::Srgb => {
                if level <= 0.0031308 {
                    level * 12.92
                } else {
                    1.055 * libm::pow(level, 1.0 / 2.4) - 0.055
                }
            }
        }
    }
}

/// A wall: pixel (0, 0) is top left as a viewer sees it; its face lies in z = 0 and looks towards +z, its centre at the
/// origin. A bent wall touches that plane at the middle of its arc.
#[derive(Debug, Clone, PartialEq)]
pub struct Wall {
    /// Pixels across.
    pub columns: u32,
    /// Pixels down.
    pub rows: u32,
    /// Pixels across one panel (cabinet).
    pub panel_columns: u32,
    /// Pixels down one panel (cabinet); scan rows count from the top of each panel.
    pub panel_rows: u32,
    /// Distance between pixel centres, metres.
    pub pitch_m: f64,
    /// Red, green, blue.
    pub emitters: [Emitter; 3],
    /// On-axis luminance of top code at full brightness, averaged over pixels and time, cd/m².
    pub white_nits: f64,
    /// Brightness the wall is run at, 0 to 1.
    pub brightness: f64,
    /// CIE 1931 chromaticity of the wall's white.
    pub white_xy: [f64; 2],
    /// Code to level.
    pub transfer: WallTransfer,
    /// Bits of a code value, 1 to 16.
    pub bits: u32,
    /// What stands in front of the face, if anything.
    pub diffuser: Option<Diffuser>,
    /// How it is put together.
    pub build: Build,
}

impl Wall {
    /// Level (0 to 1) of every code value: `2^bits` long.
    pub fn levels(&self) -> Vec<f64> {
        let top = f64::from((1_u32 << self.bits) - 1);
        (0..1_u32 << self.bits).map(|c| self.transfer.level(f64::from(c) / top)).collect()
    }
}

/// The code values of every wall pixel at one moment: three planes of `columns`·`rows`, row-major
/// from the top.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WallImage {
    /// Pixels across.
    pub columns: u32,
    /// Pixels down.
    pub rows: u32,
    /// Red, green, blue codes, 0 to 2^bits − 1.
    pub codes: [Vec<u16>; 3],
}
