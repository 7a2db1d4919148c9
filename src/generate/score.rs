//! How well a frame was repaired: what is left of the artefact, what was lost, what was harmed.
//!
//! All in linear light over the ideal. The residual r = (repaired − ideal) / ideal is fitted by least squares as
//! c + m·M + b·B: m and b are the shares of moiré and bands that are left (1 in an untouched frame, 0 in a perfect one), c a shift of
//! brightness, and what the fit leaves is the rest. Noise does not depend on M and B: it is in the rest and not in the shares.

use crate::frame::Plane;
use serde::Serialize;

/// A repaired frame beside its truth, planes of one size in linear light.
#[derive(Debug, Clone, Copy)]
pub struct Repaired<'a> {
    /// As repaired.
    pub repaired: &'a [Plane],
    /// As it was before.
    pub captured: &'a [Plane],
    /// As it should be.
    pub ideal: &'a [Plane],
    /// M.
    pub moire: &'a [Plane],
    /// B.
    pub bands: &'a [Plane],
    /// Where M and B are given, 0 to 1.
    pub valid: &'a Plane,
    /// Opacity of the foreground, if there is one.
    pub foreground: Option<&'a Plane>,
}

/// What is found of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Score {
    /// RMS of the true artefact M + B, percent.
    pub artefact_percent: f64,
    /// RMS of M, percent.
    pub moire_percent: f64,
    /// RMS of B, percent.
    pub bands_percent: f64,
    /// RMS of what is left of it, percent.
    pub left_percent: f64,
    /// Share of the moiré that is left; `None` where there was none.
    pub moire_left: Option<f64>,
    /// Share of the bands that is left; `None` where there were none.
    pub bands_left: Option<f64>,
    /// RMS of what is neither, noise included, percent.
    pub rest_percent: f64,
    /// Shift of brightness, percent.
    pub brightness_percent: f64,
    /// Share of the ideal's fine detail that is there; `None` where it has none.
    pub detail: Option<f64>,
    /// RMS off the ideal before the repair, percent.
    pub off_before_percent: f64,
    /// RMS off the ideal after it, percent.
    pub off_after_percent: f64,
    /// RMS of what the repair changed, percent of the ideal.
    pub changed_percent: f64,
    /// The last three in the foreground; `None` without one.
    pub foreground_percent: Option<[f64; 3]>,
}

/// RMS of an artefact below which there is none, a share.
const NO_ARTEFACT: f64 = 2e-4;
/// RMS of the ideal's detail over its mean below which it has none.
const NO_DETAIL: f64 = 2e-3;
/// Opacity from which a pixel counts as foreground, and below which as wall.
const OPAQUE: f32 = 0.99;
const CLEAR: f32 = 0.01;

/// Solves the normal equations of `n` unknowns; unknowns without power are 0.
fn solved<const N: usize>(mut a: [[f64; N]; N], mut y: [f64; N], power: [bool; N]) -> [f64; N] {
    for i in 0..N {
        if !power[i] {
            a[i] = [0.0; N];
            for row in &mut a {
                row[i] = 0.0;
            }
            (a[i][i], y[i]) = (1.0, 0.0);
        }
    }
    // Gauss with pivots; a tiny ridge keeps maps that are alike apart.
    for (i, row) in a.iter_mut().enumerate() {
        row[i] *= 1.0 + 1e-12;
    }
    for i in 0..N {
        let pivot = (i..N).max_by(|&p, &q| a[p][i].abs().total_cmp(&a[q][i].abs())).unwrap_or(i);
        a.swap(i, pivot);
        y.swap(i, pivot);
        if a[i][i] == 0.0 {
            continue;
        }
        for j in i + 1..N {
            let factor = a[j][i] / a[i][i];
            let above = a[i];
            for (left, up) in a[j].iter_mut().zip(above) {
                *left -= factor * up;
            }
            y[j] -= factor * y[i];
        }
    }
    let mut out = [0.0; N];
    for i in (0..N).rev() {
        let known: f64 = (i + 1..N).map(|j| a[i][j] * out[j]).sum();
        out[i] = if a[i][i] == 0.0 { 0.0 } else { (y[i] - known) / a[i][i] };
    }
    out
}

/// Fits `y` by some others; sums over pixels are in the order of rows.
fn fitted<const N: usize>(
    rows: impl Iterator<Item = (f64, [f64; N])> + Clone,
    least: [f64; N],
) -> [f64; N] {
    let (mut a, mut y, mut count) = ([[0.0; N]; N], [0.0; N], 0.0_f64);
    for (value, by) in rows {
        count += 1.0;
        for i in 0..N {
            y[i] += value * by[i];
            for j in 0..N {
                a[i][j] += by[i] * by[j];
            }
        }
    }
    let mut power = [false; N];
    for i in 0..N {
        power[i] = (a[i][i] / count.max(1.0)).sqrt() > least[i];
    }
    solved(a, y, power)
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(s, n), v| (s + v * v, n + 1.0));
    if count > 0.0 { (sum / count).sqrt() } else { 0.0 }
}

