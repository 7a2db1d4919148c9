//! `gridbeat difference` on files whose difference is known.

use crate::cli_stage::{Place, SCENE};
use gridbeat::develop::{ColourSpace, DeliveryTransfer};
use gridbeat::frame::{Picture, Plane, RawFrame, Window};
use gridbeat::input::{Numbers, rendered};
use gridbeat::output::{
    self, Coding, Depth, ExrPicture, Format, Notes, PngLevels, PngPicture, TiffLevels, TiffPicture,
};

const WIDTH: usize = 6;
const HEIGHT: usize = 4;
const CODING: Coding = Coding { space: ColourSpace::Bt709, transfer: DeliveryTransfer::Srgb };

/// A picture whose green is `green` at column 4, row 1, and 0.5 everywhere else.
fn picture(green: f32) -> Picture {
    let mut planes = [0; 3].map(|_| Plane::filled(WIDTH, HEIGHT, 0.5));
    planes[1].data[WIDTH + 4] = green;
    Picture { planes }
}

fn write(place: &Place, name: &str, format: &dyn Format) {
    output::write(&place.path(name), true, format).expect("written");
}

fn said(place: &Place, args: &[&str]) -> String {
    let (code, out, err) = place.run(&[&["difference"], args].concat());
    assert_eq!((code, err.as_str()), (0, ""), "{args:?}");
    out
}

fn json(place: &Place, a: &str, b: &str) -> serde_json::Value {
    serde_json::from_str(&said(place, &[a, b, "--json"])).expect("JSON")
}

#[test]
fn every_kind_of_file_is_read_back_as_it_was_written() {
    let place = Place::new();
    let (picture, notes) = (picture(1.0), Notes::new("a"));
    let window = Window { x: 0, y: 0, width: WIDTH as u32, height: HEIGHT as u32 };
    let levels: Vec<u16> = (0..24).map(|i| i * 2711).collect();
    let raw = RawFrame { window, planes: vec![levels.clone()] };
    let eight =
        PngPicture { picture: &picture, depth: Depth::Eight, coding: CODING, notes: &notes };
    write(&place, "8.png", &eight);
    write(&place, "16.png", &PngPicture { depth: Depth::Sixteen, ..eight });
    write(&place, "p.tiff", &TiffPicture { picture: &picture, notes: &notes });
    write(&place, "p.exr", &ExrPicture { picture: &picture, coding: CODING, notes: &notes });
    write(&place, "raw.png", &PngLevels { raw: &raw, notes: &notes });
    write(&place, "raw.tiff", &TiffLevels { raw: &raw, notes: &notes });
    for (name, numbers, half, full) in [
        ("8.png", Numbers::Levels(255), 128.0, 255.0),
        ("16.png", Numbers::Levels(65535), 32768.0, 65535.0),
        ("p.tiff", Numbers::Levels(65535), 32768.0, 65535.0),
        ("p.exr", Numbers::Float, 0.5, 1.0),
    ] {
        let got = rendered(&place.path(name)).expect(name);
        assert_eq!((got.numbers, got.planes.len()), (numbers, 3), "{name}");
        assert_eq!((got.planes[1].at(4, 1), got.planes[0].at(4, 1)), (full, half), "{name}");
    }
    for name in ["raw.png", "raw.tiff"] {
        let got = rendered(&place.path(name)).expect(name);
        assert_eq!(got.planes.len(), 1);
        assert!(got.planes[0].data.iter().zip(&levels).all(|(a, b)| *a == f32::from(*b)), "{name}");
    }
}

