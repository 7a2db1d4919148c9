//! Readout from one frame: a lamp (or wall) that flickers at a known rate draws bands whose number tells how long the readout takes.

use crate::artefact::LUMA;
use crate::frame::Plane;
use crate::math::solve::Cholesky;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Bands straight down a picture, counted over its whole height.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowBands {
    /// Bands in the height of the picture.
    pub bands: f64,
    /// Standard error of that: from the noise of the rows, from how strips of the picture differ, and from how much the degree of
    /// the shading changes it.
    pub standard_error: f64,
    /// Crest over mean of the fundamental.
    pub contrast: f64,
    /// Contrast that the rows' own scatter could pretend.
    pub floor: f64,
}

/// Why there are no bands to count.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoBands {
    /// Too few rows with light.
    #[error("too few rows of the picture hold light: at least 48 are needed, unclipped")]
    Rows,
    /// Nothing above the noise.
    #[error(
        "no bands stand out: the strongest has {contrast:.4} % where rows scatter by {floor:.4} %. Take a shutter that is no whole \
         number of the light's flashes, such as 1/1000 s, and fill the frame with the light or an evenly lit card"
    )]
    Noise {
        /// Contrast of the strongest, percent.
        contrast: f64,
        /// Contrast that noise could pretend, percent.
        floor: f64,
    },
    /// Too few for their shape.
    #[error(
        "fewer than two bands fit in the picture, and they are no plain wave: what repeats cannot be told. A lamp that swells and \
         fades evenly is needed, or a faster one"
    )]
    Shape,
    /// Less than one.
    #[error(
        "fewer than 1.2 bands fit in the picture ({bands:.2}): a faster light is needed, such as a lamp dimmed by pulses of known rate"
    )]
    Few {
        /// Bands in the height.
        bands: f64,
    },
}

/// Fewest rows.
const LEAST_ROWS: usize = 48;
/// Strips that the picture is cut in, left to right, to see how they differ.
const STRIPS: usize = 4;
/// Fewest bands that can be counted.
const LEAST_BANDS: f64 = 1.2;
/// From so many bands on a polynomial of degree 4 cannot be mistaken for them.
const MANY_BANDS: f64 = 3.0;
/// What shading of higher degree than two moves a count of fewer bands by, as a share: light that falls by a fifth to the corners
/// moves 1.3 to 2.4 bands by up to 0.45 % (the test below). Counted as a standard error.
const OF_FEW_BANDS: f64 = 0.004;
/// Bands from which on any shape is seen to repeat; below, only one with overtones of at most [`PLAIN_WAVE`] of the fundamental.
const REPEATED_FROM: f64 = 2.0;
const PLAIN_WAVE: f64 = 0.35;
/// Harmonics that are fitted with the fundamental.
const HARMONICS: usize = 5;

/// Luma of rows: mean over the columns that count; not a number where fewer than half do.
fn rows(planes: &[Plane; 3], columns: std::ops::Range<usize>) -> Vec<f64> {
    let (width, height) = (planes[0].width, planes[0].height);
    let columns = columns.start.min(width)..columns.end.min(width);
    (0..height)
        .into_par_iter()
        .map(|y| {
            let rows = planes.each_ref().map(|p| &p.row(y)[columns.clone()]);
            let (mut sum, mut n) = (0.0, 0_usize);
            for x in 0..columns.len() {
                let luma: f64 =
                    rows.iter().zip(LUMA).map(|(r, share)| f64::from(r[x]) * share).sum();
                if luma.is_finite() {
                    sum += luma;
                    n += 1;
                }
            }
            if n > 0 && 2 * n >= columns.len() { sum / n as f64 } else { f64::NAN }
        })
        .collect()
}

/// A fit of shading and bands to rows.
#[derive(Debug, Clone, Copy)]
struct Fitted {
    /// Bands in the height.
    bands: f64,
    /// Amplitude of the fundamental.
    amplitude: f64,
    /// Mean square of what is left.
    left: f64,
    /// Rows that counted.
    rows: usize,
    /// Standard error of the bands from the rows' scatter, all other unknowns free.
    error: f64,
    /// Other harmonics over the fundamental.
    overtones: f64,
}

