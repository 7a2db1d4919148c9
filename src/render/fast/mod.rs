//! The fast engine: every photosite gathers the light of the wall pixels it sees, through tabulated
//! blur, with the exact on-time of each emitter during the exposure of the photosite's row.
//!
//! The sensor is cut into tiles, inside which the local perspective and the blur disc may be taken
//! as constant for the *shape* of the blur (its place is exact for every photosite). Each photosite
//! depends on nothing but itself and its tile, and tiles are laid on the full sensor: a crop equals
//! the cropped full frame, and the bits do not depend on the number of threads.

mod far;
mod gather;
mod kernel;
mod light;
mod source;
mod taps;
#[cfg(test)]
mod tests;
mod tile;

use super::{Cancelled, Run};
use crate::colour;
use crate::frame::{Electrons, Plane, Window};
use crate::math::fft::Inverse2d;
use crate::optics::blur::Blur;
use crate::optics::projection::{Projection, SensorGrid, WallGrid};
use crate::optics::transfer;
use crate::scene::Scene;
use crate::sensor::Mosaic;
use crate::wall::EmitterShape;
use far::Tails;
use fearless_simd::Level;
use glam::DVec2;
use kernel::{HARMONICS, Kernels, Local, TileShape, photosite_view};
use light::Lighting;
use rayon::prelude::*;
use source::{Outline, Source};
use std::f64::consts::PI;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

/// Tiles start at this size, photosites, and are halved until the blur's shape holds inside them.
const TILE: u32 = 256;
/// Tiles are not halved below this.
const SMALLEST_TILE: u32 = 16;

/// Noise-free photoelectrons of every photosite of `window` in frame `frame`.
///
/// `window` is in full-sensor photosites and must lie on the sensor.
///
/// # Errors
/// [`Cancelled`] when `run` was cancelled.
pub fn render(
    scene: &Scene,
    frame: u32,
    window: Window,
    run: &Run,
) -> Result<Electrons, Cancelled> {
    let plan = Plan::new(scene, frame, window);
    let (width, height) = (window.width as usize, window.height as usize);
    let planes = scene.camera.mosaic.planes();
    let out = Mutex::new(vec![Plane::filled(width, height, 0.0); planes]);
    let tiles = plan.tiles();
    let done = AtomicUsize::new(0);
    tiles.par_iter().for_each(|tile| {
        if run.is_cancelled() {
            return;
        }
        if let Some((part, values)) = plan.render_tile(tile) {
            let mut out = out.lock().unwrap_or_else(|e| e.into_inner());
            for (plane, values) in out.iter_mut().zip(&values) {
                for (y, row) in values.chunks_exact(part.width as usize).enumerate() {
                    let start =
                        ((part.y - window.y) as usize + y) * width + (part.x - window.x) as usize;
                    plane.data[start..start + row.len()].copy_from_slice(row);
                }
            }
        }
        let share = (done.fetch_add(1, Ordering::Relaxed) + 1) as f64 / tiles.len() as f64;
        if let Some(progress) = &run.progress {
            progress(share);
        }
    });
    if run.is_cancelled() {
        return Err(Cancelled);
    }
    Ok(Electrons { window, planes: out.into_inner().unwrap_or_else(|e| e.into_inner()) })
}

/// Bytes that the tables of blur of a frame take at their peak, for the threads at hand: an upper estimate made
/// before anything is allocated. They grow with the square of a wall pixel's size on the sensor.
pub fn table_bytes(scene: &Scene, window: Window) -> f64 {
    // The clockwork of one row is enough for a plan that is not rendered.
    let plan = Plan::new(scene, 0, Window { height: 1, ..window });
    let plan = Plan { window, ..plan };
    let tiles = plan.tiles();
    let shapes = tiles.iter().filter_map(|tile| tile.shape);
    let busy = rayon::current_num_threads().min(tiles.len()) as f64;
    // What the wall's outline changes has kernels of the same size, kept once each.
    let lots = plan.lots.len();
    let held = (KEPT + lots - 1 + rayon::current_num_threads()).min(tiles.len() * lots) as f64;
    shapes
        .map(|shape| {
            let [making, kept] =
                kernel::bytes(&plan.blur, &shape, &plan.lots[0].sources, &plan.tails);
            // What is being made counts as held already.
            (making - kept) * busy + kept * held
        })
        .fold(0.0, f64::max)
}

