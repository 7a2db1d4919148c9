//! What stands before the wall: its opacity and its light at every photosite, through the same blur.
//!
//! The light of a photosite is that of the foreground, plus the wall's times what the foreground lets through, each on
//! average over the photosite, its low-pass spots and the pupil. Along edges the mean of their product is not the product of
//! their means: [`super::edges`] adds the difference.

use super::edges::BLOCK;
use super::kernel::{Local, photosite_view, reach, smooth};
use super::shared::Shared;
use crate::frame::{Electrons, Window};
use crate::math::fft::Inverse2d;
use crate::optics::Pose;
use crate::optics::projection::{Projection, SensorGrid, WallGrid};
use crate::render::{Cancelled, Run};
use crate::scene::Foreground;
use glam::{DMat2, DMat3, DVec2, DVec3};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use std::f64::consts::PI;

/// Photosites across and down that are worked out together, on the full sensor, at least; so many times more where a blur
/// reaches further than that.
const SIDE: u32 = 192;
const MOST_SIDES: u32 = 8;

/// Grid steps a photosite; odd, so that its middle is one. A wide blur leaves nothing that one step a photosite would miss.
const FINER: usize = OPACITY_STEPS;

/// Steps a photosite at which the opacity is known before any blur.
pub(super) const OPACITY_STEPS: usize = 3;

/// Blur disc, photosites, from which on one step a photosite serves: at ½ cycle a photosite it leaves less than 0.01, and a
/// step's mean over the photosite little to fold there.
const WIDE: f64 = 20.0;

/// Photosites that a picture's pixel is seen wide from which on one step a photosite serves.
const COARSE: f64 = 1.5;

/// Side of the squares of the picture that are looked through for something, its pixels.
const SQUARE: u32 = 16;

/// Most points across a grid step over which the picture is averaged.
const MOST_POINTS: f64 = 8.0;

/// Opacity and photoelectrons of a part of the sensor.
struct Part {
    area: Window,
    opacity: Vec<f32>,
    /// One a plane.
    electrons: Vec<Vec<f32>>,
    /// What the picture itself is there; `None` without an edge.
    sharp: Option<Sharp>,
}

/// Opacity before any blur, at every third of a photosite: the middle of each step.
struct Sharp {
    /// First step across and down.
    first: i32,
    top: i32,
    /// Steps across and down.
    size: usize,
    /// As shares of 65535.
    opacity: Vec<u16>,
}

/// The opacity of a part that has edges.
#[derive(Clone, Copy)]
pub(super) struct Opacity<'v> {
    part: &'v Part,
    sharp: &'v Sharp,
}

impl Opacity<'_> {
    /// What a photosite sees.
    pub(super) fn blurred(&self, x: u32, y: u32) -> f32 {
        let a = self.part.area;
        self.part.opacity[((y - a.y) * a.width + x - a.x) as usize]
    }

    /// What the picture lets through at steps of a third of a photosite, from one across and down on; the outermost known are held.
    pub(super) fn passed(&self, [first, top]: [i32; 2], [columns, rows]: [usize; 2]) -> Vec<f32> {
        let Sharp { first: x0, top: y0, size, opacity } = self.sharp;
        let inside = |at: i32| at.clamp(0, *size as i32 - 1) as usize;
        let row = |j: usize| {
            let start = inside(top + j as i32 - y0) * size;
            (0..columns).map(move |i| {
                1.0 - f32::from(opacity[start + inside(first + i as i32 - x0)]) / 65_535.0
            })
        };
        (0..rows).flat_map(row).collect()
    }
}

/// A foreground as a window of the sensor sees it.
pub(super) struct Veil {
    parts: Vec<Part>,
}

