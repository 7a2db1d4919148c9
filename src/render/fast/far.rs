//! The far tails of a diffraction pattern, apart from the rest of a kernel.
//!
//! A tail reaches far and is smooth: it needs few steps inside a pixel, and the light it brings can be
//! gathered at every few photosites and joined by straight lines. What is left of the kernel reaches
//! no further than without diffraction, a few photosites more. The two add up to the whole exactly,
//! at every step of the fine table.

use super::kernel::{Grid, TileShape, reach};
use super::source::Source;
use crate::optics::blur::Blur;
use std::f64::consts::PI;

/// How kernels are parted, photosites on the sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tails {
    /// How far diffraction reaches in the near kernels.
    pub near: f64,
    /// How far it reaches in the far kernels; `None` where the near ones hold all.
    pub far: Option<f64>,
    /// The far light is gathered at every so many photosites.
    pub stride: u32,
}

impl Tails {
    pub fn new(blur: &Blur, longest_m: f64) -> Self {
        /// Share of the pattern that is left out at the far end: folded back, so that no light is lost.
        const OUTSIDE: f64 = 0.006;
        /// Share of the pattern in the far kernels.
        const FAR: f64 = 0.025;
        let whole = blur.diffraction_radius(longest_m, OUTSIDE);
        let near = blur.diffraction_radius(longest_m, FAR).max(3.0);
        if whole < near + 2.0 {
            return Self { near: whole, far: None, stride: 1 };
        }
        // Tails change over a length like their own radius.
        let stride = 1 << ((near / 1.5) as u32).clamp(1, 8).ilog2();
        Self { near, far: Some(whole), stride }
    }

    /// The near part alone, with the tail folded back: for differences of light that are small already.
    pub fn folded(&self) -> Self {
        Self { far: None, stride: 1, ..*self }
    }
}

/// The photosites along an axis of `n` at which the far light around photosite `x` is gathered: at or before it, and after
/// it (the last photosite of all is one of them).
pub(super) fn node(x: u32, stride: u32, n: u32) -> [u32; 2] {
    let before = x / stride * stride;
    if x + 1 >= n && before < x {
        return [before, x];
    }
    [before, (before + stride).min(n - 1)]
}

/// Takes the inside out of the planes of one source's far kernel (the middle, and the slopes if any), and makes the
/// weights of every step sum to the same: the far light of a uniform wall is then the same everywhere.
pub(super) fn hollow(
    planes: &mut [Vec<f32>],
    grid: &Grid,
    blur: &Blur,
    shape: &TileShape,
    source: &Source,
    tails: &Tails,
) {
    let inner = reach(blur, &shape.middle, 0.0) + source.half();
    let outer = reach(blur, &shape.middle, tails.near) + source.half();
    let window = |axis: usize| -> Vec<f32> {
        let steps = grid.sampling.steps[axis] as f64;
        let n = grid.sizes()[axis];
        let (a, b) = (inner[axis], outer[axis]);
        (0..n)
            .map(|k| {
                let x = k.min(n - k) as f64 / steps;
                let t = ((x - a) / (b - a)).clamp(0.0, 1.0);
                (0.5 + 0.5 * libm::cos(PI * t)) as f32
            })
            .collect()
    };
    let (across, down) = (window(0), window(1));
    let columns = grid.sizes()[0];
    let [su, sv] = grid.sampling.steps;
    let mut sums = vec![vec![0.0_f64; su * sv]; planes.len()];
    for (plane, sums) in planes.iter_mut().zip(&mut sums) {
        for (v, row) in plane.chunks_exact_mut(columns).enumerate() {
            for (u, w) in row.iter_mut().enumerate() {
                *w *= 1.0 - across[u] * down[v];
                sums[v % sv * su + u % su] += f64::from(*w);
            }
        }
    }
    let mean = |sums: &[f64]| sums.iter().sum::<f64>() / sums.len() as f64;
    let means: Vec<f64> = sums.iter().map(|s| mean(s)).collect();
    if sums[0].iter().any(|s| *s <= 0.0) {
        // No share of such a sum makes up for what it lacks: spread it over all taps instead.
        let taps = (grid.periods[0] * grid.periods[1]) as f64;
        for ((plane, sums), mean) in planes.iter_mut().zip(&sums).zip(&means) {
            for (v, row) in plane.chunks_exact_mut(columns).enumerate() {
                for (u, w) in row.iter_mut().enumerate() {
                    *w += ((mean - sums[v % sv * su + u % su]) / taps) as f32;
                }
            }
        }
        return;
    }
    let (middle, slopes) = planes.split_at_mut(1);
    for (v, row) in middle[0].chunks_exact_mut(columns).enumerate() {
        for (u, w) in row.iter_mut().enumerate() {
            let phase = v % sv * su + u % su;
            for (i, slope) in slopes.iter_mut().enumerate() {
                let lacks = (means[i + 1] - sums[i + 1][phase]) / sums[0][phase];
                slope[v * columns + u] += *w * lacks as f32;
            }
            *w *= (means[0] / sums[0][phase]) as f32;
        }
    }
}

/// Takes a far plane, read by straight lines between its steps, off the near plane of the same kernel.
pub(super) fn take_off(near: &mut [f32], near_grid: &Grid, far: &[f32], far_grid: &Grid) {
    let folds = [0, 1].map(|axis| Fold::new(axis, near_grid, far_grid));
    let [across, down] = &folds;
    let mut folded = vec![0.0_f32; across.nodes * down.nodes];
    let columns = far_grid.sizes()[0];
    for &(v, to) in &down.from {
        let row = &far[v * columns..(v + 1) * columns];
        let to = &mut folded[to * across.nodes..(to + 1) * across.nodes];
        for &(u, to_u) in &across.from {
            to[to_u] += row[u];
        }
    }
    for (row, &(v, t)) in near.chunks_exact_mut(near_grid.sizes()[0]).zip(&down.places) {
        let (a, b) = folded[v * across.nodes..].split_at(across.nodes);
        for (w, &(u, s)) in row.iter_mut().zip(&across.places) {
            let left = a[u] + (b[u] - a[u]) * t;
            let right = a[u + 1] + (b[u + 1] - a[u + 1]) * t;
            *w -= left + (right - left) * s;
        }
    }
}

/// One axis of a far plane folded onto the near period: every near pixel has its steps and the end of the last one, so
/// that lines never run from one far pixel into another than its own neighbour.
struct Fold {
    nodes: usize,
    /// Far step, and the node that it adds to.
    from: Vec<(usize, usize)>,
    /// For every fine step the node before it and the share of the way to the next node.
    places: Vec<(usize, f32)>,
}

impl Fold {
    fn new(axis: usize, near: &Grid, far: &Grid) -> Self {
        let (period, steps) = (near.periods[axis], far.sampling.steps[axis]);
        let (far_period, fine) = (far.periods[axis], near.sampling.steps[axis]);
        let mut from = Vec::new();
        for pixel in 0..far_period {
            // Right of the middle, or left of it.
            let left = 2 * pixel > far_period;
            let onto = if left {
                (pixel + period * far_period - far_period) % period
            } else {
                pixel % period
            };
            for step in 0..=steps {
                let at = (pixel * steps + step) % (far_period * steps);
                from.push((at, onto * (steps + 1) + step));
            }
        }
        let places = (0..near.sizes()[axis])
            .map(|i| {
                let x = i % fine * steps;
                (i / fine * (steps + 1) + x / fine, (x % fine) as f32 / fine as f32)
            })
            .collect();
        Self { nodes: period * (steps + 1), from, places }
    }
}
