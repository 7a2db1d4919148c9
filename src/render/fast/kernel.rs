//! The light that each wall pixel around it sends to a photosite, as a table over where inside a
//! pixel the photosite looks.
//!
//! The table lives on the wall: what a photosite sees of the wall (its aperture, the low-pass spots,
//! aberration, defocus and diffraction, carried to the wall by the local perspective) convolved
//! with the emitter. It comes from the transfer functions by one inverse FFT on a grid that repeats
//! after a whole number of pixels, so that the weights of a gapless emitter sum to exactly one
//! for every position: a uniform wall stays uniform whatever is rounded elsewhere.

use super::shape_change;
use crate::math::fft::Inverse2d;
use crate::math::special::{jinc, sinc};
use crate::optics::blur::Blur;
use crate::wall::EmitterShape;
use glam::{DMat2, DVec2};
use rustfft::num_complex::Complex32;
use std::f64::consts::PI;

/// Lanes in which taps are summed; the sums have the same bits on any processor because this is fixed.
pub(super) const LANES: usize = 8;

/// From this blur disc on, photosites, the position across is rounded to a finer table instead of
/// being interpolated.
const ROUND_ACROSS_FROM: f64 = 24.0;

/// Local geometry: how sensor shifts (photosites) become wall shifts (pixels), and the blur disc.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Local {
    /// Through the whole lens.
    pub whole: DMat2,
    /// Without distortion, for shifts inside the pupil.
    pub plain: DMat2,
    /// Blur disc, photosites, signed.
    pub disc: f64,
    /// Growth of the blur across the pupil ([`crate::optics::projection::Projection::skew`]).
    pub skew: DVec2,
}

/// The local geometry of a tile: of its middle and, where the blur's shape changes over the tile, of
/// the middles of its left, right, upper and lower side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TileShape {
    /// Middle of the tile.
    pub middle: Local,
    /// Left, right, upper, lower side; `None` where the middle serves the whole tile.
    pub sides: Option<[Local; 4]>,
}

/// How finely a kernel is tabulated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sampling {
    /// Grid steps per pixel of the transform, across and down.
    steps: [usize; 2],
    /// Finer steps across made by interpolation.
    finer: usize,
    /// Interpolate across between steps (else round).
    pub lerp_across: bool,
}

impl Sampling {
    fn new(local: &Local) -> Self {
        let disc = local.disc.abs();
        // Straight lines between steps h act, on average over phases, as an extra blur of variance
        // h²/6, which the transform makes up for; edges of a disc are softened by the photosite, so
        // wide discs need fewer steps.
        let h = (0.02 * disc).clamp(1.0 / 20.0, 0.3);
        let inverse = local.whole.inverse();
        let steps = [inverse.x_axis, inverse.y_axis]
            .map(|q| (q.length() / h).ceil().clamp(1.0, 4096.0) as usize);
        let lerp_across = disc < ROUND_ACROSS_FROM;
        Self { steps, finer: if lerp_across { 1 } else { 4 }, lerp_across }
    }

    /// Transfer of reading the table between its steps, on average over phases, for frequencies in
    /// cycles per pixel: straight lines are a tent, rounding is a box.
    fn reading(&self, axis: usize, g: f64) -> f64 {
        let across = self.phases()[0] as f64;
        match (axis, self.lerp_across) {
            (0, false) => sinc(g / across),
            (0, true) => sinc(g / across) * sinc(g / across),
            _ => {
                let t = sinc(g / self.steps[1] as f64);
                t * t
            }
        }
    }

    /// Coefficients of a weight between steps.
    pub fn coefficients(&self) -> usize {
        if self.lerp_across { 4 } else { 2 }
    }

    /// Steps of the table inside a pixel, across and down: where the position across is rounded, the
    /// last step across is the next pixel's first.
    pub fn blocks(&self) -> [usize; 2] {
        let [across, down] = self.phases();
        [across + usize::from(!self.lerp_across), down]
    }

    /// Table positions inside a pixel, across and down.
    pub fn phases(&self) -> [usize; 2] {
        [self.steps[0] * self.finer, self.steps[1]]
    }
}

