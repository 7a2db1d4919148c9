//! A picture alone: its deviations from its own smooth shading.

use super::field::Field;
use super::waves::{Found, Settings, Waves, waves};
use crate::artefact::LUMA;
use crate::frame::Plane;
use crate::math::solve::Cholesky;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Degree of the polynomial in both directions that stands for vignetting, tilted light and the like.
pub const SHADING_DEGREE: usize = 4;

/// Fewest periods across the picture of a wave that can be told from shading of [`SHADING_DEGREE`].
pub const LEAST_PERIODS: f64 = 3.0;

/// Squares of this share of the shorter side are averaged before the shading is fitted.
const SQUARES: usize = 64;

/// Times that waves are taken out before the shading is fitted again: of a wave of three periods a polynomial of degree 4 takes up
/// to a seventh, each time.
const ROUNDS: usize = 4;

/// Waves of fewer periods than this across the picture are taken out before the shading is fitted again.
const ENTANGLED_PERIODS: f64 = 12.0;

/// What was measured on a picture alone.
#[derive(Debug, Clone, PartialEq)]
pub struct Alone {
    /// Deviations from the shading, over its luma.
    pub field: Field,
    /// Their waves.
    pub waves: Waves,
    /// Mean light of each plane, over what is given.
    pub mean: [f64; 3],
}

/// Measures a picture of a flat patch in linear light against its own shading. Pixels that are not numbers (clipped ones, say) do
/// not count. `None` for a picture without light, of fewer than 24 pixels a side, or with less than half of it given.
pub fn alone(planes: &[Plane; 3], most: usize) -> Option<Alone> {
    let (width, height) = (planes[0].width, planes[0].height);
    let alike = planes.iter().all(|p| (p.width, p.height) == (width, height));
    if width < 24 || height < 24 || !alike {
        return None;
    }
    let given = Field { planes: planes.clone() }.given_share();
    if given < 0.5 {
        return None;
    }
    let settings = Settings { most, trend: Some(1), least_periods: LEAST_PERIODS };
    let mut without: Option<Vec<Found>> = None;
    for round in 0.. {
        // A light that goes down to nothing in the picture pulls a bent shading below it: a plainer one then serves.
        let (shading, field) = (0..=SHADING_DEGREE).rev().find_map(|degree| {
            let shading = Shading::fit(planes, without.as_deref().unwrap_or_default(), degree)?;
            let field = shading.deviations(planes)?;
            Some((shading, field))
        })?;
        let found = waves(&field, &settings);
        let entangled: Vec<Found> = found
            .found
            .iter()
            .filter(|f| {
                covers(f, width, height) && f.periods < ENTANGLED_PERIODS && !f.below_noise()
            })
            .copied()
            .collect();
        if round == ROUNDS || (round > 0 || entangled.is_empty()) && settled(&without, &entangled) {
            let mean = shading.mean(planes);
            return Some(Alone { field, waves: found, mean });
        }
        without = Some(entangled);
    }
    None
}

/// Whether a wave's window is nearly the whole.
fn covers(found: &Found, width: usize, height: usize) -> bool {
    found.window_px.x > 0.6 * width as f64 && found.window_px.y > 0.6 * height as f64
}

/// Whether taking these waves out again would change little.
fn settled(before: &Option<Vec<Found>>, now: &[Found]) -> bool {
    let Some(before) = before else { return now.is_empty() };
    before.len() == now.len()
        && before
            .iter()
            .zip(now)
            .all(|(a, b)| (a.wave.luma() - b.wave.luma()).abs() < 0.005 * b.wave.luma() + 1e-6)
}

/// Polynomials of light, plane by plane.
struct Shading {
    width: usize,
    height: usize,
    terms: Vec<(usize, usize)>,
    sizes: [Vec<f64>; 3],
}

fn powers(t: f64) -> [f64; SHADING_DEGREE + 1] {
    let mut out = [1.0; SHADING_DEGREE + 1];
    for i in 1..out.len() {
        out[i] = out[i - 1] * t;
    }
    out
}

/// −1 to 1 across.
fn across(x: f64, n: usize) -> f64 {
    2.0 * (x + 0.5) / n as f64 - 1.0
}

