//! Whether a frame agrees with the slow check, once the slow check's own sampling error is taken out.

use crate::frame::Electrons;
use crate::sensor::Mosaic;

/// Largest RMS of the difference, as a share of the mean.
pub const MOST_RMS_OF_MEAN: f64 = 0.003;
/// Largest RMS of the difference, as a share of the reference's standard deviation, so that a
/// frame does not pass by being flat.
pub const MOST_RMS_OF_SD: f64 = 0.03;
/// Smallest correlation.
pub const LEAST_CORRELATION: f64 = 0.999;
/// How many standard errors above the estimate must still be inside the bars: a frame must not
/// pass because the reference was noisy.
pub const SIGMAS: f64 = 2.0;

/// How well a frame agrees with a reference that came as two independent halves.
///
/// Every colour class of photosites (the colours of a mosaic, the planes of a full-plane sensor) is
/// first divided by the reference's mean of that class, so that all of them count alike, and the
/// pattern of the mosaic itself counts neither as mean nor as structure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Photosite values compared.
    pub count: usize,
    /// Unbiased mean square of (frame − truth), as a share of the squared mean:
    /// the mean of (F − A)(F − B). Below zero only by chance.
    pub mean_square: f64,
    /// Standard error of [`Self::mean_square`], from its spread over blocks of photosites.
    pub mean_square_error: f64,
    /// Standard deviation of the truth within its classes, as a share of the mean: √cov(A, B).
    pub reference_sd: f64,
    /// Sampling error of one half (1 σ), as a share of the mean.
    pub half_noise: f64,
    /// cov(F, (A + B)/2) / √(var F · cov(A, B)): 1 apart from chance when the frame is the truth.
    pub correlation: f64,
    /// Standard error of [`Self::correlation`] (jackknife over blocks).
    pub correlation_error: f64,
}

impl Agreement {
    /// RMS of the difference as a share of the mean.
    pub fn rms_of_mean(&self) -> f64 {
        self.mean_square.max(0.0).sqrt()
    }

    /// The largest RMS of the difference that the sampling error leaves open ([`SIGMAS`]).
    pub fn rms_of_mean_at_most(&self) -> f64 {
        (self.mean_square.max(0.0) + SIGMAS * self.mean_square_error).sqrt()
    }

    /// RMS of the difference as a share of the reference's standard deviation.
    pub fn rms_of_sd(&self) -> f64 {
        self.rms_of_mean() / self.reference_sd
    }

    /// Like [`Self::rms_of_mean_at_most`], as a share of the reference's standard deviation.
    pub fn rms_of_sd_at_most(&self) -> f64 {
        self.rms_of_mean_at_most() / self.reference_sd
    }

    /// The smallest correlation that the sampling error leaves open ([`SIGMAS`]).
    pub fn correlation_at_least(&self) -> f64 {
        self.correlation - SIGMAS * self.correlation_error
    }

    /// True when all three bars are met with the sampling error counted against the frame.
    /// False for anything that is not a number, such as a reference without structure.
    pub fn agrees(&self) -> bool {
        self.reference_sd > 0.0
            && self.rms_of_mean_at_most() <= MOST_RMS_OF_MEAN
            && self.rms_of_sd_at_most() <= MOST_RMS_OF_SD
            && self.correlation_at_least() >= LEAST_CORRELATION
    }
}