/// A stretch of taps of one tap row that is not zero for every phase.
#[derive(Debug, Clone, Copy, Default)]
struct Stretch {
    /// First tap.
    tap: usize,
    /// Groups of [`LANES`] taps.
    groups: usize,
}

/// [`LANES`] neighbouring taps of one tap row.
#[derive(Debug, Clone, Copy)]
pub(super) struct Group {
    /// Tap row.
    pub row: usize,
    /// First tap.
    pub tap: usize,
}

/// Groups that are summed in one go; a photosite's place is looked up once for all of them.
pub(super) const TOGETHER: usize = 4;

/// Weights of the wall pixels around a photosite.
#[derive(Debug)]
pub(super) struct Kernel {
    /// How it is tabulated.
    pub sampling: Sampling,
    /// True when the weights are differences, to be used on running sums of the light along a wall row.
    ///
    /// Σ L·W = Σ P·(W − W of the next pixel), with P the running sum of L: the inside of a blur disc is
    /// flat, so most differences vanish and only its edges cost work.
    pub on_sums: bool,
    /// Taps across that a photosite may touch.
    pub across: usize,
    /// Taps down.
    pub down: usize,
    /// Taps left of and above the pixel in which the photosite looks.
    pub before: [usize; 2],
    /// Every group of taps that counts.
    pub groups: Vec<Group>,
    /// All weights, in the middle of the tile: for each [`TOGETHER`] groups (fewer at the end)
    /// `[step down][step across][group][coefficient][lane]`.
    ///
    /// The weight between steps, at a share `a` of the step across and `d` of the step down, is the
    /// polynomial k₀ + k₁·d + k₂·a + k₃·a·d; where the position across is rounded only k₀ and k₁ exist.
    pub weights: Vec<f32>,
    /// Change of the weights from the middle to the right side and to the lower side. Where the position across is
    /// rounded, the change to the right side has k₀ only.
    pub slopes: Option<[Vec<f32>; 2]>,
    /// Share of the tile's height over which the change down may be left out.
    pub hold: f64,
}

/// An emitter as the kernel needs it: lengths in wall pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Source {
    pub shape: EmitterShape,
    pub pitch_m: f64,
    pub wavelength_m: f64,
}

impl Source {
    /// Transform of the shape with unit light along one axis, frequency in cycles per pixel; 1 for
    /// a disc, which has no such factors.
    fn factor(&self, axis: usize, g: f64) -> f64 {
        match self.shape {
            EmitterShape::Rectangle { width_m, height_m } => {
                sinc(g * if axis == 0 { width_m } else { height_m } / self.pitch_m)
            }
            EmitterShape::Tent => sinc(g) * sinc(g),
            EmitterShape::Disc { .. } => 1.0,
        }
    }

    /// Half of its size, across and down, pixels.
    fn half(&self) -> DVec2 {
        match self.shape {
            EmitterShape::Rectangle { width_m, height_m } => {
                DVec2::new(width_m, height_m) / (2.0 * self.pitch_m)
            }
            EmitterShape::Disc { diameter_m } => DVec2::splat(diameter_m / (2.0 * self.pitch_m)),
            EmitterShape::Tent => DVec2::ONE,
        }
    }
}

fn signed(k: usize, n: usize) -> f64 {
    if 2 * k <= n { k as f64 } else { k as f64 - n as f64 }
}

/// How far on the wall, pixels across and down, a photosite sees.
pub(super) fn reach(blur: &Blur, local: &Local, wavelength_m: f64) -> DVec2 {
    let row = |m: &DMat2, i: usize| DVec2::new(m.x_axis[i], m.y_axis[i]);
    let along = |i: usize| {
        let (whole, plain) = (row(&local.whole, i), row(&local.plain, i));
        let box_half = blur.aperture / 2.0;
        (whole.x.abs() + whole.y.abs()) * box_half
            + (whole.abs().dot(blur.low_pass)) / 2.0
            + 3.5 * blur.sigma * whole.length()
            + (local.disc.abs() / 2.0 + blur.reach(wavelength_m)) * plain.length()
    };
    DVec2::new(along(0), along(1))
}

