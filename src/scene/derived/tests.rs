//! Derived numbers against published or hand-worked values. Handbook: the project's table of
//! physics formulas and check values.

use super::*;
use crate::scene::{NoPictures, Scene, parse};

fn scene(text: &str) -> Scene {
    match parse(text, "studio", &NoPictures) {
        Ok(scene) => scene,
        Err(problems) => panic!("{problems:#?}"),
    }
}

fn numbers(text: &str) -> Derived {
    derived(&scene(text))
}

fn close(got: f64, want: f64, digits: f64) {
    assert!((got - want).abs() <= digits, "{got}, not {want}");
}

/// Handbook section 2, circle of confusion: f 50 mm, N 2.8, focus 5 m, wall at 6 m.
#[test]
fn blur_disc_and_magnification() {
    let n = numbers(
        "wall: {pixel_pitch_mm: 2.6, size_px: [960, 540], emitters: {green: {peak_nm: 550}}}
lens: {focal_mm: 50, f_number: 2.8, focus: {distance_m: 5}}
placement: {distance_m: 6, measured_from: lens}
camera: {photosite_pitch_um: 5}
",
    );
    let middle = &n.wall_on_sensor[0];
    close(middle.depth_m, 6.0, 1e-9);
    close(middle.blur_disc_um, 30.0625, 1e-3);
    close(middle.blur_disc_photosites, 30.0625 / 5.0, 1e-3);
    // The cone of light through the pupil, f/N wide at the lens and a point at 5 m, is f/N/5 wide at 6 m.
    close(middle.blur_disc_on_wall_mm, 50.0 / 2.8 / 5.0, 1e-6);
    close(middle.defocus_waves[1], 2.4157, 1e-3);
    close(n.lens.working_f_number, 2.828283, 1e-6);
    close(n.lens.magnification_in_focus, 0.0101010, 1e-7);
    // Facing straight on, every place is as deep as the middle.
    for place in &n.wall_on_sensor {
        close(place.blur_disc_um, middle.blur_disc_um, 1e-9);
    }
}

/// Handbook section 4, wall grid on the sensor.
#[test]
fn pitch_on_the_sensor() {
    for (focal_mm, distance_m, pitch_mm, photosite_um, want) in [
        (35.0, 4.0, 2.5, 5.0, 4.413619),
        (50.0, 5.0, 1.5, 5.0, 3.030303),
        (24.0, 3.0, 2.5, 6.0, 3.360215),
    ] {
        let n = numbers(&format!(
            "wall: {{pixel_pitch_mm: {pitch_mm}, size_px: [960, 540]}}
lens: {{focal_mm: {focal_mm}, f_number: 4, focus: {{distance_m: {distance_m}}}}}
placement: {{distance_m: {distance_m}, measured_from: lens}}
camera: {{photosite_pitch_um: {photosite_um}}}
"
        ));
        assert_eq!(n.wall_on_sensor.len(), 5);
        for place in &n.wall_on_sensor {
            close(place.pitch_across_photosites, want, 1e-6);
            close(place.pitch_upright_photosites, want, 1e-6);
            close(place.blur_disc_photosites, 0.0, 1e-9);
        }
    }
}

/// A camera that looks at the wall at 30° sees its pitch foreshortened by cos 30° across in the
/// middle, and a flat angle of view of the sensor's own size.
#[test]
fn slanted_view() {
    let n = numbers(
        "wall: {pixel_pitch_mm: 2, size_px: [4000, 2000]}
lens: {focal_mm: 50, f_number: 4, focus: {distance_m: 4}}
placement: {distance_m: 4, measured_from: lens, pan_deg: 30}
camera: {photosites: [2000, 1000], photosite_pitch_um: 5, crop: {x: 1000, y: 500, width: 1000, height: 500}}
effects: {distortion: off}
",
    );
    let image_m = 0.05 * 4.0 / (4.0 - 0.05);
    close(n.lens.image_distance_m, image_m, 1e-12);
    close(n.lens.wall_on_axis_m.unwrap(), 4.0, 1e-9);
    // The recorded corner is the lens axis itself: its top left.
    let axis = &n.wall_on_sensor[1];
    assert_eq!((axis.place, axis.at_photosites), ("top left", [1000.0, 500.0]));
    let pitch = 0.002 * image_m / 4.0 / 5e-6;
    close(axis.pitch_across_photosites, pitch * (PI / 6.0).cos(), 1e-9);
    close(axis.pitch_upright_photosites, pitch, 1e-9);
    // From the axis to the edge: atan(half the sensor over the image distance).
    close(n.view.across_deg, (0.005_f64 / image_m).atan().to_degrees(), 1e-9);
    close(n.view.upright_deg, (0.0025_f64 / image_m).atan().to_degrees(), 1e-9);
}

