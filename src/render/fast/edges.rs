//! What an edge of the foreground changes of the wall's light beside it.
//!
//! The light of a photosite is the mean, over its points, its low-pass spots and the pupil, of the wall's light times what the
//! foreground lets through there. Away from edges that is the product of two means ([`super::foreground`]). Along edges the parts
//! of the pupil that see past the edge do not see quite the wall that the whole pupil sees, and the same holds for parts of the
//! photosite. Here is the difference,
//!
//! ```text
//! Σ share · wall · passed − (Σ share · wall) · (Σ share · passed),
//! ```
//!
//! over the pieces of [`pieces`]. It is made from geometry alone and put on top of the product, whose means have all that the
//! blur has, waves too: where the foreground does not vary, nothing changes. What is left out is what the wall and the
//! foreground do together inside one piece.

mod passed;
mod pieces;

use super::foreground::{Opacity, Veil};
use super::gather::{Looks, WallPoints};
use super::kernel::{self, Kernel, Local};
use super::light::Lighting;
use super::plan::{Plan, TILE, common};
use super::shared::Shared;
use super::tile::Layer;
use crate::frame::{Electrons, Window};
use crate::optics::Lens;
use crate::optics::blur::Blur;
use crate::render::{Cancelled, Run};
use crate::scene::Foreground;
use crate::sensor::Mosaic;
use fearless_simd::dispatch;
use glam::{DMat2, DVec2};
use passed::{Passed, PassedRow};
use pieces::{PieceView, Pieces};
use rayon::prelude::*;
use std::sync::{Arc, Mutex};

/// Photosites across and down that are worked out together, on the full sensor.
pub(super) const BLOCK: u32 = 64;

/// They are halved, down to this, where the wall's blur disc changes by more than so many photosites, or by such a share.
const LEAST_BLOCK: u32 = 4;
const SAME_DISC: f64 = 0.03;
const SAME_SHARE: f64 = 0.005;

/// An edge is where the opacity is this far from none and from all.
const FAINT: f32 = 1e-3;

/// Edges of a row that lie no more than so many photosites apart are worked out in one go.
const GAP: u32 = 8;

/// Sets of kernels that are kept for other blocks.
const KEPT: usize = 24;

/// Kernels of the view of a piece, a local geometry and a lot.
type Made = (PieceView, Local, usize, Arc<Vec<Kernel>>);

/// What is kept for the blocks and frames to come.
pub(super) struct Edges {
    disc: f64,
    softness: f64,
    blurs: Mutex<Vec<(PieceView, Arc<Blur>)>>,
    kernels: Mutex<Vec<Made>>,
}

impl Edges {
    pub(super) fn new(shared: &Shared<'_>, foreground: &Foreground) -> Self {
        let scene = shared.scene;
        let disc_m = foreground.blur_disc_m(&scene.lens, &scene.pose);
        Self {
            disc: disc_m / scene.camera.photosite_m,
            softness: shared.blur.softness(scene.wall.emitters[1].wavelength_m),
            blurs: Mutex::new(Vec::new()),
            kernels: Mutex::new(Vec::new()),
        }
    }

