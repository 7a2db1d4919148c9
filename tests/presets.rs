//! Presets, and the scene as understood.

use crate::scene_strategy::scene_yaml;
use gridbeat::diag::summary;
use gridbeat::input::{PictureFiles, scene_text};
use gridbeat::optics::transfer;
use gridbeat::scene::presets::{KIT, presets};
use gridbeat::scene::{self, Edit, NoPictures, Origin, Scene, Understood, written};
use gridbeat::sensor::Readout;
use gridbeat::shoot::{Engine, Shot};
use gridbeat::wall::drive::DriveKind;
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::path::Path;

/// What a scene needs beside the presets.
const BASE: &str = "\
wall: stage
lens: {focal_mm: 35, f_number: 4}
placement: {distance_m: 4}
";

fn understood(text: &str, edits: &[&str]) -> Understood {
    let parsed: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    scene::understood(text, "studio", &parsed, &NoPictures).unwrap_or_else(|problems| {
        panic!("{text}{edits:?}: {:#?}", problems.iter().map(summary).collect::<Vec<_>>())
    })
}

fn with(edits: &[&str]) -> Scene {
    understood(BASE, edits).scene
}

fn origin(understood: &Understood, key: &str) -> Origin {
    understood.inputs.iter().find(|i| i.key == key).unwrap_or_else(|| panic!("{key}")).from.clone()
}

fn preset(words: &str) -> Origin {
    Origin::Preset(words.into())
}

/// The names in the kit are those that the schema allows, and the other way round.
#[test]
fn the_kit_holds_every_preset_and_no_other() {
    for (group, pointer) in [
        ("wall", "/properties/wall"),
        ("camera", "/properties/camera"),
        ("filters.low_pass", "/properties/filters/properties/low_pass"),
    ] {
        let options =
            written::schema().pointer(pointer).expect(group)["properties"]["preset"]["oneOf"]
                .clone();
        let allowed: Vec<&str> =
            options.as_array().expect("names").iter().filter_map(|o| o["const"].as_str()).collect();
        let known: Vec<&str> =
            presets().iter().filter(|p| p.group == group).map(|p| p.name.as_str()).collect();
        assert_eq!(known, allowed, "{group}");
    }
    assert!(presets().iter().all(|p| p.about.len() > 15 && !p.values().is_empty()));
    let groups: BTreeSet<&str> = presets().iter().map(|p| p.group.as_str()).collect();
    assert_eq!(groups.len(), 3);
    // Nothing of the file is lost on the way: every `gives` is a preset.
    assert_eq!(KIT.matches("gives:").count(), presets().len());
}

/// Every value of every preset arrives in a scene, and the scene says that it does.
#[test]
fn every_value_of_a_preset_arrives() {
    for p in presets() {
        let told = understood(BASE, &[&format!("{}.preset={}", p.group, p.name)]);
        assert_eq!(told.scene.notes, [], "{}", p.name);
        for (key, value) in p.values() {
            // A word such as `global` stands at its key; a key such as `preset` of a filter too.
            let input =
                told.inputs.iter().find(|i| i.key == key).unwrap_or_else(|| panic!("{key}"));
            assert_eq!(input.from, preset(&format!("{}.preset: {}", p.group, p.name)), "{key}");
            assert_eq!(input.text, value, "{key}");
        }
    }
}

