//! Where a photosite looks: exact perspective from the sensor to the plane of the wall, and its
//! derivative.

use super::{Lens, Pose};
use glam::{DMat2, DVec2, DVec3};

/// The photosite grid as the optics need it: size and distance, nothing electronic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorGrid {
    /// Photosites across the full sensor.
    pub columns: u32,
    /// Photosites down the full sensor.
    pub rows: u32,
    /// Distance between photosite centres, metres.
    pub photosite_m: f64,
}

/// The lattice of wall pixels as the optics need it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WallGrid {
    /// Pixels across.
    pub columns: u32,
    /// Pixels down.
    pub rows: u32,
    /// Distance between pixel centres, metres.
    pub pitch_m: f64,
}

/// Below this cosine (about 87°) between a ray and the wall's normal the wall is treated as unseen.
pub const GRAZING_COSINE: f64 = 0.05;

/// Exact perspective between sensor and wall.
///
/// Sensor points are in photosites from the top left corner of the full sensor (photosite (0, 0)
/// has its centre at (0.5, 0.5)), wall points in wall pixels from the wall's top left corner (pixel
/// (0, 0) has its centre at (0.5, 0.5)); both run right and down.
#[derive(Debug, Clone, Copy)]
pub struct Projection {
    pose: Pose,
    sensor: SensorGrid,
    wall: WallGrid,
    image_m: f64,
    distortion: f64,
    squeeze: f64,
    corner2: f64,
}

/// What one sensor point sees of the wall's plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sight {
    /// Point of the wall, wall pixels.
    pub wall: DVec2,
    /// Axial depth of that point from the lens, metres.
    pub depth_m: f64,
    /// Cosine between the ray and the wall's normal.
    pub cos_wall: f64,
    /// Cosine between the ray and the lens axis, behind an anamorphic attachment.
    pub cos_axis: f64,
}

impl Projection {
    /// Projection of a lens in a place.
    pub fn new(lens: &Lens, pose: &Pose, sensor: SensorGrid, wall: WallGrid) -> Self {
        let (w, h) = (f64::from(sensor.columns), f64::from(sensor.rows));
        Self {
            pose: *pose,
            sensor,
            wall,
            image_m: lens.image_m(),
            distortion: lens.distortion,
            squeeze: lens.squeeze,
            corner2: (w * w + h * h) / 4.0,
        }
    }

    /// Undistorted offset from the axis, photosites (right, down), of a sensor point.
    fn undistorted(&self, point: DVec2) -> DVec2 {
        let centre = DVec2::new(f64::from(self.sensor.columns), f64::from(self.sensor.rows)) / 2.0;
        let d = point - centre;
        if self.distortion == 0.0 {
            return d;
        }
        d / (1.0 + self.distortion * d.length_squared() / self.corner2)
    }

    /// Sensor point of an undistorted offset from the axis: the inverse of the division model.
    fn distorted(&self, offset: DVec2) -> DVec2 {
        let centre = DVec2::new(f64::from(self.sensor.columns), f64::from(self.sensor.rows)) / 2.0;
        let k = self.distortion / self.corner2;
        let r2 = offset.length_squared();
        if k == 0.0 || r2 == 0.0 {
            return centre + offset;
        }
        let root = (1.0 - 4.0 * k * r2).max(0.0).sqrt();
        centre + offset * (2.0 / (1.0 + root))
    }

    /// World direction, in front of the lens, of an undistorted offset; its length along the axis is the image distance.
    fn direction(&self, offset: DVec2) -> DVec3 {
        let p = self.sensor.photosite_m;
        self.pose.turn * DVec3::new(offset.x * p * self.squeeze, -offset.y * p, -self.image_m)
    }

