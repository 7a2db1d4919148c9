//! Sweeps: points against prediction one by one, going on after a stop, what is refused, and drawings.

use crate::cli_stage::{Place, SCENE};
use gridbeat::artefact::Degree;
use gridbeat::plan::map;
use gridbeat::plan::sweep::{Cell, Sweep, Vary};
use gridbeat::predict::unknowns::KINDS;
use gridbeat::predict::{Settings, verdict};
use gridbeat::scene::{NoPictures, parse_edited};
use std::process::{Command, Stdio};

fn vary(text: &str) -> Vary {
    text.parse().unwrap_or_else(|e| panic!("{e}"))
}

fn swept(varied: &[&str]) -> (Sweep, Vec<Vec<Cell>>) {
    let varied: Vec<Vary> = varied.iter().map(|v| vary(v)).collect();
    let sweep = Sweep::new(SCENE, "night_train", &[], &varied).expect("a sweep");
    let shown = sweep.shown(&NoPictures).expect("a scene");
    let rows = (0..sweep.rows()).map(|row| sweep.row(row, &NoPictures, Some(&shown))).collect();
    (sweep, rows)
}

#[test]
fn every_point_is_the_verdict_of_its_scene() {
    let (sweep, rows) =
        swept(&["lens.focal_mm=24..60:4:log", "camera.shutter_speed=1/400..1/50:3"]);
    assert_eq!((sweep.columns(), sweep.rows()), (4, 3));
    let ratio = |i: usize| sweep.axes[0].steps[i + 1] / sweep.axes[0].steps[i];
    assert!((ratio(0) - ratio(2)).abs() < 1e-12 && sweep.axes[0].steps[3] == 60.0);
    let [first, middle, last] = sweep.axes[1].steps[..] else { panic!("three steps") };
    assert_eq!([first, last], [1.0 / 400.0, 1.0 / 50.0]);
    assert!((middle - 0.01125).abs() < 1e-15);
    let mut degrees = std::collections::BTreeSet::new();
    for (row, line) in rows.iter().enumerate() {
        for (column, cell) in line.iter().enumerate() {
            // The same numbers written into the scene by hand.
            let [focal, exposure] = [sweep.axes[0].steps[column], sweep.axes[1].steps[row]];
            let edits =
                [format!("lens.focal_mm={focal}"), format!("camera.shutter_speed={exposure} s")];
            let edits = edits.map(|e| e.parse().expect("an edit"));
            let scene = parse_edited(SCENE, "night_train", &edits, &NoPictures).expect("a scene");
            let found = verdict(&scene, &Settings::quick());
            let Cell::Judged { planned, worst, .. } = cell else { panic!("{cell:?}") };
            for (k, kind) in KINDS.into_iter().enumerate() {
                let want = found.of(kind);
                assert_eq!(worst[k], want.map_or(0.0, |f| f.worst.multiple));
                assert_eq!(planned[k], want.map_or(0.0, |f| f.planned.multiple));
                assert_eq!(cell.degree(k), Some(found.degree(kind, false)));
                degrees.insert(cell.degree(k));
            }
        }
    }
    assert!(degrees.len() > 1, "{degrees:?}");
}

#[test]
fn a_range_may_be_given_from_its_far_end() {
    let (up, down) = (swept(&["lens.focal_mm=24..60:4"]), swept(&["lens.focal_mm=60..24:4"]));
    assert_eq!(up.0.axes[0].steps, [24.0, 36.0, 48.0, 60.0]);
    assert_eq!((&up.0.axes, &up.1), (&down.0.axes, &down.1));
}

#[test]
fn the_worst_of_a_point_is_its_worst_kind() {
    let cell =
        |worst: [f64; 4], unsure: [bool; 4]| Cell::Judged { planned: [0.0; 4], worst, unsure };
    let clean = cell([0.2, 0.0, 0.9, 0.0], [false; 4]);
    assert_eq!((clean.worst(), clean.worst_kind()), (Some(Degree::Clean), None));
    let doubtful = cell([0.2, 0.0, 0.9, 0.0], [false, true, false, false]);
    assert_eq!((doubtful.worst(), doubtful.worst_kind()), (Some(Degree::CannotSay), None));
    // What is known to be bad counts before what cannot be said.
    let bad = cell([0.2, 1.2, 3.0, 1.4], [true, false, false, false]);
    assert_eq!((bad.worst(), bad.worst_kind()), (Some(Degree::Spoils), Some(2)));
    let both = cell([0.2, 3.0, 9.0, 0.0], [false; 4]);
    assert_eq!(both.worst_kind(), Some(1), "flicker and bands come before moiré");
    assert_eq!(Cell::Refused("why".into()).worst(), None);
}

