//! The spectrum of a window, and its peaks.

use super::patch::Taper;
use crate::math::fft::Inverse2d;
use glam::DVec2;
use rustfft::num_complex::{Complex32, Complex64};
use std::f64::consts::PI;

/// Amplitudes of a window's three planes at every whole bin, tapered (Hann), over the weights: a sinusoid on a bin has its own
/// amplitude.
pub(super) struct Spectrum {
    columns: usize,
    rows: usize,
    planes: [Vec<Complex32>; 3],
    /// Sum of squares of the three amplitudes.
    power: Vec<f32>,
}

/// Root mean square of an amplitude (root of the sum of squares of the planes) at a typical bin, for rings of frequencies that hold
/// as many bins each.
pub(super) struct Rings(Vec<f64>);

impl Rings {
    /// The ring of a square of a frequency: by area, up to the corner's.
    fn number(square: f64, count: usize) -> usize {
        ((square / 0.5 * count as f64 * 1.6) as usize).min(count - 1)
    }

    /// At a frequency.
    pub(super) fn at(&self, frequency: DVec2) -> f64 {
        let folded = frequency - frequency.round();
        self.0[Self::number(folded.length_squared(), self.0.len())]
    }
}

/// Root mean square from the squares of amplitudes of noise, whatever few waves stand out of it: half of them are less than
/// ln 2 of the mean square.
pub(super) fn rms_of_noise(squares: &mut [f64]) -> f64 {
    median(squares).map_or(0.0, |m| (m / std::f64::consts::LN_2).sqrt())
}

/// The middle one of some values; they are put in another order.
pub(super) fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// A peak of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Peak {
    /// Cycles per pixel, interpolated between bins.
    pub(super) frequency: DVec2,
    /// Root of the sum of the squares of the planes' amplitudes, interpolated.
    pub(super) size: f64,
    /// The largest amplitude of a plane, interpolated.
    pub(super) largest: f64,
}

impl Spectrum {
    /// Transforms planes of `width` × `height` pixels, their mean taken out.
    pub(super) fn of(planes: &[Vec<f32>; 3], width: usize, height: usize, fft: &Inverse2d) -> Self {
        let (across, down) = (Taper::Hann.weights(width), Taper::Hann.weights(height));
        let total: f64 = across.iter().sum::<f64>() * down.iter().sum::<f64>();
        let means = planes.each_ref().map(|plane| {
            let rows = plane.chunks(width.max(1)).zip(&down).map(|(row, wy)| {
                wy * row.iter().zip(&across).map(|(v, wx)| wx * f64::from(*v)).sum::<f64>()
            });
            (rows.sum::<f64>() / total) as f32
        });
        let scale = (2.0 / total) as f32;
        let tapered = |c: usize, x: usize, y: usize| {
            (planes[c][y * width + x] - means[c]) * (across[x] * down[y]) as f32 * scale
        };
        let mut pair = vec![Complex32::default(); width * height];
        let mut single = pair.clone();
        for y in 0..height {
            for x in 0..width {
                pair[y * width + x] = Complex32::new(tapered(0, x, y), tapered(1, x, y));
                single[y * width + x] = Complex32::new(tapered(2, x, y), 0.0);
            }
        }
        fft.run(&mut pair, width, height);
        fft.run(&mut single, width, height);
        // Of the inverse transform X of a real signal the forward one is the conjugate; two signals r + i·g come apart by
        // X(k) and the conjugate of X(−k).
        let mut red = vec![Complex32::default(); width * height];
        let mut green = red.clone();
        for y in 0..height {
            let mirror = (height - y) % height * width;
            for x in 0..width {
                let (a, b) = (pair[y * width + x], pair[mirror + (width - x) % width].conj());
                red[y * width + x] = ((a + b) * 0.5).conj();
                let g = (a - b) * 0.5;
                green[y * width + x] = Complex32::new(g.im, -g.re).conj();
            }
        }
        let blue: Vec<Complex32> = single.iter().map(|v| v.conj()).collect();
        let power = (0..width * height)
            .map(|i| red[i].norm_sqr() + green[i].norm_sqr() + blue[i].norm_sqr())
            .collect();
        Self { columns: width, rows: height, planes: [red, green, blue], power }
    }

    fn at(&self, kx: isize, ky: isize) -> usize {
        let wrap = |k: isize, n: usize| k.rem_euclid(n as isize) as usize;
        wrap(ky, self.rows) * self.columns + wrap(kx, self.columns)
    }

    /// Amplitudes of the planes at a bin.
    pub(super) fn amplitudes(&self, kx: isize, ky: isize) -> [Complex64; 3] {
        let i = self.at(kx, ky);
        self.planes.each_ref().map(|p| Complex64::new(f64::from(p[i].re), f64::from(p[i].im)))
    }

    /// Amplitudes of some of the bins, spread evenly.
    pub(super) fn sample(&self) -> Vec<[Complex64; 3]> {
        let step = (self.power.len() / 4096).max(1) | 1;
        let all = (0..self.power.len()).step_by(step);
        all.map(|i| self.amplitudes((i % self.columns) as isize, (i / self.columns) as isize))
            .collect()
    }

    /// The bin nearest to a frequency.
    pub(super) fn bin(&self, frequency: DVec2) -> (isize, isize) {
        let k = frequency * DVec2::new(self.columns as f64, self.rows as f64);
        (k.x.round() as isize, k.y.round() as isize)
    }

    /// Columns and rows.
    pub(super) fn size(&self) -> (usize, usize) {
        (self.columns, self.rows)
    }