/// The grid on which the kernels of several sources over a tile are made.
fn grid(blur: &Blur, shape: &TileShape, sources: &[Source]) -> Grid {
    let sampling = Sampling::new(&shape.middle);
    let longest = longest(sources);
    let half = sources.iter().map(Source::half).fold(DVec2::ZERO, DVec2::max);
    let mut widest = reach(blur, &shape.middle, longest);
    for side in shape.sides.iter().flatten() {
        widest = widest.max(reach(blur, side, longest));
    }
    let widest = widest + half;
    let before = [widest.x.floor() as usize, widest.y.floor() as usize];
    let periods =
        [before[0] + widest.x.ceil() as usize + 1, before[1] + widest.y.ceil() as usize + 1];
    Grid { sampling, before, periods }
}

/// Bytes that making the kernels of a tile takes at its peak, and bytes that they then keep: an
/// upper estimate from the sizes of the buffers, before any of them is made.
pub(super) fn bytes(blur: &Blur, shape: &TileShape, sources: &[Source]) -> [f64; 2] {
    let grid = grid(blur, shape, sources);
    let [across, down] = grid.periods;
    let phases = grid.sampling.phases().map(|p| p as f64 + 1.0);
    // Taps of all phases, in single precision; a row's one or two stretches are whole groups of lanes.
    let per_tap = 4.0 * phases[0] * phases[1] * down as f64;
    let taps = per_tap * across as f64;
    let lanes = across.next_multiple_of(LANES) + if across > 2 * LANES { LANES } else { 0 };
    let points = grid.sizes()[0] as f64 * grid.sizes()[1] as f64;
    let each = if shape.sides.is_some() { 3.0 } else { 1.0 };
    let count = sources.len() as f64;
    let kept = per_tap * lanes as f64 * grid.sampling.coefficients() as f64 * each * count;
    // Half spectra (those of the sides for a while), the complex grid, the planes, and a row of taps.
    let spectra = 4.0 * points * (each * count + 4.0);
    let making = spectra + 8.0 * points + 4.0 * points * each * count + taps / down as f64;
    [making + kept, kept]
}

/// Kernels of several sources over a tile.
pub(super) fn kernels(
    blur: &Blur,
    shape: &TileShape,
    sources: &[Source],
    fft: &Inverse2d,
) -> Vec<Kernel> {
    let grid = grid(blur, shape, sources);

    // Every real plane that is wanted: for each source the middle, then the two slopes.
    let mut spectra: Vec<Vec<Complex32>> = Vec::new();
    for source in sources {
        let middle = grid.spectrum(source, blur, &shape.middle);
        if let Some(sides) = &shape.sides {
            let [left, right, top, bottom] = sides.map(|s| grid.spectrum(source, blur, &s));
            let slope = |a: &[Complex32], b: &[Complex32]| {
                a.iter().zip(b).map(|(a, b)| (b - a) * 0.5).collect::<Vec<_>>()
            };
            spectra.extend([middle, slope(&left, &right), slope(&top, &bottom)]);
        } else {
            spectra.push(middle);
        }
    }
    let planes = grid.planes(&spectra, fft);
    let each = planes.len() / sources.len();
    let hold = shape.sides.map_or(1.0, |sides| hold(blur, &sides, longest(sources)));
    let kernels = planes.chunks_exact(each).map(|planes| grid.lay_out(planes));
    kernels.map(|kernel| Kernel { hold, ..kernel }).collect()
}

fn longest(sources: &[Source]) -> f64 {
    sources.iter().map(|s| s.wavelength_m).fold(0.0, f64::max)
}

/// Share of a tile's height over which its change down changes no harmonic of the lattice by more than 0.02 %, and no
/// edge by more than 0.3 of what a tile may hold.
fn hold(blur: &Blur, sides: &[Local; 4], wavelength_m: f64) -> f64 {
    let [_, _, top, bottom] = sides;
    let mut most = shape_change(top, bottom) / 2.0 / 0.3;
    for g in HARMONICS {
        let view = |l: &Local| photosite_view(blur, l, wavelength_m, g, 0.0);
        most = most.max(f64::from((view(bottom) - view(top)).norm()) / 2.0 / 2e-4);
    }
    1.0 / most.max(1.0)
}

