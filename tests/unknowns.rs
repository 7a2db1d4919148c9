//! Ranges and unknown values: how they are read and refused, that nothing is a silent midpoint, and that the worst found is the worst.

use crate::bad_scenes::{hold, lens, more, place, wall};
use crate::cli_stage::{Place, SCENE};
use gridbeat::artefact::{Degree, Judged, Kind};
use gridbeat::diag::summary;
use gridbeat::predict::unknowns::{KINDS, OverRanges, Unknowns, severity, unknowns};
use gridbeat::predict::{Settings, verdict};
use gridbeat::scene::{Edit, NoPictures, OpenScene, parse, parse_edited, written};
use serde_json::Value;

const NIGHT: &str = "\
wall: {pixel_pitch_mm: 1.953, size_px: [2048, 1280], brightness_percent: 15, dimming: current}
lens: {focal_mm: 24, f_number: 4, aberration_um: 3}
placement: {distance_m: 3.84, roll_deg: 0.5}
camera: {shutter_speed: 1/200}
";

fn edits(all: &[&str]) -> Vec<Edit> {
    all.iter().map(|e| e.parse().unwrap_or_else(|e| panic!("{e}"))).collect()
}

fn open(set: &[&str]) -> OpenScene {
    match OpenScene::read(NIGHT, "night", &edits(set)) {
        Ok(open) => open,
        Err(problems) => panic!("{:#?}", problems.iter().map(summary).collect::<Vec<_>>()),
    }
}

fn found(set: &[&str]) -> Unknowns {
    match unknowns(&open(set), &NoPictures) {
        Ok(found) => found,
        Err(problems) => panic!("{:#?}", problems.iter().map(summary).collect::<Vec<_>>()),
    }
}

