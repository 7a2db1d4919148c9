//! From tabulated weights to the groups of taps that are summed: which taps count, and in which order their
//! weights lie in memory.

use super::kernel::{Grid, Group, Kernel, LANES, TOGETHER};

/// A stretch of taps of one tap row that is not zero for every phase.
#[derive(Debug, Clone, Copy, Default)]
struct Stretch {
    /// First tap.
    tap: usize,
    /// Groups of [`LANES`] taps.
    groups: usize,
}

impl Grid {
    /// Sorts planes (middle, and slopes if any) into weights.
    pub(super) fn lay_out(&self, planes: &[Vec<f32>]) -> Kernel {
        /// Weights below this share of the largest are left out (and made up for).
        const NEGLIGIBLE: f32 = 1e-4;
        /// The same for differences, the most that is left out first.
        const DIFFERENCES: [f32; 5] = [1e-2, 3e-3, 1e-3, 3e-4, 1e-4];
        /// What leaving differences out may change of a kernel, root of the sum of squares: as a share of the contrast of
        /// random content that it costs.
        const CHANGE: f64 = 2e-3;
        // The largest weight of a tail is itself small.
        let negligible = if self.far { 10.0 * NEGLIGIBLE } else { NEGLIGIBLE };
        let plain = Peaks::new(self, planes, false).stretches(negligible);
        // Differences pay only where rows are long.
        if self.periods[0] > 2 * LANES && !self.far {
            let peaks = Peaks::new(self, planes, true);
            for share in DIFFERENCES {
                let edges = peaks.stretches(share);
                if 4 * cost(&edges) >= 3 * cost(&plain) {
                    break;
                }
                if self.change(&planes[0], &edges) <= CHANGE {
                    return self.keep(planes, true, &edges);
                }
            }
        }
        self.keep(planes, false, &plain)
    }

    /// What leaving the differences outside some stretches out changes of a plane at its first phase: root of the sum of
    /// squares, over that of the plane.
    fn change(&self, plane: &[f32], rows: &[[Stretch; 2]]) -> f64 {
        let (mut off, mut all) = (0.0, 0.0);
        let n = self.periods[0];
        let mut taps = vec![0.0_f32; n + 1];
        for (j, row) in rows.iter().enumerate() {
            let line = &plane[self.place(1, j) * self.sizes()[0]..];
            let weight = |i: usize| line[self.place(0, i)];
            for (i, tap) in taps.iter_mut().enumerate() {
                let before = if i > 0 { weight(i - 1) } else { 0.0 };
                *tap = before - if i < n { weight(i) } else { 0.0 };
            }
            let back = PutBack::new(row, n + 1, true);
            back.put(&mut taps);
            back.outside.iter().for_each(|range| taps[range.clone()].fill(0.0));
            let mut kept = 0.0;
            for (i, tap) in taps[..n].iter().enumerate() {
                kept -= f64::from(*tap);
                let weight = f64::from(weight(i));
                off += (kept - weight) * (kept - weight);
                all += weight * weight;
            }
        }
        (off / all).sqrt()
    }

    /// Place on a periodic fine axis of the pixel that is tap `tap` at phase 0.
    fn place(&self, axis: usize, tap: usize) -> usize {
        let period = self.periods[axis];
        (tap + 2 * period - self.before[axis]) % period * self.sampling.steps[axis]
    }

    /// Taps across: one more for differences.
    fn across(&self, on_sums: bool) -> usize {
        self.periods[0] + usize::from(on_sums)
    }

