//! The light that each wall pixel around it sends to a photosite, as a table over where inside a
//! pixel the photosite looks.
//!
//! The table lives on the wall: what a photosite sees of the wall (its aperture, the low-pass spots,
//! aberration, defocus and diffraction, carried to the wall by the local perspective) convolved
//! with the emitter. It comes from the transfer functions by one inverse FFT on a grid that repeats
//! after a whole number of pixels, so that the weights of a gapless emitter sum to exactly one
//! for every position: a uniform wall stays uniform whatever is rounded elsewhere.

use super::far::{self, Tails};
use super::plan::shape_change;
use super::source::Source;
use crate::math::fft::Inverse2d;
use crate::math::special::{jinc, sinc};
use crate::optics::blur::Blur;
pub(super) use crate::optics::view::{Local, photosite_view};
use crate::optics::view::{View, on_sensor};
use crate::wall::EmitterShape;
use glam::{DMat2, DVec2};
use rustfft::num_complex::Complex32;
use std::f64::consts::PI;

/// Lanes in which taps are summed; the sums have the same bits on any processor because this is fixed.
pub(super) const LANES: usize = 8;

/// From this blur disc on, photosites, the position across is rounded to a finer table instead of
/// being interpolated.
const ROUND_ACROSS_FROM: f64 = 24.0;

/// The local geometry of a tile: of its middle and, where the blur's shape changes over the tile, of
/// the middles of its left, right, upper and lower side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TileShape {
    /// Middle of the tile.
    pub middle: Local,
    /// Left, right, upper, lower side; `None` where the middle serves the whole tile.
    pub sides: Option<[Local; 4]>,
}

impl TileShape {
    /// The bits of its numbers: equal bits are the same shape.
    pub(super) fn bits(&self) -> Vec<u64> {
        let places = [&self.middle].into_iter().chain(self.sides.iter().flatten());
        let numbers = places.flat_map(|local| {
            let Local { whole, plain, disc, skew } = local;
            let matrices = [whole, plain].map(|m| m.to_cols_array());
            matrices.into_iter().flatten().chain([*disc, skew.x, skew.y])
        });
        numbers.map(f64::to_bits).collect()
    }
}

/// How finely a kernel is tabulated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sampling {
    /// Grid steps per pixel of the transform, across and down.
    pub steps: [usize; 2],
    /// Finer steps across made by interpolation.
    pub finer: usize,
    /// Interpolate across between steps (else round).
    pub lerp_across: bool,
}

impl Sampling {
    /// For emitters that a diffuser spreads by at least `spread` pixels, behind a lens that softens edges by `softness`
    /// photosites ([`Blur::softness`]).
    fn new(local: &Local, softness: f64, spread: f64) -> Self {
        let disc = local.disc.abs();
        // Straight lines between steps h act, on average over phases, as an extra blur of variance
        // h²/6, which the transform makes up for; edges of a disc are softened by the photosite, so
        // wide discs need fewer steps. So do Gaussians: a tenth of σ is off by a thousandth of the highest weight.
        let inverse = local.whole.inverse();
        let sigma = spread * inverse.x_axis.length().min(inverse.y_axis.length());
        // Where nothing softens the edges of photosites and emitters, lines between steps cut their corners.
        let finest = (0.25 * softness).clamp(1.0 / 40.0, 1.0 / 20.0);
        let h = (0.02 * disc).max(0.1 * sigma).clamp(finest, 0.3);
        let lerp_across = disc < ROUND_ACROSS_FROM;
        Self { steps: steps(local, h), finer: if lerp_across { 1 } else { 4 }, lerp_across }
    }

