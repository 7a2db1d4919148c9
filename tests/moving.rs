//! Numbered image sequences: what a camera records of a wall whose pictures change while it is open.

use crate::cli_stage::Place;
use crate::hidden_bugs::apart;
use crate::stage;
use gridbeat::diag::summary;
use gridbeat::frame::{Electrons, Window};
use gridbeat::input::PictureFiles;
use gridbeat::render::{Run, fast, rays};
use gridbeat::scene::{Edit, Moving, Scene, describe, parse_edited, resolved};
use gridbeat::sensor::Readout;
use gridbeat::shoot::{Engine, Shot};
use gridbeat::wall::drive::{Drive, DriveKind, SplitOrder};
use gridbeat::wall::{WallImage, WallTransfer, Waveform};
use std::path::Path;
use std::sync::Arc;

fn fast(scene: &Scene, frame: u32, window: Window) -> Electrons {
    fast::render(scene, frame, window, &Run::default()).expect("a frame")
}

fn slow(scene: &Scene, frame: u32, window: Window) -> Electrons {
    let few = rays::RaySettings { samples: 16, seed: 3 };
    rays::render(scene, frame, window, &few, &Run::default()).expect("rays")
}

/// Shows pictures in turn.
pub(crate) fn show(scene: &mut Scene, rate_hz: f64, pictures: &[Arc<WallImage>]) {
    let (all, video_hz) = (pictures.to_vec(), scene.drive.video_hz);
    let make = move |number: u32| Ok((*all[number as usize]).clone());
    let rates = (rate_hz, video_hz);
    let count = pictures.len() as u32;
    scene.content = pictures[0].clone();
    scene.moving = Some(Arc::new(Moving::new("####".into(), rates, count, true, Box::new(make))));
}

/// Pictures of codes without pattern, brighter from one to the next.
fn specks(scene: &Scene, count: u32) -> Vec<Arc<WallImage>> {
    let one = |n: u32| {
        let light = |c: usize, i: u32, j: u32| {
            (0.3 + 0.2 * f64::from(n) + 0.3 * stage::speck(c, i + 977 * n, j)).min(1.0)
        };
        Arc::new(stage::show(&scene.wall, light))
    };
    (0..count).map(one).collect()
}

/// Share of an exposure in which a picture is shown, added up over its turns: straight from the times.
fn share(from_s: f64, to_s: f64, picture: u32, count: u32, picture_s: f64) -> f64 {
    let first = (from_s / picture_s).floor() as i64 - 1;
    let last = (to_s / picture_s).ceil() as i64 + 1;
    let overlap = |k: i64| {
        let start = k as f64 * picture_s;
        (to_s.min(start + picture_s) - from_s.max(start)).max(0.0)
    };
    let own = (first..=last).filter(|k| k.rem_euclid(i64::from(count)) == i64::from(picture));
    own.map(overlap).sum::<f64>() / (to_s - from_s)
}

#[test]
fn a_steady_wall_gives_the_pictures_by_their_share_of_each_rows_exposure() {
    let mut scene = stage::plain();
    // 50 Hz video, 25 pictures a second: 40 ms each. 24 frames a second cut them everywhere.
    scene.drive.video_hz = 50.0;
    scene.camera.fps = 24.0;
    scene.camera.exposure_s = 1.0 / 30.0;
    scene.drive.clock.phase_s = 3.1e-3;
    let pictures = specks(&scene, 3);
    let window = stage::window(&scene, 0, 0, 24, 200);
    type Render = fn(&Scene, u32, Window) -> Electrons;
    for (name, render) in [("fast", fast as Render), ("slow", slow as Render)] {
        let mut split = 0;
        for frame in [0, 1, 5] {
            let stills: Vec<Electrons> = pictures
                .iter()
                .map(|picture| {
                    let still = Scene { content: picture.clone(), ..scene.clone() };
                    render(&still, frame, window)
                })
                .collect();
            let mut moving = scene.clone();
            show(&mut moving, 25.0, &pictures);
            let found = render(&moving, frame, window);
            let top = stills[2].planes[0].data.iter().fold(0.0_f32, |m, v| m.max(*v));
            for y in 0..window.height {
                let open_s = scene.camera.row_start_s(frame, window.y + y) + 3.1e-3;
                let shares =
                    [0, 1, 2].map(|n| share(open_s, open_s + scene.camera.exposure_s, n, 3, 0.04));
                split += usize::from(shares.iter().filter(|s| **s > 0.01).count() > 1);
                for x in 0..window.width as usize {
                    let at = y as usize * window.width as usize + x;
                    let wanted: f64 = stills
                        .iter()
                        .zip(shares)
                        .map(|(still, s)| s * f64::from(still.planes[0].data[at]))
                        .sum();
                    let off = (f64::from(found.planes[0].data[at]) - wanted).abs();
                    assert!(off < 2e-6 * f64::from(top), "{name}, frame {frame}, {x} {y}: {off}");
                }
            }
        }
        assert!(split > 100, "{name}: few rows see two pictures: {split}");
    }
}