impl Veil {
    /// # Errors
    /// [`Cancelled`] when `run` was cancelled.
    pub(super) fn new(
        shared: &Shared<'_>,
        foreground: &Foreground,
        run: &Run,
    ) -> Result<Self, Cancelled> {
        let maker = Maker::new(shared, foreground);
        let areas = maker.grid.areas(shared);
        let part = |area: &Window| match run.is_cancelled() {
            true => Some(Err(Cancelled)),
            false => maker.part(area).map(Ok),
        };
        Ok(Self { parts: areas.par_iter().filter_map(part).collect::<Result<_, _>>()? })
    }

    /// Squares of the sensor that may hold edges, on a grid that every part's is a multiple of.
    pub(super) fn blocks(&self, side: u32) -> impl Iterator<Item = (Opacity<'_>, Window)> {
        self.parts.iter().filter_map(|part| Some((part, part.sharp.as_ref()?))).flat_map(
            move |(part, sharp)| {
                let a = part.area;
                let along =
                    move |first: u32, length: u32| (first..first + length).step_by(side as usize);
                along(a.y, a.height).flat_map(move |y| {
                    along(a.x, a.width).map(move |x| {
                        let (width, height) =
                            (side.min(a.x + a.width - x), side.min(a.y + a.height - y));
                        (Opacity { part, sharp }, Window { x, y, width, height })
                    })
                })
            },
        )
    }

    /// Puts it before the wall's light.
    pub(super) fn cover(&self, electrons: &mut Electrons) {
        let window = electrons.window;
        for part in &self.parts {
            let a = part.area;
            for (plane, own) in electrons.planes.iter_mut().zip(&part.electrons) {
                for y in a.y.max(window.y)..(a.y + a.height).min(window.y + window.height) {
                    for x in a.x.max(window.x)..(a.x + a.width).min(window.x + window.width) {
                        let i = ((y - a.y) * a.width + x - a.x) as usize;
                        let to = (y - window.y) as usize * plane.width + (x - window.x) as usize;
                        let behind = plane.data[to];
                        plane.data[to] = behind * (1.0 - part.opacity[i]) + own[i];
                    }
                }
            }
        }
    }
}

/// The grid of a part: a photosite is so many steps, and around the part lies what its blur reaches.
#[derive(Clone, Copy)]
struct Grid {
    /// Photosites across and down that are worked out together.
    side: u32,
    /// Steps a photosite.
    finer: usize,
    /// Photosites around a part that its blur reaches.
    margin: usize,
    /// Points of a transform, across and down.
    size: usize,
}

impl Grid {
    /// For a foreground; how it is seen decides alone, so that every window has the same.
    fn new(shared: &Shared<'_>, here: &Local, pixel: f64) -> Self {
        let blur = &shared.blur;
        let margin = reach(blur, here, shared.tails.near).max_element().ceil() as usize + 1;
        let sides = (margin as f64 / f64::from(SIDE)).ceil().clamp(1.0, f64::from(MOST_SIDES));
        let side = SIDE * sides as u32;
        let wide = here.disc.abs() * blur.aspect().min(1.0) > WIDE;
        let finer = if wide || pixel > COARSE { 1 } else { FINER };
        let size = smooth((side as usize + 2 * margin) * finer);
        Self { side, finer, margin, size }
    }

    /// The parts that a window lies in.
    fn areas(&self, shared: &Shared<'_>) -> Vec<Window> {
        let (w, camera, side) = (shared.window, &shared.scene.camera, self.side);
        let mut areas = Vec::new();
        for y in (w.y / side * side..w.y + w.height).step_by(side as usize) {
            for x in (w.x / side * side..w.x + w.width).step_by(side as usize) {
                let (width, height) = (side.min(camera.columns - x), side.min(camera.rows - y));
                areas.push(Window { x, y, width, height });
            }
        }
        areas
    }
}

/// The foreground's blur, on the sensor.
fn local(shared: &Shared<'_>, foreground: &Foreground) -> Local {
    let disc_m = foreground.blur_disc_m(&shared.scene.lens, &shared.scene.pose);
    let disc = disc_m / shared.scene.camera.photosite_m;
    Local { whole: DMat2::IDENTITY, plain: DMat2::IDENTITY, disc, skew: DVec2::ZERO }
}

