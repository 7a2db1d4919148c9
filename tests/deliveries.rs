//! Several pictures of one raw frame: names, files, curves, spaces, push.

use crate::cli_stage::{Place, SCENE};
use exr::prelude::{ReadChannels, ReadLayers};
use gridbeat::colour;
use gridbeat::develop::{ColourSpace, DeliveryTransfer};
use gridbeat::diag::summary;
use gridbeat::frame::{Picture, RawFrame};
use gridbeat::math::matrix3;
use gridbeat::scene::{self, DeliveryFormat, Edit, NoPictures, Scene, Understood, written};
use gridbeat::shoot::{Engine, Shot};
use std::fs;

/// What the camera records, what the monitor on set shows, and the final picture.
const LIST: &str = "\
delivery:
  - {name: recording, colour_space: aces_ap1, transfer: acescct, format: png_16bit}
  - {name: monitor, colour_space: bt709, transfer: bt709, size_px: [48, 32], filter: box, format: png_8bit}
  - {name: final, colour_space: aces_ap0, transfer: linear, push_stops: 1.5, format: exr_linear}
";

fn understood(more: &str, edits: &[&str]) -> Understood {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    scene::understood(&format!("{SCENE}{more}"), "night_train", &edits, &NoPictures)
        .unwrap_or_else(|p| panic!("{:#?}", p.iter().map(summary).collect::<Vec<_>>()))
}

fn with(more: &str, edits: &[&str]) -> Scene {
    understood(more, edits).scene
}

fn raw(shot: &Shot<'_>) -> RawFrame {
    shot.raw(&shot.electrons(0, &Default::default()).expect("a frame"), 0)
}

fn values(picture: &Picture) -> impl Iterator<Item = [f64; 3]> + '_ {
    let [r, g, b] = &picture.planes;
    r.data.iter().zip(&g.data).zip(&b.data).map(|((r, g), b)| [*r, *g, *b].map(f64::from))
}

#[test]
fn a_group_is_one_delivery_and_a_list_is_several() {
    let one = with("delivery: {push_stops: 1}\n", &[]);
    assert_eq!(one.deliveries.len(), 1);
    assert_eq!((&one.deliveries[0].name, one.deliveries[0].format), (&None, None));
    assert_eq!(one.deliveries[0].delivery.push_stops, 1.0);
    assert_eq!(with("", &[]).deliveries.len(), 1);
    let three = with(LIST, &[]);
    let names: Vec<_> =
        three.deliveries.iter().map(|d| d.name.as_deref().expect("a name")).collect();
    assert_eq!(names, ["recording", "monitor", "final"]);
    assert_eq!(three.deliveries[0].delivery.transfer, DeliveryTransfer::AcesCct);
    assert_eq!(three.deliveries[1].delivery.size, Some((48, 32)));
    assert_eq!(three.deliveries[2].delivery.colour_space, ColourSpace::AcesAp0);
    assert_eq!(three.deliveries[2].format, Some(DeliveryFormat::ExrLinear));
    // Left out in an item: the default, as in a group.
    assert_eq!(three.deliveries[0].delivery.push_stops, 0.0);
}

#[test]
fn edits_reach_all_of_a_list_or_one() {
    let all = with(LIST, &["delivery.size_px=null", "delivery.push_stops=-1"]);
    assert!(
        all.deliveries.iter().all(|d| d.delivery.size.is_none() && d.delivery.push_stops == -1.0)
    );
    let one = with(LIST, &["delivery[2].size_px=[24, 16]"]);
    let sizes: Vec<_> = one.deliveries.iter().map(|d| d.delivery.size).collect();
    assert_eq!(sizes, [None, Some((24, 16)), None]);
    let single = with("delivery: {push_stops: 1}\n", &["delivery[1].push_stops=2"]);
    assert_eq!(single.deliveries[0].delivery.push_stops, 2.0);
    let edit: Edit = "delivery[4].push_stops=2".parse().expect("an edit");
    let refused = scene::parse_edited(&format!("{SCENE}{LIST}"), "x", &[edit], &NoPictures);
    let problems: Vec<String> = refused.expect_err("no fourth").iter().map(summary).collect();
    assert!(problems[0].starts_with("delivery[4]: unknown key"), "{problems:?}");
}