/// Columns of the model at a row: polynomial of t, then cosine and sine of the harmonics.
fn columns(t: f64, bands: f64, degree: usize, harmonics: usize, out: &mut Vec<f64>) {
    out.clear();
    let mut power = 1.0;
    for _ in 0..=degree {
        out.push(power);
        power *= t;
    }
    for k in 1..=harmonics {
        let turn = TAU * bands * k as f64 * t / 2.0;
        out.extend([libm::cos(turn), libm::sin(turn)]);
    }
}

/// Least squares at a number of bands.
fn at(profile: &[f64], bands: f64, degree: usize, harmonics: usize) -> Option<Fitted> {
    let n = degree + 1 + 2 * harmonics;
    let (mut gram, mut right) = (vec![0.0; n * n], vec![0.0; n]);
    let (mut square, mut count) = (0.0, 0);
    let mut row = Vec::new();
    for (y, light) in profile.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        let t = 2.0 * (y as f64 + 0.5) / profile.len() as f64 - 1.0;
        columns(t, bands, degree, harmonics, &mut row);
        for i in 0..n {
            for j in 0..=i {
                gram[i * n + j] += row[i] * row[j];
            }
            right[i] += row[i] * light;
        }
        square += light * light;
        count += 1;
    }
    if count < LEAST_ROWS {
        return None;
    }
    let sizes = Cholesky::new(gram, n).solve(&right);
    let told: f64 = sizes.iter().zip(&right).map(|(a, b)| a * b).sum();
    let size = |i: usize| sizes.get(degree + i).copied().unwrap_or(0.0);
    let (c, s) = (size(1), size(2));
    let left = ((square - told) / count as f64).max(0.0);
    Some(Fitted {
        bands,
        amplitude: (c * c + s * s).sqrt(),
        left,
        rows: count,
        error: 0.0,
        overtones: 0.0,
    })
}

/// What bands in shaded light leave of rows: light = (1 + Σ sᵢ·tⁱ)·(c + harmonics), c and the harmonics by least squares.
struct Left {
    /// Row by row, of those that count.
    rows: Vec<f64>,
    /// Amplitude of the fundamental over c.
    contrast: f64,
    /// Amplitudes of the other harmonics together (root of the sum of squares), over the fundamental's.
    overtones: f64,
}

/// `unknowns` are the bands in the height, then s₁, s₂ …; `None` for shading that is not above 0 all over, or too few rows.
fn left(profile: &[f64], unknowns: &[f64], harmonics: usize) -> Option<Left> {
    let (bands, shading) = unknowns.split_first()?;
    let n = 1 + 2 * harmonics;
    let (mut gram, mut right) = (vec![0.0; n * n], vec![0.0; n]);
    let mut table: Vec<f64> = Vec::new();
    let mut row = Vec::new();
    let given = || profile.iter().enumerate().filter(|(_, v)| v.is_finite());
    for (y, light) in given() {
        let t = 2.0 * (y as f64 + 0.5) / profile.len() as f64 - 1.0;
        let shade = 1.0 + t * shading.iter().rev().fold(0.0, |v, s| v * t + s);
        if shade <= 0.02 {
            return None;
        }
        columns(t, *bands, 0, harmonics, &mut row);
        row.iter_mut().for_each(|v| *v *= shade);
        for i in 0..n {
            for j in 0..=i {
                gram[i * n + j] += row[i] * row[j];
            }
            right[i] += row[i] * light;
        }
        table.extend_from_slice(&row);
    }
    if table.len() < LEAST_ROWS * n {
        return None;
    }
    let sizes = Cholesky::new(gram, n).solve(&right);
    let told = table.chunks_exact(n).map(|r| r.iter().zip(&sizes).map(|(a, b)| a * b).sum::<f64>());
    let rows = given().zip(told).map(|((_, light), told)| light - told).collect();
    let (first, others) = (square(&sizes[1..3]).sqrt(), square(&sizes[3..]).sqrt());
    let overtones = if first > 0.0 { others / first } else { f64::INFINITY };
    (sizes[0] > 0.0).then_some(Left { rows, contrast: first / sizes[0], overtones })
}

