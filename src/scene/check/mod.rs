//! From the scene as written to the scene as meant: converts to SI once, gathers every
//! contradiction, and adds what a person should know.

mod advice;
mod build;
mod camera;
mod content;
mod delivery;
mod drive;
mod electronics;
mod foreground;
mod judging;
mod lamps;
pub mod limits;
mod mode;
mod moves;
mod notes;
mod place;
mod sequence;
mod wall;
mod waveform;

pub(super) use advice::limits_of;

use super::written::{Read, SceneFile};
use super::{ContentPictures, Scene};
use crate::diag::Diagnostic;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Keys that say the same thing in different ways: at most one of each list may be given.
pub(super) const ALTERNATIVES: [&[&str]; 12] = [
    &["camera.shutter_angle_deg", "camera.shutter_speed", "camera.exposure_ms"],
    &["camera.photosite_pitch_um", "camera.sensor_mm"],
    &["placement.distance_m", "placement.distance"],
    &["placement.lateral_m", "placement.lateral"],
    &["placement.vertical_m", "placement.vertical"],
    &["placement.aim_m", "placement.pan_deg"],
    &["placement.aim_m", "placement.tilt_deg"],
    &["lens.focus.distance_m", "lens.focus.distance", "lens.focus.on"],
    &["lens.aberration_um", "lens.aberration_mtf50_cycles_per_mm"],
    &["filters.low_pass.separation_um", "filters.low_pass.separation_photosites"],
    &["wall.size_px", "wall.cabinets"],
    &[
        "subject.distance_m",
        "subject.distance",
        "subject.in_front_of_wall_m",
        "subject.in_front_of_wall",
    ],
];

/// What the checks found so far.
pub(super) struct Findings<'a> {
    read: &'a Read,
    errors: Vec<Diagnostic>,
    notes: Vec<Diagnostic>,
}

impl Findings<'_> {
    /// Refuses a key, unless it or one of the keys that the reason rests on (`also`) is faulty in
    /// itself: then the reason may be false.
    fn refuse(&mut self, key: &str, also: &[&str], message: String, hint: &str) {
        if self.read.is_bad(key) || also.iter().any(|key| self.read.is_bad(key)) {
            return;
        }
        let mut diagnostic = Diagnostic::error(key, message).at(self.read.place(key));
        if !hint.is_empty() {
            diagnostic = diagnostic.hint(hint);
        }
        self.errors.push(diagnostic);
    }

    fn note(&mut self, key: &str, message: String, hint: &str) {
        self.notes.push(Diagnostic::note(key, message).hint(hint).at(self.read.place(key)));
    }

    fn given(&self, key: &str) -> bool {
        self.read.is_given(key)
    }

    fn alternatives(&mut self) {
        for group in ALTERNATIVES {
            let given: Vec<&str> = group.iter().copied().filter(|key| self.given(key)).collect();
            if let [first, .., last] = given.as_slice() {
                let short = |key: &str| key.rsplit('.').next().unwrap_or(key).to_string();
                let message = format!("given together with `{}`", short(first));
                let hint = format!("keep one of {}", {
                    let names: Vec<String> =
                        group.iter().map(|k| format!("`{}`", short(k))).collect();
                    names.join(", ")
                });
                // Said even of a key that is faulty in itself: that it stands there twice is sure.
                let place = self.read.place(last);
                self.errors.push(Diagnostic::error(*last, message).hint(hint).at(place));
            }
        }
    }
}

