//! What a person should know about a scene that is rendered all the same. Every note carries the
//! measured value and a next step.

use super::Findings;
use super::place::Placed;
use crate::optics::projection::Projection;
use crate::optics::transfer::blur_disc_m;
use crate::scene::projection_of_face;
use crate::sensor::{Camera, Mosaic};
use crate::units;
use crate::wall::{Wall, drive::Drive};
use glam::DVec2;

/// Below this pitch on the sensor, in photosites, no pattern of the wall survives.
const FINE_PITCH: f64 = 0.25;

/// Beyond this angle off the wall's normal viewing-angle data are rarely good.
const SLANTING_DEG: f64 = 70.0;

/// Points along each side of the frame at which it is looked at.
const OUTLINE: u32 = 32;

/// Cells across and down for the share of the frame.
const CELLS: u32 = 200;

pub(super) fn notes(
    found: &mut Findings<'_>,
    wall: &Wall,
    drive: &Drive,
    camera: &Camera,
    place: &Placed,
    deliveries: usize,
) {
    let view = View::new(wall, camera, place);
    filling(found, &view, wall, camera, place);
    blur(found, camera, place);
    fine_pitch(found, wall, camera, place);
    slanting(found, place);
    for i in 0..deliveries {
        let key = super::delivery::key(found, i) + ".demosaic";
        if matches!(camera.mosaic, Mosaic::Bayer(_)) || !found.given(&key) {
            continue;
        }
        found.note(
            &key,
            "a camera without a mosaic needs no demosaic: this key has no effect".into(),
            "choose a mosaic in `camera.mosaic`, or take the key out",
        );
    }
    // Only of cabinets that are told of: a wall without them is taken as one.
    let cabinets = found.given("wall.cabinet_px");
    if cabinets && !drive.is_steady() && !wall.panel_rows.is_multiple_of(drive.scan) {
        let message = format!(
            "a cabinet of {} rows is not a whole number of turns of {} rows",
            wall.panel_rows, drive.scan
        );
        let hint = "check `drive.scan` and `cabinet_px` against the wall's papers";
        found.note("wall.cabinet_px", message, hint);
    }
}

/// The flat sheets of the wall as the camera sees them.
///
/// With each, its middle and its size, pixels.
struct View(Vec<(Projection, DVec2, DVec2)>);

impl View {
    fn new(wall: &Wall, camera: &Camera, place: &Placed) -> Self {
        let pitch_m = wall.pitch_m;
        let sheets = wall.sheets().into_iter().map(|(face, size_m)| {
            let view = projection_of_face(&place.lens, &place.pose, camera, &face, pitch_m);
            let [columns, rows] = face.size().map(f64::from);
            (view, DVec2::new(columns, rows) / 2.0, size_m / pitch_m)
        });
        Self(sheets.collect())
    }

    /// Whether a point of the frame sees the wall.
    fn sees_wall(&self, point: DVec2) -> bool {
        self.0.iter().any(|(sheet, middle, size)| {
            let sight = sheet.sight(point);
            sight.is_some_and(|s| ((s.wall - middle).abs() * 2.0).cmple(*size + 1e-9).all())
        })
    }
}

/// Whether the outline of the recorded frame, shrunk about its centre, sees the wall all around.
/// The image of a flat wall is convex, or nearly so behind a lens that bends lines: then the inside sees it too. That of an arc
/// need not be: seen from above or below, the frame may see past the middle of its edge though its outline does not.
fn outline_sees_wall(view: &View, camera: &Camera, shrink: f64) -> bool {
    let crop = camera.sensor_window();
    let at = |t: f64, start: u32, length: u32| {
        f64::from(start) + f64::from(length) * (0.5 + (t - 0.5) * shrink)
    };
    (0..=OUTLINE).all(|k| {
        let t = f64::from(k) / f64::from(OUTLINE);
        [(t, 0.0), (t, 1.0), (0.0, t), (1.0, t)].into_iter().all(|(u, v)| {
            let point = DVec2::new(at(u, crop.x, crop.width), at(v, crop.y, crop.height));
            view.sees_wall(point)
        })
    })
}

/// Share of the recorded frame that sees the wall, to about half a percent.
fn share_of_wall(view: &View, camera: &Camera) -> f64 {
    let crop = camera.sensor_window();
    let at = |k: u32, start: u32, length: u32| {
        f64::from(start) + f64::from(length) * (f64::from(k) + 0.5) / f64::from(CELLS)
    };
    let hits = (0..CELLS)
        .flat_map(|j| (0..CELLS).map(move |i| (i, j)))
        .filter(|&(i, j)| {
            let point = DVec2::new(at(i, crop.x, crop.width), at(j, crop.y, crop.height));
            view.sees_wall(point)
        })
        .count();
    hits as f64 / f64::from(CELLS * CELLS)
}

fn filling(found: &mut Findings<'_>, view: &View, wall: &Wall, camera: &Camera, place: &Placed) {
    if outline_sees_wall(view, camera, 1.0) {
        return;
    }
    let share = share_of_wall(view, camera);
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
        if outline_sees_wall(view, camera, middle) { low = middle } else { high = middle }
    }
    let hint = if low > 0.05 {
        let focal_m = place.lens.focal_m / low;
        format!("a lens of about {} fills the frame from here", units::length(focal_m))
    } else {
        "aim at the middle of the wall, move nearer or use a larger wall".into()
    };
    let share = match share * 100.0 {
        s if s < 1.0 => "less than 1 %".into(),
        s => format!("about {} %", s.min(99.0).round()),
    };
    let message =
        format!("the wall of {size} fills {share} of the frame; around it the picture is dark");
    found.note("placement", message, &hint);
}

fn blur(found: &mut Findings<'_>, camera: &Camera, place: &Placed) {
    let disc = blur_disc_m(&place.lens, place.wall_m).abs() / camera.photosite_m;
    let seen = camera.sensor_window();
    let side = seen.width.min(seen.height);
    if disc > f64::from(side) {
        let whole = (seen.width, seen.height) == (camera.columns, camera.rows);
        let message = format!(
            "the wall's blur disc is {} photosites wide, the {}'s smaller side {side}",
            units::number(disc),
            if whole { "frame" } else { "crop" }
        );
        let key = if found.given("lens.focus") { "lens.focus" } else { "lens" };
        found.note(key, message, "stop down, or focus nearer to the wall");
    }
}

fn fine_pitch(found: &mut Findings<'_>, wall: &Wall, camera: &Camera, place: &Placed) {
    let magnification = place.lens.image_m() / place.wall_m / place.lens.squeeze;
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
        found.note(
            "placement",
            message,
            "measure `half_angle_deg` of the wall, or move to its front",
        );
    }
}