/// Drives of every kind, with flanks, delays and dark times.
fn drives() -> Vec<Drive> {
    let base = || Drive {
        refresh_hz: 960.0,
        rise_s: 30e-6,
        fall_s: 80e-6,
        delay_s: [0.0, 40e-6, -90e-6],
        ..stage::plain().drive
    };
    let wave = [[0.0, 0.1], [0.3e-3, 2.0], [0.3e-3, 0.5], [1.2e-3, 0.0]];
    let wave = Waveform::new(&wave, 1.3e-3).expect("a waveform");
    let kind = |kind: DriveKind| Drive { kind, ..base() };
    vec![
        kind(DriveKind::Steady),
        kind(DriveKind::HeldMean { bits: 8 }),
        kind(DriveKind::Pwm),
        // Tied to nothing: refreshes that run on across video frames and pictures.
        Drive { refresh_hz: 1003.0, ..kind(DriveKind::Pwm) },
        Drive { dark_frame_s: 0.7e-3, pulse_share: 0.6, ..kind(DriveKind::Pwm) },
        kind(DriveKind::Split { bits: 10, order: SplitOrder::Even }),
        kind(DriveKind::Split { bits: 8, order: SplitOrder::BitReversed }),
        kind(DriveKind::Waveform(Arc::new(wave))),
    ]
}

#[test]
fn both_engines_agree_on_every_drive_when_pictures_change() {
    for drive in drives() {
        let mut scene = stage::plain();
        stage::gapless(&mut scene);
        scene.drive = drive.clone();
        scene.drive.clock.phase_s = 4.9e-3;
        scene.drive.clock.drift = 40e-6;
        scene.camera.exposure_s = 1.0 / 90.0;
        scene.camera.readout = Readout::Rolling { readout_s: 30e-3, bottom_up: false };
        scene.wall.transfer = WallTransfer::Gamma(1.0);
        let even: Vec<Arc<WallImage>> = [[0.9, 0.2, 0.5], [0.1, 0.7, 0.3], [0.0, 0.9, 1.0]]
            .iter()
            .map(|light| Arc::new(stage::show(&scene.wall, |c, _, _| light[c])))
            .collect();
        show(&mut scene, 60.0, &even);
        let window = stage::window(&scene, 0, 0, 2, 300);
        let (a, b) = (fast(&scene, 4, window), slow(&scene, 4, window));
        let off = apart(&a, &b);
        assert!(off < 1e-5, "{drive:?}: {off:e}");
        // The second picture alone is another frame.
        let still = Scene { content: even[1].clone(), moving: None, ..scene.clone() };
        assert!(apart(&a, &fast(&still, 4, window)) > 0.05, "{drive:?}: nothing moves");
    }
}

