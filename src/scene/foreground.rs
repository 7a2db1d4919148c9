//! A picture with see-through parts that stands before the wall: a person, a window frame.

use crate::colour;
use crate::math::matrix3;
use crate::optics::{Lens, Pose};
use glam::{DVec2, DVec3};
use std::f64::consts::PI;
use std::sync::Arc;

/// A picture in memory: red, green, blue and opacity of every pixel, row by row from the top, 0 to 65535; colours as if
/// opaque, sRGB coded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rgba16 {
    /// Pixels across.
    pub columns: u32,
    /// Pixels down.
    pub rows: u32,
    /// `4·columns·rows` values.
    pub data: Vec<u16>,
}

/// A flat picture square to the lens axis, evenly and steadily lit.
#[derive(Debug, Clone, PartialEq)]
pub struct Foreground {
    /// Pixels across.
    pub columns: u32,
    /// Pixels down.
    pub rows: u32,
    /// Luminance of red, green and blue light of the wall's emitter colours, cd/m², times opacity; and opacity, 0 to 1. Row
    /// by row from the top.
    pub data: Arc<Vec<[f32; 4]>>,
    /// Its middle in the world, metres.
    pub centre_m: DVec3,
    /// Size of a pixel, metres.
    pub pixel_m: f64,
}

impl Foreground {
    /// A picture under `light_lx` of steady light, whose full white reflects all of it: L = E/π (Lambert). Colours are made
    /// of the wall's emitter colours `primaries_xy`, so that a camera sees them as it sees the wall's; what these cannot mix
    /// is cut. `None` for primaries on a line.
    pub fn new(
        picture: &Rgba16,
        light_lx: f64,
        primaries_xy: [[f64; 2]; 3],
        centre_m: DVec3,
        height_m: f64,
    ) -> Option<Self> {
        let to_xyz = colour::BT709.to_xyz()?;
        // Luminances of the emitter colours that make one unit each of X, Y and Z.
        let columns = primaries_xy.map(colour::xy_to_xyz);
        let [r, g, b] = [columns[0]?, columns[1]?, columns[2]?];
        let of_xyz = matrix3::inverse(&[0, 1, 2].map(|i: usize| [r[i], g[i], b[i]]))?;
        let matrix = matrix3::product(&of_xyz, &to_xyz);
        let white_nits = light_lx / PI;
        let linear: Vec<f64> =
            (0..=u16::MAX).map(|v| colour::srgb_decode(f64::from(v) / 65_535.0)).collect();
        let pixel = |p: &[u16]| {
            let opacity = f64::from(p[3]) / 65_535.0;
            let rgb = [0, 1, 2].map(|c: usize| linear[usize::from(p[c])]);
            let nits =
                matrix3::apply(&matrix, rgb).map(|v| (v.max(0.0) * white_nits * opacity) as f32);
            [nits[0], nits[1], nits[2], opacity as f32]
        };
        Some(Self {
            columns: picture.columns,
            rows: picture.rows,
            data: Arc::new(picture.data.chunks_exact(4).map(pixel).collect()),
            centre_m,
            pixel_m: height_m / f64::from(picture.rows.max(1)),
        })
    }

    /// Its middle seen from the lens: right and up of the axis, and the depth along it, metres.
    pub fn seen_from(&self, pose: &Pose) -> (DVec2, f64) {
        let c = pose.turn.transpose() * (self.centre_m - pose.lens_m);
        (c.truncate(), -c.z)
    }

    /// How far its deepest corner stands behind the plane of the wall's middle, metres; not above 0 where all of it stands before it.
    pub fn behind_wall_m(&self, pose: &Pose) -> f64 {
        let (width_m, height_m) = self.size_m();
        let corners = [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)].map(|(x, y)| {
            let aside = DVec3::new(x * width_m, y * height_m, 0.0);
            -(self.centre_m + pose.turn * aside).z
        });
        corners.into_iter().fold(f64::NEG_INFINITY, f64::max)
    }

    /// Light and opacity at a place, pixels right and down from the top left corner: straight lines between the pixels'
    /// centres, and nothing beyond the outermost ones.
    pub fn at(&self, place: DVec2) -> [f32; 4] {
        let (x, y) = (place.x - 0.5, place.y - 0.5);
        let (columns, rows) = (f64::from(self.columns), f64::from(self.rows));
        if !(x > -1.0 && y > -1.0 && x < columns && y < rows) {
            return [0.0; 4];
        }
        let (left, top) = (x.floor(), y.floor());
        let (a, d) = ((x - left) as f32, (y - top) as f32);
        if left >= 0.0 && top >= 0.0 && left < columns - 1.0 && top < rows - 1.0 {
            let first = top as usize * self.columns as usize + left as usize;
            let upper = &self.data[first..first + 2];
            let lower = &self.data[first + self.columns as usize..][..2];
            return between([upper[0], upper[1], lower[0], lower[1]], a, d);
        }
        let pixel = |x: f64, y: f64| {
            if x < 0.0 || y < 0.0 || x >= columns || y >= rows {
                return [0.0; 4];
            }
            self.data[y as usize * self.columns as usize + x as usize]
        };
        let (p, q) = (pixel(left, top), pixel(left + 1.0, top));
        let (r, s) = (pixel(left, top + 1.0), pixel(left + 1.0, top + 1.0));
        between([p, q, r, s], a, d)
    }

    /// Whether squares of so many pixels hold anything, row by row.
    pub fn holds(&self, side: u32) -> Vec<bool> {
        let (columns, side) = (self.columns as usize, side.max(1) as usize);
        let across = columns.div_ceil(side);
        let mut holds = vec![false; across * (self.rows as usize).div_ceil(side)];
        for (i, pixel) in self.data.iter().enumerate().filter(|(_, pixel)| pixel[3] > 0.0) {
            let (x, y) = (i % columns, i / columns);
            holds[y / side * across + x / side] |= pixel[3] > 0.0;
        }
        holds
    }

    /// Width and height, metres.
    pub fn size_m(&self) -> (f64, f64) {
        (f64::from(self.columns) * self.pixel_m, f64::from(self.rows) * self.pixel_m)
    }

    /// Blur disc of what stands there, metres on the sensor, signed.
    pub fn blur_disc_m(&self, lens: &Lens, pose: &Pose) -> f64 {
        crate::optics::transfer::blur_disc_m(lens, self.seen_from(pose).1)
    }
}

/// Between four pixels, at shares of the way across and down.
#[inline]
fn between([p, q, r, s]: [[f32; 4]; 4], a: f32, d: f32) -> [f32; 4] {
    [0, 1, 2, 3].map(|k| {
        let upper = p[k] + (q[k] - p[k]) * a;
        let lower = r[k] + (s[k] - r[k]) * a;
        upper + (lower - upper) * d
    })
}
