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

/// Second derivative of [`jinc`]: −2·J₁(x)/x + 6·J₂(x)/x², from J₁′ = J₀ − J₁/x and J₂ = 2J₁/x − J₀; −1/4 at zero.
pub fn jinc_bend(x: f64) -> f64 {
    let x = x.abs();
    if x < 0.05 {
        // 2·J₁(x)/x = 1 − x²/8 + x⁴/192 − x⁶/9216 + …
        return -0.25 + x * x * (1.0 / 16.0 - x * x * 5.0 / 1536.0);
    }
    let (j0, j1) = (libm::j0(x), libm::j1(x));
    let j2 = 2.0 * j1 / x - j0;
    (6.0 * j2 / x - 2.0 * j1) / x
}

/// cos(πx), exactly 0 at half-integers and ±1 at integers.
pub fn cos_pi(x: f64) -> f64 {
    // |x| modulo 2 is exact in floating point; fold into [0, ½] where cos and sin are both sharp.
    let r = x.abs() % 2.0;
    let r = if r > 1.0 { 2.0 - r } else { r };
    let (r, sign) = if r > 0.5 { (1.0 - r, -1.0) } else { (r, 1.0) };
    sign * if r > 0.25 { libm::sin(PI * (0.5 - r)) } else { libm::cos(PI * r) }
}

/// sin(πx), exactly 0 at integers and ±1 at half-integers.
pub fn sin_pi(x: f64) -> f64 {
    let r = x.abs() % 2.0;
    let (r, sign) = if r > 1.0 { (r - 1.0, -1.0) } else { (r, 1.0) };
    let r = if r > 0.5 { 1.0 - r } else { r };
    let value = sign * if r > 0.25 { libm::cos(PI * (0.5 - r)) } else { libm::sin(PI * r) };
    if x < 0.0 { -value } else { value }
}