impl Shading {
    /// Fits the shading to means over squares, some waves (over its luma) taken out. `None` if there is no light.
    fn fit(planes: &[Plane; 3], without: &[Found], degree: usize) -> Option<Self> {
        let (width, height) = (planes[0].width, planes[0].height);
        let side = (width.min(height) / SQUARES).max(1);
        let (columns, rows) = (width / side, height / side);
        let terms: Vec<(usize, usize)> =
            (0..=degree).flat_map(|all| (0..=all).map(move |q| (all - q, q))).collect();
        // Sums of each row of squares, added in their order.
        let bands: Vec<Vec<(f64, f64, [f64; 3])>> = (0..rows)
            .into_par_iter()
            .map(|j| {
                let mut squares = Vec::new();
                for i in 0..columns {
                    let (mut sums, mut n) = ([0.0; 3], 0.0);
                    for y in j * side..(j + 1) * side {
                        for x in i * side..(i + 1) * side {
                            let v = planes.each_ref().map(|p| f64::from(p.at(x, y)));
                            if v.iter().all(|v| v.is_finite()) {
                                let share = 1.0 / waves_at(without, x, y);
                                for (s, (v, share)) in sums.iter_mut().zip(v.iter().zip([share; 3]))
                                {
                                    *s += v * share;
                                }
                                n += 1.0;
                            }
                        }
                    }
                    if n * 2.0 >= (side * side) as f64 {
                        let middle = |i: usize| (i * side) as f64 + (side as f64 - 1.0) / 2.0;
                        squares.push((
                            across(middle(i), width),
                            across(middle(j), height),
                            sums.map(|s| s / n),
                        ));
                    }
                }
                squares
            })
            .collect();
        let squares: Vec<(f64, f64, [f64; 3])> = bands.into_iter().flatten().collect();
        let n = terms.len();
        let (mut gram, mut right) = (vec![0.0; n * n], [0; 3].map(|_| vec![0.0; n]));
        for (x, y, light) in &squares {
            let (px, py) = (powers(*x), powers(*y));
            let row: Vec<f64> = terms.iter().map(|(p, q)| px[*p] * py[*q]).collect();
            for i in 0..n {
                for j in 0..=i {
                    gram[i * n + j] += row[i] * row[j];
                }
                for (right, light) in right.iter_mut().zip(light) {
                    right[i] += row[i] * light;
                }
            }
        }
        if squares.is_empty() {
            return None;
        }
        let gram = Cholesky::new(gram, n);
        let sizes = right.map(|r| gram.solve(&r));
        Some(Self { width, height, terms, sizes })
    }

    /// Light of the three planes along a row.
    fn row(&self, y: usize) -> impl Fn(usize) -> [f64; 3] {
        let py = powers(across(y as f64, self.height));
        let along = self.sizes.each_ref().map(|sizes| {
            let mut along = [0.0; SHADING_DEGREE + 1];
            for ((p, q), size) in self.terms.iter().zip(sizes) {
                along[*p] += size * py[*q];
            }
            along
        });
        let width = self.width;
        move |x| {
            let t = across(x as f64, width);
            along.map(|a| a.iter().rev().fold(0.0, |v, a| v * t + a))
        }
    }

    /// (light − shading) over the shading's luma; `None` if that is not above 0 all over.
    fn deviations(&self, planes: &[Plane; 3]) -> Option<Field> {
        let mut out = [0; 3].map(|_| Plane::filled(self.width, self.height, f32::NAN));
        let [r, g, b] = &mut out;
        let step = self.width;
        let rows = r
            .data
            .par_chunks_mut(step)
            .zip(g.data.par_chunks_mut(step))
            .zip(b.data.par_chunks_mut(step))
            .enumerate();
        let dark: Vec<bool> = rows
            .map(|(y, ((r, g), b))| {
                let shading = self.row(y);
                let mut dark = false;
                for x in 0..step {
                    let shade = shading(x);
                    let luma: f64 = shade.iter().zip(LUMA).map(|(v, share)| v * share).sum();
                    if luma.is_nan() || luma <= 0.0 {
                        dark = true;
                        continue;
                    }
                    let light = planes.each_ref().map(|p| f64::from(p.data[y * step + x]));
                    if light.iter().all(|v| v.is_finite()) {
                        let d = [0, 1, 2].map(|c: usize| ((light[c] - shade[c]) / luma) as f32);
                        [r[x], g[x], b[x]] = d;
                    }
                }
                dark
            })
            .collect();
        (!dark.contains(&true)).then_some(Field { planes: out })
    }

    /// Mean light of each plane.
    fn mean(&self, planes: &[Plane; 3]) -> [f64; 3] {
        planes.each_ref().map(|p| {
            let rows: Vec<(f64, f64)> = p
                .data
                .par_chunks(self.width)
                .map(|row| {
                    row.iter()
                        .filter(|v| v.is_finite())
                        .fold((0.0, 0.0), |(s, n), v| (s + f64::from(*v), n + 1.0))
                })
                .collect();
            let (sum, n) = rows.iter().fold((0.0, 0.0), |(s, n), r| (s + r.0, n + r.1));
            if n > 0.0 { sum / n } else { f64::NAN }
        })
    }
}

