//! Several sinusoids and a smooth trend, fitted to a window together by weighted least squares, their frequencies refined
//! continuously (Gauss–Newton).
//!
//! Every column of the model is the real part of c·xᵖ·yᑫ·exp(i·2πf·r), so that all products of columns are sums along x times
//! sums along y; only the products with the data need the pixels.

use super::patch::{Patch, Taper};
use crate::math::solve::Cholesky;
use glam::DVec2;
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// A sinusoid of a window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sinusoid {
    /// Cycles per pixel of the patch's level.
    pub(super) frequency: DVec2,
    /// Complex amplitude of each plane, phase at the window's middle.
    pub(super) planes: [Complex64; 3],
}

impl Sinusoid {
    /// Root of the sum of squares of the planes' amplitudes.
    pub(super) fn size(&self) -> f64 {
        self.planes.iter().map(|p| p.norm_sqr()).sum::<f64>().sqrt()
    }
}

/// What a fit found.
#[derive(Debug, Clone)]
pub(super) struct Model {
    pub(super) waves: Vec<Sinusoid>,
    /// Powers of x and y (−1 to 1 across the window) of the trend's terms.
    terms: Vec<(usize, usize)>,
    /// The terms' sizes, plane by plane.
    trend: Vec<[f64; 3]>,
    /// The largest change of a frequency in the last step, bins.
    pub(super) last_step_bins: f64,
}

/// Terms of a polynomial up to a degree; none for `None`.
fn terms(degree: Option<usize>) -> Vec<(usize, usize)> {
    let Some(degree) = degree else { return Vec::new() };
    (0..=degree).flat_map(|all| (0..=all).map(move |q| (all - q, q))).collect()
}

/// Largest change of a frequency in one step, bins.
const LONGEST_STEP_BINS: f64 = 0.4;

/// Fits whose frequencies change by less than this, bins, are done.
const SETTLED_BINS: f64 = 1e-4;

/// How a wave comes back to itself at the other end of the spectrum: a frequency within this, bins, of a multiple of half a
/// cycle per pixel in both directions has one real amplitude only.
const AT_NYQUIST_BINS: f64 = 0.3;

/// Fits sinusoids that start at given frequencies. Pixels not given are filled with what the model says of them.
pub(super) fn fit(
    patch: &mut Patch,
    start: &[Sinusoid],
    taper: Taper,
    degree: Option<usize>,
    steps: usize,
) -> Model {
    let mut solver = Solver::new(patch, taper, terms(degree), start);
    let steps = if patch.missing.is_empty() { steps } else { steps + 3 };
    for _ in 0..steps {
        solver.step(patch);
        solver.model.fill(patch);
        if solver.model.last_step_bins < SETTLED_BINS && patch.missing.is_empty() {
            break;
        }
    }
    solver.model
}

struct Solver {
    size: DVec2,
    across: Vec<f64>,
    down: Vec<f64>,
    model: Model,
    /// Waves whose amplitudes are known, so that frequencies can move.
    known: usize,
}

/// A column of the model: which frequency (0 the trend, then the waves), powers, factor.
#[derive(Clone, Copy)]
struct Column {
    wave: usize,
    p: usize,
    q: usize,
    factor: Complex64,
}

/// Sums along one direction of weight·tᵐ·exp(i·2πf·x), t from −1 to 1 across, x in pixels from the middle.
fn moments(weights: &[f64], frequency: f64, most: usize) -> Vec<Complex64> {
    let n = weights.len();
    let mut sums = vec![Complex64::default(); most + 1];
    let turn = |t: f64| Complex64::new(libm::cos(TAU * t), libm::sin(TAU * t));
    let first = -((n as f64) - 1.0) / 2.0;
    let (mut e, step) = (turn(frequency * first), turn(frequency));
    for (i, w) in weights.iter().enumerate() {
        let t = (first + i as f64) / (n as f64 / 2.0);
        let mut value = e * w;
        for sum in &mut sums {
            *sum += value;
            value *= t;
        }
        e *= step;
    }
    sums
}

/// Sum of products in sixteen lanes.
fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut lanes = [0.0_f32; 16];
    let (a16, b16) = (a.chunks_exact(16), b.chunks_exact(16));
    let (a1, b1) = (a16.remainder(), b16.remainder());
    for (a, b) in a16.zip(b16) {
        for (lane, (a, b)) in lanes.iter_mut().zip(a.iter().zip(b)) {
            *lane += a * b;
        }
    }
    let rest: f32 = a1.iter().zip(b1).map(|(a, b)| a * b).sum();
    lanes.iter().map(|l| f64::from(*l)).sum::<f64>() + f64::from(rest)
}