    /// Puts the difference on a frame that the foreground already covers.
    ///
    /// # Errors
    /// [`Cancelled`] when `run` was cancelled.
    pub(super) fn add(
        &self,
        electrons: &mut Electrons,
        veil: &Veil,
        (plans, light): (&[Plan<'_>], &[Option<Arc<Lighting>>]),
        run: &Run,
    ) -> Result<(), Cancelled> {
        let window = electrons.window;
        let change = |(opacity, block): (Opacity<'_>, Window)| {
            if run.is_cancelled() {
                return Err(Cancelled);
            }
            let Some(part) = common(&block, &window) else { return Ok(None) };
            let Some(runs) = runs(&opacity, &part) else { return Ok(None) };
            let block = Block { area: block, part, opacity, runs };
            let mut out = None;
            for (plan, light) in plans.iter().zip(light) {
                self.add_face(plan, light.as_deref(), &block, &mut out);
            }
            Ok(out.map(|planes| (part, planes)))
        };
        let blocks: Vec<_> = veil.blocks(BLOCK).collect();
        let changes: Vec<_> = blocks.into_par_iter().map(change).collect::<Result<_, _>>()?;
        for (area, planes) in changes.into_iter().flatten() {
            for (plane, values) in electrons.planes.iter_mut().zip(&planes) {
                for (y, row) in values.chunks_exact(area.width as usize).enumerate() {
                    let top = (area.y - window.y) as usize;
                    let start = (top + y) * plane.width + (area.x - window.x) as usize;
                    let sums = &mut plane.data[start..start + row.len()];
                    sums.iter_mut().zip(row).for_each(|(sum, value)| *sum += value);
                }
            }
        }
        Ok(())
    }

    /// Adds what the edges of a block change of one face's light.
    fn add_face(
        &self,
        plan: &Plan<'_>,
        light: Option<&Lighting>,
        block: &Block<'_>,
        out: &mut Option<Vec<Vec<f32>>>,
    ) {
        if common(&block.area, &plan.bounds).is_none() {
            return;
        }
        let Some(local) = plan.local(middle(&block.area)) else { return };
        if let Some(halves) = halves(plan, &block.area, local.disc) {
            halves.iter().for_each(|area| self.add_face(plan, light, &block.within(area), out));
            return;
        }
        if block.runs.is_empty() {
            return;
        }
        let shared = &plan.shared;
        let iris = shared.scene.lens.iris;
        let pieces = Pieces::new(&shared.blur, iris, self.softness, local.disc, self.disc);
        let Some(passed) = Passed::new(&block.opacity, &block.area, &pieces) else { return };
        let [reach, _] = pieces.reach();
        let Some(seen) = plan.bounds_around(&block.area, reach + 1.0) else { return };
        let shape = kernel::TileShape {
            middle: self.shape(plan, &block.area, local, &pieces),
            sides: None,
        };
        if !plan.sees(seen, &shape, plan.lots.start) || plan.is_filled(seen, &shape) {
            return;
        }
        let lots = (plan.lots.start..plan.lots.end).filter(|&lot| plan.sees(seen, &shape, lot));
        let kernels: Vec<_> =
            lots.map(|lot| (lot, self.kernels(shared, &pieces.view, &shape, lot))).collect();
        let lights = [light];
        let layers = kernels
            .iter()
            .filter_map(|(lot, kernels)| plan.layer(kernels, (*lot, &lights), &block.area, seen));
        let layers: Vec<Layer<'_>> = layers.collect();
        if layers.is_empty() {
            return;
        }
        let planes = shared.scene.camera.mosaic.planes();
        let count = (block.part.width * block.part.height) as usize;
        let out = out.get_or_insert_with(|| vec![vec![0.0; count]; planes]);
        Face { plan, pieces: &pieces, passed: &passed, layers }.add(block, out);
    }

    /// The geometry that a block's kernels are made for: that of a whole tile, where it serves the block too.
    fn shape(&self, plan: &Plan<'_>, block: &Window, own: Local, pieces: &Pieces) -> Local {
        /// Share of a pixel's size and turn that may be wrong.
        const OFF: f64 = 0.03;
        let tile = Window {
            x: block.x / TILE * TILE,
            y: block.y / TILE * TILE,
            width: TILE,
            height: TILE,
        };
        let serves = |local: &Local| {
            let off = local.whole.inverse() * own.whole - DMat2::IDENTITY;
            let size = off.x_axis.length().max(off.y_axis.length());
            let disc = (local.disc - own.disc).abs() < SAME_SHARE * own.disc.abs() + SAME_DISC;
            size < OFF && (disc || !pieces.is_whole())
        };
        let found = plan.local(middle(&tile)).filter(serves).unwrap_or(own);
        let disc = if pieces.is_whole() { found.disc } else { 0.0 };
        Local { plain: found.whole, disc, skew: DVec2::ZERO, ..found }
    }

    /// Kernels of what a piece sees of a lot of emitters.
    fn kernels(
        &self,
        shared: &Shared<'_>,
        view: &PieceView,
        shape: &kernel::TileShape,
        lot: usize,
    ) -> Arc<Vec<Kernel>> {
        let lock = |kept: &Mutex<Vec<Made>>| -> Option<Arc<Vec<Kernel>>> {
            let kept = kept.lock().unwrap_or_else(|e| e.into_inner());
            let same = |m: &&Made| m.0 == *view && m.1 == shape.middle && m.2 == lot;
            kept.iter().find(same).map(|m| m.3.clone())
        };
        if let Some(kernels) = lock(&self.kernels) {
            return kernels;
        }
        let blur = self.blur(shared, view);
        let sources = &shared.lots[lot].sources;
        let made = Arc::new(kernel::rough(&blur, shape, sources, &shared.fft));
        let mut kept = self.kernels.lock().unwrap_or_else(|e| e.into_inner());
        if kept.len() >= KEPT {
            kept.remove(0);
        }
        kept.push((*view, shape.middle, lot, made.clone()));
        made
    }

    /// The blur of what a piece sees: no waves, and a square of the pupil.
    fn blur(&self, shared: &Shared<'_>, view: &PieceView) -> Arc<Blur> {
        let mut blurs = self.blurs.lock().unwrap_or_else(|e| e.into_inner());
        if let Some((_, blur)) = blurs.iter().find(|(v, _)| v == view) {
            return blur.clone();
        }
        let scene = shared.scene;
        let photosite_m = scene.camera.photosite_m;
        let lens = Lens { aberration_m: view.sigma * photosite_m, ..scene.lens.clone() };
        let (spots, fill) = match view.is_cut {
            true => ((None, None), scene.camera.fill_factor / 9.0),
            false => {
                let spots = (scene.low_pass.as_ref(), scene.front_low_pass.as_ref());
                (spots, scene.camera.fill_factor)
            }
        };
        let blur = Blur::through_square(&lens, spots, photosite_m, fill, view.square);
        let blur = Arc::new(blur);
        blurs.push((*view, blur.clone()));
        blur
    }
}

/// The middle of a window.
fn middle(area: &Window) -> DVec2 {
    let half = DVec2::new(f64::from(area.width), f64::from(area.height)) / 2.0;
    DVec2::new(f64::from(area.x), f64::from(area.y)) + half
}

/// The halves of an area whose blur disc changes too much over it.
fn halves(plan: &Plan<'_>, area: &Window, disc: f64) -> Option<[Window; 2]> {
    let low = DVec2::new(f64::from(area.x), f64::from(area.y));
    let size = DVec2::new(f64::from(area.width), f64::from(area.height));
    let off = |share: DVec2| plan.local(low + size * share).map_or(0.0, |l| (l.disc - disc).abs());
    let across = off(DVec2::new(0.0, 0.5)).max(off(DVec2::new(1.0, 0.5)));
    let down = off(DVec2::new(0.5, 0.0)).max(off(DVec2::new(0.5, 1.0)));
    let most = SAME_DISC + SAME_SHARE * disc.abs();
    if across.max(down) <= most {
        return None;
    }
    let Window { x, y, width, height } = *area;
    if across > down && width > LEAST_BLOCK {
        let half = width / 2;
        let right = Window { x: x + half, width: width - half, ..*area };
        return Some([Window { width: half, ..*area }, right]);
    }
    let half = height / 2;
    let lower = Window { y: y + half, height: height - half, ..*area };
    (height > LEAST_BLOCK).then_some([Window { height: half, ..*area }, lower])
}

/// A stretch of a row that holds edges: its row, first column and end.
type Stretch = (u32, u32, u32);

/// A part of the sensor that holds edges.
struct Block<'b> {
    area: Window,
    /// What of the block that it belongs to is asked for.
    part: Window,
    opacity: Opacity<'b>,
    runs: Vec<Stretch>,
}

impl<'b> Block<'b> {
    /// What of it lies in an area.
    fn within(&self, area: &Window) -> Self {
        let inside = |&(y, from, to): &Stretch| {
            let (from, to) = (from.max(area.x), to.min(area.x + area.width));
            ((area.y..area.y + area.height).contains(&y) && from < to).then_some((y, from, to))
        };
        let runs = self.runs.iter().filter_map(inside).collect();
        Self { area: *area, part: self.part, opacity: self.opacity, runs }
    }
}

/// Where the edges of a window lie; `None` without any.
fn runs(opacity: &Opacity<'_>, part: &Window) -> Option<Vec<Stretch>> {
    let mut runs: Vec<Stretch> = Vec::new();
    for y in part.y..part.y + part.height {
        for x in part.x..part.x + part.width {
            if !(FAINT..1.0 - FAINT).contains(&opacity.blurred(x, y)) {
                continue;
            }
            match runs.last_mut() {
                Some((row, _, end)) if *row == y && x < *end + GAP => *end = x + 1,
                _ => runs.push((y, x, x + 1)),
            }
        }
    }
    (!runs.is_empty()).then_some(runs)
}

/// One face of the wall behind the edges of a block.
struct Face<'f> {
    plan: &'f Plan<'f>,
    pieces: &'f Pieces,
    passed: &'f Passed,
    layers: Vec<Layer<'f>>,
}

