//! What stands before the wall.

use super::Findings;
use super::place::Placed;
use crate::scene::written::{EffectsFile, ForegroundFile};
use crate::scene::{ContentPictures, Foreground};
use crate::units;
use crate::wall::Wall;
use glam::DVec3;

pub(super) fn foreground(
    found: &mut Findings<'_>,
    file: &ForegroundFile,
    effects: &EffectsFile,
    wall: &Wall,
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
    let behind_m = made.behind_wall_m(&place.pose);
    if behind_m > 0.0 && wall.build.bend.is_none() {
        let (width_m, height_m) = made.size_m();
        found.refuse(
            "foreground",
            &["subject", "placement"],
            format!(
                "a corner of the picture, {} × {}, would stand {} behind the wall",
                units::length(width_m),
                units::length(height_m),
                units::length(behind_m)
            ),
            "bring the subject nearer to the camera, or make the picture smaller",
        );
    }
    Some(made).filter(|_| effects.foreground)
}
