//! Scenes as written become scenes as meant: units, signs, defaults, edits, notes.

use crate::scene_strategy::scene_yaml;
use glam::DVec3;
use gridbeat::cli::check;
use gridbeat::diag::{Diagnostic, Severity, render, summary};
use gridbeat::optics::{Diffraction, Iris};
use gridbeat::scene::{Edit, NoPictures, Scene, describe, parse, parse_edited, written};
use gridbeat::sensor::{Mosaic, Readout};
use gridbeat::wall::drive::{DriveKind, SplitOrder};
use proptest::prelude::*;

const BASE: &str = "\
wall: {pixel_pitch_mm: 2.6, size_px: [1920, 1080]}
lens: {focal_mm: 35, f_number: 2.8}
placement: {distance_m: 3}
";

fn scene(text: &str) -> Scene {
    match parse(text, "night-train", &NoPictures) {
        Ok(scene) => scene,
        Err(problems) => panic!("{}", render(&problems, "night-train.yaml", text, false)),
    }
}

/// The base scene with some keys set anew.
fn edited(edits: &[&str]) -> Result<Scene, Vec<Diagnostic>> {
    let edits: Vec<Edit> = edits.iter().map(|e| e.parse().expect("an edit")).collect();
    parse_edited(BASE, "night-train", &edits, &NoPictures)
}

fn with(edits: &[&str]) -> Scene {
    edited(edits).unwrap_or_else(|problems| {
        panic!("{edits:?}: {:#?}", problems.iter().map(summary).collect::<Vec<_>>())
    })
}

fn close(got: f64, wanted: f64, what: &str) {
    assert!((got - wanted).abs() <= 1e-9 * wanted.abs().max(1.0), "{what}: {got}, not {wanted}");
}

fn forward(scene: &Scene) -> DVec3 {
    scene.pose.turn * DVec3::NEG_Z
}

#[test]
fn defaults_are_the_documented_ones() {
    let s = scene(BASE);
    assert_eq!(s.name, "night-train");
    assert_eq!((s.wall.columns, s.wall.rows, s.wall.panel_rows), (1920, 1080, 1080));
    close(s.wall.pitch_m, 0.0026, "pitch");
    close(s.wall.white_nits, 1500.0, "white");
    assert_eq!(s.wall.bits, 10);
    assert_eq!(s.drive.kind, DriveKind::Scanned);
    assert_eq!((s.drive.refresh_hz, s.drive.video_hz, s.drive.scan), (3840.0, 24.0, 16));
    assert_eq!(s.drive.clock.drift, 0.0);
    assert_eq!((s.camera.columns, s.camera.rows), (3840, 2160));
    close(s.camera.photosite_m, 6e-6, "photosite");
    assert_eq!(s.camera.mosaic, Mosaic::Bayer([0, 1, 1, 2]));
    assert_eq!(s.camera.readout, Readout::Rolling { readout_s: 0.012, bottom_up: false });
    close(s.camera.exposure_s, 1.0 / 48.0, "180° at 24 fps");
    assert_eq!((s.camera.bits, s.camera.black_level), (12, 256));
    assert!(s.camera.noise);
    assert_eq!(s.lens.iris, Iris::Round);
    assert_eq!(s.lens.diffraction, Diffraction::Wave);
    close(s.lens.aberration_m, 2e-6, "aberration");
    assert_eq!(s.lens.transmission, 1.0);
    assert_eq!(s.low_pass, None);
    // Focus on the wall: 3 m from the sensor plane is d + v.
    close(s.lens.focus_m + s.lens.image_m(), 3.0, "focus from the sensor plane");
    close(s.pose.lens_m.z, s.lens.focus_m, "lens before the wall");
    assert_eq!(s.subject_m, None);
    // Half of full white through gamma 2.2 in 10 bits: 1023·0.5^(1/2.2) = 746.5.
    assert!(matches!(s.content.codes[0][0], 746 | 747), "{}", s.content.codes[0][0]);
}

