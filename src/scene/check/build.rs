//! How the wall is put together.

use super::Findings;
use super::place::{LEAST_COSINE, Placed};
use crate::scene::written::{ArcSideFile, WallEffectsFile, WallFile, WhichFile};
use crate::sensor::Camera;
use crate::units;
use crate::wall::{Bend, Build, Face, Reflection, Spread, Wall};
use glam::{DVec2, DVec3};
use std::f64::consts::TAU;

/// Most faces a wall may be made of: each is traced and tabulated for itself.
const MOST_FACES: u64 = 4096;

/// Adds to a flat wall how it is put together.
pub(super) fn build(
    found: &mut Findings<'_>,
    file: &WallFile,
    effects: &WallEffectsFile,
    wall: &Wall,
) -> Build {
    let seam_m = file.seam_mm / 1e3;
    let bend = bend(found, file, wall).filter(|_| effects.arc);
    let spread = Spread {
        gain: file.cabinet_spread.brightness_percent / 100.0,
        white: file.cabinet_spread.white_percent / 100.0,
        clock_s: file.cabinet_spread.clock_us / 1e6,
    };
    // What counts as a cabinet follows from the bend.
    let wall = &Wall { build: Build { bend, ..Build::default() }, ..wall.clone() };
    let turned = turned(found, file, wall);
    let build = Build {
        bend,
        seam_m: if effects.seams { seam_m } else { 0.0 },
        turned: if effects.turned { turned } else { Vec::new() },
        spread: if effects.spread { spread } else { Spread::default() },
        dead: if effects.dead_emitters { file.dead_emitters_per_million / 1e6 } else { 0.0 },
        seed: file.seed,
        reflection: Reflection {
            reflectance: file.reflectance_percent / 100.0,
            ambient_lx: if effects.reflection { file.ambient_lx } else { 0.0 },
        },
    };
    arc_closes(found, &Wall { build: build.clone(), ..wall.clone() });
    too_many_faces(found, wall, &build);
    build
}

fn bend(found: &mut Findings<'_>, file: &WallFile, wall: &Wall) -> Option<Bend> {
    let arc = file.arc.as_ref()?;
    let facet_columns = arc.facet_px.unwrap_or(wall.panel_columns);
    let key = if arc.facet_px.is_some() { "wall.arc.facet_px" } else { "wall.arc" };
    let size = ["wall.size_px", "wall.cabinets", "wall.cabinet_px"];
    if arc.facet_px.is_none() && wall.panel_columns == wall.columns {
        found.refuse(
            "wall.arc",
            &size,
            "how wide is one flat facet of the arc?".into(),
            "add `facet_px:` under `arc`, or give the wall in cabinets",
        );
    } else if !wall.columns.is_multiple_of(facet_columns) {
        found.refuse(
            key,
            &size,
            format!(
                "{} pixels across are not a whole number of facets of {facet_columns}",
                wall.columns
            ),
            "choose a facet that divides the wall's width",
        );
    } else if !facet_columns.is_multiple_of(wall.panel_columns)
        && wall.panel_columns != wall.columns
    {
        found.refuse(
            key,
            &size,
            format!(
                "a facet of {facet_columns} pixels is not a whole number of cabinets of {}",
                wall.panel_columns
            ),
            "cabinets are flat: a facet holds one or more whole ones",
        );
    }
    Some(Bend { radius_m: arc.radius_m, convex: arc.side == ArcSideFile::Convex, facet_columns })
}

/// Refuses an arc that would run into itself.
fn arc_closes(found: &mut Findings<'_>, wall: &Wall) {
    let Some(bend) = wall.build.bend else { return };
    let whole = wall.facet_angle_rad() * f64::from(wall.columns / bend.facet_columns.max(1));
    if whole > TAU {
        let (width_m, _) = wall.size_m();
        found.refuse(
            "wall.arc.radius_m",
            &[
                "wall.arc",
                "wall.pixel_pitch_mm",
                "wall.size_px",
                "wall.cabinets",
                "wall.cabinet_px",
            ],
            format!(
                "a wall {} wide goes {} around a circle of this radius",
                units::length(width_m),
                units::angle(whole)
            ),
            "give a larger radius, or fewer cabinets across",
        );
    }
}

