use super::sources::{Line, Source};
use super::*;
use crate::math::special::sinc;
use crate::predict::landed::Apart;
use crate::scene::{NoPictures, parse};
use rustfft::num_complex::Complex64;

fn scene(drive: &str, camera: &str, more: &str) -> Scene {
    let text = format!(
        "wall: {{pixel_pitch_mm: 2.5, size_px: [1600, 800], cabinet_px: [200, 200]}}\n\
         content: {{solid: {{light_percent: 50}}}}\n\
         lens: {{focal_mm: 35, f_number: 2.8, focus: {{distance_m: 2.5}}}}\n\
         placement: {{distance_m: 5}}\nviewing: {{picture_contrast_percent: 2}}\ndrive: {drive}\ncamera: {camera}\n{more}\n"
    );
    parse(&text, "shutters", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"))
}

fn row(found: &Shutters, exposure_s: f64) -> &Setting {
    let near = |s: &&Setting| (s.exposure_s / exposure_s - 1.0).abs() < 1e-5;
    found.table.iter().find(near).unwrap_or_else(|| panic!("{:#?}", found.lines()))
}

/// Handbook §13: angle and time.
#[test]
fn angles_are_times() {
    for (fps, t) in [
        (24_000.0 / 1001.0, 1001.0 / 48_000.0),
        (24.0, 1.0 / 48.0),
        (25.0, 1.0 / 50.0),
        (30_000.0 / 1001.0, 1.0 / 59.9401),
        (30.0, 1.0 / 60.0),
        (50.0, 1.0 / 100.0),
        (60_000.0 / 1001.0, 1.0 / 119.8801),
        (60.0, 1.0 / 120.0),
        (120_000.0 / 1001.0, 1.0 / 239.7602),
    ] {
        assert!((exposure_of_angle_s(180.0, fps) / t - 1.0).abs() < 1e-6, "{fps}");
    }
    for (t, fps, angle) in [
        (1.0 / 50.0, 24.0, 172.8),
        (1.0 / 50.0, 24_000.0 / 1001.0, 172.6274),
        (1.0 / 60.0, 24.0, 144.0),
        (1.0 / 60.0, 25.0, 150.0),
    ] {
        let found = angle_of_exposure_deg(t, fps);
        assert!((found - angle).abs() < 5e-5, "{found} {angle}");
        assert!((exposure_of_angle_s(found, fps) - t).abs() < 1e-15);
    }
}

#[test]
fn a_whole_number_of_refreshes_is_clean_and_half_a_refresh_more_is_not() {
    let drive = "{kind: pwm, refresh_hz: 960}";
    let found = shutters(&scene(drive, "{frame_rate_fps: 24}", ""));
    // 180° at 24 fps: 20 refreshes of 1/960 s.
    let now = row(&found, 1.0 / 48.0);
    assert!(now.present && now.all_clean && now.best, "{:#?}", found.lines());
    assert!(now.bands.iter().all(|b| b.contrast < 1e-6));
    let between = row(&found, 1.0 / 125.0);
    assert!(!between.all_clean, "{:#?}", found.lines());
    // At 1/125 s: 2·sinc(0.18)·sinc(7.68).
    let grey = &between.bands[1];
    let expected = 2.0 * sinc(0.18) * sinc(7.68).abs();
    assert!((grey.contrast / expected - 1.0).abs() < 0.02, "{} {expected}", grey.contrast);
    let clean = &found.clean[1];
    assert!((clean.frequency_hz.expect("pulsed") - 960.0).abs() < 1e-6);
    assert_eq!(clean.settings[0].periods, 20);
    let sync = found.sync.expect("pulsed");
    assert!((sync.refreshes_per_frame - 40.0).abs() < 1e-9 && sync.roll_hz.abs() < 1e-9);
    assert!(shutters(&scene("{kind: steady}", "{}", "")).sync.is_none());
}

#[test]
fn tolerance_is_where_the_bands_pass_their_threshold() {
    let part = |hz: f64, contrast: f64| Apart {
        hz,
        planes: [Complex64::from(contrast); 3],
        turned_over: false,
    };
    let line = |hz: f64, multiple: f64| Line {
        parts: vec![part(hz, 0.01 * multiple)],
        per_contrast: [100.0, 0.0],
        period_lines: Some(30.0),
        roll_hz: 0.0,
    };
    let source = Source {
        lines: vec![line(960.0, 500.0), line(1920.0, 90.0)],
        period_s: 1.0 / 960.0,
        refresh_s: 1.0 / 960.0,
    };
    let clean_s = 20.0 / 960.0;
    assert!(source.multiple(clean_s) < 1e-9);
    let off = source.tolerance(clean_s).expect("a limit");
    assert!(off > 0.0 && off < 0.025, "{off}");
    for (share, seen) in [(0.97, false), (1.03, true)] {
        let worst = source
            .multiple(clean_s * (1.0 - off * share))
            .max(source.multiple(clean_s * (1.0 + off * share)));
        assert_eq!(worst > 1.0, seen, "{share}: {worst}");
    }
    // What is too weak for any exposure near by needs no care: 2/(π·20) of 30 is below 1.
    let weak =
        Source { lines: vec![line(960.0, 30.0)], period_s: 1.0 / 960.0, refresh_s: 1.0 / 960.0 };
    assert_eq!(weak.tolerance(clean_s), None);
    // Two harmonics on one wave: apart as above, together sooner seen; where they end each other, later.
    let both = |second: f64| {
        let parts = vec![part(960.0, 5.0), part(1920.0, second)];
        let lines = vec![Line { parts, ..line(960.0, 1.0) }];
        Source { lines, period_s: 1.0 / 960.0, refresh_s: 1.0 / 960.0 }
    };
    let one = both(0.0).tolerance(clean_s).expect("a limit");
    assert!((one / off - 1.0).abs() < 1e-4, "{one} {off}");
    for second in [2.0, -2.0] {
        let source = both(second);
        let off = source.tolerance(clean_s).expect("a limit");
        assert_eq!(off < one, second > 0.0, "{second}: {off} {one}");
        for (share, seen) in [(0.999, false), (1.001, true)] {
            let at = |off: f64| source.multiple(clean_s * (1.0 + off * share));
            assert_eq!(at(off).max(at(-off)) > 1.0, seen, "{second} {share}");
        }
    }
}

#[test]
fn dark_split_levels_need_their_own_longer_period() {
    // 64 refreshes of 24 Hz, 11 bits: 2 % are 41 clocks, gcd(41, 64) = 1: a video frame; white has 2047, 18 % has 368 = 16·23.
    let drive = "{kind: split, refresh_hz: 1536, scan: 8, advanced: {grey_bits: 11}}";
    let found = shutters(&scene(drive, "{frame_rate_fps: 24}", ""));
    let hz: Vec<f64> = found.clean.iter().map(|c| 1.0 / c.own_period_s.expect("pulsed")).collect();
    assert!((hz[2] - 24.0).abs() < 1e-9, "{hz:?}");
    assert!((hz[1] - 16.0 * 24.0).abs() < 1e-9, "{hz:?}");
    let dark = row(&found, 1.0 / 48.0);
    assert!(dark.bands[2].multiple > 1.0 && dark.bands[1].multiple < 1.0, "{:#?}", found.lines());
    // An open shutter is a whole video frame.
    let open = row(&found, 1.0 / 24.0);
    assert!(open.all_clean, "{:#?}", found.lines());
}

#[test]
fn lamps_have_their_own_clean_shutters() {
    let lamps = "other_light:\n\
                 - {name: practical, frequency_hz: 100, depth_percent: 40, shape: rectified_sine}\n\
                 - {name: sign, frequency_hz: 1200, shape: {pwm: {duty_percent: 30}}}\n";
    let found = shutters(&scene("{kind: pwm, refresh_hz: 3840}", "{frame_rate_fps: 24}", lamps));
    let now = row(&found, 1.0 / 48.0);
    assert_eq!(now.bands.len(), 5);
    let practical = &now.bands[3];
    assert_eq!(practical.of, "practical");
    // Modulation × |sinc(f·T)|: 100 Hz at 1/48 s is 2.0833 periods.
    let b = (1.0 / 0.4 - 1.0) / 2.0;
    let pi = std::f64::consts::PI;
    let expected = 4.0 / pi / 3.0 / (b + 2.0 / pi) * sinc(100.0 / 48.0).abs();
    assert!((practical.contrast / expected - 1.0).abs() < 1e-9, "{practical:?}");
    // 100 Hz at 24 fps: 4.1667 a frame, so 4 Hz; 12 ms of readout hold 1.2 bands.
    assert!((practical.roll_hz.abs() - 4.0).abs() < 1e-9);
    let lines = practical.period_lines.expect("bands");
    assert!((lines / (2160.0 / 1.2) - 1.0).abs() < 1e-9, "{lines}");
    assert!(!now.all_clean);
    // 1/50 s is clean for lamps of 100 Hz and 1200 Hz, and nearly for 3840.
    let fifty = row(&found, 1.0 / 50.0);
    assert!(fifty.all_clean && fifty.best, "{:#?}", found.lines());
    assert!((fifty.shutter_angle_deg - 172.8).abs() < 1e-9);
}

#[test]
fn only_what_the_camera_offers_is_listed() {
    let drive = "{kind: pwm, refresh_hz: 1000, refresh_lock: none}";
    let with = |offered: &str| {
        let camera =
            format!("{{frame_rate_fps: 24, shutter_angle_deg: 180, shutter_offered: {offered}}}");
        shutters(&scene(drive, &camera, ""))
    };
    let found = with("{angles_deg: [90, 172.8, 180]}");
    let listed: Vec<&str> = found.table.iter().map(|s| s.written.as_str()).collect();
    assert_eq!(listed, ["90°", "172.8°", "180°"]);
    assert!(found.offered && found.table[1].best && found.table[2].present);
    // 172.8° is 20 ms, a whole 20 refreshes.
    assert_eq!(found.clean[1].settings[0].written, "172.8°");
    let fine = with("{angle_step_deg: 0.1}");
    assert!(fine.table.len() < 80);
    assert!(fine.table.iter().any(|s| s.best && s.all_clean), "{:#?}", fine.lines());
    // What is far off is not listed.
    let far = with("{angles_deg: [11.25, 180]}");
    assert_eq!(far.table.len(), 1);
}

#[test]
fn a_global_shutter_flickers_as_a_whole_or_not_at_all() {
    let camera = "{frame_rate_fps: 24, readout: global}";
    let lamp = "other_light: [{name: lamp, frequency_hz: 100, depth_percent: 60}]\n";
    let found = shutters(&scene("{kind: pwm, refresh_hz: 960}", camera, lamp));
    let now = row(&found, 1.0 / 48.0);
    let lamp = now.bands.last().expect("a lamp");
    assert_eq!(lamp.period_lines, None);
    assert!(lamp.multiple > 1.0 && (lamp.roll_hz.abs() - 4.0).abs() < 1e-9);
    // 24 and 96 Hz share a clock here: each frame is the same.
    let still = "other_light: [{name: lamp, frequency_hz: 96, depth_percent: 20}]\n";
    let found = shutters(&scene("{kind: pwm, refresh_hz: 960}", camera, still));
    assert_eq!(row(&found, 1.0 / 60.0).bands.last().expect("a lamp").multiple, 0.0);
}

#[test]
fn a_wall_out_of_the_picture_says_nothing_of_itself() {
    let text = "wall: {pixel_pitch_mm: 2.5, size_px: [160, 80]}\nlens: {focal_mm: 35, f_number: 2.8}\n\
                placement: {distance_m: 5, pan_deg: 60}\n";
    let scene = parse(text, "away", &NoPictures).unwrap_or_else(|e| panic!("{e:?}"));
    let found = shutters(&scene);
    assert!(found.clean.is_empty() && found.table.iter().all(|s| s.bands.is_empty()));
}