#[test]
fn every_schema_default_is_what_leaving_the_key_out_gives() {
    let left_out = format!("{:?}", scene(BASE));
    let mut text = BASE.replace("wall: {", "wall: {bits: 10, packaging: surface_mount, ");
    text.push_str("camera: {readout: {rolling: {readout_ms: 12}}, shutter_angle_deg: 180}\n");
    text.push_str("drive: {kind: scanned, refresh_hz: 3840, scan: 16, genlock: locked}\n");
    text.push_str("effects: {noise: on, diffraction: wave}\ncontent: solid\n");
    let given = format!("{:?}", scene(&text));
    let differ = left_out.bytes().zip(given.bytes()).position(|(a, b)| a != b);
    assert!(left_out == given, "differ from byte {differ:?}: {given}");
}

#[test]
fn pan_tilt_and_roll_go_right_up_and_clockwise() {
    let s = with(&["placement.pan_deg=20"]);
    assert!(forward(&s).x > 0.3, "pan right looks to +x");
    let s = with(&["placement.tilt_deg=20"]);
    assert!(forward(&s).y > 0.3, "tilt up looks to +y");
    let s = with(&["placement.roll_deg=20"]);
    assert!((s.pose.turn * DVec3::X).y < -0.3, "clockwise: the right side goes down");
    assert!((s.pose.turn * DVec3::Y).x > 0.3, "clockwise: the top goes right");
    // The model's turn: R = Ry(yaw)·Rx(pitch)·Rz(roll), pan = −yaw, tilt = pitch, roll = −roll.
    let s = with(&["placement.pan_deg=20", "placement.tilt_deg=10", "placement.roll_deg=5"]);
    let wanted = glam::DMat3::from_rotation_y((-20_f64).to_radians())
        * glam::DMat3::from_rotation_x(10_f64.to_radians())
        * glam::DMat3::from_rotation_z((-5_f64).to_radians());
    assert!(s.pose.turn.abs_diff_eq(wanted, 1e-12));
}

#[test]
fn the_tape_goes_from_the_sensor_plane_along_the_axis() {
    let s = with(&["placement.pan_deg=30", "placement.lateral_m=-1", "placement.vertical_m=0.5"]);
    // The sensor-plane mark lies one image distance behind the lens.
    let mark = s.pose.lens_m - forward(&s) * s.lens.image_m();
    close(mark.x, -1.0, "lateral");
    close(mark.y, 0.5, "vertical");
    close(mark.z, 3.0 * 30_f64.to_radians().cos(), "3 m of tape at 30°");
    let s = with(&["placement.pan_deg=30", "placement.measured_along=square_to_wall"]);
    let mark = s.pose.lens_m - forward(&s) * s.lens.image_m();
    close(mark.z, 3.0, "square to the wall");
    let s = with(&["placement.measured_from=lens"]);
    close(s.pose.lens_m.z, 3.0, "from the lens");
    close(s.lens.focus_m, 3.0, "focus on the wall, from the lens");
}

#[test]
fn an_aim_meets_its_point() {
    for along in ["lens_axis", "square_to_wall"] {
        let s = with(&[
            "placement.lateral_m=1.2",
            "placement.vertical_m=-0.3",
            "placement.aim_m=[-0.4, 0.7]",
            &format!("placement.measured_along={along}"),
        ]);
        let ahead = forward(&s);
        let meets = s.pose.lens_m + ahead * (s.pose.lens_m.z / -ahead.z);
        close(meets.x, -0.4, "aim x");
        close(meets.y, 0.7, "aim y");
        let mark = s.pose.lens_m - ahead * s.lens.image_m();
        close(mark.x, 1.2, "lateral");
        let tape = if along == "lens_axis" { (mark - meets).length() } else { mark.z };
        close(tape, 3.0, along);
    }
}

