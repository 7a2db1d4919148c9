//! `gridbeat new`: scenes from answers, from options, and from nothing.

use crate::cli_stage::Place;
use gridbeat::scene::{NoPictures, OpenScene, parse};

const ALL: [&str; 20] = [
    "--pitch-mm",
    "1.9",
    "--refresh-hz",
    "3840",
    "--white-nits",
    "800",
    "--camera",
    "large_sensor",
    "--frame-rate-fps",
    "24",
    "--shutter",
    "1/50",
    "--focal-mm",
    "50",
    "--stop",
    "4",
    "--wall-m",
    "18ft",
    "--focus-m",
    "3.2",
];

#[test]
fn all_answers_as_options_make_that_scene_and_four_lines_and_a_crop() {
    let place = Place::new();
    let (code, stdout, stderr) =
        place.run(&[&["new", "--yes", "corridor.yaml"], &ALL[..]].concat());
    assert_eq!(code, 0, "{stdout}{stderr}");
    let text = std::fs::read_to_string(place.path("corridor.yaml")).expect("the scene");
    let scene = parse(&text, "corridor", &NoPictures).expect("a scene");
    assert!((scene.wall.pitch_m - 1.9e-3).abs() < 1e-12);
    assert_eq!(scene.drive.refresh_hz, 3840.0);
    assert!((scene.camera.exposure_s - 0.02).abs() < 1e-12 && scene.camera.fps == 24.0);
    assert!((scene.lens.focal_m - 0.05).abs() < 1e-12 && scene.lens.f_number == 4.0);
    // 18 feet of 0.3048 m, from the sensor mark.
    let image_m = scene.lens.image_m();
    assert!(
        (scene.pose.lens_m.z + image_m - 5.4864).abs() < 1e-9,
        "{}",
        scene.pose.lens_m.z + image_m
    );
    for word in ["flicker ", "moiré ", "why ", "change or ask "] {
        assert_eq!(stdout.lines().filter(|l| l.starts_with(word)).count(), 1, "{word}: {stdout}");
    }
    let decoder = png::Decoder::new(std::io::BufReader::new(
        std::fs::File::open(place.path("corridor_crop.png")).expect("the crop"),
    ));
    let info = decoder.read_info().expect("PNG");
    assert_eq!((info.info().width, info.info().height), (640, 400));
    // Nothing is replaced unasked.
    let (code, _, stderr) = place.run(&[&["new", "--yes", "corridor.yaml"], &ALL[..]].concat());
    assert_eq!(code, 2);
    assert!(stderr.contains("corridor.yaml"), "{stderr}");
}

#[test]
fn what_nobody_knows_stays_open_and_is_asked_for() {
    let place = Place::new();
    let known: Vec<&str> = ALL.iter().copied().skip(2).collect();
    let (code, stdout, stderr) =
        place.run(&[&["new", "--yes", "a.yaml"], &known[..known.len() - 1], &["5.4"]].concat());
    assert_eq!(code, 0, "{stdout}{stderr}");
    let text = std::fs::read_to_string(place.path("a.yaml")).expect("the scene");
    let open = OpenScene::read(&text, "a", &[]).expect("ranges");
    let keys: Vec<&str> = open.values.iter().map(|v| v.key.as_str()).collect();
    assert_eq!(keys, ["wall.pixel_pitch_mm"]);
    // Never clean while the pitch may decide, and the question is there.
    let line =
        |name: &str| stdout.lines().find(|l| l.starts_with(name)).unwrap_or_default().to_owned();
    assert!(!line("moiré").contains(" clean"), "{stdout}");
    assert!(line("change or ask").contains("wall.pixel_pitch_mm"), "{stdout}");
}

#[test]
fn answers_are_read_from_the_questions_and_wrong_ones_asked_again() {
    let place = Place::new();
    let answers = "P1.9\n3840 Hz\n?\n2\n24\nhalf\n172.8°\n35 mm\nf/2.8\n4.5\n2,5\n";
    let output = place.gridbeat(&["new", "b.yaml"]).write_stdin(answers).assert().success();
    let questions = String::from_utf8(output.get_output().stderr.clone()).expect("text");
    assert!(
        questions.contains("Pixel pitch") && questions.contains("an angle of 4 to 360"),
        "{questions}"
    );
    let text = std::fs::read_to_string(place.path("b.yaml")).expect("the scene");
    for line in [
        "pixel_pitch_mm: 1.9",
        "refresh_hz: 3840",
        "white_nits: unknown",
        "preset: large_sensor_no_low_pass",
        "shutter_angle_deg: 172.8",
        "focal_mm: 35",
        "f_number: 2.8",
        "distance_m: 4.5",
        "{distance_m: 2.5}",
    ] {
        assert!(text.contains(line), "{line}: {text}");
    }
}

#[test]
fn an_option_that_is_no_answer_is_refused_by_name() {
    let place = Place::new();
    let (code, _, stderr) = place.run(&["new", "--yes", "c.yaml", "--stop", "wide"]);
    assert_eq!(code, 2);
    assert!(stderr.contains("--stop wide") && stderr.contains("from 0.5 to 64"), "{stderr}");
    assert!(place.names(".").iter().all(|n| n != "c.yaml"));
}

#[test]
fn a_shutter_that_it_tells_holds_in_the_verdict() {
    use gridbeat::predict::{Settings, predict};
    let place = Place::new();
    // 77 refreshes, and dark greys that pulse slower: no near shutter cures those.
    let (code, stdout, _) = place.run(&[&["new", "--yes", "dark.yaml"], &ALL[..]].concat());
    assert_eq!(code, 0);
    let told = |out: &str| {
        let line = out.lines().find(|l| l.starts_with("change or ask")).unwrap_or_default();
        line.trim_start_matches("change or ask").trim().to_owned()
    };
    let line = told(&stdout);
    assert!(line.starts_with("shutter "), "{stdout}");
    let written = line.trim_start_matches("shutter ").split([':', ' ']).next().unwrap_or_default();
    let text = std::fs::read_to_string(place.path("dark.yaml")).expect("the scene");
    let set = match written.strip_suffix('°') {
        Some(angle) => format!("shutter_angle_deg: {angle}"),
        None => format!("shutter_speed: {written}"),
    };
    let scene = parse(&text.replace("shutter_speed: 1/50", &set), "dark", &NoPictures);
    let found = predict(&scene.expect("a scene"), &Settings::full());
    let clean = [gridbeat::artefact::Kind::Flicker, gridbeat::artefact::Kind::Bands]
        .iter()
        .all(|k| found.degree(*k, false) == gridbeat::artefact::Degree::Clean);
    assert_eq!(line.contains("clean at every grey"), clean, "{line}");
}
