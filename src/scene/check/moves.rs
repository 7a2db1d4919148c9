//! Keyframes into tracks: one for each value that moves.

use super::place::Placed;
use super::{Findings, build, placed};
use crate::math::track::Track;
use crate::scene::moves::{Moved, Moves, standing_still};
use crate::scene::written::{BetweenFile, KeyframeFile, SceneFile};
use crate::scene::{Foreground, projection_of_face};
use crate::sensor::{Camera, Readout};
use crate::units;
use crate::wall::Wall;
use glam::DVec2;
use std::sync::Arc;

/// Most frames of a move that are looked at beforehand.
const LOOKED_AT: u32 = 2000;

/// A smear of fewer photosites changes a pattern little: a wave of two photosites a turn, the finest there is, keeps
/// sinc(½) = 64 % of its contrast.
const SEEN: f64 = 1.0;

/// The moves, if there are any. `start` is the camera as the scene places it.
pub(super) fn moves(
    found: &mut Findings<'_>,
    file: &SceneFile,
    (camera, wall, foreground): (&Camera, &Wall, Option<&Foreground>),
    start: &Placed,
) -> Option<Arc<Moves>> {
    let written = file.moves.as_ref().filter(|_| file.effects.moves)?;
    let before = found.errors.len();
    let frames = frames(found, &written.keyframes, camera);
    turned_one_way(found, file, &written.keyframes);
    if found.errors.len() > before {
        return None;
    }
    let smooth = written.between == BetweenFile::Smooth;
    let mut tracks = Vec::new();
    for moved in Moved::ALL {
        let given = frames.iter().zip(&written.keyframes);
        let mut points: Vec<(f64, f64)> =
            given.filter_map(|(&frame, key)| Some((frame, of_keyframe(key, moved)?))).collect();
        if points.is_empty() {
            continue;
        }
        if let (true, Some(own)) = (points[0].0 > 0.0, of_scene(file, moved)) {
            points.insert(0, (0.0, own));
        }
        tracks.push((moved, if smooth { Track::smooth(points) } else { Track::linear(points) }));
    }
    let in_front_m = start.subject_m.map(|subject_m| start.wall_m - subject_m);
    let still = SceneFile { subject: standing_still(in_front_m), ..file.clone() };
    let moves = Moves { tracks, smooth, file: still };
    let smear = every_frame(found, &moves, (camera, wall, foreground))?;
    if smear > SEEN {
        let message = format!(
            "each frame is rendered with the camera held where it is half-way through the frame's light; the move itself \
             would smear the wall by up to {} photosites in an exposure",
            units::number((smear * 10.0).round() / 10.0)
        );
        let hint = "expect less pattern in truth than is shown; a slower move or a shorter shutter comes nearer to it";
        found.note("moves", message, hint);
    }
    Some(Arc::new(moves))
}

/// The number of the frame, or the part of one, of each keyframe.
fn frames(found: &mut Findings<'_>, keyframes: &[KeyframeFile], camera: &Camera) -> Vec<f64> {
    let readout_s = match camera.readout {
        Readout::Global => 0.0,
        Readout::Rolling { readout_s, .. } => readout_s,
    };
    let half_way_s = (readout_s + camera.exposure_s) / 2.0;
    let mut frames: Vec<f64> = Vec::new();
    for (i, keyframe) in keyframes.iter().enumerate() {
        let key = format!("moves.keyframes[{}]", i + 1);
        let frame = match (keyframe.at_frame, keyframe.at_s) {
            (Some(frame), None) => f64::from(frame),
            (None, Some(at_s)) => (at_s - half_way_s) * camera.fps,
            (Some(_), Some(_)) => {
                found.refuse(
                    &format!("{key}.at_s"),
                    &[],
                    "given together with `at_frame`".into(),
                    "keep one of `at_frame`, `at_s`",
                );
                continue;
            }
            (None, None) => {
                found.refuse(
                    &key,
                    &[],
                    "missing: when is the camera there?".into(),
                    "add `at_frame:` or `at_s:`",
                );
                continue;
            }
        };
        if frames.last().is_some_and(|last| frame <= *last) {
            found.refuse(
                &key,
                &[],
                "not after the keyframe before it".into(),
                "write keyframes in the order of time",
            );
        }
        if Moved::ALL.into_iter().all(|moved| of_keyframe(keyframe, moved).is_none()) {
            found.refuse(
                &key,
                &[],
                "nothing moves".into(),
                "add what moves, such as `distance_m:`, `pan_deg:`, `focal_mm:` or `focus_m:`",
            );
        }
        frames.push(frame);
    }
    frames
}

/// A camera is turned by an aim or by pan and tilt, all through the shot.
fn turned_one_way(found: &mut Findings<'_>, file: &SceneFile, keyframes: &[KeyframeFile]) {
    let own = &file.placement;
    let mut by_aim = own.aim_m.is_some();
    let mut by_turn = own.pan_deg.is_some() || own.tilt_deg.is_some();
    for (i, key) in keyframes.iter().enumerate() {
        let turn = key.pan_deg.map(|_| "pan_deg").or(key.tilt_deg.map(|_| "tilt_deg"));
        by_aim |= key.aim_m.is_some();
        by_turn |= turn.is_some();
        if by_aim && by_turn {
            let name = turn.unwrap_or("aim_m");
            found.refuse(
                &format!("moves.keyframes[{}].{name}", i + 1),
                &[],
                "the camera is turned by `aim_m` at one time and by pan and tilt at another".into(),
                "turn it by `aim_m` all through the shot, or by `pan_deg` and `tilt_deg`",
            );
            return;
        }
    }
}

