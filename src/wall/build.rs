//! How a wall is put together: flat or on an arc of flat facets, its cabinets set apart, turned, and not all alike.
//!
//! Whatever is flat and alike is one [`Face`]: a lattice of pixels in a plane of its own, in front of which the rest of the
//! physics is that of a flat wall.

use super::{Wall, WallImage};
use crate::math::random::{Purpose, Stream, normal_quantile, uniforms};
use glam::{DMat3, DVec2, DVec3};
use std::f64::consts::PI;

/// A wall bent around an upright axis, made of flat facets as high as the wall.
///
/// The circle touches every facet at its middle, and the middle of the arc is the origin of the scene.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bend {
    /// Radius of the circle, metres, above 0.
    pub radius_m: f64,
    /// The middle of the arc lies nearer to the viewer than its ends do.
    pub convex: bool,
    /// Pixels across one facet: a whole number of facets makes the wall, and where cabinets count, a whole number of
    /// cabinets makes a facet.
    pub facet_columns: u32,
}

/// How cabinets differ from each other: standard deviations, drawn for every cabinet and kept within three of them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Spread {
    /// Brightness, as a share of the mean.
    pub gain: f64,
    /// Each colour against the others, as a share of the mean.
    pub white: f64,
    /// Start of the drive's clock, seconds.
    pub clock_s: f64,
}

/// Room light on the face of the wall.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reflection {
    /// Share of the light that falls on the face that it throws back, evenly in all directions.
    pub reflectance: f64,
    /// Light that falls on the face, lux; taken as light of the wall's white.
    pub ambient_lx: f64,
}

impl Reflection {
    /// Luminance of the face, cd/m²: ρ·E/π, of a Lambertian surface.
    pub fn nits(&self) -> f64 {
        self.reflectance * self.ambient_lx / PI
    }
}

/// How a wall is put together. The default is one flat sheet without faults in the dark.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Build {
    /// The arc, if it is one.
    pub bend: Option<Bend>,
    /// Gap between neighbouring cabinets beyond the pitch, metres, on both axes.
    pub seam_m: f64,
    /// Quarter turns clockwise, as a viewer sees it, of each cabinet, row by row; empty where none is turned.
    pub turned: Vec<u8>,
    /// How cabinets differ.
    pub spread: Spread,
    /// Share of the emitters that give no light.
    pub dead: f64,
    /// What cabinets and dead emitters are drawn from.
    pub seed: u64,
    /// Room light.
    pub reflection: Reflection,
}

impl Build {
    /// Whether every cabinet is a face of its own.
    pub fn has_cabinets(&self) -> bool {
        self.seam_m > 0.0 || self.spread != Spread::default() || self.turned.iter().any(|t| *t > 0)
    }
}

/// A flat lattice of pixels of a wall, alike and in step.
#[derive(Debug, Clone, PartialEq)]
pub struct Face {
    /// First column and row of the wall's pixels that it shows.
    pub first: [u32; 2],
    /// Columns and rows of the wall's pixels that it shows.
    pub block: [u32; 2],
    /// Quarter turns clockwise, as a viewer sees it.
    pub turned: u8,
    /// Middle of the lattice, metres.
    pub centre_m: DVec3,
    /// Its right, its up (those of the lattice, which turn with it) and its normal, towards the viewer.
    pub axes: DMat3,
    /// Light of red, green and blue, as a share of what the wall says.
    pub gain: [f64; 3],
    /// How much later its drive runs, seconds.
    pub clock_s: f64,
    /// Rows of its own lattice after which the scan starts again.
    pub panel_rows: u32,
}

/// Right and up of a lattice turned clockwise, as a viewer sees it, in those of one that hangs upright: its right goes down.
fn quarter_turns(turns: u8) -> DMat3 {
    let (right, up) = match turns % 4 {
        0 => (DVec3::X, DVec3::Y),
        1 => (DVec3::NEG_Y, DVec3::X),
        2 => (DVec3::NEG_X, DVec3::NEG_Y),
        _ => (DVec3::Y, DVec3::NEG_X),
    };
    DMat3::from_cols(right, up, DVec3::Z)
}

impl Face {
    /// Columns and rows of its own lattice.
    pub fn size(&self) -> [u32; 2] {
        let [columns, rows] = self.block;
        if self.turned % 2 == 1 { [rows, columns] } else { [columns, rows] }
    }

    /// The wall's pixel (column, row) at a place of the lattice.
    pub fn pixel(&self, column: u32, row: u32) -> [u32; 2] {
        let [width, height] = self.block;
        let [x, y] = match self.turned % 4 {
            0 => [column, row],
            1 => [width - 1 - row, column],
            2 => [width - 1 - column, height - 1 - row],
            _ => [row, height - 1 - column],
        };
        [self.first[0] + x, self.first[1] + y]
    }

