//! Two frames compared, number by number.

use super::DevelopError;
use crate::frame::{Picture, Plane};
use rayon::prelude::*;

/// How two frames differ; every number is in the unit of the planes.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// Each plane on its own.
    pub planes: Vec<PlaneDifference>,
    /// Root mean square over all planes.
    pub rms: f64,
    /// The place where they differ most; the first of several in the order of planes and rows. `None` where all numbers
    /// are the same.
    pub largest: Option<Largest>,
    /// Numbers that are not finite in one frame or the other; they are left out of everything else.
    pub not_finite: u64,
}

/// How two planes differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaneDifference {
    /// Mean of the first.
    pub mean_first: f64,
    /// Mean of the second.
    pub mean_second: f64,
    /// Root mean square of second − first.
    pub rms: f64,
}

/// The largest difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Largest {
    /// Plane, from 0.
    pub plane: usize,
    /// Column, from 0.
    pub x: usize,
    /// Row, from 0.
    pub y: usize,
    /// The first frame's number there.
    pub first: f64,
    /// The second frame's.
    pub second: f64,
}

impl Difference {
    /// Peak signal-to-noise ratio 20·log₁₀(peak / RMS), dB, for a largest possible number `peak` in the planes' unit.
    /// `None` for frames that are the same.
    pub fn psnr_db(&self, peak: f64) -> Option<f64> {
        (self.rms > 0.0 && peak > 0.0).then(|| 20.0 * libm::log10(peak / self.rms))
    }
}

/// Sums of one row; rows are added in their order, so that the result is the same for any number of threads.
#[derive(Clone, Copy, Default)]
struct Sums {
    count: u64,
    not_finite: u64,
    first: f64,
    second: f64,
    squares: f64,
    largest: Option<(f64, usize)>,
}

fn row_sums(a: &[f32], b: &[f32]) -> Sums {
    let mut sums = Sums::default();
    for (x, (a, b)) in a.iter().zip(b).enumerate() {
        let (a, b) = (f64::from(*a), f64::from(*b));
        let d = b - a;
        if !d.is_finite() {
            sums.not_finite += 1;
            continue;
        }
        sums.count += 1;
        sums.first += a;
        sums.second += b;
        sums.squares += d * d;
        if d != 0.0 && sums.largest.is_none_or(|(most, _)| d.abs() > most) {
            sums.largest = Some((d.abs(), x));
        }
    }
    sums
}

/// Compares two frames, plane by plane: second − first.
///
/// # Errors
/// Frames of other sizes or numbers of planes.
pub fn difference(first: &[Plane], second: &[Plane]) -> Result<Difference, DevelopError> {
    if first.len() != second.len() {
        return Err(DevelopError::Planes { expected: first.len(), found: second.len() });
    }
    let mut planes = Vec::new();
    let mut largest: Option<(f64, Largest)> = None;
    let (mut squares, mut count, mut not_finite) = (0.0, 0_u64, 0);
    for (number, (a, b)) in first.iter().zip(second).enumerate() {
        let (width, height) = (a.width, a.height);
        let whole = |p: &Plane| p.data.len() == width * height;
        if (b.width, b.height) != (width, height) || !whole(a) || !whole(b) {
            return Err(DevelopError::Size { width, height, found: b.data.len() });
        }
        let step = width.max(1);
        let rows: Vec<Sums> = a
            .data
            .par_chunks(step)
            .zip(b.data.par_chunks(step))
            .map(|(a, b)| row_sums(a, b))
            .collect();
        let mut sums = Sums::default();
        for (y, row) in rows.iter().enumerate() {
            sums.count += row.count;
            sums.not_finite += row.not_finite;
            sums.first += row.first;
            sums.second += row.second;
            sums.squares += row.squares;
            if let Some((most, x)) = row.largest
                && largest.is_none_or(|(so_far, _)| most > so_far)
            {
                let (first, second) = (f64::from(a.at(x, y)), f64::from(b.at(x, y)));
                largest = Some((most, Largest { plane: number, x, y, first, second }));
            }
        }
        let over = |sum: f64| if sums.count == 0 { 0.0 } else { sum / sums.count as f64 };
        planes.push(PlaneDifference {
            mean_first: over(sums.first),
            mean_second: over(sums.second),
            rms: over(sums.squares).sqrt(),
        });
        squares += sums.squares;
        count += sums.count;
        not_finite += sums.not_finite;
    }
    let rms = if count == 0 { 0.0 } else { (squares / count as f64).sqrt() };
    Ok(Difference { planes, rms, largest: largest.map(|(_, at)| at), not_finite })
}

