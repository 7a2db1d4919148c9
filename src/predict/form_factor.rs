//! Light that a flat rectangle throws on a small surface.

use crate::math::quadrature::gauss_legendre;
use glam::{DVec2, DVec3};

/// A flat rectangle that gives light to its front.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rectangle {
    /// Its middle, metres.
    pub centre_m: DVec3,
    /// Unit vector along its width.
    pub right: DVec3,
    /// Unit vector along its height.
    pub up: DVec3,
    /// Unit vector to its front: right × up.
    pub front: DVec3,
    /// Width and height, metres.
    pub size_m: DVec2,
}

/// Closest to a rectangle's plane that a place is taken to be, as a share of its size.
const CLOSEST: f64 = 1e-6;

impl Rectangle {
    fn corners(&self) -> [DVec3; 4] {
        let (x, y) = (self.right * (self.size_m.x / 2.0), self.up * (self.size_m.y / 2.0));
        // Anticlockwise seen from its front.
        [-x - y, x - y, x + y, -x + y].map(|c| self.centre_m + c)
    }

    /// How far a place stands before its plane, metres; never nearer than a hair. `None` behind it.
    fn before_m(&self, place_m: DVec3) -> Option<f64> {
        let before = self.front.dot(place_m - self.centre_m);
        let hair = CLOSEST * self.size_m.max_element();
        (before >= 0.0).then(|| before.max(hair))
    }

    /// Illuminance for luminance 1 that is the same from every side, of a surface at `place_m` that faces `facing` (a unit
    /// vector): π times the form factor, steradians times cosine.
    ///
    /// Exact, of the part above the surface's horizon: ½·Σ θᵢ·(nᵢ·facing) over the edges, θᵢ the angle that an edge spans and nᵢ the unit
    /// normal of the plane through it and the place. J. H. Lambert, *Photometria*, 1760; D. R. Baum, H. E. Rushmeier, J. M. Winget,
    /// SIGGRAPH 1989, equation 5.
    pub fn even(&self, place_m: DVec3, facing: DVec3) -> f64 {
        let Some(before_m) = self.before_m(place_m) else { return 0.0 };
        let flat = self.front.dot(place_m - self.centre_m);
        let lift = self.front * (before_m - flat);
        let corners = above(self.corners().map(|c| c - place_m - lift), facing);
        let mut sum = 0.0;
        for (i, a) in corners.iter().enumerate() {
            let b = corners[(i + 1) % corners.len()];
            let across = a.cross(b);
            let size = across.length();
            if size > 0.0 {
                let angle = libm::atan2(size, a.dot(b));
                sum += angle * across.dot(facing) / size;
            }
        }
        // Seen from its front the outline runs the other way round than seen from the place's back.
        (-sum / 2.0).max(0.0)
    }

    /// The same for luminance that falls with cos(angle to the front)^`falloff`, `falloff` 0 or more.
    ///
    /// In angles (x = d·tan a across, then y = d·tan b/cos a upright) light is cos^(k+1)·cos(facing)/cos a, which is smooth and bounded; 16 Gauss
    /// nodes on each of 4 panels an axis. Good to 1e-8 of itself where the whole rectangle lies above the horizon, to 1e-3 where
    /// the horizon cuts it.
    pub fn falling(&self, place_m: DVec3, facing: DVec3, falloff: f64) -> f64 {
        if falloff == 0.0 {
            return self.even(place_m, facing);
        }
        let Some(d) = self.before_m(place_m) else { return 0.0 };
        let off = self.centre_m - place_m;
        let (x, y) = (off.dot(self.right), off.dot(self.up));
        let half = self.size_m / 2.0;
        let across = [libm::atan((x - half.x) / d), libm::atan((x + half.x) / d)];
        let facing =
            DVec3::new(facing.dot(self.right), facing.dot(self.up), -facing.dot(self.front));
        gauss_legendre(across[0], across[1], 4, |a| {
            let (sin_a, cos_a) = (libm::sin(a), libm::cos(a));
            let far = d / cos_a;
            let upright = [libm::atan((y - half.y) / far), libm::atan((y + half.y) / far)];
            gauss_legendre(upright[0], upright[1], 4, |b| {
                let (sin_b, cos_b) = (libm::sin(b), libm::cos(b));
                let way = DVec3::new(sin_a * cos_b, sin_b, cos_a * cos_b);
                let seen = facing.dot(way).max(0.0);
                libm::pow(way.z, falloff + 1.0) * seen / cos_a
            })
        })
    }
}

