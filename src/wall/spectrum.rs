//! The drive as a Fourier series: how much of a level's light pulses at which frequency.
//!
//! Light of an emitter of slot 0, as a share of the steady light of level 1, is Σ aₖ·exp(i2πk·t/period), with
//! [`Spectrum::period_s`] the time after which the pattern of pulses repeats. Rows of slot j are j·[`Spectrum::slot_s`] late,
//! colours by their delay. Exact for every drive, ramps included: the transform of a pulse is in closed form.

use super::Waveform;
use super::drive::{DriveKind, Timing, extra_before, grey_clocks};
use crate::math::special::{cos_pi, sinc, turn};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// exp(−i2π·turns).
fn turned_back(turns: f64) -> Complex64 {
    let (re, im) = turn(turns);
    Complex64::new(re, -im)
}

/// One line of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Number of the harmonic of the pattern, 1 or more.
    pub k: u32,
    /// Frequency, Hz of the wall's clock.
    pub hz: f64,
    /// Complex amplitude aₖ of slot 0.
    pub amplitude: Complex64,
}

/// A drive's Fourier series at one level.
pub struct Spectrum<'a> {
    timing: &'a Timing,
    level: f64,
    /// Lengths of the shorter pulses, and of those that are a grey clock longer, seconds.
    lengths_s: [f64; 2],
    /// Which of the refreshes have the longer one; empty where all are alike.
    longer: Vec<u32>,
    /// Σ over those of exp(−i2π·k·m/refreshes), by k modulo the refreshes, where no dark time ends the frame.
    sums: Vec<Complex64>,
}

impl<'a> Spectrum<'a> {
    /// Of a level, 0 to 1.
    pub fn new(timing: &'a Timing, level: f64) -> Self {
        let mut longer = Vec::new();
        let lengths_s = match timing.drive.kind {
            DriveKind::Split { bits, order } => {
                let n = timing.refreshes;
                let total = grey_clocks(level * timing.drive.pulse_share, bits);
                let (base, rem) = (total / n, total % n);
                longer = (0..n)
                    .filter(|&m| {
                        extra_before(order, n, rem, m + 1) > extra_before(order, n, rem, m)
                    })
                    .collect();
                [base, base + 1].map(|clocks| timing.clock_s * f64::from(clocks))
            }
            _ => [level * timing.top_pulse_s(); 2],
        };
        let mut sums = Vec::new();
        if !longer.is_empty() && timing.drive.dark_frame_s == 0.0 {
            let n = timing.refreshes as usize;
            let roots: Vec<Complex64> = (0..n).map(|i| turned_back(i as f64 / n as f64)).collect();
            let sum = |k: usize| longer.iter().map(|&m| roots[k * m as usize % n]).sum();
            sums = (0..n).map(sum).collect();
        }
        Self { timing, level, lengths_s, longer, sums }
    }

    /// Period of the pattern, seconds of wall time.
    pub fn period_s(&self) -> f64 {
        self.timing.frame_s
    }

    /// Time from slot to slot, seconds.
    pub fn slot_s(&self) -> f64 {
        self.timing.slot_s
    }

    /// Long-run mean: a₀.
    pub fn mean(&self) -> f64 {
        self.timing.drive.mean_level(self.level)
    }

    /// aₖ of slot 0 and a colour without delay, `k` above 0.
    pub fn amplitude(&self, k: u32) -> Complex64 {
        let timing = self.timing;
        if timing.drive.is_steady() {
            return Complex64::ZERO;
        }
        let hz = f64::from(k) / timing.frame_s;
        if let DriveKind::Waveform(wave) = &timing.drive.kind {
            return waveform_amplitude(wave, k) * self.level;
        }
        let n = timing.refreshes;
        let dark = timing.drive.dark_frame_s != 0.0;
        let turns = |m: u32| hz * timing.refresh_s * f64::from(m);
        let all = if dark {
            (0..n).map(|m| turned_back(turns(m))).sum()
        } else {
            Complex64::from(if k.is_multiple_of(n) { f64::from(n) } else { 0.0 })
        };
        let [short, long] = self.lengths_s.map(|on_s| self.pulse(on_s, hz));
        let mut sum = short * all;
        if !self.longer.is_empty() {
            let some: Complex64 = if dark {
                self.longer.iter().map(|&m| turned_back(turns(m))).sum()
            } else {
                self.sums[(k % n) as usize]
            };
            sum += (long - short) * some;
        }
        sum / (timing.frame_s * timing.top_duty())
    }

