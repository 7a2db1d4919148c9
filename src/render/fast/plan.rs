//! One flat face of the wall in front of the sensor: its tiles, and the geometry in them.

use super::far;
use super::kernel::{self, HARMONICS, Local, TileShape, photosite_view};
use super::light::Lighting;
use super::shared::{Part, Shared};
use crate::frame::Window;
use crate::optics::projection::Projection;
use crate::optics::transfer;
use crate::wall::Face;
use glam::DVec2;
use std::ops::Range;
use std::sync::Arc;

/// Tiles start at this size, photosites, and are halved until the blur's shape holds inside them.
pub(super) const TILE: u32 = 256;
/// Tiles are not halved below this.
const SMALLEST_TILE: u32 = 16;

/// A tile: its rectangle on the full sensor, and its local geometry, if it sees the face's plane.
pub(super) struct Tile {
    pub area: Window,
    pub shape: Option<TileShape>,
}

/// Everything that is constant over a frame for one face of the wall.
pub(super) struct Plan<'a> {
    pub shared: Arc<Shared<'a>>,
    pub face: Face,
    /// Columns and rows of its lattice.
    pub size: DVec2,
    pub projection: Projection,
    /// Lots of [`Shared::lots`]: all emitters, then what the face's outline changes.
    pub lots: Range<usize>,
    /// Light of each colour, as a share of steady full light.
    pub gain: [f32; 3],
    /// Exponent of the viewing-angle falloff per colour.
    pub falloff: [f64; 3],
    /// Photosites outside it see nothing of the face.
    pub bounds: Window,
}

impl<'a> Plan<'a> {
    /// Plans of every face of the wall, and of every surface that reflects.
    pub(super) fn all(shared: &Arc<Shared<'a>>) -> Vec<Self> {
        let wall = &shared.scene.wall;
        let emitters = 0..shared.emitter_lots;
        let mut plans: Vec<Self> = wall
            .faces()
            .into_iter()
            .map(|face| {
                let gain = face.gain.map(|g| g as f32);
                Self::new(shared, face, emitters.clone(), gain, shared.falloff)
            })
            .collect();
        if shared.reflected > 0.0 {
            let gain = [shared.reflected as f32; 3];
            plans.extend(wall.surfaces().into_iter().map(|face| {
                Self::new(shared, face, emitters.end..emitters.end + 1, gain, [0.0; 3])
            }));
        }
        plans
    }

    fn new(
        shared: &Arc<Shared<'a>>,
        face: Face,
        lots: Range<usize>,
        gain: [f32; 3],
        falloff: [f64; 3],
    ) -> Self {
        let projection = shared.projection(&face);
        let [columns, rows] = face.size();
        let size = DVec2::new(f64::from(columns), f64::from(rows));
        let mut plan = Self {
            shared: shared.clone(),
            face,
            size,
            projection,
            lots,
            gain,
            falloff,
            bounds: Window { x: 0, y: 0, width: 0, height: 0 },
        };
        plan.bounds = plan.found_bounds();
        plan
    }

    /// Whether it is a surface that shines evenly, and no emitters.
    pub(super) fn is_even(&self) -> bool {
        self.lots.start >= self.shared.emitter_lots
    }

    /// The light of a frame where the face's clock is not that of the wall, for the rows that its tiles need.
    pub(super) fn own_light(&self, frame: u32, tiles: &[&Tile]) -> Lighting {
        let shared = &self.shared;
        let (window, rows) = (shared.window, shared.scene.camera.rows);
        let first = tiles.iter().map(|t| t.area.y).min().unwrap_or(0).max(window.y);
        let last = tiles.iter().map(|t| t.area.y + t.area.height).max().unwrap_or(1);
        let last = last.min(window.y + window.height) - 1;
        let stride = shared.tails.stride;
        // The far light's rows lie around the window's.
        let end = far::node(last, stride, rows)[1];
        let rows = first / stride * stride..end + 1;
        Lighting::new(shared.scene, frame, rows, self.face.clock_s)
    }

    /// Columns (axis 0) or rows of the face that a lot is about.
    pub(super) fn pixels(&self, lot: usize, axis: usize) -> Range<i64> {
        let n = self.size[axis] as i64;
        match self.shared.lots[lot].parts[axis] {
            Part::All => 0..n,
            Part::First => 0..1,
            Part::Last => n - 1..n,
        }
    }

    /// The part of a tile that is rendered: in the window, and where the face can be seen.
    pub(super) fn part(&self, area: &Window) -> Option<Window> {
        common(&common(area, &self.shared.window)?, &self.bounds)
    }

