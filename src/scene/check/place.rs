//! Lens and placement, which need each other: the tape is held at the sensor plane, and how far
//! the lens stands before the sensor follows from the focus.

use super::Findings;
use crate::optics::{Diffraction, Iris, Lens, Pose};
use crate::scene::written::{
    DiffractionFile, FocusOnFile, IrisFile, LensFile, MeasuredAlongFile, MeasuredFromFile,
    PlacementFile, SceneFile,
};
use crate::units;
use crate::wall::Wall;
use glam::{DMat3, DVec3};

/// Steepest view: the cosine of 85° between lens axis and the wall's normal.
pub(super) const LEAST_COSINE: f64 = 0.087_155_742_747_658_17;

/// A lens in its place.
pub(in crate::scene) struct Placed {
    pub(in crate::scene) lens: Lens,
    pub(in crate::scene) pose: Pose,
    /// Distance of the subject from the lens along the axis.
    pub(in crate::scene) subject_m: Option<f64>,
    /// Distance of the wall from the lens along the axis.
    pub(in crate::scene) wall_m: f64,
    /// Cosine between the lens axis and the wall's normal.
    pub(in crate::scene) cosine: f64,
}

/// How people name turns (all seen by the operator: right, up and clockwise are positive) → the
/// model's turn, R = Ry(yaw)·Rx(pitch)·Rz(roll) with yaw to the left, pitch up, roll anticlockwise.
/// The only place that maps one onto the other.
pub(super) fn turn(pan_rad: f64, tilt_rad: f64, roll_rad: f64) -> DMat3 {
    DMat3::from_rotation_y(-pan_rad)
        * DMat3::from_rotation_x(tilt_rad)
        * DMat3::from_rotation_z(-roll_rad)
}

/// The lens distance in focus for a distance from the sensor plane: d + v(d) = D with
/// v = f·d/(d − f), so d² − D·d + D·f = 0; of the two answers the one with d ≥ v. `None` when D is
/// below 4·f, nearer than which a thin lens cannot focus.
pub(super) fn focus_from_sensor_m(focal_m: f64, sensor_m: f64) -> Option<f64> {
    let root = sensor_m * sensor_m - 4.0 * sensor_m * focal_m;
    (root >= 0.0).then(|| (sensor_m + root.sqrt()) / 2.0)
}

pub(super) fn place(found: &mut Findings<'_>, file: &SceneFile, wall: &Wall) -> Option<Placed> {
    let before = found.errors.len();
    let focal_m = file.lens.focal_mm.map(|mm| mm / 1e3);
    if file.lens.f_number.is_none() && file.lens.t_stop.is_none() {
        found.refuse(
            "lens.f_number",
            &["lens.t_stop"],
            "missing: how far is the iris open?".into(),
            "add `f_number:` or `t_stop:` under `lens`",
        );
    }
    let light = transmission(found, &file.lens);
    let stand = match wall.build.bend {
        None => stand(found, &file.placement),
        Some(_) => stand_at_arc(found, &file.placement, wall),
    };
    // Without focal length or place nothing below can be judged.
    let (focal_m, stand) = (focal_m?, stand?);
    let (f_number, transmission) = light?;
    let from_sensor = file.placement.measured_from == MeasuredFromFile::Sensor;
    let subject = subject(found, file, stand.axis_m);
    let focus_m = focus(found, file, focal_m, stand.axis_m, subject)?;
    let image_m = focal_m * focus_m / (focus_m - focal_m);
    let back_m = if from_sensor { image_m } else { 0.0 };
    let wall_m = stand.axis_m - back_m;
    if wall_m <= 0.0 {
        found.refuse(
            "placement.distance_m",
            &["lens", "placement"],
            format!(
                "the lens stands {} before the sensor plane, and so behind the wall",
                units::length(image_m)
            ),
            "move the camera back, or give the distance with `measured_from: lens`",
        );
    }
    let subject_m = subject.map(|(_, m)| m - back_m);
    if let (Some((key, from_camera_m)), Some(m)) = (subject, subject_m)
        && m <= 0.0
    {
        found.refuse(
            key,
            &["lens", "placement"],
            format!(
                "{} from the sensor plane is inside the lens, which stands {} before it",
                units::length(from_camera_m),
                units::length(image_m)
            ),
            "move the subject away from the camera",
        );
    }
    if found.errors.len() > before {
        return None;
    }
    let effects = &file.effects;
    let lens = Lens {
        focal_m,
        f_number,
        transmission: transmission * libm::exp2(-file.filters.neutral_density_stops),
        focus_m,
        aberration_m: if effects.aberration { aberration_m(&file.lens) } else { 0.0 },
        iris: match file.lens.iris {
            IrisFile::Round => Iris::Round,
            IrisFile::Bladed(b) => {
                Iris::Bladed { blades: b.blades, rotation_rad: b.rotation_deg.to_radians() }
            }
        },
        squeeze: if effects.squeeze { file.lens.squeeze } else { 1.0 },
        distortion: if effects.distortion { file.lens.distortion_percent / 100.0 } else { 0.0 },
        vignetting: effects.natural_vignetting,
        defocus: effects.defocus,
        diffraction: match effects.diffraction {
            DiffractionFile::Off => Diffraction::Off,
            DiffractionFile::Convolved => Diffraction::Convolved,
            DiffractionFile::Wave => Diffraction::Wave,
        },
    };
    let forward = stand.turn * DVec3::NEG_Z;
    let pose = Pose { lens_m: stand.mark_m + forward * back_m, turn: stand.turn };
    Some(Placed { lens, pose, subject_m, wall_m, cosine: stand.cosine })
}