    /// Keeps the stretches of all planes.
    fn keep(&self, planes: &[Vec<f32>], on_sums: bool, rows: &[[Stretch; 2]]) -> Kernel {
        let mut groups = Vec::new();
        for (row, stretches) in rows.iter().enumerate() {
            for s in stretches {
                groups.extend((0..s.groups).map(|g| Group { row, tap: s.tap + g * LANES }));
            }
        }
        let last = groups.iter().map(|g| g.tap + LANES).max().unwrap_or(0);
        let across = last.max(self.across(on_sums));
        let mut kept = planes.iter().map(|p| self.kept(p, rows, &groups, on_sums));
        let weights = kept.next().unwrap_or_default();
        let slopes = kept.next().zip(kept.next()).map(|(x, y)| {
            if self.sampling.lerp_across {
                return [x, y];
            }
            // The small change across of a wide blur is taken at the middle of a step down.
            let middle =
                |pair: &[f32]| (0..LANES).map(|i| pair[i] + 0.5 * pair[LANES + i]).collect();
            [x.chunks_exact(2 * LANES).flat_map(|pair| -> Vec<f32> { middle(pair) }).collect(), y]
        });
        let before = [self.before[0] + usize::from(on_sums), self.before[1]];
        let (sampling, down) = (self.sampling, self.periods[1]);
        Kernel { sampling, on_sums, across, down, before, groups, weights, slopes, hold: 1.0 }
    }

    /// Weights of the groups of one plane. What is left out is put back at taps that stay, so that each row's sum of
    /// weights (and, for differences, the sum weighted by place too) does not change.
    fn kept(
        &self,
        plane: &[f32],
        rows: &[[Stretch; 2]],
        groups: &[Group],
        on_sums: bool,
    ) -> Vec<f32> {
        let sampling = self.sampling;
        let each = LANES * sampling.coefficients();
        let [across, down] = sampling.blocks();
        let phases = sampling.phases()[0] + 1;
        let mut weights = vec![0.0_f32; groups.len() * across * down * each];
        let mut taps = RowTaps::new(self, on_sums);
        for (index, group) in groups.iter().enumerate() {
            taps.move_to(self, plane, group.row, &rows[group.row]);
            // Groups travel in chunks, side by side for every phase.
            let (chunk, place) = (index / TOGETHER, index % TOGETHER);
            let together = TOGETHER.min(groups.len() - chunk * TOGETHER);
            let start = chunk * TOGETHER * across * down * each + place * each;
            let live = taps.across.saturating_sub(group.tap).min(LANES);
            for pv in 0..down {
                for pu in 0..across {
                    let at = |pv: usize, pu: usize| {
                        let start = (pv * phases + pu) * taps.room + group.tap;
                        &taps.taps[start..start + LANES]
                    };
                    let (here, below) = (at(pv, pu), at(pv + 1, pu));
                    let start = start + (pv * across + pu) * together * each;
                    let out = &mut weights[start..start + each];
                    for lane in 0..live {
                        out[lane] = here[lane];
                        out[LANES + lane] = below[lane] - here[lane];
                    }
                    if sampling.lerp_across {
                        let (right, both) = (at(pv, pu + 1), at(pv + 1, pu + 1));
                        for lane in 0..live {
                            let (w, below) = (here[lane], below[lane]);
                            out[2 * LANES + lane] = right[lane] - w;
                            out[3 * LANES + lane] = (both[lane] - right[lane]) - (below - w);
                        }
                    }
                }
            }
        }
        weights
    }
}

/// Groups that a set of stretches costs.
fn cost(rows: &[[Stretch; 2]]) -> usize {
    rows.iter().flatten().map(|s| s.groups).sum()
}

/// The largest weight that each tap takes at any phase in any plane.
struct Peaks {
    across: usize,
    peaks: Vec<f32>,
    /// The largest of the first plane.
    largest: f32,
}