const ARGS: [&str; 7] = [
    "sweep",
    "night_train.yaml",
    "--vary",
    "lens.focal_mm=24..60:60",
    "--vary",
    "placement.distance_m=3..9:40",
    "--out",
];

#[test]
fn a_sweep_that_was_stopped_goes_on_to_the_same_bytes() {
    let place = Place::new();
    let (code, out, err) = place.run(&[&ARGS[..], &["whole", "--threads", "1"]].concat());
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    assert!(out.contains("2400 points: ") && out.contains("wrote "), "{out}");
    // Killed outright, again and again, until one comes through.
    let mut killed = 0;
    let journal = ".gridbeat-night_train-sweep.part".to_owned();
    for round in 1..100 {
        let mut child = Command::new(env!("CARGO_BIN_EXE_gridbeat"))
            .current_dir(place.path("."))
            .args(ARGS)
            .arg("stopped")
            .stdout(Stdio::null())
            .spawn()
            .expect("it runs");
        std::thread::sleep(std::time::Duration::from_millis(120 + 60 * (round % 5)));
        if let Some(status) = child.try_wait().expect("a state") {
            assert!(status.success());
            break;
        }
        child.kill().expect("it goes");
        child.wait().expect("it went");
        killed += 1;
        // What has its name is whole, and the same.
        let whole = place.contents("whole");
        for (name, bytes) in place.contents("stopped") {
            let same = || whole.iter().any(|(n, b)| *n == name && *b == bytes);
            assert!(name.starts_with(".gridbeat-") || same(), "{name}");
        }
    }
    let (code, ..) = place.run(&[&ARGS[..], &["stopped", "--overwrite"]].concat());
    assert_eq!(code, 0);
    assert!(killed > 0, "it was never stopped");
    let named = |folder: &str| {
        let mut all = place.contents(folder);
        all.retain(|(name, _)| !name.ends_with(".part") || *name == journal);
        all
    };
    assert_eq!(named("whole"), named("stopped"));
    assert_eq!(named("whole").len(), 3);
}

/// Stopped after some of its files took their places: all rows are at hand, and the files that are there are its own.
#[test]
fn a_sweep_that_was_stopped_at_its_end_needs_no_overwrite() {
    let place = Place::new();
    let args =
        ["sweep", "night_train.yaml", "--vary", "lens.focal_mm=24..60:9", "--quiet", "--out"];
    let run = |folder: &str| place.run(&[&args[..], &[folder]].concat());
    assert_eq!(run("a").0, 0);
    // Without a journal they are somebody's.
    let (code, _, err) = run("a");
    assert!(code == 2 && err.contains("is already there"), "{code} {err}");
    assert_eq!(place.names("a").len(), 3, "no journal is left");
    let journal = ".gridbeat-night_train-sweep.part";
    std::fs::create_dir_all(place.path("c")).expect("made");
    let mut child = Command::new(env!("CARGO_BIN_EXE_gridbeat"))
        .current_dir(place.path("."))
        .args(&args[..])
        .arg("c")
        .spawn()
        .expect("it runs");
    // Caught while the journal holds its row; or through, on a quick machine: then there is nothing to try.
    let lines = || std::fs::read_to_string(place.path("c").join(journal)).unwrap_or_default();
    let mut kept = String::new();
    while child.try_wait().expect("a state").is_none() {
        let text = lines();
        if text.lines().count() >= 2 && text.ends_with('\n') {
            kept = text;
        }
    }
    if !kept.is_empty() {
        std::fs::remove_file(place.path("c/night_train_sweep.csv")).expect("removed");
        std::fs::write(place.path("c").join(journal), kept).expect("written");
        assert_eq!(run("c").0, 0);
    }
    assert_eq!(place.contents("a"), place.contents("c"));
}

