//! Recording modes against an explicit resampling of full-sensor frames, and the shutters that a camera offers.
//!
//! The frames that are resampled come from a camera without a mode. Where the mode reads rows at other times than that camera
//! does, it is given a readout and a wall clock that bring each row to the mode's time; all these times are sums of powers of
//! two, so that no rounding comes in.

use crate::bad_scenes::{hold, more};
use crate::stage;
use gridbeat::frame::{Electrons, Window};
use gridbeat::optics::Diffraction;
use gridbeat::render::Run;
use gridbeat::render::rays::RaySettings;
use gridbeat::scene::{NoPictures, Scene, parse};
use gridbeat::sensor::mode::{Joining, Mode};
use gridbeat::sensor::{Mosaic, Readout};
use gridbeat::shoot::{Engine, Shot};
use gridbeat::wall::drive::DriveKind;

/// 2⁻¹⁵ s: a row of the full sensor.
const ROW_S: f64 = 1.0 / 32_768.0;

/// A small sensor that sees a scanned wall, with textures finer than the gaps of a mode.
fn small(mosaic: Mosaic) -> Scene {
    let mut scene = stage::plain();
    (scene.camera.columns, scene.camera.rows) = (128, 128);
    scene.camera.crop = Window { x: 0, y: 0, width: 128, height: 128 };
    scene.camera.mosaic = mosaic;
    scene.camera.readout = Readout::Rolling { readout_s: 128.0 * ROW_S, bottom_up: false };
    scene.camera.exposure_s = 1.0 / 512.0;
    scene.drive.kind = DriveKind::Scanned;
    scene.drive.scan = 8;
    scene.drive.refresh_hz = 960.0;
    stage::waves(&mut scene, 7.0, 0.1);
    scene
}

const BAYER: Mosaic = Mosaic::Bayer([0, 1, 1, 2]);

fn whole() -> Mode {
    let area = Window { x: 0, y: 0, width: 128, height: 128 };
    Mode { area, read_one_of: [1, 1], bin: [1, 1], joining: Joining::Levels }
}

/// The scene with a mode, its whole recording and a readout time.
fn with(scene: &Scene, mode: Mode, readout_s: f64) -> Scene {
    let mut scene = scene.clone();
    scene.camera.mode = Some(mode);
    let [width, height] = scene.camera.recorded_size();
    scene.camera.crop = Window { x: 0, y: 0, width, height };
    scene.camera.readout = Readout::Rolling { readout_s, bottom_up: false };
    scene
}

const ENGINES: [Engine; 2] =
    [Engine::Fast, Engine::SlowCheck(RaySettings { samples: 16, seed: 5 })];

fn electrons(scene: &Scene, engine: Engine) -> Electrons {
    let shot = Shot::new(scene, engine).expect("can be shot");
    let read = shot.electrons(0, &Run::default()).expect("not cancelled");
    shot.recorded(&read).into_owned()
}

fn levels(scene: &Scene, engine: Engine) -> Vec<u16> {
    let shot = Shot::new(scene, engine).expect("can be shot");
    let read = shot.electrons(0, &Run::default()).expect("not cancelled");
    shot.raw(&read, 0).planes.swap_remove(0)
}

/// Bit for bit the same, and not all alike.
fn assert_same(found: &[f32], wanted: &[f32], what: &str) {
    assert_eq!(found.len(), wanted.len(), "{what}");
    let differ = found.iter().zip(wanted).filter(|(a, b)| a.to_bits() != b.to_bits()).count();
    assert_eq!(differ, 0, "{what}: so many of {} photosites", wanted.len());
    let most = wanted.iter().copied().fold(0.0, f32::max);
    let least = wanted.iter().copied().fold(f32::INFINITY, f32::min);
    assert!(most > 1.2 * least && most > 10.0, "{what}: nothing to see, {least} to {most}");
}