/// Sets of kernels that are kept for other tiles.
const KEPT: usize = 4;

/// Everything that is constant over a frame.
struct Plan<'a> {
    scene: &'a Scene,
    window: Window,
    projection: Projection,
    blur: Blur,
    lighting: Lighting,
    /// The blur of a wall askew is seen to grow across the pupil.
    skewed: bool,
    /// How the tails of diffraction are parted from the rest.
    tails: Tails,
    /// All emitters, then what the wall's outline changes.
    lots: Vec<Lot>,
    /// Offset of each colour's lattice, wall pixels right and down.
    offsets: [DVec2; 3],
    /// Electrons of a photosite class (row) from steady full light of an emitter colour (column), on axis.
    electrons: Vec<[f32; 3]>,
    /// Exponent of the viewing-angle falloff per colour.
    falloff: [f64; 3],
    fft: Inverse2d,
    /// The vectors that taps are summed with: the widest at hand.
    level: Level,
    /// Kernels of the latest local geometries; a camera that faces the wall has one for all tiles.
    kept: Mutex<Vec<(TileShape, usize, Arc<Kernels>)>>,
}

/// A tile: its rectangle on the full sensor, and its local geometry, if it sees the wall's plane.
struct Tile {
    area: Window,
    shape: Option<TileShape>,
}

impl<'a> Plan<'a> {
    fn new(scene: &'a Scene, frame: u32, window: Window) -> Self {
        let (camera, wall, lens) = (&scene.camera, &scene.wall, &scene.lens);
        let sensor = SensorGrid {
            columns: camera.columns,
            rows: camera.rows,
            photosite_m: camera.photosite_m,
        };
        let grid = WallGrid { columns: wall.columns, rows: wall.rows, pitch_m: wall.pitch_m };
        let projection = Projection::new(lens, &scene.pose, sensor, grid);
        let shortest = wall.emitters.iter().map(|e| e.wavelength_m).fold(f64::INFINITY, f64::min);
        let (widest, skewed) = widest_disc(scene, &projection);
        let blur = Blur::new(
            lens,
            (scene.low_pass.as_ref(), scene.front_low_pass.as_ref()),
            camera.photosite_m,
            camera.fill_factor,
            widest,
            shortest,
        );

        let lots = Lot::all(wall, blur.is_chromatic());
        let offsets = [0, 1, 2].map(|c| {
            let o = wall.emitters[c].offset_m / wall.pitch_m;
            DVec2::new(o.x, -o.y)
        });
        let falloff = [0, 1, 2].map(|c| {
            wall.emitters[c]
                .half_angle_rad
                .map_or(0.0, |a| libm::log(0.5) / libm::log(libm::cos(a)))
        });
        let longest = wall.emitters.iter().map(|e| e.wavelength_m).fold(0.0, f64::max);
        let tails = Tails::new(&blur, longest);
        // The far light's rows lie around the window's.
        let end = far::node(window.y + window.height - 1, tails.stride, camera.rows)[1];
        let rows = window.y / tails.stride * tails.stride..end + 1;
        Self {
            scene,
            window,
            projection,
            blur,
            skewed,
            tails,
            lighting: Lighting::new(scene, frame, rows),
            lots,
            offsets,
            electrons: electrons_of_white(scene),
            falloff,
            fft: Inverse2d::default(),
            level: Level::new(),
            kept: Mutex::new(Vec::new()),
        }
    }

    /// The local geometry at a sensor point, rounded to single precision so that tiles with the same
    /// geometry share one kernel whatever order they are rendered in.
    fn local(&self, point: DVec2) -> Option<Local> {
        let sight = self.projection.sight(point)?;
        let (whole, plain) = self.projection.derivatives(point);
        let disc =
            transfer::blur_disc_m(&self.scene.lens, sight.depth_m) / self.scene.camera.photosite_m;
        let lens = &self.scene.lens;
        let skew = if self.skewed {
            self.projection.skew(point, lens.focal_m / lens.f_number, lens.focus_m)
        } else {
            DVec2::ZERO
        };
        let round = |m: glam::DMat2| m.as_mat2().as_dmat2();
        Some(Local {
            whole: round(whole),
            plain: round(plain),
            disc: f64::from(disc as f32),
            skew: skew.as_vec2().as_dvec2(),
        })
    }

