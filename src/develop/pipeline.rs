//! The way from samples to a picture, and the short way for measuring.

use rayon::prelude::*;

use crate::frame::{Picture, Plane};

use super::curve::Curve;
use super::demosaic::{Balance, Band};
use super::samples::{Layout, Samples};
use super::{ColourTransform, Delivery, DeliveryTransfer, Demosaic, scale};

/// Rows that one job develops: its margin of six rows stays a small share, its buffer a few hundred
/// KiB at UHD.
const BAND_ROWS: usize = 32;

/// Longest side of a delivered picture, photosites; keeps a typing slip from asking for terabytes.
const LONGEST_SIDE: u32 = 65_536;

/// Why samples cannot be developed.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum DevelopError {
    /// White level not above black level.
    #[error("the white level {white} must be above the black level {black}")]
    Levels {
        /// Black level.
        black: u32,
        /// White level.
        white: u32,
    },
    /// White in electrons not positive.
    #[error("white must be a positive number of electrons, not {0}")]
    WhiteElectrons(f64),
    /// A plane does not fit its window.
    #[error("a plane of {width} × {height} photosites must hold as many samples, not {found}")]
    Size {
        /// Columns of the window.
        width: usize,
        /// Rows of the window.
        height: usize,
        /// Samples found.
        found: usize,
    },
    /// Planes and colour layout disagree.
    #[error("this colour layout has {expected} plane(s), the frame {found}")]
    Planes {
        /// Planes of the layout.
        expected: usize,
        /// Planes found.
        found: usize,
    },
    /// Not one of the four Bayer phases.
    #[error(
        "the mosaic {0:?} is not a Bayer mosaic: one red (0), one blue (2), and two greens (1) on a \
         diagonal"
    )]
    Mosaic([u8; 4]),
    /// A crop too small to hold every colour.
    #[error("a crop of {0} × {1} photosites does not hold every colour: 2 × 2 is the smallest")]
    TooSmall(usize, usize),
    /// A size that no picture can have.
    #[error("a picture of {0} × {1} cannot be made: each side must be 1 to {LONGEST_SIDE}")]
    Delivery(u32, u32),
    /// A crop outside the picture.
    #[error("the crop {width} × {height} at ({x}, {y}) is empty or not inside the picture")]
    Crop {
        /// First column.
        x: u32,
        /// First row.
        y: u32,
        /// Columns.
        width: u32,
        /// Rows.
        height: u32,
    },
}

/// Develops a frame: balance, demosaic, matrix, push, scaling, transfer curve.
///
/// The result is coded with the delivery's transfer curve ([`super::DeliveryTransfer::Linear`]:
/// linear light, not clipped). 1.0 is the raw white level of a neutral, before the push. A monochrome
/// sensor gives three equal planes and uses neither gains nor matrix.
///
/// Beside the picture itself (12 bytes a pixel) it needs a few MiB; a scaled delivery needs both
/// pictures for a moment.
pub fn develop(
    samples: &Samples,
    layout: Layout,
    colour: &ColourTransform,
    delivery: &Delivery,
) -> Result<Picture, DevelopError> {
    developed(samples, layout, colour, delivery, 1.0)
}

/// Develops a frame for measuring: as [`develop`] scales it, but with bilinear demosaic, in linear light from end to end, without
/// push, and not clipped. 1.0 is the white of the samples.
///
/// # Errors
/// As [`develop`].
pub fn develop_to_measure(
    samples: &Samples,
    layout: Layout,
    colour: &ColourTransform,
    delivery: &Delivery,
) -> Result<Picture, DevelopError> {
    let plain = Delivery {
        demosaic: Demosaic::Bilinear,
        transfer: DeliveryTransfer::Linear,
        scale_in_linear_light: true,
        push_stops: 0.0,
        ..delivery.clone()
    };
    developed(samples, layout, colour, &plain, f32::INFINITY)
}

/// [`develop`], with the level at which the balanced mosaic is clipped.
fn developed(
    samples: &Samples,
    layout: Layout,
    colour: &ColourTransform,
    delivery: &Delivery,
    clip: f32,
) -> Result<Picture, DevelopError> {
    for (w, h) in delivery.size.into_iter().chain(delivery.in_camera.map(|s| s.size)) {
        check_size(w, h)?;
    }
    let (gains, matrix) = match layout {
        Layout::Monochrome => ([1.0; 3], None),
        _ => (colour.gains.map(|g| g as f32), Some(colour.matrix)),
    };
    let push = libm::exp2(delivery.push_stops);
    let colour = Recipe {
        balance: Balance { gains, clip },
        matrix: matrix
            .unwrap_or(crate::math::matrix3::IDENTITY)
            .map(|r| r.map(|v| (v * push) as f32)),
        method: delivery.demosaic,
    };
    let curve = Curve::new(delivery.transfer);
    let target = delivery.size.map(|(w, h)| (w as usize, h as usize));
    if let Some(in_camera) = delivery.in_camera {
        let full = planes(samples, layout, &colour, &Curve::Linear)?;
        let size = (in_camera.size.0 as usize, in_camera.size.1 as usize);
        let recording = scale(&full, size, in_camera.filter)?;
        drop(full);
        let target = target.filter(|&target| target != size);
        return match target {
            Some(target) if delivery.scale_in_linear_light => {
                Ok(coded(scale(&recording, target, delivery.filter)?, &curve))
            }
            Some(target) => scale(&coded(recording, &curve), target, delivery.filter),
            None => Ok(coded(recording, &curve)),
        };
    }
    let target = target.filter(|&size| size != samples.size());
    let Some(target) = target else {
        return planes(samples, layout, &colour, &curve);
    };
    if delivery.scale_in_linear_light {
        let full = planes(samples, layout, &colour, &Curve::Linear)?;
        Ok(coded(scale(&full, target, delivery.filter)?, &curve))
    } else {
        let full = planes(samples, layout, &colour, &curve)?;
        scale(&full, target, delivery.filter)
    }
}