#[test]
fn lengths_may_be_written_in_any_unit() {
    let metres = with(&["placement.distance_m=3.2004"]);
    for text in ["10 ft 6 in", "3200.4 mm", "126 in", "\"10'6\\\"\"", "10'6\""] {
        let s = with(&[&format!("placement.distance={text}")]);
        close(s.pose.lens_m.z, metres.pose.lens_m.z, text);
    }
    let s = with(&["placement.lateral=-2 ft", "placement.vertical=20 cm"]);
    close(s.pose.lens_m.x, -0.6096, "lateral");
    close(s.pose.lens_m.y, 0.2, "vertical");
}

#[test]
fn focus_on_subject_and_by_tape() {
    let s = with(&["subject.distance_m=2"]);
    let v = s.lens.image_m();
    close(s.lens.focus_m + v, 2.0, "a subject is focused on by default");
    close(s.subject_m.unwrap_or(f64::NAN), 2.0 - v, "subject from the lens");
    let s = with(&["subject.in_front_of_wall_m=1", "lens.focus.on=wall"]);
    close(s.lens.focus_m + s.lens.image_m(), 3.0, "focus on the wall");
    close(s.subject_m.unwrap_or(f64::NAN), 2.0 - s.lens.image_m(), "1 m before the wall");
    let s = with(&["lens.focus.distance_m=1.5", "lens.focus.measured_from=lens"]);
    close(s.lens.focus_m, 1.5, "from the lens");
    let s = with(&["lens.focus.distance=5 ft"]);
    close(s.lens.focus_m + s.lens.image_m(), 1.524, "from the sensor plane");
}

#[test]
fn light_through_the_lens() {
    let s = with(&["lens.t_stop=4"]);
    close(s.lens.transmission, 0.49, "(2.8/4)²");
    let s = with(&["lens.t_stop=4", "lens.f_number=null"]);
    close(s.lens.f_number, 4.0, "a lossless lens");
    let s = with(&["filters.neutral_density_stops=3"]);
    close(s.lens.transmission, 0.125, "three stops");
    // exp(−2π²σ²f²) = ½ at 50 cycles/mm: σ = 3.7478 µm by hand.
    let s = with(&["lens.aberration_mtf50_cycles_per_mm=50"]);
    let (sigma_mm, f) = (s.lens.aberration_m * 1e3, 50.0);
    close((-2.0 * (std::f64::consts::PI * sigma_mm * f).powi(2)).exp(), 0.5, "MTF50");
    assert!((s.lens.aberration_m - 3.7478e-6).abs() < 1e-10, "{}", s.lens.aberration_m);
    let s = with(&["filters.low_pass.separation_photosites=1", "filters.low_pass.upright_um=4"]);
    let filter = s.low_pass.expect("a filter");
    close(filter.across_m, 6e-6, "one photosite");
    close(filter.upright_m, 4e-6, "4 µm");
}

#[test]
fn rates_and_shutters() {
    let s = with(&["camera.frame_rate_fps=23.976"]);
    assert_eq!(s.camera.fps, 24000.0 / 1001.0);
    assert_eq!(s.drive.video_hz, s.camera.fps);
    assert_eq!(s.drive.refresh_hz, 160.0 * s.drive.video_hz);
    assert_eq!(s.drive.refreshes(), 160);
    let s = with(&["camera.frame_rate_fps=24000/1001", "drive.refresh_hz=3836.16"]);
    close(s.drive.refresh_hz, 160.0 * 24000.0 / 1001.0, "a rounded multiple is taken exactly");
    assert_eq!(s.drive.refreshes(), 160);
    let s = with(&["camera.shutter_speed=1/50"]);
    assert_eq!(s.camera.exposure_s, 0.02);
    let s = with(&["camera.exposure_ms=2"]);
    assert_eq!(s.camera.exposure_s, 0.002);
    // At 120 fps the default readout shrinks with the frame.
    let s = with(&["camera.frame_rate_fps=120"]);
    close(s.camera.line_s() * 2160.0, 0.9 / 120.0, "readout");
}

