//! Prediction of what is not one still, even wall: moves, turned cabinets, late clocks.

use crate::predict::picture;
use crate::stage;
use glam::DVec2;
use gridbeat::artefact::{Degree, Kind};
use gridbeat::frame::{Plane, Window};
use gridbeat::measure::{self, Trio};
use gridbeat::predict::{Off, Prediction, Settings, predict, scene_of, verdict};
use gridbeat::scene::{NoPictures, Scene, Tolerances, parse, parse_edited};
use gridbeat::sensor::{Mosaic, Readout};
use gridbeat::wall::drive::DriveKind;
use gridbeat::wall::{EmitterShape, WallImage};
use std::sync::Arc;

const KINDS: [Kind; 4] = [Kind::Flicker, Kind::Bands, Kind::Moire, Kind::PixelStructure];

fn scene(lines: &str) -> Scene {
    let text = format!(
        "wall: {{pixel_pitch_mm: 2.6, size_px: [800, 400], cabinet_px: [80, 80]}}\n\
         camera: {{photosites: [960, 540], photosite_pitch_um: 8, frame_rate_fps: 25, shutter_speed: 1/50}}\n\
         drive: {{kind: steady}}\n{lines}\n"
    );
    parse(&text, "case", &NoPictures).unwrap_or_else(|e| panic!("{text}{e:#?}"))
}

const LENS: &str = "lens: {focal_mm: 35, f_number: 1.4";

fn multiple(prediction: &Prediction, kind: Kind) -> f64 {
    prediction.of(kind).map_or(0.0, |f| f.worst.multiple)
}

#[test]
fn a_move_is_as_bad_as_its_worst_frame() {
    // The focus comes from the subject at 1.5 m to the wall at 4 m: clean at first, not at the end.
    let lens = format!("{LENS}, focus: {{distance_m: 1.5}}}}");
    let pull = scene(&format!(
        "{lens}\nplacement: {{distance_m: 4}}\n\
         moves: {{keyframes: [{{at_frame: 0, focus_m: 1.5}}, {{at_frame: 50, focus_m: 4}}]}}"
    ));
    let still = scene(&format!("{lens}\nplacement: {{distance_m: 4}}"));
    let end = scene(&format!("{LENS}, focus: {{distance_m: 4}}}}\nplacement: {{distance_m: 4}}"));
    let [pulled, still, end] = [&pull, &still, &end].map(|s| predict(s, &Settings::full()));
    assert_eq!(still.judged().degree, Degree::Clean, "{}", still.judged().multiple);
    assert_ne!(end.judged().degree, Degree::Clean);
    assert!(pulled.unsure.is_empty());
    assert!(pulled.judged().multiple >= end.judged().multiple);
    let kind = end.worst[0].kind;
    let found = pulled.of(kind).expect("found");
    assert!(found.frame > 25, "frame {}", found.frame);
    let there = scene_of(&pull, found);
    assert!((there.lens.focus_m - pull.at_frame(found.frame).lens.focus_m).abs() < 1e-12);
    // The quick verdict comes to the same degree.
    let quick = verdict(&pull, &Settings::quick());
    assert_eq!(quick.judged().degree, pulled.judged().degree);
}

#[test]
fn every_frame_of_a_move_is_within_its_verdict() {
    // Nearer by a fifth, a pan, and a focus pull through the wall's plane.
    let lens = format!("{LENS}, focus: {{distance_m: 2.2}}}}");
    let shots = [
        "{at_frame: 0, distance_m: 4, pan_deg: 0}, {at_frame: 48, distance_m: 3.2, pan_deg: 3}",
        "{at_frame: 0, focus_m: 2.2}, {at_frame: 40, focus_m: 9}",
    ];
    for keyframes in shots {
        let shot = scene(&format!(
            "{lens}\nplacement: {{distance_m: 4, pan_deg: 0}}\nmoves: {{keyframes: [{keyframes}]}}"
        ));
        let whole = predict(&shot, &Settings::full());
        for frame in (0..50).step_by(3) {
            let still = predict(&shot.at_frame(frame), &Settings::full());
            for kind in KINDS {
                let (one, all) = (multiple(&still, kind), multiple(&whole, kind));
                // Contrasts between the frames that are judged may be a little above theirs.
                assert!(one <= 1.1 * all + 0.02, "{keyframes}, {frame}: {kind:?} {one} {all}");
            }
        }
    }
}

