//! One photosite explained: its sum, its shares, its times and its blurs against other ways to them.

use crate::cli_stage::{Place, SCENE};
use glam::DVec2;
use gridbeat::frame::Window;
use gridbeat::render::explain::{ExplainError, explain};
use gridbeat::render::rays::{RaySettings, render};
use gridbeat::render::{Run, fast};
use gridbeat::scene::{Edit, Moving, NoPictures, Rgba16, Scene, parse_edited};
use std::f64::consts::PI;
use std::sync::Arc;

/// The photosite in the middle of the frame, on a wall as on most sets.
const AT: [u32; 2] = [47, 31];

/// How far the traced sum may lie from the fast engine's: the grain of a million rays on one photosite, whose light jumps
/// between emitters and gaps, is about 0.3 %.
const GRAIN: f64 = 0.01;

fn scene(edits: &[&str]) -> Scene {
    let lit = ["content={solid: {light_percent: 60}}"];
    let edits: Vec<Edit> = lit.iter().chain(edits).map(|e| e.parse().expect("an edit")).collect();
    parse_edited(SCENE, "night_train", &edits, &NoPictures).expect("valid")
}

fn settings() -> RaySettings {
    RaySettings { samples: 1 << 20, seed: 1 }
}

fn fast_electrons(scene: &Scene, [x, y]: [u32; 2]) -> f64 {
    let window = Window { x, y, width: 1, height: 1 };
    let frame = fast::render(scene, 0, window, &Run::default()).expect("a frame");
    f64::from(frame.planes[0].data[0])
}

/// The emitters' electrons add up to what the slow check renders there, and to the fast engine's but for grain.
#[test]
fn the_sum_is_the_photosite() {
    for (edits, at) in [
        (vec!["effects.diffraction=off"], AT),
        (
            vec![
                "effects.diffraction=convolved",
                "placement.pan_deg=0.4",
                "filters.low_pass=strong",
            ],
            [12, 50],
        ),
        (vec!["effects.diffraction=off", "lens.focus.distance_m=3", "drive.kind=split"], [60, 9]),
        (
            vec!["effects.diffraction=off", "lens.focus.distance_m=3", "camera.mosaic=monochrome"],
            [3, 3],
        ),
    ] {
        let scene = scene(&edits);
        let found = explain(&scene, 0, at, &settings(), &Run::default()).expect("explained");
        let sum: f64 = found.traced.emitters.iter().map(|e| e.electrons).sum();
        let window = Window { x: at[0], y: at[1], width: 1, height: 1 };
        let rendered = render(&scene, 0, window, &settings(), &Run::default()).expect("a frame");
        let slow = f64::from(rendered.planes[0].data[0]);
        assert!(slow > 5.0, "{edits:?}: there is light");
        assert!((sum / slow - 1.0).abs() < 1e-6, "{edits:?}: {sum} {slow}");
        assert!(
            (sum / found.electrons - 1.0).abs() < GRAIN,
            "{edits:?}: {sum} {}",
            found.electrons
        );
        assert_eq!(found.electrons, fast_electrons(&scene, at), "{edits:?}");
        assert!(!found.wave_left_out);
        assert!(found.traced.emitters.is_sorted_by(|a, b| a.electrons >= b.electrons));
    }
    // A scene with waves: the trace says that it left them out, and is near all the same.
    let scene = scene(&["lens.focus.distance_m=3"]);
    let found = explain(&scene, 0, AT, &settings(), &Run::default()).expect("explained");
    assert!(found.wave_left_out);
    assert!((found.traced.electrons / found.electrons - 1.0).abs() < 0.03);
}

/// Turning an emitter off takes its share away: the fast engine knows nothing of the trace.
#[test]
fn a_share_is_what_goes_when_the_emitter_is_off() {
    let scene = scene(&["effects.diffraction=off", "lens.focus.distance_m=3"]);
    let found = explain(&scene, 0, AT, &settings(), &Run::default()).expect("explained");
    let whole = fast_electrons(&scene, AT);
    for seen in &found.traced.emitters[..3] {
        let mut dark = scene.clone();
        let content = Arc::make_mut(&mut dark.content);
        content.codes[seen.colour][(seen.pixel[1] * dark.wall.columns + seen.pixel[0]) as usize] =
            0;
        let gone = whole - fast_electrons(&dark, AT);
        assert!(gone > 0.01 * whole, "{seen:?}");
        assert!((seen.electrons / gone - 1.0).abs() < 0.1, "{} {gone}: {seen:?}", seen.electrons);
    }
}