/// A value less the mean of the 5 × 5 around it; not a number where one of them is not.
fn fine(plane: &[f64], width: usize, i: usize) -> f64 {
    let (x, y, height) = (i % width, i / width, plane.len() / width);
    if x < 2 || y < 2 || x + 2 >= width || y + 2 >= height {
        return f64::NAN;
    }
    let mut sum = 0.0;
    for v in y - 2..=y + 2 {
        sum += plane[v * width + x - 2..=v * width + x + 2].iter().sum::<f64>();
    }
    plane[i] - sum / 25.0
}

impl Repaired<'_> {
    /// Scores it; `None` where nothing is given.
    ///
    /// # Panics
    /// Never: planes of other sizes give `None` as well.
    pub fn score(&self) -> Option<Score> {
        let n = self.valid.data.len();
        let all = [self.repaired, self.captured, self.ideal, self.moire, self.bands];
        let count = self.ideal.len();
        let fits = |p: &Plane| p.data.len() == n && p.width == self.valid.width;
        if count == 0 || all.iter().any(|ps| ps.len() != count || !ps.iter().all(fits)) {
            return None;
        }
        if !self.foreground.is_none_or(fits) {
            return None;
        }
        let opacity = |i: usize| self.foreground.map_or(0.0, |f| f.data[i]);
        let at = |planes: &[Plane], (c, i): (usize, usize)| f64::from(planes[c].data[i]);
        let usable = |&(c, i): &(usize, usize)| {
            let ideal = at(self.ideal, (c, i));
            ideal > 0.0
                && at(self.moire, (c, i)).is_finite()
                && at(self.bands, (c, i)).is_finite()
                && at(self.repaired, (c, i)).is_finite()
        };
        let everywhere = (0..count).flat_map(|c| (0..n).map(move |i| (c, i)));
        let wall = everywhere
            .clone()
            .filter(|(_, i)| self.valid.data[*i] >= 0.5 && opacity(*i) < CLEAR)
            .filter(usable);
        wall.clone().next()?;
        let off = |planes: &[Plane], p: (usize, usize)| {
            (at(planes, p) - at(self.ideal, p)) / at(self.ideal, p)
        };
        let rows = wall
            .clone()
            .map(|p| (off(self.repaired, p), [1.0, at(self.moire, p), at(self.bands, p)]));
        let least = [0.0, NO_ARTEFACT, NO_ARTEFACT];
        let [c, m, b] = fitted(rows.clone(), least);
        let size = |planes: &[Plane]| rms(wall.clone().map(|p| at(planes, p)));
        let (moire, bands) = (size(self.moire), size(self.bands));
        let change = |p| off(self.repaired, p) - off(self.captured, p);
        let before = rms(wall.clone().map(|p| off(self.captured, p)));
        let after = rms(rows.clone().map(|(r, _)| r));
        let foreground = self.foreground.and_then(|mask| {
            let inside = everywhere
                .clone()
                .filter(|(c, i)| mask.data[*i] >= OPAQUE && at(self.ideal, (*c, *i)) > 0.0);
            inside.clone().next()?;
            let of = |planes: &[Plane]| 100.0 * rms(inside.clone().map(|p| off(planes, p)));
            let changed = 100.0 * rms(inside.clone().map(change));
            Some([of(self.captured), of(self.repaired), changed])
        });
        Some(Score {
            artefact_percent: 100.0 * rms(rows.clone().map(|(_, [_, m, b])| m + b)),
            moire_percent: 100.0 * moire,
            bands_percent: 100.0 * bands,
            left_percent: 100.0 * rms(rows.clone().map(|(_, [_, v, w])| m * v + b * w)),
            moire_left: (moire > NO_ARTEFACT).then_some(m),
            bands_left: (bands > NO_ARTEFACT).then_some(b),
            rest_percent: 100.0 * rms(rows.map(|(r, [_, v, w])| r - c - m * v - b * w)),
            brightness_percent: 100.0 * c,
            detail: self
                .detail(&|p| self.valid.data[p.1] >= 0.5 && opacity(p.1) < CLEAR && usable(&p)),
            off_before_percent: 100.0 * before,
            off_after_percent: 100.0 * after,
            changed_percent: 100.0 * rms(wall.clone().map(change)),
            foreground_percent: foreground,
        })
    }

    /// Share of the ideal's detail in the repaired frame. What moiré and bands have of fine detail is fitted beside it, so that it
    /// counts as neither.
    fn detail(&self, is_usable: &dyn Fn((usize, usize)) -> bool) -> Option<f64> {
        let width = self.valid.width.max(1);
        let mut rows: Vec<(f64, [f64; 3])> = Vec::new();
        let (mut mean, mut pixels) = (0.0, 0.0);
        for c in 0..self.ideal.len() {
            let of = |value: &dyn Fn(usize) -> f64| -> Vec<f64> {
                (0..self.valid.data.len())
                    .map(|i| if is_usable((c, i)) { value(i) } else { f64::NAN })
                    .collect()
            };
            let at = |planes: &[Plane], i: usize| f64::from(planes[c].data[i]);
            let planes = [
                of(&|i| at(self.repaired, i)),
                of(&|i| at(self.ideal, i)),
                of(&|i| at(self.ideal, i) * at(self.moire, i)),
                of(&|i| at(self.ideal, i) * at(self.bands, i)),
            ];
            for i in 0..self.valid.data.len() {
                let [repaired, ideal, moire, bands] =
                    [0, 1, 2, 3].map(|k: usize| fine(&planes[k], width, i));
                if repaired.is_finite() && ideal.is_finite() {
                    rows.push((repaired, [ideal, moire, bands]));
                    mean += planes[1][i];
                    pixels += 1.0;
                }
            }
        }
        let mean = mean / f64::max(pixels, 1.0);
        if rms(rows.iter().map(|(_, [ideal, ..])| *ideal)) < NO_DETAIL * mean || rows.is_empty() {
            return None;
        }
        let least = [0.0, NO_ARTEFACT * mean, NO_ARTEFACT * mean];
        Some(fitted(rows.iter().copied(), least)[0])
    }
}

