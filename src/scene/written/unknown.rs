//! What `unknown` stands for, key by key, and who can be asked about a key.
//!
//! The ranges are what kit of the trade usually has (common practice, no source; from memory): wide enough that kit of every class
//! lies inside, no promise that yours does. A key without a row takes a written range `[low, high]` only. They become `x-typical`
//! of the schema, so that the key reference, editors and the reader of a scene all show the same.

use serde_json::{Value as Json, json};

/// Typical ranges, in the unit of the key; paths as in the key reference, lists without their numbers.
pub(super) const TYPICAL: [(&str, [f64; 2]); 70] = [
    // The wall: rental walls for film, fine indoor to coarse stage.
    ("wall.pixel_pitch_mm", [1.2, 4.0]),
    ("wall.emitters.red.peak_nm", [615.0, 635.0]),
    ("wall.emitters.red.linewidth_nm", [12.0, 25.0]),
    ("wall.emitters.red.half_angle_deg", [50.0, 75.0]),
    ("wall.emitters.green.peak_nm", [515.0, 540.0]),
    ("wall.emitters.green.linewidth_nm", [25.0, 40.0]),
    ("wall.emitters.green.half_angle_deg", [50.0, 75.0]),
    ("wall.emitters.blue.peak_nm", [455.0, 475.0]),
    ("wall.emitters.blue.linewidth_nm", [18.0, 30.0]),
    ("wall.emitters.blue.half_angle_deg", [50.0, 75.0]),
    ("wall.white_nits", [600.0, 2000.0]),
    ("wall.brightness_percent", [5.0, 100.0]),
    ("wall.dimming.mixed.pulse_below_percent", [10.0, 60.0]),
    ("wall.transfer.gamma", [2.0, 2.8]),
    ("wall.bits", [8.0, 12.0]),
    ("wall.diffuser.stand_off_mm", [1.0, 30.0]),
    ("wall.diffuser.scatter_fwhm_deg", [10.0, 60.0]),
    ("wall.diffuser.transmission_percent", [50.0, 90.0]),
    ("wall.seam_mm", [0.0, 0.3]),
    ("wall.cabinet_spread.brightness_percent", [0.3, 3.0]),
    ("wall.cabinet_spread.white_percent", [0.0, 2.0]),
    ("wall.cabinet_spread.clock_us", [0.0, 5.0]),
    ("wall.dead_emitters_per_million", [0.0, 50.0]),
    ("wall.reflectance_percent", [2.0, 10.0]),
    ("wall.ambient_lx", [0.0, 200.0]),
    // The drive: from old or cheap receiving cards to those sold for cameras.
    ("drive.refresh_hz", [960.0, 7680.0]),
    ("drive.sheet_video_hz", [50.0, 60.0]),
    ("drive.scan", [4.0, 64.0]),
    ("drive.rise_ns", [5.0, 200.0]),
    ("drive.fall_ns", [5.0, 200.0]),
    ("drive.genlock.locked.phase_deg", [0.0, 360.0]),
    ("drive.genlock.free.phase_deg", [0.0, 360.0]),
    // Two quartz clocks of 50 ppm each.
    ("drive.genlock.free.drift_ppm", [-100.0, 100.0]),
    ("drive.advanced.grey_bits", [12.0, 16.0]),
    ("drive.advanced.dark_per_slot_us", [0.0, 2.0]),
    ("drive.advanced.dark_per_refresh_us", [0.0, 20.0]),
    ("drive.advanced.dark_per_frame_us", [0.0, 500.0]),
    ("drive.advanced.grey_clock_mhz", [5.0, 33.0]),
    ("drive.advanced.sub_periods", [16.0, 128.0]),
    ("drive.advanced.clocks_per_turn", [64.0, 1024.0]),
    ("drive.advanced.switch_clocks", [0.0, 64.0]),
    ("drive.advanced.on_time_error_ns", [-50.0, 50.0]),
    // The lens and its filters.
    ("lens.aberration_um", [1.0, 6.0]),
    ("lens.aberration_mtf50_cycles_per_mm", [30.0, 150.0]),
    ("lens.distortion_percent", [-3.0, 1.0]),
    ("lens.squeeze", [1.3, 2.0]),
    ("lens.iris.bladed.blades", [6.0, 16.0]),
    ("lens.iris.bladed.rotation_deg", [0.0, 60.0]),
    ("filters.low_pass.separation_um", [2.0, 8.0]),
    ("filters.low_pass.separation_photosites", [0.5, 1.0]),
    ("filters.low_pass.across_um", [2.0, 8.0]),
    ("filters.low_pass.upright_um", [2.0, 8.0]),
    // The camera.
    ("camera.photosite_pitch_um", [2.4, 9.0]),
    ("camera.fill_factor_percent", [60.0, 100.0]),
    ("camera.readout.rolling.readout_ms", [4.0, 25.0]),
    ("camera.full_well_e", [10_000.0, 80_000.0]),
    ("camera.read_noise_e", [1.0, 10.0]),
    ("camera.response_spread_percent", [0.2, 1.5]),
    ("camera.bits", [10.0, 16.0]),
    ("camera.mode.readout_ms", [4.0, 25.0]),
    ("camera.mode.bits", [10.0, 14.0]),
    // Everything else.
    ("placement.roll_deg", [-2.0, 2.0]),
    ("foreground.light_lx", [100.0, 1000.0]),
    ("other_light.frequency_hz", [100.0, 120.0]),
    ("other_light.depth_percent", [5.0, 100.0]),
    ("other_light.shape.pwm.duty_percent", [10.0, 90.0]),
    ("viewing.distance_picture_heights", [1.5, 6.0]),
    ("viewing.display_white_nits", [48.0, 300.0]),
    ("viewing.picture_contrast_percent", [0.0, 10.0]),
    ("tolerances.readout_percent", [2.0, 20.0]),
];