/// The difference as a picture: mid-grey where the frames are the same, brighter where the second is; `factor` is what
/// one unit of the planes becomes in the picture's 0 to 1. One plane gives a grey picture. NaN shows as mid-grey.
pub fn shown(first: &[Plane], second: &[Plane], factor: f64) -> Result<Picture, DevelopError> {
    difference(first, second)?;
    let plane = |c: usize| {
        let (a, b) = (&first[c.min(first.len() - 1)], &second[c.min(second.len() - 1)]);
        let step = a.width.max(1);
        let mut out = Plane::filled(a.width, a.height, 0.5);
        out.data
            .par_chunks_mut(step)
            .zip(a.data.par_chunks(step).zip(b.data.par_chunks(step)))
            .for_each(|(out, (a, b))| {
                for (out, (a, b)) in out.iter_mut().zip(a.iter().zip(b)) {
                    let d = (f64::from(*b) - f64::from(*a)) * factor;
                    *out = if d.is_nan() { 0.5 } else { (0.5 + d).clamp(0.0, 1.0) as f32 };
                }
            });
        out
    };
    if !matches!(first.len(), 1 | 3) {
        return Err(DevelopError::Planes { expected: 3, found: first.len() });
    }
    Ok(Picture { planes: [plane(0), plane(1), plane(2)] })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::slice::from_ref;

    fn plane(data: &[f32]) -> Plane {
        Plane { width: 3, height: 2, data: data.to_vec() }
    }

    /// Closed forms: one number off by 3 among six is an RMS of 3/√6; against a peak of 255 that is
    /// 20·log₁₀(255·√6/3) dB.
    #[test]
    fn one_number_off() {
        let a = plane(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]);
        let mut b = a.clone();
        b.data[4] = 2.0;
        let d = difference(from_ref(&a), from_ref(&b)).expect("same size");
        assert!((d.rms - 3.0 / 6.0_f64.sqrt()).abs() < 1e-15);
        assert_eq!((d.planes[0].mean_first, d.planes[0].mean_second), (3.5, 3.0));
        let at = d.largest.expect("a place");
        assert_eq!((at.plane, at.x, at.y, at.first, at.second), (0, 1, 1, 5.0, 2.0));
        let db = 20.0 * (255.0 * 6.0_f64.sqrt() / 3.0).log10();
        assert!((d.psnr_db(255.0).expect("not the same") - db).abs() < 1e-12);
        let shown = shown(from_ref(&a), from_ref(&b), 8.0 / 255.0).expect("a picture");
        assert!(
            shown.planes.iter().all(|p| (f64::from(p.data[4]) - (0.5 - 24.0 / 255.0)).abs() < 1e-7)
        );
        assert!(shown.planes.iter().all(|p| p.data[0] == 0.5));
        let same = difference(from_ref(&a), from_ref(&a)).expect("same size");
        assert_eq!((same.rms, same.largest, same.psnr_db(1.0)), (0.0, None, None));
    }

    /// A constant offset is its own RMS; three planes have the RMS of their mean square.
    #[test]
    fn offsets_of_planes_add_in_squares() {
        let zero = plane(&[0.0; 6]);
        let all: Vec<Plane> = [3.0, 0.0, 4.0].map(|v| plane(&[v; 6])).to_vec();
        let d = difference(&[zero.clone(), zero.clone(), zero.clone()], &all).expect("same size");
        assert_eq!(d.planes.iter().map(|p| p.rms).collect::<Vec<_>>(), [3.0, 0.0, 4.0]);
        assert!((d.rms - (25.0_f64 / 3.0).sqrt()).abs() < 1e-15);
        assert_eq!(d.largest.map(|l| (l.plane, l.x, l.y)), Some((2, 0, 0)));
        let broken = plane(&[f32::NAN, 1.0, 1.0, 1.0, 1.0, 1.0]);
        let d = difference(from_ref(&zero), from_ref(&broken)).expect("same size");
        assert_eq!((d.not_finite, d.rms), (1, 1.0));
        assert!(difference(from_ref(&zero), &all).is_err());
        let other = Plane { width: 2, height: 3, data: vec![0.0; 6] };
        assert!(difference(from_ref(&zero), from_ref(&other)).is_err());
    }
}