/// f-number and transmission.
fn transmission(found: &mut Findings<'_>, file: &LensFile) -> Option<(f64, f64)> {
    let f_number = file.f_number.or(file.t_stop)?;
    let t_stop = file.t_stop.unwrap_or(f_number);
    if t_stop < f_number {
        found.refuse(
            "lens.t_stop",
            &["lens.f_number"],
            format!("T{t_stop} would pass more light than f/{f_number} lets in"),
            "a T-stop is at least the f-number",
        );
    }
    Some((f_number, (f_number / t_stop) * (f_number / t_stop)))
}

fn aberration_m(file: &LensFile) -> f64 {
    match (file.aberration_um, file.aberration_mtf50_cycles_per_mm) {
        (Some(um), _) => um / 1e6,
        (None, Some(cycles)) => units::sigma_of_mtf50(cycles) / 1e3,
        (None, None) => 2e-6,
    }
}

/// The mark that the tape is held at, the camera's turn, and the tape along the axis.
struct Stand {
    mark_m: DVec3,
    turn: DMat3,
    axis_m: f64,
    /// Cosine between the axis and the normal of what it meets.
    cosine: f64,
}

/// Right and up of the wall's middle, and the tape.
fn tapes(found: &mut Findings<'_>, file: &PlacementFile) -> Option<(f64, f64, f64)> {
    let key = if file.distance.is_some() { "placement.distance" } else { "placement.distance_m" };
    let Some(tape_m) = file.distance_m.or(file.distance) else {
        found.refuse(
            key,
            &["placement.distance"],
            "missing: how far is the camera from the wall?".into(),
            "add `distance_m:` or `distance:` under `placement`",
        );
        return None;
    };
    for (key, metres, low) in [
        ("placement.distance", file.distance, 0.01),
        ("placement.lateral", file.lateral, -10_000.0),
        ("placement.vertical", file.vertical, -10_000.0),
    ] {
        if metres.is_some_and(|m| !(low..=10_000.0).contains(&m)) {
            let message = format!(
                "{} is out of range; allowed: {} to 10000 m",
                units::length(metres.unwrap_or(0.0)),
                units::number(low)
            );
            let hint = if low > 0.0 { "the wall must be in front of the camera" } else { "" };
            found.refuse(key, &[], message, hint);
            return None;
        }
    }
    let lateral_m = file.lateral_m.or(file.lateral).unwrap_or(0.0);
    let vertical_m = file.vertical_m.or(file.vertical).unwrap_or(0.0);
    Some((lateral_m, vertical_m, tape_m))
}