#[test]
fn skipped_pairs_of_a_mosaic_are_left_out_of_the_full_frame() {
    // One pair of rows in four, one pair of columns in two. Turn 2b + e of pair 4b comes every 4 rows of the full sensor's
    // time: even rows 8b are there in time; odd rows 8b + 1 come 3 rows early, which the wall's clock makes up for.
    let scene = small(BAYER);
    let mode = Mode { read_one_of: [2, 4], ..whole() };
    for engine in ENGINES {
        let found = electrons(&with(&scene, mode, 128.0 * ROW_S), engine);
        let even = electrons(&scene, engine);
        let mut late = scene.clone();
        late.drive.clock.phase_s += 3.0 * ROW_S;
        let odd = electrons(&late, engine);
        let mut wanted = Vec::new();
        for pair in (0..64).step_by(4) {
            for (row, full) in [(2 * pair, &even), (2 * pair + 1, &odd)] {
                for pair in (0..64).step_by(2) {
                    wanted.extend([0, 1].map(|column| full.planes[0].at(2 * pair + column, row)));
                }
            }
        }
        assert_eq!((found.window.width, found.window.height), (64, 32));
        assert_same(&found.planes[0].data, &wanted, &format!("{engine:?}"));
    }
}

#[test]
fn lines_skipped_without_a_mosaic_are_left_out_too() {
    let scene = small(Mosaic::FullPlanes);
    let mode = Mode { read_one_of: [1, 4], ..whole() };
    // 32 rows, each four rows' time: the full sensor's times.
    let found = electrons(&with(&scene, mode, 128.0 * ROW_S), Engine::Fast);
    let full = electrons(&scene, Engine::Fast);
    for (found, full) in found.planes.iter().zip(&full.planes) {
        let wanted: Vec<f32> = (0..32).flat_map(|row| full.row(4 * row)).copied().collect();
        assert_same(&found.data, &wanted, "one line in four");
    }
}

#[test]
fn a_global_shutter_skips_with_every_blur_on() {
    let mut scene = small(BAYER);
    scene.camera.readout = Readout::Global;
    scene.lens.diffraction = Diffraction::Wave;
    scene.lens.aberration_m = 3e-6;
    let full = electrons(&scene, Engine::Fast);
    let mut skipping = with(&scene, Mode { read_one_of: [3, 3], ..whole() }, 1.0);
    skipping.camera.readout = Readout::Global;
    let found = electrons(&skipping, Engine::Fast);
    let kept: Vec<usize> = (0..64).step_by(3).flat_map(|pair| [2 * pair, 2 * pair + 1]).collect();
    let at = |&y: &usize| kept.iter().map(move |&x| (x, y)).collect::<Vec<_>>();
    let wanted: Vec<f32> = kept.iter().flat_map(at).map(|(x, y)| full.planes[0].at(x, y)).collect();
    assert_same(&found.planes[0].data, &wanted, "one pair in three");
}

#[test]
fn levels_that_are_joined_are_means_of_the_full_frames_levels() {
    // With noise: each photosite keeps its own.
    let mut scene = small(BAYER);
    scene.camera.noise = true;
    scene.camera.prnu = 0.01;
    for engine in ENGINES {
        let binned = with(&scene, Mode { bin: [2, 2], ..whole() }, 128.0 * ROW_S);
        let (mut raw, mut mean) = (Vec::new(), Vec::new());
        let (full, full_levels) = (electrons(&scene, engine), levels(&scene, engine));
        for y in 0..64_usize {
            for x in 0..64_usize {
                // The photosites of one colour in the 4 × 4 block around the recorded one.
                let (left, top) = (x / 2 * 4 + x % 2, y / 2 * 4 + y % 2);
                let four = [(0, 0), (2, 0), (0, 2), (2, 2)].map(|(i, j)| (left + i, top + j));
                let level = |(x, y): (usize, usize)| u32::from(full_levels[y * 128 + x]);
                raw.push(
                    (f64::from(four.map(level).iter().sum::<u32>()) / 4.0 + 0.5).floor() as u16
                );
                let light = four.map(|(x, y)| f64::from(full.planes[0].at(x, y)));
                mean.push((light.iter().sum::<f64>() / 4.0) as f32);
            }
        }
        assert_same(&electrons(&binned, engine).planes[0].data, &mean, "mean electrons");
        assert!(levels(&binned, engine) == raw, "{engine:?}: levels");
    }
}

