//! The truth of a sample: every parameter, every component, and what was measured.

use super::PHYSICS;
use super::condition::KEYS;
use super::degrade::Degraded;
use super::draw::Drawn;
use super::recipe::Recipe;
use super::sample::level;
use super::split::SplitName;
use crate::artefact::Wave;
use crate::measure::{Found, Waves};
use crate::predict::unknowns::KINDS;
use crate::predict::{Component, Place, Sampler, Seen, Sights, Wall, pulses};
use crate::scene::derived::derived;
use crate::scene::{Scene, resolved};
use crate::shoot::TwinFrame;
use glam::DVec2;
use serde_json::{Map, Value, json};

/// Most components that are told at a place.
const MOST: usize = 24;

/// Levels of grey, shares of white, at which the rows' light is told.
const LEVELS: [f64; 6] = [0.01, 0.02, 0.05, 0.18, 0.5, 1.0];

/// A complex number as amplitude and phase, degrees.
fn planes(wave: &Wave) -> Value {
    let one = |z: &rustfft::num_complex::Complex64| {
        json!({
            "amplitude_percent": 100.0 * libm::hypot(z.re, z.im),
            "phase_deg": libm::atan2(z.im, z.re).to_degrees(),
        })
    };
    json!(wave.planes.iter().map(one).collect::<Vec<_>>())
}

/// Waves that were measured.
pub(super) fn waves(found: &Waves) -> Value {
    let one = |f: &Found| {
        json!({
            "at_px": f.at.to_array(),
            "window_px": f.window_px.to_array(),
            "cycles_per_px": f.wave.frequency.to_array(),
            "period_px": f.wave.period_px(),
            "direction_deg": f.wave.direction_deg(),
            "periods_in_window": f.periods,
            "luma_percent": 100.0 * f.wave.luma(),
            "colour_percent": 100.0 * f.wave.chroma(),
            "planes": planes(&f.wave),
        })
    };
    json!({
        "waves": found.found.iter().map(one).collect::<Vec<_>>(),
        "floor_luma_percent": 100.0 * found.luma_floor,
        "floor_colour_percent": 100.0 * found.chroma_floor,
    })
}

/// A frame: where the camera stands, where the drive's clock is, what was measured.
pub(super) fn frame(
    here: &Scene,
    scene: &Scene,
    frame: u32,
    linear: &TwinFrame,
    measured: Value,
    noise: Value,
) -> Value {
    let start_s = f64::from(frame) / scene.camera.fps;
    let timing = scene.drive.timing();
    let wall_s = timing.wall_time_s(start_s);
    let phase = |period_s: f64| (wall_s / period_s).rem_euclid(1.0);
    let turn = here.pose.turn;
    json!({
        "frame": frame,
        "starts_s": start_s,
        "clock": {
            "wall_time_s": wall_s,
            "phase_of_refresh": phase(timing.refresh_s),
            "phase_of_video_frame": phase(timing.frame_s),
            "drift_ppm": 1e6 * scene.drive.clock.drift,
        },
        "pose": {
            "lens_m": here.pose.lens_m.to_array(),
            "right": turn.x_axis.to_array(),
            "up": turn.y_axis.to_array(),
            "backward": turn.z_axis.to_array(),
        },
        "focal_mm": 1000.0 * here.lens.focal_m,
        "focus_m": here.lens.focus_m,
        "given_share": linear.given.iter().filter(|g| **g).count() as f64
            / linear.given.len().max(1) as f64,
        "white": linear.white,
        "row_gain": row_gain(scene, frame),
        "measured": measured,
        "noise_rms_percent_of_ideal": noise,
    })
}

/// Light of each recorded row over the level's mean, by level: mean over the scan's slots and the three colours.
fn row_gain(scene: &Scene, frame: u32) -> Value {
    if scene.drive.is_steady() || scene.moving.is_some() {
        return Value::Null;
    }
    let timing = scene.drive.timing();
    let camera = &scene.camera;
    let slots = scene.drive.scan.max(1);
    let rows = camera.crop.y..camera.crop.y + camera.crop.height;
    let of = |level: f64| {
        let mean = scene.drive.mean_level(level);
        let row = |row: u32| {
            let start_s = camera.row_start_s(frame, camera.sensor_row(row));
            let mut sum = 0.0;
            for slot in 0..slots {
                for colour in 0..3 {
                    sum += timing.light(level, start_s, camera.exposure_s, slot, colour);
                }
            }
            // Six digits tell it.
            (1e6 * sum / f64::from(3 * slots) / mean).round() / 1e6
        };
        rows.clone().map(row).collect::<Vec<f64>>()
    };
    let mut levels = LEVELS.to_vec();
    levels.push(level(scene));
    let all: Vec<Value> =
        levels.into_iter().map(|l| json!({ "level_percent": 100.0 * l, "rows": of(l) })).collect();
    json!(all)
}