/// Some frames together: root mean squares of what is one, means of shares weighed by the power of what they are shares of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Default)]
pub struct Together {
    /// How many.
    pub samples: u64,
    /// RMS of the true artefact, percent.
    pub artefact_percent: f64,
    /// RMS of what is left of it, percent.
    pub left_percent: f64,
    /// Share of the moiré that is left.
    pub moire_left: Option<f64>,
    /// Share of the bands that is left.
    pub bands_left: Option<f64>,
    /// RMS of the rest, noise included, percent.
    pub rest_percent: f64,
    /// Mean shift of brightness, percent.
    pub brightness_percent: f64,
    /// Mean share of detail that is there.
    pub detail: Option<f64>,
    /// RMS off the ideal before and after, and of what the repair changed, percent.
    pub off_percent: [f64; 3],
    /// The same in foregrounds.
    pub foreground_percent: Option<[f64; 3]>,
}

/// Puts scores together.
pub fn together(scores: &[Score]) -> Together {
    let square = |of: &dyn Fn(&Score) -> f64| rms(scores.iter().map(of));
    let mean = |of: &dyn Fn(&Score) -> Option<f64>, size: &dyn Fn(&Score) -> f64| {
        let (mut sum, mut all) = (0.0, 0.0);
        for score in scores {
            if let Some(value) = of(score) {
                let weight = size(score) * size(score);
                sum += weight * value;
                all += weight;
            }
        }
        (all > 0.0).then(|| sum / all)
    };
    let with: Vec<[f64; 3]> = scores.iter().filter_map(|s| s.foreground_percent).collect();
    Together {
        samples: scores.len() as u64,
        artefact_percent: square(&|s| s.artefact_percent),
        left_percent: square(&|s| s.left_percent),
        moire_left: mean(&|s| s.moire_left, &|s| s.moire_percent),
        bands_left: mean(&|s| s.bands_left, &|s| s.bands_percent),
        rest_percent: square(&|s| s.rest_percent),
        brightness_percent: mean(&|s| Some(s.brightness_percent), &|_| 1.0).unwrap_or(0.0),
        detail: mean(&|s| s.detail, &|_| 1.0),
        off_percent: [
            square(&|s| s.off_before_percent),
            square(&|s| s.off_after_percent),
            square(&|s| s.changed_percent),
        ],
        foreground_percent: (!with.is_empty())
            .then(|| [0, 1, 2].map(|k: usize| rms(with.iter().map(|f| f[k])))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const SIDE: usize = 64;

    fn plane(of: impl Fn(f64, f64) -> f64) -> Vec<Plane> {
        let data =
            (0..SIDE * SIDE).map(|i| of((i % SIDE) as f64, (i / SIDE) as f64) as f32).collect();
        vec![Plane { width: SIDE, height: SIDE, data }]
    }

    /// Moiré of 5 % and bands of 3 % on an even ideal of 0.4; a quarter of the moiré and half of the bands are left, all 2 % brighter.
    #[test]
    fn shares_that_are_left_are_found() {
        let m = |x: f64, _: f64| 0.05 * libm::sin(TAU * x / 9.0);
        let b = |_: f64, y: f64| 0.03 * libm::cos(TAU * y / 16.0);
        let ideal = plane(|_, _| 0.4);
        let captured = plane(|x, y| 0.4 * (1.0 + m(x, y) + b(x, y)));
        let repaired = plane(|x, y| 0.4 * (1.02 + 0.25 * m(x, y) + 0.5 * b(x, y)));
        let (moire, bands) = (plane(m), plane(b));
        let valid = &plane(|_, _| 1.0)[0];
        let of = |repaired: &[Plane]| {
            let all = Repaired {
                repaired,
                captured: &captured,
                ideal: &ideal,
                moire: &moire,
                bands: &bands,
                valid,
                foreground: None,
            };
            all.score().expect("a score")
        };
        let found = of(&repaired);
        assert!((found.moire_left.expect("moiré") - 0.25).abs() < 1e-4, "{found:?}");
        assert!((found.bands_left.expect("bands") - 0.5).abs() < 1e-4, "{found:?}");
        assert!((found.brightness_percent - 2.0).abs() < 1e-3, "{found:?}");
        assert!(found.rest_percent < 1e-4 && found.detail.is_none(), "{found:?}");
        // RMS of the two sinusoids: √(5² + 3²)/√2; 64 columns are no whole number of periods of 9.
        assert!((found.artefact_percent - (34.0_f64 / 2.0).sqrt()).abs() < 0.05, "{found:?}");
        let untouched = of(&captured);
        assert!((untouched.moire_left.expect("moiré") - 1.0).abs() < 1e-5);
        assert!((untouched.left_percent - untouched.artefact_percent).abs() < 1e-4);
        // Pooled, a share counts by its own power: here a sample with much moiré beside one with little.
        let weak =
            Score { moire_percent: 0.1 * found.moire_percent, moire_left: Some(1.0), ..found };
        let both = together(&[found, weak]).moire_left.expect("moiré");
        assert!((both - (0.25 + 0.01) / 1.01).abs() < 1e-4, "{both}");
        let perfect = of(&ideal);
        assert!(perfect.left_percent < 1e-5 && perfect.off_after_percent < 1e-5, "{perfect:?}");
    }

    /// Detail of period 4 across, half of it lost; an artefact of the same direction does not count as detail; a foreground is told
    /// apart.
    #[test]
    fn lost_detail_and_harm_to_a_foreground_are_told() {
        let d = |x: f64, share: f64| 0.4 * (1.0 + 0.1 * share * libm::sin(TAU * x / 4.0 + 0.3));
        let m = |x: f64, y: f64| 0.05 * libm::sin(TAU * (x / 3.0 + y / 5.0));
        let is_front = |x: f64| x < 16.0;
        let ideal = plane(|x, _| d(x, 1.0));
        let captured = plane(|x, y| d(x, 1.0) * if is_front(x) { 1.0 } else { 1.0 + m(x, y) });
        let repaired = plane(|x, y| match is_front(x) {
            true => 1.04 * d(x, 1.0),
            false => d(x, 0.5) + d(x, 1.0) * 0.2 * m(x, y),
        });
        let moire = plane(|x, y| if is_front(x) { 0.0 } else { m(x, y) });
        let bands = plane(|_, _| 0.0);
        let front = &plane(|x, _| f64::from(u8::from(is_front(x))))[0];
        let valid = &plane(|_, _| 1.0)[0];
        let all = Repaired {
            repaired: &repaired,
            captured: &captured,
            ideal: &ideal,
            moire: &moire,
            bands: &bands,
            valid,
            foreground: Some(front),
        };
        let found = all.score().expect("a score");
        assert!((found.detail.expect("detail") - 0.5).abs() < 2e-3, "{found:?}");
        assert!((found.moire_left.expect("moiré") - 0.2).abs() < 2e-2, "{found:?}");
        assert_eq!(found.bands_left, None);
        let [before, after, changed] = found.foreground_percent.expect("a foreground");
        assert!(before < 1e-4 && (after - 4.0).abs() < 1e-3, "{found:?}");
        assert!((changed - 4.0).abs() < 1e-3, "{found:?}");
        let small = plane(|_, _| 1.0);
        let wrong = [Plane { width: 2, height: 2, data: vec![0.0; 4] }];
        assert!(Repaired { repaired: &wrong, captured: &small, ..all }.score().is_none());
    }
}
