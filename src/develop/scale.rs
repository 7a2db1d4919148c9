//! Scaling to the delivery size. It is part of the physics: it can hide a moiré or make one.

use crate::math::table::Table;
use rayon::prelude::*;
use std::sync::OnceLock;

use crate::frame::{Picture, Plane};

use super::pipeline::check_size;
use super::{DevelopError, ScaleFilter};

/// Output rows that one job makes.
const BAND_ROWS: usize = 32;

/// What scaling leaves of a wave: the transform of the filter for `ratio` input samples an output sample, at `f` cycles per input
/// sample, 1 at zero. Scaling to output samples also gives images: a wave at f appears with transform(f − n) at (f − n)·ratio, for
/// every whole n.
pub fn filter_transform(filter: ScaleFilter, ratio: f64, f: f64) -> f64 {
    let stretched = f * ratio.max(1.0);
    match filter {
        ScaleFilter::Box => sinc(f) * sinc(f * ratio),
        ScaleFilter::Bilinear => sinc(stretched) * sinc(stretched),
        ScaleFilter::Cubic => cubic_transform(stretched),
        ScaleFilter::Lanczos3 => lanczos3_transform(stretched),
    }
}

/// R. G. Keys, "Cubic convolution interpolation", IEEE Trans. ASSP 29, 1981: the transform of his kernel with a = −½, by parts.
fn cubic_transform(f: f64) -> f64 {
    let t = std::f64::consts::PI * f;
    if t.abs() < 1e-2 {
        // The kernel has no second moment; its fourth one is −1/2·… small: 1 up to t⁴.
        return 1.0 - t * t * t * t * (4.0 / 15.0);
    }
    let (one, two, four) = (sinc(f), sinc(2.0 * f), sinc(4.0 * f));
    (3.0 * (one * one - two) - (3.0 * two * two - 2.0 * two - four)) / (t * t)
}

/// Transform of sinc(t)·sinc(t/3) on |t| < 3, from a table of Simpson sums, straight lines between its entries.
fn lanczos3_transform(f: f64) -> f64 {
    static TABLE: OnceLock<Table> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        let parts = 600;
        let h = 3.0 / f64::from(parts);
        let at = |f: f64| {
            let value = |i: u32| {
                let t = f64::from(i) * h;
                shape(ScaleFilter::Lanczos3, t) * libm::cos(2.0 * std::f64::consts::PI * f * t)
            };
            let inner: f64 =
                (1..parts).map(|i| if i % 2 == 1 { 4.0 } else { 2.0 } * value(i)).sum();
            2.0 * h / 3.0 * (value(0) + inner + value(parts))
        };
        let whole = at(0.0);
        Table::new(8.0, 1.0 / 256.0, |f| at(f) / whole)
    });
    f64::from(table.at(f.abs()))
}

/// The input samples that make one output sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Taps {
    /// First input sample.
    pub first: usize,
    /// Weights of it and the ones after it; they sum to 1.
    pub weights: Vec<f32>,
}

/// The filter's weight at a distance from the output sample's centre, in input samples when the
/// picture grows and in output samples when it shrinks. Not used for the box.
fn shape(filter: ScaleFilter, t: f64) -> f64 {
    let t = t.abs();
    match filter {
        ScaleFilter::Box => {
            if t <= 0.5 {
                1.0
            } else {
                0.0
            }
        }
        ScaleFilter::Bilinear => (1.0 - t).max(0.0),
        // E. Catmull, R. Rom, "A class of local interpolating splines", 1974; the a = −½ member of
        // R. G. Keys, "Cubic convolution interpolation", IEEE Trans. ASSP 29, 1981, eq. 15.
        ScaleFilter::Cubic => {
            if t < 1.0 {
                (1.5 * t - 2.5) * t * t + 1.0
            } else if t < 2.0 {
                ((-0.5 * t + 2.5) * t - 4.0) * t + 2.0
            } else {
                0.0
            }
        }
        // C. E. Duchon, "Lanczos filtering in one and two dimensions", J. Appl. Meteorol. 18, 1979:
        // sinc(t)·sinc(t/3).
        ScaleFilter::Lanczos3 => {
            if t < 3.0 {
                sinc(t) * sinc(t / 3.0)
            } else {
                0.0
            }
        }
    }
}

