//! Broken scenes, each with the exact words that a person gets.

use gridbeat::diag::summary;
use gridbeat::scene::{NoPictures, parse};

/// The three lines that a scene needs; every case below changes one or adds a fourth.
const WALL: &str = "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200]}";
const LENS: &str = "lens: {focal_mm: 35, f_number: 2.8}";
const PLACE: &str = "placement: {distance_m: 3}";

pub fn case(lines: [&str; 4], wanted: &[&str]) -> Option<String> {
    let text = lines.join("\n") + "\n";
    let got: Vec<String> = match parse(&text, "case", &NoPictures) {
        Ok(_) => vec!["(accepted)".into()],
        Err(problems) => problems.iter().map(summary).collect(),
    };
    (got != wanted).then(|| format!("{text}wanted {wanted:#?}\n   got {got:#?}\n"))
}

pub fn wall(line: &str, wanted: &[&str]) -> Option<String> {
    case([line, LENS, PLACE, ""], wanted)
}

pub fn lens(line: &str, wanted: &[&str]) -> Option<String> {
    case([WALL, line, PLACE, ""], wanted)
}

pub fn place(line: &str, wanted: &[&str]) -> Option<String> {
    case([WALL, LENS, line, ""], wanted)
}

pub fn more(line: &str, wanted: &[&str]) -> Option<String> {
    case([WALL, LENS, PLACE, line], wanted)
}

pub fn hold(cases: Vec<Option<String>>) {
    let failed: Vec<String> = cases.into_iter().flatten().collect();
    assert!(failed.is_empty(), "{} cases:\n{}", failed.len(), failed.join("\n"));
}

#[test]
fn an_open_shutter_of_a_broadcast_rate_is_fine() {
    hold(vec![more("camera: {frame_rate_fps: 23.976, shutter_speed: 1/23.976}", &["(accepted)"])]);
}

#[test]
fn the_base_scene_is_fine() {
    let text = [WALL, LENS, PLACE, ""].join("\n");
    if let Err(problems) = parse(&text, "base", &NoPictures) {
        panic!("{:#?}", problems.iter().map(summary).collect::<Vec<_>>());
    }
}