#[test]
fn charges_that_are_joined_come_from_rows_read_together() {
    // Two rows a turn, each turn two rows of the full sensor's time: even rows are in time, odd rows a row late.
    let scene = small(Mosaic::Monochrome);
    let mode = Mode { bin: [2, 2], joining: Joining::Charge, ..whole() };
    let binned = with(&scene, mode, 128.0 * ROW_S);
    let even = electrons(&scene, Engine::Fast);
    let mut early = scene.clone();
    early.drive.clock.phase_s -= ROW_S;
    let odd = electrons(&early, Engine::Fast);
    let mut wanted = Vec::new();
    for y in (0..128).step_by(2) {
        for x in (0..128).step_by(2) {
            let (upper, lower) = (&even.planes[0], &odd.planes[0]);
            let four =
                [upper.at(x, y), upper.at(x + 1, y), lower.at(x, y + 1), lower.at(x + 1, y + 1)];
            wanted.push((four.iter().map(|&e| f64::from(e)).sum::<f64>() / 4.0) as f32);
        }
    }
    assert_same(&electrons(&binned, Engine::Fast).planes[0].data, &wanted, "mean charges");
}

#[test]
fn read_noise_comes_once_for_charges_and_is_averaged_for_levels() {
    // In the dark only read noise is left: σ/4 of the mean of four charges read once, σ/2 of the mean of four readings.
    let mut scene = small(Mosaic::Monochrome);
    scene.wall.white_nits = 0.0;
    scene.camera.noise = true;
    scene.camera.read_noise_e = 10.0;
    scene.camera.bits = 16;
    scene.camera.black_level = 20_000;
    let spread = |joining: Joining| {
        let mode = Mode { bin: [2, 2], joining, ..whole() };
        let raw = levels(&with(&scene, mode, 128.0 * ROW_S), Engine::Fast);
        let mean = raw.iter().map(|&v| f64::from(v)).sum::<f64>() / raw.len() as f64;
        let squares = raw.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>();
        (squares / raw.len() as f64).sqrt()
    };
    let gain = gridbeat::scene::derived::gain_dn_per_e(&scene);
    assert!(gain * 10.0 > 20.0, "rounding is not to be seen: {gain}");
    // 4096 values know their spread to 1/√8192 = 1.1 %: four of those.
    for (joining, wanted) in [(Joining::Charge, 2.5 * gain), (Joining::Levels, 5.0 * gain)] {
        let found = spread(joining);
        assert!((found / wanted - 1.0).abs() < 0.045, "{joining:?}: {found}, not {wanted}");
    }
}

#[test]
fn a_crop_of_a_mode_is_that_part_of_its_recording() {
    let mut scene = small(BAYER);
    scene.camera.noise = true;
    scene.camera.prnu = 0.02;
    for joining in [Joining::Charge, Joining::Levels] {
        for (read_one_of, bin) in [([3, 2], [1, 1]), ([1, 2], [2, 2]), ([1, 1], [3, 1])] {
            let area = Window { x: 6, y: 4, width: 116, height: 120 };
            let mode = Mode { area, read_one_of, bin, joining };
            let full = with(&scene, mode, 100.0 * ROW_S);
            let width = full.camera.crop.width as usize;
            let all = levels(&full, Engine::Fast);
            let mut part = full.clone();
            part.camera.crop = Window { x: 5, y: 9, width: 12, height: 7 };
            let found = levels(&part, Engine::Fast);
            let wanted: Vec<u16> =
                (9..16).flat_map(|y| (5..17).map(move |x| y * width + x)).map(|i| all[i]).collect();
            assert!(found == wanted, "{joining:?} {read_one_of:?} {bin:?}");
        }
    }
}

fn written(camera: &str) -> Scene {
    let text = format!(
        "wall: {{pixel_pitch_mm: 2.6, size_px: [1200, 700]}}\nlens: {{focal_mm: 35, f_number: 2.8}}\n\
         placement: {{distance_m: 3}}\ncamera: {{{camera}}}\n"
    );
    parse(&text, "case", &NoPictures).unwrap_or_else(|e| panic!("{text}{e:#?}"))
}

