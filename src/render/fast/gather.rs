//! Weights times light, summed for a row of photosites, for one frame or several at once: weights are the same for all frames
//! of a camera that stands still, and finding them is most of the work.

use super::kernel::{Group, Kernel, LANES, TOGETHER};
use super::strip::LightStrip;
use crate::frame::Window;
use fearless_simd::{Level, dispatch, f32x8, prelude::*};
use glam::DVec2;

/// Where the photosites of one row look, for one colour.
#[derive(Default)]
pub(super) struct Looks {
    /// Index of the first tap in the light buffer.
    light: Vec<u32>,
    /// Index of the step: step down · steps across + step across.
    phase: Vec<u32>,
    /// Share of the next step down.
    down: Vec<f32>,
    /// Share of the next step across.
    across: Vec<f32>,
    /// Place in the tile, −1 at its left side to 1 at its right side.
    pub side: Vec<f32>,
    /// 1, or 0 where no tap falls on the wall.
    seen: Vec<f32>,
    /// Running sums of the lanes, of all frames of a photosite, then those of the next.
    sums: Vec<[f32; LANES]>,
}

impl Looks {
    /// For `n` photosites of so many frames.
    pub fn resize(&mut self, n: usize, frames: usize) {
        self.light.resize(n, 0);
        self.phase.resize(n, 0);
        self.down.resize(n, 0.0);
        self.across.resize(n, 0.0);
        self.side.resize(n, 0.0);
        self.seen.resize(n, 0.0);
        self.sums.resize(n * frames, [0.0; LANES]);
    }
}

/// Points of the wall, wall pixels, that the photosites of a row see; not a number where they see none.
pub(super) struct WallPoints {
    pub u: Vec<f64>,
    pub v: Vec<f64>,
}

/// Weights for a band of camera rows, where the kernel changes from the top of a tile to its bottom.
pub(super) struct Band {
    /// Top and half height of the tile.
    top: f64,
    half: f64,
    /// Camera rows that share weights; `None` where every row reckons its own as it gathers.
    pub rows: Option<u32>,
    first: Option<u32>,
    weights: Vec<f32>,
}

impl Band {
    pub fn new(kernel: &Kernel, tile: &Window) -> Self {
        let held = (kernel.hold * f64::from(tile.height)).clamp(1.0, 64.0) as u32;
        let rows = 1 << held.ilog2();
        // Making weights anew against taking the change down into every sum.
        let anew = 3.0 * kernel.weights.len() as f64 / f64::from(rows);
        let in_sums = 2.0 * f64::from(tile.width) * (kernel.groups.len() * LANES) as f64;
        let in_rows = kernel.slopes.is_some() && kernel.sampling.lerp_across && anew > in_sums;
        Self {
            top: f64::from(tile.y),
            half: f64::from(tile.height) / 2.0,
            rows: (!in_rows).then_some(rows),
            first: None,
            weights: Vec::new(),
        }
    }

    /// Place in the tile, −1 at its upper side to 1 at its lower side.
    pub fn place(&self, y: f64) -> f32 {
        ((y - self.top - self.half) / self.half) as f32
    }

    /// Makes the weights of the band in which a camera row lies.
    pub fn move_to(&mut self, kernel: &Kernel, y: u32) {
        let (Some([_, down]), Some(rows)) = (&kernel.slopes, self.rows) else { return };
        let top = self.top as u32;
        let first = top + (y - top) / rows * rows;
        if self.first == Some(first) {
            return;
        }
        self.first = Some(first);
        let t = self.place(f64::from(first) + f64::from(rows) / 2.0);
        self.weights.clear();
        self.weights.extend(kernel.weights.iter().zip(down).map(|(w, d)| w + t * d));
    }

    pub fn weights<'a>(&'a self, kernel: &'a Kernel) -> &'a [f32] {
        if kernel.slopes.is_some() && self.rows.is_some() { &self.weights } else { &kernel.weights }
    }
}