/// How wide a pixel of the picture is seen, photosites; the narrower way of a squeezed one.
fn pixel(shared: &Shared<'_>, foreground: &Foreground) -> f64 {
    let lens = &shared.scene.lens;
    let (_, depth_m) = foreground.seen_from(&shared.scene.pose);
    let photosite_m = shared.scene.camera.photosite_m;
    lens.image_m() / depth_m / photosite_m * foreground.pixel_m / lens.squeeze
}

/// Bytes that working a foreground out takes at its peak, for the threads at hand.
pub(super) fn bytes(shared: &Shared<'_>, foreground: &Foreground) -> f64 {
    let grid = Grid::new(shared, &local(shared, foreground), pixel(shared, foreground));
    let busy = rayon::current_num_threads().min(grid.areas(shared).len()) as f64;
    let areas = grid.areas(shared).len() as f64;
    // The view, and two transforms a part; what stays of each part: its opacity with and without blur, and its light.
    let points = grid.size as f64 * grid.size as f64;
    let steps = (OPACITY_STEPS / grid.finer) as f64;
    let kept = 2.0 * points * steps * steps + 16.0 * f64::from(grid.side) * f64::from(grid.side);
    // And around each block of edges its opacity as it is, and sums of it along rows.
    let block = (f64::from(BLOCK) + 2.0 * grid.margin as f64) * OPACITY_STEPS as f64;
    (8.0 * points * 2.0 + 16.0 * block * block) * busy + 8.0 * points + kept * areas
}

struct Maker<'m> {
    shared: &'m Shared<'m>,
    foreground: &'m Foreground,
    /// From the sensor to the picture's pixels.
    projection: Projection,
    grid: Grid,
    /// Points across a grid step over which the picture is averaged.
    points: usize,
    /// Whether squares of [`SQUARE`] of the picture's pixels hold anything, row by row.
    holds: Vec<bool>,
    /// What a photosite makes of each frequency of the grid.
    view: Vec<Complex32>,
    /// Electrons on the axis of a photosite class (row) from 1 cd/m² of an emitter colour (column).
    per_nit: Vec<[f64; 3]>,
    fft: Inverse2d,
}

impl<'m> Maker<'m> {
    fn new(shared: &'m Shared<'m>, foreground: &'m Foreground) -> Self {
        let scene = shared.scene;
        let (camera, lens) = (&scene.camera, &scene.lens);
        let (middle, depth_m) = foreground.seen_from(&scene.pose);
        // As a wall that faces the camera.
        let pose =
            Pose { lens_m: DVec3::new(-middle.x, -middle.y, depth_m), turn: DMat3::IDENTITY };
        let sensor = SensorGrid {
            columns: camera.columns,
            rows: camera.rows,
            photosite_m: camera.photosite_m,
        };
        let (columns, rows) = (foreground.columns, foreground.rows);
        let grid = WallGrid { columns, rows, pitch_m: foreground.pixel_m };
        let projection = Projection::new(lens, &pose, sensor, grid);
        let here = local(shared, foreground);
        let blur = &shared.blur;
        let on_sensor = pixel(shared, foreground);
        let grid = Grid::new(shared, &here, on_sensor);
        let Grid { finer, size, .. } = grid;
        let points = (1.0 / on_sensor / finer as f64).clamp(2.0, MOST_POINTS).ceil() as usize;
        // Green: where people see sharpest.
        let wavelength_m = scene.wall.emitters[1].wavelength_m;
        let frequency = |k: usize| {
            let k = if 2 * k <= size { k as f64 } else { k as f64 - size as f64 };
            k * finer as f64 / size as f64
        };
        // Averages over points soften the picture before the view does.
        let averaged = |f: f64| {
            let step = PI * f / finer as f64;
            if step.abs() < 1e-9 {
                return 1.0;
            }
            libm::sin(step) / (points as f64 * libm::sin(step / points as f64))
        };
        let view = (0..size)
            .into_par_iter()
            .flat_map_iter(|j| {
                let fy = frequency(j);
                (0..size).map(move |i| {
                    let fx = frequency(i);
                    // A convolution asks for the point spread, which is the view mirrored.
                    let seen = photosite_view(blur, &here, wavelength_m, DVec2::new(fx, fy)).conj();
                    seen / (averaged(fx) * averaged(fy)) as f32
                })
            })
            .collect();
        Self {
            shared,
            foreground,
            projection,
            grid,
            points,
            holds: foreground.holds(SQUARE),
            view,
            per_nit: super::shared::electrons_per_nit(scene),
            fft: Inverse2d::default(),
        }
    }