#[test]
fn drives_and_clocks() {
    let s = with(&["drive.kind={split: {order: bit_reversed}}", "drive.advanced.grey_bits=13"]);
    assert_eq!(s.drive.kind, DriveKind::Split { bits: 13, order: SplitOrder::BitReversed });
    assert!(s.drive.refreshes().is_power_of_two());
    let s = with(&["drive.kind=split"]);
    assert_eq!(s.drive.kind, DriveKind::Split { bits: 14, order: SplitOrder::Even });
    let s = with(&["drive.kind=pwm"]);
    assert_eq!(s.drive.scan, 1);
    let s = with(&["drive.genlock.locked.phase_deg=90"]);
    close(s.drive.clock.phase_s, 0.25 / 24.0, "a quarter of a video frame");
    let s = with(&["drive.genlock.free.drift_ppm=-35"]);
    close(s.drive.clock.drift, -35e-6, "drift");
    let s = with(&["drive.advanced.dark_per_slot_us=2", "drive.delay_ns=[0, 10, -20]"]);
    close(s.drive.dark_slot_s, 2e-6, "dark");
    close(s.drive.delay_s[2], -20e-9, "delay");
}

#[test]
fn every_effect_has_its_switch() {
    let s = with(&[
        "effects={diffraction: off, defocus: off, aberration: off, low_pass: off, \
         natural_vignetting: off, distortion: off, viewing_angle: off, diffuser: off, \
         front_low_pass: off, noise: off, mode: off, moves: off, squeeze: off}",
        "lens.squeeze=2",
        "moves={keyframes: [{at_frame: 4, distance_m: 2}]}",
        "camera.mode={bin: [2, 2]}",
        "filters.front_low_pass.split_arcmin=1",
        "wall.diffuser.stand_off_mm=4",
        "filters.low_pass.separation_um=4",
        "lens.distortion_percent=-2",
    ]);
    assert_eq!(s.lens.diffraction, Diffraction::Off);
    assert!(!s.lens.defocus && !s.lens.vignetting && !s.camera.noise);
    assert_eq!((s.lens.aberration_m, s.lens.distortion), (0.0, 0.0));
    assert_eq!(s.low_pass, None);
    assert_eq!(s.front_low_pass, None);
    assert_eq!(s.wall.diffuser, None);
    assert_eq!(s.camera.mode, None);
    assert!(s.moves.is_none());
    assert_eq!(s.lens.squeeze, 1.0);
    assert!(s.wall.emitters.iter().all(|e| e.half_angle_rad.is_none()));
    let s = with(&["filters.low_pass.separation_um=4", "lens.distortion_percent=-2"]);
    close(s.low_pass.expect("a filter").across_m, 4e-6, "low-pass");
    close(s.lens.distortion, -0.02, "distortion");
    assert!(s.wall.emitters.iter().all(|e| e.half_angle_rad.is_some()));
}

#[test]
fn emitters_of_every_packaging_lie_inside_their_pixel_and_apart() {
    for packaging in ["through_hole", "surface_mount", "chip_on_board"] {
        let s = with(&[&format!("wall.packaging={packaging}")]);
        let half = |c: usize| match s.wall.emitters[c].shape {
            gridbeat::wall::EmitterShape::Rectangle { width_m, height_m } => {
                (width_m / 2.0, height_m / 2.0)
            }
            gridbeat::wall::EmitterShape::Disc { diameter_m } => {
                (diameter_m / 2.0, diameter_m / 2.0)
            }
            gridbeat::wall::EmitterShape::Tent => panic!("not a real emitter"),
        };
        let box_of = |c: usize| {
            let (o, (w, h)) = (s.wall.emitters[c].offset_m, half(c));
            (o.x - w, o.x + w, o.y - h, o.y + h)
        };
        let edge = s.wall.pitch_m / 2.0;
        for c in 0..3 {
            let (left, right, bottom, top) = box_of(c);
            assert!(
                left >= -edge && right <= edge && bottom >= -edge && top <= edge,
                "{packaging}"
            );
            for d in 0..c {
                let (l, r, b, t) = box_of(d);
                assert!(right <= l || r <= left || top <= b || t <= bottom, "{packaging} {c} {d}");
            }
        }
        assert!(s.wall.emitters[0].offset_m.y > s.wall.emitters[2].offset_m.y, "red above blue");
    }
}