#[test]
fn what_is_written_wins() {
    let told = understood(
        "wall: {preset: fine_indoor, pixel_pitch_mm: 1.9}\nlens: {focal_mm: 35, f_number: 4}\n\
         placement: {distance_m: 6}\ncamera: {preset: global_shutter, bits: 10}\n",
        &["camera.read_noise_e=2"],
    );
    assert_eq!(told.scene.wall.pitch_m, 0.0019);
    assert_eq!((told.scene.wall.columns, told.scene.wall.rows), (3200, 1920));
    assert_eq!(told.scene.camera.bits, 10);
    assert_eq!(told.scene.camera.read_noise_e, 2.0);
    assert_eq!(told.scene.camera.readout, Readout::Global);
    assert_eq!(origin(&told, "wall.pixel_pitch_mm"), Origin::Written(1));
    assert_eq!(origin(&told, "camera.bits"), Origin::Written(4));
    assert_eq!(origin(&told, "camera.read_noise_e"), Origin::Set);
    assert_eq!(origin(&told, "camera.full_well_e"), preset("camera.preset: global_shutter"));
    assert_eq!(origin(&told, "wall.cabinet_px"), preset("wall.preset: fine_indoor"));
    assert_eq!(origin(&told, "drive.scan"), preset("wall.preset: fine_indoor"));
    assert_eq!(origin(&told, "drive.rise_ns"), Origin::Default);
}

/// Two keys that say the same: the written one wins over the preset's other form, whatever its group.
#[test]
fn a_written_key_takes_the_presets_other_form_out() {
    let s = with(&["wall.size_px=[1000, 500]"]);
    assert_eq!((s.wall.columns, s.wall.rows, s.wall.panel_rows), (1000, 500, 500));
    let s = with(&["camera=large_sensor", "camera.sensor_mm=[28.8, 16.2]"]);
    assert!((s.camera.photosite_m - 5e-6).abs() < 1e-15);
    let s = with(&["camera=large_sensor", "filters.low_pass.separation_um=3"]);
    assert_eq!(s.low_pass.map(|f| f.across_m), Some(3e-6));
    // One direction alone is a filter of one direction, as without a preset.
    let s = with(&["camera=large_sensor", "filters.low_pass.across_um=3"]);
    assert_eq!(s.low_pass.map(|f| (f.across_m, f.upright_m)), Some((3e-6, 0.0)));
    // A camera's filter gives way to a named one, and to none.
    let s = with(&["camera=small_line_skipping", "filters.low_pass=strong"]);
    assert!(s.low_pass.is_some_and(|f| (f.across_m - 2.4e-6).abs() < 1e-18));
    let s = with(&["camera=large_sensor", "filters.low_pass=none"]);
    assert_eq!(s.low_pass, None);
    // Details of a choice that is written as a word.
    let s = with(&["camera=large_sensor", "camera.readout=rolling"]);
    assert_eq!(s.camera.readout, Readout::Rolling { readout_s: 0.014, bottom_up: false });
    let s = with(&["camera=large_sensor", "camera.readout.rolling.direction=bottom_up"]);
    assert_eq!(s.camera.readout, Readout::Rolling { readout_s: 0.014, bottom_up: true });
    // Another kind of drive has no use for the preset's details, and nobody is told of keys that he did not write.
    for (kind, scan) in [("steady", 1), ("pwm", 1), ("scanned", 16)] {
        let s = with(&[&format!("drive.kind={kind}")]);
        assert_eq!((s.drive.scan, s.notes.as_slice()), (scan, [].as_slice()), "{kind}");
    }
}

/// The refresh on a sheet is about what the wall does: a whole number of times the video rate.
#[test]
fn a_presets_refresh_is_whole() {
    for (rate, refresh) in
        [("24", 3840.0), ("25", 3850.0), ("23.976", 160.0 * 24000.0 / 1001.0), ("50", 3850.0)]
    {
        let s = with(&[&format!("camera.frame_rate_fps={rate}")]);
        assert!(matches!(s.drive.kind, DriveKind::Split { bits: 14, .. }));
        assert!((s.drive.refresh_hz / refresh - 1.0).abs() < 1e-15, "{rate}");
    }
    let s = with(&["camera.frame_rate_fps=25", "drive.video_hz=60"]);
    assert_eq!(s.drive.refresh_hz, 3840.0);
}

