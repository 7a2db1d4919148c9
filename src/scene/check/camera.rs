//! Camera and low-pass filters.

use super::{Findings, mode};
use crate::frame::Window;
use crate::math::matrix3;
use crate::optics::{FrontLowPass, LowPass};
use crate::scene::written::{
    CameraFile, EffectsFile, MosaicFile, ReadoutDirectionFile, ReadoutFile, SceneFile,
};
use crate::sensor::{Camera, Mosaic, Readout};
use crate::units;

/// Longer than the frame by rounding alone is not longer.
const SLACK: f64 = 1.0 + 1e-9;

pub(super) fn camera(found: &mut Findings<'_>, file: &CameraFile, effects: &EffectsFile) -> Camera {
    let [columns, rows] = file.photosites;
    let fps = file.frame_rate_fps;
    let mosaic = match file.mosaic {
        MosaicFile::Rggb => Mosaic::Bayer([0, 1, 1, 2]),
        MosaicFile::Grbg => Mosaic::Bayer([1, 0, 2, 1]),
        MosaicFile::Gbrg => Mosaic::Bayer([1, 2, 0, 1]),
        MosaicFile::Bggr => Mosaic::Bayer([2, 1, 1, 0]),
        MosaicFile::Monochrome => Mosaic::Monochrome,
        MosaicFile::FullPlanes => Mosaic::FullPlanes,
    };
    matrix(found, file, mosaic);
    let written = mode::written(file, effects);
    let (bits, bits_key) = match written.and_then(|mode| mode.bits) {
        Some(bits) => (bits, "camera.mode.bits"),
        None => (file.bits, "camera.bits"),
    };
    let top = (1_u32 << bits) - 1;
    let black_level = file.black_level.unwrap_or((top + 1) / 16);
    if black_level >= top {
        found.refuse(
            "camera.black_level",
            &[bits_key],
            format!("{black_level} leaves no room for light: {bits} bits end at {top}"),
            "lower it, or raise `bits`",
        );
    }
    let mut camera = Camera {
        columns,
        rows,
        photosite_m: photosite_m(found, file),
        fill_factor: file.fill_factor_percent / 100.0,
        mosaic,
        readout: Readout::Global,
        fps,
        exposure_s: exposure_s(found, file, fps),
        exposure_index: file.exposure_index,
        full_well_e: file.full_well_e,
        read_noise_e: file.read_noise_e,
        prnu: file.response_spread_percent / 100.0,
        bits,
        black_level,
        noise: effects.noise,
        seed: file.noise_seed,
        matrix: file.matrix,
        crop: Window { x: 0, y: 0, width: columns, height: rows },
        mode: written.map(|written| mode::mode(found, file, written)),
    };
    mode::leaves_enough(found, &camera);
    camera.readout = readout(found, file, &camera, written.and_then(|mode| mode.readout_ms));
    camera.crop = crop(found, file, &camera);
    camera
}

fn photosite_m(found: &mut Findings<'_>, file: &CameraFile) -> f64 {
    let [columns, rows] = file.photosites.map(f64::from);
    let Some([width_mm, height_mm]) = file.sensor_mm else {
        return file.photosite_pitch_um.unwrap_or(6.0) / 1e6;
    };
    let (across, down) = (width_mm / columns, height_mm / rows);
    // Published sensor sizes are rounded to a tenth of a millimetre or so.
    if (across / down - 1.0).abs() > 0.02 {
        found.refuse(
            "camera.sensor_mm",
            &["camera.photosites"],
            format!(
                "{width_mm} × {height_mm} mm for {columns} × {rows} photosites: they would not be \
                 square ({} across, {} upright)",
                units::length(across / 1e3),
                units::length(down / 1e3)
            ),
            "give the area that this recording mode reads, or `photosite_pitch_um`",
        );
    }
    across / 1e3
}

/// The shutter; `mode_ms` is the mode's own readout time, else the full sensor's is shared out by the rows that are read.
fn readout(
    found: &mut Findings<'_>,
    file: &CameraFile,
    camera: &Camera,
    mode_ms: Option<f64>,
) -> Readout {
    let ReadoutFile::Rolling(rolling) = file.readout else { return Readout::Global };
    let fps = camera.fps;
    let frame_s = 1.0 / fps;
    let full_s = rolling.readout_ms.map_or((0.9 * frame_s).min(0.012), |ms| ms / 1e3);
    let (key, readout_s) = match (mode_ms, camera.mode) {
        (Some(ms), _) => ("camera.mode.readout_ms", ms / 1e3),
        (None, None) => ("camera.readout.rolling.readout_ms", full_s),
        (None, Some(_)) => {
            let rows = f64::from(camera.rows);
            ("camera.readout.rolling.readout_ms", full_s * (f64::from(camera.turns()) / rows))
        }
    };
    if readout_s > frame_s * SLACK {
        found.refuse(
            key,
            &["camera.frame_rate_fps", "camera.mode"],
            format!(
                "a readout of {} is longer than the frame period of {} at {}",
                units::time(readout_s),
                units::time(frame_s),
                units::rate(fps)
            ),
            "shorten the readout or lower the frame rate",
        );
    }
    let bottom_up = matches!(rolling.direction, ReadoutDirectionFile::BottomUp);
    Readout::Rolling { readout_s, bottom_up }
}