/// The lattice's harmonics that tiles are cut by, cycles per pixel.
pub(super) const HARMONICS: [DVec2; 6] = [
    DVec2::new(1.0, 0.0),
    DVec2::new(0.0, 1.0),
    DVec2::new(1.0, 1.0),
    DVec2::new(1.0, -1.0),
    DVec2::new(2.0, 0.0),
    DVec2::new(0.0, 2.0),
];

/// The periodic fine grid on which kernels are made.
#[derive(Clone, Copy)]
struct Grid {
    sampling: Sampling,
    before: [usize; 2],
    periods: [usize; 2],
}

impl Grid {
    fn sizes(&self) -> [usize; 2] {
        [self.periods[0] * self.sampling.steps[0], self.periods[1] * self.sampling.steps[1]]
    }

    /// Rows of a spectrum that are kept: the others mirror them.
    fn half_rows(&self) -> usize {
        self.sizes()[1] / 2 + 1
    }

    /// Upper half of the transform of a kernel.
    fn spectrum(&self, source: &Source, blur: &Blur, local: &Local) -> Vec<Complex32> {
        /// Smaller products change no weight by more than a millionth of the whole.
        const NOTHING: f32 = 1e-7;
        let [columns, _] = self.sizes();
        let frequency =
            |axis: usize, k: usize| signed(k, self.sizes()[axis]) / self.periods[axis] as f64;
        let axis = |i: usize| {
            (0..self.sizes()[i])
                .map(|k| {
                    let g = frequency(i, k);
                    (g, source.factor(i, g) / self.sampling.reading(i, g))
                })
                .collect::<Vec<_>>()
        };
        let (across, down) = (axis(0), axis(1));
        let disc = match source.shape {
            EmitterShape::Disc { diameter_m } => diameter_m / source.pitch_m,
            _ => 0.0,
        };
        let mut out = Vec::with_capacity(columns * self.half_rows());
        for &(gv, down) in &down[..self.half_rows()] {
            out.extend(across.iter().map(|&(gu, across)| {
                let g = DVec2::new(gu, gv);
                let round = if disc > 0.0 { jinc(PI * disc * g.length()) } else { 1.0 };
                let emitter = (across * down * round) as f32;
                if emitter.abs() < NOTHING {
                    return Complex32::default();
                }
                emitter
                    * photosite_view(blur, local, source.wavelength_m, g, NOTHING / emitter.abs())
            }));
        }
        out
    }

    /// Planes of weights from half spectra; two real planes travel through one transform.
    fn planes(&self, spectra: &[Vec<Complex32>], fft: &Inverse2d) -> Vec<Vec<f32>> {
        let [columns, rows] = self.sizes();
        let scale = 1.0 / (self.periods[0] * self.periods[1]) as f32;
        let mut planes = Vec::with_capacity(spectra.len());
        let mut grid = vec![Complex32::default(); columns * rows];
        for pair in spectra.chunks(2) {
            for kv in 0..rows {
                let mirrored = kv >= self.half_rows();
                let row = if mirrored { rows - kv } else { kv };
                for ku in 0..columns {
                    let column = if mirrored { (columns - ku) % columns } else { ku };
                    let value = |i: usize| {
                        pair.get(i).map_or(Complex32::default(), |s| {
                            let v = s[row * columns + column];
                            if mirrored { v.conj() } else { v }
                        })
                    };
                    grid[kv * columns + ku] = value(0) + Complex32::i() * value(1);
                }
            }
            fft.run(&mut grid, columns, rows);
            planes.push(grid.iter().map(|c| scale * c.re).collect());
            if pair.len() == 2 {
                planes.push(grid.iter().map(|c| scale * c.im).collect());
            }
        }
        planes
    }