/// The part of a polygon, seen from the origin, that lies above the horizon of a surface that faces `facing`.
fn above(corners: [DVec3; 4], facing: DVec3) -> Vec<DVec3> {
    let mut kept = Vec::with_capacity(6);
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % 4];
        let (high_a, high_b) = (a.dot(facing), b.dot(facing));
        if high_a >= 0.0 {
            kept.push(*a);
        }
        if (high_a > 0.0 && high_b < 0.0) || (high_a < 0.0 && high_b > 0.0) {
            kept.push(*a + (b - *a) * (high_a / (high_a - high_b)));
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn wall(width: f64, height: f64) -> Rectangle {
        Rectangle {
            centre_m: DVec3::new(0.3, -0.2, 0.1),
            right: DVec3::X,
            up: DVec3::Y,
            front: DVec3::Z,
            size_m: DVec2::new(width, height),
        }
    }

    /// By small squares.
    fn summed(r: &Rectangle, place: DVec3, facing: DVec3, falloff: f64) -> f64 {
        let n = 500;
        let area = r.size_m.x * r.size_m.y / f64::from(n * n);
        let mut sum = 0.0;
        for j in 0..n {
            for i in 0..n {
                let share = |i: i32| (f64::from(i) + 0.5) / f64::from(n) - 0.5;
                let at =
                    r.centre_m + r.right * (r.size_m.x * share(i)) + r.up * (r.size_m.y * share(j));
                let way = at - place;
                let far2 = way.length_squared();
                let leaving = -way.dot(r.front) / far2.sqrt();
                let arriving = (way.dot(facing) / far2.sqrt()).max(0.0);
                sum += libm::pow(leaving, falloff + 1.0) * arriving / far2 * area;
            }
        }
        sum
    }

    #[test]
    fn opposite_a_corner_it_is_the_closed_form() {
        // Small surface parallel to a rectangle a × b, opposite its corner, d away:
        // F = 1/(2π)·[X/√(1+X²)·atan(Y/√(1+X²)) + Y/√(1+Y²)·atan(X/√(1+Y²))], X = a/d, Y = b/d. Textbook of radiative heat transfer.
        for (a, b, d) in [(1.0, 1.0, 1.0), (6.0, 3.0, 2.0), (0.2, 5.0, 0.7), (300.0, 0.1, 4.0)] {
            let r = wall(a, b);
            let place = r.centre_m + DVec3::new(a / 2.0, b / 2.0, d);
            let (x, y) = (a / d, b / d);
            let (p, q) = ((1.0_f64 + x * x).sqrt(), (1.0_f64 + y * y).sqrt());
            let factor = (x / p * libm::atan(y / p) + y / q * libm::atan(x / q)) / (2.0 * PI);
            let found = r.even(place, DVec3::NEG_Z) / PI;
            assert!((found / factor - 1.0).abs() < 1e-12, "{a} {b} {d}: {found} {factor}");
        }
    }

    #[test]
    fn brute_force_sums_agree() {
        let r = wall(4.0, 2.5);
        let tilted = DVec3::new(0.5, 0.3, -0.7).normalize();
        for (place, facing) in [
            (DVec3::new(0.5, 0.4, 2.0), DVec3::NEG_Z),
            (DVec3::new(-3.0, 1.0, 1.2), tilted),
            (DVec3::new(0.5, 0.0, 1.5), DVec3::X),
            (DVec3::new(4.0, 0.0, 3.0), DVec3::new(-0.2, 0.1, 0.97).normalize()),
        ] {
            for falloff in [0.0, 0.4, 2.0] {
                let sum = summed(&r, place, facing, falloff);
                let found = r.falling(place, facing, falloff);
                assert!(
                    (found - sum).abs() < 1e-5 + 1e-3 * sum,
                    "{place} {facing} {falloff}: {found} {sum}"
                );
            }
        }
    }

    #[test]
    fn falloff_of_nothing_is_none_and_quadrature_is_the_polygon() {
        let r = wall(4.0, 2.5);
        for z in [0.05, 0.3, 2.0, 50.0] {
            let place = DVec3::new(0.5, 0.4, 0.1 + z);
            let (exact, near) =
                (r.even(place, DVec3::NEG_Z), r.falling(place, DVec3::NEG_Z, 1e-13));
            assert!((near / exact - 1.0).abs() < 1e-8, "{z}: {near} {exact}");
        }
    }

    #[test]
    fn far_away_it_is_a_point_and_close_by_it_is_all_there_is() {
        let r = wall(4.0, 2.5);
        for falloff in [0.0, 1.0] {
            let far = r.centre_m + DVec3::new(0.0, 0.0, 1000.0);
            let found = r.falling(far, DVec3::NEG_Z, falloff);
            assert!((found * 1e6 / 10.0 - 1.0).abs() < 1e-5, "{found}");
        }
        // An endless wall: π; with cos^k ∫cos^(k+1)·sin·2π = 2π/(k + 2).
        let endless = wall(1e6, 1e6);
        assert!((endless.even(DVec3::Z, DVec3::NEG_Z) / PI - 1.0).abs() < 1e-5);
        let found = endless.falling(DVec3::Z, DVec3::NEG_Z, 1.0);
        assert!((found / (2.0 * PI / 3.0) - 1.0).abs() < 1e-5, "{found}");
        // Side on to it: half of the sky, π/2.
        assert!((endless.even(DVec3::Z, DVec3::X) / (PI / 2.0) - 1.0).abs() < 1e-5);
        // On the wall itself, away from its edges.
        assert!((r.even(r.centre_m, DVec3::NEG_Z) / PI - 1.0).abs() < 1e-5);
        // Behind it, or with its back to it: nothing.
        assert_eq!(r.even(r.centre_m - DVec3::Z, DVec3::Z), 0.0);
        assert_eq!(r.even(r.centre_m + DVec3::Z, DVec3::Z), 0.0);
        assert_eq!(r.falling(r.centre_m - DVec3::Z, DVec3::Z, 1.0), 0.0);
    }
}
