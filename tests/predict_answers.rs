//! The other answers of prediction (people, light, shutters, stepping, content, focus), on the scenes of the house.

use gridbeat::input::{PictureFiles, scene_text};
use gridbeat::predict::content_timing::content_timing;
use gridbeat::predict::exposure::light;
use gridbeat::predict::focus::nearest_focus;
use gridbeat::predict::people::people;
use gridbeat::predict::shutters::shutters;
use gridbeat::predict::stepping::stepping;
use gridbeat::scene::{NoPictures, OpenScene, Scene, parse};
use serde_json::{Value, to_value};
use std::path::Path;
use std::time::Instant;

fn scenes() -> Vec<Scene> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenes");
    let mut paths: Vec<_> =
        std::fs::read_dir(folder).expect("a folder").map(|e| e.expect("an entry").path()).collect();
    paths.retain(|p| p.extension().is_some_and(|e| e == "yaml"));
    paths.sort();
    let read = |path: &std::path::PathBuf| {
        let source = scene_text(path).expect("readable");
        let pictures = PictureFiles::in_folder(&source.folder);
        let open = OpenScene::read(&source.text, &source.name, &[]).expect("ranges");
        let middle: Vec<f64> = open.values.iter().map(|v| v.middle()).collect();
        open.at(&middle, &pictures).expect("valid")
    };
    paths.iter().map(read).collect()
}

/// Keys that may be empty; everywhere else a null is a number that is none.
const OPTIONAL: [&str; 31] = [
    "counts",
    "lowest_hz",
    "in_photosensitive_range",
    "low_risk_limit_percent",
    "no_effect_limit_percent",
    "full_white_stops_about_mid_grey",
    "content_mean_stops_about_mid_grey",
    "full_white_stops_over_clipping",
    "white_card_stops",
    "content_card_stops",
    "subject",
    "before_wall_m",
    "sync",
    "period_s",
    "own_period_s",
    "frequency_hz",
    "period_lines",
    "tolerance_share",
    "tolerance_exposure_s",
    "tolerance_frequency_hz",
    "tolerance_frame_rate_fps",
    "drive_levels",
    "smooth_from_share",
    "lowest_share",
    "shortest_pulse_s",
    "beat_s",
    "scan",
    "safe",
    "planned",
    "limited_by",
    "none",
];

fn no_nulls(value: &Value, path: &str) {
    match value {
        Value::Null => {
            let key = path.rsplit('.').next().unwrap_or_default();
            assert!(OPTIONAL.contains(&key), "{path} is null");
        }
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, v)| no_nulls(v, &format!("{path}[{i}]")));
        }
        Value::Object(map) => {
            map.iter().for_each(|(k, v)| no_nulls(v, &format!("{path}.{k}")));
        }
        _ => {}
    }
}

#[test]
fn every_scene_has_its_answers() {
    for scene in scenes() {
        println!("== {}", scene.name);
        let tell = |name: &str, value: Value, lines: Vec<String>, started: Instant| {
            println!("-- {name}, {:.1} ms", started.elapsed().as_secs_f64() * 1e3);
            lines.iter().for_each(|l| println!("{l}"));
            assert!(!lines.is_empty(), "{name}");
            no_nulls(&value, name);
        };
        let t = Instant::now();
        let found = people(&scene);
        tell("people", to_value(&found).expect("data"), found.lines(), t);
        let t = Instant::now();
        let found = light(&scene);
        tell("light", to_value(&found).expect("data"), found.lines(), t);
        let t = Instant::now();
        let sights = gridbeat::predict::Sights::new(&scene);
        println!("-- sights alone, {:.1} ms", t.elapsed().as_secs_f64() * 1e3);
        drop(sights);
        let t = Instant::now();
        let found = shutters(&scene);
        tell("shutters", to_value(&found).expect("data"), found.lines(), t);
        assert_eq!(found.table.iter().filter(|s| s.present).count(), 1);
        assert_eq!(found.table.iter().filter(|s| s.best).count(), 1);
        let t = Instant::now();
        let found = stepping(&scene);
        tell("stepping", to_value(&found).expect("data"), found.lines(), t);
        let t = Instant::now();
        let found = content_timing(&scene);
        tell("content", to_value(&found).expect("data"), found.lines(), t);
    }
}

#[test]
#[ignore = "some hundred verdicts a scene: half a minute"]
fn every_scene_has_its_nearest_focus() {
    for scene in scenes() {
        let t = Instant::now();
        let Some(found) = nearest_focus(&scene) else { continue };
        println!("== {}, {:.0} ms", scene.name, t.elapsed().as_secs_f64() * 1e3);
        found.lines(&scene.tolerances).iter().for_each(|l| println!("{l}"));
        no_nulls(&to_value(&found).expect("data"), "focus");
    }
}