    /// Sorts planes (middle, and slopes if any) into weights.
    fn lay_out(&self, planes: &[Vec<f32>]) -> Kernel {
        /// Weights below these shares of the largest are left out (and made up for).
        const NEGLIGIBLE: f32 = 1e-5;
        const NEGLIGIBLE_DIFFERENCE: f32 = 3e-4;
        let plain = Peaks::new(self, planes, false).stretches(NEGLIGIBLE);
        // Differences pay only where rows are long.
        if self.periods[0] > 2 * LANES {
            let edges = Peaks::new(self, planes, true).stretches(NEGLIGIBLE_DIFFERENCE);
            if 4 * cost(&edges) < 3 * cost(&plain) {
                return self.keep(planes, true, &edges);
            }
        }
        self.keep(planes, false, &plain)
    }

    /// Place on a periodic fine axis of the pixel that is tap `tap` at phase 0.
    fn place(&self, axis: usize, tap: usize) -> usize {
        let period = self.periods[axis];
        (tap + 2 * period - self.before[axis]) % period * self.sampling.steps[axis]
    }

    /// Taps across: one more for differences.
    fn across(&self, on_sums: bool) -> usize {
        self.periods[0] + usize::from(on_sums)
    }

    /// Keeps the stretches of all planes.
    fn keep(&self, planes: &[Vec<f32>], on_sums: bool, rows: &[[Stretch; 2]]) -> Kernel {
        let mut groups = Vec::new();
        for (row, stretches) in rows.iter().enumerate() {
            for s in stretches {
                groups.extend((0..s.groups).map(|g| Group { row, tap: s.tap + g * LANES }));
            }
        }
        let last = groups.iter().map(|g| g.tap + LANES).max().unwrap_or(0);
        let across = last.max(self.across(on_sums));
        let mut kept = planes.iter().map(|p| self.kept(p, rows, &groups, on_sums));
        let weights = kept.next().unwrap_or_default();
        let slopes = kept.next().zip(kept.next()).map(|(x, y)| {
            if self.sampling.lerp_across {
                return [x, y];
            }
            // The small change across of a wide blur is taken at the middle of a step down.
            let middle =
                |pair: &[f32]| (0..LANES).map(|i| pair[i] + 0.5 * pair[LANES + i]).collect();
            [x.chunks_exact(2 * LANES).flat_map(|pair| -> Vec<f32> { middle(pair) }).collect(), y]
        });
        let before = [self.before[0] + usize::from(on_sums), self.before[1]];
        let (sampling, down) = (self.sampling, self.periods[1]);
        Kernel { sampling, on_sums, across, down, before, groups, weights, slopes, hold: 1.0 }
    }

    /// Weights of the groups of one plane. What is left out is put back at taps that stay, so that each row's sum of
    /// weights (and, for differences, the sum weighted by place too) does not change.
    fn kept(
        &self,
        plane: &[f32],
        rows: &[[Stretch; 2]],
        groups: &[Group],
        on_sums: bool,
    ) -> Vec<f32> {
        let sampling = self.sampling;
        let each = LANES * sampling.coefficients();
        let [across, down] = sampling.blocks();
        let phases = sampling.phases()[0] + 1;
        let mut weights = vec![0.0_f32; groups.len() * across * down * each];
        let mut taps = RowTaps::new(self, on_sums);
        for (index, group) in groups.iter().enumerate() {
            taps.move_to(self, plane, group.row, &rows[group.row]);
            // Groups travel in chunks, side by side for every phase.
            let (chunk, place) = (index / TOGETHER, index % TOGETHER);
            let together = TOGETHER.min(groups.len() - chunk * TOGETHER);
            let start = chunk * TOGETHER * across * down * each + place * each;
            let live = taps.across.saturating_sub(group.tap).min(LANES);
            for pv in 0..down {
                for pu in 0..across {
                    let at = |pv: usize, pu: usize| {
                        let start = (pv * phases + pu) * taps.room + group.tap;
                        &taps.taps[start..start + LANES]
                    };
                    let (here, below) = (at(pv, pu), at(pv + 1, pu));
                    let start = start + (pv * across + pu) * together * each;
                    let out = &mut weights[start..start + each];
                    for lane in 0..live {
                        out[lane] = here[lane];
                        out[LANES + lane] = below[lane] - here[lane];
                    }
                    if sampling.lerp_across {
                        let (right, both) = (at(pv, pu + 1), at(pv + 1, pu + 1));
                        for lane in 0..live {
                            let (w, below) = (here[lane], below[lane]);
                            out[2 * LANES + lane] = right[lane] - w;
                            out[3 * LANES + lane] = (both[lane] - right[lane]) - (below - w);
                        }
                    }
                }
            }
        }
        weights
    }
}