    /// Light and opacity at steps of a line that starts at a corner, each averaged over points inside it; `finer` steps a
    /// photosite.
    fn line(&self, (x, y): (f64, f64), (finer, points): (usize, usize), out: &mut [[f32; 4]]) {
        let step = 1.0 / (finer * points) as f64;
        let count = out.len() * points;
        let (mut u, mut v) = (vec![0.0; count], vec![0.0; count]);
        out.fill([0.0; 4]);
        for j in 0..points {
            let from = (x + 0.5 * step, y + (j as f64 + 0.5) * step);
            self.projection.line(from, step, &mut u, &mut v);
            for (sums, (u, v)) in out.iter_mut().zip(u.chunks(points).zip(v.chunks(points))) {
                for (u, v) in u.iter().zip(v) {
                    // Not a number where nothing is seen, which is nowhere in the picture.
                    let found = self.foreground.at(DVec2::new(*u, *v));
                    sums.iter_mut().zip(found).for_each(|(s, f)| *s += f);
                }
            }
        }
        let share = (points * points) as f32;
        out.iter_mut().flatten().for_each(|s| *s /= share);
    }

    /// Whether any of a part's grid may see the picture.
    fn sees(&self, area: &Window) -> bool {
        let m = self.grid.margin as f64 + 1.0;
        let (x0, y0) = (f64::from(area.x) - m, f64::from(area.y) - m);
        let (x1, y1) = (f64::from(area.x + area.width) + m, f64::from(area.y + area.height) + m);
        const STEPS: u32 = 16;
        let (mut low, mut high) = (DVec2::splat(f64::INFINITY), DVec2::splat(f64::NEG_INFINITY));
        for k in 0..=STEPS {
            let t = f64::from(k) / f64::from(STEPS);
            let (x, y) = (x0 + (x1 - x0) * t, y0 + (y1 - y0) * t);
            for point in [(x, y0), (x, y1), (x0, y), (x1, y)] {
                if let Some(sight) = self.projection.sight(point.into()) {
                    low = low.min(sight.wall);
                    high = high.max(sight.wall);
                }
            }
        }
        let bend = (high - low) * 0.02 + 1.0;
        let size = DVec2::new(f64::from(self.foreground.columns), f64::from(self.foreground.rows));
        let (low, high) = (low - bend, high + bend);
        if !(low.cmplt(size).all() && high.cmpgt(DVec2::ZERO).all()) {
            return false;
        }
        let squares = f64::from(SQUARE);
        let last = (size / squares).ceil() - 1.0;
        let from = (low / squares).floor().max(DVec2::ZERO);
        let to = (high / squares).floor().min(last);
        let across = last.x as usize + 1;
        (from.y as usize..=to.y as usize)
            .any(|y| (from.x as usize..=to.x as usize).any(|x| self.holds[y * across + x]))
    }