    /// What a sensor point sees; `None` if its ray misses the wall's plane, meets its back, or
    /// grazes it ([`GRAZING_COSINE`]).
    pub fn sight(&self, point: DVec2) -> Option<Sight> {
        let offset = self.undistorted(point);
        let d = self.direction(offset);
        let lens = self.pose.lens_m;
        if lens.z <= 0.0 || d.z >= 0.0 {
            return None;
        }
        let length = d.length();
        let cos_wall = -d.z / length;
        if cos_wall < GRAZING_COSINE {
            return None;
        }
        let t = -lens.z / d.z;
        let pitch = self.wall.pitch_m;
        Some(Sight {
            wall: DVec2::new(
                (lens.x + t * d.x) / pitch + f64::from(self.wall.columns) / 2.0,
                f64::from(self.wall.rows) / 2.0 - (lens.y + t * d.y) / pitch,
            ),
            depth_m: t * self.image_m,
            cos_wall,
            cos_axis: if self.squeeze == 1.0 {
                self.image_m / length
            } else {
                let off_m2 =
                    offset.length_squared() * self.sensor.photosite_m * self.sensor.photosite_m;
                self.image_m / (self.image_m * self.image_m + off_m2).sqrt()
            },
        })
    }

    /// Wall points that the photosites of row `y` see from column `x0` on: as [`Self::sight`] for each
    /// photosite's centre, not a number where that is `None`.
    pub fn row(&self, x0: u32, y: u32, u: &mut [f64], v: &mut [f64]) {
        self.line((f64::from(x0) + 0.5, f64::from(y) + 0.5), 1.0, u, v);
    }

    /// The same for points from a place on the sensor on to the right, `step` photosites apart; they may lie beside the sensor.
    pub fn line(&self, (x, y): (f64, f64), step: f64, u: &mut [f64], v: &mut [f64]) {
        let (p, pitch, lens) = (self.sensor.photosite_m, self.wall.pitch_m, self.pose.lens_m);
        let right = self.pose.turn.x_axis * (p * self.squeeze);
        let down = -self.pose.turn.y_axis * p;
        let ahead = -self.pose.turn.z_axis * self.image_m;
        let k = self.distortion / self.corner2;
        let dy = y - f64::from(self.sensor.rows) / 2.0;
        let first = x - f64::from(self.sensor.columns) / 2.0;
        let (half_u, half_v) =
            (f64::from(self.wall.columns) / 2.0, f64::from(self.wall.rows) / 2.0);
        let in_front = lens.z > 0.0;
        let (lx, ly, lz) = (lens.x / pitch, lens.y / pitch, lens.z / pitch);
        for (i, (u, v)) in u.iter_mut().zip(v).enumerate() {
            let dx = first + step * i as f64;
            let s = 1.0 / (1.0 + k * (dx * dx + dy * dy));
            let d = ahead + right * (dx * s) + down * (dy * s);
            let seen = in_front
                & (d.z < 0.0)
                & (d.z * d.z >= GRAZING_COSINE * GRAZING_COSINE * d.length_squared());
            let t = -lz / d.z;
            *u = if seen { lx + t * d.x + half_u } else { f64::NAN };
            *v = if seen { half_v - (ly + t * d.y) } else { f64::NAN };
        }
    }

    /// Derivatives of the wall point (wall pixels) by the sensor point (photosites): through the
    /// whole lens, and without the distortion, which is what a shift inside the pupil sees.
    ///
    /// Valid where [`Self::sight`] is `Some`.
    pub fn derivatives(&self, point: DVec2) -> (DMat2, DMat2) {
        let o = self.undistorted(point);
        let d = self.direction(o);
        let t = -self.pose.lens_m.z / d.z;
        let (p, pitch) = (self.sensor.photosite_m, self.wall.pitch_m);
        let column = |axis: DVec3| {
            let dd = self.pose.turn * axis * p;
            let dx = (dd - d * (dd.z / d.z)) * t;
            DVec2::new(dx.x / pitch, -dx.y / pitch)
        };
        let plain = DMat2::from_cols(column(DVec3::X * self.squeeze), column(-DVec3::Y));
        if self.distortion == 0.0 {
            return (plain, plain);
        }
        let centre = DVec2::new(f64::from(self.sensor.columns), f64::from(self.sensor.rows)) / 2.0;
        let r = point - centre;
        let k = self.distortion / self.corner2;
        let s = 1.0 / (1.0 + k * r.length_squared());
        let radial = DMat2::from_cols(r * r.x, r * r.y) * (-2.0 * k * s * s);
        let undistort = DMat2::from_diagonal(DVec2::splat(s)) + radial;
        (plain * undistort, plain)
    }

