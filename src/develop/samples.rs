//! What development starts from: the numbers of a window of the sensor, and how its colours lie.

use crate::frame::{Electrons, RawFrame, Window};

use super::DevelopError;

/// How the photosites' colours lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Layout {
    /// Bayer mosaic: the colours (0 red, 1 green, 2 blue) of the *full sensor's* top-left 2×2 block,
    /// row by row; the greens on a diagonal.
    Bayer([u8; 4]),
    /// No colour: one plane.
    Monochrome,
    /// Three full planes.
    FullPlanes,
}

impl Layout {
    /// True for the four Bayer phases, and for sensors without a mosaic.
    pub fn is_valid(&self) -> bool {
        match self {
            Self::Bayer(b) => {
                matches!(b, [1, 0, 2, 1] | [1, 2, 0, 1] | [0, 1, 1, 2] | [2, 1, 1, 0])
            }
            Self::Monochrome | Self::FullPlanes => true,
        }
    }
}

/// The numbers themselves.
#[derive(Debug, Clone, Copy)]
enum Source<'a> {
    Levels(&'a [Vec<u16>]),
    Electrons(&'a [crate::frame::Plane]),
}

/// Samples of a window of the sensor, read as (number − black) / (white − black).
///
/// Borrows the frame: rows are converted as they are needed.
#[derive(Debug, Clone, Copy)]
pub struct Samples<'a> {
    pub(super) window: Window,
    source: Source<'a>,
    black: f32,
    gain: f32,
}

impl<'a> Samples<'a> {
    /// Raw levels: `black` becomes 0, `white` becomes 1. `white` must be above `black`.
    pub fn from_raw(raw: &'a RawFrame, black: u32, white: u32) -> Result<Self, DevelopError> {
        if white <= black {
            return Err(DevelopError::Levels { black, white });
        }
        let gain = (1.0 / f64::from(white - black)) as f32;
        let samples = Self {
            window: raw.window,
            source: Source::Levels(&raw.planes),
            black: black as f32,
            gain,
        };
        samples.checked(raw.planes.iter().map(Vec::len))
    }

    /// Noise-free photoelectrons: `white_e` electrons become 1 (1.0 keeps electrons). Not clipped.
    /// `white_e` must be above 0 and finite.
    pub fn from_electrons(electrons: &'a Electrons, white_e: f64) -> Result<Self, DevelopError> {
        if !(white_e > 0.0 && white_e.is_finite()) {
            return Err(DevelopError::WhiteElectrons(white_e));
        }
        let source = Source::Electrons(&electrons.planes);
        let gain = (1.0 / white_e) as f32;
        let samples = Self { window: electrons.window, source, black: 0.0, gain };
        samples.checked(electrons.planes.iter().map(|p| p.data.len()))
    }

    fn checked(self, lengths: impl Iterator<Item = usize>) -> Result<Self, DevelopError> {
        let (width, height) = self.size();
        for found in lengths {
            if found != width * height || found == 0 {
                return Err(DevelopError::Size { width, height, found });
            }
        }
        Ok(self)
    }

    /// Columns and rows.
    pub fn size(&self) -> (usize, usize) {
        (self.window.width as usize, self.window.height as usize)
    }

    /// Number of planes.
    pub(super) fn planes(&self) -> usize {
        match self.source {
            Source::Levels(planes) => planes.len(),
            Source::Electrons(planes) => planes.len(),
        }
    }

    /// One row of one plane, converted.
    pub(super) fn read_row(&self, plane: usize, y: usize, out: &mut [f32]) {
        let at = y * out.len();
        let range = at..at + out.len();
        match self.source {
            Source::Levels(planes) => {
                for (o, &level) in out.iter_mut().zip(&planes[plane][range]) {
                    *o = (f32::from(level) - self.black) * self.gain;
                }
            }
            Source::Electrons(planes) => {
                for (o, &e) in out.iter_mut().zip(&planes[plane].data[range]) {
                    *o = (e - self.black) * self.gain;
                }
            }
        }
    }
}
