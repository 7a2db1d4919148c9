//! One tile of the sensor, row by row.

use super::kernel::{Kernel, LANES};
use super::light::Lit;
use super::{Plan, Tile};
use crate::frame::Window;
use crate::sensor::Mosaic;
use glam::DVec2;

/// Vignetting and viewing angle are computed at every so many columns and joined by straight lines
/// (error below 1e-5).
const KNOT: u32 = 16;

/// Where one photosite's taps begin, for one colour.
#[derive(Clone, Copy)]
struct Look {
    /// Index of the first tap in the light buffer.
    light: usize,
    /// Index of the weights of the phase, at the step above and to the left.
    block: usize,
    /// Share of the step below and of the step to the right.
    down: f32,
    across: f32,
    /// False where no tap falls on the wall.
    seen: bool,
}

/// Light of the wall pixels around a tile, for one colour, kept from camera row to camera row.
struct LightStrip {
    first_row: i64,
    first_column: i64,
    rows: usize,
    stride: usize,
    light: Vec<f32>,
    made: Vec<Option<Option<Lit>>>,
}

impl Plan<'_> {
    /// Photoelectrons of the part of a tile that lies in the window, one vector a plane; `None` if
    /// it sees nothing of the wall.
    pub(super) fn render_tile(&self, tile: &Tile) -> Option<(Window, Vec<Vec<f32>>)> {
        let local = tile.local?;
        let (a, w) = (tile.area, self.window);
        let (x0, y0) = (a.x.max(w.x), a.y.max(w.y));
        let x1 = (a.x + a.width).min(w.x + w.width);
        let y1 = (a.y + a.height).min(w.y + w.height);
        let part = Window { x: x0, y: y0, width: x1 - x0, height: y1 - y0 };
        let width = part.width as usize;

        let (low, high) = self.bounds(&part)?;
        let kernels = self.kernels(&local);
        let needed = self.needed();
        let mut strips: Vec<Option<LightStrip>> = (0..3)
            .map(|c| needed[c].then(|| self.strip(c, &kernels[self.source_of[c]], low, high))?)
            .collect();
        if strips.iter().all(Option::is_none) {
            return None;
        }

        let planes = self.scene.camera.mosaic.planes();
        let mut out = vec![vec![0.0_f32; width * part.height as usize]; planes];
        let mut points = vec![None; width];
        let mut looks = Vec::with_capacity(width);
        let mut values = vec![0.0_f32; width];
        for y in y0..y1 {
            for (i, p) in points.iter_mut().enumerate() {
                let point = DVec2::new(f64::from(x0 + i as u32) + 0.5, f64::from(y) + 0.5);
                *p = self.projection.sight(point).map(|s| s.wall);
            }
            let gains = self.gains(x0, x1, y);
            for colour in 0..3 {
                let Some(strip) = &mut strips[colour] else { continue };
                let kernel = &kernels[self.source_of[colour]];
                self.look(colour, kernel, strip, &points, &mut looks);
                self.relight(colour, kernel, strip, y, &points);
                gather_row(kernel, &looks, &strip.light, strip.stride, &mut values);
                let row = (y - y0) as usize * width..(y - y0 + 1) as usize * width;
                self.add(colour, x0, y, &values, gains.as_deref(), row, &mut out);
            }
        }
        Some((part, out))
    }

    /// Which emitter colours reach any photosite.
    fn needed(&self) -> [bool; 3] {
        [0, 1, 2].map(|e| self.electrons.iter().any(|row| row[e] != 0.0))
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
        match self.scene.camera.mosaic {
            Mosaic::Bayer(_) => {
                let mosaic = self.scene.camera.mosaic;
                let pair = [0, 1].map(|k| {
                    let c = mosaic.colour_at(x0 + k, y).unwrap_or(0);
                    self.electrons[usize::from(c)][colour]
                });
                for (i, (o, v)) in out[0][row].iter_mut().zip(values).enumerate() {
                    *o += pair[i & 1] * gain(i) * v;
                }
            }
            Mosaic::Monochrome => {
                let e = self.electrons[0][colour];
                for (i, (o, v)) in out[0][row].iter_mut().zip(values).enumerate() {
                    *o += e * gain(i) * v;
                }
            }
            Mosaic::FullPlanes => {
                for (plane, electrons) in out.iter_mut().zip(&self.electrons) {
                    let e = electrons[colour];
                    for (i, (o, v)) in plane[row.clone()].iter_mut().zip(values).enumerate() {
                        *o += e * gain(i) * v;
                    }
                }
            }
        }
    }

    /// Natural vignetting and viewing-angle falloff along a row; `None` when both are off.
    fn gains(&self, x0: u32, x1: u32, y: u32) -> Option<Vec<[f32; 3]>> {
        let vignetting = self.scene.lens.vignetting;
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

    /// An empty light buffer that holds all taps of a tile; `None` if none falls on the wall.
    fn strip(&self, colour: usize, kernel: &Kernel, low: DVec2, high: DVec2) -> Option<LightStrip> {
        let offset = self.offsets[colour] + 0.5;
        let wall = &self.scene.wall;
        let span = |axis: usize, taps: usize, pixels: u32| {
            let (taps, pixels) = (taps as i64, i64::from(pixels));
            let before = kernel.before[axis] as i64;
            // One pixel more on both sides than the outline asks for: rounding.
            let first = (low[axis] - offset[axis]).floor().max(-1e9) as i64 - before - 1;
            let last = (high[axis] - offset[axis]).floor().min(1e9) as i64 - before + taps + 1;
            let (first, last) = (first.max(-taps), last.min(pixels + taps));
            (last - first >= taps && last > 0 && first < pixels)
                .then_some((first, (last - first) as usize))
        };
        let (first_column, stride) = span(0, kernel.across, wall.columns)?;
        let (first_row, rows) = span(1, kernel.down, wall.rows)?;
        Some(LightStrip {
            first_row,
            first_column,
            rows,
            stride,
            light: vec![0.0; rows * stride],
            made: vec![None; rows],
        })
    }

    /// Finds every photosite's taps and phase.
    fn look(
        &self,
        colour: usize,
        kernel: &Kernel,
        strip: &LightStrip,
        points: &[Option<DVec2>],
        looks: &mut Vec<Look>,
    ) {
        let offset = self.offsets[colour] + 0.5;
        let [phases_u, phases_v] = kernel.sampling.phases();
        let (pu, pv) = (phases_u as f64, phases_v as f64);
        let none = Look { light: 0, block: 0, down: 0.0, across: 0.0, seen: false };
        looks.clear();
        looks.extend(points.iter().map(|point| {
            let Some(wall) = point else { return none };
            let at = *wall - offset;
            let whole = at.floor();
            let phase = at - whole;
            let column = whole.x as i64 - kernel.before[0] as i64 - strip.first_column;
            let row = whole.y as i64 - kernel.before[1] as i64 - strip.first_row;
            let inside = column >= 0
                && row >= 0
                && column as usize + kernel.across <= strip.stride
                && row as usize + kernel.down <= strip.rows;
            if !inside {
                return none;
            }
            let (du, dv) = (phase.x * pu, phase.y * pv);
            let iv = (dv as usize).min(phases_v - 1);
            let (iu, across) = if kernel.sampling.lerp_across {
                let iu = (du as usize).min(phases_u - 1);
                (iu, (du - iu as f64) as f32)
            } else {
                (((du + 0.5) as usize).min(phases_u), 0.0)
            };
            Look {
                light: row as usize * strip.stride + column as usize,
                block: kernel.block(iv, iu),
                down: (dv - iv as f64) as f32,
                across,
                seen: true,
            }
        }));
    }

    /// Brings the wall rows that a camera row sees up to its exposure.
    fn relight(
        &self,
        colour: usize,
        kernel: &Kernel,
        strip: &mut LightStrip,
        y: u32,
        points: &[Option<DVec2>],
    ) {
        let offset = self.offsets[colour].y + 0.5;
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for wall in points.iter().flatten() {
            low = low.min(wall.y);
            high = high.max(wall.y);
        }
        if low > high {
            return;
        }
        let wall = &self.scene.wall;
        let first = (low - offset).floor().max(-1e9) as i64 - kernel.before[1] as i64;
        let last =
            (high - offset).floor().min(1e9) as i64 - kernel.before[1] as i64 + kernel.down as i64;
        let first = first.max(strip.first_row).max(0);
        let last = last.min(strip.first_row + strip.rows as i64).min(i64::from(wall.rows));
        let from = strip.first_column.max(0);
        let to = (strip.first_column + strip.stride as i64).min(i64::from(wall.columns));
        if from >= to {
            return;
        }
        let codes = &self.scene.content.codes[colour];
        for row in first..last {
            let index = (row - strip.first_row) as usize;
            let lit = self.lighting.lit(y, row as u32, colour);
            if strip.made[index] == Some(lit) {
                continue;
            }
            strip.made[index] = Some(lit);
            let source = row as usize * wall.columns as usize;
            let start = index * strip.stride + (from - strip.first_column) as usize;
            let length = (to - from) as usize;
            self.lighting.fill(
                lit.as_ref(),
                &codes[source + from as usize..source + to as usize],
                &mut strip.light[start..start + length],
            );
        }
    }
}