    /// What is typical of amplitudes, ring by ring of frequencies.
    pub(super) fn noise(&self) -> Rings {
        let bins = self.columns * (self.rows / 2 + 1);
        let count = (bins / 150).clamp(1, 32);
        let mut rings: Vec<Vec<f64>> = vec![Vec::new(); count];
        let (w, h) = (self.columns as f64, self.rows as f64);
        for ky in 0..=self.rows / 2 {
            let y = ky as f64 / h;
            for (kx, power) in
                self.power[ky * self.columns..(ky + 1) * self.columns].iter().enumerate()
            {
                let x = kx as f64 / w;
                let x = if x > 0.5 { x - 1.0 } else { x };
                let ring = Rings::number(x * x + y * y, count);
                rings[ring].push(f64::from(*power));
            }
        }
        Rings(rings.iter_mut().map(|r| rms_of_noise(r)).collect())
    }

    /// Peaks, the largest first, at most `most`, whose frequency and size pass `counts` and whose size is at least `least`.
    pub(super) fn peaks(
        &self,
        most: usize,
        least: f64,
        counts: impl Fn(DVec2, f64) -> bool,
    ) -> Vec<Peak> {
        let mut found = Vec::new();
        let (w, h) = (self.columns as isize, self.rows as isize);
        let least_power = (least * least * 0.5) as f32;
        for ky in 0..=h / 2 {
            for kx in -(w - 1) / 2..=w / 2 {
                if ky == 0 && kx <= 0 {
                    continue;
                }
                let own = self.power[self.at(kx, ky)];
                if own < least_power || own == 0.0 {
                    continue;
                }
                let mut highest = true;
                for (dx, dy) in
                    [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)]
                {
                    let other = self.power[self.at(kx + dx, ky + dy)];
                    // Of two that are alike the earlier one is the peak.
                    let before = dy < 0 || (dy == 0 && dx < 0);
                    if other > own || (before && other == own) {
                        highest = false;
                        break;
                    }
                }
                if highest {
                    let peak = self.interpolated(kx, ky);
                    if peak.size >= least && counts(peak.frequency, peak.size) {
                        found.push(peak);
                    }
                }
            }
        }
        found.sort_by(|a: &Peak, b: &Peak| b.size.total_cmp(&a.size));
        found.truncate(most);
        found
    }

    /// Place and size of a peak between bins, from its neighbours along each axis: of a Hann window their ratio α gives the
    /// offset δ = (2α − 1)/(α + 1) and what is lost, πδ(1 − δ²)/sin πδ (exact for one complex sinusoid).
    fn interpolated(&self, kx: isize, ky: isize) -> Peak {
        let size = |dx: isize, dy: isize| f64::from(self.power[self.at(kx + dx, ky + dy)]).sqrt();
        let own = size(0, 0);
        let axis = |before: f64, after: f64| {
            let (side, larger) = if after > before { (1.0, after) } else { (-1.0, before) };
            let ratio = larger / own;
            let offset = ((2.0 * ratio - 1.0) / (ratio + 1.0)).clamp(0.0, 0.5);
            let turn = PI * offset;
            let lost =
                if offset < 1e-9 { 1.0 } else { turn * (1.0 - offset * offset) / libm::sin(turn) };
            (side * offset, lost)
        };
        let (dx, lost_x) = axis(size(-1, 0), size(1, 0));
        let (dy, lost_y) = axis(size(0, -1), size(0, 1));
        let frequency =
            DVec2::new((kx as f64 + dx) / self.columns as f64, (ky as f64 + dy) / self.rows as f64);
        let largest = self.amplitudes(kx, ky).map(|a| a.norm()).into_iter().fold(0.0, f64::max);
        let gain = lost_x * lost_y;
        Peak { frequency, size: own * gain, largest: largest * gain }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn planes(w: usize, h: usize, at: impl Fn(f64, f64) -> [f64; 3]) -> [Vec<f32>; 3] {
        let mut out = [0; 3].map(|_| Vec::new());
        for i in 0..w * h {
            let value = at((i % w) as f64 + 0.5, (i / w) as f64 + 0.5);
            for (plane, v) in out.iter_mut().zip(value) {
                plane.push(v as f32);
            }
        }
        out
    }

    /// Three planes of their own amplitude; the peak's bin, place between bins and sizes are those put in.
    #[test]
    fn peaks_lie_where_the_waves_are() {
        let fft = Inverse2d::default();
        for f in [DVec2::new(0.1, 0.07), DVec2::new(-0.203, 0.111), DVec2::new(0.31, 0.0)] {
            let planes = planes(128, 96, |x, y| {
                let turn = TAU * (f.x * x + f.y * y);
                [0.5 + 0.3 * turn.cos(), 0.2 * (turn + 1.0).cos(), 0.1 * (turn - 2.0).sin() - 0.2]
            });
            let spectrum = Spectrum::of(&planes, 128, 96, &fft);
            let peaks = spectrum.peaks(3, 1e-3, |_, _| true);
            assert_eq!(peaks.len(), 1, "{peaks:?}");
            let off = peaks[0].frequency - f;
            assert!((off * DVec2::new(128.0, 96.0)).length() < 0.02, "{f} {peaks:?}");
            assert!((peaks[0].largest - 0.3).abs() < 0.003, "{peaks:?}");
            let size = (0.09_f64 + 0.04 + 0.01).sqrt();
            assert!((peaks[0].size - size).abs() < 0.01 * size, "{peaks:?}");
            let (kx, ky) = spectrum.bin(f);
            let amplitudes = spectrum.amplitudes(kx, ky);
            // Green leads red by one radian.
            let lead = (amplitudes[1] / amplitudes[0]).arg();
            assert!((lead - 1.0).abs() < 1e-3, "{lead}");
        }
    }
}