fn square(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum()
}

/// Refines a number of bands by Gauss–Newton, shading of a degree and harmonics free.
fn refined(profile: &[f64], start: f64, degree: usize, harmonics: usize) -> Option<Fitted> {
    let n = degree + 1;
    let mut unknowns = vec![0.0; n];
    unknowns[0] = start;
    let mut now = left(profile, &unknowns, harmonics)?;
    let mut inverse_of_bands = 0.0;
    for _ in 0..25 {
        let mut slopes = Vec::new();
        for i in 0..n {
            let h = if i == 0 { 1e-4 * unknowns[0].max(1.0) } else { 1e-4 };
            let mut aside = unknowns.clone();
            aside[i] += h;
            let there = left(profile, &aside, harmonics)?;
            slopes.push(there.rows.iter().zip(&now.rows).map(|(a, b)| (a - b) / h).collect());
        }
        let slopes: Vec<Vec<f64>> = slopes;
        let dot = |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).map(|(a, b)| a * b).sum() };
        let mut gram = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                gram[i * n + j] = dot(&slopes[i], &slopes[j]);
            }
        }
        let gram = Cholesky::new(gram, n);
        let right: Vec<f64> = slopes.iter().map(|s| -dot(s, &now.rows)).collect();
        let mut step = gram.solve(&right);
        let mut unit = vec![0.0; n];
        unit[0] = 1.0;
        inverse_of_bands = gram.solve(&unit)[0];
        // No more than a third of a band at once, and never to where more is left.
        let longest = (step[0].abs() / 0.3).max(1.0);
        step.iter_mut().for_each(|v| *v /= longest);
        let before = square(&now.rows);
        let better = (0..12).find_map(|_| {
            let there: Vec<f64> = unknowns.iter().zip(&step).map(|(u, s)| u + s).collect();
            let found = left(profile, &there, harmonics).filter(|l| square(&l.rows) <= before);
            step.iter_mut().for_each(|v| *v /= 2.0);
            found.filter(|_| there[0] > 0.2).map(|l| (there, l))
        });
        let Some((there, found)) = better else { break };
        let moved = (there[0] - unknowns[0]).abs();
        (unknowns, now) = (there, found);
        if moved < 1e-7 * unknowns[0] {
            break;
        }
    }
    let rows = now.rows.len();
    let left = square(&now.rows) / rows as f64;
    let error = (left * inverse_of_bands.max(0.0)).sqrt();
    let (bands, overtones) = (unknowns[0], now.overtones);
    Some(Fitted { bands, amplitude: now.contrast, left, rows, error, overtones })
}

/// Means of so many rows together, so that a search has at most some hundreds of them.
fn thinned(profile: &[f64], most: usize) -> Vec<f64> {
    let by = profile.len().div_ceil(most.max(1)).max(1);
    let mean = |run: &[f64]| run.iter().sum::<f64>() / run.len() as f64;
    profile.chunks_exact(by).map(mean).collect()
}

/// Looks for the bands, and refines.
fn search(profile: &[f64], degree: usize, near: Option<f64>) -> Option<Fitted> {
    let start = match near {
        Some(bands) => bands,
        None => first_look(profile)?,
    };
    let all = harmonics(profile, start);
    // A fit that ran off to other bands is none of these.
    let stays = |f: &Fitted| (f.bands - start).abs() < 0.5;
    let with_all = refined(profile, start, degree, all).filter(stays);
    with_all.or_else(|| refined(profile, start, degree, 1).filter(stays))
}

