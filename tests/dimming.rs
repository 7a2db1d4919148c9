//! How a wall dims below full brightness: by less current, by shorter pulses, or by both.

use crate::stage;
use crate::truth::render;
use gridbeat::diag::summary;
use gridbeat::frame::{Electrons, Window};
use gridbeat::render::{Run, rays};
use gridbeat::scene::derived::derived;
use gridbeat::scene::{Edit, NoPictures, Scene, describe, parse_edited};
use gridbeat::sensor::{Readout, bands};
use gridbeat::wall::WallTransfer;
use gridbeat::wall::drive::{Drive, DriveKind, SplitOrder};
use std::sync::Arc;

const BASE: &str = "wall: {pixel_pitch_mm: 2.6, size_px: [1920, 1080]}
lens: {focal_mm: 24, f_number: 4}
placement: {distance_m: 3}
";

fn with(edits: &[&str]) -> Scene {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    parse_edited(BASE, "base", &edits, &NoPictures).unwrap_or_else(|problems| {
        panic!("{:#?}", problems.iter().map(summary).collect::<Vec<_>>())
    })
}

/// A wall without gaps that shows one level everywhere, seen straight on through a 1 ms shutter.
fn even(level: f64, drive: impl Fn(Drive) -> Drive) -> Scene {
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.wall.transfer = WallTransfer::Gamma(1.0);
    scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| level));
    scene.camera.exposure_s = 1e-3;
    scene.drive = drive(scene.drive);
    scene
}

fn rows(frame: &Electrons) -> Vec<f64> {
    let plane = &frame.planes[0];
    (0..plane.height).map(|y| f64::from(plane.row(y)[0])).collect()
}

fn traced(scene: &Scene, window: Window) -> Electrons {
    let few = rays::RaySettings { samples: 16, seed: 3 };
    rays::render(scene, 0, window, &few, &Run::default()).expect("rays")
}

/// Pulsed drives, not scanned.
fn kinds() -> [DriveKind; 3] {
    [
        DriveKind::Pwm,
        DriveKind::Split { bits: 14, order: SplitOrder::Even },
        DriveKind::Split { bits: 14, order: SplitOrder::BitReversed },
    ]
}

#[test]
fn the_long_run_mean_is_the_same_however_a_wall_dims() {
    for kind in kinds() {
        // 2^14 − 1 = 3·43·127: a third of a 43rd of the clocks is whole, so nothing is rounded.
        let level = 1365.0 / 4095.0;
        let means: Vec<Vec<f64>> = [1.0, 1.0 / 43.0]
            .into_iter()
            .map(|pulse_share| {
                let mut scene = even(level, |d| Drive { kind: kind.clone(), pulse_share, ..d });
                // A whole video frame: the long run.
                scene.camera.exposure_s = 1.0 / 60.0;
                let window = stage::window(&scene, 0, 0, 2, 24);
                let fast = rows(&render(&scene, 0, window));
                let slow = rows(&traced(&scene, window));
                let mut steady = scene.clone();
                steady.drive.kind = DriveKind::Steady;
                let held = rows(&render(&steady, 0, window));
                for ((f, s), h) in fast.iter().zip(&slow).zip(&held) {
                    assert!((f / h - 1.0).abs() < 1e-5, "{kind:?}, fast: {f}, not {h}");
                    assert!((s / h - 1.0).abs() < 1e-5, "{kind:?}, slow: {s}, not {h}");
                }
                fast
            })
            .collect();
        for (full, dimmed) in means[0].iter().zip(&means[1]) {
            assert!((full / dimmed - 1.0).abs() < 1e-5, "{kind:?}: {full}, {dimmed}");
        }
    }
}

