//! Variants side by side: what they cost against closed forms, their order, the files, and what is refused.

use crate::cli_stage::{Place, SCENE};
use gridbeat::artefact::{Degree, Kind};
use gridbeat::plan::compare::{Measured, Row, Verdict, order};
use gridbeat::plan::price::{Plane, Price};
use gridbeat::plan::variants::{self, Given, Variant};
use gridbeat::predict::unknowns::KINDS;
use gridbeat::scene::{Edit, NoPictures, Scene, parse_edited, parse_variant};
use serde_json::Value;
use std::f64::consts::PI;
use std::fs;

/// A dusk sky on a wall in focus, 2.06 photosites a pitch, with an actor nearer to the camera.
const DUSK: &str = "\
wall: {pixel_pitch_mm: 1.953, size_px: [512, 320], white_nits: 1500, brightness_percent: 15, dimming: current}
drive: {kind: scanned, refresh_hz: 3840, scan: 16}
content: {solid: {light_percent: 8}}
subject: {distance_m: 1.4}
lens: {focal_mm: 24, f_number: 4, focus: {on: wall}, aberration_um: 3}
camera: {photosites: [640, 400], photosite_pitch_um: 6, frame_rate_fps: 24, shutter_angle_deg: 180}
placement: {distance_m: 3.84, roll_deg: 0.5}
";

fn dusk(edits: &[&str]) -> Scene {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    parse_edited(DUSK, "dusk", &edits, &NoPictures).unwrap_or_else(|e| panic!("{e:?}"))
}

fn price(edits: &[&str]) -> Price {
    Price::of(&dusk(edits))
}

/// The frequency at which a falling function is a half, cycles per photosite.
fn half(mtf: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 0.5);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if mtf(middle) < 0.5 { high = middle } else { low = middle }
    }
    low
}