#[test]
fn broad_fringes_that_crawl_are_seen_better_than_those_that_stand() {
    // A little more than a photosite a pitch: some five fringes down the picture, which small photosites let through.
    let at = |lateral: f64| {
        let mut scene = scene(&format!(
            "{LENS}, focus: {{on: wall}}}}\nplacement: {{distance_m: 11.3, lateral_m: 0}}\n\
             moves: {{between: linear, keyframes: [{{at_frame: 0, lateral_m: 0}}, {{at_frame: 50, lateral_m: {lateral}}}]}}"
        ));
        scene.camera.mosaic = Mosaic::Monochrome;
        scene.camera.fill_factor = 0.3;
        scene.tolerances = Tolerances::NONE;
        predict(&scene, &Settings::full())
    };
    // 1/5000 and 1/10 of a pixel a frame: 0.005 and 2.5 Hz for the first harmonic.
    let [slow, fast] = [0.000_026, 0.013].map(at);
    let (slow, fast) = (multiple(&slow, Kind::Moire), multiple(&fast, Kind::Moire));
    assert!(slow > 0.1 && fast > 1.05 * slow, "{slow} {fast}");
}

/// An even grey on a wall of cabinets of 80 × 80, scanned, before a slow shutter and a slow readout.
fn scanned(turned: Vec<u8>) -> Scene {
    let mut scene = stage::plain();
    scene.wall.build.turned = turned;
    for emitter in &mut scene.wall.emitters {
        emitter.shape = EmitterShape::Rectangle { width_m: 0.68e-3, height_m: 0.9e-3 };
    }
    scene.camera.mosaic = Mosaic::Monochrome;
    scene.lens.aberration_m = 6e-6;
    scene.drive.kind = DriveKind::Scanned;
    scene.drive.scan = 4;
    scene.drive.refresh_hz = 480.0;
    scene.camera.exposure_s = 1.0 / 700.0;
    scene.camera.readout = Readout::Rolling { readout_s: 0.004, bottom_up: false };
    // 80 pixels of 4 photosites: the middle one of three cabinets is in the picture alone.
    let middle = DVec2::new(0.0, 40.0 * scene.wall.pitch_m);
    stage::place(&mut scene, 4.0, 5.0, middle, [0.0; 3]);
    let (width, height) = (288, 288);
    scene.camera.crop =
        Window { x: (960 - width) / 4 * 2, y: (640 - height) / 4 * 2, width, height };
    let code = scene.wall.transfer.code(0.5);
    let image: WallImage = stage::show(&scene.wall, |_, _, _| code);
    scene.content = Arc::new(image);
    scene
}