/// Components told at places of the picture.
fn components(scene: &Scene) -> Value {
    let (sights, wall) = (Sights::new(scene), Wall::new(scene, 1e-4, 4.0));
    let crop = scene.camera.crop;
    let level = level(scene);
    let sampler = Sampler::new(scene, 1e-4);
    let timing = scene.drive.timing();
    let beats = pulses(scene, &timing, [level; 3], 2e-4, 400);
    let [across, down] = scene.camera.spacing().map(f64::from);
    let area = scene.camera.mode().area;
    let at = |share: DVec2| {
        let recorded = DVec2::new(
            f64::from(crop.x) + share.x * f64::from(crop.width),
            f64::from(crop.y) + share.y * f64::from(crop.height),
        );
        let point =
            recorded * DVec2::new(across, down) + DVec2::new(f64::from(area.x), f64::from(area.y));
        Some((share, sights.at(point)?))
    };
    // Before a camera that stands square one place serves for all.
    let shares: &[[f64; 2]] =
        match scene.pose.turn.z_axis.z > 0.999_999 && scene.wall.faces().len() == 1 {
            true => &[[0.5, 0.5]],
            false => &[[0.5, 0.5], [0.1, 0.1], [0.9, 0.1], [0.1, 0.9], [0.9, 0.9]],
        };
    let one = |(share, place): (DVec2, Place)| {
        let lattice = wall.seen(&sights, &place, true, i32::MAX);
        let means = lattice.means([level; 3]);
        let mut told: Vec<(&str, Seen)> = sampler
            .waves(&wall.fringes(&lattice, [level; 3]), means)
            .into_iter()
            .map(|seen| ("lattice", seen))
            .collect();
        let mut of_drive: Vec<Component> = Vec::new();
        for pulse in &beats {
            of_drive.extend(wall.pulsing(&lattice, [level; 3], pulse, 1e-4));
        }
        told.extend(sampler.waves(&of_drive, means).into_iter().map(|seen| ("drive", seen)));
        told.sort_by(|a, b| b.1.wave.largest().total_cmp(&a.1.wave.largest()));
        told.truncate(MOST);
        let wave = |(of, seen): &(&str, Seen)| {
            json!({
                "of": of,
                "h": seen.origin.h,
                "k": seen.origin.k,
                "slot_line": seen.origin.m,
                "cycles_per_px": seen.wave.frequency.to_array(),
                "resolved": seen.resolved,
                "changes_hz": seen.roll_hz,
                "luma_percent": 100.0 * seen.wave.luma(),
                "colour_percent": 100.0 * seen.wave.chroma(),
                "planes": planes(&seen.wave),
            })
        };
        json!({
            "at_share_of_picture": share.to_array(),
            "at_wall_px": place.wall.to_array(),
            "face": place.face,
            "waves": told.iter().map(wave).collect::<Vec<_>>(),
        })
    };
    let places = shares.iter().filter_map(|share| at(DVec2::from(*share)));
    json!({
        "of": "an even grey of the content's mean light, linear light, bilinear demosaic, frame 0",
        "level_percent": 100.0 * level,
        "phase": "at pixel coordinates 0, 0 (the picture's top left corner; a pixel's middle is at 0.5)",
        "places": places.map(one).collect::<Vec<_>>(),
    })
}

/// The truth.
pub(super) fn truth(
    recipe: &Recipe,
    number: u64,
    drawn: &Drawn,
    (split, group): (SplitName, &str),
    frames: &[Value],
    degraded: &[Degraded],
    files: Map<String, Value>,
) -> Value {
    let scene = &drawn.scene;
    let mut varied = Map::new();
    for edit in &drawn.edits {
        varied.insert(edit.key.clone(), json!(edit.value));
    }
    let mut choices = Map::new();
    for (group, choice) in &drawn.choices {
        choices.insert(group.clone(), json!(choice));
    }
    let mut kinds = Map::new();
    for (i, kind) in KINDS.iter().enumerate() {
        kinds.insert(
            KEYS[i].trim_end_matches("_percent").to_owned(),
            json!({
                "called": kind.words(),
                "contrast_percent": 100.0 * drawn.foreseen.contrast[i],
                "times_threshold": drawn.foreseen.multiple[i],
            }),
        );
    }
    let steps: Vec<Value> = degraded
        .iter()
        .map(|step| {
            let (name, number) = step.written();
            json!({ name: number })
        })
        .collect();
    json!({
        "program": { "name": "gridbeat", "version": env!("CARGO_PKG_VERSION"), "physics": PHYSICS },
        "recipe": recipe.name,
        "seed": recipe.seed,
        "sample": number,
        "draws": drawn.tries,
        "split": split.words(),
        "group": group,
        "choices": choices,
        "drawn": varied,
        "files": files,
        "degraded": steps,
        "predicted": { "verdict": drawn.foreseen.degree, "kinds": kinds },
        "components": components(scene),
        "frames": frames,
        "parameters": resolved(scene),
        "derived": derived(scene),
    })
}
