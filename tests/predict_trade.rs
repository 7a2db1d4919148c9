//! What everybody in the trade knows, in predictions and in rendered frames: common practice, no source.

use crate::predict::picture;
use gridbeat::artefact::{Degree, Kind};
use gridbeat::predict::content_timing::content_timing;
use gridbeat::predict::{Prediction, Settings, predict};
use gridbeat::scene::{Edit, NoPictures, Scene, parse_edited};

/// A small studio's wall out of focus behind a person, invented kit.
const SCENE: &str = "
wall: {pixel_pitch_mm: 2.6, cabinets: [6, 5], cabinet_px: [160, 160]}
drive: {kind: scanned, refresh_hz: 3840, scan: 16}
content: {solid: {light_percent: 18}}
lens: {focal_mm: 35, f_number: 4, focus: {distance_m: 3}, aberration_um: 3}
camera:
  photosites: [1920, 1080]
  photosite_pitch_um: 8
  readout: {rolling: {readout_ms: 12}}
  exposure_index: 100
placement: {distance_m: 5}
effects: {noise: false}
";

fn scene(edits: &[String]) -> Scene {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    let Ok(scene) = parse_edited(SCENE, "studio", &edits, &NoPictures) else {
        panic!("refused: {edits:?}")
    };
    scene
}

fn told(edits: &[String]) -> Prediction {
    let settings = Settings { levels: vec![0.18, 0.5, 1.0], ..Settings::full() };
    predict(&scene(edits), &settings)
}

fn shutter(fps: f64, hz: f64) -> Vec<String> {
    vec![
        format!("camera.frame_rate_fps={fps}"),
        "camera.shutter_angle_deg=180".into(),
        format!("drive.refresh_hz={hz}"),
    ]
}

/// The worse of bands and flicker.
fn degree_of_light(told: &Prediction) -> Degree {
    told.degree(Kind::Bands, false).max(told.degree(Kind::Flicker, false))
}

fn multiple_of_light(told: &Prediction) -> f64 {
    let of = |kind| told.of(kind).map_or(0.0, |f| f.worst.multiple);
    of(Kind::Bands).max(of(Kind::Flicker))
}

#[test]
fn fast_drives_are_clean_at_180_degrees_and_slow_ones_are_not() {
    for fps in [24.0, 25.0, 30.0, 48.0, 50.0, 60.0] {
        for times in [84.5, 120.0, 250.5, 500.5] {
            // 5 to 30 kHz, a whole number of times the video rate or half-way between: whatever the exposure holds.
            let hz = (fps * f64::round(5000.0 / fps * times / 84.5)).clamp(5000.0, 30_000.0);
            let told = told(&shutter(fps, hz));
            assert_eq!(degree_of_light(&told), Degree::Clean, "{hz} Hz at {fps} fps");
        }
        // An odd number of refreshes in two frames: the exposure of half a frame holds no whole number of them.
        for turns in [3.0, 5.0, 7.0] {
            let hz = fps * turns;
            if hz < 400.0 {
                let told = told(&shutter(fps, hz));
                assert_ne!(degree_of_light(&told), Degree::Clean, "{hz} Hz at {fps} fps");
            }
        }
    }
}

#[test]
fn from_1000_hz_up_flicker_lessens_steadily() {
    // Odd multiples of 25, at 180°: half a refresh is left over each time.
    let of = |turns: f64| multiple_of_light(&told(&shutter(25.0, 25.0 * turns)));
    let sizes: Vec<f64> = [41.0, 61.0, 81.0, 121.0, 161.0, 241.0].map(of).to_vec();
    assert!(sizes.windows(2).all(|w| w[1] < w[0]), "{sizes:?}");
    // The same rendered: what bands leave in rows' means, largest over smallest.
    let rendered = |turns: f64| {
        let mut scene = scene(&shutter(25.0, 25.0 * turns));
        scene.camera.crop = gridbeat::frame::Window { x: 900, y: 0, width: 32, height: 1080 };
        let (captured, steady) = (picture(&scene, 0), picture(&scene.steady_wall(), 0));
        let ratios: Vec<f64> = (8..1072)
            .map(|y| {
                let sum = |p: &gridbeat::frame::Picture| p.planes[1].row(y).iter().sum::<f32>();
                f64::from(sum(&captured) / sum(&steady))
            })
            .collect();
        let most = ratios.iter().fold(0.0_f64, |a, b| a.max(*b));
        most / ratios.iter().fold(f64::INFINITY, |a, b| a.min(*b)) - 1.0
    };
    let sizes: Vec<f64> = [41.0, 81.0, 161.0].map(rendered).to_vec();
    assert!(sizes.windows(2).all(|w| w[1] < w[0]), "{sizes:?}");
}