#[test]
fn rows_that_are_read_share_the_readout_time() {
    // 6000 × 4000, of which 5760 × 3240 in the middle: 1620 pairs, one in three read: 540 pairs, 1080 rows in 9 ms.
    let c = written(
        "photosites: [6000, 4000], mode: {area_photosites: [5760, 3240], read_one_of: [3, 3], \
         readout_ms: 9, bits: 10}",
    )
    .camera;
    assert_eq!((c.recorded_size(), c.bits, c.black_level), ([1920, 1080], 10, 64));
    assert_eq!(c.mode().area, Window { x: 120, y: 380, width: 5760, height: 3240 });
    // Recorded row 3 is the second of pair 3, row 380 + 3·2 + 1 of the sensor, in turn 3.
    assert_eq!(c.sensor_row(3), 387);
    let close =
        |found: f64, wanted: f64| assert!((found - wanted).abs() < 1e-15, "{found} {wanted}");
    close(c.line_s(), 9e-3 / 1080.0);
    close(c.row_start_s(0, 380), 0.0);
    close(c.row_start_s(0, 387), 3.0 * 9e-3 / 1080.0);
    // Without a time of its own, the full sensor's 20 ms for 4000 rows: 1080 of them.
    let c = written(
        "photosites: [6000, 4000], readout: {rolling: {readout_ms: 20}}, \
         mode: {area_photosites: [5760, 3240], read_one_of: [3, 3]}",
    )
    .camera;
    close(c.line_s(), 20e-3 / 4000.0);
    // Charges joined by two rows: half the turns.
    let c = written(
        "photosites: [4000, 2000], readout: {rolling: {readout_ms: 20, direction: bottom_up}}, \
         mode: {bin: [2, 2], bin_as: charge, readout_ms: 8}",
    )
    .camera;
    assert_eq!((c.turns(), c.recorded_size()), (1000, [2000, 1000]));
    close(c.line_s(), 8e-6);
    // Rows 4 and 6 are joined; they are read from the bottom up.
    close(c.row_start_s(0, 4), 8e-6 * f64::from(999 - 2));
    close(c.row_start_s(0, 6), 8e-6 * f64::from(999 - 2));
    // The switch reads the whole sensor.
    let off = "photosites: [4000, 2000], mode: {bin: [2, 2]}}\neffects: {mode: off";
    assert_eq!(written(off).camera.mode, None);
}

#[test]
fn scaling_in_the_camera_comes_before_the_deliverys() {
    let mut scene = small(BAYER);
    let shot = |scene: &Scene| {
        let shot = Shot::new(scene, Engine::Fast).expect("can be shot");
        let read = shot.electrons(0, &Run::default()).expect("not cancelled");
        shot.picture(&shot.raw(&read, 0)).expect("can be developed")
    };
    let plain = shot(&scene);
    let box_of_two =
        gridbeat::develop::Scaling { size: (64, 64), filter: gridbeat::develop::ScaleFilter::Box };
    scene.deliveries[0].delivery.in_camera = Some(box_of_two);
    let found = shot(&scene);
    assert_eq!((found.width(), found.height()), (64, 64));
    for (x, y) in [(0, 0), (20, 33), (63, 63)] {
        let four = [(0, 0), (1, 0), (0, 1), (1, 1)]
            .map(|(i, j)| f64::from(plain.planes[1].at(2 * x + i, 2 * y + j)));
        let mean = four.iter().sum::<f64>() / 4.0;
        assert!((f64::from(found.planes[1].at(x, y)) - mean).abs() < 1e-6, "{x} {y}");
    }
    // The delivery makes 32 × 32 of those 64 × 64.
    scene.deliveries[0].delivery.size = Some((32, 32));
    let delivered = shot(&scene);
    let again = gridbeat::develop::scale(&found, (32, 32), scene.deliveries[0].delivery.filter)
        .expect("scales");
    assert_eq!(delivered, again);
}