    /// Where the face and its blur may land on the sensor, from its outline.
    fn found_bounds(&self) -> Window {
        let shared = &self.shared;
        let camera = &shared.scene.camera;
        let all = Window { x: 0, y: 0, width: camera.columns, height: camera.rows };
        let spread = shared.lots[self.lots.start].sources.iter().map(|s| s.half());
        let spread = spread.fold(DVec2::ZERO, DVec2::max) + 1.0;
        let mut low = DVec2::splat(f64::INFINITY);
        let mut high = DVec2::splat(f64::NEG_INFINITY);
        const STEPS: usize = 16;
        for i in 0..=STEPS {
            let t = i as f64 / STEPS as f64;
            let along = -spread + (self.size + 2.0 * spread) * t;
            let (near, far) = (-spread, self.size + spread);
            for place in [
                DVec2::new(along.x, near.y),
                DVec2::new(along.x, far.y),
                DVec2::new(near.x, along.y),
                DVec2::new(far.x, along.y),
            ] {
                // A face that reaches behind the lens is seen who knows where.
                let (Some(point), true) =
                    (self.projection.project(place), self.projection.depth_m(place) > 0.01)
                else {
                    return all;
                };
                low = low.min(point);
                high = high.max(point);
            }
        }
        // Lines between the points may bend, and blurs askew are wider on one side.
        let bend = (high - low) * 0.02;
        let depths = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)]
            .map(|(x, y)| self.projection.depth_m(self.size * DVec2::new(x, y)));
        let disc = depths.map(|d| transfer::blur_disc_m(&shared.scene.lens, d).abs());
        let disc = disc.into_iter().fold(0.0, f64::max) / camera.photosite_m;
        let blur = &shared.blur;
        let filters = blur.low_pass.abs().max_element() + blur.front_low_pass.abs().max_element();
        let tails = shared.tails.far.unwrap_or(shared.tails.near);
        let stride = f64::from(2 * shared.tails.stride);
        let reach = 0.8 * disc + tails + 4.0 * blur.sigma + filters + stride + 4.0;
        let (low, high) = (low - bend - reach, high + bend + reach);
        let end = |v: f64, n: u32| v.clamp(0.0, f64::from(n)) as u32;
        let (x0, y0) = (end(low.x.floor(), camera.columns), end(low.y.floor(), camera.rows));
        let (x1, y1) = (end(high.x.ceil(), camera.columns), end(high.y.ceil(), camera.rows));
        Window { x: x0, y: y0, width: x1 - x0, height: y1 - y0 }
    }

    /// The local geometry at a sensor point, rounded to single precision so that tiles with the same
    /// geometry share one kernel whatever order they are rendered in.
    pub(super) fn local(&self, point: DVec2) -> Option<Local> {
        let sight = self.projection.sight(point)?;
        let (whole, plain) = self.projection.derivatives(point);
        let disc = transfer::blur_disc_m(&self.shared.scene.lens, sight.depth_m)
            / self.shared.scene.camera.photosite_m;
        let lens = &self.shared.scene.lens;
        let skew = if self.shared.skewed {
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
    pub(super) fn tiles(&self) -> Vec<Tile> {
        let camera = &self.shared.scene.camera;
        let w = self.shared.window;
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
        if self.part(&area).is_none() {
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
        let wavelength_m = kernel::shortest(&self.shared.lots[self.lots.start].sources);
        for g in HARMONICS {
            let view = |l: &Local| photosite_view(&self.shared.blur, l, wavelength_m, g);
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
}

/// The photosites in both of two windows, if any.
pub(super) fn common(a: &Window, b: &Window) -> Option<Window> {
    let (x, y) = (a.x.max(b.x), a.y.max(b.y));
    let x1 = (a.x + a.width).min(b.x + b.width);
    let y1 = (a.y + a.height).min(b.y + b.height);
    (x1 > x && y1 > y).then(|| Window { x, y, width: x1 - x, height: y1 - y })
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
pub(super) const ALLOWED: f64 = 0.0123;

/// Change of the blur's shape between two places, as a share of what a tile may hold.
///
/// An edge of the blur that lies δ photosites off changes a frame of random content by
/// 2δ/√(c·w) of its standard deviation (c the blur disc, w ≈ 1 its edge's softness); the allowed δ
/// keeps that near 1 %.
pub(super) fn shape_change(middle: &Local, other: &Local) -> f64 {
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