/// The number of bands that, with some harmonics and additive shading, explains the rows best.
fn first_look(profile: &[f64]) -> Option<f64> {
    let highest = profile.len() as f64 / 4.0;
    // Few bands on few rows, many on all of them; each against what shading alone leaves of the same rows.
    let short = thinned(profile, 400);
    let plain = |rows: &[f64]| at(rows, 1.0, 2, 0).map(|f| f.left.max(1e-30));
    let (of_short, of_all) = (plain(&short)?, plain(profile)?);
    let share = |bands: f64| {
        let few = bands < 12.0_f64.min(short.len() as f64 / 16.0);
        let (rows, left) = if few { (short.as_slice(), of_short) } else { (profile, of_all) };
        let some = harmonics(rows, bands).min(3);
        Some(at(rows, bands, 2, some)?.left / left)
    };
    let mut looks: Vec<(f64, f64)> = Vec::new();
    let mut bands = 0.5;
    while bands < highest {
        looks.push((bands, share(bands)?));
        bands += if bands < 12.0 { 0.1 } else { 0.2 };
    }
    let (mut best, mut least) = looks.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
    // Half or a third of the bands, with harmonics, explain them too.
    for times in [3.0, 2.0] {
        let around = |(b, _): &&(f64, f64)| (b / times - best).abs() < 0.2 && *b < highest;
        let there = looks.iter().filter(around).min_by(|a, b| a.1.total_cmp(&b.1));
        if let Some(&(bands, left)) = there
            && left < 1.5 * least + 0.02
        {
            (best, least) = (bands, left);
        }
    }
    Some(best)
}

/// Harmonics that the rows can hold.
fn harmonics(profile: &[f64], bands: f64) -> usize {
    if bands * HARMONICS as f64 * 3.0 < profile.len() as f64 { HARMONICS } else { 1 }
}

/// Counts the bands of a picture in linear light, straight down its whole height. Pixels that are not numbers do not count.
///
/// # Errors
/// [`NoBands`], in words for people.
pub fn row_bands(planes: &[Plane; 3]) -> Result<RowBands, NoBands> {
    let width = planes[0].width;
    let mut profile = rows(planes, 0..width);
    let given: Vec<f64> = profile.iter().copied().filter(|v| v.is_finite()).collect();
    if given.len() < LEAST_ROWS {
        return Err(NoBands::Rows);
    }
    let mean = given.iter().sum::<f64>() / given.len() as f64;
    if mean.is_nan() || mean <= 0.0 {
        return Err(NoBands::Rows);
    }
    profile.iter_mut().for_each(|v| *v /= mean);
    let mut whole = search(&profile, 2, None).ok_or(NoBands::Rows)?;
    let degree = if whole.bands < MANY_BANDS { 2 } else { 4 };
    if degree != 2 {
        whole = search(&profile, degree, Some(whole.bands)).ok_or(NoBands::Rows)?;
    }
    // Of white noise an amplitude has 2·σ/√rows; the floor is that of the waves of a field.
    let rms = 2.0 * (whole.left / whole.rows as f64).sqrt();
    let floor = super::FLOOR_OVER_RMS * rms;
    // A more supple shading must not explain the rows nearly as well.
    let supple = at(&profile, 1.0, degree + 2, 0).map_or(0.0, |f| f.left);
    let gain = (2.0 * (supple - whole.left).max(0.0)).sqrt();
    if !(whole.amplitude > floor && gain > floor) {
        let contrast = whole.amplitude.min(gain) * 100.0;
        return Err(NoBands::Noise { contrast, floor: floor * 100.0 });
    }
    if whole.bands < LEAST_BANDS {
        return Err(NoBands::Few { bands: whole.bands });
    }
    if whole.bands < REPEATED_FROM && whole.overtones > PLAIN_WAVE {
        return Err(NoBands::Shape);
    }
    let all = harmonics(&profile, whole.bands);
    let strips: Vec<f64> = (0..STRIPS)
        .filter_map(|i| {
            let mut profile = rows(planes, i * width / STRIPS..(i + 1) * width / STRIPS);
            profile.iter_mut().for_each(|v| *v /= mean);
            Some(search(&profile, degree, Some(whole.bands))?.bands)
        })
        .collect();
    let of_strips = scatter(&strips);
    // The same with other harmonics, and with another shading, as far as these explain the rows as well.
    let other = |degree: usize, harmonics: usize| {
        let found = refined(&profile, whole.bands, degree, harmonics);
        let as_well = found.filter(|f| f.left < 1.1 * whole.left);
        as_well.map_or(0.0, |f| (f.bands - whole.bands).abs())
    };
    let of_shading = if degree == 2 {
        let others = other(2, 1).max(other(2, 2)).max(other(3, 1)).max(other(4, all));
        others.max(OF_FEW_BANDS * whole.bands)
    } else {
        other(4, 1).max(other(6, all))
    };
    let standard_error =
        (whole.error * whole.error + of_strips * of_strips + of_shading * of_shading).sqrt();
    Ok(RowBands { bands: whole.bands, standard_error, contrast: whole.amplitude, floor })
}

