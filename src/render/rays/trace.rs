//! One ray: from a point of the sensor through a point of the pupil to the wall, and what it meets.

use crate::scene::Scene;
use crate::wall::{EmitterShape, Face, Wall};
use glam::{DMat3, DVec2, DVec3};

/// A ray from the pupil, in the world.
pub struct Ray {
    start_m: DVec3,
    along: DVec3,
    /// Where it leaves the pupil and where it meets the plane in focus, in camera axes.
    from: DVec3,
    to: DVec3,
}

impl Ray {
    /// Where it is at a depth before the lens: right and up of the axis, metres.
    pub fn at_depth(&self, depth_m: f64) -> DVec2 {
        let share = depth_m / -self.to.z;
        self.from.truncate() + (self.to - self.from).truncate() * share
    }
}

/// A flat part of the wall: where it stands.
pub struct Plane {
    centre_m: DVec3,
    right: DVec3,
    up: DVec3,
    normal: DVec3,
}

impl Plane {
    /// The plane of a face.
    pub fn new(face: &Face) -> Self {
        let axes = face.axes;
        Self { centre_m: face.centre_m, right: axes.x_axis, up: axes.y_axis, normal: axes.z_axis }
    }

    /// Where a ray meets it from the front, if it does.
    pub fn hit(&self, ray: &Ray) -> Option<Hit> {
        let start = ray.start_m - self.centre_m;
        let (height, slope) = (start.dot(self.normal), ray.along.dot(self.normal));
        if height <= 0.0 || slope >= 0.0 {
            return None; // behind the wall, or looking away from it
        }
        let met = start + ray.along * (height / -slope);
        Some(Hit {
            point: DVec2::new(met.dot(self.right), met.dot(self.up)),
            cos: -slope / ray.along.length(),
        })
    }
}

/// Where a ray meets a face of the wall, from the front.
pub struct Hit {
    /// Point on the face: right and up of its middle, metres.
    pub point: DVec2,
    /// Cosine of the angle between the ray and the face's normal.
    pub cos: f64,
}

/// The camera as rays see it.
pub struct Eye {
    half_diagonal_m: f64,
    distortion: f64,
    squeeze: f64,
    image_m: f64,
    focus_m: f64,
    lens_m: DVec3,
    turn: DMat3,
}

impl Eye {
    /// The camera of a scene.
    pub fn new(scene: &Scene) -> Self {
        let (camera, lens) = (&scene.camera, &scene.lens);
        let size = DVec2::new(f64::from(camera.columns), f64::from(camera.rows));
        Self {
            half_diagonal_m: 0.5 * size.length() * camera.photosite_m,
            distortion: lens.distortion,
            squeeze: lens.squeeze,
            image_m: lens.image_m(),
            focus_m: lens.focus_m,
            lens_m: scene.pose.lens_m,
            turn: scene.pose.turn,
        }
    }

    /// Takes the radial distortion away from a point of the (upright) picture on the sensor.
    ///
    /// Division model (Fitzgibbon 2001): r_u = r_d / (1 + k (r_d/r_corner)²); at the corner this is
    /// (r_d − r_u)/r_u = k, so k is the distortion that the lens states. `None` where the model ends.
    pub fn undistort(&self, point: DVec2) -> Option<DVec2> {
        if self.distortion == 0.0 {
            return Some(point);
        }
        let r = point.length() / self.half_diagonal_m;
        let divisor = 1.0 + self.distortion * r * r;
        (divisor > 0.0).then(|| point / divisor)
    }

    /// Cosine of the angle off the axis at which a point of the picture is seen.
    pub fn field_cos(&self, point: DVec2) -> f64 {
        match self.undistort(point) {
            Some(p) => self.image_m / (self.image_m * self.image_m + p.length_squared()).sqrt(),
            None => 0.0,
        }
    }

    /// The thin-lens ray of a point of the picture (metres from the sensor's centre, x right, y up)
    /// and a point of the pupil (metres): every ray of a sensor point runs through the one point of
    /// the plane in focus that the lens images onto it.
    pub fn ray(&self, sensor: DVec2, pupil: DVec2) -> Option<Ray> {
        let seen = self.undistort(sensor)?;
        // An anamorphic attachment takes in more across, through a pupil that looks narrower from there.
        let point = DVec2::new(seen.x * self.squeeze, seen.y) * (self.focus_m / self.image_m);
        let from = DVec3::new(pupil.x / self.squeeze, pupil.y, 0.0);
        let to = DVec3::new(point.x, point.y, -self.focus_m);
        let along = self.turn * (to - from);
        Some(Ray { start_m: self.lens_m + self.turn * from, along, from, to })
    }
}