    /// Transform of a pulse that starts at time 0, in seconds of full light; `hz` above 0.
    fn pulse(&self, on_s: f64, hz: f64) -> Complex64 {
        if on_s <= 0.0 {
            return Complex64::ZERO;
        }
        let (rise, fall) = (self.timing.drive.rise_s, self.timing.drive.fall_s);
        if rise + fall == 0.0 {
            return turned_back(hz * on_s / 2.0) * (on_s * sinc(hz * on_s));
        }
        // The slope is a box of area `height` up and one down (the shape is that of `Timing::pulse_light_s`).
        let height = (2.0 * on_s / (rise + fall)).sqrt().min(1.0);
        let falls_from = if height < 1.0 { height * rise } else { on_s + (rise - fall) / 2.0 };
        let up = turned_back(hz * height * rise / 2.0) * sinc(hz * height * rise);
        let down = turned_back(hz * (falls_from + height * fall / 2.0)) * sinc(hz * height * fall);
        (up - down) * height / Complex64::new(0.0, 2.0 * PI * hz)
    }

    /// The lines that an exposure of `exposure_s` leaves at `least` of the mean or more (2·|aₖ·sinc|/a₀), with k up to
    /// `most`; the sinc is not in their amplitude.
    pub fn lines(&self, exposure_s: f64, least: f64, most: u32) -> Vec<Line> {
        let mean = self.mean();
        if self.timing.drive.is_steady() || mean <= 0.0 {
            return Vec::new();
        }
        let period_s = self.timing.frame_s;
        let alike = self.longer.is_empty()
            && self.timing.drive.dark_frame_s == 0.0
            && !matches!(self.timing.drive.kind, DriveKind::Waveform(_));
        let step = if alike { self.timing.refreshes } else { 1 };
        // Bounds of |aₖ| by k modulo the refreshes.
        let bounds: Vec<f64> = match self.sums.len() {
            0 => Vec::new(),
            n => (0..n as u32).map(|k| self.most(k)).collect(),
        };
        let mut lines = Vec::new();
        let mut k = step;
        while k <= most {
            let hz = f64::from(k) / period_s;
            let bound = bounds.get(k as usize % bounds.len().max(1)).copied().unwrap_or(mean);
            // |sinc x| is at most 1/(πx).
            if 2.0 * bound < least * mean * PI * hz * exposure_s {
                k += step;
                continue;
            }
            let left = sinc(hz * exposure_s).abs();
            if 2.0 * left * bound >= least * mean {
                let amplitude = self.amplitude(k);
                if 2.0 * amplitude.norm_sqr().sqrt() * left >= least * mean {
                    lines.push(Line { k, hz, amplitude });
                }
            }
            k += step;
        }
        lines
    }

    /// A bound of |aₖ|, quick.
    fn most(&self, k: u32) -> f64 {
        if self.sums.is_empty() || k.is_multiple_of(self.timing.refreshes) {
            return self.mean();
        }
        // One grey clock's light in each of the longer pulses.
        let n = self.timing.refreshes;
        let whole_s = self.timing.frame_s * self.timing.top_duty();
        self.timing.clock_s * self.sums[(k % n) as usize].norm_sqr().sqrt() / whole_s
    }

    /// The k from which on no line can leave `least` of the mean in an exposure: 2/(π·k/period·T) is below it.
    pub fn last(&self, exposure_s: f64, least: f64) -> u32 {
        (2.0 * self.timing.frame_s / (PI * exposure_s * least)).min(1e6) as u32
    }
}