    /// Tiles over the window, cut on the full sensor.
    fn tiles(&self) -> Vec<Tile> {
        let camera = &self.scene.camera;
        let w = self.window;
        let mut tiles = Vec::new();
        for y in (w.y / TILE * TILE..w.y + w.height).step_by(TILE as usize) {
            for x in (w.x / TILE * TILE..w.x + w.width).step_by(TILE as usize) {
                let area = Window {
                    x,
                    y,
                    width: TILE.min(camera.columns - x),
                    height: TILE.min(camera.rows - y),
                };
                self.cut(area, &mut tiles);
            }
        }
        tiles
    }

    fn cut(&self, area: Window, tiles: &mut Vec<Tile>) {
        let w = self.window;
        let outside = area.x >= w.x + w.width
            || area.y >= w.y + w.height
            || area.x + area.width <= w.x
            || area.y + area.height <= w.y;
        if outside {
            return;
        }
        let (x, y) = (f64::from(area.x), f64::from(area.y));
        let (width, height) = (f64::from(area.width), f64::from(area.height));
        let at = |fx: f64, fy: f64| self.local(DVec2::new(x + fx * width, y + fy * height));
        let middle = at(0.5, 0.5);
        let sides = [at(0.0, 0.5), at(1.0, 0.5), at(0.5, 0.0), at(0.5, 1.0)];
        let corners = [at(0.0, 0.0), at(1.0, 0.0), at(0.0, 1.0), at(1.0, 1.0)];
        let (across, down, worst, shape) = match (middle, sides, corners) {
            (
                Some(middle),
                [Some(left), Some(right), Some(top), Some(bottom)],
                [Some(c0), Some(c1), Some(c2), Some(c3)],
            ) => {
                let sides = [left, right, top, bottom];
                let fit = self.fit(&middle, &sides, &[c0, c1, c2, c3]);
                let sides = (!fit.constant).then_some(sides);
                (fit.across, fit.down, fit.worst, Some(TileShape { middle, sides }))
            }
            (None, [None, None, None, None], [None, None, None, None]) => (0.0, 0.0, 0.0, None),
            // The edge of what can be seen: cut as far as it goes.
            _ => {
                let any = sides.into_iter().chain(corners).flatten().next();
                let shape = middle.or(any).map(|middle| TileShape { middle, sides: None });
                (width, height, 2.0, shape)
            }
        };
        let splits_across = area.width >= 2 * SMALLEST_TILE;
        let splits_down = area.height >= 2 * SMALLEST_TILE;
        if worst > 1.0 && (splits_across || splits_down) {
            let go_across = splits_across && (across >= down || !splits_down);
            // Halves stay multiples of the smallest tile wherever the full tile was.
            let half = |n: u32| (n / 2).next_multiple_of(SMALLEST_TILE);
            if go_across {
                let h = half(area.width);
                self.cut(Window { width: h, ..area }, tiles);
                self.cut(Window { x: area.x + h, width: area.width - h, ..area }, tiles);
            } else {
                let h = half(area.height);
                self.cut(Window { height: h, ..area }, tiles);
                self.cut(Window { y: area.y + h, height: area.height - h, ..area }, tiles);
            }
            return;
        }
        tiles.push(Tile { area, shape });
    }

