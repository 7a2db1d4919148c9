//! `gridbeat measure` and `gridbeat test-pictures`: what they say, what they write, how they refuse.

use crate::cli_stage::Place;
use serde_json::Value;
use std::fs;

/// Even grey, so that there is something to measure against.
const EVEN: [&str; 2] = ["--set", "content={solid: {light_percent: 60}}"];

/// A drive of whole rows at once, 480 times a second, and the wall out of focus: bands and nothing else.
const BANDS: [&str; 4] = [
    "--set",
    "drive={kind: pwm, refresh_hz: 480, video_hz: 24, genlock: {free: {drift_ppm: 5000, phase_deg: 30}}}",
    "--set",
    "lens={focal_mm: 35, f_number: 1.4, focus: {distance_m: 3}}",
];

fn json(place: &Place, file: &str) -> Value {
    serde_json::from_slice(&fs::read(place.path(file)).expect("the numbers")).expect("JSON")
}

fn keys(value: &Value) -> Vec<&str> {
    value.as_object().expect("an object").keys().map(String::as_str).collect()
}

#[test]
fn a_scene_is_measured() {
    let place = Place::new();
    let args = ["measure", "night_train.yaml", "--json", "n.json", "--picture", "p.png"];
    let (code, out, err) = place.run(&[&args[..], &EVEN].concat());
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    assert!(
        out.starts_with("night_train: frame 0 measured against its ideal, 96 × 64 px, "),
        "{out}"
    );
    for words in [
        "flicker ",
        "one frame cannot tell",
        "scan bands",
        "% light",
        "moiré",
        "px apart",
        "direction",
    ] {
        assert!(out.contains(words), "{words}: {out}");
    }
    // Flicker and bands come before fringes.
    let at = |word: &str| out.find(word).expect(word);
    assert!(at("flicker") < at("scan bands") && at("scan bands") < at("moiré"));
    let numbers = json(&place, "n.json");
    assert_eq!(
        keys(&numbers),
        [
            "program",
            "source",
            "against",
            "columns_px",
            "rows_px",
            "with_noise",
            "lines",
            "lines_per_row",
            "frame_rate_fps",
            "readout_s",
            "worst",
            "flicker",
            "over_time",
            "readout",
            "frames",
            "notes"
        ]
    );
    assert_eq!(numbers["lines"], 64.0);
    let moire = &numbers["worst"]["moire"];
    assert_eq!(
        keys(moire),
        [
            "kind",
            "luma_contrast",
            "chroma_contrast",
            "luma_floor",
            "chroma_floor",
            "below_noise",
            "period_px",
            "period_share_of_width",
            "direction_deg",
            "frequency_cycles_per_px",
            "planes",
            "period_lines",
            "bands_per_frame",
            "at_px",
            "window_px",
            "periods_in_window",
            "drift_bins",
            "frame"
        ]
    );
    assert_eq!(
        (&moire["kind"], &moire["below_noise"]),
        (&Value::from("moire"), &Value::from(false))
    );
    assert!(moire["chroma_contrast"].as_f64().expect("a number") > 0.01, "{moire}");
    let size = image::open(place.path("p.png")).expect("a picture").into_rgb8();
    assert!(size.width() >= 96 && size.height() > 64, "{:?}", size.dimensions());
    // The same again, whatever the number of threads.
    let again = ["measure", "night_train.yaml", "--json", "m.json", "--threads", "1", "--quiet"];
    assert_eq!(place.run(&[&again[..], &EVEN].concat()), (0, String::new(), String::new()));
    assert_eq!(json(&place, "m.json")["frames"], numbers["frames"]);
    // Files that are there stay.
    let (code, _, err) = place.run(&[&args[..], &EVEN].concat());
    assert_eq!(code, 2);
    assert!(err.contains("p.png") && err.contains("--overwrite"), "{err}");
}