/// Groups that a set of stretches costs.
fn cost(rows: &[[Stretch; 2]]) -> usize {
    rows.iter().flatten().map(|s| s.groups).sum()
}

/// Transform of what a photosite sees of the wall, without the emitter: frequency in cycles per pixel.
///
/// Zero where its photosite part is below `nothing`.
#[inline]
pub(super) fn photosite_view(
    blur: &Blur,
    local: &Local,
    wavelength_m: f64,
    g: DVec2,
    nothing: f32,
) -> Complex32 {
    let on_sensor = |m: &DMat2| DVec2::new(m.x_axis.dot(g), m.y_axis.dot(g));
    let sensor = blur.sensor(on_sensor(&local.whole));
    if sensor.abs() < nothing {
        return Complex32::default();
    }
    let f = on_sensor(&local.plain);
    let (re, im) = blur.pupil(f, local.disc, wavelength_m);
    // What a photosite sees is the point spread mirrored: the conjugate.
    let im = blur.skew(f, local.disc, local.skew, wavelength_m) - im;
    let view = Complex32::new(sensor * re, sensor * im);
    let aside = 2.0 * PI * local.disc * blur.skew_shift(local.disc, local.skew).dot(f);
    if aside == 0.0 {
        return view;
    }
    view * Complex32::new(libm::cos(aside) as f32, -libm::sin(aside) as f32)
}

/// The largest weight that each tap takes at any phase in any plane.
struct Peaks {
    across: usize,
    peaks: Vec<f32>,
    /// The largest of the first plane.
    largest: f32,
}

impl Peaks {
    /// Of weights or of their differences, at the steps of the transform.
    fn new(grid: &Grid, planes: &[Vec<f32>], on_sums: bool) -> Self {
        let ([columns, rows], [steps_u, steps_v]) = (grid.sizes(), grid.sampling.steps);
        let (across, down) = (grid.across(on_sums), grid.periods[1]);
        let mut peaks = vec![0.0_f32; across * down];
        let mut largest = 0.0_f32;
        let mut of_row = vec![0.0_f32; across];
        for (i, plane) in planes.iter().enumerate() {
            for (v, row) in plane.chunks_exact(columns).enumerate() {
                for (tap, peak) in of_row.iter_mut().enumerate() {
                    // From phase 0 back to the last one.
                    let end = grid.place(0, tap);
                    let wrapped = |i: usize| if i >= columns { i - columns } else { i };
                    let last = wrapped(end + columns - steps_u);
                    let at = |pu: usize| row[wrapped(end + columns - pu)];
                    let before = |pu: usize| row[wrapped(last + columns - pu)];
                    *peak = match (on_sums, tap) {
                        (false, _) | (true, 0) => {
                            (0..=steps_u).fold(0.0, |m, p| at(p).abs().max(m))
                        }
                        (true, t) if t + 1 == across => {
                            (0..=steps_u).fold(0.0, |m, p| before(p).abs().max(m))
                        }
                        _ => (0..=steps_u).fold(0.0, |m, p| (before(p) - at(p)).abs().max(m)),
                    };
                }
                if i == 0 {
                    largest = of_row.iter().fold(largest, |m, p| m.max(*p));
                }
                // The tap rows that read this fine row at one of their phases.
                for j in 0..down {
                    let back = (grid.place(1, j) + rows - v) % rows;
                    if back <= steps_v {
                        let peaks = &mut peaks[j * across..(j + 1) * across];
                        peaks.iter_mut().zip(&of_row).for_each(|(p, r)| *p = p.max(*r));
                    }
                }
            }
        }
        Self { across, peaks, largest }
    }