    /// How well one kernel, or a kernel that changes linearly, serves a tile.
    fn fit(&self, middle: &Local, sides: &[Local; 4], corners: &[Local; 4]) -> Fit {
        /// Largest error of a lattice harmonic's transfer: 0.04 % of full contrast.
        const HARMONIC: f32 = 4e-4;
        let [left, right, top, bottom] = sides;
        let change = |l: &Local| shape_change(middle, l);
        let across = change(left).max(change(right));
        let down = change(top).max(change(bottom));
        let shape = corners.iter().map(change).fold(across.max(down), f64::max);
        let (mut constant, mut linear) = (0.0_f32, 0.0_f32);
        let wavelength_m = kernel::shortest(&self.lots[0].sources);
        for g in HARMONICS {
            let view = |l: &Local| photosite_view(&self.blur, l, wavelength_m, g);
            let m = view(middle);
            let [l, r, t, b] = [left, right, top, bottom].map(view);
            let (sx, sy) = ((r - l) * 0.5, (b - t) * 0.5);
            for (side, slope) in [(l, -sx), (r, sx), (t, -sy), (b, sy)] {
                constant = constant.max((side - m).norm());
                linear = linear.max((side - m - slope).norm());
            }
            let signs = [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)];
            for (corner, (x, y)) in corners.iter().zip(signs) {
                let c = view(corner);
                constant = constant.max((c - m).norm());
                linear = linear.max((c - m - sx * x - sy * y).norm());
            }
        }
        let worst = (shape / most_linear(middle)).max(f64::from(linear / HARMONIC));
        Fit { across, down, worst, constant: shape <= 1.0 && constant <= HARMONIC }
    }

    /// Kernels of the set `lot`, of [`Plan::lots`], over a tile.
    fn kernels(&self, shape: &TileShape, lot: usize) -> Arc<Kernels> {
        if let Some((_, _, kernels)) = self
            .kept
            .lock()
            .unwrap_or_else(|e| e.into_inner())
            .iter()
            .find(|(s, l, _)| s == shape && *l == lot)
        {
            return kernels.clone();
        }
        let sources = &self.lots[lot].sources;
        let tails = if lot == 0 { self.tails } else { self.tails.folded() };
        let kernels = kernel::kernels(&self.blur, shape, sources, &tails, &self.fft);
        let kernels = Arc::new(kernels);
        let mut kept = self.kept.lock().unwrap_or_else(|e| e.into_inner());
        if kept.len() == KEPT + self.lots.len() - 1 {
            kept.remove(0);
        }
        kept.push((*shape, lot, kernels.clone()));
        kernels
    }
}

/// Emitters of some of the wall's pixels.
struct Lot {
    /// Emitters that need kernels of their own, and which of them each colour uses.
    sources: Vec<Source>,
    source_of: [usize; 3],
    /// Columns and rows of the wall's pixels.
    pixels: [std::ops::Range<i64>; 2],
}

impl Lot {
    fn new(each: [Source; 3], pixels: [std::ops::Range<i64>; 2]) -> Self {
        let mut sources: Vec<Source> = Vec::new();
        let source_of = each.map(|source| {
            sources.iter().position(|s| *s == source).unwrap_or_else(|| {
                sources.push(source);
                sources.len() - 1
            })
        });
        Self { sources, source_of, pixels }
    }

    /// All emitters of the wall; and, where light is a tent around every pixel, what the wall's outline changes of the
    /// outermost pixels, side by side and corner by corner.
    fn all(wall: &crate::wall::Wall, is_chromatic: bool) -> Vec<Self> {
        let (columns, rows) = (i64::from(wall.columns), i64::from(wall.rows));
        let each = |across: fn(f64) -> Outline, down: fn(f64) -> Outline| {
            [0, 1, 2].map(|c| {
                let emitter = &wall.emitters[c];
                let o = emitter.offset_m / wall.pitch_m;
                Source {
                    shape: emitter.shape,
                    pitch_m: wall.pitch_m,
                    wavelength_m: if is_chromatic { emitter.wavelength_m } else { 0.0 },
                    spread: wall.diffuser.map_or(0.0, |d| d.sigma_m()) / wall.pitch_m,
                    outline: [across(o.x), down(-o.y)],
                }
            })
        };
        let whole: fn(f64) -> Outline = |_| Outline::Whole;
        let mut lots = vec![Self::new(each(whole, whole), [0..columns, 0..rows])];
        if wall.emitters.iter().any(|e| e.shape != EmitterShape::Tent) {
            return lots;
        }
        let first: fn(f64) -> Outline = |o| Outline::First((0.5 + o).clamp(0.0, 1.0));
        let last: fn(f64) -> Outline = |o| Outline::Last((0.5 - o).clamp(0.0, 1.0));
        let across = [(whole, 0..columns), (first, 0..1), (last, columns - 1..columns)];
        let down = [(whole, 0..rows), (first, 0..1), (last, rows - 1..rows)];
        for (i, (x, pixels_x)) in across.iter().enumerate() {
            for (j, (y, pixels_y)) in down.iter().enumerate() {
                if i + j > 0 {
                    lots.push(Self::new(each(*x, *y), [pixels_x.clone(), pixels_y.clone()]));
                }
            }
        }
        lots
    }
}

/// How well a tile holds.
struct Fit {
    /// Change of shape over half the tile, across and down.
    across: f64,
    down: f64,
    /// Share of what a linear kernel may be wrong by; above 1 the tile is to be cut.
    worst: f64,
    /// One kernel serves the whole tile.
    constant: bool,
}