#[test]
fn another_question_does_not_go_on_with_an_old_answer() {
    let place = Place::new();
    let first =
        ["sweep", "night_train.yaml", "--vary", "lens.focal_mm=24..60:5", "--out", "a", "--quiet"];
    // A journal of this question, cut off in its second row, and one of another.
    let (code, ..) = place.run(&first);
    assert_eq!(code, 0);
    let before = place.contents("a");
    std::fs::write(place.path("a/.gridbeat-night_train-sweep.part"), "{\"another\":1}\n[1,2]\n[")
        .expect("a file");
    let (code, out, err) = place.run(&[&first[..], &["--overwrite"]].concat());
    assert_eq!((code, out.as_str(), err.as_str()), (0, "", ""));
    assert_eq!(before, place.contents("a"));
}

#[test]
fn what_cannot_be_varied_is_refused_in_words() {
    let place = Place::new();
    for (args, code, words) in [
        (vec!["--vary", "lens.focal_mm"], 2, "has no '='; write KEY=FROM..TO"),
        (vec!["--vary", "lens.focal_mm=24"], 2, "'24' is no range"),
        (vec!["--vary", "lens.focal_mm=24..60:one"], 2, "'one' is neither a number of steps"),
        (vec!["--vary", "lens.focal_mm=60..24000"], 1, "lens.focal_mm"),
        (vec!["--vary", "lens.focal=24..60"], 1, "not a number of a scene that can be varied"),
        (vec!["--vary", "drive.kind=1..2"], 1, "not a number of a scene that can be varied"),
        (vec!["--vary", "placement.pan_deg=-5..5:9:log"], 1, "even ratios cannot begin at"),
        (
            vec!["--vary", "lens.focal_mm=24..60", "--vary", "lens.focal_mm=24..60"],
            2,
            "--vary names 'lens.focal_mm' twice",
        ),
        (
            vec!["--vary", "lens.focal_mm=24..60", "--set", "drive.refresh_hz=unknown"],
            1,
            "drive.refresh_hz",
        ),
    ] {
        let all = [&["sweep", "night_train.yaml", "--out", "o"], args.as_slice()].concat();
        let (found, out, err) = place.run(&all);
        assert_eq!((found, out.as_str()), (code, ""), "{args:?}: {err}");
        assert!(err.contains(words), "{args:?}: {err}");
        assert!(place.names("o").is_empty(), "{args:?}: {:?}", place.names("o"));
    }
}

#[test]
fn tables_and_drawings_hold_every_point() {
    let place = Place::new();
    let args = [
        "sweep",
        "night_train.yaml",
        "--vary",
        "lens.focus.distance_m=1..7:6",
        "--vary",
        "lens.focal_mm=24..60:5",
        "--set",
        "lens.focus={distance_m: 3}",
        "--out",
        "o",
    ];
    let (code, out, err) = place.run(&args);
    assert_eq!(code, 0, "{out}{err}");
    let table = std::fs::read_to_string(place.path("o/night_train_sweep.csv")).expect("a table");
    let lines: Vec<&str> = table.lines().collect();
    assert_eq!(lines.len(), 31);
    assert!(
        lines[0].starts_with("lens.focus.distance_m (m),lens.focal_mm (mm),verdict,"),
        "{}",
        lines[0]
    );
    let data: serde_json::Value = serde_json::from_slice(
        &std::fs::read(place.path("o/night_train_sweep.json")).expect("data"),
    )
    .expect("JSON");
    assert_eq!(data["rows"].as_array().map(Vec::len), Some(5));
    assert_eq!(data["axes"][0]["values"].as_array().map(Vec::len), Some(6));
    let drawing =
        std::fs::read_to_string(place.path("o/night_train_sweep.svg")).expect("a drawing");
    assert!(drawing.starts_with("<svg ") && drawing.ends_with("</svg>\n"));
    assert!(drawing.contains("<desc>Map of the worst verdict"));
    assert!(drawing.contains("Focal length, mm"), "axes have their unit");
    // One key: curves.
    let (sweep, rows) = swept(&["camera.shutter_speed=1/400..1/50:20"]);
    let drawing = map::draw(&sweep, &rows, &[]);
    assert!(drawing.contains("spoils from here") && drawing.contains("1/400 s"));
}