/// Compares a frame with two independent halves of a reference, all of one window.
///
/// `None` where the three do not have the same window and planes, a class of photosites has no
/// light in the reference, or there are fewer than [`BLOCKS`] values.
pub fn compare(
    frame: &Electrons,
    half_a: &Electrons,
    half_b: &Electrons,
    mosaic: Mosaic,
) -> Option<Agreement> {
    let same = |other: &Electrons| {
        other.window == frame.window
            && other.planes.len() == frame.planes.len()
            && other.planes.iter().zip(&frame.planes).all(|(p, q)| p.data.len() == q.data.len())
    };
    if !same(half_a) || !same(half_b) {
        return None;
    }
    let values = normalised(frame, half_a, half_b, mosaic)?;
    if values.len() < BLOCKS {
        return None;
    }
    // Blocks are runs of neighbours, so that what neighbours share does not shrink the error bar.
    let mut blocks = [Sums::default(); BLOCKS];
    for (i, v) in values.iter().enumerate() {
        blocks[i * BLOCKS / values.len()].add(*v);
    }
    let all = blocks.iter().fold(Sums::default(), |sum, b| sum.plus(b, 1.0));
    let n = BLOCKS as f64;
    let spread = |of: fn(&Sums) -> f64| {
        let without = blocks.map(|b| of(&all.plus(&b, -1.0)));
        let mean = without.iter().sum::<f64>() / n;
        ((n - 1.0) / n * without.iter().map(|w| (w - mean) * (w - mean)).sum::<f64>()).sqrt()
    };
    Some(Agreement {
        count: values.len(),
        mean_square: all.mean_square(),
        mean_square_error: spread(Sums::mean_square),
        reference_sd: all.covariance_ab().max(0.0).sqrt(),
        half_noise: (all.noise / all.n / 2.0).sqrt(),
        correlation: all.correlation(),
        correlation_error: spread(Sums::correlation),
    })
}

/// Blocks of photosites for the error bars.
pub const BLOCKS: usize = 32;

/// (F, A, B) of every photosite, each class divided by its mean in the reference.
fn normalised(
    frame: &Electrons,
    half_a: &Electrons,
    half_b: &Electrons,
    mosaic: Mosaic,
) -> Option<Vec<[f64; 3]>> {
    let width = (frame.window.width as usize).max(1);
    let class = |plane: usize, i: usize| {
        let x = frame.window.x + (i % width) as u32;
        let y = frame.window.y + (i / width) as u32;
        mosaic.colour_at(x, y).map_or(plane, |k| usize::from(k).min(2))
    };
    let mut sums = [(0.0, 0_usize); 3];
    for (plane, (a, b)) in half_a.planes.iter().zip(&half_b.planes).enumerate() {
        for (i, (a, b)) in a.data.iter().zip(&b.data).enumerate() {
            let sum = &mut sums[class(plane, i).min(2)];
            sum.0 += 0.5 * (f64::from(*a) + f64::from(*b));
            sum.1 += 1;
        }
    }
    if sums.iter().any(|s| s.1 > 0 && (s.0 <= 0.0 || s.0.is_nan())) {
        return None;
    }
    let mut values = Vec::new();
    for (plane, f) in frame.planes.iter().enumerate() {
        let (a, b) = (&half_a.planes[plane].data, &half_b.planes[plane].data);
        for (i, f) in f.data.iter().enumerate() {
            let (sum, count) = sums[class(plane, i).min(2)];
            let scale = count as f64 / sum;
            values.push([*f, a[i], b[i]].map(|v| f64::from(v) * scale));
        }
    }
    Some(values)
}

/// Sums of values less 1 (their mean is about 1, which saves digits) and their products.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    n: f64,
    difference: f64,
    noise: f64,
    f: f64,
    a: f64,
    b: f64,
    ff: f64,
    fa: f64,
    fb: f64,
    ab: f64,
}

impl Sums {
    fn add(&mut self, [f, a, b]: [f64; 3]) {
        let (f, a, b) = (f - 1.0, a - 1.0, b - 1.0);
        let one = Self {
            n: 1.0,
            difference: (f - a) * (f - b),
            noise: (a - b) * (a - b),
            f,
            a,
            b,
            ff: f * f,
            fa: f * a,
            fb: f * b,
            ab: a * b,
        };
        *self = self.plus(&one, 1.0);
    }

    fn plus(&self, o: &Self, sign: f64) -> Self {
        Self {
            n: self.n + sign * o.n,
            difference: self.difference + sign * o.difference,
            noise: self.noise + sign * o.noise,
            f: self.f + sign * o.f,
            a: self.a + sign * o.a,
            b: self.b + sign * o.b,
            ff: self.ff + sign * o.ff,
            fa: self.fa + sign * o.fa,
            fb: self.fb + sign * o.fb,
            ab: self.ab + sign * o.ab,
        }
    }

    fn mean_square(&self) -> f64 {
        self.difference / self.n
    }

    fn covariance_ab(&self) -> f64 {
        self.ab / self.n - self.a * self.b / (self.n * self.n)
    }