/// 1 and the luma of waves at a pixel: what the shading is multiplied with there.
fn waves_at(waves: &[Found], x: usize, y: usize) -> f64 {
    let at = glam::DVec2::new(x as f64 + 0.5, y as f64 + 0.5);
    let of = |found: &Found| {
        let turn = TAU * found.wave.frequency.dot(at);
        let (sin, cos) = (libm::sin(turn), libm::cos(turn));
        let part = |p: &rustfft::num_complex::Complex64| p.re * cos - p.im * sin;
        found.wave.planes.iter().zip(LUMA).map(|(p, share)| part(p) * share).sum::<f64>()
    };
    (1.0 + waves.iter().map(of).sum::<f64>()).max(0.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::random::{Purpose, Stream};

    /// A patch with vignetting (cos⁴ over a field of so many radians), a tilt, a wave and noise.
    fn patch(
        (width, height): (usize, usize),
        seed: u64,
        half_field: f64,
        tilt: f64,
        noise: f64,
        wave: impl Fn(f64, f64) -> f64 + Sync,
    ) -> [Plane; 3] {
        let field = Field::from_fn(width, height, |x, y| {
            let mut stream = Stream::new(seed, 0, (y * width + x) as u64, Purpose::Content);
            let (u, v) = (across(x as f64, width), across(y as f64, height));
            let r2 = (u * u + v * v) * half_field * half_field / 2.0;
            let shade = 1.0 / ((1.0 + r2) * (1.0 + r2)) * (1.0 + tilt * (0.7 * u - 0.4 * v));
            let light = 0.4 * shade * (1.0 + wave(x as f64 + 0.5, y as f64 + 0.5));
            [1.0, 0.9, 0.7].map(|colour| {
                let sum: f64 = (0..12).map(|_| stream.uniform()).sum();
                // Shot noise goes with the root of the light.
                light * colour + noise * (sum - 6.0) * (light / 0.4).sqrt()
            })
        });
        field.planes
    }

    /// The bar: 200 seeded clean patches, none with a wave above its floor. Clean, tilted, vignetted; from little noise to much.
    #[test]
    fn clean_patches_raise_no_alarm() {
        let mut floors = Vec::new();
        for seed in 0..200 {
            let (half_field, tilt) = match seed % 3 {
                0 => (0.0, 0.0),
                1 => (0.0, 0.3),
                _ => (0.45, 0.1),
            };
            let noise = [0.001, 0.004, 0.015][seed as usize / 3 % 3];
            let planes = patch((160, 112), seed, half_field, tilt, noise, |_, _| 0.0);
            let found = alone(&planes, 6).expect("light").waves;
            let alarm = found.found.iter().find(|f| !f.below_noise());
            assert!(alarm.is_none(), "{seed} {alarm:?}");
            floors.push(found.luma_floor / noise);
        }
        // A floor that is everywhere is no test.
        let most = floors.iter().fold(0.0_f64, |a, b| a.max(*b));
        assert!(most < 1.0, "{most}");
    }

    /// The same patches with a wave of five floors: found each time, within 10 %.
    #[test]
    fn a_wave_is_found_in_spite_of_shading_and_noise() {
        for seed in 0..12_u64 {
            let (half_field, tilt) = [(0.0, 0.0), (0.0, 0.3), (0.45, 0.1)][seed as usize % 3];
            let noise = 0.004;
            let size = 5.0 * 0.55 * noise;
            let angle = seed as f64;
            let f = glam::DVec2::new(angle.cos(), angle.sin().abs())
                * (0.03 + 0.02 * (seed % 4) as f64);
            let wave = |x: f64, y: f64| size * (TAU * (f.x * x + f.y * y)).cos();
            let planes = patch((160, 112), seed, half_field, tilt, noise, wave);
            let found = alone(&planes, 6).expect("light").waves;
            let best = found.found.first().expect("a wave");
            assert!(!best.below_noise(), "{seed} {best:?}");
            assert!((best.wave.luma() / size - 1.0).abs() < 0.1, "{seed} {size} {best:?}");
            assert!((best.wave.frequency - f).length() < 0.2 / 112.0, "{seed} {f} {best:?}");
        }
    }

    /// Bands of 3.4 periods down a vignetted picture: what the shading would take of them is given back.
    #[test]
    fn long_bands_are_told_from_shading() {
        for periods in [3.4, 5.2, 9.0] {
            let f = periods / 300.0;
            let planes =
                patch((240, 300), 3, 0.3, 0.1, 0.001, |_, y| 0.03 * (TAU * f * y + 1.0).cos());
            let found = alone(&planes, 6).expect("light").waves;
            let best = found.found[0];
            assert!((best.wave.luma() / 0.03 - 1.0).abs() < 0.05, "{periods} {best:?}");
            assert!((best.wave.frequency.y / f - 1.0).abs() < 0.01, "{periods} {best:?}");
        }
    }

    #[test]
    fn pictures_that_cannot_be_measured_are_refused() {
        let plane = |w: usize, h: usize, v: f32| [0; 3].map(|_| Plane::filled(w, h, v));
        assert!(alone(&plane(64, 64, 0.0), 3).is_none());
        assert!(alone(&plane(64, 64, f32::NAN), 3).is_none());
        assert!(alone(&plane(64, 64, -1.0), 3).is_none());
        assert!(alone(&plane(10, 64, 1.0), 3).is_none());
        assert!(alone(&plane(64, 64, 0.5), 3).expect("light").waves.found.is_empty());
    }
}