/// How many times the change of shape that a constant kernel may hide a linear one may follow.
///
/// Half-way between an edge and the same edge δ further on, the mean of the two is off by a curvature of δ²/8, as much
/// as an edge δ₀ off where δ² ≈ 8·δ₀ (edges are about a photosite soft); 6 leaves room.
fn most_linear(middle: &Local) -> f64 {
    (6.0 / (ALLOWED * (middle.disc.abs() + 1.0).sqrt())).sqrt().min(12.0)
}

/// Largest δ₀/√(c + 1) of a constant kernel.
const ALLOWED: f64 = 0.0123;

/// Change of the blur's shape between two places, as a share of what a tile may hold.
///
/// An edge of the blur that lies δ photosites off changes a frame of random content by
/// 2δ/√(c·w) of its standard deviation (c the blur disc, w ≈ 1 its edge's softness); the allowed δ
/// keeps that near 1 %.
fn shape_change(middle: &Local, other: &Local) -> f64 {
    let moved = |a: glam::DMat2, b: glam::DMat2| {
        let m = a.inverse() * b - glam::DMat2::IDENTITY;
        (m.x_axis.length_squared() + m.y_axis.length_squared()).sqrt() / 2.0_f64.sqrt()
    };
    let disc = middle.disc.abs().max(other.disc.abs());
    let allowed = ALLOWED * (disc + 1.0).sqrt();
    let edge =
        moved(middle.plain, other.plain) * disc / 2.0 + (other.disc - middle.disc).abs() / 2.0;
    let sensor = moved(middle.whole, other.whole);
    (edge / allowed).max(sensor / ALLOWED)
}

/// The widest blur disc over the frame, photosites, and whether the growth of the blur across the pupil
/// ([`Projection::skew`]) moves its edge by more than 0.3 of what a constant kernel may hide.
fn widest_disc(scene: &Scene, projection: &Projection) -> (f64, bool) {
    let (w, h) = (f64::from(scene.camera.columns), f64::from(scene.camera.rows));
    let lens = &scene.lens;
    let (mut widest, mut skewed) = (0.0_f64, false);
    for j in 0..=8 {
        for i in 0..=8 {
            let point = DVec2::new(w * f64::from(i) / 8.0, h * f64::from(j) / 8.0);
            if let Some(sight) = projection.sight(point) {
                let disc = transfer::blur_disc_m(lens, sight.depth_m).abs();
                let disc = disc / scene.camera.photosite_m;
                widest = widest.max(disc);
                let skew = projection.skew(point, lens.focal_m / lens.f_number, lens.focus_m);
                let moved = skew.length() * disc / 2.0;
                skewed |= moved > 0.3 * ALLOWED * (disc + 1.0).sqrt();
            }
        }
    }
    (widest, skewed)
}

/// Electrons that a photosite of each class collects from steady full light of each emitter colour
/// that fills its view, on axis: L·π/(4N_w²)·transmission·time·photons per lx·s·area·matrix.
fn electrons_of_white(scene: &Scene) -> Vec<[f32; 3]> {
    let (camera, wall, lens) = (&scene.camera, &scene.wall, &scene.lens);
    let shares = colour::luminance_shares(wall.emitters.map(|e| e.xy), wall.white_xy)
        .unwrap_or([1.0 / 3.0; 3]);
    let n = lens.working_f_number();
    let passed = wall.diffuser.map_or(1.0, |d| d.transmission);
    let lux_seconds = wall.white_nits * wall.brightness * passed * PI / (4.0 * n * n)
        * lens.transmission
        * camera.exposure_s;
    let area = camera.photosite_m * camera.photosite_m * camera.fill_factor;
    let full = |row: [f64; 3]| {
        [0, 1, 2].map(|e| {
            let emitter = &wall.emitters[e];
            let photons =
                colour::led_photons_per_lux_second_m2(emitter.wavelength_m, emitter.linewidth_m);
            (lux_seconds * shares[e] * photons * area * row[e]) as f32
        })
    };
    match camera.mosaic {
        Mosaic::Monochrome => {
            let mean = |e: usize| camera.matrix.iter().map(|row| row[e]).sum::<f64>() / 3.0;
            vec![full([mean(0), mean(1), mean(2)])]
        }
        _ => camera.matrix.iter().map(|&row| full(row)).collect(),
    }
}
