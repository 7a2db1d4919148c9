//! What stands before the wall.

use super::Findings;
use super::place::Placed;
use crate::scene::written::{EffectsFile, ForegroundFile};
use crate::scene::{ContentPictures, Foreground};
use crate::sensor::Camera;
use crate::units;
use crate::wall::Wall;
use glam::DVec3;

/// Largest blur disc, photosites, of a picture whose edges are right to the bars of the audit.
const SHARP: f64 = 1.0;

pub(super) fn foreground(
    found: &mut Findings<'_>,
    file: &ForegroundFile,
    effects: &EffectsFile,
    (wall, camera): (&Wall, &Camera),
    place: &Placed,
    pictures: &dyn ContentPictures,
) -> Option<Foreground> {
    if found.read.is_bad("foreground") {
        return None;
    }
    let Some(depth_m) = place.subject_m else {
        found.refuse(
            "foreground",
            &["subject"],
            "nobody knows how far away it stands".into(),
            "add `distance_m:` or `in_front_of_wall_m:` under `subject`: it stands where the subject does",
        );
        return None;
    };
    let picture = match pictures.load_with_opacity(&file.file) {
        Ok(picture) => picture,
        Err(message) => {
            found.refuse(
                "foreground.file",
                &[],
                message,
                "paths count from the scene file's folder",
            );
            return None;
        }
    };
    let off_m = DVec3::new(file.right_m, file.up_m, -depth_m);
    let centre_m = place.pose.lens_m + place.pose.turn * off_m;
    let primaries = wall.emitters.map(|e| e.xy);
    let made = Foreground::new(&picture, file.light_lx, primaries, centre_m, file.height_m)?;
    // A wall bent around it may come nearer; of a flat one a corner must not stand behind it.
    let (width_m, height_m) = made.size_m();
    let behind = [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)].map(|(x, y)| {
        let corner_m = centre_m + place.pose.turn * DVec3::new(x * width_m, y * height_m, 0.0);
        corner_m.z
    });
    let deepest_m = behind.into_iter().fold(f64::INFINITY, f64::min);
    if deepest_m < 0.0 && wall.build.bend.is_none() {
        found.refuse(
            "foreground",
            &["subject", "placement"],
            format!(
                "a corner of the picture, {} × {}, would stand {} behind the wall",
                units::length(width_m),
                units::length(height_m),
                units::length(-deepest_m)
            ),
            "bring the subject nearer to the camera, or make the picture smaller",
        );
    }
    let made = Some(made).filter(|_| effects.foreground)?;
    let disc = made.blur_disc_m(&place.lens, &place.pose).abs() / camera.photosite_m;
    if disc > SHARP {
        found.note(
            "foreground",
            format!(
                "the picture is out of focus by a blur disc of {} photosites: along its edges the wall behind it may be \
                 off by up to 3 %",
                units::number(disc)
            ),
            "focus on the subject, or judge the wall away from those edges",
        );
    }
    Some(made)
}