#[test]
fn a_sequence_tells_what_changes() {
    let place = Place::new();
    let args = ["measure", "night_train.yaml", "--frames", "2..4", "--json", "n.json"];
    let (code, out, err) = place.run(&[&args[..], &EVEN, &BANDS].concat());
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    assert!(out.contains("frames 2 to 4 measured"), "{out}");
    let numbers = json(&place, "n.json");
    assert_eq!(numbers["flicker"]["luma_over_mean"].as_array().expect("frames").len(), 3);
    let first = &numbers["over_time"][0];
    // 482.4 Hz in 24 frames a second: 20.1 periods, so that each frame meets the bands a tenth of a period later, and they stand
    // a tenth higher: 482.4·0.012 = 5.79 of them in 64 lines.
    let number = |key: &str| first[key].as_f64().expect(key);
    assert!((number("roll_periods_per_frame") + 0.1).abs() < 2e-3, "{first}");
    assert!((number("roll_lines_per_frame") + 64.0 / 57.888).abs() < 0.03, "{first}");
    assert!((number("roll_hz") + 2.4).abs() < 0.05, "{first}");
    assert!(out.contains("rolls up 1.1"), "{out}");
    assert_eq!(first["frame_luma_chroma"].as_array().expect("frames").len(), 3);
}

/// The program's own raw frame and picture, with the scene as their ideal, give the numbers of the scene.
#[test]
fn files_are_held_against_their_scene() {
    let place = Place::new();
    let plain = ["--set", "effects.noise=off", "--set", "delivery.demosaic=bilinear"];
    let more = [&EVEN[..], &BANDS, &plain].concat();
    place.render("o", &[&more[..], &["--exr"]].concat());
    place.run(&[&["measure", "night_train.yaml", "--json", "scene.json"][..], &more].concat());
    let strongest = |file: &str| {
        let numbers = json(&place, file);
        let worst = numbers["worst"]["bands"].clone();
        // Flat bands are at 90° as much as at −90°.
        ["luma_contrast", "period_px", "direction_deg"]
            .map(|k| worst[k].as_f64().unwrap_or(f64::NAN).abs())
    };
    let want = strongest("scene.json");
    for file in ["raw.tiff", "picture_linear.exr", "picture_16bit.png", "picture.png"] {
        let path = format!("o/night_train_0000_{file}");
        let args =
            ["measure", &path, "--scene", "night_train.yaml", "--json", "file.json", "--overwrite"];
        let (code, out, err) = place.run(&[&args[..], &more].concat());
        assert_eq!((code, err.as_str()), (0, ""), "{file}: {out}");
        let got = strongest("file.json");
        let off = got.iter().zip(want).map(|(a, b)| (a / b - 1.0).abs()).fold(0.0, f64::max);
        assert!(off < 0.05, "{file}: {got:?} {want:?}\n{out}");
    }
}