#[test]
fn slips_in_a_list_are_told_with_their_place() {
    let refused = |more: &str| -> Vec<String> {
        let problems = scene::parse(&format!("{SCENE}{more}"), "x", &NoPictures).expect_err(more);
        problems.iter().map(summary).collect()
    };
    assert_eq!(
        refused("delivery:\n  - {name: a}\n  - {size_px: [4, 4]}\n"),
        [
            "line 8, delivery[2].name: missing: in a list of several each has a name, for its files (add `name:`, such as monitor)"
        ]
    );
    assert_eq!(
        refused("delivery: [{name: day}, {name: Day}]\n"),
        ["line 6, delivery[2].name: 'Day' names another delivery already (choose another name)"]
    );
    assert_eq!(
        refused("delivery: {name: a/b}\n"),
        [
            "line 6, delivery.name: 'a/b' cannot be part of a file's name; allowed: up to 32 letters, digits, - and _"
        ]
    );
    assert_eq!(
        refused("delivery: []\n"),
        ["line 6, delivery: a list of 0 found; allowed: 1 to 16"]
    );
    assert_eq!(
        refused("delivery: [{name: a, transfer: log}, 3]\n"),
        [
            "line 6, delivery[1].transfer: 'log' is not known; allowed: linear, srgb, bt709, hybrid_log_gamma, acescct (did you mean `hybrid_log_gamma`?)",
            "line 6, delivery[2]: 3 found; allowed: a group of keys (keys that fit here: name, format, demosaic, colour_space, transfer, size_px, desqueeze, filter, scale_in, push_stops)",
        ]
    );
    assert_eq!(
        refused("delivery: [{name: a}, {name: b, push_stop: 1}]\n"),
        ["line 6, delivery[2].push_stop: unknown key (did you mean `push_stops`?)"]
    );
    assert_eq!(
        refused("delivery: [{name: a}, {name: b, size_px: [60000, 60000]}]\n"),
        [
            "line 6, delivery[2].size_px: a picture of this size would need about 80 GiB of memory; allowed: 16 GiB (deliver a smaller picture)"
        ]
    );
}

#[test]
fn a_list_as_understood_is_the_same_list() {
    let told = understood(LIST, &["delivery[2].push_stops=0.5"]);
    let yaml = told.as_yaml();
    let again = scene::parse(&yaml, "night_train", &NoPictures)
        .unwrap_or_else(|p| panic!("{yaml}\n{:#?}", p.iter().map(summary).collect::<Vec<_>>()));
    assert_eq!(again.deliveries, told.scene.deliveries, "{yaml}");
    let from = |key: &str| told.inputs.iter().find(|i| i.key == key).expect(key).from.words();
    assert_eq!(from("delivery[2].size_px"), "line 8");
    assert_eq!(from("delivery[2].push_stops"), "set");
    assert_eq!(from("delivery[1].demosaic"), "default");
    // An editor accepts both forms.
    let schema = written::editor_schema();
    let forms = &schema["properties"]["delivery"]["anyOf"];
    assert!(forms[0]["properties"]["transfer"].is_object());
    assert_eq!(forms[1]["items"]["properties"], forms[0]["properties"]);
}