fn driven(refresh_hz: f64, fps: f64) -> Scene {
    let text = format!(
        "wall: {{pixel_pitch_mm: 2.5, size_px: [1600, 800]}}\nlens: {{focal_mm: 35, f_number: 2.8}}\n\
         placement: {{distance_m: 5}}\n\
         drive: {{kind: pwm, refresh_hz: {refresh_hz}, refresh_lock: none, genlock: free}}\n\
         camera: {{frame_rate_fps: {fps}}}\n"
    );
    parse(&text, "driven", &NoPictures).unwrap_or_else(|e| panic!("{text}\n{e:?}"))
}

/// Common practice, no source: with a 180° shutter at 24 to 60 frames and mid or high grey, a drive of 5 to 30 kHz is clean and
/// one under 400 Hz is not; from 1000 Hz up flicker lessens. Held at the worst of frequencies near by, so that no whole number of
/// refreshes makes it clean by luck.
#[test]
fn fast_drives_are_clean_and_slow_ones_are_not() {
    let grey = |refresh_hz: f64, fps: f64| {
        let near = (0..8).map(|i| refresh_hz + f64::from(i) * fps / 8.0 + 0.37);
        let worst = near.map(|hz| {
            let found = shutters(&driven(hz, fps));
            let now = found.table.iter().find(|s| s.present).expect("now").clone();
            now.bands[1].clone()
        });
        let worst: Vec<_> = worst.collect();
        let most = |f: fn(&gridbeat::predict::shutters::Bands) -> f64| {
            worst.iter().map(f).fold(0.0, f64::max)
        };
        (most(|b| b.multiple), most(|b| b.contrast))
    };
    for fps in [24.0, 30.0, 60.0] {
        for hz in [5_000.0, 12_000.0, 30_000.0] {
            let (multiple, contrast) = grey(hz, fps);
            println!("{fps} fps, {hz} Hz: {multiple:.3} times what is seen, {contrast:.5}");
            assert!(multiple < 1.0, "{hz} Hz at {fps} fps: {multiple}");
        }
        for hz in [150.0, 250.0, 390.0] {
            let (multiple, contrast) = grey(hz, fps);
            println!("{fps} fps, {hz} Hz: {multiple:.3} times what is seen, {contrast:.5}");
            assert!(multiple > 1.0, "{hz} Hz at {fps} fps: {multiple}");
        }
        let contrasts: Vec<f64> =
            [1000.0, 2000.0, 4000.0, 8000.0, 16_000.0].map(|hz| grey(hz, fps).1).to_vec();
        assert!(contrasts.windows(2).all(|w| w[1] < 0.6 * w[0]), "{contrasts:?}");
    }
}

/// The table of shutters waits for a shutter, the verdict has one: two ways to one number.
#[test]
fn what_the_table_of_shutters_says_the_verdict_says() {
    use gridbeat::artefact::Kind;
    use gridbeat::predict::{Settings, verdict};
    use gridbeat::scene::Tolerances;
    let drives = [
        "{kind: scanned, refresh_hz: 1920, scan: 16}",
        "{kind: scanned, refresh_hz: 960, scan: 8}",
        "{kind: {split: {order: even}}, refresh_hz: 1920, scan: 16}",
        "{kind: pwm, refresh_hz: 960}",
    ];
    let mut compared = 0;
    for drive in drives {
        let text = format!(
            "wall: {{pixel_pitch_mm: 2.6, size_px: [1600, 900]}}\ndrive: {drive}\n\
             lens: {{focal_mm: 35, f_number: 4, focus: {{on: wall}}}}\nplacement: {{distance_m: 5}}\n\
             camera: {{photosites: [960, 540], photosite_pitch_um: 8, frame_rate_fps: 25, shutter_speed: 1/700}}\n"
        );
        let mut scene = parse(&text, "shutters", &NoPictures).expect("a scene");
        scene.tolerances = Tolerances::NONE;
        scene.camera.noise = false;
        for setting in shutters(&scene).table {
            let mut at = scene.clone();
            at.camera.exposure_s = setting.exposure_s;
            for (bands, level) in setting.bands.iter().zip([1.0, 0.18, 0.02]) {
                let settings = Settings { levels: vec![level], ..Settings::full() };
                let found = verdict(&at, &settings);
                let told = found.of(Kind::Bands).map_or(0.0, |f| f.planned.multiple);
                assert!(
                    (bands.multiple - told).abs() <= 0.005 * told + 0.02,
                    "{drive} {} {}: table {}, verdict {told}",
                    setting.written,
                    bands.of,
                    bands.multiple
                );
                compared += 1;
            }
        }
    }
    assert!(compared > 40, "{compared}");
}