/// What one row of photosites reads for one colour.
pub(super) struct Reading<'a> {
    pub kernel: &'a Kernel,
    pub weights: &'a [f32],
    /// The weights change down the tile and hold for its middle.
    pub in_rows: bool,
    /// Place of the row in the tile, −1 at its upper side to 1 at its lower side.
    pub vertical: f32,
    pub strip: &'a LightStrip,
    /// From wall points to the colour's lattice.
    pub offset: DVec2,
}

/// Gathers the light of one colour for a row of photosites, with the vectors of a level: the values of one frame, then
/// those of the next.
///
/// The lanes and the order of all sums are fixed, and nothing is fused: every level has the same bits.
pub(super) fn gather_row(
    level: Level,
    read: &Reading,
    points: &WallPoints,
    looks: &mut Looks,
    out: &mut [f32],
) {
    dispatch!(level, simd => gather_row_with(simd, read, points, looks, out));
}

#[inline(always)]
fn gather_row_with<S: Simd>(
    simd: S,
    read: &Reading,
    points: &WallPoints,
    looks: &mut Looks,
    out: &mut [f32],
) {
    match read.strip.frames {
        4 => gather_frames::<S, 4>(simd, read, points, looks, out),
        2 => gather_frames::<S, 2>(simd, read, points, looks, out),
        _ => gather_frames::<S, 1>(simd, read, points, looks, out),
    }
}

#[inline(always)]
fn gather_frames<S: Simd, const FRAMES: usize>(
    simd: S,
    read: &Reading,
    points: &WallPoints,
    looks: &mut Looks,
    out: &mut [f32],
) {
    let varies = match (&read.kernel.slopes, read.in_rows) {
        (None, _) => STAYS,
        (Some(_), false) => ACROSS,
        (Some(_), true) => BOTH_WAYS,
    };
    if read.kernel.sampling.lerp_across {
        look::<true>(read, points, looks);
        match varies {
            STAYS => gather::<S, true, STAYS, FRAMES>(simd, read, looks),
            ACROSS => gather::<S, true, ACROSS, FRAMES>(simd, read, looks),
            _ => gather::<S, true, BOTH_WAYS, FRAMES>(simd, read, looks),
        }
    } else {
        look::<false>(read, points, looks);
        match varies {
            STAYS => gather::<S, false, STAYS, FRAMES>(simd, read, looks),
            _ => gather::<S, false, ACROSS, FRAMES>(simd, read, looks),
        }
    }
    let n = points.u.len();
    for (frame, out) in out.chunks_exact_mut(n).enumerate() {
        let sums = looks.sums.iter().skip(frame).step_by(FRAMES);
        for ((o, s), seen) in out.iter_mut().zip(sums).zip(&looks.seen) {
            *o = seen * (((s[0] + s[4]) + (s[2] + s[6])) + ((s[1] + s[5]) + (s[3] + s[7])));
        }
    }
}

/// Finds every photosite's taps and phase.
#[inline(always)]
fn look<const LERP_ACROSS: bool>(read: &Reading, points: &WallPoints, looks: &mut Looks) {
    let Reading { kernel, strip, offset, .. } = read;
    let [phases_u, phases_v] = kernel.sampling.phases().map(|p| p as i32);
    let blocks_u = kernel.sampling.blocks()[0] as i32;
    let (pu, pv) = (f64::from(phases_u), f64::from(phases_v));
    // Places are counted from the buffer's corner, where they are positive and rounding down is
    // cutting off.
    let corner = DVec2::new(
        strip.first_column as f64 + kernel.before[0] as f64,
        strip.first_row as f64 + kernel.before[1] as f64,
    ) + *offset;
    let columns = (strip.stride + 1 - kernel.across) as f64;
    let rows = (strip.rows + 1 - kernel.down) as f64;
    let stride = strip.pitch() as i32;
    let n = points.u.len();
    let (u, v) = (&points.u[..n], &points.v[..n]);
    let (light, phase) = (&mut looks.light[..n], &mut looks.phase[..n]);
    let (down, across) = (&mut looks.down[..n], &mut looks.across[..n]);
    let seen = &mut looks.seen[..n];
    for i in 0..n {
        let (x, y) = (u[i] - corner.x, v[i] - corner.y);
        let inside = (x >= 0.0) & (x < columns) & (y >= 0.0) & (y < rows);
        let (x, y) = if inside { (x, y) } else { (0.0, 0.0) };
        let (column, row) = (x as i32, y as i32);
        let du = (x - f64::from(column)) * pu;
        let dv = (y - f64::from(row)) * pv;
        let iv = (dv as i32).min(phases_v - 1);
        let iu = if LERP_ACROSS {
            (du as i32).min(phases_u - 1)
        } else {
            ((du + 0.5) as i32).min(phases_u)
        };
        light[i] = (row * stride + column) as u32;
        phase[i] = (iv * blocks_u + iu) as u32;
        down[i] = (dv - f64::from(iv)) as f32;
        across[i] = if LERP_ACROSS { (du - f64::from(iu)) as f32 } else { 0.0 };
        seen[i] = f32::from(u8::from(inside));
    }
}