#[test]
fn shorter_pulses_band_as_much_as_their_duty_says() {
    // Handbook §5: rectangular pulses of duty D under an exposure T. 3840 Hz, T 1 ms: φ = 0.84.
    for (pulse_share, level) in [(1.0, 0.5), (0.25, 1.0), (0.25, 0.5)] {
        let mut scene = even(level, |d| Drive { kind: DriveKind::Pwm, pulse_share, ..d });
        // Rows 1 µs apart: all phases of a refresh of 260 µs, more than once.
        scene.camera.readout = Readout::Rolling { readout_s: 640e-6, bottom_up: false };
        let window = stage::window(&scene, 0, 0, 2, 300);
        let mut steady = scene.clone();
        steady.drive.kind = DriveKind::Steady;
        let mean = rows(&render(&steady, 0, window))[0];
        let codes = f64::from((1_u32 << scene.wall.bits) - 1);
        let duty = (level * codes + 0.5).floor() / codes * pulse_share;
        let wanted = bands::band_extremes(3840.0, 1e-3, duty);
        for found in [rows(&render(&scene, 0, window)), rows(&traced(&scene, window))] {
            let high = found.iter().fold(0.0_f64, |m, v| m.max(v / mean));
            let low = found.iter().fold(f64::INFINITY, |m, v| m.min(v / mean));
            // A row is at most half a µs of a full light of duty 1 away from the extreme.
            let grain = 0.5e-6 / 1e-3 / duty + 1e-5;
            let (most, least) = (wanted.row_max / duty, wanted.row_min / duty);
            assert!((high - most).abs() < grain, "{pulse_share}, {level}: {high}, not {most}");
            assert!((low - least).abs() < grain, "{pulse_share}, {level}: {low}, not {least}");
        }
    }
    // Dimmed to a quarter by pulse, full white bands like a quarter of it at full brightness did;
    // by current it does not band at all.
    let white = with(&["wall.brightness_percent=25", "wall.dimming=current", "drive.kind=pwm"]);
    assert_eq!(white.drive.timing().top_duty(), 1.0);
}

#[test]
fn dimming_by_pulse_pushes_pictures_into_the_low_greys() {
    let edits = ["drive.kind=split", "drive.refresh_hz=3840", "drive.video_hz=60"];
    let level = 0.002;
    let clocks = |more: &[&str]| {
        let scene = with(&[&edits[..], more].concat());
        let timing = scene.drive.timing();
        (0..64).map(|m| (timing.pulse_length_s(level, m) / timing.clock_s).round()).sum::<f64>()
    };
    // 0.002·16383 = 32.8 clocks; at 10 % 3.28.
    assert_eq!(clocks(&[]), 33.0);
    assert_eq!(clocks(&["wall.brightness_percent=10", "wall.dimming=current"]), 33.0);
    assert_eq!(clocks(&["wall.brightness_percent=10", "wall.dimming=pulse"]), 3.0);
    // By current to a half, by pulse from there: 0.2 of the clocks.
    assert_eq!(clocks(&["wall.brightness_percent=10", "wall.dimming=mixed"]), 7.0);
    assert_eq!(clocks(&["wall.brightness_percent=60", "wall.dimming=mixed"]), 33.0);
    assert_eq!(
        clocks(&["wall.brightness_percent=10", "wall.dimming={mixed: {pulse_below_percent: 20}}"]),
        16.0
    );
    let dimmed =
        with(&[&edits[..], &["wall.brightness_percent=10", "wall.dimming=pulse"]].concat());
    assert_eq!(derived(&dimmed).drive.grey_levels, Some(1638));
    assert!(
        describe(&dimmed).contains(
            "  dimmed                 to pulses 10 % as long, 1638 levels above black are left\n"
        ),
        "{}",
        describe(&dimmed)
    );
    // The brightness itself is the same, and so is the mean but for whole clocks.
    assert_eq!(dimmed.wall.brightness, 0.1);
    assert!((dimmed.drive.mean_level(level) - 3.0 / 1638.3).abs() < 1e-12);
    assert_eq!(dimmed.steady_wall().drive.mean_level(level), dimmed.drive.mean_level(level));
}

#[test]
fn a_wall_whose_dimming_is_not_known_is_taken_for_the_worse_case() {
    let note = "wall.brightness_percent: how the wall dims to 25 % is not told: taken as by shorter pulses, the worse case (ask whether it dims by current or by pulse, and write `dimming`)";
    let notes = |edits: &[&str]| with(edits).notes.iter().map(summary).collect::<Vec<_>>();
    assert_eq!(notes(&["wall.brightness_percent=25"]), [note]);
    assert_eq!(with(&["wall.brightness_percent=25"]).drive.pulse_share, 0.25);
    let quiet: [&[&str]; 4] = [
        &[],
        &["wall.brightness_percent=25", "wall.dimming=pulse"],
        &["wall.brightness_percent=25", "wall.dimming=current"],
        &["wall.brightness_percent=25", "drive.kind=steady"],
    ];
    for edits in quiet {
        assert_eq!(notes(edits), Vec::<String>::new(), "{edits:?}");
    }
}