    /// How the blur of a wall that stands askew grows across the pupil: a ray through the pupil point −q (unit circle,
    /// right and down) meets the wall off the middle ray by M·q/(1 + b·q), exactly, where M·q is the shift that a wall
    /// square to the axis would see; this is b, right and down. Across, the pupil is the squeeze narrower.
    ///
    /// With the lens at L, the point in focus at Q and a pupil point at P, the ray meets z = 0 in
    /// (P_z·Q − Q_z·P)/(P_z − Q_z), a projective map of the pupil. `pupil_m` is the pupil's diameter, `focus_m` the
    /// distance in focus from the lens. Valid where [`Self::sight`] is `Some`.
    pub fn skew(&self, point: DVec2, pupil_m: f64, focus_m: f64) -> DVec2 {
        let d = self.direction(self.undistorted(point));
        let nearer_m = -d.z * focus_m / self.image_m;
        let turn = self.pose.turn;
        DVec2::new(-turn.x_axis.z / self.squeeze, turn.y_axis.z) * (pupil_m / (2.0 * nearer_m))
    }

    /// Axial depth of a point of the wall (wall pixels) from the lens, metres; not above 0 behind it.
    pub fn depth_m(&self, wall: DVec2) -> f64 {
        -self.off_lens_m(wall).z
    }

    /// Where a share of the wall, right and down from its top left corner, lands on the sensor; `None` behind the lens.
    pub fn seen_at(&self, share: DVec2) -> Option<DVec2> {
        self.project(share * DVec2::new(f64::from(self.wall.columns), f64::from(self.wall.rows)))
    }

    /// A point of the wall (wall pixels) in camera axes.
    fn off_lens_m(&self, wall: DVec2) -> DVec3 {
        let pitch = self.wall.pitch_m;
        let x = DVec3::new(
            (wall.x - f64::from(self.wall.columns) / 2.0) * pitch,
            (f64::from(self.wall.rows) / 2.0 - wall.y) * pitch,
            0.0,
        );
        self.pose.turn.transpose() * (x - self.pose.lens_m)
    }

