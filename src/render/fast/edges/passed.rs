//! What the foreground lets through around a block, at every third of a photosite.

use super::pieces::{Chord, Pieces};
use crate::frame::Window;
use crate::render::fast::foreground::{OPACITY_STEPS, Opacity};
use glam::DVec2;

/// Opacity that differs by less over a block is the same all over it.
const SAME: f32 = 1e-3;

/// Steps a photosite.
const STEPS: f64 = OPACITY_STEPS as f64;

/// Steps of a third of a photosite: a value is that of the middle of its step.
pub(super) struct Passed {
    /// First step across and down; a photosite's first.
    first: [i32; 2],
    columns: usize,
    rows: usize,
    values: Vec<f32>,
}

impl Passed {
    /// Softened by what a piece sees; `None` where it is the same all over.
    pub(super) fn new(opacity: &Opacity<'_>, block: &Window, pieces: &Pieces) -> Option<Self> {
        let [_, reach] = pieces.reach();
        let reach = reach.ceil() + 1.0;
        let soft = [0, 1].map(|axis| taps(&pieces.softened[axis]));
        let wide = pieces.whole.iter().fold(DVec2::ZERO, |wide, chord| {
            wide.max(DVec2::new(chord.from.abs().max(chord.to.abs()), chord.down.abs()))
        });
        // Steps around what is asked for.
        let around =
            [0, 1].map(|axis| soft[axis].len() / 2 + (STEPS * wide[axis]).ceil() as usize + 2);
        let start =
            |first: u32, axis: usize| OPACITY_STEPS as i32 * (first as i32 - reach[axis] as i32);
        let size =
            |length: u32, axis: usize| OPACITY_STEPS * (length as usize + 2 * reach[axis] as usize);
        let first = [start(block.x, 0), start(block.y, 1)];
        let (columns, rows) = (size(block.width, 0), size(block.height, 1));
        let all = [columns + 2 * around[0], rows + 2 * around[1]];
        let from = [first[0] - around[0] as i32, first[1] - around[1] as i32];
        let mut values = opacity.passed(from, all);
        let (low, high) =
            values.iter().fold((1.0_f32, 0.0_f32), |(l, h), v| (l.min(*v), h.max(*v)));
        if high - low < SAME {
            return None;
        }
        soften(&mut values, all[0], &soft);
        values = if pieces.whole.is_empty() {
            let lines = values.chunks_exact(all[0]).skip(around[1]).take(rows);
            lines.flat_map(|row| &row[around[0]..around[0] + columns]).copied().collect()
        } else {
            over_pupil(&values, all[0], around, columns, &pieces.whole)
        };
        Some(Self { first, columns, rows, values })
    }

    /// A line across at a place down, photosites, for so many points a photosite.
    pub(super) fn row(&self, at: f64, points: usize, out: &mut PassedRow) {
        let down = at * STEPS - 0.5 - f64::from(self.first[1]);
        let down = down.clamp(0.0, (self.rows - 2) as f64);
        let top = down.floor();
        let part = (down - top) as f32;
        let line = |row: usize| &self.values[row * self.columns..(row + 1) * self.columns];
        let (upper, lower) = (line(top as usize), line(top as usize + 1));
        let planes = OPACITY_STEPS / points;
        for (number, plane) in out.planes.iter_mut().enumerate().take(planes) {
            plane.clear();
            let pairs = upper.iter().zip(lower).skip(number).step_by(planes);
            plane.extend(pairs.map(|(a, b)| a + (b - a) * part));
        }
        out.count = planes;
    }
}

/// A line of it: every step, or the first, second and third of every photosite apart.
#[derive(Default)]
pub(super) struct PassedRow {
    planes: [Vec<f32>; OPACITY_STEPS],
    count: usize,
}

impl PassedRow {
    /// The two values between which each of `n` points from `start` on lies once it is moved across by so many photosites, and
    /// the share of the way from one to the other.
    pub(super) fn pair(
        &self,
        of: &Passed,
        start: i32,
        aside: f64,
        n: usize,
    ) -> (&[f32], &[f32], f32) {
        // A point's middle lies `each / 2` steps from its start.
        let each = self.count as i32;
        let at = f64::from(each) / 2.0 - 0.5 + STEPS * aside;
        let whole = at.floor();
        let step = start * each - of.first[0] + whole as i32;
        let plane = |step: i32| {
            let plane = &self.planes[step.rem_euclid(each) as usize];
            let most = plane.len().saturating_sub(n);
            let from = (step.div_euclid(each).max(0) as usize).min(most);
            &plane[from..from + n]
        };
        (plane(step), plane(step + 1), (at - whole) as f32)
    }
}

