//! Special functions in f64, portable to the last bit (libm).

use std::f64::consts::PI;

/// sin(πx)/(πx), with the value 1 at zero.
pub fn sinc(x: f64) -> f64 {
    let t = PI * x;
    if t.abs() < 1e-4 { 1.0 - t * t / 6.0 } else { libm::sin(t) / t }
}

/// 2·J₁(x)/x, with the value 1 at zero: the transform of a uniform disc of unit light, x = π·diameter·frequency.
pub fn jinc(x: f64) -> f64 {
    let x = x.abs();
    if x < 1e-4 { 1.0 - x * x / 8.0 } else { 2.0 * libm::j1(x) / x }
}