/// One of 72 numbers is off by 127 codes of 255: RMS 127/√72 = 14.967, PSNR 20·log₁₀(255·√72/127) = 24.628 dB.
#[test]
fn one_pixel_that_differs_is_found_and_measured() {
    let place = Place::new();
    let notes = Notes::new("a");
    let (a, b) = (picture(0.5), picture(1.0));
    let of = |picture| PngPicture { picture, depth: Depth::Eight, coding: CODING, notes: &notes };
    write(&place, "a.png", &of(&a));
    write(&place, "b.png", &of(&b));
    let out = said(&place, &["a.png", "b.png", "--out", "d.png"]);
    let want = "\
'a.png' and 'b.png': 6 × 4 pixels, coded values
  red                 mean 128 and 128 (+0.000 %), RMS of the difference 0
  green               mean 128 and 133.3 (+4.134 %), RMS of the difference 25.92
  blue                mean 128 and 128 (+0.000 %), RMS of the difference 0
  RMS                 14.97 over all, 5.8694 % of 255 (the highest code)
  PSNR                24.63 dB against the same
  largest             127 at column 4, row 1, green: 128 and 255
  picture             d.png, amplified 8 times
";
    assert_eq!(out, want);
    let shown = rendered(&place.path("d.png")).expect("the picture");
    assert_eq!((shown.planes[1].at(4, 1), shown.planes[0].at(4, 1)), (255.0, 128.0));
    assert_eq!(shown.planes[1].data.iter().filter(|v| **v == 128.0).count(), 23);
    let numbers = json(&place, "a.png", "b.png");
    let near = |value: &serde_json::Value, want: f64| {
        (value.as_f64().expect("a number") - want).abs() < 1e-9
    };
    assert!(near(&numbers["rms"], 127.0 / 72.0_f64.sqrt()), "{numbers}");
    assert!(near(&numbers["psnr_db"], 20.0 * (255.0 * 72.0_f64.sqrt() / 127.0).log10()));
    assert_eq!(numbers["largest"]["plane"], "green");
    // The other way round the sign turns, and less amplification shows less.
    let out = said(&place, &["b.png", "a.png", "--amplify", "0.5", "--out", "e.png"]);
    assert!(out.contains("(-3.970 %)"), "{out}");
    let shown = rendered(&place.path("e.png")).expect("the picture");
    assert_eq!(shown.planes[1].at(4, 1), 64.0);
    assert!(said(&place, &["a.png", "a.png"]).contains("none: every number is the same"));
    // Eight bits against sixteen: half is 128/255 and 32768/65535.
    write(&place, "c.png", &PngPicture { depth: Depth::Sixteen, ..of(&a) });
    let numbers = json(&place, "a.png", "c.png");
    assert_eq!(numbers["numbers_are"], "coded values, as shares of the highest code");
    let off = (128.0_f64 / 255.0 - 32768.0 / 65535.0).abs();
    assert!((numbers["rms"].as_f64().expect("a number") - off).abs() < 1e-7);
}

/// Two real renders: a seed's noise, and a push of one stop in linear light.
#[test]
fn renders_are_compared_in_their_own_numbers() {
    let place = Place::new();
    place.render("a", &["--exr"]);
    place.render("b", &["--exr", "--set", "camera.noise_seed=2", "--only", "raw"]);
    place.render("c", &["--exr", "--set", "delivery.push_stops=1", "--only", "picture"]);
    let file = |folder: &str, kind: &str| format!("{folder}/night_train_0000_{kind}");
    let raw = json(&place, &file("a", "raw.tiff"), &file("b", "raw.tiff"));
    assert_eq!(raw["numbers_are"], "raw levels");
    assert!(raw["rms"].as_f64().is_some_and(|v| v > 0.5 && v < 20.0), "{raw}");
    let exr = "picture_linear.exr";
    let push = json(&place, &file("a", exr), &file("c", exr));
    let mean = |plane: &str, which: &str| push["planes"][plane][which].as_f64().expect("a mean");
    for plane in ["red", "green", "blue"] {
        let ratio = mean(plane, "mean_second") / mean(plane, "mean_first");
        assert!((ratio - 2.0).abs() < 1e-5, "{plane}: {ratio}");
    }
    assert_eq!(push["numbers_are"], "linear numbers");
}

#[test]
fn what_cannot_be_compared_is_told() {
    let place = Place::new();
    place.render("a", &["--exr"]);
    place.render("s", &["--crop", "0,0,32,16", "--only", "picture", "--png-bits", "8"]);
    let refused = |args: &[&str], message: &str| {
        let (code, out, err) = place.run(&[&["difference"], args].concat());
        assert_eq!(
            (code, out.as_str(), err.as_str()),
            (2, "", format!("error: {message}\n").as_str())
        );
    };
    let (p, r) = ("a/night_train_0000_picture.png", "a/night_train_0000_raw.tiff");
    let (s, e) = ("s/night_train_0000_picture.png", "a/night_train_0000_picture_linear.exr");
    refused(
        &[p, s],
        &format!(
            "'{p}' has 96 × 64 pixels and '{s}' 32 × 16: render both at one size, or the same --crop of both"
        ),
    );
    refused(
        &[p, r],
        &format!(
            "'{p}' has three colours and '{r}' one plane: compare a picture with a picture, a raw frame with a raw frame"
        ),
    );
    refused(
        &[p, e],
        &format!(
            "'{p}' and '{e}' are not of one kind: one holds whole numbers, the other linear light or electrons"
        ),
    );
    refused(&[p, "gone.png"], "picture 'gone.png' is not there");
    refused(
        &[p, "night_train.yaml"],
        "picture 'night_train.yaml' is of no kind that gridbeat reads; allowed: png, tiff, exr, jpg",
    );
    refused(&[p, p, "--out", "d.jpg"], "'d.jpg' must end in .png");
    std::fs::write(place.path("broken.exr"), SCENE).expect("written");
    let (code, _, err) = place.run(&["difference", "broken.exr", e]);
    assert_eq!(code, 2);
    assert!(err.starts_with("error: picture 'broken.exr' cannot be read: "), "{err}");
    said(&place, &[p, p, "--out", "d.png"]);
    let (code, _, err) = place.run(&["difference", p, p, "--out", "d.png"]);
    assert_eq!(code, 2);
    assert!(err.contains("d.png") && err.contains("--overwrite"), "{err}");
    said(&place, &[p, p, "--out", "d.png", "--overwrite"]);
}