impl Peaks {
    /// Of weights or of their differences, at the steps of the transform.
    fn new(grid: &Grid, planes: &[Vec<f32>], on_sums: bool) -> Self {
        let ([columns, rows], [steps_u, steps_v]) = (grid.sizes(), grid.sampling.steps);
        let (across, down) = (grid.across(on_sums), grid.periods[1]);
        let mut peaks = vec![0.0_f32; across * down];
        let mut largest = 0.0_f32;
        let mut of_row = vec![0.0_f32; across];
        for (i, plane) in planes.iter().enumerate() {
            for (v, row) in plane.chunks_exact(columns).enumerate() {
                for (tap, peak) in of_row.iter_mut().enumerate() {
                    // From phase 0 back to the last one.
                    let end = grid.place(0, tap);
                    let wrapped = |i: usize| if i >= columns { i - columns } else { i };
                    let last = wrapped(end + columns - steps_u);
                    let at = |pu: usize| row[wrapped(end + columns - pu)];
                    let before = |pu: usize| row[wrapped(last + columns - pu)];
                    *peak = match (on_sums, tap) {
                        (false, _) | (true, 0) => {
                            (0..=steps_u).fold(0.0, |m, p| at(p).abs().max(m))
                        }
                        (true, t) if t + 1 == across => {
                            (0..=steps_u).fold(0.0, |m, p| before(p).abs().max(m))
                        }
                        _ => (0..=steps_u).fold(0.0, |m, p| (before(p) - at(p)).abs().max(m)),
                    };
                }
                if i == 0 {
                    largest = of_row.iter().fold(largest, |m, p| m.max(*p));
                }
                // The tap rows that read this fine row at one of their phases.
                for j in 0..down {
                    let back = (grid.place(1, j) + rows - v) % rows;
                    if back <= steps_v {
                        let peaks = &mut peaks[j * across..(j + 1) * across];
                        peaks.iter_mut().zip(&of_row).for_each(|(p, r)| *p = p.max(*r));
                    }
                }
            }
        }
        Self { across, peaks, largest }
    }

    /// Stretches of taps above `share` of the largest weight, for each row.
    fn stretches(&self, share: f32) -> Vec<[Stretch; 2]> {
        let across = self.across;
        let stretch =
            |from: usize, to: usize| Stretch { tap: from, groups: (to - from).div_ceil(LANES) };
        self.peaks
            .chunks_exact(across)
            .map(|row| {
                let used: Vec<usize> =
                    (0..row.len()).filter(|&i| row[i] > share * self.largest).collect();
                let (Some(&first), Some(&last)) = (used.first(), used.last()) else {
                    // Every tap is small, but their sum may count: a middle to put it at.
                    let middle = across.saturating_sub(LANES) / 2;
                    return [stretch(middle, (middle + LANES).min(across)), Stretch::default()];
                };
                let whole = [stretch(first, last + 1), Stretch::default()];
                let gap = used.windows(2).max_by_key(|w| w[1] - w[0]);
                let Some(gap) = gap.filter(|g| g[1] - g[0] > LANES) else { return whole };
                let two = [stretch(first, gap[0] + 1), stretch(gap[1], last + 1)];
                if two[0].groups + two[1].groups < whole[0].groups { two } else { whole }
            })
            .collect()
    }
}

/// One tap row at all phases: `[phase down][phase across][tap]`, with room for lanes beyond the last tap.
struct RowTaps {
    on_sums: bool,
    row: Option<usize>,
    across: usize,
    room: usize,
    taps: Vec<f32>,
    fine: Vec<f32>,
}

impl RowTaps {
    fn new(grid: &Grid, on_sums: bool) -> Self {
        let [phases_u, phases_v] = grid.sampling.phases();
        let across = grid.across(on_sums);
        let room = across + LANES;
        Self {
            on_sums,
            row: None,
            across,
            room,
            taps: vec![0.0; (phases_u + 1) * (phases_v + 1) * room],
            fine: vec![0.0; grid.sizes()[0] * grid.sampling.finer],
        }
    }