/// Where a photosite reads, inside a step of the table and inside the tile.
#[derive(Clone, Copy)]
struct Place<S: Simd> {
    down: f32x8<S>,
    across: f32x8<S>,
    both: f32x8<S>,
    side: f32x8<S>,
    vertical: f32x8<S>,
}

/// The weights of one group of lanes.
#[inline(always)]
fn weight<S: Simd, const LERP_ACROSS: bool>(
    simd: S,
    coefficients: &[f32],
    place: &Place<S>,
) -> f32x8<S> {
    let k = |i: usize| f32x8::from_slice(simd, &coefficients[i * LANES..(i + 1) * LANES]);
    let w = k(0) + k(1) * place.down;
    if LERP_ACROSS { w + (k(2) * place.across + k(3) * place.both) } else { w }
}

/// One kernel for the whole tile.
const STAYS: u8 = 0;
/// The kernel changes across the tile; what it changes down is in the weights.
const ACROSS: u8 = 1;
/// The kernel changes across and down the tile.
const BOTH_WAYS: u8 = 2;

/// Some groups of taps for a row of photosites: their weights and slopes, and where in the light
/// each begins.
struct Pass<'a, const GROUPS: usize, const FRAMES: usize> {
    weights: &'a [f32],
    slopes: &'a [f32],
    slopes_down: &'a [f32],
    vertical: f32,
    light: [&'a [f32]; GROUPS],
    /// From the light of a frame to that of the next.
    stride: usize,
}