impl Solver {
    fn new(patch: &Patch, taper: Taper, terms: Vec<(usize, usize)>, start: &[Sinusoid]) -> Self {
        let known = start.iter().take_while(|w| w.size() > 0.0).count();
        let model = Model {
            waves: start.to_vec(),
            trend: vec![[0.0; 3]; terms.len()],
            terms,
            last_step_bins: f64::INFINITY,
        };
        Self {
            size: DVec2::new(patch.width() as f64, patch.height() as f64),
            across: taper.weights(patch.width()),
            down: taper.weights(patch.height()),
            model,
            known,
        }
    }

    fn frequency(&self, wave: usize) -> DVec2 {
        if wave == 0 { DVec2::ZERO } else { self.model.waves[wave - 1].frequency }
    }

    /// Whether a wave's two halves fall on one another.
    fn is_real(&self, wave: usize) -> bool {
        let twice = self.frequency(wave) * 2.0;
        ((twice - twice.round()) * self.size).abs().max_element() < AT_NYQUIST_BINS
    }

    /// Largest power that columns of a wave have.
    fn power(&self, wave: usize) -> usize {
        if wave == 0 {
            self.model.terms.iter().map(|(p, q)| *p.max(q)).max().unwrap_or(0)
        } else {
            1
        }
    }

    /// Σ weight·d·xᵖ·yᑫ·exp(−i·2πf·r) of every wave and plane: `[wave][plane][p + 2·q]`, and of the trend's terms.
    fn projections(&self, patch: &Patch) -> (Vec<[[Complex64; 3]; 3]>, Vec<[f64; 3]>) {
        let (w, h) = (patch.width(), patch.height());
        let middle = |n: usize| (n as f64 - 1.0) / 2.0;
        let t = |i: usize, n: usize| (i as f64 - middle(n)) / (n as f64 / 2.0);
        let table = |f: f64, p: usize, sine: bool| -> Vec<f32> {
            (0..w)
                .map(|x| {
                    let turn = TAU * f * (x as f64 - middle(w));
                    let value = if sine { -libm::sin(turn) } else { libm::cos(turn) };
                    let power = if p == 0 { 1.0 } else { t(x, w) };
                    (value * power * self.across[x]) as f32
                })
                .collect()
        };
        let waves = &self.model.waves;
        let tables: Vec<[Vec<f32>; 4]> = waves
            .iter()
            .map(|wave| {
                let f = wave.frequency.x;
                [table(f, 0, false), table(f, 0, true), table(f, 1, false), table(f, 1, true)]
            })
            .collect();
        let most = self.power(0);
        let even: Vec<Vec<f32>> = (0..=most)
            .map(|p| {
                let power = |x: usize| (0..p).fold(1.0, |v, _| v * t(x, w));
                (0..w).map(|x| (power(x) * self.across[x]) as f32).collect()
            })
            .collect();
        let mut sums = vec![[[Complex64::default(); 3]; 3]; waves.len()];
        let mut smooth = vec![[0.0; 3]; self.model.terms.len()];
        for y in 0..h {
            let (wy, ty) = (self.down[y], t(y, h));
            for c in 0..3 {
                let row = &patch.planes[c][y * w..(y + 1) * w];
                for ((wave, tables), sums) in waves.iter().zip(&tables).zip(&mut sums) {
                    let turn = -TAU * wave.frequency.y * (y as f64 - middle(h));
                    let e = Complex64::new(libm::cos(turn), libm::sin(turn)) * wy;
                    let [c0, s0, c1, s1] = tables;
                    let plain = Complex64::new(dot(row, c0), dot(row, s0)) * e;
                    let tilted = Complex64::new(dot(row, c1), dot(row, s1)) * e;
                    sums[c][0] += plain;
                    sums[c][1] += tilted;
                    sums[c][2] += plain * ty;
                }
                if !smooth.is_empty() {
                    let along: Vec<f64> = even.iter().map(|table| dot(row, table)).collect();
                    for ((p, q), sum) in self.model.terms.iter().zip(&mut smooth) {
                        sum[c] += along[*p] * wy * (0..*q).fold(1.0, |v, _| v * ty);
                    }
                }
            }
        }
        (sums, smooth)
    }

