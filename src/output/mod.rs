//! Files: one writer a format behind one trait ([`Format`]), each file whole or not there at all
//! ([`write()`]).
//!
//! ```no_run
//! use gridbeat::output::{self, Notes, PngLevels};
//! # fn f(raw: &gridbeat::frame::RawFrame) -> Result<(), output::OutputError> {
//! let folder = std::path::Path::new("out/night-train");
//! output::prepare_folder(folder)?; // before the long render
//! let notes = Notes::new("night-train");
//! output::write(&folder.join("raw-0000.png"), false, &PngLevels { raw, notes: &notes })?;
//! # Ok(())
//! # }
//! ```

mod dng_files;
mod error;
mod exr_files;
mod folder;
mod json;
mod notes;
mod png_files;
mod tiff_files;
mod whole;
mod y4m_files;

pub use dng_files::{DngCamera, DngLevels};
pub use error::{EncodeError, OutputError};
pub use exr_files::{ExrElectrons, ExrMap, ExrPicture};
pub use folder::{Recorded, WaitingFolder, sha256, sha256_of, sweep_up};
pub use json::{JsonSidecar, Text};
pub use notes::Notes;
pub use png_files::{Depth, PngCodes, PngLevels, PngMask, PngPicture};
pub use tiff_files::{TiffElectrons, TiffLevels, TiffPicture};
pub use whole::{Waiting, check_free, prepare_folder, write};
pub use y4m_files::Y4mSequence;

use std::io::{Seek, Write};

use crate::develop::{ColourSpace, DeliveryTransfer};

/// Where the bytes go.
pub trait Sink: Write + Seek {}
impl<T: Write + Seek> Sink for T {}

/// One kind of file with its contents.
pub trait Format {
    /// Writes the whole file into `sink`. Does not buffer: the sink does.
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError>;
}

/// How a picture's numbers are to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Coding {
    /// Colour space.
    pub space: ColourSpace,
    /// Transfer curve.
    pub transfer: DeliveryTransfer,
}

impl Coding {
    /// The space's primaries and white; `None` for the camera's own colours.
    fn primaries(&self) -> Option<crate::colour::RgbSpace> {
        match self.space {
            ColourSpace::Bt709 => Some(crate::colour::BT709),
            ColourSpace::Bt2020 => Some(crate::colour::BT2020),
            ColourSpace::P3D65 => Some(crate::colour::P3_D65),
            ColourSpace::AcesAp0 => Some(crate::colour::ACES_AP0),
            ColourSpace::AcesAp1 => Some(crate::colour::ACES_AP1),
            ColourSpace::CameraRgb => None,
        }
    }
}

/// A value of 0 to 1 as an integer of 0 to `top`, rounded to the nearest, clipped; NaN is 0.
fn quantise(value: f32, top: f64) -> u16 {
    // In f64 the product is exact, so nothing but a true half rounds up. The cast saturates, and takes
    // NaN to 0.
    (f64::from(value).clamp(0.0, 1.0) * top + 0.5) as u16
}

/// Refuses frames that no format can hold.
fn check_planes(planes: usize, lengths_fit: bool) -> Result<(), EncodeError> {
    if matches!(planes, 1 | 3) && lengths_fit {
        return Ok(());
    }
    Err(EncodeError::Format("the frame must have one or three whole planes".to_owned()))
}

#[cfg(test)]
mod tests {
    use super::quantise;

    #[test]
    fn quantising_rounds_and_clips() {
        for (value, want) in [
            (0.0, 0),
            (1.0, 255),
            (0.5, 128),
            (0.4 / 255.0, 0),
            (0.6 / 255.0, 1),
            (-0.3, 0),
            (7.0, 255),
            (f32::INFINITY, 255),
            (f32::NEG_INFINITY, 0),
            (f32::NAN, 0),
        ] {
            assert_eq!(quantise(value, 255.0), want, "{value}");
        }
        assert_eq!(quantise(1.0, 65535.0), 65535);
        assert_eq!(quantise(0.5, 65535.0), 32768);
    }
}