fn sinc(t: f64) -> f64 {
    if t == 0.0 {
        return 1.0;
    }
    let a = std::f64::consts::PI * t;
    libm::sin(a) / a
}

/// Half width of a filter, in the unit of [`shape`].
fn reach(filter: ScaleFilter) -> f64 {
    match filter {
        ScaleFilter::Box => 0.5,
        ScaleFilter::Bilinear => 1.0,
        ScaleFilter::Cubic => 2.0,
        ScaleFilter::Lanczos3 => 3.0,
    }
}

/// Weights for every output sample of a line of `from` samples scaled to `to`.
///
/// Edges meet edges: output sample j is centred on input (j + ½)·from/to − ½. When the line shrinks
/// the filter grows with the output sample; when it grows the filter interpolates. The box weighs by
/// overlap with the output sample. Weights that would fall outside the line are left out and the rest
/// made to sum to 1. Empty if either length is 0.
pub fn taps(from: usize, to: usize, filter: ScaleFilter) -> Vec<Taps> {
    if from == 0 || to == 0 {
        return Vec::new();
    }
    let ratio = from as f64 / to as f64;
    let stretch = if filter == ScaleFilter::Box { ratio } else { ratio.max(1.0) };
    let half = reach(filter) * stretch;
    (0..to)
        .map(|j| {
            // In units of input samples, sample i covers i to i + 1.
            let centre = (j as f64 + 0.5) * ratio;
            let (low, high) = (centre - half, centre + half);
            let first = ((low - 0.5).floor().max(0.0) as usize).min(from - 1);
            let last = ((high + 0.5).ceil().max(1.0) as usize).min(from);
            let weight = |i: usize| {
                let at = i as f64;
                if filter == ScaleFilter::Box {
                    (high.min(at + 1.0) - low.max(at)).max(0.0)
                } else {
                    shape(filter, (at + 0.5 - centre) / stretch)
                }
            };
            let mut weights: Vec<f64> = (first..last.max(first + 1)).map(weight).collect();
            let lead =
                weights.iter().take_while(|w| w.abs() < 1e-12).count().min(weights.len() - 1);
            weights.drain(..lead);
            while weights.len() > 1 && weights.last().is_some_and(|w| w.abs() < 1e-12) {
                weights.pop();
            }
            let sum: f64 = weights.iter().sum();
            Taps {
                first: first + lead,
                weights: weights.iter().map(|w| (w / sum) as f32).collect(),
            }
        })
        .collect()
}

/// Scales a picture to `(columns, rows)`, across and then down.
///
/// Refuses sizes of 0 and above 65536 a side. Values are not clipped: the cubic and the windowed sinc
/// overshoot at edges.
pub fn scale(
    picture: &Picture,
    (width, height): (usize, usize),
    filter: ScaleFilter,
) -> Result<Picture, DevelopError> {
    let side = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    check_size(side(width), side(height))?;
    let (from_width, from_height) = (picture.width(), picture.height());
    if from_width == 0 || from_height == 0 {
        return Err(DevelopError::TooSmall(from_width, from_height));
    }
    let across = taps(from_width, width, filter);
    let down = taps(from_height, height, filter);
    let planes = [0, 1, 2].map(|c| scale_plane(&picture.planes[c], &across, &down));
    Ok(Picture { planes })
}