#[test]
fn a_picture_shown_again_and_again_is_a_still() {
    for drive in drives() {
        for scan in [1, 7] {
            let mut scene = stage::plain();
            // Rows in turn where there are pulses in turn; short flanks then.
            let flanks = if scan == 1 { 1.0 } else { 0.05 };
            scene.drive = Drive {
                scan,
                rise_s: drive.rise_s * flanks,
                fall_s: drive.fall_s * flanks,
                ..drive.clone()
            };
            if scan > 1 && drive.kind == DriveKind::Pwm {
                scene.drive.kind = DriveKind::Scanned;
            }
            scene.camera.exposure_s = 1.0 / 70.0;
            let picture = specks(&scene, 1)[0].clone();
            scene.content = picture.clone();
            let window = stage::window(&scene, 3, 9, 16, 90);
            let still = [fast(&scene, 2, window), slow(&scene, 2, window)];
            show(&mut scene, 60.0, &[picture.clone(), picture.clone(), picture]);
            let moving = [fast(&scene, 2, window), slow(&scene, 2, window)];
            for (name, (s, m)) in ["fast", "slow"].iter().zip(still.iter().zip(&moving)) {
                let off = apart(s, m);
                assert!(off < 2e-6, "{name}, scan {scan}, {drive:?}: {off:e}");
            }
        }
    }
}

#[test]
fn the_twins_show_the_same_pictures_at_the_same_times() {
    let mut scene = stage::plain();
    scene.drive = drives()[2].clone();
    scene.camera.exposure_s = 1.0 / 70.0;
    let pictures = specks(&scene, 2);
    show(&mut scene, 30.0, &pictures);
    let window = stage::window(&scene, 0, 0, 16, 120);
    let mut by_hand = scene.clone();
    by_hand.drive.kind = DriveKind::Steady;
    let twin = scene.steady_wall();
    assert_eq!(fast(&twin, 1, window), fast(&by_hand, 1, window));
    assert!(apart(&fast(&scene.ideal(), 1, window), &fast(&scene.ideal(), 3, window)) > 1e-2);
}

/// A folder of four pictures, 8 × 4, red from 40 up in steps of 50, numbered from 7.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    for n in 0..4_u8 {
        let picture = image::RgbImage::from_pixel(8, 4, image::Rgb([40 + 50 * n, 0, 0]));
        picture.save(folder.path().join(format!("train_{:03}.png", n + 7))).expect("saved");
    }
    folder
}

fn read(folder: &Path, sequence: &str, edits: &[&str]) -> Result<Scene, Vec<String>> {
    let base = "wall: {pixel_pitch_mm: 2.6, size_px: [8, 4], bits: 8}
lens: {focal_mm: 35, f_number: 4}
placement: {distance_m: 1}
camera: {photosites: [64, 48], photosite_pitch_um: 6}
";
    let mut all: Vec<Edit> =
        vec![format!("content={{sequence: {sequence}}}").parse().expect("an edit")];
    all.extend(edits.iter().map(|e| e.parse::<Edit>().expect("an edit")));
    parse_edited(base, "base", &all, &PictureFiles::in_folder(folder))
        .map_err(|problems| problems.iter().map(summary).collect())
}

#[test]
fn the_summary_says_of_which_picture_its_mean_is() {
    let (place, pictures) = (Place::new(), folder());
    for entry in std::fs::read_dir(pictures.path()).expect("a folder") {
        let entry = entry.expect("a file");
        std::fs::copy(entry.path(), place.path(entry.file_name())).expect("a copy");
    }
    let mean = |content: &str| {
        let args =
            ["render", "night_train.yaml", "--out", "shown", "--overwrite", "--set", content];
        let (code, out, err) = place.run(&args);
        assert_eq!(code, 0, "{err}");
        format!("{out}{err}").lines().find(|l| l.contains("full white")).map(String::from)
    };
    let moving = mean("content={sequence: {files: train_###.png, first: 7}}").expect("a line");
    assert!(moving.contains("; the mean of the first picture it shows "), "{moving}");
    let still = mean("content={solid: {light_percent: 50}}").expect("a line");
    assert!(still.contains("; the mean of what it shows "), "{still}");
}