/// In front of an arc: the tape goes square to the plane that touches its middle, and the axis meets some facet.
fn stand_at_arc(found: &mut Findings<'_>, file: &PlacementFile, wall: &Wall) -> Option<Stand> {
    let (lateral_m, vertical_m, tape_m) = tapes(found, file)?;
    if found.given("placement.measured_along") && file.measured_along == MeasuredAlongFile::LensAxis
    {
        found.note(
            "placement.measured_along",
            "in front of an arc the distance counts square to the plane that touches its middle, not along the lens axis"
                .into(),
            "measure it so, and write `measured_along: square_to_wall`",
        );
    }
    let mark_m = DVec3::new(lateral_m, vertical_m, tape_m);
    let turn = match file.aim_m {
        Some([along_m, up_m]) => {
            let way = (wall.point_m(along_m, up_m) - mark_m).normalize_or(DVec3::NEG_Z);
            turn(libm::atan2(way.x, -way.z), libm::asin(way.y.clamp(-1.0, 1.0)), 0.0)
        }
        None => {
            let [pan, tilt] = [file.pan_deg, file.tilt_deg].map(|d| d.unwrap_or(0.0).to_radians());
            turn(pan, tilt, 0.0)
        }
    };
    let turn = turn * DMat3::from_rotation_z(-file.roll_deg.to_radians());
    let Some((axis_m, cosine)) = wall.met(mark_m, turn * DVec3::NEG_Z) else {
        found.refuse(
            if file.aim_m.is_some() { "placement.aim_m" } else { "placement" },
            &["placement", "wall"],
            "the lens axis meets no facet of the arc from its front, so that no distance can be counted along it".into(),
            "aim at the wall, or move the camera inside the arc",
        );
        return None;
    };
    if cosine < LEAST_COSINE {
        found.refuse(
            if file.aim_m.is_some() { "placement.aim_m" } else { "placement" },
            &["placement", "wall"],
            format!(
                "the lens axis meets a facet of the arc at {} off its normal; allowed: up to 85°",
                units::angle(libm::acos(cosine))
            ),
            "turn the camera towards a facet's front",
        );
        return None;
    }
    Some(Stand { mark_m, turn, axis_m, cosine })
}

fn stand(found: &mut Findings<'_>, file: &PlacementFile) -> Option<Stand> {
    let (lateral_m, vertical_m, tape_m) = tapes(found, file)?;
    let along_axis = file.measured_along == MeasuredAlongFile::LensAxis;
    let roll_rad = file.roll_deg.to_radians();
    let (pan_rad, tilt_rad, square_m, axis_m) = if let Some([aim_x, aim_y]) = file.aim_m {
        let (dx, dy) = (aim_x - lateral_m, aim_y - vertical_m);
        let aside2 = dx * dx + dy * dy;
        if along_axis && tape_m * tape_m <= aside2 {
            found.refuse(
                "placement.aim_m",
                &["placement"],
                format!(
                    "the aim is {} to the side, farther than the tape of {} reaches",
                    units::length(aside2.sqrt()),
                    units::length(tape_m)
                ),
                "aim nearer, or set `measured_along: square_to_wall`",
            );
            return None;
        }
        let square_m = if along_axis { (tape_m * tape_m - aside2).sqrt() } else { tape_m };
        let axis_m = (square_m * square_m + aside2).sqrt();
        (libm::atan2(dx, square_m), libm::asin(dy / axis_m), square_m, axis_m)
    } else {
        let pan_rad = file.pan_deg.unwrap_or(0.0).to_radians();
        let tilt_rad = file.tilt_deg.unwrap_or(0.0).to_radians();
        let cosine = libm::cos(pan_rad) * libm::cos(tilt_rad);
        if cosine <= 0.0 {
            found.refuse(
                if file.pan_deg.is_some() { "placement.pan_deg" } else { "placement.tilt_deg" },
                &["placement"],
                "the wall is behind the camera: its lens axis never meets the wall".into(),
                "pan and tilt count from straight at the wall; keep each within ±85°",
            );
            return None;
        }
        if along_axis {
            (pan_rad, tilt_rad, tape_m * cosine, tape_m)
        } else {
            (pan_rad, tilt_rad, tape_m, tape_m / cosine)
        }
    };
    if square_m / axis_m < LEAST_COSINE {
        let key = match (file.aim_m, file.pan_deg) {
            (Some(_), _) => "placement.aim_m",
            (None, Some(_)) => "placement.pan_deg",
            (None, None) => "placement.tilt_deg",
        };
        found.refuse(
            key,
            &["placement"],
            format!(
                "the lens axis meets the wall at {} off its normal; allowed: up to 85°",
                units::angle(libm::acos(square_m / axis_m))
            ),
            "turn the camera towards the wall",
        );
        return None;
    }
    Some(Stand {
        mark_m: DVec3::new(lateral_m, vertical_m, square_m),
        turn: turn(pan_rad, tilt_rad, roll_rad),
        axis_m,
        cosine: square_m / axis_m,
    })
}