/// The strengths by their shares of the photosite, and what each leaves of the contrast at half a cycle a photosite:
/// |cos(π·s/2)| for a split of s (model.md and the handbook's section on low-pass filters).
#[test]
fn low_pass_strengths_are_shares_of_the_photosite() {
    for (name, share, left) in [("weak", 0.5, 0.71), ("standard", 0.75, 0.38), ("strong", 1.0, 0.0)]
    {
        let s = with(&[&format!("filters.low_pass={name}"), "camera.photosite_pitch_um=5"]);
        let filter = s.low_pass.expect(name);
        assert!((filter.across_m - share * 5e-6).abs() < 1e-18, "{name}");
        assert_eq!(filter.across_m, filter.upright_m);
        let contrast = transfer::low_pass(0.5 / 5e-6, 0.0, filter.across_m, filter.upright_m);
        assert!((contrast.abs() - left).abs() < 0.005, "{name}: {contrast}");
    }
    assert_eq!(with(&["filters.low_pass=none"]).low_pass, None);
}

#[test]
fn slips_with_presets_are_told() {
    let refused = |line: &str| -> Vec<String> {
        let text = format!("{}{line}\n", BASE.replace("wall: stage\n", ""));
        let problems = scene::parse(&text, "studio", &NoPictures).expect_err(line);
        problems.iter().map(summary).collect()
    };
    assert_eq!(
        refused("wall: {preset: fine_indor}"),
        [
            "line 3, wall.preset: 'fine_indor' is not known; allowed: fine_indoor, stage, ceiling, outdoor (did you mean `fine_indoor`?)",
        ]
    );
    assert_eq!(
        refused("wall: stages"),
        [
            "line 3, wall.preset: 'stages' is not known; allowed: fine_indoor, stage, ceiling, outdoor (did you mean `stage`?)",
        ]
    );
    assert_eq!(
        refused("wall: stage\nfilters: {low_pass: medium}"),
        [
            "line 4, filters.low_pass.preset: 'medium' is not known; allowed: none, weak, standard, strong",
        ]
    );
    // A preset's value that does not fit what is written: told at the preset, with the way out.
    assert_eq!(
        refused("wall: stage\ncamera: {preset: large_sensor, frame_rate_fps: 120}"),
        [
            "line 4, camera.readout.rolling.readout_ms: a readout of 14 ms is longer than the frame period of 8.333 ms at 120 fps (shorten the readout or lower the frame rate; the value comes from `camera.preset: large_sensor`; a written `readout_ms` wins over it)",
        ]
    );
}

/// The eight numbers and two names: under ten lines, a valid scene, and a picture.
#[test]
fn eight_numbers_are_a_scene() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenes/11-eight-numbers.yaml");
    let source = scene_text(&path).expect("readable");
    let lines: Vec<&str> =
        source.text.lines().filter(|l| !l.trim().is_empty() && !l.starts_with('#')).collect();
    assert!(lines.len() < 10, "{lines:#?}");
    let edit = "camera.crop={x: 2600, y: 1400, width: 64, height: 48}".parse().expect("an edit");
    let files = PictureFiles::in_folder(&source.folder);
    let told = scene::understood(&source.text, &source.name, &[edit], &files).expect("valid");
    assert_eq!(told.scene.notes, []);
    // The numbers of a crew, each written in the file.
    for key in [
        "wall.pixel_pitch_mm",
        "drive.refresh_hz",
        "wall.brightness_percent",
        "camera.frame_rate_fps",
        "camera.shutter_angle_deg",
        "lens.focal_mm",
        "lens.f_number",
        "lens.focus.distance_m",
        "placement.distance_m",
    ] {
        assert!(matches!(origin(&told, key), Origin::Written(_)), "{key}");
    }
    let shot = Shot::new(&told.scene, Engine::Fast).expect("a shot");
    let electrons = shot.electrons(0, &Default::default()).expect("a frame");
    let raw = shot.raw(&electrons, 0);
    let levels = shot.levels(&raw);
    assert_eq!(levels.clipped_share_of_all, 0.0);
    assert!(levels.mean_level.iter().all(|level| *level > 400.0), "{levels:?}");
}