    /// Where a point of the wall (wall pixels) lands on the sensor (photosites); `None` behind the lens.
    pub fn project(&self, wall: DVec2) -> Option<DVec2> {
        let c = self.off_lens_m(wall);
        if c.z >= 0.0 {
            return None;
        }
        let scale = self.image_m / -c.z / self.sensor.photosite_m;
        Some(self.distorted(DVec2::new(c.x * scale / self.squeeze, -c.y * scale)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::Diffraction;
    use glam::DMat3;

    fn example(distortion: f64) -> Projection {
        let lens = Lens {
            focal_m: 0.035,
            focus_m: 3.0,
            distortion,
            vignetting: false,
            diffraction: Diffraction::Off,
            ..Lens::plain()
        };
        let turn = DMat3::from_rotation_y(0.3)
            * DMat3::from_rotation_x(-0.1)
            * DMat3::from_rotation_z(0.07);
        let pose = Pose { lens_m: DVec3::new(0.4, -0.2, 4.0), turn };
        let sensor = SensorGrid { columns: 1920, rows: 1080, photosite_m: 6e-6 };
        let wall = WallGrid { columns: 1600, rows: 900, pitch_m: 0.0026 };
        Projection::new(&lens, &pose, sensor, wall)
    }

    #[test]
    fn projecting_what_a_point_sees_gives_the_point_back() {
        for distortion in [0.0, -0.05, 0.04] {
            let p = example(distortion);
            for point in
                [DVec2::new(3.5, 1000.25), DVec2::new(960.0, 540.0), DVec2::new(1900.0, 2.0)]
            {
                let seen = p.sight(point).expect("in view");
                let back = p.project(seen.wall).expect("in front");
                assert!((back - point).length() < 1e-8, "{point} came back as {back}");
            }
        }
    }

    #[test]
    fn a_row_sees_what_its_photosites_see() {
        for distortion in [0.0, -0.05, 0.04] {
            let p = example(distortion);
            let (mut u, mut v) = (vec![0.0; 300], vec![0.0; 300]);
            p.row(1500, 77, &mut u, &mut v);
            for i in 0..300 {
                let one = p.sight(DVec2::new(1500.5 + i as f64, 77.5)).expect("in view").wall;
                assert!((one - DVec2::new(u[i], v[i])).length() < 1e-8, "{one} {} {}", u[i], v[i]);
            }
        }
    }

    #[test]
    fn derivatives_match_differences() {
        for distortion in [0.0, -0.05, 0.04] {
            let p = example(distortion);
            let point = DVec2::new(1500.0, 300.0);
            let (whole, _) = p.derivatives(point);
            let h = 1e-4;
            let at = |d: DVec2| p.sight(point + d).expect("in view").wall;
            let dx = (at(DVec2::new(h, 0.0)) - at(DVec2::new(-h, 0.0))) / (2.0 * h);
            let dy = (at(DVec2::new(0.0, h)) - at(DVec2::new(0.0, -h))) / (2.0 * h);
            assert!((whole.x_axis - dx).length() < 1e-6, "{} {dx}", whole.x_axis);
            assert!((whole.y_axis - dy).length() < 1e-6, "{} {dy}", whole.y_axis);
        }
    }

    #[test]
    fn rays_through_the_pupil_meet_the_wall_where_the_skew_says() {
        // Rays traced one by one: through a pupil point and the point in focus, on to z = 0.
        let (pupil_m, focus_m) = (0.0125, 3.0);
        let p = example(-0.04);
        for point in [DVec2::new(1500.0, 300.0), DVec2::new(200.0, 900.0)] {
            let sight = p.sight(point).expect("in view");
            let (_, plain) = p.derivatives(point);
            let disc = pupil_m * p.image_m / focus_m * (1.0 - focus_m / sight.depth_m)
                / p.sensor.photosite_m;
            let b = p.skew(point, pupil_m, focus_m);
            assert!(b.length() > 1e-4);
            let ahead = p.direction(p.undistorted(point)) * (focus_m / p.image_m);
            for q in [DVec2::X, DVec2::Y, -DVec2::X, DVec2::new(0.6, -0.5)] {
                let side = DVec3::new(-q.x, q.y, 0.0) * pupil_m / 2.0;
                let from = p.pose.lens_m + p.pose.turn * side;
                let to = p.pose.lens_m + ahead;
                let x = from + (to - from) * (from.z / (from.z - to.z));
                let pitch = p.wall.pitch_m;
                let met = DVec2::new(x.x / pitch + 800.0, 450.0 - x.y / pitch);
                let shift = plain * q * (disc / 2.0) / (1.0 + b.dot(q));
                assert!((met - sight.wall - shift).length() < 1e-9, "{met} {shift}");
            }
        }
    }

    #[test]
    fn barrel_pulls_the_corner_inwards_by_its_share() {
        let (barrel, none) = (example(-0.05), example(0.0));
        let corner = DVec2::new(1920.0, 1080.0);
        let centre = corner / 2.0;
        // The point that lands in the distorted corner lay further out: by 1/(1 − 0.05).
        let seen = barrel.sight(corner).expect("in view");
        let straight = none.project(seen.wall).expect("in front");
        let ratio = (corner - centre).length() / (straight - centre).length();
        assert!((ratio - 0.95).abs() < 1e-9, "{ratio}");
    }
}