    /// One step: amplitudes, trend and changes of frequency, all at once.
    fn step(&mut self, patch: &Patch) {
        let waves = self.model.waves.len();
        let (sums, smooth) = self.projections(patch);
        let products = Products::new(self);
        // Columns of what is linear: the same for the three planes.
        let one = Complex64::new(1.0, 0.0);
        let mut linear: Vec<Column> =
            self.model.terms.iter().map(|&(p, q)| Column { wave: 0, p, q, factor: one }).collect();
        let trend_terms = linear.len();
        let real: Vec<bool> = (1..=waves).map(|k| self.is_real(k)).collect();
        for k in 1..=waves {
            linear.push(Column { wave: k, p: 0, q: 0, factor: one });
            linear.push(Column { wave: k, p: 0, q: 0, factor: Complex64::i() });
        }
        let n = linear.len();
        let mut gram = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                gram[i * n + j] = products.of(linear[i], linear[j]);
            }
        }
        // A hair on the diagonal keeps waves that cannot be told apart from growing against each other.
        for i in trend_terms..n {
            gram[i * n + i] *= 1.0 + 1e-9;
        }
        let gram = Cholesky::new(gram, n);
        let right = |c: usize| -> Vec<f64> {
            let mut b: Vec<f64> = smooth.iter().map(|s| s[c]).collect();
            for s in &sums {
                b.push(s[c][0].re);
                // Σ d·Re(i·e) = −Σ d·sin, and the projection has exp(−i…): its imaginary part is −Σ d·sin.
                b.push(s[c][0].im);
            }
            b
        };
        let rights = [right(0), right(1), right(2)];
        let free: Vec<usize> = (0..self.known).filter(|&k| !real[k]).collect();
        let m = 2 * free.len();
        let mut schur = vec![0.0; m * m];
        let mut schur_right = vec![0.0; m];
        let mut joints: Vec<Vec<Vec<f64>>> = Vec::new();
        for (c, right) in rights.iter().enumerate() {
            // Derivatives by a frequency, in bins: Re(i·2π·A·x·e / width) with x = t·width/2.
            let moving: Vec<Column> = free
                .iter()
                .flat_map(|&k| {
                    let factor = Complex64::i() * PI * self.model.waves[k].planes[c];
                    [
                        Column { wave: k + 1, p: 1, q: 0, factor },
                        Column { wave: k + 1, p: 0, q: 1, factor },
                    ]
                })
                .collect();
            let joint: Vec<Vec<f64>> = moving
                .iter()
                .map(|&d| linear.iter().map(|&l| products.of(l, d)).collect())
                .collect();
            let solved: Vec<Vec<f64>> = joint.iter().map(|column| gram.solve(column)).collect();
            for i in 0..m {
                for j in 0..=i {
                    let through: f64 = joint[i].iter().zip(&solved[j]).map(|(a, b)| a * b).sum();
                    schur[i * m + j] += products.of(moving[i], moving[j]) - through;
                }
                let d = moving[i];
                let s = &sums[d.wave - 1][c];
                let own = (d.factor * s[d.p + 2 * d.q].conj()).re;
                let through: f64 = solved[i].iter().zip(right).map(|(a, b)| a * b).sum();
                schur_right[i] += own - through;
            }
            joints.push(joint);
        }
        for i in 0..m {
            schur[i * m + i] *= 1.0 + 1e-6;
        }
        let change = Cholesky::new(schur, m).solve(&schur_right);
        let longest = change.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
        let shorter = if longest > LONGEST_STEP_BINS { LONGEST_STEP_BINS / longest } else { 1.0 };
        for (c, right) in rights.iter().enumerate() {
            let mut b = right.clone();
            for (joint, v) in joints[c].iter().zip(&change) {
                for (b, j) in b.iter_mut().zip(joint) {
                    *b -= j * v * shorter;
                }
            }
            let solved = gram.solve(&b);
            for (i, value) in solved[..trend_terms].iter().enumerate() {
                self.model.trend[i][c] = *value;
            }
            for k in 0..waves {
                let at = trend_terms + 2 * k;
                self.model.waves[k].planes[c] = Complex64::new(solved[at], solved[at + 1]);
            }
        }
        for (i, &k) in free.iter().enumerate() {
            let bins = DVec2::new(change[2 * i], change[2 * i + 1]) * shorter;
            if bins.is_finite() {
                self.model.waves[k].frequency += bins / self.size;
            }
        }
        let all_known = self.known == waves;
        self.model.last_step_bins = if all_known { longest } else { f64::INFINITY };
        self.known = waves;
    }
}

/// Sums that products of columns are made of.
struct Products {
    count: usize,
    /// `[k·count + l]`: along x and along y, of the difference and of the sum of two frequencies.
    minus: Vec<[Vec<Complex64>; 2]>,
    plus: Vec<[Vec<Complex64>; 2]>,
}