/// The scene as meant. `name` is a short name for files and titles. What the wall shows is taken over from another scene, if one is
/// given whose wall has the same size.
pub(super) fn meant(
    read: &Read,
    name: &str,
    pictures: &dyn ContentPictures,
    shows_as: Option<&Scene>,
) -> Result<Scene, Vec<Diagnostic>> {
    let file: &SceneFile = &read.file;
    let mut found = Findings { read, errors: Vec::new(), notes: Vec::new() };
    found.alternatives();
    let wall = wall::wall(&mut found, &file.wall, &file.effects);
    let camera = camera::camera(&mut found, &file.camera, &file.effects);
    let (drive, sheet) = drive::drive(&mut found, file, camera.fps, pictures);
    let place = place::place(&mut found, file, &wall);
    if let Some(place) = &place {
        build::backs(&mut found, &wall, &camera, place);
        build::grazed(&mut found, &wall, &camera, place);
    }
    let low_pass = camera::low_pass(&mut found, file, camera.photosite_m);
    let front_low_pass = camera::front_low_pass(&mut found, file);
    mode::shutter_offered(&mut found, &file.camera, &camera);
    let other_light = lamps::lamps(&mut found, file.other_light.as_deref().unwrap_or_default());
    let mut deliveries = delivery::deliveries(
        &mut found,
        &file.delivery,
        mode::scaling(&file.camera, &file.effects),
    );
    limits::limits(&mut found, &wall, &camera, &deliveries);
    // Only a wall of a sure and sane size is painted.
    let size_is_sure =
        !read.is_bad("wall") && found.errors.iter().all(|e| !e.key.starts_with("wall"));
    let content = match shows_as {
        Some(other) if [other.wall.columns, other.wall.rows] == [wall.columns, wall.rows] => {
            Some((other.content.clone(), other.moving.clone()))
        }
        _ => content::content(
            &mut found,
            &file.content,
            &wall,
            drive.video_hz,
            pictures,
            size_is_sure,
        )
        .map(|(mut image, moving)| {
            wall.put_out_dead(&mut image);
            (Arc::new(image), moving)
        }),
    };
    let foreground = match (&file.foreground, &place) {
        (Some(written), Some(place)) => {
            foreground::foreground(&mut found, written, &file.effects, &wall, place, pictures)
        }
        _ => None,
    };
    advice::check(&mut found, &file.limits);
    let mut errors = read.problems.clone();
    errors.append(&mut found.errors);
    let (Some((content, moving)), Some(place), true) = (content, place, errors.is_empty()) else {
        if errors.is_empty() {
            // No check may end without a reason.
            errors.push(Diagnostic::error("", "the scene cannot be resolved"));
        }
        in_order_of_the_file(&mut errors);
        return Err(errors);
    };
    let moves = moves::moves(&mut found, file, (&camera, &wall, foreground.as_ref()), &place);
    if !found.errors.is_empty() {
        let mut errors = found.errors;
        in_order_of_the_file(&mut errors);
        return Err(errors);
    }
    delivery::desqueeze(&mut found, &mut deliveries, &file.delivery, &camera, &place.lens);
    notes::notes(&mut found, &wall, &drive, &camera, &place, deliveries.len());
    let mut notes = found.notes;
    in_order_of_the_file(&mut notes);
    Ok(Scene {
        name: name.to_string(),
        wall,
        drive,
        sheet,
        content,
        moving,
        lens: place.lens,
        low_pass,
        front_low_pass,
        camera,
        pose: place.pose,
        moves,
        deliveries,
        subject_m: place.subject_m,
        foreground,
        neutral_density_stops: file.filters.neutral_density_stops,
        other_light,
        shutter_offered: file.camera.shutter_offered.as_ref().and_then(lamps::offered),
        viewing: judging::viewing(&file.viewing),
        tolerances: judging::tolerances(&file.tolerances),
        limits: advice::limits_of(&file.limits),
        notes,
    })
}

/// Lens and camera of a file that was read before, in their place; or the first thing that stands against it.
pub(super) fn placed(
    file: SceneFile,
    wall: &crate::wall::Wall,
) -> Result<place::Placed, Diagnostic> {
    let (problems, given, bad) = (Vec::new(), BTreeMap::new(), BTreeSet::new());
    let read = Read { file, problems, given, bad };
    let mut found = Findings { read: &read, errors: Vec::new(), notes: Vec::new() };
    let placed = place::place(&mut found, &read.file, wall);
    match (placed, found.errors.into_iter().next()) {
        (Some(placed), None) => Ok(placed),
        (_, Some(problem)) => Err(problem),
        (None, None) => Err(Diagnostic::error("placement", "the camera cannot be placed")),
    }
}

fn in_order_of_the_file(diagnostics: &mut [Diagnostic]) {
    diagnostics.sort_by_key(|d| d.place.as_ref().map_or((0, 0), |p| (p.line, p.column)));
}