/// Who knows a key's value: the longest beginning of a path wins. The words follow "ask" or stand for themselves.
const ASK: [(&str, &str); 24] = [
    ("wall", "ask the rental house"),
    ("wall.brightness_percent", "ask whoever runs the wall"),
    ("wall.ambient_lx", "measure on set, with a light meter at the wall"),
    ("wall.emitters", "ask the rental house for the wall's data sheet, or the maker"),
    ("drive", "ask the rental house"),
    ("drive.video_hz", "ask whoever feeds the wall"),
    ("drive.genlock", "ask whoever feeds the wall: is it genlocked to the camera?"),
    ("drive.advanced", "ask the rental house, who asks the maker of the wall's control"),
    ("content", "ask whoever makes the wall's pictures"),
    ("lens", "look at the lens and its data sheet"),
    ("lens.focus", "measure on set, with a tape"),
    ("filters", "look at the filters, or the camera's documentation"),
    ("filters.low_pass", "look in the camera's documentation"),
    ("camera", "look in the camera's documentation"),
    (
        "camera.readout",
        "look in the camera's documentation, or measure it: `gridbeat measure lamp.png --lamp-hz 100`",
    ),
    (
        "camera.mode.readout_ms",
        "look in the camera's documentation, or measure it: `gridbeat measure lamp.png --lamp-hz 100`",
    ),
    ("subject", "measure on set, with a tape"),
    ("placement", "measure on set, with tape and level"),
    ("moves", "ask whoever moves the camera"),
    ("foreground", "measure on set"),
    ("other_light", "ask the gaffer"),
    ("delivery", "ask the post house"),
    ("viewing", "ask how the picture will be shown"),
    ("tolerances", "ask the camera crew"),
];

/// A path without the numbers of its lists.
fn plain(path: &str) -> String {
    let mut inside = false;
    path.chars()
        .filter(|c| {
            inside = (inside || *c == '[') && *c != ']';
            !inside && *c != ']'
        })
        .collect()
}

/// What `unknown` stands for at a key, in the key's unit; `None` where it needs a written range.
pub fn typical(path: &str) -> Option<[f64; 2]> {
    let path = plain(path);
    TYPICAL.iter().find(|(key, _)| *key == path).map(|(_, range)| *range)
}

/// Who knows the value of a key, as an errand: `ask the rental house`.
pub fn whom_to_ask(path: &str) -> &'static str {
    let path = plain(path);
    let within =
        |key: &str| path.strip_prefix(key).is_some_and(|r| r.is_empty() || r.starts_with('.'));
    let found = ASK.iter().filter(|(key, _)| within(key)).max_by_key(|(key, _)| key.len());
    found.map_or("find out", |(_, words)| words)
}

/// Writes the typical ranges into the schema. A row whose key is not there is passed over; a test sees that there is none.
pub(super) fn into_schema(schema: &mut Json) {
    for (path, range) in TYPICAL {
        if let Some(Json::Object(key)) = find(schema, path) {
            key.insert("x-typical".into(), json!(range));
        }
    }
}

/// The schema of a key.
fn find<'a>(schema: &'a mut Json, path: &str) -> Option<&'a mut Json> {
    let mut at = schema;
    for part in path.split('.') {
        if at["items"].is_object() {
            at = &mut at["items"];
        }
        at = if at["oneOf"].is_array() {
            at["oneOf"].as_array_mut()?.iter_mut().find_map(|o| o["properties"].get_mut(part))?
        } else {
            at["properties"].get_mut(part)?
        };
    }
    Some(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_a_key_and_lies_within_what_it_allows() {
        let mut schema = super::super::schema().clone();
        for (path, [low, high]) in TYPICAL {
            let key = find(&mut schema, path).unwrap_or_else(|| panic!("no key {path}"));
            assert!(low < high, "{path}");
            let [least, most] = ["minimum", "maximum"].map(|k| key[k].as_f64());
            assert!(least.is_some_and(|l| l <= low), "{path}: {low} under {least:?}");
            assert!(most.is_some_and(|m| m >= high), "{path}: {high} over {most:?}");
            let whole = low.fract() == 0.0 && high.fract() == 0.0;
            assert!(whole || key["type"] != "integer", "{path}");
            assert_eq!(key["x-typical"], json!([low, high]), "{path}");
            assert_eq!(typical(path), Some([low, high]));
        }
    }

    #[test]
    fn every_errand_is_of_a_key_and_lists_do_not_matter() {
        let mut schema = super::super::schema().clone();
        for (path, _) in ASK {
            assert!(find(&mut schema, path).is_some(), "no key {path}");
        }
        assert_eq!(plain("other_light[2].frequency_hz"), "other_light.frequency_hz");
        assert_eq!(plain("camera.matrix[1][2]"), "camera.matrix");
        assert_eq!(typical("other_light[2].frequency_hz"), Some([100.0, 120.0]));
        assert_eq!(whom_to_ask("drive.refresh_hz"), "ask the rental house");
        assert_eq!(
            whom_to_ask("wall.ambient_lx"),
            "measure on set, with a light meter at the wall"
        );
    }
}