/// One raw frame: each picture is, to the bit, that of a scene with this delivery alone.
#[test]
fn each_delivery_is_what_it_would_be_alone() {
    let all = with(LIST, &[]);
    let shot = Shot::new(&all, Engine::Fast).expect("a shot");
    let recorded = raw(&shot);
    for (i, delivered) in all.deliveries.iter().enumerate() {
        let alone = Scene { deliveries: vec![delivered.clone()], ..all.clone() };
        let single = Shot::new(&alone, Engine::Fast).expect("a shot");
        assert_eq!(raw(&single).planes, recorded.planes);
        let picture = |shot: &Shot<'_>, i| shot.picture_of(&recorded, i).expect("a picture");
        let (a, b) = (picture(&shot, i), picture(&single, 0));
        assert!(a.planes.iter().zip(&b.planes).all(|(a, b)| a.data == b.data), "{i}");
        let size = delivered.delivery.size.unwrap_or((96, 64));
        assert_eq!((a.width() as u32, a.height() as u32), size);
    }
    assert!(shot.picture_of(&recorded, 3).is_err());
}

/// Each curve's inverse takes its picture back to linear light.
#[test]
fn log_curves_decode_to_the_linear_picture() {
    for (transfer, decode, room) in [
        ("hybrid_log_gamma", colour::hybrid_log_gamma_decode as fn(f64) -> f64, 1.0),
        // 2^7.8: up to there the signal stays below 1.
        ("acescct", colour::acescct_decode, 222.0),
    ] {
        let text = format!(
            "delivery: [{{name: coded, transfer: {transfer}, push_stops: 5}}, \
             {{name: linear, transfer: linear, push_stops: 5}}]\n"
        );
        let scene = with(&text, &[]);
        let shot = Shot::new(&scene, Engine::Fast).expect("a shot");
        let recorded = raw(&shot);
        let coded = shot.picture_of(&recorded, 0).expect("a picture");
        let linear = shot.picture_of(&recorded, 1).expect("a picture");
        let mut brightest: f64 = 0.0;
        for (c, l) in values(&coded).zip(values(&linear)) {
            for (c, l) in c.into_iter().zip(l) {
                let light = if room == 1.0 { l.clamp(0.0, 1.0) } else { l };
                brightest = brightest.max(light);
                let off = (decode(c) - light).abs();
                assert!(off < 3e-6 * light.abs().max(1.0), "{transfer}: {c} is {light}, off {off}");
            }
        }
        // The scene has light that only a logarithm has room for.
        assert!((brightest > 1.05) == (room > 1.0), "{transfer}: {brightest}");
    }
}

/// A push of s stops is a factor of 2^s in linear light, and each delivery has its own.
#[test]
fn push_is_a_factor_of_two_a_stop() {
    let scene = with(
        "delivery: [{name: a, transfer: linear}, {name: b, transfer: linear, push_stops: 1}, \
         {name: c, transfer: linear, push_stops: -2.5}]\n",
        &[],
    );
    let shot = Shot::new(&scene, Engine::Fast).expect("a shot");
    let recorded = raw(&shot);
    let plain = shot.picture_of(&recorded, 0).expect("a picture");
    for (i, factor) in [(1, 2.0), (2, 2.0_f64.powf(-2.5))] {
        let pushed = shot.picture_of(&recorded, i).expect("a picture");
        for (p, q) in values(&plain).zip(values(&pushed)) {
            for (p, q) in p.into_iter().zip(q) {
                assert!((q - factor * p).abs() <= 2e-6 * factor.max(1.0), "{p} {q}");
            }
        }
    }
}

