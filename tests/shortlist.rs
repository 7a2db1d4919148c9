//! Shortlists: against every combination judged by itself, what is refused, and the kit of the night train.

use crate::cli_stage::Place;
use gridbeat::artefact::Degree;
use gridbeat::plan::kit::{Kit, read_shots};
use gridbeat::plan::shortlist::{Shot, shortlist};
use gridbeat::predict::{Settings, predict, verdict};
use gridbeat::scene::{ContentPictures, Edit, NoPictures, parse_edited};

const SCENE: &str = "\
wall: {pixel_pitch_mm: 2.6, size_px: [1200, 800]}
lens: {focal_mm: 35, f_number: 2.8}
placement: {distance_m: 5}
camera: {photosites: [960, 540], photosite_pitch_um: 6, shutter_speed: 1/50, frame_rate_fps: 25}
";
const KIT: &str = "\
currency: EUR
walls:
  - {name: Coarse, price_per_day: 900, set: {wall.pixel_pitch_mm: 2.6, drive.refresh_hz: 960}}
  - {name: Fine, price_per_day: 2000, set: {wall.pixel_pitch_mm: 1.5, drive.refresh_hz: 3840}}
  - {name: Out, price_per_day: 1, available: false, set: {wall.pixel_pitch_mm: 1.2}}
  - {name: Unsaid, set: {wall.pixel_pitch_mm: 1.5, drive.refresh_hz: [120, 7680]}}
cameras:
  - {name: Bare, price_per_day: 300, set: {}}
  - {name: Filtered, price_per_day: 400, set: {filters.low_pass: {preset: strong}}}
lenses:
  - {name: 35 mm, price_per_day: 50, set: {lens.focal_mm: 35}}
  - {name: 50 mm, price_per_day: 60, set: {lens.focal_mm: 50}}
";
const SHOTS: &str = "\
scene: scene.yaml
shots:
  - {name: Far, set: {placement.distance_m: 6, lens.focus.distance_m: 2}}
  - {name: Near, set: {placement.distance_m: 4, lens.focus.distance_m: 2}}
";

fn shots() -> Vec<Shot> {
    let read = read_shots(SHOTS).expect("shots");
    let of = |s: gridbeat::plan::kit::ShotItem| Shot {
        name: s.name,
        text: SCENE.into(),
        scene: "scene".into(),
        edits: s.edits,
    };
    read.into_iter().map(of).collect()
}

#[test]
fn what_is_left_is_what_is_clean_one_by_one() {
    let (kit, shots) = (Kit::read(KIT).expect("a kit"), shots());
    let pictures: Vec<&(dyn ContentPictures + Sync)> = vec![&NoPictures, &NoPictures];
    let found =
        shortlist(&kit, &shots, &pictures, &|_, _| true).expect("shots").expect("all of it");
    // Three walls that can be had, two cameras, two lenses.
    assert_eq!(found.combinations, 12);
    assert_eq!(found.left.len() + found.dropped_by.iter().sum::<usize>(), 12);
    let mut clean = 0;
    for wall in [0, 1] {
        for camera in [0, 1] {
            for lens in [0, 1] {
                let items = [wall, camera, lens, 0, 0];
                let all = shots.iter().all(|shot| {
                    let of_kit = items
                        .iter()
                        .zip(&kit.groups)
                        .take(3)
                        .flat_map(|(i, g)| g[*i].edits.clone());
                    let edits: Vec<Edit> = of_kit.chain(shot.edits.clone()).collect();
                    let scene = parse_edited(SCENE, "scene", &edits, &NoPictures).expect("a scene");
                    let is_clean =
                        |p: gridbeat::predict::Prediction| p.judged().degree == Degree::Clean;
                    is_clean(verdict(&scene, &Settings::quick()))
                        && is_clean(predict(&scene, &Settings::full()))
                });
                let left = found.left.iter().find(|l| l.items == items);
                assert_eq!(left.is_some(), all, "{items:?}");
                if let Some(left) = left {
                    clean += 1;
                    let price: f64 = items
                        .iter()
                        .zip(&kit.groups)
                        .take(3)
                        .filter_map(|(i, g)| g[*i].price_per_day)
                        .sum();
                    assert_eq!((left.price_per_day, left.without_price), (price, 0));
                    assert!(left.confirmed && (left.sure || left.nearly));
                }
            }
        }
    }
    assert!((1..8).contains(&clean), "{clean}");
    // What hangs on the refresh says whom to ask, and comes last.
    let doubtful: Vec<_> = found.left.iter().filter(|l| l.items[0] == 3).collect();
    for left in &doubtful {
        assert!(!left.sure && left.without_price == 1);
        let question = left.question.as_deref().expect("a question");
        assert!(
            question.contains("drive.refresh_hz") && question.contains("rental house"),
            "{question}"
        );
    }
    assert!(!doubtful.is_empty());
    assert!(found.left.is_sorted_by_key(|l| (!l.sure, !l.nearly)));
    let sure: Vec<f64> = found.left.iter().filter(|l| l.sure).map(|l| l.price_per_day).collect();
    assert!(sure.is_sorted(), "{sure:?}");
    // The same on one thread.
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
    let alone = pool.install(|| shortlist(&kit, &shots, &pictures, &|_, _| true));
    assert_eq!(alone.expect("shots").expect("all"), found);
}