impl<const GROUPS: usize, const FRAMES: usize> Pass<'_, GROUPS, FRAMES> {
    /// Adds weights times light.
    #[inline(always)]
    fn run<S: Simd, const LERP_ACROSS: bool, const VARIES: u8>(&self, simd: S, looks: &mut Looks) {
        let each = LANES * if LERP_ACROSS { 4 } else { 2 };
        let block = GROUPS * each;
        let n = looks.light.len();
        let (lights, phases) = (&looks.light[..n], &looks.phase[..n]);
        let (downs, acrosses) = (&looks.down[..n], &looks.across[..n]);
        let sides = &looks.side[..n];
        for i in 0..n {
            let at = phases[i] as usize * block;
            let w = &self.weights[at..][..block];
            let splat = |x: f32| f32x8::splat(simd, x);
            let place = Place {
                down: splat(downs[i]),
                across: splat(if LERP_ACROSS { acrosses[i] } else { 0.0 }),
                both: splat(if LERP_ACROSS { acrosses[i] * downs[i] } else { 0.0 }),
                side: splat(if VARIES == STAYS { 0.0 } else { sides[i] }),
                vertical: splat(if VARIES == BOTH_WAYS { self.vertical } else { 0.0 }),
            };
            let slope_each = if LERP_ACROSS { each } else { LANES };
            let slopes_at = phases[i] as usize * GROUPS * slope_each;
            let s =
                if VARIES == STAYS { w } else { &self.slopes[slopes_at..][..GROUPS * slope_each] };
            let d = if VARIES == BOTH_WAYS { &self.slopes_down[at..][..block] } else { w };
            let mut totals = [f32x8::splat(simd, 0.0); GROUPS];
            for (g, sum) in totals.iter_mut().enumerate() {
                let here = g * each..(g + 1) * each;
                let mut total = weight::<S, LERP_ACROSS>(simd, &w[here.clone()], &place);
                if VARIES == BOTH_WAYS {
                    total += place.vertical * weight::<S, LERP_ACROSS>(simd, &d[here], &place);
                }
                if VARIES != STAYS {
                    let s = &s[g * slope_each..(g + 1) * slope_each];
                    total += place.side
                        * if LERP_ACROSS {
                            weight::<S, LERP_ACROSS>(simd, s, &place)
                        } else {
                            f32x8::from_slice(simd, s)
                        };
                }
                *sum = total;
            }
            let lights = self.light.map(|light| &light[lights[i] as usize..]);
            let sums = &mut looks.sums[i * FRAMES..(i + 1) * FRAMES];
            for (frame, kept) in sums.iter_mut().enumerate() {
                let at = frame * self.stride;
                let mut parts = totals;
                for (part, light) in parts.iter_mut().zip(&lights) {
                    *part *= f32x8::from_slice(simd, &light[at..at + LANES]);
                }
                let sum = f32x8::from_slice(simd, kept);
                // In pairs, so that no sum waits for all others.
                let sum = match GROUPS {
                    1 => sum + parts[0],
                    2 => sum + (parts[0] + parts[1]),
                    3 => sum + (parts[0] + parts[1] + parts[2]),
                    _ => sum + ((parts[0] + parts[1]) + (parts[2] + parts[3])),
                };
                sum.store_slice(kept);
            }
        }
    }
}

/// Sums weights times light, a few groups of taps at a time, so that their weights stay in the
/// nearest cache for all photosites of the row.
#[inline(always)]
fn gather<S: Simd, const LERP_ACROSS: bool, const VARIES: u8, const FRAMES: usize>(
    simd: S,
    read: &Reading,
    looks: &mut Looks,
) {
    looks.sums.fill([0.0; LANES]);
    let [across, down] = read.kernel.sampling.blocks();
    let size = across * down * read.kernel.sampling.coefficients() * LANES;
    let mut start = 0;
    for groups in read.kernel.groups.chunks(TOGETHER) {
        let all = start..start + groups.len() * size;
        start = all.end;
        match groups.len() {
            1 => run::<S, LERP_ACROSS, VARIES, FRAMES, 1>(simd, read, groups, all, looks),
            2 => run::<S, LERP_ACROSS, VARIES, FRAMES, 2>(simd, read, groups, all, looks),
            3 => run::<S, LERP_ACROSS, VARIES, FRAMES, 3>(simd, read, groups, all, looks),
            _ => run::<S, LERP_ACROSS, VARIES, FRAMES, TOGETHER>(simd, read, groups, all, looks),
        }
    }
}

/// Runs the pass of some groups, whose weights lie at `all`.
#[inline(always)]
fn run<
    S: Simd,
    const LERP_ACROSS: bool,
    const VARIES: u8,
    const FRAMES: usize,
    const GROUPS: usize,
>(
    simd: S,
    read: &Reading,
    groups: &[Group],
    all: std::ops::Range<usize>,
    looks: &mut Looks,
) {
    let strip = read.strip;
    let pass: Pass<GROUPS, FRAMES> = Pass {
        slopes: read.kernel.slopes.as_ref().map_or(&[], |x| {
            let shorter = if LERP_ACROSS { 1 } else { 2 };
            &x[0][all.start / shorter..all.end / shorter]
        }),
        slopes_down: match &read.kernel.slopes {
            Some([_, down]) if VARIES == BOTH_WAYS => &down[all.clone()],
            _ => &[],
        },
        vertical: read.vertical,
        weights: &read.weights[all],
        light: std::array::from_fn(|i| {
            &strip.light[groups[i].row * strip.pitch() + groups[i].tap..]
        }),
        stride: strip.stride,
    };
    pass.run::<S, LERP_ACROSS, VARIES>(simd, looks);
}
