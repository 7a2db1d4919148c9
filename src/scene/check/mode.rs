//! Recording mode and the shutter settings that the camera offers.

use super::Findings;
use super::delivery::scale_filter;
use crate::develop::Scaling;
use crate::frame::Window;
use crate::scene::written::{BinAsFile, CameraFile, EffectsFile, ModeFile, ReadoutFile};
use crate::sensor::Camera;
use crate::sensor::mode::{Joining, Mode};
use crate::units;

/// Fewest columns and rows of a recording, as of a sensor.
const FEWEST: u32 = 8;

/// The mode as written, unless it is switched off.
pub(super) fn written<'f>(file: &'f CameraFile, effects: &EffectsFile) -> Option<&'f ModeFile> {
    file.mode.as_ref().filter(|_| effects.mode)
}

pub(super) fn mode(found: &mut Findings<'_>, camera: &CameraFile, file: &ModeFile) -> Mode {
    let [columns, rows] = camera.photosites;
    let [width, height] = file.area_photosites.unwrap_or(camera.photosites);
    if width > columns || height > rows {
        found.refuse(
            "camera.mode.area_photosites",
            &["camera.photosites"],
            format!("{width} × {height} photosites of a sensor of {columns} × {rows}"),
            "`camera.photosites` counts the full sensor, the mode a part of it",
        );
    }
    if file.readout_ms.is_some() && matches!(camera.readout, ReadoutFile::Global) {
        found.refuse(
            "camera.mode.readout_ms",
            &["camera.readout"],
            "a global shutter has no readout time: all rows are exposed at once".into(),
            "take it out, or set `readout: rolling`",
        );
    }
    // From an even column and row on, so that the mosaic's colours stay where they are.
    let middle = |whole: u32, part: u32| whole.saturating_sub(part) / 2 / 2 * 2;
    Mode {
        area: Window {
            x: middle(columns, width),
            y: middle(rows, height),
            width: width.min(columns),
            height: height.min(rows),
        },
        read_one_of: file.read_one_of,
        bin: file.bin,
        joining: match file.bin_as {
            BinAsFile::Charge => Joining::Charge,
            BinAsFile::Levels => Joining::Levels,
        },
    }
}

/// Refuses a mode that records next to nothing.
pub(super) fn leaves_enough(found: &mut Findings<'_>, camera: &Camera) {
    let [width, height] = camera.recorded_size();
    if camera.mode.is_some() && (width < FEWEST || height < FEWEST) {
        found.refuse(
            "camera.mode",
            &["camera.photosites"],
            format!(
                "this mode records {width} × {height} photosites; allowed: at least {FEWEST} × {FEWEST}"
            ),
            "skip or join fewer, or use more of the sensor",
        );
    }
}

/// Scaling in the camera; a crop is not scaled.
pub(super) fn scaling(camera: &CameraFile, effects: &EffectsFile) -> Option<Scaling> {
    let mode = written(camera, effects)?;
    let [width, height] = mode.scale_to_px?;
    let filter = scale_filter(mode.scale_filter);
    camera.crop.is_none().then_some(Scaling { size: (width, height), filter })
}

/// Notes a shutter setting that the camera does not offer.
pub(super) fn shutter_offered(found: &mut Findings<'_>, file: &CameraFile, camera: &Camera) {
    /// Rounding alone makes no other setting.
    const SAME: f64 = 1e-6;
    let Some(offered) = &file.shutter_offered else { return };
    let frame_s = 1.0 / camera.fps;
    let exposure_s = camera.exposure_s;
    let of_angle = |angle: f64| (angle / 360.0 * frame_s, format!("{}°", units::number(angle)));
    let mut all: Vec<(f64, String)> =
        offered.angles_deg.iter().flatten().map(|&angle| of_angle(angle)).collect();
    all.extend(offered.speeds.iter().flatten().map(|&s| (s, units::shutter(s))));
    if let Some(step) = offered.angle_step_deg {
        let steps = exposure_s / frame_s * 360.0 / step;
        let nearest = [(steps + SAME).floor(), (steps - SAME).ceil()];
        let angles = nearest.map(|n| n * step);
        all.extend(angles.into_iter().filter(|a| *a > 0.0 && *a <= 360.0).map(of_angle));
    }
    // What does not fit into a frame cannot be chosen at this rate.
    all.retain(|(s, _)| *s <= frame_s * (1.0 + SAME));
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    if all.iter().any(|(s, _)| (s / exposure_s - 1.0).abs() <= SAME) {
        return;
    }
    let shorter = all.iter().rfind(|(s, _)| *s < exposure_s);
    let longer = all.iter().find(|(s, _)| *s > exposure_s);
    let key = ["camera.shutter_speed", "camera.exposure_ms", "camera.shutter_angle_deg"]
        .into_iter()
        .find(|key| found.given(key))
        .unwrap_or("camera.shutter_offered");
    let now = format!(
        "{} ({}°)",
        units::shutter(exposure_s),
        units::number(exposure_s * camera.fps * 360.0)
    );
    let near: Vec<&str> =
        [shorter, longer].into_iter().flatten().map(|(_, w)| w.as_str()).collect();
    let hint = match near.as_slice() {
        [] => {
            "none of what it offers fits into a frame at this rate: check `shutter_offered`".into()
        }
        [one] => format!("the nearest it offers is {one}"),
        both => format!("the nearest it offers are {}", both.join(" and ")),
    };
    found.note(key, format!("the camera does not offer a shutter of {now}"), &hint);
}