/// Fourier coefficient of a measured waveform, its mean being 1: of straight pieces, by parts.
fn waveform_amplitude(wave: &Waveform, k: u32) -> Complex64 {
    let period_s = wave.period_s();
    let mut sum = Complex64::ZERO;
    let nu = f64::from(k) / period_s;
    for pair in wave.points().windows(2) {
        let ([t0, a], [t1, b]) = (pair[0], pair[1]);
        let long = t1 - t0;
        if long <= 0.0 {
            continue;
        }
        // A straight piece around its middle: its mean times a box, plus its slope times an odd ramp.
        let x = nu * long;
        let at = turned_back(nu * (t0 + t1) / 2.0);
        let odd = if x < 1e-3 {
            // −i·(x·π/6)·(1 − (πx)²/10)
            PI * x / 6.0 * (1.0 - PI * PI * x * x / 10.0)
        } else {
            (sinc(x) - cos_pi(x)) / (2.0 * PI * x)
        };
        sum += at * Complex64::new((a + b) / 2.0 * long * sinc(x), -(b - a) * long * odd);
    }
    sum / period_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wall::drive::{Clock, Drive, SplitOrder};
    use std::sync::Arc;

    fn drive(kind: DriveKind) -> Drive {
        Drive {
            kind,
            refresh_hz: 800.0,
            video_hz: 50.0,
            scan: 4,
            dark_slot_s: 1e-5,
            dark_refresh_s: 2e-5,
            dark_frame_s: 0.0,
            rise_s: 0.0,
            fall_s: 0.0,
            delay_s: [0.0; 3],
            pulse_share: 1.0,
            clock: Clock { drift: 0.0, phase_s: 0.0 },
        }
    }

    /// The light of an exposure from the series against the exact on-time.
    fn check(drive: &Drive, level: f64, bound: f64) {
        let timing = drive.timing();
        let spectrum = Spectrum::new(&timing, level);
        let exposure_s = 1.3 / drive.refresh_hz;
        let lines: Vec<(f64, Complex64)> = (1..20_000)
            .map(|k| (f64::from(k) / spectrum.period_s(), spectrum.amplitude(k)))
            .collect();
        for (start_s, slot) in [(0.0, 0), (1.234e-3, 2), (7.7e-3, 3), (13.1e-3, 1)] {
            let exact = timing.light(level, start_s, exposure_s, slot, 0);
            let middle_s = start_s + exposure_s / 2.0 - f64::from(slot) * spectrum.slot_s();
            let sum: f64 = lines
                .iter()
                .map(|(hz, a)| 2.0 * (a * turned_back(-hz * middle_s)).re * sinc(hz * exposure_s))
                .sum();
            let series = spectrum.mean() + sum;
            assert!((series - exact).abs() < bound, "{:?} {level}: {series} {exact}", drive.kind);
        }
    }

    #[test]
    fn the_series_is_the_light_of_every_drive() {
        for level in [0.003, 0.2, 1.0] {
            for (rise_s, fall_s) in [(0.0, 0.0), (2e-5, 3e-5)] {
                for dark_frame_s in [0.0, 1e-3] {
                    let with = |kind| Drive { rise_s, fall_s, dark_frame_s, ..drive(kind) };
                    check(&with(DriveKind::Scanned), level, 2e-3);
                    for order in [SplitOrder::Even, SplitOrder::BitReversed] {
                        check(&with(DriveKind::Split { bits: 12, order }), level, 2e-3);
                    }
                }
            }
            check(&Drive { scan: 1, ..drive(DriveKind::Pwm) }, level, 1e-3);
            let samples = [[0.0, 0.1], [0.4e-3, 1.0], [0.4e-3, 0.3], [0.9e-3, 0.0]];
            let wave = Arc::new(Waveform::new(&samples, 1.25e-3).expect("a waveform"));
            check(&drive(DriveKind::Waveform(wave)), level, 1e-4);
        }
    }

    #[test]
    fn dark_levels_flicker_at_the_rate_that_arithmetic_says() {
        // physics.md section 6: the lowest line lies at gcd(g, M)·fps; g = 1 at fps with amplitude over mean 2, g = 2 at 2·fps;
        // M = 64, g = 96: 32·fps, 0.6667 with 64-clock segments; g = 64: only M·fps.
        let split = Drive {
            refresh_hz: 64.0 * 50.0,
            scan: 1,
            dark_slot_s: 0.0,
            dark_refresh_s: 0.0,
            ..drive(DriveKind::Split { bits: 12, order: SplitOrder::Even })
        };
        let timing = split.timing();
        for (clocks, lowest, size) in [(1, 1, 2.0), (2, 2, 2.0), (96, 32, 0.6667), (64, 64, 2.0)] {
            let spectrum = Spectrum::new(&timing, f64::from(clocks) / 4095.0);
            let relative = |k| 2.0 * spectrum.amplitude(k).norm_sqr().sqrt() / spectrum.mean();
            let first = (1..=64).find(|&k| relative(k) > 1e-9).expect("a line");
            assert_eq!(first, lowest);
            assert!((relative(first) - size).abs() < 1e-3, "{clocks}: {}", relative(first));
        }
    }
}
