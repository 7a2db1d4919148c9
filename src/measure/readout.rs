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
    /// Less than one.
    #[error(
        "fewer than 0.9 bands fit in the picture ({bands:.2}): a faster light is needed, such as a lamp dimmed by pulses of known rate"
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
const LEAST_BANDS: f64 = 0.9;
/// From so many bands on a polynomial of degree 4 cannot be mistaken for them.
const MANY_BANDS: f64 = 3.0;
/// What shading of higher degree than two moves a count of fewer bands by, as a share: light that falls by a fifth to the corners
/// moves 1.3 to 2.4 bands by up to 0.45 % (the test below). Counted as a standard error.
const OF_FEW_BANDS: f64 = 0.004;
/// Harmonics that are fitted with the fundamental.
const HARMONICS: usize = 3;

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
    Some(Fitted { bands, amplitude: (c * c + s * s).sqrt(), left, rows: count })
}

/// The number of bands near a start that leaves least: golden sections of a step either way.
fn refined(
    profile: &[f64],
    start: f64,
    step: f64,
    degree: usize,
    harmonics: usize,
) -> Option<Fitted> {
    let (mut low, mut high) = ((start - step).max(0.3), start + step);
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let of = |bands: f64| at(profile, bands, degree, harmonics);
    let (mut a, mut b) = (of(high - golden * (high - low))?, of(low + golden * (high - low))?);
    for _ in 0..48 {
        if a.left < b.left {
            (high, b) = (b.bands, a);
            a = of(high - golden * (high - low))?;
        } else {
            (low, a) = (a.bands, b);
            b = of(low + golden * (high - low))?;
        }
    }
    Some(if a.left < b.left { a } else { b })
}

/// Means of so many rows together, so that a search has at most some hundreds of them.
fn thinned(profile: &[f64], most: usize) -> Vec<f64> {
    let by = profile.len().div_ceil(most.max(1)).max(1);
    let mean = |run: &[f64]| run.iter().sum::<f64>() / run.len() as f64;
    profile.chunks_exact(by).map(mean).collect()
}

/// Looks for the strongest bands, and refines.
fn search(profile: &[f64], degree: usize, near: Option<f64>) -> Option<Fitted> {
    let highest = profile.len() as f64 / 4.0;
    let start = match near {
        Some(bands) => bands,
        None => {
            // Few bands on few rows, many on all of them. What counts is how much better bands explain the rows than a more supple
            // shading with as many unknowns does.
            let short = thinned(profile, 400);
            let plain = |rows: &[f64]| at(rows, 1.0, degree + 2, 0).map(|f| f.left);
            let (of_short, of_all) = (plain(&short)?, plain(profile)?);
            let mut best: Option<(f64, Fitted)> = None;
            let mut bands = LEAST_BANDS / 2.0;
            while bands < highest {
                let few = bands < short.len() as f64 / 8.0;
                let (rows, left) =
                    if few { (short.as_slice(), of_short) } else { (profile, of_all) };
                let fitted = at(rows, bands, degree, 1)?;
                let gain = left - fitted.left;
                if best.is_none_or(|(most, _)| gain > most) && gain.is_finite() {
                    best = Some((gain, fitted));
                }
                bands += 0.2 * (bands / 8.0).clamp(1.0, 2.0);
            }
            best?.1.bands
        }
    };
    let first = refined(profile, start, 0.45, degree, 1)?;
    refined(profile, first.bands, 0.2, degree, harmonics(profile, first.bands))
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
    // Shading multiplies; of logarithms it is added, and bands of A have a fundamental of A(1 + A²/4 + …) and harmonics.
    let of = |v: f64| if v > 0.0 { libm::log(v / mean) } else { f64::NAN };
    profile.iter_mut().for_each(|v| *v = of(*v));
    let loose = search(&profile, 2, None).ok_or(NoBands::Rows)?;
    let degree = if loose.bands < MANY_BANDS { 2 } else { 4 };
    let whole = if degree == 2 {
        loose
    } else {
        search(&profile, 4, Some(loose.bands)).ok_or(NoBands::Rows)?
    };
    // Of white noise an amplitude has 2·σ/√rows; the floor is that of the waves of a field.
    let rms = 2.0 * (whole.left / whole.rows as f64).sqrt();
    let floor = super::FLOOR_OVER_RMS * rms;
    // A more supple shading must not explain the rows nearly as well.
    let shading = at(&profile, 1.0, degree + 2, 0).map_or(0.0, |f| f.left);
    let gain = (2.0 * (shading - whole.left).max(0.0)).sqrt();
    if !(whole.amplitude > floor && gain > floor) {
        let contrast = whole.amplitude.min(gain) * 100.0;
        return Err(NoBands::Noise { contrast, floor: floor * 100.0 });
    }
    if whole.bands < LEAST_BANDS {
        return Err(NoBands::Few { bands: whole.bands });
    }
    // Where what is left grows by one part in its rows: one standard error of least squares, all other unknowns free.
    let all = harmonics(&profile, whole.bands);
    let aside = |h: f64| at(&profile, whole.bands + h, degree, all).map(|f| f.left - whole.left);
    let h = 0.02;
    let rise = (aside(h).unwrap_or(0.0) + aside(-h).unwrap_or(0.0)).max(0.0) / 2.0;
    let of_noise =
        if rise > 0.0 { h * (whole.left / whole.rows as f64 / rise).sqrt() } else { whole.bands };
    let strips: Vec<f64> = (0..STRIPS)
        .filter_map(|i| {
            let mut profile = rows(planes, i * width / STRIPS..(i + 1) * width / STRIPS);
            profile.iter_mut().for_each(|v| *v = of(*v));
            Some(search(&profile, degree, Some(whole.bands))?.bands)
        })
        .collect();
    let of_strips = scatter(&strips);
    // The same with other harmonics, and with another shading, as far as these explain the rows as well.
    let other = |degree: usize, harmonics: usize| {
        let found = refined(&profile, whole.bands, 0.3, degree, harmonics);
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
        (of_noise * of_noise + of_strips * of_strips + of_shading * of_shading).sqrt();
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

    #[test]
    fn no_bands_is_said() {
        let none = row_bands(&picture(5.0, 0.0, 0.0, 0.2, 0.005)).unwrap_err();
        assert!(matches!(none, NoBands::Noise { .. }), "{none:?}");
        assert!(none.to_string().starts_with("no bands stand out"));
        let dark = [0; 3].map(|_| Plane::filled(100, 100, 0.0));
        assert_eq!(row_bands(&dark), Err(NoBands::Rows));
        let low = [0; 3].map(|_| Plane::filled(100, 20, 1.0));
        assert_eq!(row_bands(&low), Err(NoBands::Rows));
    }
}