#[test]
fn ranges_that_are_none_are_refused_in_words() {
    hold(vec![
        lens(
            "lens: {focal_mm: 35, f_number: 2.8, aberration_um: [5, 2]}",
            &[
                "line 2, lens.aberration_um: [5, 2] is no range: it runs from high to low; allowed: low before high, 0 to 1000 µm (write `[2, 5]`)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: [4, 4]}",
            &[
                "line 2, lens.f_number: [4, 4] is no range: both ends are the same; allowed: low before high, 0.5 to 128 (write `f_number: 4`)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: [0.1, 4]}",
            &[
                "line 2, lens.f_number: 0.1 is too small; allowed: 0.5 to 128 (a range is `[low, high]`)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: [2, .inf]}",
            &[
                "line 2, lens.f_number: inf is not a usable number; allowed: 0.5 to 128 (a range is `[low, high]`)",
            ],
        ),
        lens(
            "lens: {focal_mm: [35, wide], f_number: 4}",
            &[
                "line 2, lens.focal_mm: 'wide' cannot be an end of the range; allowed: 1 to 2000 mm (a range is `[low, high]`)",
            ],
        ),
        lens(
            "lens: {focal_mm: unknown, f_number: 4}",
            &[
                "line 2, lens.focal_mm: 'unknown' has no typical range here; allowed: 1 to 2000 mm, or a range of it (write what it may be: `focal_mm: [low, high]`)",
            ],
        ),
        more(
            "drive: {scan: [7.5, 16]}",
            &[
                "line 4, drive.scan: 7.5 is not a whole number; allowed: a whole number from 1 to 1024 (a range is `[low, high]`)",
            ],
        ),
        more(
            "camera: {readout: unknown}",
            &[
                "line 4, camera.readout: 'unknown' is not known; allowed: global, rolling (`unknown` stands for numbers only: choose one, and try the others too)",
            ],
        ),
        // Three numbers are no range, and say so as ever.
        more(
            "drive: {refresh_hz: [1000, 2000, 3000]}",
            &["line 4, drive.refresh_hz: a list of 3 is not a number; allowed: 1 to 1000000 Hz"],
        ),
    ]);
}

#[test]
fn a_scene_with_open_values_is_no_scene_and_every_one_is_named() {
    hold(vec![
        wall(
            "wall: {pixel_pitch_mm: [2.4, 2.8], size_px: [400, 200]}",
            &[
                "line 1, wall.pixel_pitch_mm: not known: 2.4 to 2.8 mm (choose with `--unknowns worst`, `best` or `middle`, or write a number (`--set wall.pixel_pitch_mm=…`); `gridbeat predict` says what it decides)",
            ],
        ),
        place(
            "placement: {distance: [3 m, 12 ft]}",
            &[
                "line 3, placement.distance: not known: 3 m to 3.658 m (choose with `--unknowns worst`, `best` or `middle`, or write a number (`--set placement.distance=…`); `gridbeat predict` says what it decides)",
            ],
        ),
        // What is wrong besides is told with it, and nothing that rests on the open value.
        more(
            "camera: {readout: {rolling: {readout_ms: unknown}}, bitz: 3}",
            &[
                "line 4, camera.readout.rolling.readout_ms: not known: `unknown` stands for 4 to 25 ms (choose with `--unknowns worst`, `best` or `middle`, or write a number (`--set camera.readout.rolling.readout_ms=…`); `gridbeat predict` says what it decides)",
                "line 4, camera.bitz: unknown key (did you mean `bits`?)",
            ],
        ),
    ]);
}

#[test]
fn open_values_are_found_wherever_numbers_stand() {
    let text = "\
wall: {preset: stage, white_xy: [[0.31, 0.32], 0.329], cabinets: [[2, 4], 3], emitters: {red: {shape: {disc_mm: [0.2, 0.3]}}}}
lens: {focal_mm: 35, f_number: 4}
placement: {distance: [3200 mm, 4 m]}
camera: {frame_rate_fps: [23.976, 25], shutter_speed: [1/100, 1/50], matrix: [[0.4, [0.02, 0.06], 0.02], [0.06, 0.46, 0.1], [0.01, 0.07, 0.4]]}
other_light: [{name: a, frequency_hz: 100}, {name: b, frequency_hz: unknown}]
drive: {genlock: {free: {drift_ppm: unknown}}}
delivery: [{name: a, push_stops: [0, 1]}, {name: b}]
";
    let open = OpenScene::read(text, "all", &edits(&["drive.rise_ns=[10, 30]"])).expect("read");
    let told: Vec<(&str, String)> =
        open.values.iter().map(|v| (v.key.as_str(), v.range_words())).collect();
    let wanted = [
        ("wall.white_xy[1]", "0.31 to 0.32"),
        ("wall.cabinets[1]", "2 to 4"),
        ("wall.emitters.red.shape.disc_mm", "0.2 to 0.3 mm"),
        ("placement.distance", "3.2 m to 4 m"),
        ("camera.frame_rate_fps", "23.98 to 25 fps"),
        ("camera.shutter_speed", "1/100 s to 1/50 s"),
        ("camera.matrix[1][2]", "0.02 to 0.06"),
        ("other_light[2].frequency_hz", "100 to 120 Hz"),
        ("drive.genlock.free.drift_ppm", "-100 to 100 ppm"),
        ("drive.rise_ns", "10 to 30 ns"),
        ("delivery[1].push_stops", "0 to 1 stops"),
    ];
    let mut missing = wanted.iter().filter(|w| !told.contains(&(w.0, w.1.to_owned())));
    assert!(missing.next().is_none() && told.len() == wanted.len(), "{told:#?}");
    assert_eq!(open.values[3].place.as_ref().map(|p| p.line), Some(3));
    // Each is set where it stands.
    let low: Vec<f64> = open.values.iter().map(|v| v.low).collect();
    let scene = match open.at(&low, &NoPictures) {
        Ok(scene) => scene,
        Err(problems) => panic!("{:#?}", problems.iter().map(summary).collect::<Vec<_>>()),
    };
    let by_hand = text
        .replace("[0.31, 0.32]", "0.31")
        .replace("[2, 4]", "2")
        .replace("[0.2, 0.3]", "0.2")
        .replace("[3200 mm, 4 m]", "3200 mm")
        .replace("[23.976, 25]", "23.976")
        .replace("[1/100, 1/50]", "1/100")
        .replace("[0.02, 0.06]", "0.02")
        .replace("frequency_hz: unknown", "frequency_hz: 100")
        .replace("drift_ppm: unknown", "drift_ppm: -100")
        .replace("[0, 1]", "0");
    let set = edits(&["drive.rise_ns=10"]);
    let wanted = parse_edited(&by_hand, "all", &set, &NoPictures).expect("a scene");
    let bare = |scene: &gridbeat::scene::Scene| {
        let mut scene = scene.clone();
        scene.notes.clear();
        format!("{scene:?}")
    };
    assert_eq!(bare(&scene), bare(&wanted));
}

#[test]
fn the_middle_is_the_middle_and_spreads_hold_their_ends() {
    let open =
        open(&["drive.refresh_hz=[1000, 7680]", "drive.scan=[8, 33]", "lens.f_number=[2, 3]"]);
    let value = |key: &str| open.values.iter().find(|v| v.key == key).expect(key);
    assert_eq!(value("drive.refresh_hz").middle(), 4340.0);
    assert_eq!(value("drive.scan").middle(), 20.0);
    assert_eq!(value("lens.f_number").middle(), 2.5);
    for v in &open.values {
        let spread = v.spread(9);
        assert_eq!((spread[0], spread[spread.len() - 1]), (v.low, v.high));
        assert!(spread.windows(2).all(|w| w[0] < w[1]), "{spread:?}");
        for at in spread {
            assert!((v.at(v.share(at)) - at).abs() <= 1e-4 * at, "{}: {at}", v.key);
        }
    }
    let scans = value("drive.scan").spread(9);
    assert!(scans.contains(&16.0) && scans.iter().all(|s| s.fract() == 0.0), "{scans:?}");
    // A wide range in even ratios: the geometric middle of 1000 and 7680, to the four digits that are kept.
    assert!((value("drive.refresh_hz").at(0.5) - (1000.0_f64 * 7680.0).sqrt()).abs() < 0.1);
}

/// Points of a box from a generator of this test's own (a linear congruence; constants of D. Knuth's MMIX, from memory).
fn points(open: &OpenScene, count: usize) -> Vec<Vec<f64>> {
    let mut state = 20_260_101_u64;
    let mut share = || {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let point = |_| {
        let at = |v: &gridbeat::scene::OpenValue| {
            let value = v.low + share() * (v.high - v.low);
            if v.is_whole { value.round() } else { value }
        };
        open.values.iter().map(at).collect()
    };
    (0..count).map(point).collect()
}

/// How much more than the worst found may be seen at a point in between, of kinds that are seen at all: peaks of folds and beats lie
/// between the points that are looked at.
const IN_BETWEEN: f64 = 1.05;

#[test]
fn no_random_point_is_worse_than_the_worst_found() {
    for set in [
        &[
            "drive.refresh_hz=unknown",
            "placement.distance_m=[3.6, 4.2]",
            "lens.aberration_um=unknown",
        ][..],
        &["wall.pixel_pitch_mm=[1.8, 2.8]", "camera.fill_factor_percent=unknown"],
        &[
            "drive.scan=[8, 32]",
            "camera.readout.rolling.readout_ms=unknown",
            "drive.refresh_hz=[2000, 4000]",
        ],
        &["drive.genlock={free: {drift_ppm: unknown}}", "drive.refresh_hz=[240, 1000]"],
    ] {
        let scene = open(set);
        let worst = found(set);
        let (mut seen, mut most) = (0, 0.0_f64);
        for values in points(&scene, 50) {
            let Ok(one) = scene.at(&values, &NoPictures) else { continue };
            seen += 1;
            let judged = verdict(&one, &Settings::quick());
            for (kind, over) in KINDS.iter().zip(&worst.kinds) {
                let here = judged.degree(*kind, false);
                assert!(
                    severity(here) <= severity(over.worst.degree),
                    "{set:?}: {values:?}: {kind:?} {here:?}, found {over:?}"
                );
                let multiple = judged.of(*kind).map_or(0.0, |f| f.worst.multiple);
                assert!(
                    multiple <= 0.2_f64.max(IN_BETWEEN * over.worst.multiple),
                    "{set:?}: {values:?}: {kind:?} {multiple}, found {over:?}"
                );
                if multiple > 0.2 {
                    most = most.max(multiple / over.worst.multiple);
                }
                // What is called clean is clean here too.
                assert!(over.degree() != Degree::Clean || here == Degree::Clean);
            }
        }
        println!("{set:?}: at most {most:.3} of the worst found");
        assert!(seen > 30, "{set:?}: {seen}");
    }
}

#[test]
fn a_wall_of_unknown_refresh_is_not_called_clean() {
    for set in [
        &["drive.refresh_hz=unknown"][..],
        &["drive.refresh_hz=[960, 7680]", "camera.shutter_speed=1/500"],
        &["drive.refresh_hz=[50, 300]"],
    ] {
        let found = found(set);
        let bands = found.kinds.iter().find(|k| k.kind == Kind::Bands).expect("bands");
        assert_ne!(bands.degree(), Degree::Clean, "{set:?}: {bands:?}");
        if bands.is_open() {
            assert_eq!(bands.degree(), Degree::CannotSay);
        }
        assert!(severity(bands.worst.degree) >= severity(Degree::Noticeable), "{bands:?}");
        let first = &found.influences[0];
        assert!(first.decides().any(|s| s.kind == Kind::Bands) || !bands.is_open(), "{first:?}");
    }
    // A fast drive at a slow shutter is clean all over its range, and then it is said.
    let fast = found(&["drive.refresh_hz=[15000, 20000]", "camera.shutter_speed=1/24"]);
    let bands = fast.kinds.iter().find(|k| k.kind == Kind::Bands).expect("bands");
    assert_eq!(bands.degree(), Degree::Clean, "{bands:?}");
}

#[test]
fn clean_is_not_said_while_an_unknown_decides_or_nearly_does() {
    let over = |best: f64, worst: f64| OverRanges {
        kind: Kind::Moire,
        best: Judged::of(best),
        worst: Judged::of(worst),
        best_at: vec![1.0],
        worst_at: vec![2.0],
    };
    for (best, worst, wanted) in [
        (0.1, 0.5, Degree::Clean),
        (0.1, 0.79, Degree::Clean),
        (0.1, 0.81, Degree::CannotSay),
        (0.1, 1.1, Degree::CannotSay),
        (1.1, 2.6, Degree::CannotSay),
        (1.1, 1.9, Degree::Noticeable),
        (2.6, 90.0, Degree::Spoils),
        // Not the unknown's doing.
        (0.89, 0.9, Degree::Clean),
    ] {
        assert_eq!(over(best, worst).degree(), wanted, "{best} to {worst}");
    }
}

#[test]
fn what_changes_nothing_comes_last_and_what_decides_first() {
    let set = [
        "wall.cabinet_spread.brightness_percent=unknown",
        "drive.refresh_hz=unknown",
        "camera.full_well_e=[30000, 40000]",
    ];
    let scene = open(&set);
    let found = found(&set);
    let keys: Vec<&str> =
        found.influences.iter().map(|i| scene.values[i.value].key.as_str()).collect();
    assert_eq!(keys[0], "drive.refresh_hz", "{keys:?}");
    assert!(found.influences[0].matters());
    for influence in &found.influences[1..] {
        assert!(!influence.matters(), "{keys:?}: {influence:?}");
    }
    // A kind that is open has a value that decides it.
    for over in found.kinds.iter().filter(|k| k.degree() == Degree::CannotSay) {
        let decided = found.influences.iter().any(|i| i.decides().any(|s| s.kind == over.kind));
        assert!(decided, "{over:?}");
    }
}

#[test]
fn the_answer_is_the_same_for_any_number_of_threads() {
    let set = ["drive.refresh_hz=unknown", "placement.distance_m=[3.6, 4.2]"];
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        let found = pool.install(|| found(&set));
        format!("{:?} {:?} {:?}", found.kinds, found.worst, found.influences)
    };
    assert_eq!(with(1), with(3));
}

#[test]
fn impossible_ranges_are_refused_with_the_reason() {
    let scene = open(&["camera.exposure_ms=[60, 80]"]);
    let problems = unknowns(&scene, &NoPictures).expect_err("no frame is that long");
    assert!(problems.iter().any(|p| p.key == "camera.exposure_ms"), "{problems:?}");
    // Where some of it is possible, the rest is counted.
    let found = found(&["camera.exposure_ms=[30, 60]"]);
    assert!(found.refused > 10 && found.looked_at > 10, "{} {}", found.refused, found.looked_at);
    assert_eq!(found.refusal.expect("a reason").key, "camera.exposure_ms");
}

#[test]
fn the_schema_says_what_unknown_stands_for() {
    let schema = written::editor_schema();
    let refresh = &schema["properties"]["drive"]["properties"]["refresh_hz"];
    assert_eq!(refresh["x-typical"], serde_json::json!([960.0, 7680.0]));
    assert_eq!(refresh["anyOf"][0]["maximum"], 1e6);
    assert_eq!(refresh["anyOf"][1]["items"]["maximum"], 1e6);
    assert_eq!(refresh["anyOf"][2]["const"], "unknown");
    let focal = &schema["properties"]["lens"]["properties"]["focal_mm"];
    assert_eq!(focal["anyOf"].as_array().map(Vec::len), Some(2), "{focal}");
    let reference = written::key_reference();
    let line = reference.lines().find(|l| l.starts_with("drive.refresh_hz ")).expect("the key");
    assert!(line.ends_with("`unknown` stands for 960 to 7680."), "{line}");
}

/// The small scene of the command line's tests with two values open.
fn place_with_gaps() -> Place {
    let place = Place::new();
    let text = format!("{SCENE}drive: {{refresh_hz: unknown}}\n")
        .replace("distance_m: 7", "distance_m: [6.5, 7.5]");
    std::fs::write(place.path("night_train.yaml"), text).expect("written");
    place
}

#[test]
fn predict_asks_questions() {
    let place = place_with_gaps();
    let (code, out, err) = place.run(&["predict", "night_train.yaml"]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    for words in [
        "2 values are not known",
        "can't say",
        "ask, what decides most first\n  1. drive.refresh_hz: refreshes per second, as the wall's sheet has them (usually 960 to 7680 Hz)",
        "Ask the rental house",
        "--unknowns worst, best or middle",
    ] {
        assert!(out.contains(words), "{words}:\n{out}");
    }
    let (code, out, _) = place.run(&["predict", "night_train.yaml", "--json"]);
    assert_eq!(code, 0);
    let all: Value = serde_json::from_str(&out).expect("JSON");
    let first = &all["unknowns"][0];
    assert_eq!(first["key"], "drive.refresh_hz");
    assert_eq!(
        (first["low"].as_f64(), first["written_unknown"].as_bool()),
        (Some(960.0), Some(true))
    );
    for key in ["line", "high", "unit", "whole", "what", "ask", "decides", "times_more_at_worst"] {
        assert!(!first[key].is_null(), "{key}: {first}");
    }
    for end in ["best", "worst"] {
        assert!(all[end]["at"]["drive.refresh_hz"].is_f64(), "{end}");
        assert!(all[end]["prediction"]["verdicts"].is_array(), "{end}");
    }
    for degree in all["degrees"].as_array().expect("degrees") {
        let decided = degree["best"]["degree"] == degree["worst"]["degree"];
        assert!(decided || degree["degree"] == "cannot_say", "{degree}");
    }
    // With a choice it is the answer of a scene, and says what was taken.
    let (code, out, _) = place.run(&["predict", "night_train.yaml", "--unknowns", "middle"]);
    assert_eq!(code, 0);
    for words in [
        "placement.distance_m: taken as 7 m, the middle of 6.5 to 7.5 m",
        "drive.refresh_hz: taken as 4320 Hz, the middle of 960 to 7680 Hz",
        "clean shutters",
    ] {
        assert!(out.contains(words), "{words}:\n{out}");
    }
}

#[test]
fn rendering_asks_for_a_choice_and_renders_just_that() {
    let place = place_with_gaps();
    let (code, out, err) = place.run(&["render", "night_train.yaml"]);
    assert_eq!((code, out.as_str()), (1, ""));
    for words in [
        "error: drive.refresh_hz: not known: `unknown` stands for 960 to 7680 Hz",
        "error: placement.distance_m: not known: 6.5 to 7.5 m",
        "choose with `--unknowns worst`, `best` or `middle`",
        "2 problems",
    ] {
        assert!(err.contains(words), "{words}:\n{err}");
    }
    assert_eq!(place.names("out"), Vec::<String>::new());
    for command in ["check", "measure", "explain"] {
        let photosite = ["--photosite", "48,32"];
        let more: &[&str] = if command == "explain" { &photosite } else { &[] };
        let (code, _, err) = place.run(&[&[command, "night_train.yaml"], more].concat());
        assert_eq!(code, 1, "{command}");
        assert!(err.contains("drive.refresh_hz: not known"), "{command}: {err}");
        let chosen = [&[command, "night_train.yaml", "--unknowns", "middle"], more].concat();
        let (code, out, err) = place.run(&chosen);
        assert_eq!(code, 0, "{command}: {err}");
        assert!(out.contains("drive.refresh_hz: taken as 4320 Hz"), "{command}: {out}");
    }
    let gaps = std::fs::read_to_string(place.path("night_train.yaml")).expect("the scene");
    for choice in ["worst", "best", "middle"] {
        std::fs::write(place.path("night_train.yaml"), &gaps).expect("written");
        let out = format!("{choice}_chosen");
        let render = |out: &str, more: &[&str]| {
            let args = ["render", "night_train.yaml", "--out", out];
            let (code, told, err) = place.run(&[&args, more].concat());
            assert_eq!(code, 0, "{err}");
            told
        };
        let told = render(&out, &["--unknowns", choice]);
        assert!(told.lines().any(|l| l.contains("not known") && l.contains("taken as")), "{told}");
        assert!(told.contains(&format!("the {choice} of 960")), "{told}");
        let sidecar = place.sidecar(&out);
        assert_eq!(sidecar["unknowns"]["choice"], choice);
        let taken = |key: &str| {
            let all = sidecar["unknowns"]["values"].as_array().expect("values");
            let value = all.iter().find(|v| v["key"] == key).expect(key);
            value["taken_as"].as_f64().expect("a number")
        };
        let (refresh, distance) = (taken("drive.refresh_hz"), taken("placement.distance_m"));
        if choice == "middle" {
            assert_eq!((refresh, distance), (4320.0, 7.0));
        }
        // The scene with these numbers written in.
        let written = gaps
            .replace("refresh_hz: unknown", &format!("refresh_hz: {refresh}"))
            .replace("distance_m: [6.5, 7.5]", &format!("distance_m: {distance}"));
        assert!(parse(&written, "written", &NoPictures).is_ok());
        std::fs::write(place.path("night_train.yaml"), written).expect("written");
        let by_hand = format!("{choice}_by_hand");
        render(&by_hand, &[]);
        assert!(place.sidecar(&by_hand)["unknowns"].is_null());
        let frames = |folder: &str| {
            let mut files = place.contents(folder);
            files.retain(|(name, _)| !name.ends_with(".json"));
            assert!(files.len() >= 4);
            files
        };
        assert!(frames(&out) == frames(&by_hand), "{choice}");
    }
}