/// A picture with its transfer curve on.
fn coded(mut picture: Picture, curve: &Curve) -> Picture {
    for plane in &mut picture.planes {
        let width = plane.width.max(1);
        plane.data.par_chunks_mut(width).for_each(|row| curve.encode(row));
    }
    picture
}

/// Linear camera colours for measuring: bilinear demosaic, no gains, no clipping, no curve.
///
/// The unit is that of the samples: electrons for [`Samples::from_electrons`] with 1.0. A monochrome
/// sensor gives three equal planes.
pub fn linear_planes(samples: &Samples, layout: Layout) -> Result<Picture, DevelopError> {
    let recipe = Recipe {
        balance: Balance { gains: [1.0; 3], clip: f32::INFINITY },
        matrix: crate::math::matrix3::IDENTITY.map(|r| r.map(|v| v as f32)),
        method: Demosaic::Bilinear,
    };
    planes(samples, layout, &recipe, &Curve::Linear)
}

/// Refuses sizes that no picture can have.
pub(super) fn check_size(width: u32, height: u32) -> Result<(), DevelopError> {
    let fits = |side| (1..=LONGEST_SIDE).contains(&side);
    if fits(width) && fits(height) { Ok(()) } else { Err(DevelopError::Delivery(width, height)) }
}

/// What happens to each photosite, whatever its row.
struct Recipe {
    balance: Balance,
    matrix: [[f32; 3]; 3],
    method: Demosaic,
}

impl Recipe {
    /// The matrix, in place over one row.
    fn mix(&self, [red, green, blue]: [&mut [f32]; 3]) {
        let m = &self.matrix;
        for ((r, g), b) in red.iter_mut().zip(green.iter_mut()).zip(blue.iter_mut()) {
            let (x, y, z) = (*r, *g, *b);
            *r = m[0][0] * x + m[0][1] * y + m[0][2] * z;
            *g = m[1][0] * x + m[1][1] * y + m[1][2] * z;
            *b = m[2][0] * x + m[2][1] * y + m[2][2] * z;
        }
    }
}

/// Full-size planes, a band of rows a job.
fn planes(
    samples: &Samples,
    layout: Layout,
    recipe: &Recipe,
    curve: &Curve,
) -> Result<Picture, DevelopError> {
    let expected = if layout == Layout::FullPlanes { 3 } else { 1 };
    if samples.planes() != expected {
        return Err(DevelopError::Planes { expected, found: samples.planes() });
    }
    let (width, height) = samples.size();
    if let Layout::Bayer(block) = layout {
        if !layout.is_valid() {
            return Err(DevelopError::Mosaic(block));
        }
        if width < 2 || height < 2 {
            return Err(DevelopError::TooSmall(width, height));
        }
    }
    let mut picture = Picture { planes: [0; 3].map(|_| Plane::filled(width, height, 0.0)) };
    let [red, green, blue] = &mut picture.planes;
    let chunk = width * BAND_ROWS;
    red.data
        .par_chunks_mut(chunk)
        .zip(green.data.par_chunks_mut(chunk))
        .zip(blue.data.par_chunks_mut(chunk))
        .enumerate()
        .for_each(|(i, ((red, green), blue))| {
            let (first, count) = (i * BAND_ROWS, red.len() / width);
            let band = match layout {
                Layout::Bayer(block) => {
                    Some(Band::read(samples, block, recipe.balance, recipe.method, (first, count)))
                }
                Layout::Monochrome | Layout::FullPlanes => None,
            };
            let rows = red
                .chunks_exact_mut(width)
                .zip(green.chunks_exact_mut(width))
                .zip(blue.chunks_exact_mut(width));
            for (j, ((r, g), b)) in rows.enumerate() {
                match &band {
                    Some(band) => band.develop_row(recipe.method, j, [r, g, b]),
                    None => whole_row(samples, recipe.balance, first + j, [r, g, b]),
                }
                recipe.mix([r, g, b]);
                for row in [r, g, b] {
                    curve.encode(row);
                }
            }
        });
    Ok(picture)
}

/// A row of a sensor without a mosaic.
fn whole_row(samples: &Samples, balance: Balance, y: usize, out: [&mut [f32]; 3]) {
    let single = samples.planes() == 1;
    for (c, row) in out.into_iter().enumerate() {
        samples.read_row(if single { 0 } else { c }, y, row);
        for value in row {
            *value = (*value * balance.gains[c]).min(balance.clip);
        }
    }
}