    /// Stretches of taps above `share` of the largest weight, for each row.
    fn stretches(&self, share: f32) -> Vec<[Stretch; 2]> {
        let across = self.across;
        let stretch =
            |from: usize, to: usize| Stretch { tap: from, groups: (to - from).div_ceil(LANES) };
        self.peaks
            .chunks_exact(across)
            .map(|row| {
                let used: Vec<usize> =
                    (0..row.len()).filter(|&i| row[i] > share * self.largest).collect();
                let (Some(&first), Some(&last)) = (used.first(), used.last()) else {
                    // Every tap is small, but their sum may count: a middle to put it at.
                    let middle = across.saturating_sub(LANES) / 2;
                    return [stretch(middle, (middle + LANES).min(across)), Stretch::default()];
                };
                let whole = [stretch(first, last + 1), Stretch::default()];
                let gap = used.windows(2).max_by_key(|w| w[1] - w[0]);
                let Some(gap) = gap.filter(|g| g[1] - g[0] > LANES) else { return whole };
                let two = [stretch(first, gap[0] + 1), stretch(gap[1], last + 1)];
                if two[0].groups + two[1].groups < whole[0].groups { two } else { whole }
            })
            .collect()
    }
}

/// One tap row at all phases: `[phase down][phase across][tap]`, with room for lanes beyond the last tap.
struct RowTaps {
    on_sums: bool,
    row: Option<usize>,
    across: usize,
    room: usize,
    taps: Vec<f32>,
    fine: Vec<f32>,
}

impl RowTaps {
    fn new(grid: &Grid, on_sums: bool) -> Self {
        let [phases_u, phases_v] = grid.sampling.phases();
        let across = grid.across(on_sums);
        let room = across + LANES;
        Self {
            on_sums,
            row: None,
            across,
            room,
            taps: vec![0.0; (phases_u + 1) * (phases_v + 1) * room],
            fine: vec![0.0; grid.sizes()[0] * grid.sampling.finer],
        }
    }

    /// Fills in row `j` of a plane, with what lies outside the row's stretches put back inside.
    fn move_to(&mut self, grid: &Grid, plane: &[f32], j: usize, stretches: &[Stretch; 2]) {
        if self.row == Some(j) {
            return;
        }
        self.row = Some(j);
        let (sizes, finer) = (grid.sizes(), grid.sampling.finer);
        let [phases_u, phases_v] = grid.sampling.phases();
        let (n, room, taps_across) = (self.fine.len(), self.room, grid.periods[0]);
        let first = grid.place(0, 0) * finer;
        let back = PutBack::new(stretches, self.across, self.on_sums);
        for pv in 0..=phases_v {
            let v = (grid.place(1, j) + sizes[1] - pv) % sizes[1];
            refine(&plane[v * sizes[0]..(v + 1) * sizes[0]], finer, &mut self.fine);
            for pu in 0..=phases_u {
                let start = (pv * (phases_u + 1) + pu) * room;
                let taps = &mut self.taps[start..start + room];
                let mut u = (first + n - pu) % n;
                if self.on_sums {
                    // In terms of running sums tap i holds W(i − 1) − W(i), one tap more.
                    let mut last = 0.0;
                    for tap in &mut taps[..taps_across] {
                        let w = self.fine[u];
                        *tap = last - w;
                        last = w;
                        u += phases_u;
                        u -= if u >= n { n } else { 0 };
                    }
                    taps[taps_across] = last;
                } else {
                    for tap in &mut taps[..taps_across] {
                        *tap = self.fine[u];
                        u += phases_u;
                        u -= if u >= n { n } else { 0 };
                    }
                }
                back.put(taps);
            }
        }
    }
}

/// Where the taps outside a row's stretches go.
struct PutBack {
    outside: Vec<std::ops::Range<usize>>,
    /// Two taps that keep sum and moment, or one that keeps the sum.
    to: [usize; 2],
    both: bool,
}

impl PutBack {
    fn new(row: &[Stretch; 2], across: usize, on_sums: bool) -> Self {
        let end = |s: &Stretch| (s.tap + s.groups * LANES).min(across);
        let middle = |s: &Stretch| (s.tap + s.groups * LANES / 2).min(across - 1);
        let two = row[1].groups > 0;
        let outside = if two {
            vec![0..row[0].tap, end(&row[0])..row[1].tap, end(&row[1])..across]
        } else {
            vec![0..row[0].tap, end(&row[0])..across]
        };
        let to =
            if two { [middle(&row[0]), middle(&row[1])] } else { [row[0].tap, end(&row[0]) - 1] };
        let both = on_sums && to[0] != to[1];
        Self { outside, to: if both { to } else { [middle(&row[0]); 2] }, both }
    }