/// Sums over pieces at the points of a run.
#[derive(Default)]
struct Sums {
    /// What the foreground lets through.
    passed: Vec<f32>,
    /// The wall's light, and its product with that, for each class of photosites.
    light: Vec<Vec<f32>>,
    both: Vec<Vec<f32>>,
}

impl Sums {
    fn clear(&mut self, points: usize, classes: usize) {
        let clear = |v: &mut Vec<f32>| {
            v.clear();
            v.resize(points, 0.0);
        };
        clear(&mut self.passed);
        for all in [&mut self.light, &mut self.both] {
            all.resize_with(classes, Vec::new);
            all.iter_mut().for_each(clear);
        }
    }
}

impl Face<'_> {
    fn add(&mut self, block: &Block<'_>, out: &mut [Vec<f32>]) {
        let camera = &self.plan.shared.scene.camera;
        let mut work = Work::default();
        for &(y, from, to) in block.runs.iter().filter(|run| camera.reads_row(run.0)) {
            self.add_run((y, from, to), block, &mut work, out);
        }
    }

    /// Adds the change of a run of photosites.
    fn add_run(
        &mut self,
        (y, from, to): Stretch,
        block: &Block<'_>,
        work: &mut Work,
        out: &mut [Vec<f32>],
    ) {
        let q = self.pieces.points as i32;
        let [across, down] = &self.pieces.sensor;
        let (Some(first), Some(last)) = (across.first(), across.last()) else { return };
        let start = from as i32 * q + first.0;
        let points = ((to - 1) as i32 * q + last.0 + 1 - start) as usize;
        let classes = self.classes(y, from, &block.area);
        work.sums.clear(points, classes.len());
        let (Some(top), Some(bottom)) = (down.first(), down.last()) else { return };
        let rows = &self.pieces.rows;
        let reach = |of: &dyn Fn(&pieces::PieceRow) -> i32| rows.iter().map(of).max().unwrap_or(0);
        let margin = reach(&|row| row.pieces.iter().map(|p| p.wall.abs()).max().unwrap_or(0));
        let (above, below) = (reach(&|row| -row.wall), reach(&|row| row.wall));
        let first_line = y as i32 * q + top.0 - above;
        let lines = (bottom.0 - top.0 + above + below + 1) as usize;
        let ends = (start - margin, points + 2 * margin as usize);
        work.lines.resize_with(lines, Vec::new);
        let mut any = false;
        for line in 0..lines {
            let mut lights = std::mem::take(&mut work.lines[line]);
            any |= self.light((y, first_line + line as i32), ends, &classes, work, &mut lights);
            work.lines[line] = lights;
        }
        if !any {
            return;
        }
        let level = self.plan.shared.level;
        for &(dy, share) in down {
            let at = (f64::from(y as i32 * q + dy) + 0.5) / f64::from(q);
            for row in &self.pieces.rows {
                self.passed.row(at + row.before, self.pieces.points, &mut work.passed);
                let line = (y as i32 * q + dy + row.wall - first_line) as usize;
                let place = (start, margin, line);
                dispatch!(level, _simd => self.sum(row, share, place, work));
            }
        }
        let Window { x: x0, y: y0, width, .. } = block.part;
        let mosaic = self.plan.shared.scene.camera.mosaic;
        for x in from..to {
            let first = (x as i32 * q - start) as i64;
            let sum = |values: &[f32]| {
                across
                    .iter()
                    .map(|(at, share)| share * values[(first + i64::from(*at)) as usize])
                    .sum::<f32>()
            };
            let passed = sum(&work.sums.passed);
            let at = ((y - y0) * width + x - x0) as usize;
            let change =
                |class: usize| sum(&work.sums.both[class]) - passed * sum(&work.sums.light[class]);
            match mosaic {
                Mosaic::FullPlanes => {
                    out.iter_mut()
                        .enumerate()
                        .for_each(|(class, plane)| plane[at] += change(class));
                }
                Mosaic::Bayer(_) => out[0][at] += change(((x ^ from) & 1) as usize),
                Mosaic::Monochrome => out[0][at] += change(0),
            }
        }
    }

    /// Electrons from light 1 of each emitter colour, for the classes of photosites of a row, from that of a column on.
    fn classes(&self, y: u32, from: u32, block: &Window) -> Vec<[f32; 3]> {
        let plan = self.plan;
        // One gain serves a block: it changes slowly.
        let middle = block.x + block.width / 2;
        let gain = plan.gains(middle, middle + 1, y).map_or([1.0; 3], |g| g[0]);
        let electrons = &plan.shared.electrons;
        let of = |row: &[f32; 3]| [0, 1, 2].map(|c| row[c] * gain[c] * plan.gain[c]);
        let mosaic = plan.shared.scene.camera.mosaic;
        match mosaic {
            Mosaic::Bayer(_) => {
                let class = |x: u32| usize::from(mosaic.colour_at(x, y).unwrap_or(0));
                vec![of(&electrons[class(from)]), of(&electrons[class(from + 1)])]
            }
            _ => electrons.iter().map(of).collect(),
        }
    }

    /// The wall's light at points of a line, with the exposure of row `y`, for every class; false if there is none.
    fn light(
        &mut self,
        (y, line): (u32, i32),
        (start, points): (i32, usize),
        classes: &[[f32; 3]],
        work: &mut Work,
        lights: &mut Vec<Vec<f32>>,
    ) -> bool {
        let step = 1.0 / self.pieces.points as f64;
        lights.resize_with(classes.len(), Vec::new);
        for light in lights.iter_mut() {
            light.clear();
            light.resize(points, 0.0);
        }
        work.points.u.resize(points, 0.0);
        work.points.v.resize(points, 0.0);
        work.looks.resize(points, 1);
        work.values.resize(points, 0.0);
        let place = |at: i32| (f64::from(at) + 0.5) * step;
        let Work { points, looks, values, .. } = work;
        let from = (place(start), place(line));
        self.plan.projection.line(from, step, &mut points.u, &mut points.v);
        let mut any = false;
        for layer in &mut self.layers {
            for colour in 0..3 {
                if !self.plan.gather_layer(layer, colour, y, points, looks, values) {
                    continue;
                }
                any = true;
                for (light, electrons) in lights.iter_mut().zip(classes) {
                    let electrons = electrons[colour];
                    light.iter_mut().zip(&*values).for_each(|(l, v)| *l += electrons * v);
                }
            }
        }
        any
    }

    /// Adds the pieces of a row to the sums.
    #[inline(always)]
    fn sum(
        &self,
        row: &pieces::PieceRow,
        share: f32,
        (start, margin, line): (i32, i32, usize),
        work: &mut Work,
    ) {
        let n = work.sums.passed.len();
        let Work { sums, passed, lines, through, .. } = work;
        through.resize(n, 0.0);
        for piece in &row.pieces {
            let share = share * piece.share;
            let (first, second, part) = passed.pair(self.passed, start, piece.before, n);
            let sum = sums.passed[..n].iter_mut().zip(through.iter_mut());
            for ((sum, through), (a, b)) in sum.zip(first.iter().zip(second)) {
                let seen = share * (a + (b - a) * part);
                *through = seen;
                *sum += seen;
            }
            let from = (margin + piece.wall) as usize;
            for (class, light) in lines[line].iter().enumerate() {
                let light = &light[from..from + n];
                let (lights, both) = (&mut sums.light[class][..n], &mut sums.both[class][..n]);
                for i in 0..n {
                    lights[i] += share * light[i];
                    both[i] += through[i] * light[i];
                }
            }
        }
    }
}

/// Buffers of a run.
#[derive(Default)]
struct Work {
    sums: Sums,
    points: WallPoints,
    looks: Looks,
    values: Vec<f32>,
    /// Lines of light: of every class, at every point.
    lines: Vec<Vec<Vec<f32>>>,
    passed: PassedRow,
    through: Vec<f32>,
}
