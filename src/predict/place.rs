//! Places of the picture and what they see of the wall.

use crate::optics::blur::Blur;
use crate::optics::projection::Projection;
use crate::optics::transfer::blur_disc_m;
use crate::optics::view::Local;
use crate::scene::{Scene, projection_of_face};
use crate::wall::Face;
use glam::{DMat3, DVec2, DVec3};

/// How far a set may be from its plan: shares and radians, of one sign each.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Off {
    /// Distance of the lens from the wall, as a share of it.
    pub distance: f64,
    /// Focal length, as a share.
    pub focal: f64,
    /// Turns about the camera's own axes: to the left, up, anticlockwise; radians.
    pub turn_rad: DVec3,
}

impl Off {
    /// The scene as it would then be. The focus keeps its distance.
    pub fn of(&self, scene: &Scene) -> Scene {
        let mut scene = scene.clone();
        if self.focal != 0.0 {
            scene.lens.focal_m *= 1.0 + self.focal;
        }
        if self.distance != 0.0 {
            // Away from where the axis meets the wall; from its plane where it misses it.
            let axis = -scene.pose.turn.z_axis;
            let lens_m = scene.pose.lens_m;
            scene.pose.lens_m = match scene.wall.met(lens_m, axis) {
                Some((far, _)) => lens_m - axis * (far * self.distance),
                None => lens_m + DVec3::Z * (lens_m.z * self.distance),
            };
        }
        let turn = self.turn_rad;
        if turn != DVec3::ZERO {
            scene.pose.turn *= DMat3::from_rotation_y(turn.x)
                * DMat3::from_rotation_x(turn.y)
                * DMat3::from_rotation_z(turn.z);
        }
        scene
    }
}

/// One place of the sensor and the piece of wall that it sees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Sensor point, photosites.
    pub point: DVec2,
    /// Point of the face, pixels of that face.
    pub wall: DVec2,
    /// Size and blur there.
    pub local: Local,
    /// Cosine between the line of sight and the face's normal.
    pub cos_wall: f64,
    /// Number of the face.
    pub face: usize,
}

impl Place {
    /// Blur disc, in pitches of the wall as the sensor sees them.
    pub fn disc_pitches(&self) -> f64 {
        self.local.disc.abs() * self.local.whole.determinant().abs().sqrt()
    }
}

/// The wall's faces before a lens.
pub struct Sights<'a> {
    scene: &'a Scene,
    faces: Vec<(Face, Projection)>,
    /// Every blur of the camera.
    pub blur: Blur,
}

impl<'a> Sights<'a> {
    /// Of a scene. Cabinets that are all turned alike turn the faces; those of different turns are looked at one by one, by whoever
    /// asks. Cabinets count as one even face of each facet: gaps and unlike cabinets shift the lattice's phase, not
    /// its fringes.
    pub fn new(scene: &'a Scene) -> Self {
        let turn = match super::cabinets::turns(scene)[..] {
            [turn] => turn,
            _ => 0,
        };
        let view = |face: Face| {
            let seen = projection_of_face(
                &scene.lens,
                &scene.pose,
                &scene.camera,
                &face,
                scene.wall.pitch_m,
            );
            (face, seen)
        };
        let faces: Vec<(Face, Projection)> =
            scene.wall.sheets().into_iter().map(|(face, _)| view(face.turned_by(turn))).collect();
        let camera = &scene.camera;
        let blur = Blur::for_few(
            &scene.lens,
            (scene.low_pass.as_ref(), scene.front_low_pass.as_ref()),
            camera.photosite_m,
            camera.fill_factor,
        );
        Self { scene, faces, blur }
    }

    /// The face of a number.
    pub fn face(&self, number: usize) -> &Face {
        &self.faces[number].0
    }

    /// What a sensor point sees; `None` where it does not see the wall.
    pub fn at(&self, point: DVec2) -> Option<Place> {
        let scene = self.scene;
        let mut nearest: Option<(f64, Place)> = None;
        for (number, (face, seen)) in self.faces.iter().enumerate() {
            let Some(sight) = seen.sight(point) else { continue };
            let [columns, rows] = face.size();
            let inside = sight.wall.cmpge(DVec2::ZERO).all()
                && sight.wall.x <= f64::from(columns)
                && sight.wall.y <= f64::from(rows);
            if !inside || nearest.as_ref().is_some_and(|(depth, _)| *depth <= sight.depth_m) {
                continue;
            }
            let (whole, plain) = seen.derivatives(point);
            let lens = &scene.lens;
            let disc = blur_disc_m(lens, sight.depth_m) / scene.camera.photosite_m;
            let skew = seen.skew(point, lens.focal_m / lens.f_number, lens.focus_m);
            let place = Place {
                point,
                wall: sight.wall,
                local: Local { whole, plain, disc, skew },
                cos_wall: sight.cos_wall,
                face: number,
            };
            nearest = Some((sight.depth_m, place));
        }
        nearest.map(|(_, place)| place)
    }

    /// Places on a grid of `across` × `down` over the recorded frame, those that see the wall. Where too few of them do, a finer
    /// grid is looked through, so that a small wall in a wide frame is found.
    pub fn grid(&self, across: u32, down: u32) -> Vec<Place> {
        let window = self.scene.camera.sensor_window();
        let on = |across: u32, down: u32| {
            let mut places = Vec::new();
            for j in 0..down {
                for i in 0..across {
                    let share = DVec2::new(
                        (f64::from(i) + 0.5) / f64::from(across),
                        (f64::from(j) + 0.5) / f64::from(down),
                    );
                    let size = DVec2::new(f64::from(window.width), f64::from(window.height));
                    let corner = DVec2::new(f64::from(window.x), f64::from(window.y));
                    places.extend(self.at(corner + share * size));
                }
            }
            places
        };
        let places = on(across, down);
        if places.len() as u32 * 3 >= across * down {
            return places;
        }
        let fine = on(31, 19);
        let wanted = (across * down) as usize;
        let step = fine.len().div_ceil(wanted).max(1);
        fine.into_iter().step_by(step).collect()
    }
}