/// Gathers the light of one colour for a row of photosites, with the widest vectors at hand.
///
/// The lanes and the order of all sums are fixed, and nothing is fused: every path has the same bits.
fn gather_row(kernel: &Kernel, looks: &[Look], light: &[f32], stride: usize, out: &mut [f32]) {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        #[allow(unsafe_code, reason = "run-time choice of vector width; see SAFETY")]
        // SAFETY: the function needs nothing but AVX2, which was just found.
        unsafe {
            return gather_row_avx2(kernel, looks, light, stride, out);
        }
    }
    gather_row_any(kernel, looks, light, stride, out);
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn gather_row_avx2(kernel: &Kernel, looks: &[Look], light: &[f32], stride: usize, out: &mut [f32]) {
    gather_row_any(kernel, looks, light, stride, out);
}

#[inline(always)]
fn gather_row_any(kernel: &Kernel, looks: &[Look], light: &[f32], stride: usize, out: &mut [f32]) {
    if kernel.sampling.lerp_across {
        gather::<true>(kernel, looks, light, stride, out);
    } else {
        gather::<false>(kernel, looks, light, stride, out);
    }
}

#[inline(always)]
fn gather<const LERP_ACROSS: bool>(
    kernel: &Kernel,
    looks: &[Look],
    light: &[f32],
    stride: usize,
    out: &mut [f32],
) {
    let size = kernel.down * kernel.across;
    let below = (kernel.sampling.phases()[0] + 1) * size;
    for (o, look) in out.iter_mut().zip(looks) {
        if !look.seen {
            *o = 0.0;
            continue;
        }
        let (top, bottom) = (1.0 - look.down, look.down);
        let (left, right) = (1.0 - look.across, look.across);
        let block = |start: usize| &kernel.weights[start..start + size];
        let a = block(look.block);
        let c = block(look.block + below);
        let (b, d) = if LERP_ACROSS {
            (block(look.block + size), block(look.block + below + size))
        } else {
            (a, c)
        };
        let [wa, wb, wc, wd] = [top * left, top * right, bottom * left, bottom * right];
        let mut sum = [0.0_f32; LANES];
        for (j, &(from, to)) in kernel.runs.iter().enumerate() {
            let taps =
                j * kernel.across + from as usize * LANES..j * kernel.across + to as usize * LANES;
            let start = look.light + j * stride + from as usize * LANES;
            let l = &light[start..start + taps.len()];
            let (a, c) = (&a[taps.clone()], &c[taps.clone()]);
            if LERP_ACROSS {
                let (b, d) = (&b[taps.clone()], &d[taps]);
                let quads = a
                    .as_chunks::<LANES>()
                    .0
                    .iter()
                    .zip(b.as_chunks::<LANES>().0)
                    .zip(c.as_chunks::<LANES>().0)
                    .zip(d.as_chunks::<LANES>().0)
                    .zip(l.as_chunks::<LANES>().0);
                for ((((a, b), c), d), l) in quads {
                    for i in 0..LANES {
                        let w = (a[i] * wa + b[i] * wb) + (c[i] * wc + d[i] * wd);
                        sum[i] += w * l[i];
                    }
                }
            } else {
                let pairs = a
                    .as_chunks::<LANES>()
                    .0
                    .iter()
                    .zip(c.as_chunks::<LANES>().0)
                    .zip(l.as_chunks::<LANES>().0);
                for ((a, c), l) in pairs {
                    for i in 0..LANES {
                        let w = a[i] * top + c[i] * bottom;
                        sum[i] += w * l[i];
                    }
                }
            }
        }
        let [a, b, c, d, e, f, g, h] = sum;
        *o = ((a + e) + (c + g)) + ((b + f) + (d + h));
    }
}