/// Times of a scanned wall in closed form: refresh k of row y starts at (k + (y mod 16)/16)/3840 s, and the exposure of
/// photosite row r at r · line; level L is lit for L of a slot.
#[test]
fn flashes_are_where_the_scan_puts_them() {
    let scene =
        scene(&["drive.rise_ns=0", "drive.fall_ns=0", "content={solid: {light_percent: 50}}"]);
    let found = explain(&scene, 0, AT, &settings(), &Run::default()).expect("explained");
    let from = f64::from(AT[1]) * scene.camera.line_s();
    assert!((found.exposed_from_s - from).abs() < 1e-15);
    let refresh = 1.0 / 3840.0;
    for seen in &found.traced.emitters {
        let slot = f64::from(seen.pixel[1] % 16);
        let on = seen.level * refresh / 16.0;
        let (mut count, mut lit, mut first) = (0, 0.0, None);
        for k in -1..80 {
            let start = (f64::from(k) + slot / 16.0) * refresh - from;
            let (a, b) = (start.max(0.0), (start + on).min(0.001));
            if b > a {
                count += 1;
                lit += b - a;
                first = first.or(Some(a));
            }
        }
        assert_eq!(seen.pulses, count, "{seen:?}");
        assert!((seen.lit_s - lit).abs() < 1e-12, "{seen:?} {lit}");
        let [begin, _] = seen.lit_between_s.expect("lit");
        assert!((begin - first.expect("a flash")).abs() < 1e-12, "{seen:?}");
    }
    // A steady wall has no flashes.
    let steady = self::scene(&["drive.kind=steady"]);
    let found = explain(&steady, 0, AT, &settings(), &Run::default()).expect("explained");
    let lit = found.traced.emitters.iter().filter(|e| e.level > 0.0);
    assert!(lit.clone().all(|e| e.pulses == 0 && e.lit_between_s == Some([0.0, 0.001])));
    assert!(lit.count() > 3);
}

/// A camera straight on: the pitch is p·v/d on the sensor, and each blur leaves its closed form at that frequency.
#[test]
fn blurs_leave_their_closed_forms() {
    let scene = scene(&[
        "filters.low_pass.separation_photosites=0.8",
        "lens.focus.distance_m=6",
        "lens.aberration_um=3",
        "effects.diffraction=convolved",
        "wall.diffuser={stand_off_mm: 2, scatter_fwhm_deg: 20}",
    ]);
    let found = explain(&scene, 0, AT, &settings(), &Run::default()).expect("explained");
    let look = found.look.expect("it sees the wall");
    let q = 2.6e-3 * scene.lens.image_m() / scene.pose.lens_m.z / 6e-6;
    assert!((look.pitch_photosites[0] / q - 1.0).abs() < 1e-9, "{look:?} {q}");
    // Photosite (47, 31) is the one up and left of the middle: it looks a quarter of a pixel from it.
    assert_eq!(look.pixel, [59, 39]);
    let sinc = |x: f64| (PI * x).sin() / (PI * x);
    let left = |what: &str| found.blurs.iter().find(|b| b.what == what).expect(what).columns_left;
    let close = |what: &str, want: f64| {
        assert!((left(what) - want).abs() < 1e-6, "{what}: {} {want}", left(what))
    };
    close("low-pass filter", (PI * 0.8 / q).cos());
    close("photosite", sinc(0.9_f64.sqrt() / q));
    close("lens aberration", (-2.0 * (PI * 0.5 / q).powi(2)).exp());
    let sigma = 2e-3 * 10.0_f64.to_radians().tan() / (2.0 * 2.0_f64.ln()).sqrt() / 2.6e-3;
    close("diffuser", (-2.0 * (PI * sigma).powi(2)).exp());
    close("emitter's size", sinc(scene.wall.emitters[1].shape_width_m() / 2.6e-3));
    let product: f64 =
        found.blurs[..found.blurs.len() - 1].iter().map(|b| b.columns_left).product();
    assert!((left("all together") - product).abs() < 1e-12);
}

/// The emitter's width, for the closed form.
trait Width {
    fn shape_width_m(&self) -> f64;
}

