//! Light to numbers: the shutter, photosites and their mosaic, noise, conversion to raw levels.

use crate::frame::Window;

pub mod bands;
pub mod convert;
pub mod emva;
pub mod mode;
pub mod noise;
pub mod photons;

/// How photosite colours are laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Mosaic {
    /// Bayer mosaic: the colours (0 red, 1 green, 2 blue) of the full sensor's top-left 2×2 block, row by row.
    Bayer([u8; 4]),
    /// No colour filter.
    Monochrome,
    /// Every photosite records all three colours.
    FullPlanes,
}

impl Mosaic {
    /// Colour (0, 1, 2) of a photosite by full-sensor column and row; `None` where the sensor has no mosaic.
    pub fn colour_at(&self, x: u32, y: u32) -> Option<u8> {
        match self {
            Self::Bayer(block) => Some(block[((y & 1) * 2 + (x & 1)) as usize]),
            Self::Monochrome | Self::FullPlanes => None,
        }
    }

    /// Raw planes: 1, or 3 for full planes.
    pub fn planes(&self) -> usize {
        if matches!(self, Self::FullPlanes) { 3 } else { 1 }
    }
}

/// How rows are exposed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Readout {
    /// Every row at once.
    Global,
    /// Row after row.
    Rolling {
        /// Time from the first row's start to that of one row past the last, seconds.
        readout_s: f64,
        /// True when the bottom row starts first.
        bottom_up: bool,
    },
}

/// A camera in one recording mode.
#[derive(Debug, Clone, PartialEq)]
pub struct Camera {
    /// Photosites across the full sensor.
    pub columns: u32,
    /// Photosites down the full sensor.
    pub rows: u32,
    /// Distance between photosite centres, metres.
    pub photosite_m: f64,
    /// Light-sensitive share of a photosite's area, 0 to 1; the aperture is a square of that area.
    pub fill_factor: f64,
    /// Colour layout.
    pub mosaic: Mosaic,
    /// Rolling or global shutter.
    pub readout: Readout,
    /// Frames per second, exact (24000/1001 for 23.976).
    pub fps: f64,
    /// Exposure time of a row, seconds.
    pub exposure_s: f64,
    /// Exposure index (ISO).
    pub exposure_index: f64,
    /// Electrons a photosite holds.
    pub full_well_e: f64,
    /// Read noise, electrons (1 σ).
    pub read_noise_e: f64,
    /// Photo-response non-uniformity, 1 σ as a fraction.
    pub prnu: f64,
    /// Bits of a raw level, 8 to 16.
    pub bits: u32,
    /// Raw level without light.
    pub black_level: u32,
    /// Noise on or off.
    pub noise: bool,
    /// Seed of all noise.
    pub seed: u64,
    /// Electrons per photon at the emitter's wavelength: `matrix[photosite colour][emitter colour]`.
    /// A monochrome sensor uses the mean of the three rows.
    pub matrix: [[f64; 3]; 3],
    /// The part that is recorded: photosites of the sensor, or, with a mode that reads or joins only some of them, of
    /// what that mode records.
    pub crop: Window,
    /// The recording mode; `None` reads the whole sensor, photosite by photosite. Times of the readout are the mode's.
    pub mode: Option<mode::Mode>,
}

impl Camera {
    /// Start of a row's exposure in frame `frame`, seconds of camera time from the start of frame 0.
    /// `row` counts from the top of the full sensor. Rows take turns in the order in which the mode reads them.
    pub fn row_start_s(&self, frame: u32, row: u32) -> f64 {
        let frame_s = f64::from(frame) / self.fps;
        match self.readout {
            Readout::Global => frame_s,
            Readout::Rolling { readout_s, bottom_up } => {
                let (turn, turns) = (self.turn_of(row), self.turns());
                let order = if bottom_up { i64::from(turns) - 1 - turn } else { turn };
                frame_s + order as f64 * (readout_s / f64::from(turns.max(1)))
            }
        }
    }

    /// Time from the start of one row that is read to the next one's, seconds; 0 for a global shutter.
    pub fn line_s(&self) -> f64 {
        match self.readout {
            Readout::Global => 0.0,
            Readout::Rolling { readout_s, .. } => readout_s / f64::from(self.turns().max(1)),
        }
    }
}