#[test]
fn cabinets_set_size_and_panels() {
    let s = with(&["wall.cabinets=[3, 2]", "wall.cabinet_px=[168, 96]"]);
    assert_eq!((s.wall.columns, s.wall.rows), (504, 192));
    assert_eq!((s.wall.panel_columns, s.wall.panel_rows), (168, 96));
}

#[test]
fn edits_replace_add_choose_and_take_out() {
    // A word, a choice with details, a deeper key of another choice.
    assert_eq!(with(&["camera.readout=global"]).camera.readout, Readout::Global);
    let s = with(&["camera.readout=global", "camera.readout.rolling.direction=bottom_up"]);
    assert!(matches!(s.camera.readout, Readout::Rolling { bottom_up: true, .. }));
    // One of several ways to say the same thing replaces another.
    let text = format!("{BASE}camera: {{shutter_angle_deg: 90}}\n");
    let edit = "camera.shutter_speed=1/100".parse().expect("an edit");
    let s = parse_edited(&text, "x", &[edit], &NoPictures).expect("fine");
    assert_eq!(s.camera.exposure_s, 0.01);
    let taken_out = with(&["lens.f_number=", "lens.t_stop=2"]);
    assert_eq!(taken_out.lens.f_number, 2.0);
    // Problems of edits speak like those of files, without a place.
    let problems = edited(&["lens.focal_mn=50"]).expect_err("a slip");
    assert_eq!(problems.len(), 1, "{problems:?}");
    assert_eq!(summary(&problems[0]), "lens.focal_mn: unknown key (did you mean `focal_mm`?)");
    let problems = edited(&["lens.focal_mm=[1"]).expect_err("no YAML");
    assert_eq!(problems[0].key, "lens.focal_mm");
    assert!("lens.focal_mm".parse::<Edit>().is_err());
    assert!("=3".parse::<Edit>().is_err());
    // Two edits that contradict each other are not silently sorted out.
    let both = edited(&["camera.shutter_speed=1/50", "camera.exposure_ms=20"]);
    assert_eq!(both.expect_err("both").len(), 1);
}