/// Angle of view: 36 mm at a 35 mm lens is 54.432° at infinity (handbook section 13).
#[test]
fn field_of_view() {
    let n = numbers(
        "wall: {pixel_pitch_mm: 20, size_px: [960, 540]}
lens: {focal_mm: 35, f_number: 4, focus: {distance_m: 100000}}
placement: {distance_m: 10, measured_from: lens}
camera: {photosites: [3600, 2400], sensor_mm: [36, 24]}
",
    );
    close(n.view.across_deg, 54.432, 1e-3);
    // On a wall 10 m away: 10 m · 36/v.
    let image_m = n.lens.image_distance_m;
    close(n.view.width_at_wall_m.unwrap(), 10.0 * 0.036 / image_m, 1e-9);
    close(n.view.height_at_wall_m.unwrap(), 10.0 * 0.024 / image_m, 1e-9);
}

const STUDIO: &str =
    "wall: {pixel_pitch_mm: 2.6, size_px: [64, 48], white_nits: 800, brightness_percent: 50}
lens: {focal_mm: 35, f_number: 2.8}
placement: {distance_m: 3}
";

fn timing_of(more: &str) -> TimingNumbers {
    numbers(&format!("{STUDIO}{more}")).timing
}

/// Handbook section 5: 3840 Hz, readout 16 ms over 2160 rows: line 7.407407 µs, 61.44 bands, period
/// 35.15625 rows; at 24000/1001 bands roll at 3.836164 Hz.
#[test]
fn bands_and_line_time() {
    let t = timing_of(
        "drive: {refresh_hz: 3840, video_hz: 24}
camera: {frame_rate_fps: 24, readout: {rolling: {readout_ms: 16}}}
",
    );
    close(t.line_time_s, 7.407407e-6, 1e-12);
    close(t.bands_per_frame.unwrap(), 61.44, 1e-9);
    close(t.band_period_rows.unwrap(), 35.15625, 1e-9);
    close(t.band_roll_hz.unwrap(), 0.0, 1e-9);
    close(t.refreshes_per_exposure.unwrap(), 80.0, 1e-9);
    let t = timing_of(
        "drive: {refresh_hz: 3840, video_hz: 24, genlock: {free: {drift_ppm: 0}}}
camera: {frame_rate_fps: 23.976}
",
    );
    close(t.band_roll_hz.unwrap(), 3.836164, 1e-6);
    close(t.refreshes_per_exposure.unwrap(), 80.08, 1e-9);
}

#[test]
fn a_steady_wall_and_a_global_shutter_have_no_bands() {
    let t = timing_of("drive: {kind: steady}\n");
    assert_eq!(
        (t.refreshes_per_exposure, t.bands_per_frame, t.pattern_repeats_s),
        (None, None, None)
    );
    assert!(t.clean_shutters.is_empty() && t.clean_shutters_for_every_grey.is_empty());
    let t = timing_of("camera: {readout: global}\n");
    assert_eq!((t.line_time_s, t.bands_per_frame), (0.0, None));
    assert!(t.refreshes_per_exposure.is_some());
}

/// 3840 Hz, 1/1000 s at 25 fps: 3.84 refreshes; clean are 2, 3, 4, 5 of them, and 3/3840 s is
/// 360°·25·3/3840 = 7.03125°.
#[test]
fn clean_shutters_are_the_nearest() {
    let t = timing_of(
        "drive: {refresh_hz: 3840, video_hz: 60}
camera: {frame_rate_fps: 25, shutter_speed: 1/1000}
",
    );
    let periods: Vec<u32> = t.clean_shutters.iter().map(|s| s.periods).collect();
    assert_eq!(periods, [2, 3, 4, 5]);
    close(t.clean_shutters[1].exposure_s, 3.0 / 3840.0, 1e-15);
    close(t.clean_shutters[1].shutter_angle_deg, 7.03125, 1e-9);
    assert!(t.clean_shutters_for_every_grey.is_empty());
}