#[test]
fn files_are_found_by_their_numbers_and_read_when_they_are_shown() {
    let folder = folder();
    let sequence = "{files: train_###.png, first: 7, frame_rate_fps: 24}";
    let scene = read(folder.path(), sequence, &["drive.video_hz=60"]).expect("a scene");
    let moving = scene.moving.as_ref().expect("a sequence");
    assert_eq!((moving.pictures, moving.rate_hz, moving.video_hz), (4, 24.0, 60.0));
    assert_eq!(scene.content.codes[0][0], 40);
    let reds = |scene: &Scene, frame: u32| -> Vec<u16> {
        let shown = scene.pictures_of_frame(frame).expect("pictures");
        shown.iter().map(|s| s.image.codes[0][0]).collect()
    };
    assert!(reds(&scene, 0).contains(&90) && reds(&scene, 0).contains(&190), "the last, before");
    let notes: Vec<String> =
        scene.notes.iter().filter(|n| n.key.starts_with("content")).map(summary).collect();
    assert_eq!(
        notes,
        [
            "content.sequence.frame_rate_fps: the wall runs at 60 fps: each picture stays for 2 or 3 video frames, in turn (motion will look uneven; feed the wall a whole multiple of `frame_rate_fps`)"
        ]
    );
    let told = describe(&scene);
    for line in [
        "  sequence               4 pictures 'train_###.png', then from the start again",
        "  pictures a second      24 fps, each for 2.5 video frames",
    ] {
        assert!(told.lines().any(|l| l == line), "{line}\nnot in\n{told}");
    }
    assert_eq!(resolved(&scene)["content"]["sequence"]["pictures"], 4);
    // At the wall's own rate by default; other names, a part of the pictures, the last one held.
    let held = "{files: 'train_%03d.png', first: 8, pictures: 2, at_end: hold}";
    let scene = read(folder.path(), held, &["drive.video_hz=50"]).expect("a scene");
    assert!(scene.notes.iter().all(|n| !n.key.starts_with("content")));
    assert_eq!(scene.content.codes[0][0], 90);
    assert_eq!(reds(&scene, 30), [140], "the last one stays");
    // A picture that goes before it is shown stops the shot with its name.
    let shot = Shot::new(&scene, Engine::Fast).expect("a shot");
    assert!(shot.electrons(30, &Run::default()).is_ok());
    std::fs::remove_file(folder.path().join("train_008.png")).expect("removed");
    let error = shot.electrons(0, &Run::default()).expect_err("gone").to_string();
    assert!(error.starts_with("the wall's content: picture '"), "{error}");
    assert!(error.ends_with("train_008.png' is not there"), "{error}");
}

#[test]
fn a_sequence_that_cannot_be_shown_says_why() {
    let folder = folder();
    let shown = |name: &str| folder.path().join(name).display().to_string();
    let table = [
        ("{files: ''}", "no files are named (name them like `frames/train_####.png`)".to_string()),
        (
            "{files: train.png}",
            "'train.png' has no place for the number, or more than one (write `####` or `%04d` where the number stands)".into(),
        ),
        (
            "{files: train_###.png}",
            format!(
                "picture '{}' is not there (the path counts from the scene file's folder; `first` is the first number)",
                shown("train_001.png")
            ),
        ),
        (
            "{files: train_###.png, first: 8, pictures: 5}",
            format!(
                "picture '{}' is not there (3 pictures are there: set `pictures: 3`)",
                shown("train_011.png")
            ),
        ),
    ];
    for (sequence, wanted) in table {
        let wanted = format!("content.sequence.files: {wanted}");
        assert_eq!(read(folder.path(), sequence, &[]).err(), Some(vec![wanted]), "{sequence}");
    }
    let fast = "{files: train_###.png, first: 7, frame_rate_fps: 60}";
    let scene = read(folder.path(), fast, &["drive.video_hz=24"]).expect("a scene");
    assert!(
        scene.notes.iter().map(summary).any(|n| n
            == "content.sequence.frame_rate_fps: 60 pictures a second are more than the wall's 24 video frames: some are left out (motion will look uneven; feed the wall a whole multiple of `frame_rate_fps`)"),
    );
}