/// Key and distance of the subject along the axis, from the mark that the tape is held at.
fn subject(found: &mut Findings<'_>, file: &SceneFile, axis_m: f64) -> Option<(&'static str, f64)> {
    let s = &file.subject;
    let (key, m) = if let Some(m) = s.distance_m {
        ("subject.distance_m", m)
    } else if let Some(m) = s.distance {
        ("subject.distance", m)
    } else if let Some(m) = s.in_front_of_wall_m {
        ("subject.in_front_of_wall_m", axis_m - m)
    } else if let Some(m) = s.in_front_of_wall {
        ("subject.in_front_of_wall", axis_m - m)
    } else {
        return None;
    };
    if m > axis_m {
        found.refuse(
            key,
            &["placement"],
            format!("the subject would stand {} behind the wall", units::length(m - axis_m)),
            "the wall is at `placement.distance` from the camera",
        );
        return None;
    }
    if m <= 0.0 {
        found.refuse(
            key,
            &["placement"],
            format!("the subject would stand {} behind the camera", units::length(-m)),
            "bring it between camera and wall",
        );
        return None;
    }
    Some((key, m))
}

/// The distance in focus, from the lens; always above the focal length.
fn focus(
    found: &mut Findings<'_>,
    file: &SceneFile,
    focal_m: f64,
    axis_m: f64,
    subject: Option<(&'static str, f64)>,
) -> Option<f64> {
    let focus = &file.lens.focus;
    let placement_from = file.placement.measured_from;
    let written_from = focus.measured_from.unwrap_or(placement_from);
    let (key, m, from) = if let Some(m) = focus.distance_m {
        ("lens.focus.distance_m", m, written_from)
    } else if let Some(m) = focus.distance {
        ("lens.focus.distance", m, written_from)
    } else {
        match (focus.on, subject) {
            (Some(FocusOnFile::Subject), None) => {
                found.refuse(
                    "lens.focus.on",
                    &["subject"],
                    "no subject to focus on".into(),
                    "add `distance_m:` under `subject`, or focus on the wall",
                );
                return None;
            }
            (Some(FocusOnFile::Subject), Some((_, m))) => ("lens.focus.on", m, placement_from),
            (None, Some((key, m))) => (key, m, placement_from),
            (Some(FocusOnFile::Wall), _) => ("lens.focus.on", axis_m, placement_from),
            (None, None) if file.placement.distance.is_some() => {
                ("placement.distance", axis_m, placement_from)
            }
            (None, None) => ("placement.distance_m", axis_m, placement_from),
        }
    };
    let focal = units::length(focal_m);
    let written = units::length(m);
    match from {
        // A little beyond the focal length, where the image would be as far away as the moon.
        MeasuredFromFile::Lens if m > focal_m * 1.001 => Some(m),
        MeasuredFromFile::Lens => {
            found.refuse(
                key,
                &["lens.focal_mm", "placement", "subject"],
                format!("a focus at {written} is not beyond the focal length of {focal}"),
                "focus farther away, or use a shorter lens",
            );
            None
        }
        MeasuredFromFile::Sensor => {
            let solved = focus_from_sensor_m(focal_m, m);
            if solved.is_none() {
                let what = if m <= focal_m { "nearer than the focal length" } else { "too near" };
                found.refuse(
                    key,
                    &["lens.focal_mm", "placement", "subject"],
                    format!(
                        "a focus at {written} from the sensor plane is {what}; allowed for {focal}: \
                         from {} (four focal lengths)",
                        units::length(4.0 * focal_m)
                    ),
                    "focus farther away, use a shorter lens, or set `measured_from: lens`",
                );
            }
            solved
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_go_the_way_people_say() {
        let forward = |pan: f64, tilt: f64| turn(pan, tilt, 0.0) * DVec3::NEG_Z;
        // The camera looks along −z; to its right is +x, as for a viewer who faces the wall.
        assert!(forward(0.1, 0.0).x > 0.09, "pan right");
        assert!(forward(0.0, 0.1).y > 0.09, "tilt up");
        // Clockwise seen from behind: the camera's right side goes down.
        assert!((turn(0.0, 0.0, 0.1) * DVec3::X).y < -0.09, "roll clockwise");
        let both = turn(0.3, 0.2, 0.0) * DVec3::NEG_Z;
        assert!((libm::atan2(both.x, -both.z) - 0.3).abs() < 1e-12);
        assert!((libm::asin(both.y) - 0.2).abs() < 1e-12);
    }

    #[test]
    fn focus_from_the_sensor_plane_is_consistent() {
        for (f, sensor) in [(0.035, 4.0), (0.1, 0.4), (0.05, 0.21), (0.024, 100.0)] {
            let d = focus_from_sensor_m(f, sensor).unwrap_or(f64::NAN);
            let v = f * d / (d - f);
            assert!((d + v - sensor).abs() < 1e-9, "{f} {sensor}: {d} + {v}");
            assert!(d >= v * (1.0 - 1e-9));
        }
        assert_eq!(focus_from_sensor_m(0.1, 0.399), None);
    }
}