    /// Fills in row `j` of a plane, with what lies outside the row's stretches put back inside.
    fn move_to(&mut self, grid: &Grid, plane: &[f32], j: usize, stretches: &[Stretch; 2]) {
        if self.row == Some(j) {
            return;
        }
        self.row = Some(j);
        let (sizes, finer) = (grid.sizes(), grid.sampling.finer);
        let [phases_u, phases_v] = grid.sampling.phases();
        let (n, room, taps_across) = (self.fine.len(), self.room, grid.periods[0]);
        let first = grid.place(0, 0) * finer;
        let back = PutBack::new(stretches, self.across, self.on_sums);
        for pv in 0..=phases_v {
            let v = (grid.place(1, j) + sizes[1] - pv) % sizes[1];
            refine(&plane[v * sizes[0]..(v + 1) * sizes[0]], finer, &mut self.fine);
            for pu in 0..=phases_u {
                let start = (pv * (phases_u + 1) + pu) * room;
                let taps = &mut self.taps[start..start + room];
                let mut u = (first + n - pu) % n;
                if self.on_sums {
                    // In terms of running sums tap i holds W(i − 1) − W(i), one tap more.
                    let mut last = 0.0;
                    for tap in &mut taps[..taps_across] {
                        let w = self.fine[u];
                        *tap = last - w;
                        last = w;
                        u += phases_u;
                        u -= if u >= n { n } else { 0 };
                    }
                    taps[taps_across] = last;
                } else {
                    for tap in &mut taps[..taps_across] {
                        *tap = self.fine[u];
                        u += phases_u;
                        u -= if u >= n { n } else { 0 };
                    }
                }
                back.put(taps);
            }
        }
    }
}

/// Where the taps outside a row's stretches go.
struct PutBack {
    outside: Vec<std::ops::Range<usize>>,
    /// Two taps that keep sum and moment, or one that keeps the sum.
    to: [usize; 2],
    both: bool,
}

impl PutBack {
    fn new(row: &[Stretch; 2], across: usize, on_sums: bool) -> Self {
        let end = |s: &Stretch| (s.tap + s.groups * LANES).min(across);
        let middle = |s: &Stretch| (s.tap + s.groups * LANES / 2).min(across - 1);
        let two = row[1].groups > 0;
        let outside = if two {
            vec![0..row[0].tap, end(&row[0])..row[1].tap, end(&row[1])..across]
        } else {
            vec![0..row[0].tap, end(&row[0])..across]
        };
        let to =
            if two { [middle(&row[0]), middle(&row[1])] } else { [row[0].tap, end(&row[0]) - 1] };
        let both = on_sums && to[0] != to[1];
        Self { outside, to: if both { to } else { [middle(&row[0]); 2] }, both }
    }

    fn put(&self, taps: &mut [f32]) {
        let (mut sum, mut moment) = (0.0_f64, 0.0_f64);
        for range in &self.outside {
            for i in range.clone() {
                sum += f64::from(taps[i]);
                moment += f64::from(taps[i]) * i as f64;
            }
        }
        let [a, b] = self.to;
        if self.both {
            let beta = (moment - sum * a as f64) / (b as f64 - a as f64);
            taps[b] += beta as f32;
            taps[a] += (sum - beta) as f32;
        } else {
            taps[a] += sum as f32;
        }
    }
}

/// A periodic row made `finer` times finer by four-point interpolation, whose weights sum to one, so
/// that a partition of unity stays one.
fn refine(row: &[f32], finer: usize, out: &mut [f32]) {
    if finer == 1 {
        out.copy_from_slice(row);
        return;
    }
    let n = row.len();
    for (i, group) in out.chunks_exact_mut(finer).enumerate() {
        let p = [row[(i + n - 1) % n], row[i], row[(i + 1) % n], row[(i + 2) % n]];
        for (k, o) in group.iter_mut().enumerate() {
            let t = k as f32 / finer as f32;
            let (a, b, c) = (t + 1.0, t - 1.0, t - 2.0);
            *o = p[0] * (-t * b * c / 6.0)
                + p[1] * (a * b * c / 2.0)
                + p[2] * (-a * t * c / 2.0)
                + p[3] * (a * t * b / 6.0);
        }
    }
}