#[test]
fn a_shutter_that_the_camera_does_not_offer_gets_a_note() {
    let notes = |camera: &str| -> Vec<String> {
        let scene = written(camera);
        scene
            .notes
            .iter()
            .filter(|n| n.key.starts_with("camera"))
            .map(gridbeat::diag::summary)
            .collect()
    };
    let none: [&str; 0] = [];
    let angles = "shutter_offered: {angles_deg: [90, 172.8, 180]}";
    assert_eq!(notes(&format!("{angles}, shutter_angle_deg: 172.8")), none);
    assert_eq!(notes(&format!("{angles}, frame_rate_fps: 25, shutter_speed: 1/50")), none);
    assert_eq!(
        notes(&format!("{angles}, shutter_speed: 1/60")),
        [
            "line 4, camera.shutter_speed: the camera does not offer a shutter of 1/60 s (144°) (the nearest it offers are 90° and 172.8°)"
        ]
    );
    let steps = "shutter_offered: {angle_step_deg: 0.5}";
    assert_eq!(notes(&format!("{steps}, shutter_angle_deg: 144.5")), none);
    assert_eq!(
        notes(&format!("{steps}, shutter_angle_deg: 144.2")),
        [
            "line 4, camera.shutter_angle_deg: the camera does not offer a shutter of 1/59.92 s (144.2°) (the nearest it offers are 144° and 144.5°)"
        ]
    );
    let speeds = "shutter_offered: {speeds: [1/50, 1/60, 1/100]}";
    assert_eq!(notes(&format!("{speeds}, shutter_speed: 1/60")), none);
    // The default, 180°, belongs to the offer as much.
    assert_eq!(
        notes(&format!("{speeds}, frame_rate_fps: 60")),
        [
            "line 4, camera.shutter_offered: the camera does not offer a shutter of 1/120 s (180°) (the nearest it offers is 1/100 s)"
        ]
    );
}

#[test]
fn what_cannot_be_is_refused() {
    hold(vec![
        more(
            "camera: {photosites: [2000, 1000], mode: {area_photosites: [2200, 1000]}}",
            &[
                "line 4, camera.mode.area_photosites: 2200 × 1000 photosites of a sensor of 2000 × 1000 (`camera.photosites` counts the full sensor, the mode a part of it)",
            ],
        ),
        more(
            "camera: {readout: global, mode: {readout_ms: 5}}",
            &[
                "line 4, camera.mode.readout_ms: a global shutter has no readout time: all rows are exposed at once (take it out, or set `readout: rolling`)",
            ],
        ),
        more(
            "camera: {photosites: [100, 100], mode: {read_one_of: [4, 4], bin: [4, 4]}}",
            &[
                "line 4, camera.mode: this mode records 6 × 6 photosites; allowed: at least 8 × 8 (skip or join fewer, or use more of the sensor)",
            ],
        ),
        more(
            "camera: {photosites: [2000, 1000], mode: {bin: [2, 2]}, crop: {width: 1100, height: 400}}",
            &[
                "line 4, camera.crop: the crop ends at column 1100 and row 400; the mode records 1000 × 500 photosites (make the crop smaller or move it up and left)",
            ],
        ),
        more(
            "camera: {frame_rate_fps: 50, mode: {readout_ms: 21}}",
            &[
                "line 4, camera.mode.readout_ms: a readout of 21 ms is longer than the frame period of 20 ms at 50 fps (shorten the readout or lower the frame rate)",
            ],
        ),
        more(
            "camera: {mode: {bin: [2, 2], bits: 7}}",
            &["line 4, camera.mode.bits: 7 is too small; allowed: a whole number from 8 to 16"],
        ),
        more(
            "camera: {shutter_offered: {angles_deg: 90}}",
            &[
                "line 4, camera.shutter_offered.angles_deg: 90 found; allowed: a list of 1 to 100 numbers from 0.01 to 360 ° (write `angles_deg: […]`)",
            ],
        ),
        more(
            "camera: {shutter_offered: {speeds: [1/50, 60]}}",
            &[
                "line 4, camera.shutter_offered.speeds[2]: 60 is not clear as a shutter speed; allowed: 1/50 or 20 ms (write `shutter_speed: 1/60` if that is meant)",
            ],
        ),
    ]);
}