#[test]
fn bands_of_a_turned_cabinet_are_measured_where_they_are_told() {
    let settings = Settings { levels: vec![0.5], ..Settings::full() };
    let mut directions = Vec::new();
    for turn in [0, 1, 2, 3] {
        // The cabinet in the middle of the upper row is turned; the others hang upright.
        let scene = scanned(vec![0, turn, 0, 0, 0, 0]);
        let [captured, lattice, ideal] = [scene.clone(), scene.steady_wall(), scene.ideal()]
            .map(|s| picture(&s, 0).planes.to_vec());
        let given = vec![true; captured[0].data.len()];
        let planes = |p: &Vec<Plane>| p.clone();
        let (captured, lattice, ideal) = (planes(&captured), planes(&lattice), planes(&ideal));
        let white = f64::from(ideal[1].data.iter().fold(0.0_f32, |a, b| a.max(*b)));
        let trio =
            Trio { captured: &captured, lattice: &lattice, ideal: &ideal, given: &given, white };
        let [_, bands] = trio.fields().expect("planes of one size");
        let found = measure::waves(&bands, &measure::Settings::default());
        let found = found.found.first().expect("bands");
        let told = predict(&scene, &settings);
        assert!(told.unsure.is_empty());
        let near = told
            .bands
            .iter()
            .filter(|f| f.quarter_turns == turn)
            .min_by(|a, b| {
                let off = |f: f64| f;
                let apart = |x: &gridbeat::predict::Finding| {
                    (x.seen.wave.frequency - found.wave.frequency)
                        .length()
                        .min((x.seen.wave.frequency + found.wave.frequency).length())
                };
                off(apart(a)).total_cmp(&off(apart(b)))
            })
            .expect("told bands");
        let (a, b) = (near.seen.wave, found.wave);
        println!(
            "turned {turn}: told {:.4} at {:.4}, found {:.4} at {:.4}",
            a.luma(),
            a.frequency,
            b.luma(),
            b.frequency
        );
        println!(
            "{:.3} {:.3}, {:.2}° {:.2}°",
            a.period_px(),
            b.period_px(),
            a.direction_deg(),
            b.direction_deg()
        );
        // The bars of bands: depth within 3 %, period within 0.5 %, and direction within 0.3°.
        assert!((a.luma() / b.luma() - 1.0).abs() < 0.03, "{turn}: {} {}", a.luma(), b.luma());
        assert!((a.period_px() / b.period_px() - 1.0).abs() < 0.005, "{turn}");
        assert!((a.direction_deg() - b.direction_deg()).abs() < 0.3, "{turn}");
        directions.push(b.direction_deg());
    }
    // Upright and upside down they lie flat, turned a quarter they stand nearly upright, slanted by the readout: either way.
    assert!((directions[0] - 90.0).abs() < 1.0 && (directions[2] - 90.0).abs() < 1.0);
    assert!(directions[1].abs() < 10.0 && directions[3].abs() < 10.0);
}

#[test]
fn a_wall_of_some_turns_is_as_bad_as_the_worst_of_them() {
    let settings = Settings { levels: vec![0.5], ..Settings::full() };
    let of = |turned: Vec<u8>| predict(&scanned(turned), &settings);
    let some = of(vec![0, 1, 0, 2, 0, 0]);
    let each = [0, 1, 2].map(|t| of(vec![t; 6]));
    for kind in KINDS {
        let most = each.iter().map(|p| multiple(p, kind)).fold(0.0, f64::max);
        assert_eq!(multiple(&some, kind), most, "{kind:?}");
    }
    // Turns do make a difference.
    assert!(multiple(&each[0], Kind::Bands) != multiple(&each[1], Kind::Bands));
}

/// A blur disc that spans the rows of a scan takes its bands away, where it spans them just so. What distance and focal length may be off by
/// brings them back, and counts.
#[test]
fn bands_that_a_blur_takes_away_by_luck_count_at_worst() {
    let text = "
wall: {pixel_pitch_mm: 1.953, cabinets: [8, 5], cabinet_px: [256, 256], dimming: current}
drive: {kind: scanned, refresh_hz: 1920, scan: 16}
content: {solid: {light_percent: 30}}
lens: {focal_mm: 70, f_number: 2.8, focus: {distance_m: 2.8}, aberration_um: 3}
camera: {photosites: [3840, 2160], photosite_pitch_um: 6, readout: {rolling: {readout_ms: 12}}, frame_rate_fps: 24, shutter_speed: 1/1250}
placement: {distance_m: 7}
";
    let bands = |scene: &Scene| {
        let found = predict(scene, &Settings::full());
        found.of(Kind::Bands).map_or([0.0; 2], |f| [f.planned.multiple, f.worst.multiple])
    };
    let mut grew = false;
    for focal_mm in [63.0, 66.0, 69.0, 72.0, 75.0] {
        let edits = [format!("lens.focal_mm={focal_mm}").parse().expect("an edit")];
        let scene = parse_edited(text, "blurred", &edits, &NoPictures).expect("a scene");
        let [planned, worst] = bands(&scene);
        let Tolerances { distance, focal, .. } = scene.tolerances;
        for (d, f) in [(1, -1), (-1, 1), (1, 1), (-1, -1), (1, 0), (-1, 0), (0, 1), (0, -1)] {
            let (distance, focal) = (distance * f64::from(d), focal * f64::from(f));
            let off = Off { distance, focal, ..Off::default() };
            let there = bands(&off.of(&scene))[0];
            assert!(there <= worst * 1.01, "{focal_mm}, {d} {f}: {there} where {worst} was told");
            grew |= there > 1.2 * planned;
        }
    }
    assert!(grew, "no luck in any of these");
}