    /// Copies the codes of a stretch of a row of the lattice.
    pub fn codes(
        &self,
        image: &WallImage,
        colour: usize,
        row: u32,
        columns: std::ops::Range<u32>,
        out: &mut Vec<u16>,
    ) {
        out.clear();
        let codes = &image.codes[colour];
        let at = |[x, y]: [u32; 2]| y as usize * image.columns as usize + x as usize;
        if self.turned == 0 {
            let start = at(self.pixel(columns.start, row));
            out.extend_from_slice(&codes[start..start + columns.len()]);
        } else {
            out.extend(columns.map(|column| codes[at(self.pixel(column, row))]));
        }
    }

    /// The same piece of wall with a lattice turned by quarter turns, clockwise as a viewer sees it.
    pub fn turned_by(self, turns: u8) -> Self {
        let axes = self.axes * quarter_turns(turns);
        let face = Self { turned: (self.turned + turns % 4) % 4, axes, ..self };
        let panel_rows = if turns % 2 == 1 { face.size()[1] } else { self.panel_rows };
        Self { panel_rows, ..face }
    }

    /// A place of the world, seen from the face: its centre the origin, its axes right, up and forward.
    pub fn local(&self, place_m: DVec3) -> DVec3 {
        self.axes.transpose() * (place_m - self.centre_m)
    }

    /// A place on the face, metres right and up of its centre, in the world.
    pub fn world(&self, place_m: DVec2) -> DVec3 {
        self.centre_m + self.axes * place_m.extend(0.0)
    }
}

impl Wall {
    /// The flat parts that the wall is made of, top left first.
    pub fn faces(&self) -> Vec<Face> {
        if self.build.has_cabinets() { self.cabinets() } else { self.facets() }
    }

    /// The flat parts of the wall's surface, whatever the cabinets do in it: facets, or cabinets where there are gaps
    /// between them. They are neither turned nor unlike.
    pub fn surfaces(&self) -> Vec<Face> {
        if self.build.seam_m > 0.0 {
            let plain =
                Build { turned: Vec::new(), spread: Spread::default(), ..self.build.clone() };
            Self { build: plain, ..self.clone() }.cabinets()
        } else {
            self.facets()
        }
    }

    /// Columns and rows of cabinets.
    pub fn cabinet_count(&self) -> [u32; 2] {
        [self.columns / self.cabinet_columns(), self.rows / self.panel_rows.max(1)]
    }

    /// Pixels across a cabinet. Cabinets are flat: on an arc whose cabinets are not told of, each facet is one.
    pub fn cabinet_columns(&self) -> u32 {
        self.panel_columns.min(self.facet_columns()[0]).max(1)
    }

    /// Pixels across a facet, and how many there are.
    fn facet_columns(&self) -> [u32; 2] {
        let columns = self.build.bend.map_or(self.columns, |b| b.facet_columns.min(self.columns));
        [columns.max(1), self.columns / columns.max(1)]
    }

    /// Width of a facet, metres, gaps inside it included.
    fn facet_width_m(&self) -> f64 {
        let columns = self.facet_columns()[0];
        let gaps = f64::from((columns / self.cabinet_columns()).max(1) - 1);
        f64::from(columns) * self.pitch_m + gaps * self.build.seam_m
    }

    /// Width along the face and height, metres, gaps included.
    pub fn size_m(&self) -> (f64, f64) {
        let facets = f64::from(self.facet_columns()[1]);
        let gaps = f64::from(self.cabinet_count()[1].max(1) - 1);
        (
            facets * self.facet_width_m() + (facets - 1.0) * self.build.seam_m,
            f64::from(self.rows) * self.pitch_m + gaps * self.build.seam_m,
        )
    }

    /// Angle between neighbouring facets, radians; 0 for a flat wall.
    ///
    /// A facet of width w that touches the circle at its middle spans 2·atan(w/2R).
    pub fn facet_angle_rad(&self) -> f64 {
        self.build.bend.map_or(0.0, |bend| {
            2.0 * libm::atan((self.facet_width_m() + self.build.seam_m) / (2.0 * bend.radius_m))
        })
    }

    /// Middle and axes of a facet.
    fn facet(&self, number: u32) -> (DVec3, DMat3) {
        let off = f64::from(number) - f64::from(self.facet_columns()[1] - 1) / 2.0;
        let Some(bend) = self.build.bend else { return (DVec3::ZERO, DMat3::IDENTITY) };
        let angle = off * self.facet_angle_rad();
        let (sin, half) = (libm::sin(angle), libm::sin(angle / 2.0));
        // R·(1 − cos), without the loss of digits of a large radius.
        let deep = 2.0 * bend.radius_m * half * half;
        let side = if bend.convex { -1.0 } else { 1.0 };
        let normal = DVec3::new(-side * sin, 0.0, libm::cos(angle));
        let right = DVec3::Y.cross(normal);
        let centre = DVec3::new(bend.radius_m * sin, 0.0, side * deep);
        (centre, DMat3::from_cols(right, DVec3::Y, normal))
    }

