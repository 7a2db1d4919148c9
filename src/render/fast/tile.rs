//! One tile of the sensor, row by row.

use super::far;
use super::gather::{Band, Looks, Reading, WallPoints, gather_row};
use super::kernel::{Kernel, Kernels, TileShape, reach};
use super::plan::{Plan, Tile};
use super::source::Source;
use super::strip::{LightStrip, Lights};
use crate::frame::Window;
use crate::sensor::Mosaic;
use glam::DVec2;

/// Vignetting and viewing angle are computed at every so many columns and joined by straight lines
/// (error below 1e-5).
const KNOT: u32 = 16;

/// Photoelectrons of a part of the sensor, one vector a plane.
pub(super) type Planes = Vec<Vec<f32>>;

/// What it takes to gather with one kind of kernels over a tile.
struct Layer<'k> {
    lot: usize,
    lights: &'k Lights<'k>,
    kernels: &'k [Kernel],
    bands: Vec<Band>,
    strips: [Option<LightStrip>; 3],
}

/// Place of a photosite in a tile, −1 at its left side to 1 at its right side.
fn side_of(tile: &Window, x: u32) -> f32 {
    let half = f64::from(tile.width) / 2.0;
    ((f64::from(x) + 0.5 - f64::from(tile.x) - half) / half) as f32
}

/// The light of far kernels, at every few photosites, colour by colour and row by row.
struct FarLight {
    columns: Vec<u32>,
    rows: Vec<u32>,
    /// Of each row the light of one frame, then that of the next.
    light: [Vec<f32>; 3],
    frames: usize,
}

impl FarLight {
    /// Adds the light of a colour and frame to the photosites of row `y` from column `x0` on.
    fn add(&self, (colour, frame): (usize, usize), y: u32, x0: u32, values: &mut [f32]) {
        let n = self.columns.len();
        let (row, down) = between(&self.rows, y, 0);
        let at = |i: usize, row: usize| self.light[colour][(row * self.frames + frame) * n + i];
        let below = (row + 1).min(self.rows.len() - 1);
        let mut node = 0;
        for (x, value) in (x0..).zip(values) {
            let (i, across) = between(&self.columns, x, node);
            node = i;
            let right = (i + 1).min(n - 1);
            let left = at(i, row) + (at(i, below) - at(i, row)) * down;
            let right = at(right, row) + (at(right, below) - at(right, row)) * down;
            *value += left + (right - left) * across;
        }
    }
}

/// The last of the nodes, from node `from` on, that is not after `x`, and the share of the way to the next.
fn between(nodes: &[u32], x: u32, from: usize) -> (usize, f32) {
    let mut i = from;
    while i + 1 < nodes.len() && nodes[i + 1] <= x {
        i += 1;
    }
    match nodes.get(i + 1) {
        Some(next) => (i, (x - nodes[i]) as f32 / (next - nodes[i]) as f32),
        None => (i, 0.0),
    }
}