    /// Of the smooth tails of far kernels.
    fn far(local: &Local) -> Self {
        Self { steps: steps(local, 0.35), finer: 1, lerp_across: true }
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

/// Steps of `h` photosites inside a pixel, across and down; not more than [`MOST_STEPS`].
fn steps(local: &Local, h: f64) -> [usize; 2] {
    let inverse = local.whole.inverse();
    [inverse.x_axis, inverse.y_axis]
        .map(|q| smooth((q.length() / h).ceil().clamp(1.0, MOST_STEPS) as usize))
}

/// The next number that has no prime factor above 7: transforms of other lengths take much longer.
pub(super) fn smooth(n: usize) -> usize {
    let is_smooth = |n: &usize| {
        let mut rest = *n;
        for p in [2, 3, 5, 7] {
            while rest.is_multiple_of(p) {
                rest /= p;
            }
        }
        rest == 1
    };
    (n.max(1)..).find(is_smooth).unwrap_or(n)
}

/// Most steps inside a pixel: tables grow with their square. For a lens with some aberration, in focus, this is short of the
/// wanted 1/20 photosite where pixels are seen more than 16 photosites wide; the error is then 0.06 % of the frame's standard
/// deviation at 37 photosites a pixel, 0.5 % at 105.
const MOST_STEPS: f64 = 320.0;

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

fn signed(k: usize, n: usize) -> f64 {
    if 2 * k <= n { k as f64 } else { k as f64 - n as f64 }
}

/// How far on the wall, pixels across and down, a photosite sees, with a diffraction pattern of a radius in photosites.
pub(super) fn reach(blur: &Blur, local: &Local, diffraction: f64) -> DVec2 {
    let row = |m: &DMat2, i: usize| DVec2::new(m.x_axis[i], m.y_axis[i]);
    let along = |i: usize| {
        let (whole, plain) = (row(&local.whole, i), row(&local.plain, i));
        let box_half = (blur.aperture + blur.square) / 2.0;
        (whole.x.abs() + whole.y.abs()) * box_half
            + (whole.abs().dot(blur.low_pass + blur.front_low_pass)) / 2.0
            + 3.5 * blur.sigma * whole.length()
            + local.disc.abs() / 2.0 * DVec2::new(plain.x * blur.aspect(), plain.y).length()
            + diffraction * plain.length()
    };
    DVec2::new(along(0), along(1))
}

/// The grid on which the kernels of several sources over a tile are made.
fn grid(
    blur: &Blur,
    shape: &TileShape,
    sources: &[Source],
    sampling: Sampling,
    diffraction: f64,
) -> Grid {
    let half = sources.iter().map(Source::half).fold(DVec2::ZERO, DVec2::max);
    let mut widest = reach(blur, &shape.middle, diffraction);
    for side in shape.sides.iter().flatten() {
        widest = widest.max(reach(blur, side, diffraction));
    }
    let widest = widest + half;
    let before = [widest.x.floor() as usize, widest.y.floor() as usize];
    let periods =
        [before[0] + widest.x.ceil() as usize + 1, before[1] + widest.y.ceil() as usize + 1];
    let periods = periods.map(smooth);
    Grid { sampling, before, periods, far: false }
}

/// The grids of the near and of the far kernels.
fn grids(
    blur: &Blur,
    shape: &TileShape,
    sources: &[Source],
    tails: &Tails,
) -> (Grid, Option<Grid>) {
    let spread = sources.iter().map(|s| s.spread).fold(f64::INFINITY, f64::min);
    // As fine as the narrow side of an oval disc needs.
    let middle = Local { disc: shape.middle.disc * blur.aspect(), ..shape.middle };
    let sampling = Sampling::new(&middle, blur.softness(shortest(sources)), spread);
    let near = grid(blur, shape, sources, sampling, tails.near);
    let far = tails.far.map(|radius| {
        let far = grid(blur, shape, sources, Sampling::far(&shape.middle), radius);
        Grid { far: true, ..far }
    });
    (near, far)
}

/// Bytes that making the kernels of a tile takes at its peak, and bytes that they then keep: an
/// upper estimate from the sizes of the buffers, before any of them is made.
pub(super) fn bytes(blur: &Blur, shape: &TileShape, sources: &[Source], tails: &Tails) -> [f64; 2] {
    let (near, far) = grids(blur, shape, sources, tails);
    let each = if shape.sides.is_some() { 3.0 } else { 1.0 };
    let count = sources.len() as f64;
    let one = |grid: &Grid| {
        let [across, down] = grid.periods;
        let phases = grid.sampling.phases().map(|p| p as f64 + 1.0);
        // Taps of all phases, in single precision; a row's one or two stretches are whole groups of lanes.
        let per_tap = 4.0 * phases[0] * phases[1] * down as f64;
        let taps = per_tap * across as f64;
        let lanes = across.next_multiple_of(LANES) + if across > 2 * LANES { LANES } else { 0 };
        let points = grid.sizes()[0] as f64 * grid.sizes()[1] as f64;
        let kept = per_tap * lanes as f64 * grid.sampling.coefficients() as f64 * each * count;
        // Half spectra (those of the sides for a while), the complex grid, the planes, and a row of taps.
        let spectra = 4.0 * points * (each * count + 4.0);
        let making = spectra + 8.0 * points + 4.0 * points * each * count + taps / down as f64;
        [making + kept, kept]
    };
    let (near, far) = (one(&near), far.map_or([0.0; 2], |far| one(&far)));
    [near[0] + far[0], near[1] + far[1]]
}

/// The kernels of a tile, one a source.
#[derive(Debug)]
pub(super) struct Kernels {
    pub near: Vec<Kernel>,
    /// Empty where the near kernels hold all.
    pub far: Vec<Kernel>,
}

impl Kernels {
    /// Bytes of their weights.
    pub(super) fn bytes(&self) -> usize {
        let one = |kernel: &Kernel| {
            let slopes = kernel.slopes.iter().flatten().map(Vec::len).sum::<usize>();
            4 * (kernel.weights.len() + slopes) + 16 * kernel.groups.len()
        };
        self.near.iter().chain(&self.far).map(one).sum()
    }
}

/// Kernels of several sources over a tile.
pub(super) fn kernels(
    blur: &Blur,
    shape: &TileShape,
    sources: &[Source],
    tails: &Tails,
    fft: &Inverse2d,
) -> Kernels {
    let (near_grid, far_grid) = grids(blur, shape, sources, tails);
    let each = if shape.sides.is_some() { 3 } else { 1 };
    let hold = shape.sides.map_or(1.0, |sides| hold(blur, &sides, sources));
    let lay_out = |grid: &Grid, planes: &[Vec<f32>]| -> Vec<Kernel> {
        let kernels = planes.chunks_exact(each).map(|planes| grid.lay_out(planes));
        kernels.map(|kernel| Kernel { hold, ..kernel }).collect()
    };
    let mut near = near_grid.made(blur, shape, sources, fft);
    let Some(far_grid) = far_grid else {
        return Kernels { near: lay_out(&near_grid, &near), far: Vec::new() };
    };
    let mut far = far_grid.made(blur, shape, sources, fft);
    for (source, planes) in sources.iter().zip(far.chunks_exact_mut(each)) {
        far::hollow(planes, &far_grid, blur, shape, source, tails);
    }
    for (near, far) in near.iter_mut().zip(&far) {
        far::take_off(near, &near_grid, far, &far_grid);
    }
    Kernels { near: lay_out(&near_grid, &near), far: lay_out(&far_grid, &far) }
}

/// Kernels for a blur without waves that stays the same all over a tile, tabulated no finer than a difference of products
/// needs.
pub(super) fn rough(
    blur: &Blur,
    shape: &TileShape,
    sources: &[Source],
    fft: &Inverse2d,
) -> Vec<Kernel> {
    let local = &shape.middle;
    let boxes = libm::hypot(blur.aperture, blur.square) / 12.0_f64.sqrt();
    let width = libm::hypot(boxes, blur.sigma);
    let h = (0.02 * local.disc.abs()).max(0.2 * width).clamp(0.05, 0.3);
    let sampling = Sampling { steps: steps(local, h), finer: 1, lerp_across: true };
    let grid = grid(blur, shape, sources, sampling, 0.0);
    let planes = grid.made(blur, shape, sources, fft);
    planes.chunks_exact(1).map(|plane| grid.lay_out(plane)).collect()
}

/// The wavelength that shows most of the lattice, metres.
pub(super) fn shortest(sources: &[Source]) -> f64 {
    sources.iter().map(|s| s.wavelength_m).fold(f64::INFINITY, f64::min)
}

/// Share of a tile's height over which its change down changes no harmonic of the lattice by more than 0.02 %, and no
/// edge by more than 0.3 of what a tile may hold.
fn hold(blur: &Blur, sides: &[Local; 4], sources: &[Source]) -> f64 {
    let wavelength_m = shortest(sources);
    let [_, _, top, bottom] = sides;
    let mut most = shape_change(top, bottom) / 2.0 / 0.3;
    for g in HARMONICS {
        let view = |l: &Local| photosite_view(blur, l, wavelength_m, g);
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
pub(super) struct Grid {
    pub sampling: Sampling,
    /// Taps left of and above the pixel in which a photosite looks.
    pub before: [usize; 2],
    /// Pixels after which the grid repeats.
    pub periods: [usize; 2],
    /// It holds the tails of kernels, smoothed for coarse steps.
    pub far: bool,
}

impl Grid {
    /// Every real plane that is wanted: for each source the middle, then the two slopes.
    fn made(
        &self,
        blur: &Blur,
        shape: &TileShape,
        sources: &[Source],
        fft: &Inverse2d,
    ) -> Vec<Vec<f32>> {
        let mut spectra: Vec<Vec<Complex32>> = Vec::new();
        for source in sources {
            let middle = self.spectrum(source, blur, &shape.middle);
            if let Some(sides) = &shape.sides {
                let [left, right, top, bottom] = sides.map(|s| self.spectrum(source, blur, &s));
                let slope = |a: &[Complex32], b: &[Complex32]| {
                    a.iter().zip(b).map(|(a, b)| (b - a) * 0.5).collect::<Vec<_>>()
                };
                spectra.extend([middle, slope(&left, &right), slope(&top, &bottom)]);
            } else {
                spectra.push(middle);
            }
        }
        self.planes(&spectra, fft)
    }

    /// Steps across and down.
    pub fn sizes(&self) -> [usize; 2] {
        [self.periods[0] * self.sampling.steps[0], self.periods[1] * self.sampling.steps[1]]
    }

    /// Rows of a spectrum that are kept: the others mirror them.
    fn half_rows(&self) -> usize {
        self.sizes()[1] / 2 + 1
    }

    /// What steps cannot hold is let go smoothly, or it would ring: tables by a high power that leaves the lower half
    /// alone, far kernels, which are smooth, by a Gaussian of one step.
    fn roll_off(&self, axis: usize, g: f64) -> f64 {
        let x = 2.0 * g / self.sampling.steps[axis] as f64;
        let x2 = x * x;
        let power = if self.far { 4.93 * x2 } else { 8.0 * x2 * x2 * x2 * x2 };
        libm::exp(-power)
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
                    (g, source.factor(i, g) * self.roll_off(i, g) / self.sampling.reading(i, g))
                })
                .collect::<Vec<_>>()
        };
        let (across, down) = (axis(0), axis(1));
        let disc = match source.shape {
            EmitterShape::Disc { diameter_m } => diameter_m / source.pitch_m,
            _ => 0.0,
        };
        let [su, sv] = self.sampling.steps.map(|s| s as f64 / 2.0);
        let end = [DVec2::new(su, sv), DVec2::new(su, -sv)]
            .map(|g| on_sensor(&local.plain, g).length())
            .into_iter()
            .fold(0.0, f64::max);
        let view = View::new(blur, local, source.wavelength_m, end);
        let mut out = Vec::with_capacity(columns * self.half_rows());
        for &(gv, down) in &down[..self.half_rows()] {
            out.extend(across.iter().map(|&(gu, across)| {
                let g = DVec2::new(gu, gv);
                let round = if disc > 0.0 { jinc(PI * disc * g.length()) } else { 1.0 };
                let emitter = across * down * round;
                let emitter = Complex32::new(emitter.re as f32, emitter.im as f32);
                let size = emitter.re.abs().max(emitter.im.abs());
                if size < NOTHING {
                    return Complex32::default();
                }
                emitter * view.at(g, NOTHING / size)
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
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{Diffraction, Lens, LowPass};

    /// The estimate must not be below what is kept, nor so far above it that it refuses what fits.
    #[test]
    fn the_estimate_bounds_what_kernels_keep() {
        for diffraction in [Diffraction::Off, Diffraction::Convolved] {
            for (photosites, disc) in [(0.4, 0.0), (1.4, 0.0), (1.4, 6.0), (1.4, 40.0), (9.0, 2.0)]
            {
                let lens = Lens {
                    focal_m: 0.035,
                    f_number: 4.0,
                    focus_m: 4.0,
                    aberration_m: 1e-6,
                    vignetting: false,
                    diffraction,
                    ..Lens::plain()
                };
                let filter = LowPass { across_m: 5e-6, upright_m: 5e-6 };
                let blur = Blur::new(&lens, (Some(&filter), None), 5e-6, 0.8, 40.0, 465e-9);
                let local = |scale: f64| {
                    let m = DMat2::from_angle(0.05) * (scale / photosites);
                    Local { whole: m, plain: m, disc: disc * scale, skew: DVec2::ZERO }
                };
                let sides = [0.99, 1.01, 1.0, 1.0].map(local);
                let source = Source {
                    shape: EmitterShape::Rectangle { width_m: 5e-4, height_m: 8e-4 },
                    pitch_m: 2.6e-3,
                    wavelength_m: 525e-9,
                    spread: 0.0,
                    outline: [super::super::source::Outline::Whole; 2],
                };
                for sides in [None, Some(sides)] {
                    let shape = TileShape { middle: local(1.0), sides };
                    let tails = Tails::new(&blur, source.wavelength_m);
                    let [making, kept] = bytes(&blur, &shape, &[source], &tails);
                    let kernels = kernels(&blur, &shape, &[source], &tails, &Inverse2d::default());
                    let weights = kernels.near.iter().chain(&kernels.far).map(|kernel| {
                        let slopes = kernel.slopes.iter().flatten().map(Vec::len);
                        kernel.weights.len() + slopes.sum::<usize>()
                    });
                    let actual = 4.0 * weights.sum::<usize>() as f64;
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
