//! A measured waveform as the drive: from its file to the light of an exposure, in both engines.

use crate::stage;
use crate::truth::render;
use gridbeat::diag::summary;
use gridbeat::frame::Electrons;
use gridbeat::render::rays::events;
use gridbeat::render::{Run, rays};
use gridbeat::scene::derived::derived;
use gridbeat::scene::{ContentPictures, Edit, Rgba16, Scene, describe, parse_edited, resolved};
use gridbeat::sensor::Readout;
use gridbeat::wall::content::Rgb16;
use gridbeat::wall::drive::{Drive, DriveKind};
use gridbeat::wall::{WallTransfer, Waveform};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

const BASE: &str = "wall: {pixel_pitch_mm: 2.6, size_px: [1920, 1080]}
lens: {focal_mm: 24, f_number: 4}
placement: {distance_m: 3}
";

/// One text under every name but `gone.csv`.
struct Text(String);

impl ContentPictures for Text {
    fn load(&self, path: &str) -> Result<Rgb16, String> {
        Err(format!("picture '{path}' is not there"))
    }

    fn load_with_opacity(&self, path: &str) -> Result<Rgba16, String> {
        Err(format!("picture '{path}' is not there"))
    }

    fn text(&self, path: &str) -> Result<String, String> {
        match path {
            "gone.csv" => Err("file 'gone.csv' is not there".into()),
            _ => Ok(self.0.clone()),
        }
    }
}

fn read(text: &str, edits: &[&str]) -> Result<Scene, Vec<String>> {
    let mut all: Vec<Edit> =
        vec!["drive.kind={waveform: {file: lamp.csv}}".parse().expect("an edit")];
    all.extend(edits.iter().map(|e| e.parse::<Edit>().expect("an edit")));
    parse_edited(BASE, "base", &all, &Text(text.into()))
        .map_err(|problems| problems.iter().map(summary).collect())
}

fn wave(scene: &Scene) -> &Waveform {
    let DriveKind::Waveform(wave) = &scene.drive.kind else { panic!("no waveform") };
    wave
}

fn notes(scene: &Scene) -> Vec<String> {
    scene.notes.iter().map(summary).collect()
}

fn rows(frame: &Electrons) -> Vec<f64> {
    let plane = &frame.planes[0];
    (0..plane.height).map(|y| f64::from(plane.row(y)[0])).collect()
}

/// An irregular waveform with steps and dark stretches, 3.7 ms long.
fn rough() -> Waveform {
    let samples = [
        [0.0, 0.2],
        [0.3e-3, 1.0],
        [0.3e-3, 0.0],
        [1.1e-3, 0.0],
        [1.15e-3, 5.0],
        [1.9e-3, 3.0],
        [3.5e-3, 0.7],
    ];
    Waveform::new(&samples, 3.7e-3).expect("a waveform")
}

#[test]
fn the_closed_form_has_the_area_of_the_listed_lines() {
    // The bar of every drive: 1e-9 of the exposure.
    let base = stage::plain().drive;
    let drive = Drive {
        kind: DriveKind::Waveform(Arc::new(rough())),
        refresh_hz: 540.0,
        scan: 7,
        delay_s: [0.0, 31e-6, 400e-6],
        ..base
    };
    let timing = drive.timing();
    let mut lit = 0;
    for i in 0..400_u32 {
        let from_s = -0.01 + 0.173e-3 * f64::from(i);
        let exposure_s = [1e-6, 0.9e-3, 3.7e-3, 20.3e-3][i as usize % 4];
        let (slot, colour) = (i % 7, i as usize % 3);
        let to_s = from_s + exposure_s;
        let listed = events::lit_s(&drive, 0.6, colour, slot, from_s, to_s);
        let (from, to) = (timing.edge(from_s, slot, colour), timing.edge(to_s, slot, colour));
        let counted = timing.on_time_s(0.6, &from, &to);
        assert!((counted - listed).abs() < 1e-9 * exposure_s, "{i}: {counted}, not {listed}");
        if exposure_s == 3.7e-3 {
            assert!((counted / 3.7e-3 - 0.6).abs() < 1e-9, "a period is the mean: {counted}");
        }
        lit += usize::from(counted > 0.0);
    }
    assert!(lit > 300);
}