/// A wide space holds the same light: its linear picture is the matrix between the spaces times the other's, and the
/// wall's white is neutral in all of them.
#[test]
fn wide_spaces_hold_the_same_light() {
    for (space, of) in
        [("bt2020", colour::BT2020), ("aces_ap0", colour::ACES_AP0), ("aces_ap1", colour::ACES_AP1)]
    {
        let scene = with(
            &format!(
                "delivery: [{{name: narrow, transfer: linear}}, {{name: wide, transfer: linear, colour_space: {space}}}]\n"
            ),
            &["content={solid: {light_percent: 60, colour_percent: [100, 30, 5]}}"],
        );
        let shot = Shot::new(&scene, Engine::Fast).expect("a shot");
        let recorded = raw(&shot);
        let narrow = shot.picture_of(&recorded, 0).expect("a picture");
        let wide = shot.picture_of(&recorded, 1).expect("a picture");
        let matrix = colour::between(&colour::BT709, &of).expect("a matrix");
        let mut negative = false;
        for (n, w) in values(&narrow).zip(values(&wide)) {
            let want = matrix3::apply(&matrix, n);
            assert!(
                want.iter().zip(w).all(|(a, b)| (a - b).abs() < 2e-6),
                "{space}: {w:?}, not {want:?}"
            );
            negative |= n.iter().any(|v| *v < -1e-3);
        }
        assert!(negative, "the wall's red lies outside BT.709");
        let white = matrix3::apply(&matrix, [1.0; 3]);
        assert!(white.iter().all(|v| (v - 1.0).abs() < 1e-12), "{space}: {white:?}");
    }
}

#[test]
fn every_delivery_has_its_own_files() {
    let place = Place::new();
    fs::write(place.path("night_train.yaml"), format!("{SCENE}{LIST}")).expect("the scene");
    let (code, out, err) =
        place.run(&["render", "night_train.yaml", "--also", "ideal", "--out", "o"]);
    assert_eq!((code, err.as_str()), (0, ""));
    let names = [
        "night_train_0000_final_picture_linear.exr",
        "night_train_0000_ideal_final_picture_linear.exr",
        "night_train_0000_ideal_monitor_picture.png",
        "night_train_0000_ideal_recording_picture_16bit.png",
        "night_train_0000_monitor_middle_2x.png",
        "night_train_0000_monitor_picture.png",
        "night_train_0000_raw.tiff",
        "night_train_0000_recording_middle_2x.png",
        "night_train_0000_recording_picture_16bit.png",
        "night_train_shot.json",
    ];
    assert_eq!(place.names("o"), names);
    for line in [
        "  delivery        recording: 96 × 64 px, ACES AP1, ACEScct, PNG, 16 bits",
        "  delivery        monitor: 48 × 32 px, BT.709, BT.709, PNG, 8 bits",
        "  delivery        final: 96 × 64 px, ACES AP0, linear, push +1.50 stops, OpenEXR, linear light",
    ] {
        assert!(out.lines().any(|l| l == line), "{line}\n{out}");
    }
    let json = place.sidecar("o");
    assert_eq!(json["frames"][0]["deliveries"]["final"], serde_json::json!([names[0], names[1]]));
    assert_eq!(json["resolved"]["deliveries"][1]["name"], "monitor");
    assert_eq!(json["resolved"]["deliveries"][2]["push_stops"], 1.5);
    let inputs = json["inputs"].as_array().expect("inputs");
    let input = inputs.iter().find(|i| i["key"] == "delivery[2].filter").expect("the filter");
    assert_eq!((&input["value"], &input["from"]), (&"box".into(), &"written".into()));
    // The wide file says which colours it means.
    let image = exr::prelude::read()
        .no_deep_data()
        .largest_resolution_level()
        .all_channels()
        .all_layers()
        .all_attributes()
        .from_file(place.path(format!("o/{}", names[0])))
        .expect("OpenEXR");
    let said = image.attributes.chromaticities.expect("chromaticities");
    assert!((said.blue.1 + 0.0770).abs() < 1e-7 && (said.red.0 - 0.7347).abs() < 1e-7);
    assert!((said.white.0 - 0.32168).abs() < 1e-7 && (said.green.1 - 1.0).abs() < 1e-7);
    // A crop is not scaled, in any delivery.
    place.render("c", &["--crop", "30,20,24,16", "--only", "picture"]);
    let info = png::Decoder::new(std::io::Cursor::new(
        fs::read(place.path("c/night_train_0000_monitor_picture.png")).expect("the file"),
    ))
    .read_info()
    .expect("PNG")
    .info()
    .size();
    assert_eq!(info, (24, 16));
}
