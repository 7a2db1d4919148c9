//! Deviations of a picture from what it should be, and the same picture at coarser steps.

use crate::frame::Plane;
use glam::DVec2;
use rayon::prelude::*;
use std::f64::consts::PI;

/// Deviations of three planes (linear red, green, blue), as shares of the local mean luma; not a number where none is given.
///
/// A picture that goes from 0.9 to 1.1 of its mean has deviations from −0.1 to 0.1. A pixel counts as given if all three are.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    /// Red, green, blue; all of one size.
    pub planes: [Plane; 3],
}

impl Field {
    /// A field from a function of column and row, for tests and closed forms.
    pub fn from_fn(
        width: usize,
        height: usize,
        at: impl Fn(usize, usize) -> [f64; 3] + Sync,
    ) -> Self {
        let mut planes = [0; 3].map(|_| Plane::filled(width, height, 0.0));
        let [r, g, b] = &mut planes;
        let step = width.max(1);
        let rows = r
            .data
            .par_chunks_mut(step)
            .zip(g.data.par_chunks_mut(step))
            .zip(b.data.par_chunks_mut(step));
        rows.enumerate().for_each(|(y, ((r, g), b))| {
            for x in 0..r.len() {
                [r[x], g[x], b[x]] = at(x, y).map(|v| v as f32);
            }
        });
        Self { planes }
    }

    /// Columns.
    pub fn width(&self) -> usize {
        self.planes[0].width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.planes[0].height
    }

    /// Share of pixels that are given, 0 to 1.
    pub fn given_share(&self) -> f64 {
        let counts: Vec<usize> = self.planes[0]
            .data
            .par_chunks(1 << 16)
            .zip(self.planes[1].data.par_chunks(1 << 16))
            .zip(self.planes[2].data.par_chunks(1 << 16))
            .map(|((r, g), b)| {
                r.iter().zip(g).zip(b).filter(|((r, g), b)| (*r + *g + *b).is_finite()).count()
            })
            .collect();
        let all = self.planes[0].data.len();
        if all == 0 { 0.0 } else { counts.iter().sum::<usize>() as f64 / all as f64 }
    }
}

/// Pixels of one level for each of the next.
const STEP: usize = 4;

/// Times that a box of [`STEP`] pixels is laid over itself before pixels are dropped: what then folds into the lower eighth of
/// the frequencies kept is weakened by (1/7)⁴ at least, 4e-4.
const BOXES: usize = 4;

/// Rows that are counted as one job.
const ROWS: usize = 64;

/// A field at coarser steps: `steps` pixels of the field each, the first at `origin`.
#[derive(Debug, Clone)]
pub(super) struct Level<'a> {
    pub(super) field: std::borrow::Cow<'a, Field>,
    /// Pixels of the full field from one pixel of this level to the next.
    pub(super) steps: usize,
    /// Place of the first pixel's centre in the full field, pixels from its top left corner.
    pub(super) origin: DVec2,
    /// Steps of the levels passed on the way, for the response.
    passed: Vec<usize>,
}

impl<'a> Level<'a> {
    /// The field itself.
    pub(super) fn full(field: &'a Field) -> Self {
        let field = std::borrow::Cow::Borrowed(field);
        Self { field, steps: 1, origin: DVec2::splat(0.5), passed: Vec::new() }
    }

    /// The part of a field that is given for the most part: from the first to the last row and column that have half as many pixels
    /// given as the best.
    pub(super) fn given(field: &'a Field) -> Self {
        let (width, height) = (field.width(), field.height());
        let [r, g, b] = &field.planes;
        let counts: Vec<(usize, Vec<u32>)> = (0..height.div_ceil(ROWS))
            .into_par_iter()
            .flat_map_iter(|band| {
                let mut columns = vec![0_u32; width];
                let rows = band * ROWS..((band + 1) * ROWS).min(height);
                let mut out: Vec<(usize, Vec<u32>)> = Vec::new();
                for y in rows {
                    let mut count = 0;
                    let row = r.row(y).iter().zip(g.row(y)).zip(b.row(y));
                    for (column, ((r, g), b)) in columns.iter_mut().zip(row) {
                        let given = (r + g + b).is_finite();
                        count += usize::from(given);
                        *column += u32::from(given);
                    }
                    out.push((count, Vec::new()));
                }
                if let Some(last) = out.last_mut() {
                    last.1 = columns;
                }
                out
            })
            .collect();
        let mut columns = vec![0_usize; width];
        for (_, band) in &counts {
            for (sum, n) in columns.iter_mut().zip(band) {
                *sum += *n as usize;
            }
        }
        let rows: Vec<usize> = counts.iter().map(|(n, _)| *n).collect();
        let span = |counts: &[usize]| {
            let most = counts.iter().copied().max().unwrap_or(0);
            let enough = |n: &usize| *n > 0 && 2 * *n >= most;
            let first = counts.iter().position(enough)?;
            Some(first..counts.iter().rposition(enough)? + 1)
        };
        let whole = Self::full(field);
        let (Some(across), Some(down)) = (span(&columns), span(&rows)) else { return whole };
        // A few rows more or less are not worth a copy.
        if across.len() * down.len() * 20 > width * height * 19 {
            return whole;
        }
        let planes = field.planes.each_ref().map(|plane| {
            let data = down.clone().flat_map(|y| &plane.row(y)[across.clone()]).copied().collect();
            Plane { width: across.len(), height: down.len(), data }
        });
        let origin = DVec2::new(across.start as f64, down.start as f64) + 0.5;
        Self { field: std::borrow::Cow::Owned(Field { planes }), origin, ..whole }
    }