#[test]
fn a_sine_bands_as_much_as_the_closed_form_says() {
    // Handbook §5: a source 1 + M·sin(2πft) under an exposure T: amplitude M·|sinc(f·T)| about the mean. 120 Hz,
    // T = 1/48 s is f·T = 2.5: 1/(2.5π) of 0.8.
    let mut text = String::from("time_ms;light\n# a lamp on the mains\n");
    for i in 0..=2000 {
        let t = f64::from(i) / 2000.0;
        text.push_str(&format!("{};{}\n", t * 1e3 / 120.0, 3.0 + 2.4 * (TAU * t).sin()));
    }
    let read = read(&text, &[]).expect("a scene");
    assert!((wave(&read).period_s() - 1.0 / 120.0).abs() < 1e-12);
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.wall.transfer = WallTransfer::Gamma(1.0);
    scene.content = Arc::new(stage::show(&scene.wall, |_, _, _| 0.4));
    scene.camera.exposure_s = 1.0 / 48.0;
    scene.camera.readout = Readout::Rolling { readout_s: 640.0 * 50e-6, bottom_up: false };
    let mut steady = scene.clone();
    scene.drive = read.drive.clone();
    steady.drive.kind = DriveKind::Steady;
    let window = stage::window(&scene, 0, 0, 2, 300);
    let mean = rows(&render(&steady, 0, window))[0];
    let few = rays::RaySettings { samples: 16, seed: 3 };
    let slow = rays::render(&scene, 0, window, &few, &Run::default()).expect("rays");
    let sinc = (PI * 2.5).sin() / (PI * 2.5);
    for (name, found) in [("fast", rows(&render(&scene, 0, window))), ("slow", rows(&slow))] {
        for (i, light) in found.iter().enumerate() {
            let middle_s = (f64::from(window.y) + i as f64) * 50e-6 + 0.5 / 48.0;
            let wanted = 1.0 + 0.8 * sinc * (TAU * 120.0 * middle_s).sin();
            // 2000 straight lines a turn are 4e-7 below the sine; rows are f32.
            assert!((light / mean - wanted).abs() < 3e-6, "{name}, {i}: {light} of {mean}");
        }
    }
}

#[test]
fn both_engines_agree_with_scan_delays_and_clock() {
    let mut scene = stage::plain();
    stage::gapless(&mut scene);
    scene.content = Arc::new(stage::show(&scene.wall, |c, _, _| [0.9, 0.5, 0.3][c]));
    scene.drive.kind = DriveKind::Waveform(Arc::new(rough()));
    scene.drive.refresh_hz = 1000.0 / 3.7;
    scene.drive.delay_s = [0.0, 0.2e-3, -0.4e-3];
    scene.drive.clock.phase_s = 0.9e-3;
    scene.drive.clock.drift = 60e-6;
    scene.camera.exposure_s = 1.3e-3;
    let window = stage::window(&scene, 0, 0, 2, 300);
    let fast =
        rows(&gridbeat::render::fast::render(&scene, 2, window, &Run::default()).expect("a frame"));
    let few = rays::RaySettings { samples: 16, seed: 3 };
    let slow = rows(&rays::render(&scene, 2, window, &few, &Run::default()).expect("rays"));
    let top = fast.iter().fold(0.0_f64, |m, v| m.max(*v));
    for (i, (f, s)) in fast.iter().zip(&slow).enumerate() {
        assert!((f - s).abs() < 1e-5 * top, "{i}: {f}, not {s}");
    }
    assert!(fast.iter().any(|f| *f < 0.3 * top), "no bands at all");
    // Rows in turn: the row of slot 1 is a 16th of a refresh late.
    let drive = Drive { scan: 16, ..scene.drive };
    let timing = drive.timing();
    let late_s = 3.7e-3 / 16.0;
    let light = |start_s: f64, slot: u32| timing.light(1.0, start_s, 1e-4, slot, 0);
    assert!((light(2e-3 + late_s, 1) - light(2e-3, 0)).abs() < 1e-3);
    assert!((light(2e-3, 1) - light(2e-3, 0)).abs() > 0.1);
}

