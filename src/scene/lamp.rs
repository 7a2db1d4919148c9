//! Other lamps in shot: what pulses beside the wall.

use crate::math::special::{sin_pi, sinc};
use std::f64::consts::PI;

/// Course of a lamp's light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LampShape {
    /// A sine.
    Sine,
    /// |sin|, on steady light.
    RectifiedSine,
    /// Two levels; `duty` is the share of the brighter one.
    Pulses {
        /// 0 to 1.
        duty: f64,
    },
}

/// A lamp.
#[derive(Debug, Clone, PartialEq)]
pub struct Lamp {
    /// Its name.
    pub name: String,
    /// Pulses a second, Hz, above 0.
    pub frequency_hz: f64,
    /// (brightest − darkest)/(brightest + darkest), 0 to 1.
    pub depth: f64,
    /// Course of its light.
    pub shape: LampShape,
}

impl Lamp {
    /// Amplitude over the mean of its harmonic `k`, 1 or more, at k times its frequency.
    ///
    /// Fourier series of a sine; of b + |sin|, whose mean is b + 2/π and whose harmonics are (4/π)/(4k² − 1), with b = (1/depth − 1)/2; and of
    /// light 1 for a share D of the time and l = (1 − depth)/(1 + depth) else, with mean D + (1 − D)·l and harmonics 2·D·(1 − l)·sinc(k·D).
    pub fn harmonic(&self, k: u32) -> f64 {
        let n = f64::from(k.max(1));
        match self.shape {
            _ if self.depth <= 0.0 => 0.0,
            LampShape::Sine => {
                if k <= 1 {
                    self.depth
                } else {
                    0.0
                }
            }
            LampShape::RectifiedSine => {
                let steady = (1.0 / self.depth - 1.0) / 2.0;
                4.0 / PI / (4.0 * n * n - 1.0) / (steady + 2.0 / PI)
            }
            LampShape::Pulses { duty } => {
                let low = (1.0 - self.depth) / (1.0 + self.depth);
                let mean = duty + (1.0 - duty) * low;
                2.0 * duty * (1.0 - low) * sinc(n * duty).abs() / mean
            }
        }
    }

    /// Light at a time in periods, the highest being 1.
    pub fn light(&self, turns: f64) -> f64 {
        let low = (1.0 - self.depth) / (1.0 + self.depth);
        let wave = match self.shape {
            LampShape::Sine => (1.0 + sin_pi(2.0 * turns)) / 2.0,
            LampShape::RectifiedSine => sin_pi(turns).abs(),
            LampShape::Pulses { duty } => {
                if turns - turns.floor() < duty {
                    1.0
                } else {
                    0.0
                }
            }
        };
        low + (1.0 - low) * wave
    }
}

/// Shutter settings that a camera offers.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ShutterOffered {
    /// Shutter angles, degrees.
    pub angles_deg: Vec<f64>,
    /// Every whole number of times this angle up to 360, degrees.
    pub angle_step_deg: Option<f64>,
    /// Exposure times, seconds.
    pub speeds_s: Vec<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn harmonics_are_those_of_the_light() {
        const STEPS: u32 = 40_000;
        for shape in [LampShape::Sine, LampShape::RectifiedSine, LampShape::Pulses { duty: 0.3 }] {
            for depth in [0.05, 0.4, 1.0] {
                let lamp = Lamp { name: String::new(), frequency_hz: 100.0, depth, shape };
                let light = |i: u32| lamp.light((f64::from(i) + 0.5) / f64::from(STEPS));
                let mean = (0..STEPS).map(light).sum::<f64>() / f64::from(STEPS);
                for k in 1..=5 {
                    let turn =
                        |i: u32| 2.0 * f64::from(k) * (f64::from(i) + 0.5) / f64::from(STEPS);
                    let part = |f: fn(f64) -> f64| {
                        2.0 * (0..STEPS).map(|i| light(i) * f(turn(i))).sum::<f64>()
                            / f64::from(STEPS)
                    };
                    let size = libm::hypot(part(crate::math::special::cos_pi), part(sin_pi));
                    let found = lamp.harmonic(k);
                    assert!((size / mean - found).abs() < 1e-4, "{shape:?} {depth} {k}: {found}");
                }
                let all: Vec<f64> = (0..STEPS).map(light).collect();
                let (high, low) =
                    all.iter().fold((0.0_f64, 1.0_f64), |(h, l), v| (h.max(*v), l.min(*v)));
                assert!(((high - low) / (high + low) - depth).abs() < 1e-3, "{shape:?} {depth}");
            }
        }
    }
}
