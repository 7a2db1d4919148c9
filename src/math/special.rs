//! Special functions in f64, portable to the last bit (libm).

use std::f64::consts::PI;

/// sin(πx)/(πx), with the value 1 at zero.
pub fn sinc(x: f64) -> f64 {
    let t = PI * x;
    if t.abs() < 1e-4 { 1.0 - t * t / 6.0 } else { sin_pi(x) / t }
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

/// The nearest whole number, halves to the even one; `x` of less than 2⁵¹ either way.
#[inline]
pub fn nearest(x: f64) -> f64 {
    /// 1.5·2⁵²: above it only whole numbers are left.
    const WHOLE: f64 = 6_755_399_441_055_744.0;
    (x + WHOLE) - WHOLE
}

/// cos(2πx) and sin(2πx), exact where x is a multiple of a quarter.
#[inline]
pub fn turn(x: f64) -> (f64, f64) {
    // Beyond this a number has no fraction worth a turn; what is left of it is exact.
    let x = if x.abs() < 1e14 { x } else { x % 1.0 };
    let quarters = x * 4.0;
    let whole = nearest(quarters);
    // At most an eighth of a turn either way, where the series below end under 2⁻⁵⁴.
    let t = (quarters - whole) * (PI / 2.0);
    let z = t * t;
    let z2 = z * z;
    let z4 = z2 * z2;
    let low = (-1.0 / 6.0 + z / 120.0) + z2 * (-1.0 / 5040.0 + z / 362_880.0);
    let high = (-1.0 / 39_916_800.0 + z / 6_227_020_800.0) - z2 / 1_307_674_368_000.0;
    let sine = t + t * z * (low + z4 * high);
    let low = (1.0 / 24.0 - z / 720.0) + z2 * (1.0 / 40_320.0 - z / 3_628_800.0);
    let high = (1.0 / 479_001_600.0 - z / 87_178_291_200.0) + z2 / 20_922_789_888_000.0;
    let cosine = 1.0 - (z / 2.0 - z2 * (low + z4 * high));
    match (whole as i64) & 3 {
        0 => (cosine, sine),
        1 => (-sine, cosine),
        2 => (-cosine, -sine),
        _ => (sine, -cosine),
    }
}

/// cos(πx), exactly 0 at half-integers and ±1 at integers.
#[inline]
pub fn cos_pi(x: f64) -> f64 {
    turn(0.5 * x).0
}

/// sin(πx), exactly 0 at integers and ±1 at half-integers.
#[inline]
pub fn sin_pi(x: f64) -> f64 {
    turn(0.5 * x).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_are_those_of_the_library() {
        let mut x = -9.7;
        while x < 9.7 {
            let (c, s) = turn(x);
            // The library's argument is rounded: that much is its own.
            let bound = 3e-16 * (1.0 + 2.0 * PI * x.abs());
            assert!((c - libm::cos(2.0 * PI * x)).abs() < bound, "{x}");
            assert!((s - libm::sin(2.0 * PI * x)).abs() < bound, "{x}");
            assert!((c * c + s * s - 1.0).abs() < 5e-16, "{x}");
            x += 0.001_37;
        }
        for whole in [0.0, 1.0, -3.0, 1e9, 4e15, 1e300] {
            assert_eq!(turn(whole), (1.0, 0.0), "{whole}");
        }
        assert_eq!(turn(0.25), (0.0, 1.0));
        assert_eq!(turn(-0.5), (-1.0, 0.0));
        assert_eq!(turn(1e6 + 0.75), (0.0, -1.0));
        assert!(turn(f64::NAN).0.is_nan() && turn(f64::INFINITY).1.is_nan());
    }

    #[test]
    fn halves_go_to_the_even_number() {
        for (x, whole) in [(0.5, 0.0), (1.5, 2.0), (-0.5, 0.0), (-2.6, -3.0), (1e12 + 0.4, 1e12)] {
            assert_eq!(nearest(x), whole);
        }
    }
}