fn turned(found: &mut Findings<'_>, file: &WallFile, wall: &Wall) -> Vec<u8> {
    let Some(turned) = file.cabinets_turned else { return Vec::new() };
    if !turned.clockwise_deg.is_multiple_of(90) {
        found.refuse(
            "wall.cabinets_turned.clockwise_deg",
            &[],
            format!("{}° is no quarter turn; allowed: 0, 90, 180 or 270", turned.clockwise_deg),
            "cabinets hang square to each other",
        );
        return Vec::new();
    }
    let [across, down] = wall.cabinet_count();
    if let WhichFile::One([column, row]) = turned.which
        && (column > across || row > down)
    {
        found.refuse(
            "wall.cabinets_turned.which",
            &["wall.size_px", "wall.cabinets", "wall.cabinet_px"],
            format!(
                "there is no cabinet in column {column}, row {row}: the wall has {across} × {down} of them"
            ),
            "count columns and rows from 1 at the top left",
        );
    }
    let quarters = (turned.clockwise_deg / 90) as u8;
    // A wall that is refused for its size gets no list.
    if u64::from(across) * u64::from(down) > MOST_FACES {
        return vec![quarters];
    }
    (0..down)
        .flat_map(|row| (0..across).map(move |column| (column, row)))
        .map(|(column, row)| {
            let is_meant = match turned.which {
                WhichFile::All => true,
                WhichFile::EverySecondColumn => column % 2 == 1,
                WhichFile::EverySecondRow => row % 2 == 1,
                WhichFile::One(one) => one == [column + 1, row + 1],
            };
            if is_meant { quarters } else { 0 }
        })
        .collect()
}

fn too_many_faces(found: &mut Findings<'_>, wall: &Wall, build: &Build) {
    let [across, down] = wall.cabinet_count();
    let cabinets = u64::from(across) * u64::from(down);
    let facets = build.bend.map_or(1, |b| u64::from(wall.columns / b.facet_columns.max(1)));
    let (count, what, key) = if build.has_cabinets() {
        (cabinets, "cabinets", "wall.cabinet_px")
    } else {
        (facets, "facets", "wall.arc")
    };
    if count > MOST_FACES {
        found.refuse(
            key,
            &["wall.size_px", "wall.cabinets", "wall.arc.facet_px"],
            format!("the wall has {count} {what}; allowed where they differ: up to {MOST_FACES}"),
            "describe only the part of the wall that the camera sees",
        );
    }
}

/// Notes facets of an arc that the frame sees from farther aside than a wall may be looked at along the axis.
pub(super) fn grazed(found: &mut Findings<'_>, wall: &Wall, camera: &Camera, place: &Placed) {
    if wall.build.bend.is_none() {
        return;
    }
    let is_grazed = |face: &Face, point_m: DVec3| {
        let way = face.axes.transpose() * (place.pose.lens_m - point_m);
        way.z > 0.0 && way.z < LEAST_COSINE * way.length()
    };
    let grazed = wall.sheets().into_iter().filter(|(face, size_m)| {
        seen_points(face, *size_m, camera, place).any(|point_m| is_grazed(face, point_m))
    });
    let count = grazed.count();
    if count > 0 {
        found.note(
            "placement",
            format!(
                "{count} facets of the arc are seen, in part, from more than 85° off their normal; from about 87° on they count \
                 as dark"
            ),
            "keep them out of the frame where they matter, or move the camera",
        );
    }
}

/// Points of a facet, on a grid, that lie in the frame.
fn seen_points(
    face: &Face,
    size_m: DVec2,
    camera: &Camera,
    place: &Placed,
) -> impl Iterator<Item = DVec3> {
    /// Points along each side of a facet that are looked at.
    const POINTS: u32 = 8;
    let frame = DVec2::new(f64::from(camera.columns), f64::from(camera.rows)) / 2.0;
    let per_photosite = place.lens.image_m() / camera.photosite_m;
    let (pose, squeeze) = (place.pose, DVec2::new(place.lens.squeeze, 1.0));
    let is_seen = move |point_m: &DVec3| {
        let c = pose.turn.transpose() * (*point_m - pose.lens_m);
        let place = c.truncate() * (per_photosite / -c.z) / squeeze;
        c.z < 0.0 && place.abs().cmple(frame * 1.05).all()
    };
    let share = |k: u32| f64::from(k) / f64::from(POINTS) - 0.5;
    let face = face.clone();
    (0..=POINTS)
        .flat_map(|i| (0..=POINTS).map(move |j| (i, j)))
        .map(move |(i, j)| face.world(size_m * DVec2::new(share(i), share(j))))
        .filter(is_seen)
}

/// Refuses a view in which a facet of a concave arc shows its back: what it hides is not taken away.
pub(super) fn backs(found: &mut Findings<'_>, wall: &Wall, camera: &Camera, place: &Placed) {
    if wall.build.bend.is_none_or(|bend| bend.convex) {
        return;
    }
    let backs = wall.sheets().into_iter().filter(|(face, size_m)| {
        face.local(place.pose.lens_m).z <= 0.0
            && seen_points(face, *size_m, camera, place).next().is_some()
    });
    let count = backs.count();
    if count > 0 {
        found.refuse(
            "placement",
            &["wall", "lens", "camera"],
            format!(
                "{count} facets of the arc show the camera their back, and what they hide is not worked out"
            ),
            "move the camera inside the arc, or turn it away from those facets",
        );
    }
}