fn of_keyframe(key: &KeyframeFile, moved: Moved) -> Option<f64> {
    match moved {
        Moved::Distance => key.distance_m,
        Moved::Lateral => key.lateral_m,
        Moved::Vertical => key.vertical_m,
        Moved::AimRight => key.aim_m.map(|aim| aim[0]),
        Moved::AimUp => key.aim_m.map(|aim| aim[1]),
        Moved::Pan => key.pan_deg,
        Moved::Tilt => key.tilt_deg,
        Moved::Roll => key.roll_deg,
        Moved::Focal => key.focal_mm,
        Moved::Focus => key.focus_m,
    }
}

/// The scene's own value, which holds at frame 0.
fn of_scene(file: &SceneFile, moved: Moved) -> Option<f64> {
    let (place, lens) = (&file.placement, &file.lens);
    match moved {
        Moved::Distance => place.distance_m.or(place.distance),
        Moved::Lateral => Some(place.lateral_m.or(place.lateral).unwrap_or(0.0)),
        Moved::Vertical => Some(place.vertical_m.or(place.vertical).unwrap_or(0.0)),
        Moved::AimRight => place.aim_m.map(|aim| aim[0]),
        Moved::AimUp => place.aim_m.map(|aim| aim[1]),
        Moved::Pan => Some(place.pan_deg.unwrap_or(0.0)),
        Moved::Tilt => Some(place.tilt_deg.unwrap_or(0.0)),
        Moved::Roll => Some(place.roll_deg),
        Moved::Focal => lens.focal_mm,
        Moved::Focus => lens.focus.distance_m.or(lens.focus.distance),
    }
}

/// Looks at the frames of a move one by one. Refuses the first that cannot be; else how far, at most, the wall would move on the
/// sensor during an exposure, in photosites.
fn every_frame(
    found: &mut Findings<'_>,
    moves: &Moves,
    (camera, wall, foreground): (&Camera, &Wall, Option<&Foreground>),
) -> Option<f64> {
    let (first, last) = moves.span();
    let (first, last) = (first.floor().max(0.0), last.ceil().max(0.0));
    let count = ((last - first) as u32).min(LOOKED_AT);
    let mut most = 0.0_f64;
    for i in 0..=count {
        let frame = (first + (last - first) * f64::from(i) / f64::from(count.max(1))).round();
        let here = match placed(moves.file_at(frame), wall) {
            Ok(here) => here,
            Err(problem) => {
                let hint = problem.hint.unwrap_or_default();
                let message = format!("in frame {frame}: {} ({})", problem.message, problem.key);
                found.refuse("moves.keyframes", &[], message, &hint);
                return None;
            }
        };
        if foreground.is_some_and(|f| f.seen_from(&here.pose).1 <= here.lens.image_m()) {
            let message =
                format!("in frame {frame}: the foreground is not before the lens any more");
            found.refuse("moves.keyframes", &["foreground"], message, "end the move before it");
            return None;
        }
        let behind_m = foreground.map_or(0.0, |f| f.behind_wall_m(&here.pose));
        if behind_m > 0.0 && wall.build.bend.is_none() {
            let message = format!(
                "in frame {frame}: a corner of the foreground stands {} behind the wall, since the picture faces the camera",
                units::length(behind_m)
            );
            let hint =
                "turn the camera less, bring the subject nearer to it, or make the picture smaller";
            found.refuse("moves.keyframes", &["foreground"], message, hint);
            return None;
        }
        let before = found.errors.len();
        build::backs(found, wall, camera, &here);
        if found.errors.len() > before {
            return None;
        }
        // Half an exposure on.
        if let Ok(later) = placed(moves.file_at(frame + 0.5 * camera.exposure_s * camera.fps), wall)
        {
            most = most.max(2.0 * moved_on(camera, wall, &here, &later));
        }
    }
    Some(most)
}

/// How far points of the wall move on the sensor from one place to another, at most, photosites; looked at in the middle and
/// the corners of the sensor.
fn moved_on(camera: &Camera, wall: &Wall, from: &Placed, to: &Placed) -> f64 {
    let size = DVec2::new(f64::from(camera.columns), f64::from(camera.rows));
    let mut most = 0.0_f64;
    for (face, size_m) in wall.sheets() {
        let [from, to] =
            [from, to].map(|p| projection_of_face(&p.lens, &p.pose, camera, &face, wall.pitch_m));
        let middle = DVec2::from(face.size().map(f64::from)) / 2.0;
        for (x, y) in [(0.5, 0.5), (0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)] {
            let point = size * DVec2::new(x, y);
            let Some(seen) = from.sight(point).map(|sight| sight.wall) else { continue };
            let inside = (seen - middle).abs().cmple(size_m / wall.pitch_m / 2.0).all();
            if let (true, Some(later)) = (inside, to.project(seen)) {
                most = most.max((later - point).length());
            }
        }
    }
    most
}