#[test]
fn a_file_repeats_after_what_the_scene_says() {
    // Ten even samples a millisecond apart, the light of a 500 Hz square wave, heights off by some noise.
    let text = "time_ms,light\n0,1\n1,0\n2,1\n3,0\n4,1\n5,0\n6,1\n7,0\n8,1\n9,0\n";
    let period = |edits: &[&str]| wave(&read(text, edits).expect("a scene")).period_s();
    assert!((period(&[]) - 9e-3).abs() < 1e-15, "the whole file");
    // Ten samples stand for ten steps: five whole refreshes of 500 Hz, four of 450 Hz.
    assert!((period(&["drive.refresh_hz=500"]) - 10e-3).abs() < 1e-15);
    assert!((period(&["drive.refresh_hz=450"]) - 4.0 / 450.0).abs() < 1e-15);
    let file = "drive.kind={waveform: {file: lamp.csv, period_ms: 4}}";
    assert!((period(&[file]) - 4e-3).abs() < 1e-15);
    let open = read(text, &[]).expect("a scene");
    assert_eq!(
        notes(&open),
        [
            "drive.kind.waveform.file: where it repeats, after 9 ms, the light jumps from 0 % to 100 % of its highest (set `period_ms`, or `refresh_hz`, to what repeats in the file)"
        ]
    );
    let closed = read(text, &["drive.refresh_hz=500"]).expect("a scene");
    assert_eq!(notes(&closed), Vec::<String>::new());
    assert_eq!(closed.drive.scan, 1);
    assert!(describe(&closed).contains("as measured, 11 points, repeats after 10 ms\n"));
    assert_eq!(resolved(&closed)["drive"]["kind"]["waveform"]["period_s"], 0.01);
    let numbers = derived(&closed);
    assert_eq!(numbers.timing.pattern_repeats_s, Some(0.01));
    assert_eq!(closed.steady_wall().drive.kind, DriveKind::Steady);
    // What is measured is in it already.
    let idle = read(text, &["drive.refresh_hz=500", "drive.rise_ns=50"]).expect("a scene");
    assert_eq!(
        notes(&idle),
        [
            "drive.rise_ns: a measured waveform is taken as it is: this key has no effect (choose another `kind`, or take the key out)"
        ]
    );
}

#[test]
fn a_file_that_is_no_waveform_says_why() {
    let heading =
        "(the heading names a column `time_s`, `time_ms` or `time_us`, and a column `light`)";
    let table: [(&str, &[&str], String); 10] = [
        ("", &[], format!("'lamp.csv', the file is empty {heading}")),
        ("t,light\n0,1\n", &[], format!("'lamp.csv', line 1: 't,light' is no heading of time and light {heading}")),
        (
            "# scope\n\ntime_s,light\n0,1\n1,1\n2,o\n",
            &[],
            "'lamp.csv', line 6: 'o' is not a number (plain numbers, decimals with a point)".into(),
        ),
        (
            "time_s;light\n0;1\n1;0,5\n",
            &[],
            "'lamp.csv', line 3: '0,5' is not a number (plain numbers, decimals with a point)".into(),
        ),
        (
            "time_s,light\n0,1\n1,-0.1\n",
            &[],
            "'lamp.csv', line 3: light cannot be below zero (take the dark level off, and set what is below it to 0)".into(),
        ),
        (
            "light,time_us\n1,0\n1,2\n1,1\n",
            &[],
            "'lamp.csv', line 4: time runs backwards (sort the samples by time)".into(),
        ),
        ("time_s,light\n0,1\n", &[], "'lamp.csv', a waveform needs two samples or more, at different times (check the file)".into()),
        ("time_s,light\n0,0\n1,0\n", &[], "'lamp.csv', there is no light in the period (check the file)".into()),
        (
            "time_ms,light\n0,1\n1,0\n",
            &["drive.refresh_hz=400"],
            "'lamp.csv' lasts 1 ms, shorter than a refresh of 2.5 ms (measure longer, or set `period_ms` to what repeats in it)".into(),
        ),
        (
            "time_ms,light\n0,1\n1,0\n",
            &["drive.kind={waveform: {file: gone.csv}}"],
            "file 'gone.csv' is not there (the path counts from the scene file's folder)".into(),
        ),
    ];
    for (text, edits, wanted) in table {
        let wanted = format!("drive.kind.waveform.file: {wanted}");
        assert_eq!(read(text, edits).err(), Some(vec![wanted]), "{text:?}");
    }
    let short = "drive.kind={waveform: {file: lamp.csv, period_ms: 40}}";
    assert_eq!(
        read("time_ms,light\n0,1\n1,0\n", &[short]).err(),
        Some(vec![
            "drive.kind.waveform.period_ms: 'lamp.csv' lasts 1 ms, shorter than a period of 40 ms (measure longer, or set `period_ms` to what repeats in it)".to_string()
        ])
    );
}