#[test]
fn keys_and_types() {
    hold(vec![
        more("camra: {bits: 12}", &["line 4, camra: unknown key (did you mean `camera`?)"]),
        more(
            "camera: {reedout_ms: 5}",
            &[
                "line 4, camera.reedout_ms: unknown key (did you mean `camera.readout.rolling.readout_ms` or `camera.mode.readout_ms`?)",
            ],
        ),
        more(
            "camera: {fps: 24}",
            &["line 4, camera.fps: unknown key (did you mean `frame_rate_fps`?)"],
        ),
        more(
            "camera: {focal_mm: 24}",
            &["line 4, camera.focal_mm: unknown key (`focal_mm` belongs under `lens`)"],
        ),
        more(
            "subject: {sandwich: 3}",
            &[
                "line 4, subject.sandwich: unknown key (keys that fit here: distance_m, distance, in_front_of_wall_m, in_front_of_wall)",
            ],
        ),
        more(
            "camera: {bits: twelve}",
            &[
                "line 4, camera.bits: 'twelve' is not a number; allowed: a whole number from 8 to 16",
            ],
        ),
        more(
            "camera: {bits: 12.5}",
            &[
                "line 4, camera.bits: 12.5 is not a whole number; allowed: a whole number from 8 to 16",
            ],
        ),
        more(
            "camera: {bits: 20}",
            &["line 4, camera.bits: 20 is too large; allowed: a whole number from 8 to 16"],
        ),
        more(
            "camera: {photosites: 3840}",
            &[
                "line 4, camera.photosites: 3840 found; allowed: a list of 2 whole numbers from 8 to 65536 (write `photosites: […, …]`)",
            ],
        ),
        more(
            "camera: {photosites: [3840]}",
            &[
                "line 4, camera.photosites: a list of 1 found; allowed: a list of 2 whole numbers from 8 to 65536 (write `photosites: […, …]`)",
            ],
        ),
        more(
            "camera: {photosites: [3840, wide]}",
            &[
                "line 4, camera.photosites[2]: 'wide' is not a number; allowed: a whole number from 8 to 65536",
            ],
        ),
        more(
            "camera: {read_noise_e: .inf}",
            &["line 4, camera.read_noise_e: inf is not a usable number; allowed: 0 to 10000 e−"],
        ),
        more(
            "camera: {matrix: [[1, 0, 0], [0, 1], [0, 0, 1]]}",
            &[
                "line 4, camera.matrix[2]: a list of 2 found; allowed: a list of 3 numbers from 0 to 1 (write `[…, …, …]`)",
            ],
        ),
        more(
            "camera: 24",
            &[
                "line 4, camera: 24 found; allowed: a group of keys (keys that fit here: preset, photosites, photosite_pitch_um, sensor_mm, mosaic, fill_factor_percent, readout, frame_rate_fps, shutter_angle_deg, shutter_speed, exposure_ms, exposure_index, full_well_e, read_noise_e, response_spread_percent, bits, black_level, noise_seed, matrix, crop, mode, shutter_offered)",
            ],
        ),
        more(
            "camera: {mosaic: rgbg}",
            &[
                "line 4, camera.mosaic: 'rgbg' is not known; allowed: rggb, grbg, gbrg, bggr, monochrome, full_planes (did you mean `rggb`?)",
            ],
        ),
        more(
            "camera: {readout: {rolling: {readout_ms: 5}, global: }}",
            &["line 4, camera.readout: 2 keys found; allowed: one of global, rolling (keep one)"],
        ),
        more(
            "camera: {readout: {global: {readout_ms: 5}}}",
            &["line 4, camera.readout: 'global' takes no keys (write the word alone: `global`)"],
        ),
        more(
            "drive: {genlock: lokced}",
            &[
                "line 4, drive.genlock: 'lokced' is not known; allowed: locked, free (did you mean `locked`?)",
            ],
        ),
        more(
            "drive: {genlock: free, phase_deg: 20}",
            &[
                "line 4, drive.phase_deg: unknown key (`phase_deg` belongs under `drive.genlock.locked` or `drive.genlock.free`)",
            ],
        ),
        place(
            "placement: {distance_m: 3,5}",
            &[
                "line 3, placement.5: unknown key (keys do not begin with a digit; write decimals with a point, such as 3.5)",
            ],
        ),
        more(
            "drive: {genlock: true}",
            &["line 4, drive.genlock: true found; allowed: locked, free"],
        ),
        more(
            "content: {solid: {light: 50}}",
            &["line 4, content.solid.light: unknown key (did you mean `light_percent`?)"],
        ),
        more(
            "content: image",
            &[
                "line 4, content: 'image' needs more than the word; allowed: file, map, border_percent (write `image:` with its keys on the lines below it)",
            ],
        ),
        more(
            "effects: {noise: maybe}",
            &["line 4, effects.noise: 'maybe' found; allowed: on or off"],
        ),
        more(
            "effects: {diffraction: waves}",
            &[
                "line 4, effects.diffraction: 'waves' is not known; allowed: off, convolved, wave (did you mean `wave`?)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35 mm, f_number: 2.8}",
            &[
                "line 2, lens.focal_mm: '35 mm' is not a number; allowed: 1 to 2000 mm (the unit is in the key's name: write a plain number, in mm)",
            ],
        ),
        lens(
            "lens: {focal_mm: -35, f_number: 2.8}",
            &["line 2, lens.focal_mm: -35 is too small; allowed: 1 to 2000 mm"],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: 2.8, iris: {bladed: {blades: 2}}}",
            &[
                "line 2, lens.iris.bladed.blades: 2 is too small; allowed: a whole number from 3 to 20",
            ],
        ),
        place(
            "placement: {distance: 3}",
            &[
                "line 3, placement.distance: 3: a length needs its unit; allowed: 3.2 m, 3200 mm or 10 ft 6 in (write `distance_m: 3` if it is in metres)",
            ],
        ),
        place(
            "placement: {distance: 3 yd}",
            &[
                "line 3, placement.distance: '3 yd': unknown unit of length 'yd'; allowed: 3.2 m, 3200 mm or 10 ft 6 in",
            ],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], transfer: gamma}",
            &[
                "line 1, wall.transfer: 'gamma' needs more than the word; allowed: 0.2 to 5 (write `{gamma: …}`)",
            ],
        ),
        wall(
            "wall: {pitch_mm: 2.6, size_px: [400, 200]}",
            &["line 1, wall.pitch_mm: unknown key (did you mean `pixel_pitch_mm`?)"],
        ),
        case(
            ["", "", "", ""],
            &["line 5, the scene is empty (start with wall, lens and placement)"],
        ),
        case(
            [WALL, LENS, "", ""],
            &[
                "line 1, placement: missing; its keys: distance_m, distance, measured_from, measured_along, lateral_m, lateral, vertical_m, vertical, aim_m, pan_deg, tilt_deg, roll_deg (add `placement:` at the left margin)",
            ],
        ),
        case(
            [WALL, LENS, PLACE, "lens: {focal_mm: 50}"],
            &[
                "line 4, not readable as YAML: `lens` stands here a second time (keep one of the two)",
            ],
        ),
        case(
            [WALL, LENS, PLACE, "\tcamera: {bits: 12}"],
            &[
                "line 4, not readable as YAML: a line starts with a tab (indent with spaces: YAML allows no tabs)",
            ],
        ),
        case(
            [WALL, LENS, PLACE, "camera: {bits: 12"],
            &[
                "line 4, not readable as YAML: unclosed bracket '{' (check the indentation, the colons and the quotes here and on the line before)",
            ],
        ),
        case(
            ["- wall", "- lens", "", ""],
            &[
                "line 1, a list of 2 found; allowed: a group of keys (keys that fit here: about, wall, drive, content, subject, foreground, other_light, lens, filters, camera, placement, moves, delivery, viewing, tolerances, limits, effects)",
            ],
        ),
    ]);
}