    fn put(&self, taps: &mut [f32]) {
        let (mut sum, mut moment) = (0.0_f64, 0.0_f64);
        for range in &self.outside {
            for i in range.clone() {
                sum += f64::from(taps[i]);
                moment += f64::from(taps[i]) * i as f64;
            }
        }
        let [a, b] = self.to;
        if self.both {
            let beta = (moment - sum * a as f64) / (b as f64 - a as f64);
            taps[b] += beta as f32;
            taps[a] += (sum - beta) as f32;
        } else {
            taps[a] += sum as f32;
        }
    }
}

/// A periodic row made `finer` times finer by four-point interpolation, whose weights sum to one, so
/// that a partition of unity stays one.
fn refine(row: &[f32], finer: usize, out: &mut [f32]) {
    if finer == 1 {
        out.copy_from_slice(row);
        return;
    }
    let n = row.len();
    for (i, group) in out.chunks_exact_mut(finer).enumerate() {
        let p = [row[(i + n - 1) % n], row[i], row[(i + 1) % n], row[(i + 2) % n]];
        for (k, o) in group.iter_mut().enumerate() {
            let t = k as f32 / finer as f32;
            let (a, b, c) = (t + 1.0, t - 1.0, t - 2.0);
            *o = p[0] * (-t * b * c / 6.0)
                + p[1] * (a * b * c / 2.0)
                + p[2] * (-a * t * c / 2.0)
                + p[3] * (a * t * b / 6.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{Diffraction, Iris, Lens, LowPass};

    /// The estimate must not be below what is kept, nor so far above it that it refuses what fits.
    #[test]
    fn the_estimate_bounds_what_kernels_keep() {
        for diffraction in [Diffraction::Off, Diffraction::Convolved] {
            for (photosites, disc) in [(0.4, 0.0), (1.4, 0.0), (1.4, 6.0), (1.4, 40.0), (9.0, 2.0)]
            {
                let lens = Lens {
                    focal_m: 0.035,
                    f_number: 4.0,
                    transmission: 1.0,
                    focus_m: 4.0,
                    aberration_m: 1e-6,
                    iris: Iris::Round,
                    distortion: 0.0,
                    vignetting: false,
                    defocus: true,
                    diffraction,
                };
                let filter = LowPass { across_m: 5e-6, upright_m: 5e-6 };
                let blur = Blur::new(&lens, Some(&filter), 5e-6, 0.8, 40.0, 465e-9);
                let local = |scale: f64| {
                    let m = DMat2::from_angle(0.05) * (scale / photosites);
                    Local { whole: m, plain: m, disc: disc * scale, skew: DVec2::ZERO }
                };
                let sides = [0.99, 1.01, 1.0, 1.0].map(local);
                let source = Source {
                    shape: EmitterShape::Rectangle { width_m: 5e-4, height_m: 8e-4 },
                    pitch_m: 2.6e-3,
                    wavelength_m: 525e-9,
                };
                for sides in [None, Some(sides)] {
                    let shape = TileShape { middle: local(1.0), sides };
                    let [making, kept] = bytes(&blur, &shape, &[source]);
                    let kernel = kernels(&blur, &shape, &[source], &Inverse2d::default()).remove(0);
                    let slopes = kernel.slopes.iter().flatten().map(Vec::len).sum::<usize>();
                    let actual = 4.0 * (kernel.weights.len() + slopes) as f64;
                    let case = format!("{diffraction:?}, {photosites} a pitch, disc {disc}");
                    assert!(
                        actual <= kept && kept < making,
                        "{case}: {actual} of {kept}, {making}"
                    );
                    // Differences leave most of a wide disc out, so only narrow kernels are held from below.
                    assert!(disc > 10.0 || kept < 4.0 * actual, "{case}: {actual} of {kept}");
                }
            }
        }
    }
}