    fn part(&self, area: &Window) -> Option<Part> {
        if !self.sees(area) {
            return None;
        }
        let Grid { finer, margin, size: n, .. } = self.grid;
        let mut halves = [(); 2].map(|()| vec![Complex32::default(); n * n]);
        let start = |first: u32| f64::from(first) - margin as f64;
        let (x0, y0) = (start(area.x), start(area.y));
        let mut empty = true;
        let mut line = vec![[0.0; 4]; n];
        for j in 0..n {
            let y = y0 + j as f64 / finer as f64;
            self.line((x0, y), (finer, self.points), &mut line);
            for (i, &[r, g, b, opacity]) in line.iter().enumerate() {
                empty &= opacity == 0.0;
                halves[0][j * n + i] = Complex32::new(opacity, r);
                halves[1][j * n + i] = Complex32::new(g, b);
            }
        }
        if empty {
            return None;
        }
        let first = halves[0][0].re;
        let varies = halves[0].iter().any(|v| v.re != first);
        let sharp = varies.then(|| self.sharp(area, &halves[0]));
        for half in &mut halves {
            // The forward transform is the inverse one between two conjugations.
            half.iter_mut().for_each(|v| *v = v.conj());
            self.fft.run(half, n, n);
            half.iter_mut().zip(&self.view).for_each(|(v, h)| *v = v.conj() * h);
            self.fft.run(half, n, n);
        }
        let part = self.developed(area, &halves);
        Some(Part { sharp, ..part })
    }

    /// The opacity around a part, of which a grid's values are known.
    fn sharp(&self, area: &Window, values: &[Complex32]) -> Sharp {
        let Grid { finer, margin, size: n, .. } = self.grid;
        let each = OPACITY_STEPS / finer;
        let size = n * each;
        let start = |first: u32| OPACITY_STEPS as i32 * (first as i32 - margin as i32);
        let (first, top) = (start(area.x), start(area.y));
        let share = |opacity: f32| (opacity.clamp(0.0, 1.0) * 65_535.0).round() as u16;
        let opacity = if each == 1 {
            values.iter().map(|v| share(v.re)).collect()
        } else {
            let place = |step: i32| f64::from(step) / OPACITY_STEPS as f64;
            let points = self.points.div_ceil(each);
            let mut line = vec![[0.0; 4]; size];
            let mut all = Vec::with_capacity(size * size);
            for j in 0..size {
                let from = (place(first), place(top + j as i32));
                self.line(from, (OPACITY_STEPS, points), &mut line);
                all.extend(line.iter().map(|sample| share(sample[3])));
            }
            all
        };
        Sharp { first, top, size, opacity }
    }

    /// Opacity and photoelectrons from the blurred grid.
    fn developed(&self, area: &Window, [first, second]: &[Vec<Complex32>; 2]) -> Part {
        let camera = &self.shared.scene.camera;
        let Grid { finer, margin, size: n, .. } = self.grid;
        let scale = 1.0 / (n * n) as f32;
        let planes = camera.mosaic.planes();
        let count = (area.width * area.height) as usize;
        let mut opacity = Vec::with_capacity(count);
        let mut electrons = vec![Vec::with_capacity(count); planes];
        for y in 0..area.height {
            let read = camera.reads_row(area.y + y);
            for x in 0..area.width {
                let at = |k: u32| (k as usize + margin) * finer + finer / 2;
                let i = at(y) * n + at(x);
                opacity.push((first[i].re * scale).clamp(0.0, 1.0));
                let nits = [first[i].im, second[i].re, second[i].im].map(|v| f64::from(v * scale));
                let place = DVec2::new(f64::from(area.x + x) + 0.5, f64::from(area.y + y) + 0.5);
                let cos = if self.shared.scene.lens.vignetting {
                    self.projection.sight(place).map_or(0.0, |s| s.cos_axis)
                } else {
                    1.0
                };
                let gain = if read { (cos * cos) * (cos * cos) } else { 0.0 };
                let class = camera.mosaic.colour_at(area.x + x, area.y + y).map(usize::from);
                for (plane, out) in electrons.iter_mut().enumerate() {
                    let row = &self.per_nit[class.unwrap_or(plane).min(self.per_nit.len() - 1)];
                    let sum = row[0] * nits[0] + row[1] * nits[1] + row[2] * nits[2];
                    out.push((sum * gain).max(0.0) as f32);
                }
            }
        }
        Part { area: *area, opacity, electrons, sharp: None }
    }
}