impl Width for gridbeat::wall::Emitter {
    fn shape_width_m(&self) -> f64 {
        match self.shape {
            gridbeat::wall::EmitterShape::Rectangle { width_m, .. } => width_m,
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn it_reads_well_and_refuses_what_is_not_there() {
    let place = Place::new();
    let (code, out, err) = place.run(&[
        "explain",
        "night_train.yaml",
        "--photosite",
        "47,31",
        "--most",
        "3",
        "--rays",
        "4096",
    ]);
    assert_eq!((code, err.as_str()), (0, ""));
    for words in [
        "night_train, frame 0: blue photosite at column 47, row 31\n",
        "exposure\n  for 1/1000 s, from ",
        "it looks\n  at wall pixel column 59, row 39, ",
        "emitters light it: red ",
        " flashes between ",
        "  the other ",
        "electrons (it holds 40000)",
        "raw level ",
        "  all together ",
    ] {
        assert!(out.contains(words), "{words}\n{out}");
    }
    let (code, out, _) = place.run(&[
        "explain",
        "night_train.yaml",
        "--photosite",
        "47,31",
        "--json",
        "--rays",
        "4096",
    ]);
    let json: serde_json::Value = serde_json::from_str(&out).expect("JSON");
    assert_eq!((code, &json["colour"]), (0, &"blue".into()));
    let sum: f64 = json["emitters"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|e| e["electrons"].as_f64().expect("e"))
        .sum();
    assert!((sum / json["traced_electrons"].as_f64().expect("e") - 1.0).abs() < 1e-9);
    let (code, _, err) = place.run(&["explain", "night_train.yaml", "--photosite", "96,0"]);
    assert_eq!(
        (code, err.as_str()),
        (
            2,
            "error: photosite 96, 0 is not on the sensor, which has 96 × 64: columns and rows count from 0\n"
        )
    );
    let (code, _, err) = place.run(&["explain", "night_train.yaml", "--photosite", "9"]);
    assert_eq!(code, 2);
    assert!(err.contains("write two whole numbers, such as 1920,1080: column, row"), "{err}");
    let beside = scene(&["placement.pan_deg=40"]);
    let found = explain(&beside, 0, AT, &settings(), &Run::default()).expect("explained");
    assert_eq!((found.look, found.electrons, found.traced.emitters.len()), (None, 0.0, 0));
    let error = explain(&beside, 0, [0, 64], &settings(), &Run::default()).expect_err("outside");
    assert_eq!(error, ExplainError::Outside(0, 64, 96, 64));
}

/// A photosite that looks between two cabinets, and one behind a picture, say so.
#[test]
fn gaps_and_a_foreground_are_told() {
    let text =
        SCENE.replace("size_px: [120, 80]", "cabinets: [2, 1], cabinet_px: [60, 80], seam_mm: 20");
    assert!(text != SCENE);
    let gapped = parse_edited(&text, "gap", &[], &NoPictures).expect("valid");
    // The seam is 20 mm wide on the axis: 17 photosites of 6 µm at 1 : 199.
    let found = explain(&gapped, 0, AT, &settings(), &Run::default()).expect("explained");
    assert!(found.in_seam && found.look.is_none());
    let aside = explain(&gapped, 0, [80, 31], &settings(), &Run::default()).expect("explained");
    assert!(!aside.in_seam && aside.look.is_some());
    let beside = scene(&["placement.pan_deg=40"]);
    let beside = explain(&beside, 0, AT, &settings(), &Run::default()).expect("explained");
    assert!(!beside.in_seam && beside.look.is_none() && beside.traced.covered == 0.0);
    // A veil in focus of three tenths opacity, and nothing where the picture ends.
    for diffraction in ["off", "convolved", "wave"] {
        let edit = format!("effects.diffraction={diffraction}");
        let mut veiled = scene(&[&edit]);
        let pixel: [u16; 4] = [30_000, 30_000, 30_000, 19_661];
        let picture = Rgba16 { columns: 4, rows: 4, data: [pixel; 16].concat() };
        let depth_m = veiled.lens.focus_m;
        // Its left half of the view is covered.
        let photosite_m = 6e-6 / veiled.lens.image_m() * depth_m;
        crate::foreground::put(
            &mut veiled,
            &picture,
            depth_m,
            DVec2::new(-40.0 * photosite_m, 0.0),
            80.0 * photosite_m,
        );
        let inside =
            explain(&veiled, 0, [10, 31], &settings(), &Run::default()).expect("explained");
        let share = 19_661.0 / 65_535.0;
        let off = (inside.traced.covered - share).abs();
        assert!(off < 0.01, "{diffraction}: {}", inside.traced.covered);
        let outside =
            explain(&veiled, 0, [90, 31], &settings(), &Run::default()).expect("explained");
        assert!(outside.traced.covered < 0.01, "{diffraction}: {}", outside.traced.covered);
        assert_eq!(inside.wave_left_out, diffraction == "wave");
    }
}

/// In words, and for programs: what of the trace is not as the scene has it.
#[test]
fn a_trace_without_waves_says_so() {
    let place = Place::new();
    let all = ["explain", "night_train.yaml", "--photosite", "47,31", "--rays", "4096"];
    let (code, out, _) = place.run(&all);
    assert_eq!(code, 0);
    assert!(out.contains("(with diffraction convolved, not as a wave)"), "{out}");
    assert!(out.contains("take `convolved` where the scene has `wave`"), "{out}");
    let (_, out, _) = place.run(&[&all[..], &["--json"]].concat());
    let json: serde_json::Value = serde_json::from_str(&out).expect("JSON");
    assert_eq!(json["traced_with_diffraction_convolved_for_wave"], true);
    assert_eq!(json["looks_into_a_gap"], false);
    let (_, out, _) = place.run(&[&all[..], &["--set", "effects.diffraction=off"]].concat());
    assert!(!out.contains("convolved"), "{out}");
}

/// A camera that moves is where it is in that frame.
#[test]
fn a_frame_of_a_move_is_explained_from_where_the_camera_is() {
    let moves = "moves={between: linear, keyframes: [{at_frame: 10, distance_m: 5}]}";
    let moving = scene(&[moves, "effects.diffraction=off"]);
    let standing = scene(&["placement.distance_m=6", "effects.diffraction=off"]);
    let of = |scene: &Scene, frame: u32| {
        explain(scene, frame, AT, &settings(), &Run::default()).expect("explained")
    };
    let (found, wanted, start) = (of(&moving, 5), of(&standing, 5), of(&moving, 0));
    assert_eq!((&found.look, found.electrons), (&wanted.look, wanted.electrons));
    assert_eq!(found.traced, wanted.traced);
    assert_ne!(start.look, wanted.look);
}

/// Of a sequence, levels and flashes are those of the pictures that the frame sees.
#[test]
fn a_sequence_is_explained_with_the_pictures_of_the_frame() {
    let mut moving = scene(&["effects.diffraction=off", "camera.exposure_ms=20"]);
    let pictures = [0.25_f64, 0.5].map(|level| {
        let mut image = (*moving.content).clone();
        // The wall's gamma.
        let code = (1023.0 * level.powf(1.0 / 2.2)).round() as u16;
        image.codes.iter_mut().for_each(|codes| codes.fill(code));
        image
    });
    let video_hz = moving.drive.video_hz;
    let [first, second] = pictures.clone();
    let make = move |n: u32| Ok(if n == 0 { first.clone() } else { second.clone() });
    let film = Moving::new("####".into(), (24.0, video_hz), 2, true, Box::new(make));
    moving.moving = Some(Arc::new(film));
    for (frame, picture) in [(0, 0), (1, 1), (2, 0), (3, 1)] {
        let still =
            Scene { moving: None, content: pictures[picture].clone().into(), ..moving.clone() };
        let found = explain(&moving, frame, AT, &settings(), &Run::default()).expect("explained");
        let wanted = explain(&still, frame, AT, &settings(), &Run::default()).expect("explained");
        assert!(!wanted.traced.emitters.is_empty());
        for (found, wanted) in found.traced.emitters.iter().zip(&wanted.traced.emitters) {
            assert_eq!((found.pixel, found.pulses), (wanted.pixel, wanted.pulses), "frame {frame}");
            assert!((found.level - wanted.level).abs() < 1e-9, "frame {frame}: {found:?}");
            assert!((found.lit_s - wanted.lit_s).abs() < 1e-12, "frame {frame}: {found:?}");
        }
    }
    // A picture that is gone is told.
    let gone = |_: u32| Err("picture 'a.png' is not there".to_string());
    let film = Moving::new("####".into(), (24.0, video_hz), 2, true, Box::new(gone));
    moving.moving = Some(Arc::new(film));
    let error = explain(&moving, 0, AT, &settings(), &Run::default()).expect_err("gone");
    assert_eq!(error.to_string(), "the wall's content: picture 'a.png' is not there");
}