    /// The flat sheets of the wall without what cabinets do in them, each with its width and height, metres. Those of an arc
    /// meet edge to edge: half a gap goes with each side.
    pub fn sheets(&self) -> Vec<(Face, DVec2)> {
        let gap_m = self.build.bend.map_or(0.0, |_| self.build.seam_m);
        let size_m = DVec2::new(self.facet_width_m() + gap_m, self.size_m().1);
        self.facets().into_iter().map(|face| (face, size_m)).collect()
    }

    /// A point of the face in the world: metres along the face to the right and up of the wall's middle. Beyond the wall's
    /// ends its outermost facets go on.
    pub fn point_m(&self, along_m: f64, up_m: f64) -> DVec3 {
        let count = self.facet_columns()[1];
        let step_m = self.facet_width_m() + self.build.seam_m;
        let from_first = along_m / step_m + f64::from(count) / 2.0;
        let number = from_first.floor().clamp(0.0, f64::from(count - 1));
        let (centre_m, axes) = self.facet(number as u32);
        let right_m = (from_first - number - 0.5) * step_m;
        centre_m + axes * DVec3::new(right_m, up_m, 0.0)
    }

    /// Where a line from a place first meets the front of the wall's sheets: its length in units of `along`, and the cosine
    /// between it and the face's normal. `None` if it meets none.
    pub fn met(&self, from_m: DVec3, along: DVec3) -> Option<(f64, f64)> {
        let hits = self.sheets().into_iter().filter_map(|(face, size_m)| {
            let (start, step) = (face.local(from_m), face.axes.transpose() * along);
            if start.z <= 0.0 || step.z >= 0.0 {
                return None;
            }
            let far = start.z / -step.z;
            let point = (start + step * far).truncate();
            let inside = point.abs().cmple(size_m / 2.0 + 1e-9).all();
            inside.then(|| (far, -step.z / step.length()))
        });
        hits.min_by(|a, b| a.0.total_cmp(&b.0))
    }

    fn facets(&self) -> Vec<Face> {
        let [columns, count] = self.facet_columns();
        (0..count)
            .map(|number| {
                let (centre_m, axes) = self.facet(number);
                Face {
                    first: [number * columns, 0],
                    block: [columns, self.rows],
                    turned: 0,
                    centre_m,
                    axes,
                    gain: [1.0; 3],
                    clock_s: 0.0,
                    panel_rows: self.panel_rows,
                }
            })
            .collect()
    }

    fn cabinets(&self) -> Vec<Face> {
        let [across, down] = self.cabinet_count();
        let cabinet_columns = self.cabinet_columns();
        let a_facet = (self.facet_columns()[0] / cabinet_columns).max(1);
        let seam_m = self.build.seam_m;
        let step_x = f64::from(cabinet_columns) * self.pitch_m + seam_m;
        let step_y = f64::from(self.panel_rows) * self.pitch_m + seam_m;
        let mut faces = Vec::new();
        for row in 0..down {
            for column in 0..across {
                let (middle, plane) = self.facet(column / a_facet);
                let right = f64::from(column % a_facet) - f64::from(a_facet - 1) / 2.0;
                let up = f64::from(down - 1) / 2.0 - f64::from(row);
                let number = row * across + column;
                let turned = self.build.turned.get(number as usize).map_or(0, |t| t % 4);
                let own = quarter_turns(turned);
                let (gain, clock_s) = self.build.drawn(number);
                let block = [cabinet_columns, self.panel_rows];
                let face = Face {
                    first: [column * block[0], row * block[1]],
                    block,
                    turned,
                    centre_m: middle + plane * DVec3::new(right * step_x, up * step_y, 0.0),
                    axes: plane * own,
                    gain,
                    clock_s,
                    panel_rows: 0,
                };
                let panel_rows = face.size()[1];
                faces.push(Face { panel_rows, ..face });
            }
        }
        faces
    }

    /// Takes the light of dead emitters away: code 0, whatever is shown.
    ///
    /// Each emitter is dead with the build's probability, drawn for its own place.
    pub fn put_out_dead(&self, image: &mut WallImage) {
        if self.build.dead <= 0.0 {
            return;
        }
        for (colour, codes) in image.codes.iter_mut().enumerate() {
            for (pixel, code) in codes.iter_mut().enumerate() {
                let index = pixel as u64 * 3 + colour as u64;
                if uniforms(self.build.seed, 0, index, Purpose::DeadEmitters)[0] < self.build.dead {
                    *code = 0;
                }
            }
        }
    }
}

impl Build {
    /// Gain of each colour and delay of the clock of a cabinet.
    fn drawn(&self, cabinet: u32) -> ([f64; 3], f64) {
        let mut stream = Stream::new(self.seed, 0, u64::from(cabinet), Purpose::Cabinets);
        let mut normal = || normal_quantile(stream.uniform()).clamp(-3.0, 3.0);
        let gain = 1.0 + self.spread.gain * normal();
        let colours = [0, 1, 2].map(|_| gain * (1.0 + self.spread.white * normal()));
        (colours, self.spread.clock_s * normal())
    }
}