fn exposure_s(found: &mut Findings<'_>, file: &CameraFile, fps: f64) -> f64 {
    let frame_s = 1.0 / fps;
    let (key, exposure_s) = match (file.shutter_speed, file.exposure_ms) {
        (Some(seconds), _) => ("camera.shutter_speed", seconds),
        (None, Some(ms)) => ("camera.exposure_ms", ms / 1e3),
        (None, None) => {
            ("camera.shutter_angle_deg", file.shutter_angle_deg.unwrap_or(180.0) / 360.0 * frame_s)
        }
    };
    if exposure_s > frame_s * SLACK {
        found.refuse(
            key,
            &["camera.frame_rate_fps"],
            format!(
                "an exposure of {} is longer than the frame period of {} at {}",
                units::time(exposure_s),
                units::time(frame_s),
                units::rate(fps)
            ),
            "shorten the exposure or lower the frame rate",
        );
    }
    // Below this nothing is exposed at all; the schema bounds the other two ways to say it.
    if exposure_s < 1e-7 {
        found.refuse(
            key,
            &["camera.frame_rate_fps"],
            format!(
                "an exposure of {} is too short; allowed: from 100 ns",
                units::time(exposure_s)
            ),
            "",
        );
    }
    exposure_s
}

fn matrix(found: &mut Findings<'_>, file: &CameraFile, mosaic: Mosaic) {
    let norms: f64 =
        file.matrix.iter().map(|row| row.iter().map(|v| v * v).sum::<f64>().sqrt()).product();
    let flat = if mosaic == Mosaic::Monochrome {
        file.matrix.iter().flatten().all(|v| *v == 0.0)
    } else {
        matrix3::determinant(&file.matrix).abs() <= 1e-6 * norms
    };
    if flat {
        found.refuse(
            "camera.matrix",
            &["camera.mosaic"],
            "with this matrix the camera cannot tell red, green and blue apart".into(),
            "each row is to be largest at its own colour",
        );
    }
}

fn crop(found: &mut Findings<'_>, file: &CameraFile, camera: &Camera) -> Window {
    let [columns, rows] = camera.recorded_size();
    let Some(crop) = file.crop else {
        return Window { x: 0, y: 0, width: columns, height: rows };
    };
    let window = Window { x: crop.x, y: crop.y, width: crop.width, height: crop.height };
    let (right, bottom) = (crop.x + crop.width, crop.y + crop.height);
    if right > columns || bottom > rows {
        found.refuse(
            "camera.crop",
            &["camera.photosites", "camera.mode"],
            format!(
                "the crop ends at column {right} and row {bottom}; the {} {columns} × {rows} \
                 photosites",
                if camera.mode.is_some() { "mode records" } else { "sensor has" }
            ),
            "make the crop smaller or move it up and left",
        );
    }
    window
}

pub(super) fn low_pass(
    found: &mut Findings<'_>,
    file: &SceneFile,
    photosite_m: f64,
) -> Option<LowPass> {
    let written = file.filters.low_pass.as_ref()?;
    let both_m = written
        .separation_um
        .map(|um| um / 1e6)
        .or(written.separation_photosites.map(|count| count * photosite_m));
    let across_m = written.across_um.map(|um| um / 1e6).or(both_m);
    let upright_m = written.upright_um.map(|um| um / 1e6).or(both_m);
    if across_m.is_none() && upright_m.is_none() {
        found.refuse(
            "filters.low_pass",
            &[],
            "a filter without a separation".into(),
            "add `separation_um` or `separation_photosites`",
        );
    }
    let both = if written.separation_um.is_some() {
        "filters.low_pass.separation_um"
    } else {
        "filters.low_pass.separation_photosites"
    };
    if both_m.is_some() && written.across_um.is_some() && written.upright_um.is_some() {
        found.refuse(
            both,
            &[],
            "`across_um` and `upright_um` leave nothing for it to say".into(),
            "keep this one, or those two",
        );
    }
    let filter = LowPass { across_m: across_m.unwrap_or(0.0), upright_m: upright_m.unwrap_or(0.0) };
    let works = filter.across_m > 0.0 || filter.upright_m > 0.0;
    (file.effects.low_pass && works).then_some(filter)
}

pub(super) fn front_low_pass(found: &mut Findings<'_>, file: &SceneFile) -> Option<FrontLowPass> {
    let written = file.filters.front_low_pass.as_ref()?;
    let across = written.across_arcmin.or(written.split_arcmin);
    let upright = written.upright_arcmin.or(written.split_arcmin);
    if across.is_none() && upright.is_none() {
        found.refuse(
            "filters.front_low_pass",
            &[],
            "a filter without a split".into(),
            "add `split_arcmin`",
        );
    }
    if written.split_arcmin.is_some()
        && written.across_arcmin.is_some()
        && written.upright_arcmin.is_some()
    {
        found.refuse(
            "filters.front_low_pass.split_arcmin",
            &[],
            "`across_arcmin` and `upright_arcmin` leave nothing for it to say".into(),
            "keep this one, or those two",
        );
    }
    let radians = |arcmin: Option<f64>| (arcmin.unwrap_or(0.0) / 60.0).to_radians();
    let filter = FrontLowPass { across_rad: radians(across), upright_rad: radians(upright) };
    let works = filter.across_rad > 0.0 || filter.upright_rad > 0.0;
    (file.effects.front_low_pass && works).then_some(filter)
}