#[test]
fn notes_name_the_value_and_a_next_step() {
    let table: [(&[&str], &[&str]); 11] = [
        (&[], &[]),
        // By hand: 20 m of tape leave 19.965 m to the lens; 12.96 mm of sensor height then see
        // 7.38 m, 23.04 mm see 13.12 m: 14.5 % of it is wall, and 35 mm · 7.38/2.808 = 92.0 mm.
        (
            &["placement.distance_m=20"],
            &[
                "line 3, placement: the wall of 4.992 m × 2.808 m fills about 14 % of the frame; around it the picture is dark (a lens of about 91.98 mm fills the frame from here)",
            ],
        ),
        (
            &["placement.pan_deg=-72"],
            &[
                "line 3, placement: the wall of 4.992 m × 2.808 m fills about 44 % of the frame; around it the picture is dark (aim at the middle of the wall, move nearer or use a larger wall)",
                "line 3, placement: the lens axis meets the wall 72° off its normal, where emitters are least predictable (measure `half_angle_deg` of the wall, or move to its front)",
            ],
        ),
        (
            &["placement.lateral_m=50"],
            &[
                "line 3, placement: the wall of 4.992 m × 2.808 m is not in the frame: the picture will be dark (check lateral, vertical, pan, tilt and aim)",
            ],
        ),
        (
            &["camera.photosites=[64, 36]", "subject.distance_m=0.3", "lens.f_number=1.4"],
            &[
                "line 2, lens: the wall's blur disc is 592.5 photosites wide, the frame's smaller side 36 (stop down, or focus nearer to the wall)",
            ],
        ),
        (
            &[
                "wall.pixel_pitch_mm=0.1",
                "wall.size_px=[9600, 5400]",
                "camera.photosites=[1600, 900]",
            ],
            &[
                "wall.pixel_pitch_mm: the wall's pixels are 0.1991 photosites apart on the sensor: the camera sees an even face (check the pitch of 100 µm and the distance; moiré is likely near 1 to 3 photosites)",
            ],
        ),
        (
            &["drive.refresh_hz=3850"],
            &[
                "drive.refresh_hz: the sheet's 3850 Hz become 3840 Hz: fed 24 fps, the wall refreshes 160 times a video frame (a wall refreshes a whole number of times a video frame; `refresh_lock` says how this one counts)",
            ],
        ),
        (
            &["wall.cabinets=[10, 9]", "wall.cabinet_px=[192, 120]"],
            &[
                "wall.cabinet_px: a cabinet of 120 rows is not a whole number of turns of 16 rows (check `drive.scan` and `cabinet_px` against the wall's papers)",
            ],
        ),
        (
            &["drive.kind=steady", "drive.scan=8"],
            &[
                "drive.scan: steady light has no refresh: this key has no effect (choose another `kind`, or take the key out)",
            ],
        ),
        (
            &["drive.kind=steady", "drive.rise_ns=20"],
            &[
                "drive.rise_ns: steady light has no pulses: this key has no effect (choose another `kind`, or take the key out)",
            ],
        ),
        (
            &["camera.mosaic=monochrome", "delivery.demosaic=bilinear"],
            &[
                "delivery.demosaic: a camera without a mosaic needs no demosaic: this key has no effect (choose a mosaic in `camera.mosaic`, or take the key out)",
            ],
        ),
    ];
    let mut failed = Vec::new();
    for (edits, wanted) in table {
        let got: Vec<String> = with(edits).notes.iter().map(summary).collect();
        if got != wanted {
            failed.push(format!("{edits:?}: {got:#?}"));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn a_scene_is_told_as_understood() {
    let told = describe(&scene(BASE));
    for line in [
        "  size                   1920 × 1080 px, 4.992 m × 2.808 m",
        "  refresh                3840 Hz, 160 times a video frame at 24 fps",
        "  exposure               1/48 s (180°)",
        "  pan, tilt, roll        0°, 0°, 0°",
    ] {
        assert!(told.lines().any(|l| l == line), "{line}\nnot in\n{told}");
    }
    let turned = with(&["placement.pan_deg=12", "placement.tilt_deg=-3", "placement.roll_deg=7"]);
    assert!(
        describe(&turned).contains("pan, tilt, roll        12°, -3°, 7°"),
        "{}",
        describe(&turned)
    );
}

#[test]
fn the_schema_and_the_key_reference_hold_every_section() {
    let schema = written::editor_schema();
    let sections: Vec<&String> =
        schema["properties"].as_object().expect("properties").keys().collect();
    let reference = written::key_reference();
    for section in sections {
        assert!(reference.lines().any(|l| l.split("  ").next() == Some(section)), "{section}");
    }
    assert_eq!(schema["additionalProperties"], false);
    // Every key has words about it.
    for line in reference.lines() {
        assert!(line.len() > 60, "no meaning: {line}");
    }
}

#[test]
fn files_are_read_from_the_scenes_folder() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("night-train.yaml");
    std::fs::write(&path, format!("{BASE}content: {{image: {{file: plate.png}}}}\n"))
        .expect("written");
    // Without the picture: refused, one problem.
    assert!(matches!(check::load(&path, &[]), Ok(Err(1))));
    let plate = plate_of_two_halves();
    plate.save(folder.path().join("plate.png")).expect("saved");
    let scene = check::load(&path, &[]).expect("read").expect("fine");
    assert_eq!(scene.name, "night-train");
    // White left, black right; the wall's code values are the picture's.
    assert_eq!(scene.content.codes[0][0], 1023);
    assert_eq!(scene.content.codes[0][1919], 0);
    let enlarged: Vec<&str> = scene.notes.iter().map(|n| n.key.as_str()).collect();
    assert_eq!(enlarged, ["content.image.file"]);
    let edit = "content.image.map=pixel_for_pixel".parse().expect("an edit");
    let scene = check::load(&path, &[edit]).expect("read").expect("fine");
    assert_eq!(scene.content.codes[0][0], 0, "a border");
    assert_eq!(scene.content.codes[0][540 * 1920 + 959], 1023);
    assert!(check::load(&folder.path().join("gone.yaml"), &[]).is_err());
}

fn plate_of_two_halves() -> image::GrayImage {
    image::GrayImage::from_fn(64, 36, |x, _| image::Luma([if x < 32 { 255 } else { 0 }]))
}

/// A stretch of text replaced, taken out or doubled.
fn mutated(text: &str, at: usize, length: usize, with: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let start = at % (chars.len() + 1);
    let end = (start + length).min(chars.len());
    let mut out: String = chars[..start].iter().collect();
    out.push_str(with);
    out.extend(&chars[end..]);
    out
}

fn judge(text: &str) -> Result<(), TestCaseError> {
    match parse(text, "x", &NoPictures) {
        Ok(scene) => {
            prop_assert!(scene.lens.focus_m > scene.lens.focal_m);
            prop_assert!(scene.pose.lens_m.is_finite() && scene.pose.lens_m.z > 0.0);
            for note in &scene.notes {
                prop_assert_eq!(note.severity, Severity::Note);
                let words = summary(note);
                prop_assert!(!words.contains("NaN") && !words.contains("inf "), "{}", words);
                prop_assert!(note.hint.is_some(), "{}", words);
            }
            let told = describe(&scene);
            prop_assert!(!told.contains("NaN") && !told.contains("inf"), "{}", told);
        }
        Err(problems) => {
            prop_assert!(!problems.is_empty());
            prop_assert!(problems.iter().all(|p| p.severity == Severity::Error));
            let shown = render(&problems, "x.yaml", text, false);
            prop_assert!(!shown.is_empty());
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..Default::default() })]

    #[test]
    fn arbitrary_scenes_are_valid(text in scene_yaml()) {
        if let Err(problems) = parse(&text, "x", &NoPictures) {
            return Err(TestCaseError::fail(render(&problems, "x.yaml", &text, false)));
        }
        judge(&text)?;
    }

    #[test]
    fn arbitrary_text_never_panics(text in "\\PC{0,200}") {
        judge(&text)?;
    }

    #[test]
    fn text_that_looks_like_a_scene_never_panics(
        text in "([a-z_]{1,8}: ?(\\[|\\{|&a|\\*a|- |\"|'|[0-9.e+-]{1,6}|on|null|~)?[\n ]{0,4}){0,20}"
    ) {
        judge(&text)?;
    }

    #[test]
    fn arbitrary_edits_never_panic(
        key in "(lens|wall|drive|camera|content|placement|[a-z]{1,4})(\\.[a-z_]{1,14}|\\.focus|\\.readout){0,4}",
        value in "\\PC{0,12}|[0-9]{1,8}|\\{solid: 1\\}|\\[1, 2\\]",
    ) {
        let edit = Edit { key, value };
        if let Err(problems) = parse_edited(BASE, "x", &[edit], &NoPictures) {
            prop_assert!(!problems.is_empty());
        }
    }

    #[test]
    fn mutated_scenes_never_panic(
        text in scene_yaml(),
        cuts in proptest::collection::vec(
            (any::<usize>(), 0..12_usize, "([0-9]{1,9}|-|\\.|e9|\\PC{0,3}|: |\n|\\[|\\}|nan|\\.inf)"),
            1..4,
        ),
    ) {
        let mut text = text;
        for (at, length, with) in &cuts {
            text = mutated(&text, *at, *length, with);
        }
        judge(&text)?;
    }
}