#[test]
fn the_same_fast_drive_may_fail_on_a_dark_plate() {
    // A split drive has too few portions of light for all of its refreshes there, and flashes seldom.
    let mut edits = shutter(24.0, 3840.0);
    edits.push("drive.kind.split.order=even".into());
    edits.push("drive.advanced.grey_bits=12".into());
    // Sixteen refreshes: clean at a bright grey.
    edits.push("camera.shutter_speed=1/240".into());
    let Ok(edits): Result<Vec<Edit>, _> =
        edits.iter().filter(|e| !e.contains("angle")).map(|e| e.parse()).collect()
    else {
        panic!("edits")
    };
    let text = SCENE.replace("kind: scanned", "kind: {split: {order: even}}");
    let edits: Vec<Edit> =
        edits.into_iter().filter(|e| !format!("{e:?}").contains("split")).collect();
    let Ok(scene) = parse_edited(&text, "studio", &edits, &NoPictures) else { panic!("refused") };
    let at = |level: f64| {
        let settings = Settings { levels: vec![level], ..Settings::full() };
        let mut scene = scene.clone();
        let code = scene.wall.transfer.code(level);
        let top = f64::from((1_u32 << scene.wall.bits) - 1);
        let mut image = (*scene.content).clone();
        image.codes.iter_mut().flatten().for_each(|c| *c = (code * top).round() as u16);
        scene.content = std::sync::Arc::new(image);
        multiple_of_light(&predict(&scene, &settings))
    };
    let (bright, dark) = (at(0.5), at(0.01));
    assert_eq!(Degree::of(bright), Degree::Clean, "{bright}");
    assert_ne!(Degree::of(dark), Degree::Clean, "{dark}");
}

#[test]
fn every_remedy_lessens_moire_and_a_turn_changes_it() {
    // Sharp, to begin with.
    let sharp =
        ["lens.focus.distance_m=5".to_owned(), "drive.kind=steady".into(), "drive.scan=1".into()];
    let with = |more: &[&str]| {
        let mut edits = sharp.to_vec();
        edits.extend(more.iter().map(|m| (*m).to_owned()));
        let told = told(&edits);
        let of = |kind| told.of(kind).map_or(0.0, |f| f.worst.multiple);
        (of(Kind::Moire), told.fringes.first().map_or(0.0, |f| f.seen.wave.period_px()))
    };
    let (bare, period) = with(&[]);
    assert!(Degree::of(bare) == Degree::Spoils, "{bare}");
    for remedy in [
        vec!["filters.low_pass.separation_um=8"],
        vec!["lens.focus.distance_m=3"],
        vec!["wall.diffuser.stand_off_mm=4"],
        vec!["wall.pixel_pitch_mm=1.3", "wall.cabinets=[12, 10]"],
    ] {
        let (left, _) = with(&remedy);
        assert!(left < 0.8 * bare, "{remedy:?}: {left} of {bare}");
    }
    for change in [["placement.pan_deg=3"], ["placement.distance_m=5.3"]] {
        let (_, other) = with(&change);
        assert!((other / period - 1.0).abs() > 0.02, "{change:?}: {other} {period}");
    }
}

#[test]
fn at_24_fps_a_48_hz_display_shows_each_frame_twice() {
    let mut scene = scene(&shutter(24.0, 3840.0));
    scene.drive.video_hz = 48.0;
    let timing = content_timing(&scene);
    let words = timing.lines().join("\n");
    assert!(words.contains("two") || words.contains('2'), "{words}");
}