/// One colour of a face of the wall as rays see it.
pub struct Target {
    shape: EmitterShape,
    offset_m: DVec2,
    pitch_m: f64,
    columns: i64,
    rows: i64,
    /// Pixels for each metre.
    per_m: f64,
    /// Half the emitter's size, pixels.
    half: DVec2,
    /// Cells on each side that an emitter may reach into.
    reach: (i64, i64),
}

impl Target {
    /// One colour of a face of columns and rows.
    pub fn new(wall: &Wall, [columns, rows]: [u32; 2], colour: usize) -> Self {
        let emitter = &wall.emitters[colour];
        let half_m = match emitter.shape {
            EmitterShape::Rectangle { width_m, height_m } => DVec2::new(width_m, height_m) * 0.5,
            EmitterShape::Disc { diameter_m } => DVec2::splat(diameter_m * 0.5),
            EmitterShape::Tent => DVec2::splat(wall.pitch_m),
        };
        let half = half_m / wall.pitch_m;
        // An emitter wider than the pitch reaches into its neighbours' cells.
        let cells = |half: f64| (half - 0.5 - 1e-9).ceil().clamp(0.0, 64.0) as i64;
        Self {
            shape: emitter.shape,
            offset_m: emitter.offset_m,
            pitch_m: wall.pitch_m,
            columns: i64::from(columns),
            rows: i64::from(rows),
            per_m: 1.0 / wall.pitch_m,
            half,
            reach: (cells(half.x), cells(half.y)),
        }
    }

    /// Light at a point of the face: the sum of `light(column, row)` of the wall pixels whose
    /// emitter of this colour covers it. A tent interpolates between the four pixels around it and
    /// ends at the wall's outline.
    pub fn light(&self, point: DVec2, mut light: impl FnMut(usize, usize) -> f64) -> f64 {
        // Lattice coordinates: pixel (i, j) of this colour has its centre at (i + ½, j + ½).
        let own = point - self.offset_m;
        let across = own.x * self.per_m + 0.5 * self.columns as f64;
        let down = 0.5 * self.rows as f64 - own.y * self.per_m;
        if !(across.abs() < 1e9 && down.abs() < 1e9) {
            return 0.0;
        }
        if self.shape == EmitterShape::Tent {
            return self.tent(point, across, down, light);
        }
        // Rounds towards zero: next to the outline that names a real neighbour, and the shape decides.
        let (column, row) = (across as i64, down as i64);
        let mut sum = 0.0;
        for j in (row - self.reach.1).max(0)..=(row + self.reach.1).min(self.rows - 1) {
            let y = down - j as f64 - 0.5;
            if y.abs() > self.half.y {
                continue;
            }
            for i in (column - self.reach.0).max(0)..=(column + self.reach.0).min(self.columns - 1)
            {
                let x = across - i as f64 - 0.5;
                let inside = match self.shape {
                    EmitterShape::Disc { .. } => x * x + y * y < self.half.x * self.half.x,
                    _ => {
                        // Half-open, so that neighbours without a gap meet every point once.
                        (-self.half.x..self.half.x).contains(&x)
                            && (-self.half.y..self.half.y).contains(&y)
                    }
                };
                if inside {
                    sum += light(i as usize, j as usize);
                }
            }
        }
        sum
    }

    fn tent(
        &self,
        point: DVec2,
        across: f64,
        down: f64,
        mut light: impl FnMut(usize, usize) -> f64,
    ) -> f64 {
        let half_width = 0.5 * self.columns as f64 * self.pitch_m;
        let half_height = 0.5 * self.rows as f64 * self.pitch_m;
        if point.x.abs() > half_width || point.y.abs() > half_height {
            return 0.0;
        }
        let (left, top) = ((across - 0.5).floor(), (down - 0.5).floor());
        let (right_part, low_part) = (across - 0.5 - left, down - 0.5 - top);
        let column = |i: f64| i.clamp(0.0, (self.columns - 1) as f64) as usize;
        let row = |j: f64| j.clamp(0.0, (self.rows - 1) as f64) as usize;
        let upper = light(column(left), row(top)) * (1.0 - right_part)
            + light(column(left + 1.0), row(top)) * right_part;
        let lower = light(column(left), row(top + 1.0)) * (1.0 - right_part)
            + light(column(left + 1.0), row(top + 1.0)) * right_part;
        upper * (1.0 - low_part) + lower * low_part
    }
}