impl Products {
    fn new(solver: &Solver) -> Self {
        let count = solver.model.waves.len() + 1;
        let (mut minus, mut plus) = (Vec::new(), Vec::new());
        for k in 0..count {
            for l in 0..count {
                if l > k {
                    minus.push([Vec::new(), Vec::new()]);
                    plus.push([Vec::new(), Vec::new()]);
                    continue;
                }
                let most = solver.power(k) + solver.power(l);
                let (a, b) = (solver.frequency(k), solver.frequency(l));
                let both = |f: DVec2| {
                    [moments(&solver.across, f.x, most), moments(&solver.down, f.y, most)]
                };
                minus.push(both(a - b));
                plus.push(both(a + b));
            }
        }
        Self { count, minus, plus }
    }

    /// Σ weight·Re(a·u)·Re(b·v) = ½·Re(a·b*·Σ u·v* + a·b·Σ u·v).
    fn of(&self, a: Column, b: Column) -> f64 {
        let (a, b) = if a.wave >= b.wave { (a, b) } else { (b, a) };
        let at = a.wave * self.count + b.wave;
        let (p, q) = (a.p + b.p, a.q + b.q);
        let minus = self.minus[at][0][p] * self.minus[at][1][q];
        let plus = self.plus[at][0][p] * self.plus[at][1][q];
        0.5 * (a.factor * b.factor.conj() * minus + a.factor * b.factor * plus).re
    }
}