#[test]
fn a_picture_alone_is_held_against_its_shading() {
    let place = Place::new();
    // A lamp of 100 Hz: even, and out of focus.
    let lamp = [
        "--set",
        "drive={kind: pwm, refresh_hz: 100, video_hz: 50}",
        "--set",
        "wall.emitters={rectangle: {width_mm: 2.6, height_mm: 2.6}}",
        "--set",
        "camera={photosites: [120, 240], photosite_pitch_um: 6, shutter_speed: 1/800, readout: {rolling: {readout_ms: 30}}, frame_rate_fps: 25}",
        "--set",
        "wall={pixel_pitch_mm: 2.6, size_px: [240, 240], white_nits: 900, brightness_percent: 2, dimming: current}",
        "--set",
        "lens={focal_mm: 35, f_number: 1.4, focus: {distance_m: 3}}",
    ];
    let args = [&EVEN[..], &lamp].concat();
    let rendered = [
        "render",
        "night_train.yaml",
        "--quiet",
        "--out",
        "o",
        "--only",
        "picture",
        "--png-bits",
        "16",
    ];
    let (code, out, err) = place.run(&[&rendered[..], &args].concat());
    assert_eq!(code, 0, "{out}{err}");
    let picture = "o/night_train_0000_picture_16bit.png";
    let (code, out, err) = place.run(&[
        "measure",
        picture,
        "--lamp-hz",
        "100",
        "--transfer",
        "bt709",
        "--json",
        "n.json",
    ]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    for words in [
        "against its own shading",
        "readout ",
        " a line, if the light flickers at exactly 100 Hz",
        "as --transfer says",
        "taken for shading",
    ] {
        assert!(out.contains(words), "{words}: {out}");
    }
    let numbers = json(&place, "n.json");
    let readout = numbers["readout"]["readout_s"].as_f64().expect("a readout");
    assert!((readout / 0.03 - 1.0).abs() < 0.03, "{readout} {out}");
    let (code, out, _) =
        place.run(&["measure", picture, "--readout-ms", "30", "--transfer", "bt709"]);
    assert!(
        code == 0
            && out.contains("light's rate")
            && out.contains(" Hz, if the readout takes exactly 30 ms"),
        "{out}"
    );
    // Without --transfer the assumption is said.
    let (_, out, err) = place.run(&["measure", picture]);
    assert!(out.contains("assumed: say otherwise with --transfer"), "{out}{err}");
}

#[test]
fn what_makes_no_sense_is_refused() {
    let place = Place::new();
    place.render("o", &["--only", "picture", "--png-bits", "8"]);
    let picture = "o/night_train_0000_picture.png";
    for (args, words) in [
        (vec!["night_train.yaml", "night_train.yaml"], "error: give one scene, or pictures;"),
        (
            vec!["night_train.yaml", "--fps", "24"],
            "error: --fps goes with pictures, not with a scene",
        ),
        (vec!["gone.png"], "picture 'gone.png' is not there"),
        (vec![picture, "--patch", "90,0,20,20"], "the patch 90,0,20,20 is not inside"),
        (vec![picture, "--patch", "0,0,10,10"], "needs 24 × 24 pixels or more"),
        (vec!["night_train.yaml", "--picture", "a.jpg"], "'a.jpg' must end in .png"),
        (vec!["night_train.yaml", "--delivery", "web"], "no name; leave --delivery out"),
        (
            vec![picture, "--scene", "night_train.yaml", "--crop", "0,0,40,40"],
            "and the scene's frame 40 × 40",
        ),
        (vec![picture, "--lamp-hz", "0"], "write a number above 0"),
    ] {
        let (code, out, err) = place.run(&[&["measure"], args.as_slice()].concat());
        assert!(code == 2 && out.is_empty(), "{args:?}: {code} {out}");
        assert!(err.contains(words), "{args:?}: {err}");
    }
}

#[test]
fn test_pictures_are_written_with_their_procedure() {
    let place = Place::new();
    let args = ["test-pictures", "--size", "64x48", "--out", "wall"];
    let (code, out, err) = place.run(&args);
    assert_eq!((code, err.as_str()), (0, ""));
    assert!(out.starts_with("9 pictures of 64 × 48 px and how_to_shoot.txt in wall"), "{out}");
    let names = place.names("wall");
    assert_eq!(names.len(), 10, "{names:?}");
    let code_of = |name: &str, x: u32, y: u32| {
        image::open(place.path("wall").join(name)).expect("a picture").into_rgb8().get_pixel(x, y).0
    };
    assert_eq!(code_of("1_grey_100.png", 5, 5), [255; 3]);
    assert_eq!(code_of("3_grey_018.png", 5, 5), [118; 3]);
    assert_eq!(
        (code_of("7_lines_upright.png", 2, 3), code_of("7_lines_upright.png", 3, 3)),
        ([255; 3], [0; 3])
    );
    let text = fs::read_to_string(place.path("wall/how_to_shoot.txt")).expect("the text");
    for words in ["CAUTION", "photosensitive", "licensed", "gridbeat measure FRAME --lamp-hz 100"] {
        assert!(text.contains(words), "{words}");
    }
    assert_eq!(place.run(&args).0, 2);
    let (code, _, err) = place.run(&["test-pictures", "--size", "64", "--out", "w"]);
    assert!(code == 2 && err.contains("1920x1080"), "{err}");
}