    fn correlation(&self) -> f64 {
        let n = self.n;
        let with = 0.5 * (self.fa + self.fb) / n - 0.5 * self.f * (self.a + self.b) / (n * n);
        let own = self.ff / n - self.f * self.f / (n * n);
        with / (own * self.covariance_ab()).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Plane, Window};

    /// Numbers from −½ to ½ without any pattern.
    fn scatter(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed;
        move || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
        }
    }

    fn electrons(value: impl FnMut(usize) -> f64) -> Electrons {
        let mut value = value;
        let data = (0..96 * 64).map(|i| value(i) as f32).collect();
        Electrons {
            window: Window { x: 3, y: 5, width: 96, height: 64 },
            planes: vec![Plane { width: 96, height: 64, data }],
        }
    }

    fn truth(i: usize) -> f64 {
        1000.0 * (1.0 + 0.1 * ((i % 96) as f64 * 0.7).sin())
    }

    fn halves(noise: f64) -> (Electrons, Electrons) {
        let (mut p, mut q) = (scatter(1), scatter(2));
        let s = noise * 1000.0 * 12.0_f64.sqrt();
        (electrons(|i| truth(i) + s * p()), electrons(|i| truth(i) + s * q()))
    }

    #[test]
    fn the_sampling_error_of_the_halves_is_taken_out() {
        let (a, b) = halves(0.003);
        let exact = compare(&electrons(truth), &a, &b, Mosaic::Monochrome).unwrap();
        assert!(exact.agrees(), "{exact:?}");
        assert!(exact.mean_square.abs() < 3.0 * exact.mean_square_error, "{exact:?}");
        assert!((exact.half_noise / 0.003 - 1.0).abs() < 0.05, "{exact:?}");
        assert!((exact.reference_sd - 0.1 / 2.0_f64.sqrt()).abs() < 0.001, "{exact:?}");
        // A wrong frame is found at its size: a ripple of 0.5 % RMS.
        let off = |i: usize| truth(i) + 5.0 * 2.0_f64.sqrt() * (i as f64 * 1.3).sin();
        let wrong = compare(&electrons(off), &a, &b, Mosaic::Monochrome).unwrap();
        assert!((wrong.rms_of_mean() - 0.005).abs() < 0.0002, "{wrong:?}");
        assert!(!wrong.agrees());
    }

    #[test]
    fn a_flat_frame_a_scaled_frame_and_a_noisy_reference_do_not_pass() {
        let (a, b) = halves(0.002);
        let flat = compare(&electrons(|_| 1000.0), &a, &b, Mosaic::Monochrome).unwrap();
        assert!(!flat.agrees(), "{flat:?}");
        let bright = compare(&electrons(|i| 1.004 * truth(i)), &a, &b, Mosaic::Monochrome).unwrap();
        assert!(!bright.agrees() && bright.correlation > 0.9999, "{bright:?}");
        let (a, b) = halves(0.1);
        let noisy = compare(&electrons(truth), &a, &b, Mosaic::Monochrome).unwrap();
        assert!(!noisy.agrees(), "{noisy:?}");
    }

    #[test]
    fn the_pattern_of_the_mosaic_is_neither_mean_nor_structure() {
        let mosaic = Mosaic::Bayer([0, 1, 1, 2]);
        let gain = |i: usize| {
            let (x, y) = (3 + (i % 96) as u32, 5 + (i / 96) as u32);
            [0.2, 1.0, 3.0][usize::from(mosaic.colour_at(x, y).unwrap())]
        };
        let (mut p, mut q) = (scatter(1), scatter(2));
        let a = electrons(|i| truth(i) * gain(i) * (1.0 + 0.004 * p()));
        let b = electrons(|i| truth(i) * gain(i) * (1.0 + 0.004 * q()));
        let same = compare(&electrons(|i| truth(i) * gain(i)), &a, &b, mosaic).unwrap();
        assert!(same.agrees(), "{same:?}");
        assert!((same.reference_sd - 0.1 / 2.0_f64.sqrt()).abs() < 0.002, "{same:?}");
    }

    #[test]
    fn frames_of_other_windows_are_not_compared() {
        let (a, b) = halves(0.002);
        let mut other = electrons(truth);
        other.window.x += 1;
        assert_eq!(compare(&other, &a, &b, Mosaic::Monochrome), None);
    }
}