/// One plane: each band of output rows scales the input rows it needs across, then sums them down.
fn scale_plane(plane: &Plane, across: &[Taps], down: &[Taps]) -> Plane {
    let (width, height) = (across.len(), down.len());
    let mut out = Plane::filled(width, height, 0.0);
    out.data.par_chunks_mut(width * BAND_ROWS).enumerate().for_each(|(i, band)| {
        let rows = &down[i * BAND_ROWS..(i * BAND_ROWS + band.len() / width)];
        let first = rows.iter().map(|t| t.first).min().unwrap_or(0);
        let last = rows.iter().map(|t| t.first + t.weights.len()).max().unwrap_or(0);
        let mut narrow = vec![0.0_f32; (last - first) * width];
        for (y, line) in narrow.chunks_exact_mut(width).enumerate() {
            let source = plane.row(first + y);
            for (value, taps) in line.iter_mut().zip(across) {
                let samples = &source[taps.first..taps.first + taps.weights.len()];
                *value = samples.iter().zip(&taps.weights).map(|(s, w)| s * w).sum();
            }
        }
        for (line, taps) in band.chunks_exact_mut(width).zip(rows) {
            for (k, &weight) in taps.weights.iter().enumerate() {
                let at = (taps.first - first + k) * width;
                for (value, s) in line.iter_mut().zip(&narrow[at..at + width]) {
                    *value += weight * s;
                }
            }
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// What scaling makes of a wave, sampled: amplitudes at the frequencies (f − n)·ratio, by sums over many samples.
    #[test]
    fn a_filters_transform_is_what_scaling_leaves_of_a_wave() {
        let (from, to) = (3000, 2000);
        let ratio = 1.5;
        for filter in
            [ScaleFilter::Box, ScaleFilter::Bilinear, ScaleFilter::Cubic, ScaleFilter::Lanczos3]
        {
            let taps = taps(from, to, filter);
            for f in [0.03, 0.17, 0.29, 0.41] {
                let out: Vec<f64> = taps
                    .iter()
                    .map(|t| {
                        let at = |i: usize| libm::cos(2.0 * PI * f * ((t.first + i) as f64 + 0.5));
                        t.weights.iter().enumerate().map(|(i, w)| f64::from(*w) * at(i)).sum()
                    })
                    .collect();
                for n in [-1.0, 0.0, 1.0] {
                    let image = (f - n) * ratio;
                    let (mut re, mut im) = (0.0, 0.0);
                    let inside = 100..1900;
                    for j in inside.clone() {
                        let turn = 2.0 * PI * image * (j as f64 + 0.5);
                        re += out[j] * libm::cos(turn);
                        im -= out[j] * libm::sin(turn);
                    }
                    let found = 2.0 * libm::hypot(re, im) / inside.len() as f64;
                    // Images two apart land on each other, turned over: 2 · 1.5 is an odd number of cycles.
                    let told: f64 = (-4..=4)
                        .map(|j| {
                            let sign = if j % 2 == 0 { 1.0 } else { -1.0 };
                            sign * filter_transform(filter, ratio, f - n - 2.0 * f64::from(j))
                        })
                        .sum();
                    let told = told.abs();
                    // Weights are made to sum to 1, which changes them by up to a few per cent from place to place.
                    assert!((found - told).abs() < 0.02, "{filter:?} {f} {n}: {found} for {told}");
                }
            }
        }
    }

    #[test]
    fn the_cubic_is_continuous_at_zero() {
        let (below, above) = (0.0099 / PI, 0.0101 / PI);
        assert!((cubic_transform(below) - cubic_transform(above)).abs() < 1e-8);
        assert_eq!(cubic_transform(0.0), 1.0);
        // By its definition, ∫ shape(t)·cos(2πft) dt.
        let sum = |f: f64| {
            let n = 40_000;
            let h = 4.0 / f64::from(n);
            (0..n)
                .map(|i| {
                    let t = -2.0 + (f64::from(i) + 0.5) * h;
                    shape(ScaleFilter::Cubic, t) * libm::cos(2.0 * PI * f * t) * h
                })
                .sum::<f64>()
        };
        for f in [0.05, 0.2, 0.5, 0.9, 1.3] {
            assert!((cubic_transform(f) - sum(f)).abs() < 1e-7, "{f}");
        }
    }
}