#[test]
fn impossible_lenses_and_places() {
    hold(vec![
        lens(
            "lens: {focal_mm: 35}",
            &[
                "line 2, lens.f_number: missing: how far is the iris open? (add `f_number:` or `t_stop:` under `lens`)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: 2.8, t_stop: 2.5}",
            &[
                "line 2, lens.t_stop: T2.5 would pass more light than f/2.8 lets in (a T-stop is at least the f-number)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: 2.8, focus: {distance_m: 0.03}}",
            &[
                "line 2, lens.focus.distance_m: a focus at 30 mm from the sensor plane is nearer than the focal length; allowed for 35 mm: from 140 mm (four focal lengths) (focus farther away, use a shorter lens, or set `measured_from: lens`)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: 2.8, focus: {distance: 5 in}}",
            &[
                "line 2, lens.focus.distance: a focus at 127 mm from the sensor plane is too near; allowed for 35 mm: from 140 mm (four focal lengths) (focus farther away, use a shorter lens, or set `measured_from: lens`)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: 2.8, focus: {distance_m: 0.03, measured_from: lens}}",
            &[
                "line 2, lens.focus.distance_m: a focus at 30 mm is not beyond the focal length of 35 mm (focus farther away, or use a shorter lens)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: 2.8, focus: {distance_m: 2, on: wall}}",
            &[
                "line 2, lens.focus.on: given together with `distance_m` (keep one of `distance_m`, `distance`, `on`)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: 2.8, focus: {on: subject}}",
            &[
                "line 2, lens.focus.on: no subject to focus on (add `distance_m:` under `subject`, or focus on the wall)",
            ],
        ),
        lens(
            "lens: {focal_mm: 35, f_number: 4, aberration_um: 2, aberration_mtf50_cycles_per_mm: 60}",
            &[
                "line 2, lens.aberration_mtf50_cycles_per_mm: given together with `aberration_um` (keep one of `aberration_um`, `aberration_mtf50_cycles_per_mm`)",
            ],
        ),
        place(
            "placement: {}",
            &[
                "line 3, placement.distance_m: missing: how far is the camera from the wall? (add `distance_m:` or `distance:` under `placement`)",
            ],
        ),
        place(
            "placement: {distance_m: -3}",
            &["line 3, placement.distance_m: -3 is too small; allowed: 0.01 to 10000 m"],
        ),
        place(
            "placement: {distance: -3 m}",
            &[
                "line 3, placement.distance: -3 m is out of range; allowed: 0.01 to 10000 m (the wall must be in front of the camera)",
            ],
        ),
        place(
            "placement: {distance_m: 3, distance: 3 m}",
            &[
                "line 3, placement.distance: given together with `distance_m` (keep one of `distance_m`, `distance`)",
            ],
        ),
        place(
            "placement: {distance_m: 3, pan_deg: 120}",
            &[
                "line 3, placement.pan_deg: the wall is behind the camera: its lens axis never meets the wall (pan and tilt count from straight at the wall; keep each within ±85°)",
            ],
        ),
        place(
            "placement: {distance_m: 3, tilt_deg: 88}",
            &[
                "line 3, placement.tilt_deg: the lens axis meets the wall at 88° off its normal; allowed: up to 85° (turn the camera towards the wall)",
            ],
        ),
        place(
            "placement: {distance_m: 3, aim_m: [5, 0]}",
            &[
                "line 3, placement.aim_m: the aim is 5 m to the side, farther than the tape of 3 m reaches (aim nearer, or set `measured_along: square_to_wall`)",
            ],
        ),
        place(
            "placement: {distance_m: 3, aim_m: [1, 0], pan_deg: 5}",
            &[
                "line 3, placement.pan_deg: given together with `aim_m` (keep one of `aim_m`, `pan_deg`)",
            ],
        ),
        case(
            [WALL, LENS, "placement: {distance_m: 0.03}", "subject: {distance_m: 0.02}"],
            &[
                "line 4, subject.distance_m: a focus at 20 mm from the sensor plane is nearer than the focal length; allowed for 35 mm: from 140 mm (four focal lengths) (focus farther away, use a shorter lens, or set `measured_from: lens`)",
            ],
        ),
        more(
            "subject: {distance_m: 4}",
            &[
                "line 4, subject.distance_m: the subject would stand 1 m behind the wall (the wall is at `placement.distance` from the camera)",
            ],
        ),
        more(
            "subject: {in_front_of_wall: 12 ft}",
            &[
                "line 4, subject.in_front_of_wall: the subject would stand 657.6 mm behind the camera (bring it between camera and wall)",
            ],
        ),
        case(
            [
                WALL,
                "lens: {focal_mm: 35, f_number: 2.8, focus: {distance_m: 10}}",
                PLACE,
                "subject: {distance_m: 0.02}",
            ],
            &[
                "line 4, subject.distance_m: 20 mm from the sensor plane is inside the lens, which stands 35.12 mm before it (move the subject away from the camera)",
            ],
        ),
    ]);
}

#[test]
fn a_slip_of_the_fingers_is_one_problem_and_not_two() {
    hold(vec![
        lens(
            "lens: {focal_mm: 35, t_sotp: 2.8}",
            &["line 2, lens.t_sotp: unknown key (did you mean `t_stop`?)"],
        ),
        place(
            "placement: {distnace_m: 3}",
            &["line 3, placement.distnace_m: unknown key (did you mean `distance_m`?)"],
        ),
        wall(
            "wall: {pixel_pitch_mm: 2.6, size: [400, 200]}",
            &["line 1, wall.size: unknown key (did you mean `size_px`?)"],
        ),
    ]);
}

#[test]
fn all_problems_come_together_and_none_is_a_mere_consequence() {
    hold(vec![case(
        [
            "wall: {pixel_pitch_mm: 2.6, size_px: [400, 200], bits: 99}",
            "lens: {focal_mm: wide, f_number: 2.8, focus: {distance_m: 0.001}}",
            "placement: {distance_m: 3, pan: 5}",
            "camera: {frame_rate_fps: 0, shutter_speed: 1/2, matrix: [[0, 0, 0], [0, 0, 0], [0, 0, 0]]}",
        ],
        &[
            "line 1, wall.bits: 99 is too large; allowed: a whole number from 1 to 16",
            "line 2, lens.focal_mm: 'wide' is not a number; allowed: 1 to 2000 mm",
            "line 2, lens.focus.distance_m: 0.001 is too small; allowed: 0.01 to 1000000 m",
            "line 3, placement.pan: unknown key (did you mean `pan_deg`?)",
            "line 4, camera.frame_rate_fps: 0 is too small; allowed: 0.1 to 100000 fps",
            "line 4, camera.matrix: with this matrix the camera cannot tell red, green and blue apart (each row is to be largest at its own colour)",
        ],
    )]);
}

#[test]
fn hostile_files_are_refused_quickly() {
    let refused = |text: &str| match parse(text, "case", &NoPictures) {
        Ok(_) => panic!("accepted"),
        Err(problems) => problems.iter().map(summary).collect::<Vec<_>>(),
    };
    for nest in ["[", "{a: ", "- ", "a:\n "] {
        assert!(!refused(&nest.repeat(50_000)).is_empty());
    }
    // Ten lists of ten of the list before: a file of a few lines that would fill any memory.
    let mut laughs = String::from("l0: &l0 [x, x, x, x, x, x, x, x, x, x]\n");
    for i in 1..12 {
        let items = vec![format!("*l{}", i - 1); 10].join(", ");
        laughs.push_str(&format!("l{i}: &l{i} [{items}]\n"));
    }
    assert!(!refused(&laughs).is_empty());
    let long = format!("about: {}\n", "x".repeat(1 << 20));
    assert_eq!(refused(&long), ["the file holds 1048584 bytes; a scene may hold 1048576"]);
}