/// The small body skips lines of a whole sensor: a third of its photosites each way, in a third of its readout time.
#[test]
fn the_small_body_skips_lines_of_its_sensor() {
    let camera = with(&["camera=small_line_skipping"]).camera;
    assert_eq!((camera.columns, camera.rows, camera.photosite_m), (5760, 3240, 2.4e-6));
    assert_eq!((camera.recorded_size(), camera.mode().read_one_of), ([1920, 1080], [3, 3]));
    assert_eq!(camera.readout, Readout::Rolling { readout_s: 0.02, bottom_up: false });
}

/// The scene as understood is a scene file, and reading it gives the same scene.
#[test]
fn the_scene_as_understood_is_the_same_scene() {
    let more = "about: 'Take 2: the one with \"the lamp\"'\nsubject: {distance: 2 ft 3 in}\n\
                content: {checker: {}}\nfilters: {low_pass: {across_um: 3}}\n";
    for (text, edits) in [
        (BASE.to_owned(), vec!["camera=global_shutter", "camera.shutter_speed=1/48"]),
        (BASE.to_owned(), vec!["camera=small_line_skipping", "camera.frame_rate_fps=23.976"]),
        (
            format!("{BASE}{more}"),
            vec!["lens.iris=bladed", "drive.kind=steady", "effects.noise=off"],
        ),
    ] {
        let told = understood(&text, &edits);
        let yaml = told.as_yaml();
        let again = scene::parse(&yaml, "studio", &NoPictures)
            .unwrap_or_else(|p| panic!("{yaml}\n{:#?}", p.iter().map(summary).collect::<Vec<_>>()));
        let without_notes = |s: &Scene| format!("{:?}", Scene { notes: Vec::new(), ..s.clone() });
        assert_eq!(without_notes(&again), without_notes(&told.scene), "{yaml}");
    }
}

#[test]
fn left_out_keys_say_what_stands_in_their_place() {
    let told = understood(BASE, &["camera.exposure_ms=10"]);
    let yaml = told.as_yaml();
    for line in [
        "  # shutter_angle_deg: 86.4                      # default: follows from other keys",
        "  # black_level: 256                             # default: 1/16 of the raw range",
        "  # video_hz: 24                                 # default: the camera's frame rate",
        "  exposure_ms: 10                                # set",
        "  preset: stage                                  # line 1",
        "  bits: 10                                       # from wall.preset: stage",
        "  # noise: on                                    # default",
    ] {
        let short = |l: &str| l.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(yaml.lines().any(|l| short(l) == short(line)), "{line}\nnot in\n{yaml}");
    }
    let json = told.as_json();
    let row = |key: &str| {
        json.as_array().expect("rows").iter().find(|r| r["key"] == key).expect(key).clone()
    };
    assert_eq!(row("wall.white_nits")["value"], 1500.0);
    assert_eq!(row("wall.white_nits")["unit"], "cd/m²");
    assert_eq!(row("wall.white_nits")["from"], "preset");
    assert_eq!(row("wall.white_nits")["preset"], "wall.preset: stage");
    assert_eq!(row("lens.focal_mm")["line"], 2);
    assert_eq!(row("camera.shutter_angle_deg")["in_its_place"], 86.4);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Any valid scene, printed as understood, is the same scene.
    #[test]
    fn any_scene_as_understood_is_the_same_scene(text in scene_yaml()) {
        if let Ok(told) = scene::understood(&text, "any", &[], &NoPictures) {
            let yaml = told.as_yaml();
            let again = scene::parse(&yaml, "any", &NoPictures);
            let again = again.map_err(|p| TestCaseError::fail(format!("{yaml}\n{p:#?}")))?;
            let without_notes = |s: &Scene| format!("{:?}", Scene { notes: Vec::new(), ..s.clone() });
            prop_assert_eq!(without_notes(&again), without_notes(&told.scene));
        }
    }
}