#[test]
fn a_kit_that_cannot_be_read_says_where_and_what_is_allowed() {
    let bad = [
        ("wals: []", "wals", "allowed: currency, walls, cameras, lenses, filters, diffusers"),
        ("walls: 3", "walls", "3 found; allowed: a list"),
        ("walls: [{price_per_day: 3}]", "walls[1].name", "missing"),
        ("walls: [{name: a, price: 3}]", "walls[1].price", "price_per_day"),
        ("walls: [{name: a, price_per_day: -3}]", "walls[1].price_per_day", "from 0, or unknown"),
        ("walls: [{name: a, available: maybe}]", "walls[1].available", "true or false"),
        ("walls: [{name: a}]", "cameras", "missing"),
    ];
    for (text, key, words) in bad {
        let problem = Kit::read(text).expect_err(text);
        assert_eq!(problem.key, key, "{text}");
        assert!(problem.message.contains(words), "{text}: {}", problem.message);
    }
    let problem = read_shots("shots: [{name: a}]").expect_err("no scene");
    assert_eq!(problem.key, "shots[1].scene");
    let problem = read_shots("scene: a.yaml").expect_err("no shots");
    assert_eq!(problem.key, "shots");
}

#[test]
fn the_command_ranks_and_refuses_with_file_and_line() {
    let place = Place::new();
    for (name, text) in [("kit.yaml", KIT), ("shots.yaml", SHOTS), ("scene.yaml", SCENE)] {
        std::fs::write(place.path(name), text).expect("a file");
    }
    let (code, stdout, stderr) = place.run(&["shortlist", "kit.yaml", "shots.yaml"]);
    assert_eq!((code, stderr.as_str()), (0, ""), "{stdout}");
    assert!(stdout.starts_with("12 combinations over 2 shots: "), "{stdout}");
    assert!(stdout.contains("\n1. ") && stdout.contains(" EUR a day: "), "{stdout}");
    let (code, json, _) =
        place.run(&["shortlist", "kit.yaml", "shots.yaml", "--json", "--threads", "1"]);
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!((code, &json["combinations"]), (0, &serde_json::json!(12)));
    std::fs::write(
        place.path("kit.yaml"),
        KIT.replace("price_per_day: 900", "price_per_day: dear"),
    )
    .expect("a file");
    let (code, _, stderr) = place.run(&["shortlist", "kit.yaml", "shots.yaml"]);
    assert_eq!(code, 1);
    for word in ["kit.yaml:3:", "walls[1].price_per_day", "from 0, or unknown"] {
        assert!(stderr.contains(word), "{word}: {stderr}");
    }
    std::fs::write(
        place.path("kit.yaml"),
        KIT.replace("lens.focal_mm: 35", "lens.focal_m: 35")
            .replace("lens.focal_mm: 50", "lens.focal_m: 50"),
    )
    .expect("a file");
    let (code, _, stderr) = place.run(&["shortlist", "kit.yaml", "shots.yaml"]);
    assert_eq!(code, 1);
    assert!(stderr.contains("shot 'Far'") && stderr.contains("lens.focal_m"), "{stderr}");
}

#[test]
fn the_night_trains_kit_has_a_shortlist() {
    let scenes = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("scenes");
    let read = |name: &str| std::fs::read_to_string(scenes.join(name)).expect("a file");
    let kit = Kit::read(&read("21-carriage.kit.yml")).expect("a kit");
    let shots = read_shots(&read("21-carriage.shots.yml")).expect("shots");
    assert!(kit.groups.iter().all(|g| g.len() >= 2) && shots.len() == 3);
    assert!(shots.iter().all(|s| scenes.join(&s.scene).exists()));
    let place = Place::new();
    let file = |name: &str| scenes.join(name).to_string_lossy().into_owned();
    let (code, stdout, stderr) = place.run(&[
        "shortlist",
        &file("21-carriage.kit.yml"),
        &file("21-carriage.shots.yml"),
        "--top",
        "40",
    ]);
    assert_eq!((code, stderr.as_str()), (0, ""));
    assert!(stdout.contains("would settle it: ") && stdout.contains("weakest shot"), "{stdout}");
}
