//! What a person should know about a scene that is rendered all the same. Every note carries the
//! measured value and a next step.

use super::Findings;
use super::place::Placed;
use crate::optics::projection::{Projection, SensorGrid, WallGrid};
use crate::optics::transfer::blur_disc_m;
use crate::sensor::Camera;
use crate::units;
use crate::wall::{Wall, drive::Drive};
use glam::DVec2;

/// Below this pitch on the sensor, in photosites, no pattern of the wall survives.
const FINE_PITCH: f64 = 0.25;

/// Beyond this angle off the wall's normal viewing-angle data are rarely good.
const SLANTING_DEG: f64 = 70.0;

/// Points across and down at which the frame is looked at.
const SAMPLES: usize = 33;

pub(super) fn notes(
    found: &mut Findings<'_>,
    wall: &Wall,
    drive: &Drive,
    camera: &Camera,
    place: &Placed,
) {
    let grid = SensorGrid {
        columns: camera.columns,
        rows: camera.rows,
        photosite_m: camera.photosite_m,
    };
    let lattice = WallGrid { columns: wall.columns, rows: wall.rows, pitch_m: wall.pitch_m };
    let view = Projection::new(&place.lens, &place.pose, grid, lattice);
    filling(found, &view, wall, camera, place);
    blur(found, camera, place);
    fine_pitch(found, wall, camera, place);
    slanting(found, place);
    if !drive.is_steady() && wall.panel_rows % drive.scan != 0 {
        let key = if found.given("drive.scan") { "drive.scan" } else { "drive" };
        let message = format!(
            "a cabinet of {} rows is not a whole number of turns of {} rows",
            wall.panel_rows, drive.scan
        );
        found.note(key, message, "check `scan` and `wall.cabinet_px` against the wall's papers");
    }
}

/// Share of a window of the frame, shrunk by `shrink` about its centre, that sees the wall.
fn share_of_wall(view: &Projection, wall: &Wall, camera: &Camera, shrink: f64) -> f64 {
    let crop = camera.crop;
    let mut hits = 0;
    for j in 0..SAMPLES {
        for i in 0..SAMPLES {
            let at = |k: usize, start: u32, length: u32| {
                let t = k as f64 / (SAMPLES - 1) as f64 - 0.5;
                f64::from(start) + f64::from(length) * (0.5 + t * shrink)
            };
            let point = DVec2::new(at(i, crop.x, crop.width), at(j, crop.y, crop.height));
            if let Some(sight) = view.sight(point) {
                let (x, y) = (sight.wall.x, sight.wall.y);
                let inside = x >= 0.0
                    && y >= 0.0
                    && x <= f64::from(wall.columns)
                    && y <= f64::from(wall.rows);
                hits += u32::from(inside);
            }
        }
    }
    f64::from(hits) / (SAMPLES * SAMPLES) as f64
}

fn filling(
    found: &mut Findings<'_>,
    view: &Projection,
    wall: &Wall,
    camera: &Camera,
    place: &Placed,
) {
    let share = share_of_wall(view, wall, camera, 1.0);
    if share >= 1.0 {
        return;
    }
    let (width, height) = wall.size_m();
    let size = format!("{} × {}", units::length(width), units::length(height));
    if share == 0.0 {
        let message = format!("the wall of {size} is not in the frame: the picture will be dark");
        found.note("placement", message, "check lateral, vertical, pan, tilt and aim");
        return;
    }
    // How much tighter the frame must be, by bisection: 20 halvings are far below a millimetre
    // of focal length.
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..20 {
        let middle = 0.5 * (low + high);
        if share_of_wall(view, wall, camera, middle) >= 1.0 { low = middle } else { high = middle }
    }
    let hint = if low > 0.05 {
        let focal_m = place.lens.focal_m / low;
        format!("a lens of about {} fills the frame from here", units::length(focal_m))
    } else {
        "aim at the middle of the wall, move nearer or use a larger wall".into()
    };
    let message = format!(
        "the wall of {size} fills {} of the frame; around it the picture is dark",
        units::percent(share)
    );
    found.note("placement", message, &hint);
}

fn blur(found: &mut Findings<'_>, camera: &Camera, place: &Placed) {
    let disc = blur_disc_m(&place.lens, place.wall_m).abs() / camera.photosite_m;
    let width = f64::from(camera.crop.width.min(camera.crop.height));
    if disc > width {
        let message = format!(
            "the wall's blur disc is {} photosites wide, more than the frame's {width}",
            units::number(disc)
        );
        let key = if found.given("lens.focus") { "lens.focus" } else { "lens" };
        found.note(key, message, "stop down, or focus nearer to the wall");
    }
}

fn fine_pitch(found: &mut Findings<'_>, wall: &Wall, camera: &Camera, place: &Placed) {
    let magnification = place.lens.image_m() / place.wall_m;
    let pitch = wall.pitch_m * magnification / camera.photosite_m;
    if pitch < FINE_PITCH {
        let message = format!(
            "the wall's pixels are {} photosites apart on the sensor: the camera sees an even face",
            units::number(pitch)
        );
        let hint = format!(
            "check the pitch of {} and the distance; moiré is likely near 1 to 3 photosites",
            units::length(wall.pitch_m)
        );
        found.note("wall.pixel_pitch_mm", message, &hint);
    }
}

fn slanting(found: &mut Findings<'_>, place: &Placed) {
    let angle_rad = libm::acos(place.cosine.clamp(-1.0, 1.0));
    if angle_rad.to_degrees() > SLANTING_DEG {
        let message = format!(
            "the lens axis meets the wall {} off its normal, where emitters are least predictable",
            units::angle(angle_rad)
        );
        found.note("placement", message, "measure `half_angle_deg` of the wall, or move to its front");
    }
}