fn sinc(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Pixels of 6 µm with a quarter of their area blind and a filter that doubles by 4.5 µm: sinc(f·√¾)·cos(π·f·¾), nothing else.
#[test]
fn sharpness_of_aperture_and_low_pass_is_the_closed_form() {
    let alone = [
        "effects.diffraction=off",
        "effects.defocus=off",
        "effects.aberration=off",
        "camera.fill_factor_percent=75",
    ];
    let found = price(&[&alone[..], &["filters.low_pass.separation_um=4.5"]].concat());
    let mtf = |f: f64| sinc(f * 0.75_f64.sqrt()) * (PI * f * 0.75).cos();
    for sharp in [found.subject, found.wall.expect("the middle sees the wall")] {
        // The wall is rolled by half a degree, the picture is not: frequencies are the sensor's.
        assert!((sharp.at_half_nyquist_share - mtf(0.25)).abs() < 1e-12, "{sharp:?}");
        let mtf50 = sharp.mtf50_cycles_per_photosite.expect("it falls");
        assert!((mtf50 - half(mtf)).abs() < 1e-10, "{sharp:?}");
        let lines = sharp.mtf50_lines_per_mm.expect("it falls");
        assert!((lines - mtf50 / 6e-3).abs() < 1e-9, "{sharp:?}");
    }
    let bare = price(&alone);
    assert!((bare.subject.at_half_nyquist_share - sinc(0.25 * 0.75_f64.sqrt())).abs() < 1e-12);
    assert!(bare.subject.mtf50_lines_per_mm > found.subject.mtf50_lines_per_mm);
}

/// Out of focus without diffraction: 2·J₁(πcf)/(πcf), with c of the thin lens; through a diffuser a Gaussian of the sheet's spread, in the
/// wall's plane, on top.
#[test]
fn sharpness_out_of_focus_and_behind_a_diffuser_is_the_closed_form() {
    let alone = ["effects.diffraction=off", "effects.aberration=off", "placement.roll_deg=0"];
    let found = price(&[&alone[..], &["lens.focus.on=subject"]].concat());
    let scene = dusk(&alone);
    // Distances from the sensor plane: the lens stands its own image distance before it.
    let f = 0.024;
    let image_of = |object_and_image: f64| {
        // d + v = D and 1/d + 1/v = 1/f.
        let root = (object_and_image * object_and_image / 4.0 - object_and_image * f).sqrt();
        object_and_image / 2.0 - root
    };
    let image_m = image_of(1.4);
    let (focus_m, wall_m) = (1.4 - image_m, 3.84 - image_m);
    let disc = f / 4.0 * image_m / focus_m * (1.0 - focus_m / wall_m) / 6e-6;
    assert!(disc > 5.0, "{disc}");
    let fill = scene.camera.fill_factor.sqrt();
    let jinc = |x: f64| 2.0 * libm::j1(x) / x;
    let mtf = |at: f64| (jinc(PI * disc * at) * sinc(at * fill)).abs();
    let wall = found.wall.expect("a wall");
    // The engine's table of the disc is good to 1e-5.
    assert!((wall.at_half_nyquist_share - mtf(0.25)).abs() < 2e-5, "{wall:?} {}", mtf(0.25));
    assert!((wall.mtf50_cycles_per_photosite.expect("it falls") - half(mtf)).abs() < 1e-5);
    assert!((wall.distance_m.expect("on the axis") - 3.84).abs() < 1e-9);
    assert_eq!(found.subject_is, Plane::Subject);
    assert!((found.subject.distance_m.expect("given") - 1.4).abs() < 1e-9);
    assert!((found.subject.at_half_nyquist_share - sinc(0.25 * fill)).abs() < 1e-6);

    let sheet = "wall.diffuser={stand_off_mm: 5, scatter_fwhm_deg: 20, transmission_percent: 70}";
    let (with, bare) = (price(&[&alone[..], &[sheet]].concat()), price(&alone));
    let fwhm_m = 2.0 * 5e-3 * 10_f64.to_radians().tan();
    let sigma_m = fwhm_m / (2.0 * (2.0 * 2_f64.ln()).sqrt());
    let image_m = image_of(3.84);
    let on_wall = |at: f64| at / 6e-6 * image_m / (3.84 - image_m);
    let gaussian = |at: f64| (-2.0 * (PI * sigma_m * on_wall(at)).powi(2)).exp();
    let (sharp, plain) = (with.wall.expect("a wall"), bare.wall.expect("a wall"));
    let left = sharp.at_half_nyquist_share / plain.at_half_nyquist_share;
    assert!((left - gaussian(0.25)).abs() < 1e-9, "{left} {}", gaussian(0.25));
    assert_eq!(with.subject, bare.subject, "a diffuser softens nothing before the wall");
}

#[test]
fn light_lost_is_what_filters_and_sheets_swallow() {
    let bare = price(&[]);
    let sheet = "wall.diffuser={stand_off_mm: 5, scatter_fwhm_deg: 20, transmission_percent: 70}";
    let lost = |edits: &[&str]| {
        let with = price(edits);
        [with.wall_stops_lost(&bare), with.subject_stops_lost(&bare)]
    };
    let near = |found: [f64; 2], wanted: [f64; 2]| {
        let off = (found[0] - wanted[0]).abs().max((found[1] - wanted[1]).abs());
        assert!(off < 1e-9, "{found:?} {wanted:?}");
    };
    near(lost(&[sheet]), [-(0.7_f64.log2()), 0.0]);
    near(lost(&[sheet, "wall.brightness_percent=21"]), [(15.0 / (21.0 * 0.7_f64)).log2(), 0.0]);
    near(lost(&["filters.neutral_density_stops=2"]), [2.0, 2.0]);
    near(lost(&["camera.shutter_angle_deg=90"]), [1.0, 1.0]);
    near(lost(&["filters.low_pass.separation_um=6"]), [0.0, 0.0]);
}

fn run(place: &Place, more: &[&str]) -> (i32, String, String) {
    place.run(&[&["compare", "dusk.yaml"], more].concat())
}

fn dusk_place() -> Place {
    let place = Place::new();
    fs::write(place.path("dusk.yaml"), DUSK).expect("the scene");
    place
}

fn json(place: &Place, file: &str) -> Value {
    serde_json::from_slice(&fs::read(place.path(file)).expect("data")).expect("JSON")
}

const FOUR_WAYS: &str = "\
bare: {price_per_day: 2100}
variants:
  - {name: low-pass, set: {filters.low_pass.separation_um: 6}, price_per_day: 2140.5, note: 'in all day, every shot'}
  - {name: defocus, set: {lens.focus.on: subject}}
  - name: diffuser
    set:
      wall.diffuser: {stand_off_mm: 5, scatter_fwhm_deg: 20, transmission_percent: 70}
";

/// The answer without pixels and the frames tell the same order.
#[test]
fn four_ways_rank_by_measured_moire_as_they_are_predicted() {
    let place = dusk_place();
    fs::write(place.path("ways.yaml"), FOUR_WAYS).expect("variants");
    let (code, out, err) = run(&place, &["--variants", "ways.yaml", "--out", "o"]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    let data = json(&place, "o/dusk_compare.json");
    let all = data["variants"].as_array().expect("variants");
    let name = |v: &Value| v["name"].as_str().expect("a name").to_owned();
    let ranked = |of: &dyn Fn(&Value) -> f64| {
        let mut all: Vec<(String, f64)> = all.iter().map(|v| (name(v), of(v))).collect();
        all.sort_by(|a, b| b.1.total_cmp(&a.1));
        all
    };
    let moire = |v: &Value| {
        let found = &v["measured"]["moire"];
        found["luma"].as_f64().unwrap_or(0.0).max(found["colour"].as_f64().unwrap_or(0.0))
    };
    let predicted = |v: &Value| {
        let kinds = v["by_kind"].as_array().expect("kinds");
        let moire = kinds.iter().find(|k| k["kind"] == "moire").expect("moiré");
        moire["times_as_planned"].as_f64().expect("a number")
    };
    let (measured, foretold) = (ranked(&moire), ranked(&predicted));
    let names = |all: &[(String, f64)]| all.iter().map(|v| v.0.clone()).collect::<Vec<_>>();
    assert_eq!(names(&measured), names(&foretold), "{measured:?} {foretold:?}");
    assert_eq!(names(&measured)[0], "bare");
    // They differ by more than a hair, and all of the frame was compared but its edge.
    assert!(all.iter().all(|v| v["measured"]["compared_share"].as_f64() > Some(0.7)), "{all:?}");
    assert!(measured[0].1 > 10.0 * measured[1].1, "{measured:?}");
    assert!(measured.windows(2).all(|w| w[0].1 > 1.1 * w[1].1), "{measured:?}");
    // The same crop of all; the bare scene first, the others worst first.
    assert_eq!(name(&all[0]), "bare");
    let worst = |v: &Value| {
        v["by_kind"]
            .as_array()
            .expect("kinds")
            .iter()
            .filter_map(|k| k["times_at_worst"].as_f64())
            .fold(0.0, f64::max)
    };
    assert!(all[1..].windows(2).all(|w| worst(&w[0]) >= worst(&w[1])));
    let table = fs::read_to_string(place.path("o/dusk_compare.csv")).expect("a table");
    assert_eq!(table.lines().count(), 5);
    assert!(table.contains(",2140.5,\"in all day, every shot\"\n"), "{table}");
    assert!(out.contains("spoils the shot") && out.contains("2140.5"), "{out}");
}

/// What the sheet shows at 1:1 is the picture that `render` writes, pixel for pixel.
#[test]
fn the_sheet_shows_the_picture_as_it_is() {
    let place = Place::new();
    let common = ["--set", "delivery.transfer=srgb", "--quiet", "--out", "o"];
    let compare =
        [&["compare", "night_train.yaml", "--variant", "long:lens.focal_mm=50"], &common[..]]
            .concat();
    let (code, out, err) = place.run(&compare);
    assert_eq!((code, out.as_str()), (0, ""), "{err}");
    for (focal, more) in [("35", vec![]), ("50", vec!["--set", "lens.focal_mm=50"])] {
        let folder = format!("r{focal}");
        let args = [
            &["render", "night_train.yaml", "--only", "picture", "--png-bits", "8"],
            &common[..3],
            &["--out", &folder],
            &more,
        ]
        .concat();
        assert_eq!(place.run(&args).0, 0);
        let picture = image::open(place.path(format!("{folder}/night_train_0000_picture.png")));
        let picture = picture.expect("a picture").into_rgb8();
        let sheet =
            image::open(place.path("o/night_train_compare.png")).expect("a sheet").into_rgb8();
        let line = |img: &image::RgbImage, y: u32| {
            img.as_raw()[(y * img.width() * 3) as usize..][..(img.width() * 3) as usize].to_vec()
        };
        let rows: Vec<Vec<u8>> = (0..sheet.height()).map(|y| line(&sheet, y)).collect();
        // Marks cover some rows.
        let holds = |y: u32| {
            let wanted = line(&picture, y);
            rows.iter().filter(|r| r.windows(wanted.len()).any(|w| w == wanted)).count()
        };
        let whole = (0..picture.height()).filter(|y| holds(*y) >= 1).count();
        assert!(whole >= 32, "{focal}: {whole} of {} rows", picture.height());
    }
}

#[test]
fn the_same_bytes_for_any_number_of_threads() {
    let place = dusk_place();
    let args = |threads: &'static str, out: &'static str| {
        let variant = "low-pass: filters.low_pass=standard; camera.shutter_speed=1/200";
        vec!["--variant", variant, "--threads", threads, "--quiet", "--out", out]
    };
    assert_eq!(run(&place, &args("1", "a")), (0, String::new(), String::new()));
    assert_eq!(run(&place, &args("3", "b")), (0, String::new(), String::new()));
    let (a, b) = (place.contents("a"), place.contents("b"));
    assert_eq!(a.len(), 3);
    assert!(a == b, "the files differ");
}

#[test]
fn files_come_together_or_not_at_all() {
    let place = Place::new();
    let args = ["compare", "night_train.yaml", "--variant", "long:lens.focal_mm=50", "--out", "o"];
    // The last one's place is taken: found before the long work.
    fs::create_dir_all(place.path("o/night_train_compare.json")).expect("a folder");
    let (code, out, err) = place.run(&args);
    assert!(code == 2 && err.contains("night_train_compare.json"), "{code} {out} {err}");
    assert_eq!(place.names("o"), ["night_train_compare.json"]);
    fs::remove_dir(place.path("o/night_train_compare.json")).expect("removed");
    assert_eq!(place.run(&args).0, 0);
    let before = place.contents("o");
    assert_eq!(before.len(), 3);
    let (code, _, err) = place.run(&args);
    assert!(code == 2 && err.contains("is already there"), "{code} {err}");
    assert!(place.contents("o") == before);
    assert_eq!(place.run(&[&args[..], &["--overwrite", "--quiet"]].concat()).0, 0);
    assert!(place.contents("o") == before);
}

#[test]
fn bad_variants_are_refused_in_words() {
    let place = Place::new();
    for (args, code, words) in [
        (vec![], 2, "nothing to compare with"),
        (vec!["--variant", "low-pass"], 2, "'low-pass' has no ':'; write NAME: KEY=VALUE"),
        (vec!["--variant", "lens.focus={distance_m: 2}"], 2, "has no name before its first key"),
        (vec!["--variant", "a:"], 2, "variant 'a' changes nothing"),
        (vec!["--variant", "a: lens.focal_mm"], 2, "'lens.focal_mm' has no '='"),
        (vec!["--variant", ": lens.focal_mm=3"], 2, "a variant's name has 1 to 40 letters"),
        (vec!["--variant", "Bare: lens.focal_mm=30"], 2, "'bare' is the scene as it is"),
        (
            vec!["--variant", "a: lens.focal_mm=-5"],
            1,
            "variant 'a': lens.focal_mm: -5 is too small; allowed: 1 to 2000 mm",
        ),
        (vec!["--variant", "a: lens.focul_mm=50"], 1, "variant 'a': lens.focul_mm: unknown key"),
        (vec!["--variant", "a: lens.focal_mm=[20, 30]"], 1, "variant 'a': lens.focal_mm"),
        (
            vec!["--variant", "a: lens.focal_mm=50", "--crop", "0,0,97,10"],
            2,
            "does not lie in the delivered picture of 96 × 64 pixels",
        ),
    ] {
        let all = [&["compare", "night_train.yaml", "--out", "o"], args.as_slice()].concat();
        let (found, out, err) = place.run(&all);
        assert_eq!((found, out.as_str()), (code, ""), "{args:?}: {err}");
        assert!(err.contains(words), "{args:?}: {err}");
        assert!(place.names("o").is_empty(), "{args:?}: {:?}", place.names("o"));
    }
}

/// Each broken file of variants with what is said of it: file, line, key, value, what is allowed.
#[test]
fn bad_files_of_variants_are_refused_with_their_line() {
    let place = Place::new();
    for (text, words) in [
        ("variants: 3\n", vec!["variants: 3 where a list of variants should be", "ways.yaml:1:11"]),
        (
            "varaints:\n  - {name: a, set: {lens.focal_mm: 50}}\n",
            vec!["did you mean `variants`?", "variants: missing"],
        ),
        ("variants: []\n", vec!["variants: 0 variants; allowed: 1 to 23"]),
        (
            "variants:\n  - {name: a, set: {lens.focal_mm: 50}, price: 3}\n",
            vec![
                "variants[1].price: unknown key; known here: name, set, price_per_day, note",
                "ways.yaml:2:",
            ],
        ),
        (
            "variants:\n  - name: a\n    set: {lens.focal_mm: 50}\n    price_per_day: -3\n",
            vec![
                "variants[1].price_per_day: -3 is no price; allowed: a number from 0 to",
                "ways.yaml:4:20",
            ],
        ),
        (
            "variants:\n  - name: a\n    set: {lens.focal_mm: 50}\n  - name: a\n    set: {lens.f_number: 5}\n",
            vec!["variants[2].name: 'a' is the name of another variant", "ways.yaml:4:"],
        ),
        ("variants:\n  - {name: a}\n", vec!["variants[1].set: nothing is changed"]),
        ("variants:\n  - {set: {lens.focal_mm: 50}}\n", vec!["variants[1].name: missing"]),
        (
            "variants:\n  - name: long\n    set:\n      lens.focal_mm: 5000\n",
            vec![
                "variant 'long': lens.focal_mm: 5000 is too large; allowed: 1 to 2000 mm",
                "ways.yaml:4:22",
            ],
        ),
        (
            "variants:\n  - name: long\n    set:\n      filters.low_pass: strng\n",
            vec!["variant 'long': filters.low_pass", "ways.yaml:4:25"],
        ),
        // What the change breaks in the scene's own file is told with that file's line.
        (
            "variants:\n  - name: near\n    set: {placement.distance_m: 0.01}\n",
            vec!["variant 'near': placement.distance_m: a focus at 10 mm", "ways.yaml:3:33"],
        ),
        ("variants:\n\t- name: long\n", vec!["not readable as YAML", "indent with spaces"]),
    ] {
        fs::write(place.path("ways.yaml"), text).expect("variants");
        let args = ["compare", "night_train.yaml", "--variants", "ways.yaml", "--out", "o"];
        let (code, out, err) = place.run(&args);
        assert_eq!((code, out.as_str()), (1, ""), "{text}: {err}");
        for words in words {
            assert!(err.contains(words), "{text}\nhas no '{words}':\n{err}");
        }
        assert!(place.names("o").is_empty());
    }
    fs::write(place.path("ways.yaml"), "variants:\n  - {name: a, set: {lens.focal_mm: 50}}\n")
        .expect("variants");
    let twice = ["--variants", "ways.yaml", "--variant", "a:lens.f_number=8"];
    let (code, _, err) = place.run(&[&["compare", "night_train.yaml"], &twice[..]].concat());
    assert!(code == 2 && err.contains("'a' stands in the file of variants too"), "{code} {err}");
}

/// A later key takes the place of one that says the same thing in another way.
#[test]
fn a_variant_wins_over_what_all_have() {
    let of = |text: &str| text.parse::<Edit>().expect("an edit");
    let base = [of("camera.shutter_angle_deg=90"), of("lens.f_number=8")];
    let own = [of("camera.shutter_speed=1/500"), of("lens.f_number=2")];
    let before = parse_edited(SCENE, "night_train", &base[1..], &NoPictures).expect("a scene");
    let scene = parse_variant(SCENE, "night_train", (&base, &own), &NoPictures, &before);
    let scene = scene.expect("a scene");
    assert_eq!((scene.camera.exposure_s, scene.lens.f_number), (1.0 / 500.0, 2.0));
    // What it shows is the same picture in memory, unless the variant touches that.
    assert!(std::sync::Arc::ptr_eq(&scene.content, &before.content));
    let shown = [of("content={solid: {light_percent: 3}}")];
    let other = parse_variant(SCENE, "night_train", (&base, &shown), &NoPictures, &before);
    assert_ne!(other.expect("a scene").content.codes[1], before.content.codes[1]);
}

#[test]
fn names_given_twice_on_the_command_line_are_one_variant() {
    let given: Vec<Given> = ["a: lens.f_number=2", "b: lens.f_number=4", "a: lens.focal_mm=50"]
        .iter()
        .map(|t| t.parse().expect("a variant"))
        .collect();
    let all = variants::all(Vec::new(), &given).expect("variants");
    let names: Vec<&str> = all.iter().map(|v| v.name.as_str()).collect();
    assert_eq!(names, ["bare", "a", "b"]);
    assert_eq!(all[1].words(), "lens.f_number = 2; lens.focal_mm = 50");
}

/// Bare first; then flicker before everything, then the worst degree, then the larger multiple, then as given.
#[test]
fn flicker_comes_first_then_the_worst() {
    let price = price(&[]);
    let row = |given: usize, flicker: f64, moire: f64| {
        let verdicts = KINDS.map(|kind| {
            let times = match kind {
                Kind::Flicker => flicker,
                Kind::Moire => moire,
                _ => 0.0,
            };
            let degree = Degree::of(times);
            Verdict {
                kind,
                at_worst: degree,
                as_planned: degree,
                times_at_worst: times,
                times_as_planned: times,
            }
        });
        let measured = Measured {
            part_px: [0; 4],
            compared_share: 1.0,
            bands: None,
            moire: None,
            pixel_structure: None,
        };
        let variant = Variant::bare();
        Row { variant, given, verdicts, worst: None, price: price.clone(), measured }
    };
    let mut rows = vec![
        row(1, 0.2, 60.0),
        row(2, 1.2, 0.1),
        row(3, 0.1, 1.5),
        row(4, 0.3, 2.0),
        row(5, 0.3, 2.0),
        row(0, 0.0, 0.0),
        row(6, 3.0, 0.0),
    ];
    order(&mut rows);
    let given: Vec<usize> = rows.iter().map(|r| r.given).collect();
    assert_eq!(given, [0, 6, 2, 1, 4, 5, 3]);
}

/// What is clipped is not called free of moiré.
#[test]
fn a_clipped_wall_is_not_called_clean_by_measuring() {
    let place = dusk_place();
    let args = ["--set", "content={solid: {light_percent: 100}}", "--out", "o", "--quiet"];
    let (code, _, err) =
        run(&place, &[&args[..], &["--variant", "fast:lens.f_number=11"]].concat());
    assert_eq!(code, 0, "{err}");
    let data = json(&place, "o/dusk_compare.json");
    let share = |i: usize| data["variants"][i]["measured"]["compared_share"].as_f64();
    let moire = |i: usize| data["variants"][i]["measured"]["moire"].clone();
    assert!(share(0) < Some(0.05) && moire(0) == Value::Null, "{:?}", share(0));
    assert!(share(1) > Some(0.3) && moire(1) != Value::Null, "{:?}", share(1));
}