/// Standard error of the mean of some values.
fn scatter(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    if n < 2.0 {
        return 0.0;
    }
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0) / n).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::random::{Purpose, Stream};
    use crate::measure::Field;

    fn picture(bands: f64, depth: f64, second: f64, vignetting: f64, noise: f64) -> [Plane; 3] {
        let (width, height) = (160, 540);
        Field::from_fn(width, height, |x, y| {
            let mut stream = Stream::new(5, 0, (y * width + x) as u64, Purpose::Content);
            let t = (y as f64 + 0.5) / height as f64;
            let (u, v) = (2.0 * x as f64 / width as f64 - 1.0, 2.0 * t - 1.0);
            let turn = TAU * bands * t;
            let wave = depth * (turn + 0.4).cos() + second * (2.0 * turn - 1.0).cos();
            let shade = 1.0 - vignetting * (u * u + v * v) / 2.0 + 0.05 * v;
            let sum: f64 = (0..12).map(|_| stream.uniform()).sum();
            [0.5 * shade * (1.0 + wave) + noise * (sum - 6.0); 3]
        })
        .planes
    }

    /// From one and a half bands (a lamp of 100 Hz and a readout of 15 ms) to many: counted within two standard errors and a half,
    /// and those are small.
    #[test]
    fn bands_are_counted() {
        for (bands, bar) in
            [(1.3, 0.05), (1.6, 0.03), (2.4, 0.02), (3.7, 0.01), (11.3, 5e-3), (61.44, 5e-3)]
        {
            for vignetting in [0.0, 0.2] {
                let found =
                    row_bands(&picture(bands, 0.1, 0.01, vignetting, 0.005)).expect("bands");
                let off = (found.bands - bands).abs();
                assert!(off < bar * bands, "{bands} {vignetting} {found:?}");
                assert!(off < 2.5 * found.standard_error + 1e-4, "{bands} {vignetting} {found:?}");
                assert!(found.standard_error < 1.5 * bar * bands, "{bands} {vignetting} {found:?}");
                assert!((found.contrast / 0.1 - 1.0).abs() < 0.15, "{bands} {found:?}");
            }
        }
    }

    /// Light that goes out in between, as of a lamp dimmed by pulses, through a short shutter.
    #[test]
    fn deep_bands_are_counted() {
        for bands in [1.6, 2.4, 5.76, 23.3] {
            let (width, height) = (80, 600);
            let picture = Field::from_fn(width, height, |x, y| {
                let mut stream = Stream::new(9, 0, (y * width + x) as u64, Purpose::Content);
                let t = (y as f64 + 0.5) / height as f64;
                let turn = (bands * t + 0.2).fract();
                let pulse = (2.5 * (0.5 - (turn - 0.5).abs() * 1.6)).clamp(0.0, 1.0);
                let v = 2.0 * t - 1.0;
                [0.4 * pulse * (1.0 - 0.15 * v * v) + 0.004 * (stream.uniform() - 0.5); 3]
            })
            .planes;
            let found = row_bands(&picture).expect("bands");
            let off = (found.bands - bands).abs();
            assert!(
                off < 0.02 * bands && off < 3.0 * found.standard_error + 1e-3,
                "{bands} {found:?}"
            );
        }
    }

    #[test]
    fn no_bands_are_said() {
        let none = row_bands(&picture(5.0, 0.0, 0.0, 0.2, 0.005)).unwrap_err();
        assert!(matches!(none, NoBands::Noise { .. }), "{none:?}");
        assert!(none.to_string().starts_with("no bands stand out"));
        let dark = [0; 3].map(|_| Plane::filled(100, 100, 0.0));
        assert_eq!(row_bands(&dark), Err(NoBands::Rows));
        let low = [0; 3].map(|_| Plane::filled(100, 20, 1.0));
        assert_eq!(row_bands(&low), Err(NoBands::Rows));
    }
}
