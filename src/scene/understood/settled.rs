//! What a scene has in the place of keys that are left out and whose defaults depend on others.

use crate::scene::Scene;
use crate::sensor::Readout;
use serde_json::{Value as Json, json};

/// The value of a key that is left out, in the key's unit; `None` where there is none, or none that is a number.
pub(super) fn settled(scene: &Scene, key: &str) -> Option<Json> {
    let (camera, drive, lens, wall) = (&scene.camera, &scene.drive, &scene.lens, &scene.wall);
    if let Some(rest) = key.strip_prefix("wall.emitters.") {
        let (colour, key) = rest.split_once('.')?;
        let index = crate::wall::COLOURS.iter().position(|name| *name == colour)?;
        let emitter = &wall.emitters[index];
        return match key {
            "offset_mm" => {
                Some(json!([tidy(emitter.offset_m.x * 1e3), tidy(emitter.offset_m.y * 1e3)]))
            }
            "peak_nm" => Some(json!(tidy(emitter.wavelength_m * 1e9))),
            "linewidth_nm" => Some(json!(tidy(emitter.linewidth_m * 1e9))),
            "xy" => Some(json!(emitter.xy.map(tidy))),
            "half_angle_deg" => emitter.half_angle_rad.map(|rad| json!(tidy(rad.to_degrees()))),
            _ => None,
        };
    }
    let number = match key {
        "camera.photosite_pitch_um" => camera.photosite_m * 1e6,
        "camera.shutter_angle_deg" => camera.exposure_s * camera.fps * 360.0,
        "camera.readout.rolling.readout_ms" => match camera.readout {
            Readout::Rolling { readout_s, .. } => readout_s * 1e3,
            Readout::Global => return None,
        },
        "camera.black_level" => f64::from(camera.black_level),
        "drive.refresh_hz" if !drive.is_steady() => drive.refresh_hz,
        "drive.video_hz" => drive.video_hz,
        "drive.scan" if !drive.is_steady() => f64::from(drive.scan),
        "lens.f_number" => lens.f_number,
        "lens.aberration_um" if lens.aberration_m > 0.0 => lens.aberration_m * 1e6,
        "wall.size_px" => return Some(json!([wall.columns, wall.rows])),
        "wall.cabinet_px" => return Some(json!([wall.panel_columns, wall.panel_rows])),
        _ => return None,
    };
    let number = tidy(number);
    Some(if number.fract() == 0.0 && number.abs() < 1e15 {
        json!(number as i64)
    } else {
        json!(number)
    })
}

/// Ten digits: without what the change of units left behind.
fn tidy(value: f64) -> f64 {
    format!("{value:.9e}").parse().unwrap_or(value)
}