impl Plan<'_> {
    /// Photoelectrons of the part of a tile that lies in the window, of every frame one vector a plane; `None` if
    /// it sees nothing of the wall. A frame has the same bits with others and alone.
    pub(super) fn render_tile(
        &self,
        tile: &Tile,
        lights: &Lights,
    ) -> Option<(Window, Vec<Planes>)> {
        let shape = tile.shape?;
        let a = tile.area;
        let part = self.part(&a)?;
        let (x0, y0) = (part.x, part.y);
        let (x1, y1) = (x0 + part.width, y0 + part.height);
        let width = part.width as usize;

        // The whole tile's outline even for a crop: running sums start at the light buffer's edge.
        let seen = self.bounds(&a)?;
        if !self.sees(seen, &shape, self.lots.start) {
            return None;
        }
        if self.is_filled(seen, &shape) {
            return Some((part, vec![self.filled(&part); lights.len()]));
        }
        let kernels = self.shared.kernels(&shape, self.lots.start);
        let near = self.layer(&kernels.near, (self.lots.start, lights), &a, seen);
        // Tails reach further: a tile beside the wall may see nothing but them.
        let far = self.far_light(&kernels.far, lights, &a, &part);
        if near.is_none() && far.is_none() {
            return None;
        }
        let at_outline: Vec<(usize, std::sync::Arc<Kernels>)> = (self.lots.start + 1
            ..self.lots.end)
            .filter(|&lot| self.sees(seen, &shape, lot))
            .map(|lot| (lot, self.shared.kernels(&shape, lot)))
            .collect();
        let at_outline = at_outline
            .iter()
            .filter_map(|(lot, kernels)| self.layer(&kernels.near, (*lot, lights), &a, seen));
        let mut layers: Vec<Layer> = near.into_iter().chain(at_outline).collect();
        let frames = lights.len();
        let mut more = vec![0.0_f32; width * frames];

        let planes = self.shared.scene.camera.mosaic.planes();
        let mut out = vec![vec![vec![0.0_f32; width * part.height as usize]; planes]; frames];
        let mut points = WallPoints { u: vec![0.0; width], v: vec![0.0; width] };
        let mut looks = Looks::default();
        looks.resize(width, frames);
        for (x, side) in (x0..x1).zip(&mut looks.side) {
            *side = side_of(&a, x);
        }
        let mut values = vec![0.0_f32; width * frames];
        for y in (y0..y1).filter(|&y| self.shared.scene.camera.reads_row(y)) {
            self.projection.row(x0, y, &mut points.u, &mut points.v);
            let gains = self.gains(x0, x1, y);
            for colour in 0..3 {
                values.fill(0.0);
                for layer in &mut layers {
                    if self.gather_layer(layer, colour, y, &points, &mut looks, &mut more) {
                        values.iter_mut().zip(&more).for_each(|(v, m)| *v += m);
                    }
                }
                let row = (y - y0) as usize * width..(y - y0 + 1) as usize * width;
                let each = values.chunks_exact_mut(width).zip(&mut out);
                for (frame, (values, out)) in each.enumerate() {
                    if let Some(far) = &far {
                        far.add((colour, frame), y, x0, values);
                    }
                    self.add(colour, x0, y, values, gains.as_deref(), row.clone(), out);
                }
            }
        }
        Some((part, out))
    }

    /// How far from where they look the photosites of a tile may see sources of a lot, pixels.
    fn reach(&self, shape: &TileShape, lot: usize) -> DVec2 {
        let tails = self.shared.tails.far.unwrap_or(self.shared.tails.near);
        let places = shape.sides.iter().flatten().chain([&shape.middle]);
        let reach = places
            .fold(DVec2::ZERO, |most, local| most.max(reach(&self.shared.blur, local, tails)));
        let sizes = self.shared.lots[lot].sources.iter().map(Source::half);
        sizes.fold(reach, |most, half| most.max(reach + half))
    }

    /// Whether a tile whose photosites look at wall points between two corners may see the pixels of a lot.
    fn sees(&self, (low, high): (DVec2, DVec2), shape: &TileShape, lot: usize) -> bool {
        let reach = self.reach(shape, lot) + 2.0;
        (0..2).all(|axis| {
            let pixels = self.pixels(lot, axis);
            low[axis] - reach[axis] < pixels.end as f64
                && high[axis] + reach[axis] > pixels.start as f64
        })
    }

    /// Buffers for gathering with the kernels of a lot over a tile, for photosites that look at wall points between two
    /// corners; `None` if none sees the lot's pixels.
    fn layer<'k>(
        &self,
        kernels: &'k [Kernel],
        (lot, lights): (usize, &'k Lights<'k>),
        tile: &Window,
        seen: (DVec2, DVec2),
    ) -> Option<Layer<'k>> {
        let needed = self.needed();
        let strips = [0, 1, 2].map(|c| {
            let kernel = kernels.get(self.shared.lots[lot].source_of[c]);
            needed[c].then(|| self.strip((c, lot), kernel?, seen, lights.len()))?
        });
        let bands = kernels.iter().map(|k| Band::new(k, tile)).collect();
        strips.iter().any(Option::is_some).then_some(Layer { lot, lights, kernels, bands, strips })
    }

    /// Light of one colour at the photosites of a row that look at `points`, frame after frame; false if none reaches them.
    fn gather_layer(
        &self,
        layer: &mut Layer,
        colour: usize,
        y: u32,
        points: &WallPoints,
        looks: &mut Looks,
        values: &mut [f32],
    ) -> bool {
        let Some(strip) = &mut layer.strips[colour] else { return false };
        let source = self.shared.lots[layer.lot].source_of[colour];
        let (kernel, band) = (&layer.kernels[source], &mut layer.bands[source]);
        band.move_to(kernel, y);
        self.relight((colour, layer.lot), kernel, layer.lights, strip, y, points);
        let in_rows = band.rows.is_none();
        let vertical = if in_rows { band.place(f64::from(y) + 0.5) } else { 0.0 };
        let weights = band.weights(kernel);
        let offset = self.shared.lots[layer.lot].offsets[colour] + 0.5;
        let read = Reading { kernel, weights, in_rows, vertical, strip, offset };
        gather_row(self.shared.level, &read, points, looks, values);
        true
    }

    /// The light of far kernels at nodes around a part of a tile.
    fn far_light(
        &self,
        kernels: &[Kernel],
        lights: &Lights,
        tile: &Window,
        part: &Window,
    ) -> Option<FarLight> {
        let camera = &self.shared.scene.camera;
        let stride = self.shared.tails.stride;
        let nodes = |first: u32, last: u32, n: u32| {
            let mut nodes = vec![far::node(first, stride, n)[0]];
            while nodes[nodes.len() - 1] < far::node(last, stride, n)[1] {
                nodes.push(far::node(nodes[nodes.len() - 1], stride, n)[1]);
            }
            nodes
        };
        let columns = nodes(part.x, part.x + part.width - 1, camera.columns);
        let rows = nodes(part.y, part.y + part.height - 1, camera.rows);
        let outline = Window {
            width: (tile.width + stride).min(camera.columns - tile.x),
            height: (tile.height + stride).min(camera.rows - tile.y),
            ..*tile
        };
        let mut layer =
            self.layer(kernels, (self.lots.start, lights), tile, self.bounds(&outline)?)?;
        let (first, last) = (columns[0], columns[columns.len() - 1]);
        let all = (last - first + 1) as usize;
        let mut every = WallPoints { u: vec![0.0; all], v: vec![0.0; all] };
        let n = columns.len();
        let mut points = WallPoints { u: vec![0.0; n], v: vec![0.0; n] };
        let mut looks = Looks::default();
        let frames = lights.len();
        looks.resize(n, frames);
        for (&x, side) in columns.iter().zip(&mut looks.side) {
            *side = side_of(tile, x);
        }
        let mut light = [0, 1, 2].map(|_| vec![0.0_f32; n * frames * rows.len()]);
        for (i, &y) in rows.iter().enumerate() {
            self.projection.row(first, y, &mut every.u, &mut every.v);
            for (k, &x) in columns.iter().enumerate() {
                points.u[k] = every.u[(x - first) as usize];
                points.v[k] = every.v[(x - first) as usize];
            }
            for (colour, light) in light.iter_mut().enumerate() {
                let values = &mut light[i * n * frames..(i + 1) * n * frames];
                self.gather_layer(&mut layer, colour, y, &points, &mut looks, values);
            }
        }
        Some(FarLight { columns, rows, light, frames })
    }

    /// Whether every photosite of a tile sees nothing but the face, which shines evenly: a surface that reflects.
    fn is_filled(&self, (low, high): (DVec2, DVec2), shape: &TileShape) -> bool {
        if !self.is_even() {
            return false;
        }
        let reach = self.reach(shape, self.lots.start);
        (0..2)
            .all(|axis| low[axis] - reach[axis] > 0.0 && high[axis] + reach[axis] < self.size[axis])
    }

    /// Photoelectrons of photosites that see nothing but a face that shines evenly.
    fn filled(&self, part: &Window) -> Planes {
        let width = part.width as usize;
        let planes = self.shared.scene.camera.mosaic.planes();
        let mut out = vec![vec![0.0_f32; width * part.height as usize]; planes];
        let values = vec![1.0; width];
        let camera = &self.shared.scene.camera;
        for y in (part.y..part.y + part.height).filter(|&y| camera.reads_row(y)) {
            let gains = self.gains(part.x, part.x + part.width, y);
            let start = (y - part.y) as usize * width;
            for colour in 0..3 {
                self.add(
                    colour,
                    part.x,
                    y,
                    &values,
                    gains.as_deref(),
                    start..start + width,
                    &mut out,
                );
            }
        }
        out
    }

    /// Which emitter colours reach any photosite.
    fn needed(&self) -> [bool; 3] {
        [0, 1, 2].map(|e| self.shared.electrons.iter().any(|row| row[e] != 0.0))
    }

    /// Adds a colour's light to the photosites of one row.
    #[allow(clippy::too_many_arguments, reason = "one call, in the innermost loop but one")]
    fn add(
        &self,
        colour: usize,
        x0: u32,
        y: u32,
        values: &[f32],
        gains: Option<&[[f32; 3]]>,
        row: std::ops::Range<usize>,
        out: &mut [Vec<f32>],
    ) {
        let gain = |i: usize| gains.map_or(1.0, |g| g[i][colour]);
        match self.shared.scene.camera.mosaic {
            Mosaic::Bayer(_) => {
                let mosaic = self.shared.scene.camera.mosaic;
                let pair = [0, 1].map(|k| {
                    let c = mosaic.colour_at(x0 + k, y).unwrap_or(0);
                    self.gain[colour] * self.shared.electrons[usize::from(c)][colour]
                });
                for (i, (o, v)) in out[0][row].iter_mut().zip(values).enumerate() {
                    *o += pair[i & 1] * gain(i) * v;
                }
            }
            Mosaic::Monochrome => {
                let e = self.gain[colour] * self.shared.electrons[0][colour];
                for (i, (o, v)) in out[0][row].iter_mut().zip(values).enumerate() {
                    *o += e * gain(i) * v;
                }
            }
            Mosaic::FullPlanes => {
                for (plane, electrons) in out.iter_mut().zip(&self.shared.electrons) {
                    let e = self.gain[colour] * electrons[colour];
                    for (i, (o, v)) in plane[row.clone()].iter_mut().zip(values).enumerate() {
                        *o += e * gain(i) * v;
                    }
                }
            }
        }
    }

    /// Natural vignetting and viewing-angle falloff along a row; `None` when both are off.
    fn gains(&self, x0: u32, x1: u32, y: u32) -> Option<Vec<[f32; 3]>> {
        let vignetting = self.shared.scene.lens.vignetting;
        if !vignetting && self.falloff == [0.0; 3] {
            return None;
        }
        let exact = |x: f64| {
            self.projection.sight(DVec2::new(x + 0.5, f64::from(y) + 0.5)).map(|s| {
                let c2 = s.cos_axis * s.cos_axis;
                let lens = if vignetting { c2 * c2 } else { 1.0 };
                let mut gain = [lens; 3];
                for (c, g) in gain.iter_mut().enumerate() {
                    let k = self.falloff[c];
                    if k != 0.0 {
                        // Colours mostly share one falloff: one power then serves them all.
                        *g = if c > 0 && k == self.falloff[0] {
                            0.0
                        } else {
                            lens * libm::pow(s.cos_wall, k)
                        };
                    }
                }
                for c in 1..3 {
                    if self.falloff[c] != 0.0 && self.falloff[c] == self.falloff[0] {
                        gain[c] = gain[0];
                    }
                }
                gain
            })
        };
        let mut gains = Vec::with_capacity((x1 - x0) as usize);
        let mut knot = x0 / KNOT * KNOT;
        let mut a = exact(f64::from(knot));
        let mut b = exact(f64::from(knot + KNOT));
        for x in x0..x1 {
            if x >= knot + KNOT {
                knot += KNOT;
                a = b;
                b = exact(f64::from(knot + KNOT));
            }
            let t = f64::from(x - knot) / f64::from(KNOT);
            let gain = match (a, b) {
                (Some(a), Some(b)) => [0, 1, 2].map(|c| a[c] + (b[c] - a[c]) * t),
                // Next to a place that sees no wall there is no line to draw.
                _ => exact(f64::from(x)).unwrap_or_default(),
            };
            gains.push(gain.map(|g| g as f32));
        }
        Some(gains)
    }

    /// Smallest and largest wall point that a part of the sensor sees, from its outline.
    fn bounds(&self, part: &Window) -> Option<(DVec2, DVec2)> {
        let mut low = DVec2::splat(f64::INFINITY);
        let mut high = DVec2::splat(f64::NEG_INFINITY);
        let mut visit = |x: u32, y: u32| {
            let point = DVec2::new(f64::from(x) + 0.5, f64::from(y) + 0.5);
            if let Some(s) = self.projection.sight(point) {
                low = low.min(s.wall);
                high = high.max(s.wall);
            }
        };
        for x in part.x..part.x + part.width {
            visit(x, part.y);
            visit(x, part.y + part.height - 1);
        }
        for y in part.y..part.y + part.height {
            visit(part.x, y);
            visit(part.x + part.width - 1, y);
        }
        low.is_finite().then_some((low, high))
    }
}