    /// The next coarser level; `None` if fewer than 24 pixels a side would be left.
    pub(super) fn coarser(&self) -> Option<Level<'static>> {
        let taps = taps();
        let side = |n: usize| (n + 1).checked_sub(taps.len()).map_or(0, |room| room.div_ceil(STEP));
        let (width, height) = (side(self.field.width()), side(self.field.height()));
        if width < 24 || height < 24 {
            return None;
        }
        let planes = [0, 1, 2].map(|c| thinned(&self.field.planes[c], (width, height), &taps));
        let mut passed = self.passed.clone();
        passed.push(self.steps);
        let first = (taps.len() - 1) as f64 / 2.0 * self.steps as f64;
        Some(Level {
            field: std::borrow::Cow::Owned(Field { planes }),
            steps: self.steps * STEP,
            origin: self.origin + first,
            passed,
        })
    }

    /// What the way to this level leaves of a wave (cycles per pixel of the full field).
    pub(super) fn response(&self, frequency: DVec2) -> f64 {
        let mut left = 1.0;
        for &steps in &self.passed {
            for f in [frequency.x, frequency.y] {
                let turn = PI * f * steps as f64;
                let whole = STEP as f64 * libm::sin(turn);
                let one =
                    if whole.abs() < 1e-12 { 1.0 } else { libm::sin(turn * STEP as f64) / whole };
                for _ in 0..BOXES {
                    left *= one;
                }
            }
        }
        left
    }
}

/// Weights of a box laid over itself [`BOXES`] times; they sum to 1.
fn taps() -> Vec<f32> {
    let mut taps = vec![1.0_f64];
    for _ in 0..BOXES {
        let mut next = vec![0.0; taps.len() + STEP - 1];
        for (i, t) in taps.iter().enumerate() {
            for value in &mut next[i..i + STEP] {
                *value += t / STEP as f64;
            }
        }
        taps = next;
    }
    taps.iter().map(|t| *t as f32).collect()
}

/// Every fourth pixel of a smoothed plane. Anything not given makes what it touches not given.
fn thinned(plane: &Plane, (width, height): (usize, usize), taps: &[f32]) -> Plane {
    let mut out = Plane::filled(width, height, 0.0);
    out.data.par_chunks_mut(width).enumerate().for_each(|(y, line)| {
        let mut down = vec![0.0_f32; plane.width];
        for (k, &t) in taps.iter().enumerate() {
            for (d, v) in down.iter_mut().zip(plane.row(y * STEP + k)) {
                *d += t * v;
            }
        }
        for (x, value) in line.iter_mut().enumerate() {
            *value =
                down[x * STEP..x * STEP + taps.len()].iter().zip(taps).map(|(d, t)| d * t).sum();
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// A wave seen at coarser steps is the same wave, weaker by the response.
    #[test]
    fn a_coarser_level_shows_the_same_wave() {
        let f = DVec2::new(0.011, 0.006);
        let field = Field::from_fn(300, 200, |x, y| {
            let turn = TAU * f.dot(DVec2::new(x as f64 + 0.5, y as f64 + 0.5));
            [turn.cos(), turn.sin(), 0.0]
        });
        let full = Level::full(&field);
        let one = full.coarser().expect("large enough");
        assert_eq!(one.steps, 4);
        let response = one.response(f);
        assert!(response > 0.95 && response < 1.0);
        for (x, y) in [(0, 0), (10, 20), (40, 30)] {
            let at = one.origin + DVec2::new(x as f64, y as f64) * 4.0;
            let turn = TAU * f.dot(at);
            let got = one.field.planes[0].at(x, y);
            assert!((f64::from(got) - response * turn.cos()).abs() < 1e-6, "{got}");
        }
        // A wave that would fold is all but gone.
        assert!(one.response(DVec2::new(0.25 + 0.03, 0.0)).abs() < 1e-3);
        assert!(Level::full(&Field::from_fn(90, 300, |_, _| [0.0; 3])).coarser().is_none());
    }

    #[test]
    fn margins_that_are_not_given_are_cut() {
        let inside = |x: usize, y: usize| (30..110).contains(&x) && (90..170).contains(&y);
        let field = Field::from_fn(120, 200, |x, y| {
            let speck = (x, y) == (3, 3);
            [if inside(x, y) || speck { (x + 1000 * y) as f64 } else { f64::NAN }; 3]
        });
        let level = Level::given(&field);
        assert_eq!((level.field.width(), level.field.height()), (80, 80));
        assert_eq!(level.origin, DVec2::new(30.5, 90.5));
        assert_eq!(level.field.planes[2].at(0, 0), 90_030.0);
        let all = Field::from_fn(40, 30, |_, _| [0.0; 3]);
        assert_eq!(Level::given(&all).field.width(), 40);
        let none = Field::from_fn(40, 30, |_, _| [f64::NAN; 3]);
        assert_eq!(Level::given(&none).field.height(), 30);
    }

    #[test]
    fn what_is_not_given_spreads_and_is_counted() {
        let field = Field::from_fn(120, 120, |x, _| [if x < 60 { f64::NAN } else { 1.0 }; 3]);
        assert_eq!(field.given_share(), 0.5);
        let coarse = Level::full(&field).coarser().expect("large enough");
        let row = coarse.field.planes[1].row(3);
        assert!(row[14].is_nan() && (row[15] - 1.0).abs() < 1e-6, "{row:?}");
    }
}