/// Shifts in photosites and their shares as weights of neighbouring steps around a middle one.
fn taps(shifts: &[(f64, f64)]) -> Vec<f32> {
    let far = shifts.iter().fold(0.0_f64, |far, s| far.max(s.0.abs()));
    let half = (STEPS * far).ceil() as usize + 1;
    let mut taps = vec![0.0_f64; 2 * half + 1];
    for (shift, share) in shifts {
        let at = STEPS * shift + half as f64;
        let (first, part) = (at.floor(), at - at.floor());
        taps[first as usize] += (1.0 - part) * share;
        taps[first as usize + 1] += part * share;
    }
    taps.into_iter().map(|t| t as f32).collect()
}

/// Softens across and down; ends are held.
fn soften(values: &mut [f32], columns: usize, [across, down]: &[Vec<f32>; 2]) {
    let rows = values.len() / columns;
    let mut line = Vec::new();
    if across.iter().filter(|t| **t != 0.0).count() > 1 {
        let half = across.len() / 2;
        for row in values.chunks_exact_mut(columns) {
            line.clear();
            line.extend(std::iter::repeat_n(row[0], half));
            line.extend_from_slice(row);
            line.extend(std::iter::repeat_n(row[columns - 1], half));
            row.fill(0.0);
            for (k, tap) in across.iter().enumerate() {
                row.iter_mut().zip(&line[k..]).for_each(|(r, l)| *r += tap * l);
            }
        }
    }
    if down.iter().filter(|t| **t != 0.0).count() > 1 {
        let half = down.len() / 2;
        let all = values.to_vec();
        for (j, row) in values.chunks_exact_mut(columns).enumerate() {
            row.fill(0.0);
            for (k, tap) in down.iter().enumerate() {
                let from = (j + k).saturating_sub(half).min(rows - 1) * columns;
                let line = &all[from..from + columns];
                row.iter_mut().zip(line).for_each(|(r, l)| *r += tap * l);
            }
        }
    }
}

/// The mean over the pupil's image around every step that has so many steps around it.
fn over_pupil(
    values: &[f32],
    all: usize,
    around: [usize; 2],
    columns: usize,
    chords: &[Chord],
) -> Vec<f32> {
    let rows = values.len() / all - 2 * around[1];
    let mut sums = vec![0.0_f64; values.len() / all * (all + 1)];
    for (row, sums) in values.chunks_exact(all).zip(sums.chunks_exact_mut(all + 1)) {
        for (i, value) in row.iter().enumerate() {
            sums[i + 1] = sums[i] + f64::from(*value);
        }
    }
    let mut out = vec![0.0_f64; columns * rows];
    for chord in chords {
        let (from, to) = (STEPS * chord.from, STEPS * chord.to);
        // At least a step wide, so that short chords stay smooth.
        let grow = (1.0 - (to - from)).max(0.0) / 2.0;
        let first = around[0] as f64 + 0.5;
        let (from, to) = (first + from - grow, first + to + grow);
        let scale = chord.share / (to - from);
        // Lines lie closer than what they blur is wide: the nearest step serves.
        let top = around[1] as i64 + (STEPS * chord.down).round() as i64;
        for (j, row) in out.chunks_exact_mut(columns).enumerate() {
            let line = &sums[(top as usize + j) * (all + 1)..][..all + 1];
            // Sums up to a place between steps, for every step of the row.
            let up_to = |at: f64| {
                let (k, part) = (at as usize, at - at.floor());
                (&line[k..k + columns], &line[k + 1..k + 1 + columns], part)
            };
            let ((a, b, s), (c, d, t)) = (up_to(from), up_to(to));
            for (i, value) in row.iter_mut().enumerate() {
                let (low, high) = (a[i] + (b[i] - a[i]) * s, c[i] + (d[i] - c[i]) * t);
                *value += (high - low) * scale;
            }
        }
    }
    out.into_iter().map(|v| v as f32).collect()
}