impl Model {
    /// Tables of a window's columns and rows, to say the model row by row.
    fn rows<'a>(&'a self, width: usize, height: usize) -> impl Fn(usize, usize, &mut [f32]) + 'a {
        let middle = move |n: usize| (n as f64 - 1.0) / 2.0;
        let t = move |i: usize, n: usize| (i as f64 - middle(n)) / (n as f64 / 2.0);
        let tables: Vec<[Vec<f32>; 2]> = self
            .waves
            .iter()
            .map(|wave| {
                let turn = |x: usize| TAU * wave.frequency.x * (x as f64 - middle(width));
                [
                    (0..width).map(|x| libm::cos(turn(x)) as f32).collect(),
                    (0..width).map(|x| libm::sin(turn(x)) as f32).collect(),
                ]
            })
            .collect();
        move |plane, y, out| {
            out.fill(0.0);
            for (wave, [cos, sin]) in self.waves.iter().zip(&tables) {
                let turn = TAU * wave.frequency.y * (y as f64 - middle(height));
                let a = wave.planes[plane] * Complex64::new(libm::cos(turn), libm::sin(turn));
                let (re, im) = (a.re as f32, a.im as f32);
                for ((o, c), s) in out.iter_mut().zip(cos).zip(sin) {
                    *o += re * c - im * s;
                }
            }
            if !self.terms.is_empty() {
                let ty = t(y, height);
                let most = self.terms.iter().map(|(p, _)| *p).max().unwrap_or(0);
                let mut along = vec![0.0; most + 1];
                for ((p, q), size) in self.terms.iter().zip(&self.trend) {
                    along[*p] += size[plane] * (0..*q).fold(1.0, |v, _| v * ty);
                }
                for (x, o) in out.iter_mut().enumerate() {
                    let tx = t(x, width);
                    *o += along.iter().rev().fold(0.0, |v, a| v * tx + a) as f32;
                }
            }
        }
    }

    /// Puts the model where a patch is not given.
    fn fill(&self, patch: &mut Patch) {
        if patch.missing.is_empty() {
            return;
        }
        let (w, h) = (patch.width(), patch.height());
        let say = self.rows(w, h);
        let mut line = vec![0.0_f32; w];
        let mut i = 0;
        while i < patch.missing.len() {
            let y = patch.missing[i] / w;
            let end = patch.missing[i..].iter().take_while(|at| **at / w == y).count() + i;
            for c in 0..3 {
                say(c, y, &mut line);
                for &at in &patch.missing[i..end] {
                    patch.planes[c][at] = line[at % w];
                }
            }
            i = end;
        }
    }

    /// What the model leaves of a patch.
    pub(super) fn residual(&self, patch: &Patch) -> [Vec<f32>; 3] {
        let (w, h) = (patch.width(), patch.height());
        let say = self.rows(w, h);
        let mut line = vec![0.0_f32; w];
        let mut out = patch.planes.clone();
        for (c, plane) in out.iter_mut().enumerate() {
            for (y, row) in plane.chunks_mut(w.max(1)).enumerate() {
                say(c, y, &mut line);
                for (r, m) in row.iter_mut().zip(&line) {
                    *r -= m;
                }
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::field::{Field, Level};
    use super::super::patch::Area;
    use super::*;

    fn cut(field: &Field) -> Patch {
        let whole = [field.width(), field.height()];
        let area = Area { x: 0, y: 0, width: whole[0], height: whole[1] };
        Patch::cut(&Level::full(field), area).expect("given")
    }

    fn seed(frequency: DVec2) -> Sinusoid {
        Sinusoid { frequency, planes: [Complex64::default(); 3] }
    }

    /// Two neighbours 1.6 bins apart over a tilt, of which each plane has its own share: all come out as they were put in.
    #[test]
    fn neighbours_are_solved_together() {
        let (w, h) = (160, 120);
        let fs = [DVec2::new(0.0823, 0.041), DVec2::new(0.0923, 0.0415)];
        let field = Field::from_fn(w, h, |x, y| {
            let (x, y) = (x as f64 - 79.5, y as f64 - 59.5);
            let turn = fs.map(|f| TAU * (f.x * x + f.y * y));
            let tilt = 0.02 + 0.001 * x - 0.0004 * y;
            [
                tilt + 0.03 * (turn[0] + 0.4).cos(),
                0.01 * (turn[1] - 1.0).cos() - tilt,
                0.02 * turn[0].sin() + 0.02 * turn[1].cos(),
            ]
        });
        for taper in [Taper::Even, Taper::Hann] {
            let mut patch = cut(&field);
            let start = fs.map(|f| seed(f + DVec2::new(0.3 / 160.0, -0.3 / 120.0)));
            let model = fit(&mut patch, &start, taper, Some(1), 30);
            for (wave, f) in model.waves.iter().zip(fs) {
                let off = (wave.frequency - f) * DVec2::new(160.0, 120.0);
                assert!(off.length() < 1e-3, "{taper:?} {off}");
            }
            let [a, b] = [&model.waves[0].planes, &model.waves[1].planes];
            let want = |size: f64, phase: f64| Complex64::from_polar(size, phase);
            assert!((a[0] - want(0.03, 0.4)).norm() < 1e-5, "{a:?}");
            assert!((b[1] - want(0.01, -1.0)).norm() < 1e-5, "{b:?}");
            assert!((a[2] - want(0.02, -PI / 2.0)).norm() < 1e-5, "{a:?}");
            assert!((b[2] - want(0.02, 0.0)).norm() < 1e-5 && b[0].norm() < 1e-5, "{b:?}");
            assert!((model.trend[0][0] - 0.02).abs() < 1e-5);
            let left = model.residual(&patch);
            assert!(left.iter().flatten().all(|v| v.abs() < 2e-6));
        }
    }

    /// A fifth of the pixels is not given; the fit is as good.
    #[test]
    fn pixels_not_given_do_not_count() {
        let f = DVec2::new(0.05, -0.03);
        let field = Field::from_fn(128, 128, |x, y| {
            let turn = TAU * (f.x * x as f64 + f.y * y as f64);
            [if (x * 7 + y * 13) % 5 == 0 { f64::NAN } else { 0.1 * turn.cos() }; 3]
        });
        let mut patch = cut(&field);
        let model = fit(&mut patch, &[seed(f * 1.02)], Taper::Hann, Some(0), 30);
        assert!((model.waves[0].planes[0].norm() - 0.1).abs() < 1e-5, "{model:?}");
        assert!(((model.waves[0].frequency - f) * 128.0).length() < 1e-3);
    }

    /// Two thirds of a period in view, no trend: the wave is there all the same.
    #[test]
    fn less_than_a_period() {
        let f = DVec2::new(0.0, 0.68 / 128.0);
        let field = Field::from_fn(96, 128, |_, y| [0.05 * (TAU * f.y * y as f64 + 0.3).cos(); 3]);
        let mut patch = cut(&field);
        let start = [seed(DVec2::new(0.0, 1.0 / 128.0))];
        let model = fit(&mut patch, &start, Taper::Even, None, 40);
        let wave = &model.waves[0];
        assert!((wave.planes[0].norm() - 0.05).abs() < 1e-4, "{wave:?}");
        assert!((wave.frequency.y / f.y - 1.0).abs() < 2e-3, "{wave:?}");
    }

    /// The finest pattern there is, one pixel light and one dark, has one real amplitude.
    #[test]
    fn the_finest_pattern() {
        let field = Field::from_fn(64, 64, |x, _| [if x % 2 == 0 { 0.2 } else { -0.2 }; 3]);
        let mut patch = cut(&field);
        let model = fit(&mut patch, &[seed(DVec2::new(0.5, 0.0))], Taper::Hann, Some(0), 10);
        assert!((model.waves[0].planes[1].norm() - 0.2).abs() < 1e-6, "{model:?}");
    }
}
