//! Convex polygons of an iris with blades: area, overlap, Fourier transform.
//!
//! Corners go anticlockwise, x to the right and y up.

use std::f64::consts::PI;

/// A corner: x, y.
pub type Corner = (f64, f64);

/// Corners of a regular polygon in the unit circle. `rotation_rad` 0 puts a corner to the right;
/// fewer than 3 `blades` count as 3.
pub fn regular(blades: u32, rotation_rad: f64) -> Vec<Corner> {
    let blades = blades.max(3);
    let step = 2.0 * PI / f64::from(blades);
    (0..blades)
        .map(|j| {
            let angle = rotation_rad + step * f64::from(j);
            (libm::cos(angle), libm::sin(angle))
        })
        .collect()
}

/// Corner after corner with the one that follows it.
fn edges(corners: &[Corner]) -> impl Iterator<Item = (Corner, Corner)> + '_ {
    corners.iter().copied().zip(corners.iter().copied().cycle().skip(1))
}

/// Area; 0 for fewer than three corners.
pub fn area(corners: &[Corner]) -> f64 {
    0.5 * edges(corners).fold(0.0, |sum, ((x0, y0), (x1, y1))| sum + (x0 * y1 - x1 * y0))
}

/// True when a point lies inside a convex polygon or on its edge.
pub fn contains(corners: &[Corner], x: f64, y: f64) -> bool {
    corners.len() >= 3
        && edges(corners)
            .all(|((x0, y0), (x1, y1))| (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) >= 0.0)
}

/// The overlap of two convex polygons; empty when they do not meet.
///
/// I. E. Sutherland, G. W. Hodgman, "Reentrant polygon clipping", Comm. ACM 17, 32–42 (1974).
pub fn overlap(one: &[Corner], other: &[Corner]) -> Vec<Corner> {
    let mut kept = one.to_vec();
    for ((ax, ay), (bx, by)) in edges(other) {
        let side = |(x, y): Corner| (bx - ax) * (y - ay) - (by - ay) * (x - ax);
        let mut next = Vec::with_capacity(kept.len() + 1);
        for (from, to) in edges(&kept) {
            let (s, t) = (side(from), side(to));
            if s >= 0.0 {
                next.push(from);
            }
            if (s > 0.0 && t < 0.0) || (s < 0.0 && t > 0.0) {
                let part = s / (s - t);
                next.push((from.0 + part * (to.0 - from.0), from.1 + part * (to.1 - from.1)));
            }
        }
        kept = next;
    }
    kept
}

/// ∫ exp(−i·k·r) d²r over a polygon: (real, imaginary), `kx` and `ky` in radians per unit length.
///
/// From the divergence theorem, (i/k²)·Σ (k × e)·sinc(k·e/2π)·exp(−i·k·m) over edges e with midpoint
/// m; an edge across k is no special case in this form. Since Σ k × e = 0, one may be taken from
/// every exponential; written so that nothing cancels near k = 0. Error below 1e-12 of the area.
pub fn transform(corners: &[Corner], kx: f64, ky: f64) -> (f64, f64) {
    let k2 = kx * kx + ky * ky;
    if k2 < f64::MIN_POSITIVE {
        return (area(corners), 0.0);
    }
    let (mut re, mut im) = (0.0, 0.0);
    for ((x0, y0), (x1, y1)) in edges(corners) {
        let cross = kx * (y1 - y0) - ky * (x1 - x0);
        let less = sinc_less_one(0.5 * (kx * (x1 - x0) + ky * (y1 - y0)));
        let phase = 0.5 * (kx * (x0 + x1) + ky * (y0 + y1));
        let half = libm::sin(0.5 * phase);
        // i·(sinc·exp(−i·phase) − 1)
        re += cross * (1.0 + less) * libm::sin(phase);
        im += cross * (less - 2.0 * half * half * (1.0 + less));
    }
    (re / k2, im / k2)
}

/// sin(t)/t − 1 without cancellation.
fn sinc_less_one(t: f64) -> f64 {
    let t2 = t * t;
    if t2 < 0.25 {
        // Taylor series; the first term left out is t¹²/13! < 4e-14·t²/6.
        -t2 / 6.0 * (1.0 - t2 / 20.0 * (1.0 - t2 / 42.0 * (1.0 - t2 / 72.0 * (1.0 - t2 / 110.0))))
    } else {
        libm::sin(t) / t - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn area_of_a_regular_polygon() {
        for blades in [3, 5, 8, 20] {
            let n = f64::from(blades);
            let expected = 0.5 * n * libm::sin(2.0 * PI / n);
            assert!((area(&regular(blades, 0.3)) - expected).abs() < 1e-14);
        }
    }

    #[test]
    fn overlap_of_two_squares() {
        let square = regular(4, PI / 4.0);
        let side = 2.0_f64.sqrt();
        let moved: Vec<_> = square.iter().map(|&(x, y)| (x + 0.5, y - 0.25)).collect();
        let both = overlap(&square, &moved);
        assert!((area(&both) - (side - 0.5) * (side - 0.25)).abs() < 1e-14);
        let far: Vec<_> = square.iter().map(|&(x, y)| (x + 3.0, y)).collect();
        assert!(overlap(&square, &far).is_empty());
        assert_eq!(area(&overlap(&square, &far)), 0.0);
    }

    #[test]
    fn transform_of_a_square_is_a_product_of_sincs() {
        let square = regular(4, PI / 4.0);
        let half = 0.5_f64.sqrt();
        let one = |k: f64| if k == 0.0 { 1.0 } else { libm::sin(k * half) / (k * half) };
        // Along, across and between the edges; tiny, small and large.
        for (kx, ky) in [
            (0.0, 0.0),
            (1e-170, 0.0),
            (1e-9, 2e-9),
            (3e-4, 0.0),
            (0.0, 1.7),
            (2.0, -3.0),
            (60.0, 45.5),
        ] {
            let (re, im) = transform(&square, kx, ky);
            let expected = 2.0 * one(kx) * one(ky);
            assert!((re - expected).abs() < 1e-13 && im.abs() < 1e-13, "{kx} {ky}: {re} {im}");
        }
    }

    #[test]
    fn transform_of_a_moved_triangle_near_zero_shows_its_centre() {
        // To first order in k: area·(1 − i·k·centre).
        let triangle = [(1.0, 2.0), (3.0, 2.0), (2.0, 5.0)];
        let (re, im) = transform(&triangle, 1e-7, 2e-7);
        assert!((re - 3.0).abs() < 1e-11, "{re}");
        assert!((im / -(3.0 * (1e-7 * 2.0 + 2e-7 * 3.0)) - 1.0).abs() < 1e-9, "{im}");
    }
}