#[test]
fn clean_shutters_end_with_the_frame_and_start_with_one_period() {
    let of = |exposure_s: f64, fps: f64, period_s: f64| -> Vec<u32> {
        clean_shutters(exposure_s, fps, period_s).iter().map(|s| s.periods).collect()
    };
    // 24 fps holds 2.5 periods of 1/60 s.
    assert_eq!(of(1.0 / 48.0, 24.0, 1.0 / 60.0), [1, 2]);
    // Exactly 160 in a frame of 1/24 s, and the present one is whole: it is in the list.
    assert_eq!(of(1.0 / 24.0, 24.0, 1.0 / 3840.0), [159, 160]);
    assert_eq!(of(1.0 / 48.0, 24.0, 1.0 / 3840.0), [79, 80, 81, 82]);
    // Shorter than one period.
    assert_eq!(of(1e-4, 24.0, 1.0 / 3840.0), [1, 2]);
    // No period fits the frame.
    assert_eq!(of(1.0 / 120.0, 60.0, 1.0 / 50.0), [] as [u32; 0]);
}

/// A split level repeats by the video frame: clean at every grey is a whole number of those.
#[test]
fn split_levels_repeat_by_the_video_frame() {
    let t = timing_of(
        "drive: {kind: {split: {}}, refresh_hz: 3840, video_hz: 60}
camera: {frame_rate_fps: 24}
",
    );
    close(t.pattern_repeats_s.unwrap(), 1.0 / 60.0, 1e-15);
    let greys: Vec<u32> = t.clean_shutters_for_every_grey.iter().map(|s| s.periods).collect();
    assert_eq!(greys, [1, 2]);
    let periods: Vec<u32> = t.clean_shutters.iter().map(|s| s.periods).collect();
    assert_eq!(periods, [79, 80, 81, 82]);
}

/// H = π/4·L·t/N_w² = π/4·400/48/N_w²; stops = log₂(H·EI/10); half light is one stop less.
#[test]
fn exposure_in_stops() {
    let n = numbers(&format!("{STUDIO}content: {{solid: {{light_percent: 50}}}}\n"));
    let h = PI / 4.0 * 400.0 / 48.0 / n.lens.working_f_number.powi(2);
    let e = &n.exposure;
    close(e.full_white_lx_s, h, 1e-12);
    close(e.shutter_angle_deg, 180.0, 1e-9);
    let stops = (h * 800.0 / 10.0).log2();
    close(e.full_white_stops_about_mid_grey.unwrap(), stops, 1e-9);
    // 50 % of the light to the nearest of 1024 codes: within half a step, 2.2/2/1023/0.73 = 0.15 %.
    close(e.content_mean_share, 0.5, 0.0015);
    close(e.content_mean_stops_about_mid_grey.unwrap(), stops - 1.0, 0.005);
    // The converter's top is at 78/EI, log₂ 7.8 above mid-grey (both by definition), unless the full
    // well is smaller.
    close(e.clips_at_electrons, (4095.0 - 256.0) / e.gain_levels_per_electron, 1e-9);
    close(e.full_white_stops_over_clipping.unwrap(), stops - 7.8_f64.log2(), 1e-9);
    assert_eq!(e.white_level, 4095);
    // At EI 100 the full well of 40 000 e− is reached first, and development knows.
    let low = numbers(&format!("{STUDIO}camera: {{exposure_index: 100}}\n")).exposure;
    assert_eq!(low.clips_at_electrons, 40_000.0);
    let full_level = (256.0 + 40_000.0 * low.gain_levels_per_electron).floor();
    assert_eq!(f64::from(low.white_level), full_level);
    assert!(
        full_level < 4095.0
            && low.full_white_stops_over_clipping > Some(stops - 3.0 - 7.8_f64.log2())
    );
    let dark = numbers(&format!("{STUDIO}content: {{solid: {{light_percent: 0}}}}\n"));
    assert_eq!(dark.exposure.content_mean_stops_about_mid_grey, None);
}
